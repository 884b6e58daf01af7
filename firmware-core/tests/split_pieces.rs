//! How many pieces a move takes, against the fewest that there can be.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{Correction, Fade, HeightGrid, Lattice, Move, Point};

/// A small generator of its own (Marsaglia's xorshift, from memory), so that the moves are always the same.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn within(&mut self, lowest: i32, highest: i32) -> i32 {
        lowest + (self.unit() * f64::from(highest - lowest)) as i32
    }

    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }
}

const SPAN_UM: i32 = 200_000;

fn lattice(nodes: u8) -> Lattice {
    let pitch_um = SPAN_UM as u32 / u32::from(nodes - 1);
    Lattice { x0_um: 0, y0_um: 0, pitch_x_um: pitch_um, pitch_y_um: pitch_um, columns: nodes, rows: nodes }
}

fn grids() -> Vec<(&'static str, HeightGrid<225>)> {
    let bow = HeightGrid::<9>::new(lattice(3), &[0, 150, 0, 150, 300, 150, 0, 150, 0]).unwrap();
    let smooth = HeightGrid::<9>::new(lattice(3), &[0, 40, 10, 90, 160, 60, 20, 80, -40]).unwrap();
    let mut random = Random(88_172_645_463_325_252);
    let mut any = |scale: i32| random.within(-scale, scale);
    let rough: Vec<i16> = (0..25).map(|_| any(100) as i16).collect();
    let noisy: Vec<i16> = (0..225).map(|at| ((at % 15) * 20 + at / 15 * 10 + any(2).clamp(-1, 1)) as i16).collect();
    vec![
        ("bow 3x3, 15x15", bow.refined(15, 15).unwrap()),
        ("smooth 3x3, 9x9", smooth.refined(9, 9).unwrap()),
        ("rough 5x5", HeightGrid::new(lattice(5), &rough).unwrap()),
        ("twist 2x2", HeightGrid::new(lattice(2), &[200, -200, -200, 200]).unwrap()),
        ("tilt and noise", HeightGrid::new(lattice(15), &noisy).unwrap()),
    ]
}

/// The corrected height at a fraction of the way, in floats.
fn exact_um(correction: &Correction<225>, motion: &Move<0>, t: f64) -> f64 {
    let along = |from: i32, to: i32| f64::from(from) + (f64::from(to) - f64::from(from)) * t;
    let (x, y, z) = (
        along(motion.start.x_um, motion.end.x_um),
        along(motion.start.y_um, motion.end.y_um),
        along(motion.start.z_um, motion.end.z_um),
    );
    machine_um(correction, x, y, z)
}

fn machine_um(correction: &Correction<225>, x: f64, y: f64, z: f64) -> f64 {
    let grid = correction.grid();
    let lattice = grid.lattice();
    let position = |at: f64, from: i32, pitch: u32, nodes: u8| {
        let at = ((at - f64::from(from)) / f64::from(pitch)).clamp(0.0, f64::from(nodes - 1));
        let cell = at.floor().min(f64::from(nodes - 2));
        (cell as usize, at - cell)
    };
    let (column, u) = position(x, lattice.x0_um, lattice.pitch_x_um, lattice.columns);
    let (row, v) = position(y, lattice.y0_um, lattice.pitch_y_um, lattice.rows);
    let node = |row: usize, column: usize| f64::from(grid.nodes_um()[row * usize::from(lattice.columns) + column]);
    let height = (node(row, column) * (1.0 - u) + node(row, column + 1) * u) * (1.0 - v)
        + (node(row + 1, column) * (1.0 - u) + node(row + 1, column + 1) * u) * v;
    let mean = f64::from(grid.mean_um());
    let share = correction.fade().map_or(1.0, |fade| {
        let (full, zero) = (f64::from(fade.full_below_um()), f64::from(fade.zero_above_um()));
        ((zero - z) / (zero - full)).clamp(0.0, 1.0)
    });
    z + f64::from(correction.shift_um()) + mean + share * (height - mean)
}

/// Fractions where a straight way may turn: lines of nodes and the fade's ends, and `steps` even ones.
fn fractions(correction: &Correction<225>, motion: &Move<0>, steps: u32) -> Vec<f64> {
    let lattice = correction.grid().lattice();
    let mut all: Vec<f64> = (0..=steps).map(|step| f64::from(step) / f64::from(steps)).collect();
    let mut cross = |from: i32, to: i32, at: f64| {
        let t = (at - f64::from(from)) / (f64::from(to) - f64::from(from));
        if t > 0.0 && t < 1.0 {
            all.push(t);
        }
    };
    for column in 0..lattice.columns {
        cross(motion.start.x_um, motion.end.x_um, f64::from(lattice.node_um(column, 0).0));
    }
    for row in 0..lattice.rows {
        cross(motion.start.y_um, motion.end.y_um, f64::from(lattice.node_um(0, row).1));
    }
    if let Some(fade) = correction.fade() {
        for z_um in [fade.full_below_um(), fade.zero_above_um()] {
            cross(motion.start.z_um, motion.end.z_um, f64::from(z_um));
        }
    }
    all.sort_by(f64::total_cmp);
    all.dedup();
    all
}

/// The fewest pieces whose ends lie on the surface, among many possible ends: dynamic programming.
fn fewest(correction: &Correction<225>, motion: &Move<0>, tolerance_um: f64) -> usize {
    let at = fractions(correction, motion, 240);
    let height: Vec<f64> = at.iter().map(|&t| exact_um(correction, motion, t)).collect();
    // Pieces to each place; those that reach it are tried in order, as far as their corridor leads.
    let mut least = vec![usize::MAX; at.len()];
    least[0] = 0;
    for from in 0..at.len() {
        let Some(next) = least[from].checked_add(1) else { continue };
        let (mut lowest, mut highest) = (f64::NEG_INFINITY, f64::INFINITY);
        for to in from + 1..at.len() {
            let along = at[to] - at[from];
            let slope = (height[to] - height[from]) / along;
            if (lowest..=highest).contains(&slope) {
                least[to] = least[to].min(next);
            }
            lowest = lowest.max(slope - tolerance_um / along);
            highest = highest.min(slope + tolerance_um / along);
            if lowest > highest {
                break;
            }
        }
    }
    least[at.len() - 1]
}

/// Pieces that end at every line of nodes (all lines of these grids have creases) and at both ends of the fade, with every
/// stretch between in equal parts that sag by less than the tolerance by a micrometre, while the shape fades by half of that:
/// what a split without a corridor takes.
fn without_corridor(correction: &Correction<225>, motion: &Move<0>, tolerance_um: f64) -> usize {
    let corners = fractions(correction, motion, 1);
    let parts = corners.windows(2).map(|ends| {
        let at = |part: f64| exact_um(correction, motion, ends[0] + (ends[1] - ends[0]) * part);
        let sag_um = ((at(0.0) + at(1.0)) / 2.0 - at(0.5)).abs();
        let z_um = |t: f64| f64::from(motion.start.z_um) + f64::from(motion.end.z_um - motion.start.z_um) * t;
        let highest_um = z_um(ends[0]).max(z_um(ends[1]));
        let fades = correction.fade().is_some_and(|fade| highest_um > f64::from(fade.full_below_um()));
        let most_um = (tolerance_um - 1.0) / if fades { 2.0 } else { 1.0 };
        (sag_um / most_um).sqrt().ceil().max(1.0) as usize
    });
    parts.sum()
}

/// The worst deviation of the pieces from the corrected path; and the shortest piece.
fn judged(correction: &Correction<225>, motion: &Move<0>, pieces: &[Point]) -> (f64, f64) {
    let length = |from: Point, to: Point| {
        (f64::from(to.x_um) - f64::from(from.x_um)).hypot(f64::from(to.y_um) - f64::from(from.y_um))
    };
    let whole = length(motion.start, motion.end);
    let start_um = correction.machine_z_um(motion.start.x_um, motion.start.y_um, motion.start.z_um);
    let (mut here, mut worst, mut shortest) = (Point { z_um: start_um, ..motion.start }, 0.0_f64, f64::INFINITY);
    for &end in pieces {
        shortest = shortest.min(length(here, end));
        for step in 1..64 {
            let part = f64::from(step) / 64.0;
            let along = |from: i32, to: i32| f64::from(from) + (f64::from(to) - f64::from(from)) * part;
            let (x, y) = (along(here.x_um, end.x_um), along(here.y_um, end.y_um));
            let t = (x - f64::from(motion.start.x_um)).hypot(y - f64::from(motion.start.y_um)) / whole;
            let z = f64::from(motion.start.z_um) + (f64::from(motion.end.z_um) - f64::from(motion.start.z_um)) * t;
            // A micrometre sideways on a rising path is this much up or down.
            let slack = 0.75 * f64::from(motion.end.z_um - motion.start.z_um).abs() / whole;
            worst = worst.max((along(here.z_um, end.z_um) - machine_um(correction, x, y, z)).abs() - slack);
        }
        here = end;
    }
    (worst, shortest)
}

fn motion(random: &mut Random, kind: usize) -> Move<0> {
    loop {
        let length_um = [5_000.0, 20_000.0, 85_000.0, 150_000.0][(random.next() % 4) as usize];
        let angle = random.unit() * std::f64::consts::TAU;
        let (x_um, y_um) = (random.within(2_000, SPAN_UM - 2_000), random.within(2_000, SPAN_UM - 2_000));
        let to = |from: i32, by: f64| from + (by * length_um) as i32;
        let (to_x_um, to_y_um) = (to(x_um, angle.cos()), to(y_um, angle.sin()));
        let inside = |um: i32| (2_000..SPAN_UM - 2_000).contains(&um);
        if inside(to_x_um) && inside(to_y_um) {
            let (from_z_um, to_z_um) = match kind {
                0 => (200, 200),
                1 => (200, random.within(200, 20_000)),
                _ => {
                    let z_um = random.within(1_000, 7_000);
                    (z_um, if random.next().is_multiple_of(2) { z_um } else { random.within(1_000, 7_000) })
                }
            };
            let start = Point { x_um, y_um, z_um: from_z_um };
            let end = Point { x_um: to_x_um, y_um: to_y_um, z_um: to_z_um };
            return Move { start, end, extra_start: [], extra_end: [] };
        }
    }
}

/// 12,000 moves with `SPLIT_MOVES=12000`. The table of what was found: `-- --nocapture`.
#[test]
fn pieces_are_nearly_as_few_as_there_can_be() {
    let count = std::env::var("SPLIT_MOVES").ok().and_then(|count| count.parse().ok()).unwrap_or(500);
    let mut random = Random(2_463_534_242);
    let (mut ours, mut best, mut before, mut beyond_twice, mut failures) = (0, 0, 0, 0, Vec::new());
    for (name, grid) in grids() {
        for tolerance_um in [2, 5, 10, 50] {
            for (kind, kind_name) in ["level", "climbing", "fading"].into_iter().enumerate() {
                let correction = Correction::new(grid.clone());
                let correction =
                    if kind == 0 { correction } else { correction.with_fade(Fade::new(400, 8_000).unwrap()).unwrap() };
                let (mut sum, mut sum_best, mut worst_ratio, mut worst_um) = (0, 0, 0.0_f64, 0.0_f64);
                for _ in 0..count / 60 {
                    let motion = motion(&mut random, kind);
                    let pieces: Vec<Point> =
                        correction.split(&motion, tolerance_um).unwrap().map(|piece| piece.end).collect();
                    let fewest = fewest(&correction, &motion, tolerance_um.into());
                    let (off_um, shortest_um) = judged(&correction, &motion, &pieces);
                    let without = without_corridor(&correction, &motion, tolerance_um.into());
                    before += without;
                    beyond_twice += usize::from(pieces.len() > 2 * fewest);
                    let is_too_many = pieces.len() > without || pieces.len() > 3 * fewest;
                    if off_um > tolerance_um.into() || shortest_um < 20.0 || is_too_many {
                        failures.push(format!(
                            "{name} {tolerance_um} {kind_name}: {} for {fewest}, {off_um:.2} um off, {shortest_um:.0} um: {motion:?}",
                            pieces.len()
                        ));
                    }
                    (sum, sum_best) = (sum + pieces.len(), sum_best + fewest);
                    worst_ratio = worst_ratio.max(pieces.len() as f64 / fewest as f64);
                    worst_um = worst_um.max(off_um);
                }
                println!(
                    "{name}, {tolerance_um} um, {kind_name}: {sum} for {sum_best}, {:.2}, at the worst {worst_ratio:.2}; {worst_um:.2} um",
                    f64::from(u32::try_from(sum).unwrap()) / f64::from(u32::try_from(sum_best).unwrap())
                );
                (ours, best) = (ours + sum, best + sum_best);
            }
        }
    }
    let ratio = ours as f64 / best as f64;
    println!(
        "{ours} for {best}, {ratio:.3}; without a corridor {before}; {beyond_twice} of {count} above twice the fewest"
    );
    assert!(failures.is_empty(), "{} of {count}: {:#?}", failures.len(), &failures[..failures.len().min(8)]);
    assert!(ratio <= 1.15, "{ratio}");
    // A first end that is the furthest may be one from which the next does not reach.
    assert!(beyond_twice <= 1 + count / 5_000, "{beyond_twice}");
}
