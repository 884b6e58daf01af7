//! `gapsim verify`: a gate for continuous integration.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use gapkeeper_host_tools::printed::{print, print_json};
use gapkeeper_host_tools::program::{BAD_INPUT, CoresOption};
use gapkeeper_host_tools::{FileError, write_atomically};
use gapkeeper_sim::verify::{Gate, Outcome, verify, verify_trace};

/// Check limits across scenarios, jobs, grids and surfaces, or compare a recorded trace with the model
///
/// It checks the gap error on the first layer, how far pieces are off the exact path, Z speed, its steps at the
/// borders of cells and its acceleration, layer thickness in the fade, and pieces a second. Where Z is too slow for a
/// feed, it says for which lines of the job and what feed would do.
///
/// With --trace it checks a controller of your own instead of our core: a CSV file with the columns job_line,
/// x_mm, y_mm, z_mm and e_mm (or _um, _nm; e may be left out), one row for the end of each piece. E is the
/// total fed since the start of the job. It reports the first and the worst deviation and likely causes.
#[derive(Args)]
#[command(after_help = "Example: gapsim verify gate.toml --junit verdict.xml\n  \
    gapsim verify gate.toml --trace trace.csv --case refined\n\n\
    Exit codes: 0 all limits are kept, 1 some are not, 2 something could not be run.")]
pub struct Arguments {
    /// The gate: limits and matrix, TOML
    gate: PathBuf,
    /// Recorded trace of a controller, CSV; judged by one case of the matrix
    #[arg(long, value_name = "FILE")]
    trace: Option<PathBuf>,
    /// Name of that case, or parts of it, with commas between them, that no other has
    #[arg(long, value_name = "NAME", requires = "trace")]
    case: Option<String>,
    /// Write the verdict to this file as JUnit XML
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
    #[command(flatten)]
    cores: CoresOption,
    /// Print the verdict as JSON
    #[arg(long)]
    json: bool,
}

/// Judges; the exit code is the outcome.
pub fn run(arguments: &Arguments) -> anyhow::Result<ExitCode> {
    let gate = Gate::read(&arguments.gate)?;
    let verdict = match &arguments.trace {
        Some(trace) => verify_trace(&gate, trace, arguments.case.as_deref()).map_err(anyhow::Error::msg)?,
        None => verify(&gate, arguments.cores.cores),
    };
    if let Some(path) = &arguments.junit {
        write_atomically(path, verdict.junit().as_bytes()).map_err(FileError::output(path))?;
    }
    if arguments.json {
        print_json(&verdict.json())?;
    } else {
        print(&verdict.text())?;
    }
    Ok(match verdict.outcome {
        Outcome::Pass => ExitCode::SUCCESS,
        Outcome::Fail => ExitCode::from(super::FAULTS),
        Outcome::CouldNotRun => ExitCode::from(BAD_INPUT),
    })
}
