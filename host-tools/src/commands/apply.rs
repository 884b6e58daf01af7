//! `gapgrid apply`: corrects a job by a grid.

use std::fs::File;
use std::io::{self, BufRead, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;
use gapkeeper::{Correction, DEFAULT_TOLERANCE_UM};
use gapkeeper_host_tools::AtomicFile;
use gapkeeper_host_tools::apply::{ApplyReport, apply};
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument, read_grid};

use super::surface::{self, SurfaceName};

/// Standard input or output instead of a file.
const STANDARD: &str = "-";

/// Correct a job by a grid, for a machine that cannot be flashed.
///
/// Lines that move X, Y or Z become lines of straight pieces; every other line stays byte for byte. The output carries
/// a comment, so that no job is corrected twice.
#[derive(Args)]
#[command(after_help = "Example: gapgrid apply tray.gcode --grid grid.json -o tray-corrected.gcode\n\n\
    Try the result with the nozzle far above the bed first, and stay beside the machine.")]
pub struct Arguments {
    /// The job, G-code; `-` for standard input
    job: PathBuf,
    /// The grid, JSON or CSV
    #[arg(long, value_name = "FILE")]
    grid: PathBuf,
    /// The corrected job; `-` for standard output
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// The surface between readings; without it as the survey chose, else refined
    #[arg(long)]
    surface: Option<SurfaceName>,
    /// How far a piece may be off the corrected path
    #[arg(long, value_name = "UM", default_value_t = DEFAULT_TOLERANCE_UM)]
    tolerance_um: u16,
    /// Refuse a job that would take the nozzle below this machine height
    #[arg(long, value_name = "UM", allow_negative_numbers = true)]
    lowest_um: Option<i32>,
}

/// Corrects the job.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let correction = correction(arguments, &read_grid(&arguments.grid)?)?;
    let name = arguments.job.display().to_string();
    let is_standard = |path: &Path| path == Path::new(STANDARD);
    let input: Box<dyn BufRead> = if is_standard(&arguments.job) {
        Box::new(io::stdin().lock())
    } else {
        let file = File::open(&arguments.job).with_context(|| name.clone())?;
        Box::new(BufReader::with_capacity(1 << 16, file))
    };
    let report = if is_standard(&arguments.output) {
        apply(&name, input, BufWriter::new(io::stdout().lock()), &correction, arguments.tolerance_um)?
    } else {
        let whole = || arguments.output.display().to_string();
        let mut file = BufWriter::new(AtomicFile::create(&arguments.output).with_context(whole)?);
        let report = apply(&name, input, &mut file, &correction, arguments.tolerance_um)?;
        file.into_inner().map_err(io::IntoInnerError::into_error).and_then(AtomicFile::finish).with_context(whole)?;
        report
    };
    tell(&report)
}

fn correction(arguments: &Arguments, document: &GridDocument) -> anyhow::Result<Correction<CAPACITY>> {
    let mut correction = Correction::new(surface::of(document, arguments.surface)?).with_shift(document.shift_um)?;
    if let Some(fade) = document.fade {
        correction = correction.with_fade(fade)?;
    }
    Ok(match arguments.lowest_um {
        Some(lowest_um) => correction.with_lowest_machine_z(lowest_um),
        None => correction,
    })
}

/// Says what was done, beside the output and not in it.
fn tell(report: &ApplyReport) -> anyhow::Result<()> {
    let mut out = io::stderr().lock();
    writeln!(out, "{} of {} lines became {} pieces", report.corrected_lines, report.lines, report.pieces)?;
    if report.unknown_words > 0 {
        writeln!(out, "words that are not known here were passed through: {}", report.unknown_words)?;
    }
    if report.unmodelled_words > 0 {
        writeln!(
            out,
            "warning: words that may move the axes or their zero in ways that are not followed: {}; check the result",
            report.unmodelled_words
        )?;
    }
    Ok(())
}
