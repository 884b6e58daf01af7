//! Applies a grid to a job: for machines that cannot be flashed, the job's moves are split and corrected beforehand.
//!
//! Every line that moves X, Y or Z becomes lines of straight pieces; every other line stays byte for byte. The output
//! carries a signature, so that no job is corrected twice.

mod path;
mod rewrite;

use std::fmt;
use std::io::{self, Read, Write};

use gapkeeper::Correction;

use crate::gcode::{Action, GcodeError, Interpreter, Line, Reader, Word};
use crate::grid_file::CAPACITY;
use crate::place::Place;
use path::Path;
use rewrite::Rewriter;

/// What the comment says that tells a corrected job.
pub const SIGNATURE: &[u8] = b"corrected for the bed by gapgrid";

/// So much is written at once.
const WRITTEN_BYTES: usize = 1 << 16;

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

/// How a job is corrected.
#[derive(Clone, Copy, Debug)]
pub struct Settings<'a> {
    /// Grid, shift, fade and lowest height.
    pub correction: &'a Correction<CAPACITY>,
    /// How far a piece may be off the corrected path.
    pub tolerance_um: u16,
    /// Let `E` follow the thickness that is really laid while the shape fades.
    pub scale_flow: bool,
}

/// What came of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ApplyReport {
    /// Lines read.
    pub lines: u64,
    /// Lines that became pieces.
    pub corrected_lines: u64,
    /// Pieces written.
    pub pieces: u64,
    /// With flow scaling: how much the job's own `E` prints, ...
    pub printed_e_nm: i64,
    /// ... and by how much that has changed.
    pub e_change_nm: i64,
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
/// With flow scaling, `E` of every piece that prints (forwards, while X or Y travels) is multiplied by
/// the mean of [`Correction::thickness_q16`] along it. Whatever else moves `E` keeps its length; absolute places of
/// `E` move on by the changes since the last `G92 E`, rounded once to the fifth decimal, so that nothing drifts.
///
/// # Errors
/// [`ApplyError`] at the first line that cannot be read or corrected; what was written until then is not a whole job.
pub fn apply(
    name: &str,
    input: impl Read,
    mut output: impl Write,
    settings: &Settings<'_>,
) -> Result<ApplyReport, ApplyError> {
    let mut reader = Reader::new(name, input);
    let mut interpreter = Interpreter::new();
    let mut path = Path::new(settings);
    let mut rewriter = Rewriter::default();
    let mut report = ApplyReport::default();
    while let Some(line) = reader.next_line()? {
        let at = |offset| Place::new(name, line.number(), line.raw(), offset);
        if let Some(offset) = signature(&line) {
            let message = "this job was corrected already".to_owned();
            let error = LineError { place: at(offset), message, remedy: "correct the job as it was before" };
            return Err(error.into());
        }
        let action = interpreter.execute(&line)?;
        report.lines += 1;
        // A line that names an axis without moving it would, as it stands, move the corrected machine.
        let names_axis = line.words().iter().any(|word| matches!(word.letter(), b'X' | b'Y' | b'Z'));
        let is_corrected = path.follow(&action, names_axis, interpreter.units());
        let is_corrected =
            is_corrected.map_err(|message| LineError { place: at(0), message, remedy: "nothing was written" })?;
        if is_corrected {
            let parts = path.parts();
            if parts.len() > 1
                && let Some(word) = line.words().iter().find(|word| is_further_axis(word))
            {
                let letter = char::from(word.letter());
                let message = format!("{letter} moves together with X, Y or Z, and only E is divided among pieces");
                let remedy = "move it on a line of its own";
                return Err(LineError { place: at(word.range().start), message, remedy }.into());
            }
            report.corrected_lines += 1;
            report.pieces += parts.len() as u64;
            rewriter.motion(&line, &action, parts, &interpreter);
        } else {
            rewriter.other(&line, &action, &interpreter);
        }
        if rewriter.text().len() > WRITTEN_BYTES {
            output.write_all(rewriter.text().as_bytes())?;
            rewriter.text().clear();
        }
        if action == Action::SetPosition && line.word(b'E').is_some() {
            path.set_e_zero(interpreter.units());
        }
    }
    (report.printed_e_nm, report.e_change_nm) = path.printed_and_change_nm();
    report.unknown_words = interpreter.unknown_words().values().sum();
    report.unmodelled_words = interpreter.unmodelled_words().values().sum();
    output.write_all(rewriter.text().as_bytes())?;
    output.flush()?;
    Ok(report)
}

/// Turning axes (NISTIR 6556) and secondary ones (common practice, no source).
fn is_further_axis(word: &Word) -> bool {
    matches!(word.letter(), b'A' | b'B' | b'C' | b'U' | b'V' | b'W')
}

fn signature(line: &Line<'_>) -> Option<usize> {
    if line.is_plain() {
        return None;
    }
    // It stands in a comment.
    let comment = memchr::memchr2(b';', b'(', line.raw())?;
    memchr::memmem::find(&line.raw()[comment..], SIGNATURE).map(|offset| comment + offset)
}
