//! Applies a grid to a job: for machines that cannot be flashed, the job's moves are split and corrected beforehand.
//!
//! Every line that moves X, Y or Z becomes lines of straight pieces; every other line stays byte for byte. The output
//! carries a signature, so that no job is corrected twice.

mod batch;
mod path;
mod rewrite;

use std::fmt;
use std::io::{self, Read, Write};
use std::mem;
use std::num::NonZeroUsize;
use std::thread;

use gapkeeper::Correction;

use crate::gcode::{GcodeError, Word};
use crate::grid_file::CAPACITY;
use crate::pipeline::Pipeline;
use crate::place::Place;
use batch::{Batch, Corrector, Source};

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

/// How a job is corrected.
#[derive(Clone, Copy, Debug)]
pub struct Settings<'a> {
    /// Grid, shift, fade and lowest height.
    pub correction: &'a Correction<CAPACITY>,
    /// How far a piece may be off the corrected path.
    pub tolerance_um: u16,
    /// Let `E` follow the thickness that is really laid while the shape fades.
    pub scale_flow: bool,
    /// On how many cores; on all if none. With `scale_flow` one is enough.
    pub cores: Option<NonZeroUsize>,
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
/// With flow scaling, `E` of every piece that prints (forwards, while X or Y travels) is multiplied by the mean of
/// [`Correction::thickness_q16`] along it, by the core's own [`gapkeeper::Flow`]. Whatever else moves `E` keeps its
/// length; absolute places of `E` move on by the changes since the last `G92 E`, rounded once to the fifth decimal, so
/// that nothing drifts.
///
/// # Errors
/// [`ApplyError`] at the first line that cannot be read or corrected; what was written until then is not a whole job.
pub fn apply(
    name: &str,
    input: impl Read,
    mut output: impl Write,
    settings: &Settings<'_>,
) -> Result<ApplyReport, ApplyError> {
    // What the flow has added up so far is needed for the next line.
    let cores = if settings.scale_flow { 1 } else { settings.cores.map_or_else(all_cores, NonZeroUsize::get) };
    let mut source = Source::new(name, input, settings.correction);
    let mut report = ApplyReport::default();
    let mut done = |batch: &mut Batch| {
        if let Some(error) = batch.error.take() {
            return Err(ApplyError::from(error));
        }
        output.write_all(batch.text.as_bytes())?;
        report.corrected_lines += batch.corrected_lines;
        report.pieces += batch.pieces;
        Ok(())
    };
    let printed_and_change_nm = thread::scope(|scope| {
        let corrector = || Corrector::new(settings, cores == 1);
        let mut pipeline = Pipeline::new(corrector(), (1..cores).map(|_| corrector()), scope);
        let mut batch = Batch::new(name);
        while source.fill(&mut batch) {
            let empty = pipeline.spare().unwrap_or_else(|| Batch::new(name));
            pipeline.give(mem::replace(&mut batch, empty), &mut done)?;
        }
        pipeline.finish(&mut done)?;
        Ok::<_, ApplyError>(pipeline.own().printed_and_change_nm())
    })?;
    (report.printed_e_nm, report.e_change_nm) = printed_and_change_nm;
    source.finish(&mut report)?;
    output.flush()?;
    Ok(report)
}

fn all_cores() -> usize {
    thread::available_parallelism().map_or(1, NonZeroUsize::get)
}

/// Turning axes (NISTIR 6556) and secondary ones (common practice, no source).
fn is_further_axis(word: &Word) -> bool {
    matches!(word.letter(), b'A' | b'B' | b'C' | b'U' | b'V' | b'W')
}
