//! `gapgrid apply`: corrects a job by a grid.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use gapkeeper::{Correction, DEFAULT_TOLERANCE_UM};
use gapkeeper_host_tools::apply::{ApplyReport, Settings, apply};
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument, read_grid};
use gapkeeper_host_tools::{AtomicFile, FileError, Watched};

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
    /// Let E follow the thickness really laid where the correction fades; the total change is said
    #[arg(long)]
    scale_flow: bool,
    /// Refuse a job that would take the nozzle below this machine height
    #[arg(long, value_name = "UM", allow_negative_numbers = true)]
    lowest_um: Option<i32>,
}

/// Corrects the job.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let correction = correction(arguments, &read_grid(&arguments.grid)?)?;
    let name = gapkeeper_host_tools::printed::name(&arguments.job);
    let is_standard = |path: &Path| path == Path::new(STANDARD);
    let input: Box<dyn Read> = if is_standard(&arguments.job) {
        Box::new(io::stdin().lock())
    } else {
        let file = File::open(&arguments.job).map_err(FileError::input(&arguments.job))?;
        let is_printed = is_standard(&arguments.output);
        Box::new(if is_printed { Watched::beside_output(file) } else { Watched::new(file) })
    };
    let settings = Settings {
        correction: &correction,
        tolerance_um: arguments.tolerance_um,
        scale_flow: arguments.scale_flow,
        cores: None,
    };
    let report = if is_standard(&arguments.output) {
        apply(&name, input, io::stdout().lock(), &settings)?
    } else {
        let mut file = AtomicFile::create(&arguments.output).map_err(FileError::output(&arguments.output))?;
        let report = apply(&name, input, &mut file, &settings)?;
        file.finish().map_err(FileError::output(&arguments.output))?;
        report
    };
    tell(&report, &settings)
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
fn tell(report: &ApplyReport, settings: &Settings<'_>) -> anyhow::Result<()> {
    let mut out = io::stderr().lock();
    writeln!(out, "{} of {} lines became {} pieces", report.corrected_lines, report.lines, report.pieces)?;
    if settings.scale_flow && settings.correction.fade().is_none() {
        writeln!(out, "E is unchanged: without a fade every layer is as thick as the job has it")?;
    } else if settings.scale_flow {
        let millimetres = |nm: i64| nm as f64 / 1e6;
        let permille = report.e_change_nm as f64 / report.printed_e_nm.max(1) as f64 * 1000.0;
        writeln!(
            out,
            "E follows the layers: {:+.3} mm on {:.3} mm of printing ({permille:+.2} in a thousand)",
            millimetres(report.e_change_nm),
            millimetres(report.printed_e_nm),
        )?;
    }
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
