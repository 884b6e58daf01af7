//! Numbers as far out as their types allow, drawn from a seed.

use gapkeeper::{Fade, HeightGrid, Lattice, MAX_NODES_PER_AXIS, MAX_SPAN_UM, MIN_PITCH_UM, Move, Point};

use crate::media::Random;

/// Values at which some rule of the core changes; each is drawn with both signs and one beside it.
const LANDMARKS: [i64; 15] =
    [0, 1, 2, 15, 16, 100, 256, 1000, 8191, 16_382, 32_767, 65_535, MAX_SPAN_UM as i64, 1 << 24, 1 << 31];

/// A source of extreme numbers.
#[derive(Clone, Copy, Debug)]
pub struct Extremes(pub Random);

impl Extremes {
    /// The numbers of a seed.
    pub fn new(seed: u64) -> Self {
        Self(Random(seed))
    }

    /// An end of the range, a landmark or one beside it, a power of two or any number.
    fn wide(&mut self, lowest: i64, highest: i64) -> i64 {
        let random = &mut self.0;
        let beside = random.below(3) as i64 - 1;
        let value = match random.below(8) {
            0 => lowest,
            1 => highest,
            2 | 3 => (LANDMARKS[random.below(LANDMARKS.len())] + beside) * if random.below(2) == 0 { 1 } else { -1 },
            4 => (1_i64 << random.below(33)) + beside,
            5 => lowest + random.below(40) as i64,
            6 => highest - random.below(40) as i64,
            _ => random.draw() as i64 >> random.below(63),
        };
        if (lowest..=highest).contains(&value) { value } else { lowest + value.rem_euclid(highest - lowest + 1) }
    }

    /// Any `i32`.
    pub fn i32(&mut self) -> i32 {
        self.wide(i32::MIN.into(), i32::MAX.into()) as i32
    }

    /// Any `i16`.
    pub fn i16(&mut self) -> i16 {
        self.wide(i16::MIN.into(), i16::MAX.into()) as i16
    }

    /// Any `u32`.
    pub fn u32(&mut self) -> u32 {
        self.wide(0, u32::MAX.into()) as u32
    }

    /// Any `u16`.
    pub fn u16(&mut self) -> u16 {
        self.wide(0, u16::MAX.into()) as u16
    }

    /// Any `u8`.
    pub fn u8(&mut self) -> u8 {
        self.wide(0, u8::MAX.into()) as u8
    }

    /// Any `usize`.
    pub fn usize(&mut self) -> usize {
        match self.0.below(4) {
            0 => usize::MAX - self.0.below(3),
            1 => self.0.draw() as usize,
            _ => self.u32() as usize,
        }
    }

    /// Yes or no.
    pub fn bool(&mut self) -> bool {
        self.0.below(2) == 1
    }

    /// A place.
    pub fn point(&mut self) -> Point {
        Point { x_um: self.i32(), y_um: self.i32(), z_um: self.i32() }
    }

    /// A move.
    pub fn motion<const EXTRA: usize>(&mut self) -> Move<EXTRA> {
        Move {
            start: self.point(),
            end: self.point(),
            extra_start: std::array::from_fn(|_| self.i32()),
            extra_end: std::array::from_fn(|_| self.i32()),
        }
    }

    /// Any lattice; few of them make a grid.
    pub fn lattice(&mut self) -> Lattice {
        Lattice {
            x0_um: self.i32(),
            y0_um: self.i32(),
            pitch_x_um: self.u32(),
            pitch_y_um: self.u32(),
            columns: self.u8(),
            rows: self.u8(),
        }
    }

    /// First node, pitch and nodes of an axis as it may be, with up to `nodes` nodes.
    fn axis(&mut self, nodes: u8) -> (i32, u32, u8) {
        let nodes = 2 + self.0.below(usize::from(nodes - 1)) as u8;
        let most_um = MAX_SPAN_UM / u32::from(nodes - 1);
        let pitch_um = match self.0.below(3) {
            0 => MIN_PITCH_UM,
            1 => most_um,
            _ => MIN_PITCH_UM + self.0.below((most_um - MIN_PITCH_UM + 1) as usize) as u32,
        };
        let last_start_um = i32::MAX - (pitch_um * u32::from(nodes - 1)) as i32;
        let start_um = match self.0.below(4) {
            0 => i32::MIN,
            1 => last_start_um,
            2 => self.0.below(600_000) as i32 - 300_000,
            _ => self.i32().min(last_start_um),
        };
        (start_um, pitch_um, nodes)
    }

    /// A lattice of a grid, with up to so many nodes along each axis.
    pub fn sound_lattice(&mut self, nodes: u8) -> Lattice {
        let (x0_um, pitch_x_um, columns) = self.axis(nodes);
        let (y0_um, pitch_y_um, rows) = self.axis(nodes);
        Lattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows }
    }

    /// A grid with heights up to both ends of what is allowed, or flat; `CAPACITY` nodes or fewer.
    ///
    /// # Panics
    /// If the core refuses a grid that its documentation allows.
    #[allow(clippy::unwrap_used, reason = "the numbers are in range")]
    pub fn grid<const CAPACITY: usize>(&mut self) -> HeightGrid<CAPACITY> {
        let nodes = (CAPACITY.isqrt() as u8).min(MAX_NODES_PER_AXIS);
        let (lattice, kind) = (self.sound_lattice(nodes), self.0.below(3));
        HeightGrid::from_fn(lattice, |_, _| match kind {
            0 => 8191,
            1 => {
                if self.bool() {
                    8191
                } else {
                    -8191
                }
            }
            _ => self.0.below(2 * 8191 + 1) as i32 - 8191,
        })
        .unwrap()
    }

    /// A fade, if these two numbers make one.
    pub fn fade(&mut self) -> Option<Fade> {
        let full_below_um = self.i32();
        let range_um = if self.bool() { self.i32() } else { 20_000 };
        Fade::new(full_below_um, if self.bool() { self.i32() } else { full_below_um.wrapping_add(range_um) }).ok()
    }

    /// A place in or around a grid, as often as anywhere.
    pub fn place_near(&mut self, lattice: Lattice) -> Point {
        let mut along = |start_um: i32, pitch_um: u32, nodes: u8| {
            let span_um = pitch_um * u32::from(nodes - 1);
            match self.0.below(3) {
                0 => self.i32(),
                1 => start_um.saturating_add_unsigned(pitch_um * self.0.below(nodes.into()) as u32),
                _ => start_um.saturating_add_unsigned(self.0.below(span_um as usize + 1) as u32),
            }
        };
        let x_um = along(lattice.x0_um, lattice.pitch_x_um, lattice.columns);
        let y_um = along(lattice.y0_um, lattice.pitch_y_um, lattice.rows);
        Point { x_um, y_um, z_um: if self.bool() { self.i32() } else { self.0.below(20_000) as i32 } }
    }
}

/// Rounds of each test: few by default, more by the environment variable `GAPKEEPER_EXTREMES`.
pub fn rounds() -> u64 {
    std::env::var("GAPKEEPER_EXTREMES").ok().and_then(|rounds| rounds.parse().ok()).unwrap_or(400)
}
