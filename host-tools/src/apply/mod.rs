//! Applies a grid to a job: for machines that cannot be flashed, the job's moves are split and corrected beforehand.
//!
//! Every line that moves X, Y or Z becomes lines of straight pieces; every other line stays byte for byte. The output
//! carries a signature, so that no job is corrected twice.
//!
//! Nothing moves that the job does not move. While the place of X, Y or Z is not known (at the start, after homing, an
//! unknown word, a macro of the host, a tool change, probing, or under an offset that only the controller knows), lines
//! stay as they are. The first move that ends at a known place is one line, with the corrected Z at its end.

mod batch;
mod numbering;
mod path;
mod report;
mod rewrite;
mod standing;

use std::borrow::Cow;
use std::fmt;
use std::io::{self, Read, Write};
use std::mem;
use std::num::NonZeroUsize;
use std::thread;

use gapkeeper::{Correction, DEFAULT_TOLERANCE_UM};

use crate::TextPosition;
use crate::gcode::{GcodeError, Word};
use crate::grid_file::CAPACITY;
use crate::pipeline::{self, Pipeline};
use batch::{Batch, Corrector, Source};
use numbering::Numbering;
pub use report::{ApplyReport, Reach, Stretch, Unplaced};

/// What the comment says that tells a corrected job.
pub const SIGNATURE: &[u8] = b"corrected for the bed by gapgrid";

/// Why a job cannot be corrected.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
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
    place: TextPosition,
    message: String,
    remedy: Cow<'static, str>,
}

impl LineError {
    /// Where.
    pub fn position(&self) -> &TextPosition {
        &self.place
    }
}

impl fmt::Display for LineError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.place.write_report(out, &self.message, &self.remedy)
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
    /// Words that may move or shift axes and are let through all the same, such as `G987`.
    pub pass: &'a [String],
    /// Where the program's zero lies in the grid, in whatever way the job sets it: X, Y, Z.
    pub origin_nm: [Option<i64>; 3],
    /// Whether `G91` makes `E` relative under `M82` too; none: lines for which it matters are refused.
    pub e_follows_g91: Option<bool>,
    /// Of two words of one modal group on a line the later one counts.
    pub lenient: bool,
    /// Pass lines that cannot be read instead of stopping at the first.
    pub keep_going: bool,
}

impl<'a> Settings<'a> {
    /// A correction within [`DEFAULT_TOLERANCE_UM`], on all cores, and strict.
    pub const fn new(correction: &'a Correction<CAPACITY>) -> Self {
        Self {
            correction,
            tolerance_um: DEFAULT_TOLERANCE_UM,
            scale_flow: false,
            cores: None,
            pass: &[],
            origin_nm: [None; 3],
            e_follows_g91: None,
            lenient: false,
            keep_going: false,
        }
    }
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
    let cores = if settings.scale_flow { 1 } else { pipeline::cores(settings.cores) };
    let mut source = Source::new(name, input, settings);
    let mut report = ApplyReport::default();
    let mut numbering = Numbering::default();
    let mut done = |batch: &mut Batch| {
        if let Some(error) = batch.error.take() {
            return Err(ApplyError::from(error));
        }
        if batch.has_check_values {
            numbering.renew(&mut batch.text);
        }
        output.write_all(batch.text.as_bytes())?;
        report.bytes_written += batch.text.len() as u64;
        report.reach.join(batch.reach);
        report.corrected_lines += batch.corrected_lines;
        report.pieces += batch.pieces;
        Ok(())
    };
    let printed_and_change_nm = thread::scope(|scope| {
        let corrector = || Corrector::new(settings);
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

/// Turning axes (NISTIR 6556) and secondary ones (common practice, no source).
fn is_further_axis(word: &Word) -> bool {
    matches!(word.letter(), b'A' | b'B' | b'C' | b'U' | b'V' | b'W')
}
