//! A job as the straight moves that a controller is given, line by line, and where it lies on the bare bed.

mod cells;
mod error;
mod first_layer;
mod look_ahead;

use std::io::Read;

use gapkeeper::{Move, Plane};
use serde::Serialize;

use crate::gcode::{Action, Interpreter, Line, Reader, Straight, moves};
use crate::odd_words;
pub use cells::CellLattice;
pub use error::JobError;
pub use first_layer::{FirstLayer, FirstLayerHeights, LowestPrint, SAME_LAYER_UM};

/// A straight move of the job, or one chord of an arc.
#[derive(Clone, Copy, Debug)]
pub struct JobMove {
    /// Line of the job, counted from 1; the chords of one arc share theirs.
    pub line: u64,
    /// Where it leads, at logical height, with the change of `E` in nanometres.
    pub motion: Move<1>,
    /// Whether it lays something down.
    pub prints: bool,
    /// Feed along the path; none for `G0`, and before the first `F`.
    pub feed_mm_s: Option<f64>,
    /// Whether it is a chord of an arc.
    pub chord: bool,
}

impl JobMove {
    /// Length in the plane of the bed.
    pub fn length_mm(&self) -> f64 {
        let (start, end) = (self.motion.start, self.motion.end);
        f64::from(end.x_um.abs_diff(start.x_um)).hypot(f64::from(end.y_um.abs_diff(start.y_um))) / 1000.0
    }
}

/// What happens in a job, in order.
#[derive(Clone, Copy, Debug)]
pub enum JobEvent {
    /// A move.
    Move(JobMove),
    /// `E` moves forwards for the first time: what seemed to print before was travel. The move follows.
    ExtrudesAfterAll,
    /// `G28`: the machine goes to its zeros by itself.
    Homed {
        /// Line of the job.
        line: u64,
    },
}

/// How a job is read.
#[derive(Clone, Copy, Debug)]
pub struct ReadingOptions {
    /// Go on past lines that cannot be read.
    pub keep_going: bool,
    /// Of two words of one modal group on a line the later one counts.
    pub lenient: bool,
    /// Whether the job extrudes, if that is known before it is read.
    pub extrudes: Option<bool>,
    /// How far chords may be off their arcs.
    pub arc_tolerance_um: u16,
    /// Where the zero of `G54` lies, if that is known beforehand.
    pub origin_nm: [Option<i64>; 3],
}

impl Default for ReadingOptions {
    fn default() -> Self {
        Self {
            keep_going: false,
            lenient: false,
            extrudes: None,
            arc_tolerance_um: moves::ARC_TOLERANCE_UM,
            origin_nm: [None; 3],
        }
    }
}

impl ReadingOptions {
    /// Whether what follows an error is read all the same.
    pub fn goes_on_after(&self, error: &JobError) -> bool {
        self.keep_going && !matches!(error, JobError::Unread(error) if !error.is_bad_line())
    }
}

/// What was counted while a job was read.
#[derive(Clone, Debug, Default, Serialize)]
pub struct JobCounts {
    /// Bytes read.
    pub bytes: u64,
    /// Lines read.
    pub lines: u64,
    /// Straight moves and arcs.
    pub moves: u64,
    /// Moves that lay something down.
    pub printing_moves: u64,
    /// Arcs among the moves.
    pub arcs: u64,
    /// Words that are not known and are passed through.
    pub unknown_words: u64,
    /// Lines that could not be read, where reading goes on after them.
    pub bad_lines: u64,
}

/// Whether a straight move leads along the bed and lays something down.
#[inline]
fn straight_prints(straight: &Straight, motion: &Move<1>, extrudes: bool) -> bool {
    let travels = (motion.start.x_um, motion.start.y_um) != (motion.end.x_um, motion.end.y_um);
    travels && moves::prints(straight.extruded_nm, straight.rapid, extrudes)
}

/// Feed of a straight move; none for `G0`, which does not follow `F`.
#[inline]
fn feed_mm_s(straight: &Straight) -> Option<f64> {
    moves::feed_mm_s(straight.feed_nm_min).filter(|_| !straight.rapid)
}

/// Whether all of a move is higher than this; of arcs that are not level nothing is said.
#[inline]
fn is_above(action: &Action, height_nm: i64) -> bool {
    match action {
        Action::Straight(straight) => straight.start.z_nm.min(straight.end.z_nm) > height_nm,
        Action::Arc(arc) => arc.plane == Plane::Xy && arc.start.z_nm.min(arc.end.z_nm) > height_nm,
        _ => false,
    }
}

/// Reads a job from its text and tells what happens, in memory that does not grow with it.
///
/// In a job that extrudes, moves with `E` forwards print; in any other all feed moves do.
///
/// # Errors
/// [`JobError`] at the first line that cannot be read or asks for a move that cannot be, and what `tell` returns.
pub fn walk<E: From<JobError>>(
    name: &str,
    job: impl Read,
    reading: ReadingOptions,
    mut tell: impl FnMut(JobEvent) -> Result<(), E>,
) -> Result<(), E> {
    let mut walker = Walker::new(name, job, reading);
    while let Some(line) = walker.line(&mut tell) {
        line?;
    }
    Ok(())
}

/// Reads a job line by line.
pub struct Walker<'a, R> {
    reader: Reader<R>,
    follower: Follower<'a>,
}

impl<'a, R: Read> Walker<'a, R> {
    /// A walker before the first line of a job; its errors carry the job's name.
    pub fn new(name: &'a str, job: R, reading: ReadingOptions) -> Self {
        Self { reader: Reader::new(name, job), follower: Follower::new(name, reading) }
    }

    /// What was counted so far; lines that could not be read are not counted here.
    pub fn counts(&self) -> JobCounts {
        let Follower { interpreter, counts, .. } = &self.follower;
        let unknown_words = interpreter.unknown_words().values().map(|word| word.count).sum();
        JobCounts { bytes: self.reader.bytes_read(), unknown_words, ..counts.clone() }
    }

    /// Words that are not followed, with their first lines: those that move nothing, as far as they show, or the others.
    pub fn odd_words(&self, harmless: bool) -> Option<String> {
        let interpreter = &self.follower.interpreter;
        odd_words::listed(interpreter.unknown_words().iter().chain(interpreter.unmodelled_words()), harmless)
    }

    /// Does one line; none at the end.
    ///
    /// # Errors
    /// [`JobError`] if it cannot be read or asks for a move that cannot be; what `tell` returns.
    #[inline]
    pub fn line<E: From<JobError>>(
        &mut self,
        tell: &mut impl FnMut(JobEvent) -> Result<(), E>,
    ) -> Option<Result<(), E>> {
        let line = self.reader.next_line().transpose()?;
        self.follower.counts.lines += 1;
        Some(line.map_err(|error| JobError::from(error).into()).and_then(|line| self.follower.follow(&line, tell)))
    }
}

/// Makes moves of lines.
struct Follower<'a> {
    name: &'a str,
    interpreter: Interpreter,
    extrudes: bool,
    arc_tolerance_um: u16,
    /// Moves above this height are passed over, also those that cannot be: they cost more than all else of a look ahead.
    up_to_nm: Option<i64>,
    counts: JobCounts,
}

impl<'a> Follower<'a> {
    fn new(name: &'a str, reading: ReadingOptions) -> Self {
        let interpreter = Interpreter::new().with_origin(reading.origin_nm);
        Self {
            name,
            interpreter: if reading.lenient { interpreter.lenient() } else { interpreter },
            extrudes: reading.extrudes == Some(true),
            arc_tolerance_um: reading.arc_tolerance_um,
            up_to_nm: None,
            counts: JobCounts::default(),
        }
    }

    #[inline]
    fn follow<E: From<JobError>>(
        &mut self,
        line: &Line<'_>,
        tell: &mut impl FnMut(JobEvent) -> Result<(), E>,
    ) -> Result<(), E> {
        let number = line.number();
        let action = self.interpreter.execute(line).map_err(JobError::from)?;
        let refused = |message| {
            E::from(JobError::Move {
                file: self.name.to_string(),
                line: number,
                text: String::from_utf8_lossy(line.raw()).trim_end().to_string(),
                message,
            })
        };
        let extruded_nm = match &action {
            Action::Straight(straight) => straight.extruded_nm,
            Action::Arc(arc) => arc.extruded_nm,
            Action::Cycle(_) => 0,
            Action::Home(_) => return tell(JobEvent::Homed { line: number }),
            Action::None | Action::SetPosition | Action::Dwell | Action::End => return Ok(()),
        };
        if extruded_nm > 0 && !self.extrudes {
            self.extrudes = true;
            tell(JobEvent::ExtrudesAfterAll)?;
        }
        if self.up_to_nm.is_some_and(|up_to_nm| is_above(&action, up_to_nm)) {
            return Ok(());
        }
        let (extrudes, counts) = (self.extrudes, &mut self.counts);
        let mut go = |straight: Straight| {
            let motion = moves::straight(straight.start, straight.end, straight.extruded_nm).map_err(refused)?;
            let prints = straight_prints(&straight, &motion, extrudes);
            let feed_mm_s = feed_mm_s(&straight);
            counts.printing_moves += u64::from(prints);
            tell(JobEvent::Move(JobMove { line: number, motion, prints, feed_mm_s, chord: false }))
        };
        let told = match action {
            Action::Straight(straight) => go(straight),
            Action::Cycle(cycle) => cycle.moves().try_for_each(go),
            Action::Arc(arc) => moves::chords(&arc, self.arc_tolerance_um).map_err(refused).and_then(|mut chords| {
                let prints = moves::prints(extruded_nm, false, extrudes);
                let feed_mm_s = moves::feed_mm_s(arc.feed_nm_min);
                counts.arcs += 1;
                counts.printing_moves += u64::from(prints);
                chords.try_for_each(|motion| {
                    tell(JobEvent::Move(JobMove { line: number, motion, prints, feed_mm_s, chord: true }))
                })
            }),
            _ => Ok(()),
        };
        self.counts.moves += u64::from(told.is_ok());
        told
    }
}
