//! A whole small controller around the keeper, as an example to start from: a knob, a button, a limit switch, persistent
//! memory, G-code lines in, pieces out.
//!
//! Everything that touches hardware is a trait of `embedded-hal` 1.0 or one of two methods of [`Motors`], so the same code
//! runs on a chip and on a desktop, where a test compares it with the simulator line by line.
//!
//! What it leaves to a real controller: acceleration, step pulses, heaters. It reads positions in millimetres, absolute
//! or relative; see [`Controller::line`].

#![no_std]
#![forbid(unsafe_code)]
#![deny(missing_docs)]

mod gcode;
mod panel;

use core::fmt;

use gapkeeper::memory::SlotMemory;
use gapkeeper::{
    Arc, Flow, Keeper, KeeperError, Move, Order, Piece, Plane, Point, Store, StoreError, SurveyEvent, Turn,
};

pub use gcode::{LineError, Word, Words};
pub use panel::Panel;

/// Stations of a survey at the most.
pub const STATIONS: usize = 25;
/// Nodes of the grid in force at the most.
pub const NODES: usize = 225;
/// Grids that are remembered.
pub const GRIDS: usize = 2;
/// Bytes of a record at the most.
pub const RECORD_BYTES: usize = gapkeeper::record::max_record_size(STATIONS);

/// Chords of an arc stay this near to it; the simulator's own figure.
const ARC_TOLERANCE_UM: u16 = 5;

/// The controller's keeper.
pub type ControllerKeeper = Keeper<STATIONS, NODES, GRIDS>;
/// The controller's store.
pub type ControllerStore<M> = Store<M, STATIONS, RECORD_BYTES>;

/// Whatever moves the axes.
pub trait Motors {
    /// Takes one straight piece, in order: machine position and change of `E` in nanometres.
    fn piece(&mut self, end: Point, extruded_nm: i32, feed_nm_min: u64);

    /// Finds the zeros of all axes.
    fn home(&mut self);
}

/// Why a line was refused; no axis has moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// It cannot be read.
    Line(LineError),
    /// The keeper refuses.
    Keeper(KeeperError),
    /// A coordinate beyond two kilometres.
    Coordinate,
    /// A word that this controller does not know and that may not be passed over: it would move axes otherwise.
    Unknown(Word),
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(error) => error.fmt(f),
            Self::Keeper(error) => error.fmt(f),
            Self::Coordinate => write!(f, "a coordinate is beyond 2147 m"),
            Self::Unknown(word) => write!(f, "{}{} is not known", char::from(word.letter), word.millionths / 1_000_000),
        }
    }
}

impl core::error::Error for Refusal {}

/// How coordinates are meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Distance {
    Absolute,
    Relative,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Motion {
    Straight,
    Arc(Turn),
}

/// The controller.
pub struct Controller<S> {
    keeper: ControllerKeeper,
    motors: S,
    /// Logical X, Y and Z, in nanometres, so that relative moves do not drift.
    at_nm: [i64; 3],
    e_nm: i64,
    motion: Motion,
    distance: Distance,
    e_distance: Distance,
    plane: Plane,
    feed_nm_min: u64,
    /// With a flow, `E` follows the thickness that is laid while the shape fades.
    flow: Option<Flow>,
    bed_c: i16,
    nozzle_c: i16,
}

impl<S: Motors> Controller<S> {
    /// A controller that has just been switched on.
    pub fn new(keeper: ControllerKeeper, motors: S) -> Self {
        Self {
            keeper,
            motors,
            at_nm: [0; 3],
            e_nm: 0,
            motion: Motion::Straight,
            distance: Distance::Absolute,
            e_distance: Distance::Absolute,
            plane: Plane::Xy,
            feed_nm_min: 0,
            flow: Some(Flow::new()),
            bed_c: 20,
            nozzle_c: 20,
        }
    }

    /// The keeper.
    pub fn keeper(&mut self) -> &mut ControllerKeeper {
        &mut self.keeper
    }

    /// From the next line on, lets `E` follow the thickness that is laid while the shape fades, or no longer. On at first.
    pub fn scale_flow(&mut self, on: bool) {
        self.flow = on.then(|| self.flow.unwrap_or_default());
    }

    /// Whatever moves the axes.
    pub fn motors(&mut self) -> &mut S {
        &mut self.motors
    }

    /// Loads what was stored.
    ///
    /// # Errors
    /// [`StoreError`] if the memory does not answer.
    pub fn load<M: SlotMemory>(&mut self, store: &mut ControllerStore<M>) -> Result<(), StoreError<M::Error>> {
        self.keeper.load(store).map(drop)
    }

    /// Does what a line says. Known are G0 to G3, G4, G17 to G19, G21, G28, G90 to G92, M82 and M83, and the
    /// temperatures, which this example takes for reached at once; other M words are passed over.
    ///
    /// # Errors
    /// [`Refusal`]; then no axis has moved.
    pub fn line(&mut self, line: &[u8]) -> Result<(), Refusal> {
        let words = Words::read(line).map_err(Refusal::Line)?;
        let has_axis = words.iter().any(|word| matches!(word.letter, b'X' | b'Y' | b'Z' | b'E'));
        // Axis words belong to a motion unless G28, G92 or an M word claims them.
        let mut moves = has_axis;
        if let Some(feed) = words.millionths(b'F') {
            self.feed_nm_min = feed.unsigned_abs();
        }
        for word in words.iter() {
            match (word.letter, word.whole()) {
                (b'G', Some(0 | 1)) => self.motion = Motion::Straight,
                (b'G', Some(2)) => self.motion = Motion::Arc(Turn::Clockwise),
                (b'G', Some(3)) => self.motion = Motion::Arc(Turn::Anticlockwise),
                (b'G', Some(17)) => self.plane = Plane::Xy,
                (b'G', Some(18)) => self.plane = Plane::Zx,
                (b'G', Some(19)) => self.plane = Plane::Yz,
                (b'G', Some(90)) => self.distance = Distance::Absolute,
                (b'G', Some(91)) => self.distance = Distance::Relative,
                (b'G', Some(4 | 21)) => {}
                (b'G', Some(28)) => {
                    moves = false;
                    self.home()?;
                }
                (b'G', Some(92)) => {
                    moves = false;
                    self.set_position(&words)?;
                }
                (b'G', _) => return Err(Refusal::Unknown(*word)),
                (b'M', Some(82)) => self.e_distance = Distance::Absolute,
                (b'M', Some(83)) => self.e_distance = Distance::Relative,
                (b'M', Some(84)) => self.keeper.lost_position(),
                (b'M', Some(104 | 109)) => self.nozzle_c = temperature(&words).unwrap_or(self.nozzle_c),
                (b'M', Some(140 | 190)) => self.bed_c = temperature(&words).unwrap_or(self.bed_c),
                _ => {}
            }
        }
        if words.iter().any(|word| word.letter == b'M') {
            let order = self.keeper.temperature(self.bed_c, self.nozzle_c, 0);
            self.carry_out(order)?;
        }
        if moves { self.travel(&words) } else { Ok(()) }
    }

    fn home(&mut self) -> Result<(), Refusal> {
        self.motors.home();
        self.at_nm = [0; 3];
        self.keeper.homed().map(drop).map_err(Refusal::Keeper)
    }

    /// Only `E` may be set: this controller keeps no further zeros.
    fn set_position(&mut self, words: &Words) -> Result<(), Refusal> {
        if let Some(word) = words.iter().find(|word| matches!(word.letter, b'X' | b'Y' | b'Z')) {
            return Err(Refusal::Unknown(*word));
        }
        self.e_nm = words.millionths(b'E').unwrap_or(self.e_nm);
        Ok(())
    }

    fn travel(&mut self, words: &Words) -> Result<(), Refusal> {
        let aim = |letter, from_nm: i64, distance| match (words.millionths(letter), distance) {
            (None, _) => Some(from_nm),
            (Some(nm), Distance::Absolute) => Some(nm),
            (Some(nm), Distance::Relative) => from_nm.checked_add(nm),
        };
        let [x_nm, y_nm, z_nm] = self.at_nm;
        let to_nm = [
            aim(b'X', x_nm, self.distance).ok_or(Refusal::Coordinate)?,
            aim(b'Y', y_nm, self.distance).ok_or(Refusal::Coordinate)?,
            aim(b'Z', z_nm, self.distance).ok_or(Refusal::Coordinate)?,
        ];
        let to_e_nm = aim(b'E', self.e_nm, self.e_distance).ok_or(Refusal::Coordinate)?;
        let extruded_nm = to_e_nm.checked_sub(self.e_nm).ok_or(Refusal::Coordinate)?;
        let motion = Move {
            start: point(self.at_nm)?,
            end: point(to_nm)?,
            extra_start: [0],
            extra_end: [extruded_nm.max(i32::MIN.into()).min(i32::MAX.into()) as i32],
        };
        match self.motion {
            Motion::Straight => self.pieces(&motion)?,
            Motion::Arc(turn) => {
                let offset = |letter| words.millionths(letter).map_or(Ok(0), whole_um);
                let arc = match words.millionths(b'R') {
                    Some(radius_nm) => Arc::with_radius(motion, self.plane, turn, whole_um(radius_nm)?),
                    None => {
                        let letters = match self.plane {
                            Plane::Xy => [b'I', b'J'],
                            Plane::Zx => [b'K', b'I'],
                            Plane::Yz => [b'J', b'K'],
                        };
                        Arc::with_centre(motion, self.plane, turn, [offset(letters[0])?, offset(letters[1])?])
                    }
                };
                let chords = self.keeper.arc(arc, ARC_TOLERANCE_UM).map_err(Refusal::Keeper)?;
                // All of the arc or nothing of it.
                for chord in chords.clone() {
                    self.keeper.line(&chord).map(drop).map_err(Refusal::Keeper)?;
                }
                for chord in chords {
                    self.pieces(&chord)?;
                }
            }
        }
        (self.at_nm, self.e_nm) = (to_nm, to_e_nm);
        Ok(())
    }

    fn pieces(&mut self, motion: &Move<1>) -> Result<(), Refusal> {
        let [mut before] = motion.extra_start;
        let mut pieces = self.keeper.line(motion).map_err(Refusal::Keeper)?;
        while let Some(Piece { end, extra: [extruded_nm] }) = match &mut self.flow {
            Some(flow) => pieces.next_scaled(flow),
            None => pieces.next(),
        } {
            self.motors.piece(end, extruded_nm.wrapping_sub(before), self.feed_nm_min);
            before = extruded_nm;
        }
        Ok(())
    }

    /// Gives an event to the survey under way and carries out what comes back.
    ///
    /// # Errors
    /// [`Refusal::Keeper`], if there is none or its grid cannot be put in force.
    pub fn survey(&mut self, event: SurveyEvent) -> Result<Order, Refusal> {
        let order = self.keeper.survey(event).map_err(Refusal::Keeper)?;
        self.carry_out(order)
    }

    /// Carries out orders until the survey waits for a person or is over.
    ///
    /// # Errors
    /// As for [`Self::survey`].
    pub fn carry_out(&mut self, mut order: Order) -> Result<Order, Refusal> {
        loop {
            let at = point(self.at_nm)?;
            let to = match order {
                Order::Lift { z_um } | Order::Approach { z_um } | Order::Step { z_um } => Point { z_um, ..at },
                Order::Travel { x_um, y_um } => Point { x_um, y_um, ..at },
                Order::Wait | Order::RaiseBed { .. } | Order::Done | Order::Aborted => return Ok(order),
            };
            self.at_nm = [to.x_um, to.y_um, to.z_um].map(|um| i64::from(um) * 1000);
            self.motors.piece(to, 0, self.feed_nm_min);
            if matches!(order, Order::Step { .. }) {
                return Ok(order);
            }
            order = self.keeper.survey(SurveyEvent::Arrived).map_err(Refusal::Keeper)?;
        }
    }
}

fn temperature(words: &Words) -> Option<i16> {
    i16::try_from(words.millionths(b'S')?.checked_div(1_000_000)?).ok()
}

/// Whole micrometres, rounded half away from zero.
fn whole_um(nm: i64) -> Result<i32, Refusal> {
    let rest = nm % 1000;
    let rounding = if rest.abs() >= 500 { rest.signum() } else { 0 };
    i32::try_from(nm / 1000 + rounding).map_err(|_| Refusal::Coordinate)
}

fn point([x_nm, y_nm, z_nm]: [i64; 3]) -> Result<Point, Refusal> {
    Ok(Point { x_um: whole_um(x_nm)?, y_um: whole_um(y_nm)?, z_um: whole_um(z_nm)? })
}
