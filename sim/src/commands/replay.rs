//! `gapsim replay`: a job over a scenario's bed.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use gapkeeper_host_tools::printed::name;
use gapkeeper_sim::deposit::replay_with_deposit;
use gapkeeper_sim::replay::{Settings, replay};
use gapkeeper_sim::scenario::Scenario;
use gapkeeper_sim::setup::Setup;

use super::job_file;
use super::output::{OutputOptions, pictures, print_and_write};

/// Replay a job over a scenario's bed: uncorrected, corrected, and corrected with a refined grid.
#[derive(Args)]
#[command(after_help = "Example: gapsim replay tray.gcode --scenario bench.toml --out pictures\n\n\
    Exit code 1 if the nozzle touches the bed, or a move is refused, in the run that would be used: the one with \
    the best surface of the grid.")]
pub struct Arguments {
    /// The job, G-code
    job: PathBuf,
    /// Machine and modelled bed, TOML
    #[arg(long, value_name = "FILE")]
    scenario: PathBuf,
    /// Saved grid; JSON, records and images hold their own shift and fade (default: read off the modelled bed)
    #[arg(long, value_name = "FILE")]
    grid: Option<PathBuf>,
    /// Folder for pictures, page and summary (default: print the summary only)
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Skip unreadable lines and count them
    #[arg(long)]
    keep_going: bool,
    /// Allow two words of one group on a line; the later one counts
    #[arg(long)]
    lenient: bool,
    /// Follow what is laid down, place by place: squeeze.png and a table; takes longer
    #[arg(long)]
    squeeze: bool,
    #[command(flatten)]
    output: OutputOptions,
}

/// Replays, writes and prints; the exit code tells whether it may be printed.
pub fn run(arguments: &Arguments) -> anyhow::Result<ExitCode> {
    let &Arguments { keep_going, lenient, squeeze, .. } = arguments;
    let Arguments { job, out, output, .. } = arguments;
    let scenario = Scenario::read(&arguments.scenario)?;
    let setup = match &arguments.grid {
        Some(path) => Setup::saved(&scenario, path)?,
        None => Setup::read_off(&scenario)?,
    };
    let settings = Settings { keep_going, lenient, layer_maps: out.is_some(), ..output.settings(&setup) };
    let name = name(job);
    let reader = job_file::open(job)?;
    let (outcome, squeeze) = if squeeze {
        let (outcome, squeeze) = replay_with_deposit(&name, reader, &settings)?;
        (outcome, Some(squeeze))
    } else {
        (replay(&name, reader, &settings)?, None)
    };
    let squeeze = squeeze.as_ref();
    let files = out.as_deref().map(|out| anyhow::Ok((out, pictures(&outcome, squeeze, None)?))).transpose()?;
    print_and_write(&outcome, squeeze, output, files)
}
