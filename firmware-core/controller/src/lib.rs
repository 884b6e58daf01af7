//! A whole small controller around the keeper, as an example to start from: a knob, a button, a limit switch, persistent
//! memory, G-code lines in, pieces out.
//!
//! Everything that touches hardware is a trait of `embedded-hal` 1.0 or one of the methods of [`Motors`], so the same code
//! runs on a chip and on a desktop, where a test compares it with the simulator line by line.
//!
//! Its main loop polls the panel, gives what happened to [`Controller::survey`], calls [`Controller::attend`], and gives the
//! next line to [`Controller::line`] when one is there. Nothing of it waits for an axis.
//!
//! What it leaves to a real controller: acceleration, step pulses, heaters. It reads positions in millimetres, absolute
//! or relative; see [`Controller::line`].

#![no_std]
#![forbid(unsafe_code)]
#![deny(missing_docs)]

mod corners;
mod gcode;
mod panel;
mod plan;
mod surveying;

use core::fmt;

use gapkeeper::memory::SlotMemory;
use gapkeeper::{Arc, ArcError};
use gapkeeper::{Flow, Keeper, KeeperError, LoadError, LoadReport, Move, Order, Piece, Point, SaveError, Store};

pub use corners::Screen;
pub use gcode::{LineError, Word, Words};
pub use panel::Panel;
use plan::{Act, Journey, Modes, Path, Plan, point};
pub use surveying::Progress;

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

/// The machine's axes and extruder.
pub trait Motors {
    /// Queues one straight piece: machine position at its end, and change of `E` in nanometres.
    fn piece(&mut self, end: Point, extruded_nm: i32, feed_nm_min: u64);

    /// Whether no axis moves and the queue is empty: false from the moment a piece is queued until its last step.
    fn is_still(&mut self) -> bool;

    /// Halts all axes at once, drops the queue, and returns the machine position where they stand.
    fn stop(&mut self) -> Point;

    /// Finds the zeros of all axes, after all that was taken before; where they stand then, as machine position.
    fn home(&mut self) -> Point;

    /// Switches the motors off, after all that was taken before.
    fn switch_off(&mut self);
}

/// Why the controller refuses; no axis has moved, and it is as it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// It cannot be read.
    Line(LineError),
    /// The keeper refuses.
    Keeper(KeeperError),
    /// A coordinate beyond two kilometres, or more of `E` than that.
    Coordinate,
    /// A word that this controller does not know and that may not be passed over: it would move axes otherwise.
    Unknown(Word),
    /// A word that contradicts another one of the line, or stands on it twice.
    Conflict(Word),
    /// A number that the word cannot have.
    Number(Word),
    /// The axes are still moving.
    Moving,
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(error) => error.fmt(f),
            Self::Keeper(error) => error.fmt(f),
            Self::Coordinate => write!(f, "a coordinate is beyond 2147 m"),
            Self::Unknown(word) => write!(f, "{word} is not known"),
            Self::Conflict(word) => write!(f, "{word} contradicts another word of this line: use two lines"),
            Self::Number(word) => write!(f, "{word}: out of range"),
            Self::Moving => write!(f, "axes are moving: wait until they stand still"),
        }
    }
}

impl core::error::Error for Refusal {}

/// The controller.
#[derive(Clone, Debug, PartialEq)]
pub struct Controller<S> {
    keeper: ControllerKeeper,
    motors: S,
    /// Where the motors were sent last.
    machine: Point,
    /// Logical X, Y and Z as the job asked for them, in nanometres, so that relative moves do not drift.
    asked_nm: [i64; 3],
    e_nm: i64,
    modes: Modes,
    /// With a flow, `E` follows the thickness that is laid while the shape fades.
    flow: Option<Flow>,
    now_s: u32,
    /// The survey's order that the motors are carrying out.
    begun: Option<Order>,
}

impl<S: Motors> Controller<S> {
    /// A controller that has just been switched on: load what is stored, then home.
    pub fn new(keeper: ControllerKeeper, motors: S) -> Self {
        Self {
            keeper,
            motors,
            machine: Point::default(),
            asked_nm: [0; 3],
            e_nm: 0,
            modes: Modes::new(),
            flow: Some(Flow::new()),
            now_s: 0,
            begun: None,
        }
    }

    /// The keeper, to ask it, and to change what is in force. Surveys and memory go through the controller.
    pub fn keeper(&mut self) -> &mut ControllerKeeper {
        &mut self.keeper
    }

    /// The machine's axes and extruder.
    pub fn motors(&mut self) -> &mut S {
        &mut self.motors
    }

    /// Where the motors were sent last.
    pub fn machine(&self) -> Point {
        self.machine
    }

    /// Where the job thinks that is.
    pub fn logical(&self) -> Point {
        point(self.at_nm()).unwrap_or(self.machine)
    }

    /// From the next line on, lets `E` follow the thickness that is laid while the shape fades, or no longer. On at first.
    pub fn scale_flow(&mut self, on: bool) {
        self.flow = on.then(|| self.flow.unwrap_or_default());
    }

    /// Loads what was stored.
    ///
    /// # Errors
    /// [`LoadError`] says what to do; after [`LoadError::Blank`], ask a person whether this memory is new.
    pub fn load<M: SlotMemory>(&mut self, store: &mut ControllerStore<M>) -> Result<LoadReport, LoadError<M::Error>> {
        self.keeper.load(store)
    }

    /// Loads what was stored, once a person or the build has confirmed that this memory is to be used from now on.
    ///
    /// # Errors
    /// [`LoadError`].
    pub fn begin_memory<M: SlotMemory>(
        &mut self,
        store: &mut ControllerStore<M>,
    ) -> Result<LoadReport, LoadError<M::Error>> {
        self.keeper.begin_memory(store)
    }

    /// Saves whatever is not saved yet.
    ///
    /// # Errors
    /// [`SaveError`] says what could not be saved; all else is, and calling again is safe.
    pub fn save<M: SlotMemory>(&mut self, store: &mut ControllerStore<M>) -> Result<(), SaveError<M::Error, GRIDS>> {
        self.keeper.save(store)
    }

    /// Tells how warm it is, and when on a clock that does not run backwards.
    pub fn temperature(&mut self, bed_c: i16, nozzle_c: i16, now_s: u32) {
        (self.modes.bed_c, self.modes.nozzle_c, self.now_s) = (bed_c, nozzle_c, now_s);
        self.keeper.temperature(bed_c, nozzle_c, now_s);
    }

    /// Does what a line says. Known are G0 to G3, G4, G17 to G19, G21, G28 (all axes), G90 to G92, M82 to M84, and the
    /// temperatures, which this example takes for reached at once; other M words are passed over. G28 and M84 end a survey
    /// under way.
    ///
    /// The whole line is read and checked first.
    ///
    /// # Errors
    /// [`Refusal`]; then no axis has moved, and the controller is as it was.
    pub fn line(&mut self, line: &[u8]) -> Result<(), Refusal> {
        let words = Words::read(line).map_err(Refusal::Line)?;
        let Plan { modes, act, heats } = Plan::new(&words, self.modes)?;
        match act {
            Act::Nothing => {}
            // Refused as a whole or done as a whole.
            Act::Move => self.travel(&words, &modes)?,
            Act::Home => self.home(),
            Act::MotorsOff => {
                self.leave_survey();
                self.motors.switch_off();
                self.keeper.lost_position();
            }
            Act::SetE(e_nm) => self.e_nm = e_nm,
        }
        self.modes = modes;
        if heats {
            self.keeper.temperature(modes.bed_c, modes.nozzle_c, self.now_s);
        }
        Ok(())
    }

    // Never inlined, here and below: on a small chip a grid that comes into force needs most of the stack, and what arcs and
    // pieces take shall not stand on it meanwhile.
    #[inline(never)]
    fn home(&mut self) {
        self.leave_survey();
        self.machine = self.motors.home();
        // The keeper's status says which grid is in force, or why none.
        self.keeper.homed();
    }

    /// What a survey has begun is not gone to its end: the next thing is another one.
    fn leave_survey(&mut self) {
        if self.begun.take().is_some() {
            self.machine = self.motors.stop();
        }
    }

    /// Logical X, Y and Z: what the job asked for, as long as it leads to where the nozzle is. After any other motion, or once
    /// another grid is in force, it is what the keeper makes of the machine position.
    fn at_nm(&self) -> [i64; 3] {
        let Point { x_um, y_um, z_um } = self.machine;
        let leads_here = point(self.asked_nm).is_ok_and(|asked| {
            let correction = self.keeper.correction_in_force();
            let machine_z_um =
                correction.map_or(asked.z_um, |in_force| in_force.machine_z_um(asked.x_um, asked.y_um, asked.z_um));
            (asked.x_um, asked.y_um, machine_z_um) == (x_um, y_um, z_um)
        });
        if leads_here {
            return self.asked_nm;
        }
        let logical = self.keeper.logical(self.machine);
        [logical.x_um, logical.y_um, logical.z_um].map(|um| i64::from(um) * 1000)
    }

    #[inline(never)]
    fn travel(&mut self, words: &Words, modes: &Modes) -> Result<(), Refusal> {
        let Journey { path, to_nm, to_e_nm } = Journey::new(words, modes, self.at_nm(), self.e_nm)?;
        match path {
            Path::Straight(motion) => self.pieces(&motion, modes.feed_nm_min)?,
            Path::Arc(arc) => self.chords(arc, modes.feed_nm_min)?,
        }
        (self.asked_nm, self.e_nm) = (to_nm, to_e_nm);
        Ok(())
    }

    #[inline(never)]
    fn chords(&mut self, arc: Result<Arc<1>, ArcError>, feed_nm_min: u64) -> Result<(), Refusal> {
        let chords = self.keeper.arc(arc, ARC_TOLERANCE_UM).map_err(Refusal::Keeper)?;
        // All of the arc or nothing of it.
        for chord in chords.clone() {
            self.may_go(&chord)?;
        }
        for chord in chords {
            self.pieces(&chord, feed_nm_min)?;
        }
        Ok(())
    }

    #[inline(never)]
    fn may_go(&self, motion: &Move<1>) -> Result<(), Refusal> {
        self.keeper.line(motion).map(drop).map_err(Refusal::Keeper)
    }

    #[inline(never)]
    fn pieces(&mut self, motion: &Move<1>, feed_nm_min: u64) -> Result<(), Refusal> {
        let [mut before] = motion.extra_start;
        let mut pieces = self.keeper.line(motion).map_err(Refusal::Keeper)?;
        while let Some(Piece { end, extra: [extruded_nm] }) = match &mut self.flow {
            Some(flow) => pieces.next_scaled(flow),
            None => pieces.next(),
        } {
            self.motors.piece(end, extruded_nm.wrapping_sub(before), feed_nm_min);
            self.machine = end;
            before = extruded_nm;
        }
        Ok(())
    }
}
