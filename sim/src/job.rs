//! A job as the straight moves that a controller is given, line by line.

use std::io::BufRead;

use gapkeeper::Move;
use gapkeeper_host_tools::gcode::{Action, Interpreter, Reader, moves};

use crate::replay::ReplayError;

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

/// Reads a job from its text and tells what happens, in memory that does not grow with it.
///
/// As in a replay: in a job that extrudes, moves with `E` forwards print; in any other all feed moves do.
///
/// # Errors
/// [`ReplayError`] at the first line that cannot be read or asks for a move that cannot be, and what `tell` returns.
pub fn walk<E: From<ReplayError>>(
    name: &str,
    job: impl BufRead,
    mut tell: impl FnMut(JobEvent) -> Result<(), E>,
) -> Result<(), E> {
    let mut reader = Reader::new(name, job);
    let mut interpreter = Interpreter::new();
    let mut extrudes = false;
    while let Some(line) = reader.next_line().map_err(ReplayError::from)? {
        let number = line.number();
        let refused = |message| ReplayError::Move {
            file: name.to_string(),
            line: number,
            text: String::from_utf8_lossy(line.raw()).trim_end().to_string(),
            message,
        };
        let action = interpreter.execute(&line).map_err(ReplayError::from)?;
        let extruded_nm = match &action {
            Action::Straight(straight) => straight.extruded_nm,
            Action::Arc(arc) => arc.extruded_nm,
            Action::Cycle(_) => 0,
            Action::Home(_) => {
                tell(JobEvent::Homed { line: number })?;
                continue;
            }
            Action::None | Action::SetPosition | Action::Dwell | Action::End => continue,
        };
        if extruded_nm > 0 && !extrudes {
            extrudes = true;
            tell(JobEvent::ExtrudesAfterAll)?;
        }
        let prints = extruded_nm > 0 || !extrudes;
        match action {
            Action::Straight(straight) => {
                let motion = moves::straight(straight.start, straight.end, extruded_nm).map_err(refused)?;
                let feed_mm_s = moves::feed_mm_s(straight.feed_nm_min).filter(|_| !straight.rapid);
                let travels = (motion.start.x_um, motion.start.y_um) != (motion.end.x_um, motion.end.y_um);
                // What `E` moves with prints, by G0 as well.
                let prints = prints && travels && (extruded_nm > 0 || !straight.rapid);
                tell(JobEvent::Move(JobMove { line: number, motion, prints, feed_mm_s, chord: false }))?;
            }
            Action::Arc(arc) => {
                let feed_mm_s = moves::feed_mm_s(arc.feed_nm_min);
                for motion in moves::chords(&arc).map_err(refused)? {
                    tell(JobEvent::Move(JobMove { line: number, motion, prints, feed_mm_s, chord: true }))?;
                }
            }
            Action::Cycle(cycle) => {
                for straight in cycle.moves() {
                    let motion = moves::straight(straight.start, straight.end, 0).map_err(refused)?;
                    let feed_mm_s = moves::feed_mm_s(straight.feed_nm_min).filter(|_| !straight.rapid);
                    tell(JobEvent::Move(JobMove { line: number, motion, prints: false, feed_mm_s, chord: false }))?;
                }
            }
            _ => {}
        }
    }
    Ok(())
}
