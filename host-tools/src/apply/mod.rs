//! Applies a grid to a job: for machines that cannot be flashed, the job's moves are split and corrected beforehand.
//!
//! Every line that moves X, Y or Z becomes lines of straight pieces; every other line stays byte for byte. The output
//! carries a signature, so that no job is corrected twice.

mod rewrite;

use std::fmt;
use std::io::{self, BufRead, Write};

use gapkeeper::{Correction, Move, Piece, SplitError};

use crate::gcode::{Action, ArcMotion, GcodeError, Interpreter, Reader, Straight, moves};
use crate::grid_file::CAPACITY;
use crate::place::Place;
use rewrite::Rewriter;

/// What the comment says that tells a corrected job.
pub const SIGNATURE: &[u8] = b"corrected for the bed by gapgrid";

/// Why a job cannot be corrected.
#[derive(Debug, thiserror::Error)]
pub enum ApplyError {
    /// A line cannot be read, or the file cannot.
    #[error(transparent)]
    Job(#[from] GcodeError),
    /// A line that reads well cannot be corrected, or was corrected already.
    #[error(transparent)]
    Line(#[from] LineError),
    /// The output cannot be written.
    #[error("the output cannot be written: {0}")]
    Output(#[from] io::Error),
}

/// A line that reads well and cannot be corrected.
#[derive(Debug)]
pub struct LineError {
    place: Place,
    message: String,
    remedy: &'static str,
}

impl LineError {
    /// Where.
    pub fn place(&self) -> &Place {
        &self.place
    }
}

impl fmt::Display for LineError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.place.write_report(out, &self.message, self.remedy)
    }
}

impl std::error::Error for LineError {}

/// What came of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ApplyReport {
    /// Lines read.
    pub lines: u64,
    /// Lines that became pieces.
    pub corrected_lines: u64,
    /// Pieces written.
    pub pieces: u64,
    /// Words that nobody here knows.
    pub unknown_words: u64,
    /// Words that may move axes or their zero in ways that are not followed.
    pub unmodelled_words: u64,
}

/// Corrects a job from `input` to `output`; memory does not grow with its length.
///
/// `E` ends every line exactly where the job put it, to the last printed digit. X and Y do as well, unless they are
/// finer than a millionth of the unit.
///
/// # Errors
/// [`ApplyError`] at the first line that cannot be read or corrected; what was written until then is not a whole job.
pub fn apply(
    name: &str,
    input: impl BufRead,
    mut output: impl Write,
    correction: &Correction<CAPACITY>,
    tolerance_um: u16,
) -> Result<ApplyReport, ApplyError> {
    let mut reader = Reader::new(name, input);
    let mut interpreter = Interpreter::new();
    let mut rewriter = Rewriter::default();
    let mut report = ApplyReport::default();
    while let Some(line) = reader.next_line()? {
        let at = |offset| Place::new(name, line.number(), line.raw(), offset);
        if let Some(offset) = signature(line.raw()) {
            let message = "this job was corrected already".to_owned();
            let error = LineError { place: at(offset), message, remedy: "correct the job as it was before" };
            return Err(error.into());
        }
        let action = interpreter.execute(&line)?;
        report.lines += 1;
        // A line that names an axis without moving it would, as it stands, move the corrected machine.
        let names_axis = line.words().iter().any(|word| matches!(word.letter(), b'X' | b'Y' | b'Z'));
        let pieces = pieces(&action, names_axis, correction, tolerance_um).map_err(|message| LineError {
            place: at(0),
            message,
            remedy: "nothing was written",
        })?;
        match pieces {
            Some(pieces) => {
                report.corrected_lines += 1;
                report.pieces += pieces.len() as u64;
                rewriter.motion(&line, &action, &pieces, &interpreter, &mut output)?;
            }
            None => rewriter.other(&line, &action, &interpreter, &mut output)?,
        }
    }
    report.unknown_words = interpreter.unknown_words().values().sum();
    report.unmodelled_words = interpreter.unmodelled_words().values().sum();
    output.flush()?;
    Ok(report)
}

/// The pieces of a line that names X, Y or Z for a motion; none of any other.
fn pieces(
    action: &Action,
    names_axis: bool,
    correction: &Correction<CAPACITY>,
    tolerance_um: u16,
) -> Result<Option<Vec<Piece<1>>>, String> {
    let split = |motion: &Move<1>, pieces: &mut Vec<Piece<1>>| -> Result<(), SplitError> {
        pieces.extend(correction.split(motion, tolerance_um)?);
        Ok(())
    };
    let mut pieces = Vec::new();
    if let Action::Straight(Straight { extruded_nm, .. }) | Action::Arc(ArcMotion { extruded_nm, .. }) = action
        && i32::try_from(*extruded_nm).is_err()
    {
        return Err("E moves by more than two metres on one line".to_owned());
    }
    match action {
        Action::Straight(straight) if names_axis => {
            let motion = moves::straight(straight.start, straight.end, straight.extruded_nm)?;
            split(&motion, &mut pieces).map_err(|error| error.to_string())?;
        }
        Action::Arc(arc) => {
            for chord in moves::chords(arc)? {
                split(&chord, &mut pieces).map_err(|error| error.to_string())?;
            }
        }
        _ => return Ok(None),
    }
    Ok(Some(pieces))
}

fn signature(line: &[u8]) -> Option<usize> {
    line.windows(SIGNATURE.len()).position(|window| window == SIGNATURE)
}
