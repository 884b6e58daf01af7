//! `gapsim demo`: the built-in job over the built-in bed.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use gapkeeper_sim::demo;
use gapkeeper_sim::deposit::replay_with_deposit;
use gapkeeper_sim::plan::{PlanSettings, plan};
use gapkeeper_sim::setup::Setup;

use super::output::{OutputOptions, pictures, print_and_write};

/// Surveys in every row of the plan on the demo's page; `gapsim plan` takes more.
const DRAWS: u32 = 60;

/// Replay the built-in job over the built-in bed and draw the gap
#[derive(Args)]
#[command(after_help = "Example: gapsim demo --out demo-pictures")]
pub struct Arguments {
    /// Folder for pictures, page, summary, and the scenario and job to start your own from
    #[arg(long, value_name = "DIR", default_value = "gapkeeper-demo")]
    out: PathBuf,
    #[command(flatten)]
    output: OutputOptions,
}

/// Replays, plans, writes and prints.
pub fn run(arguments: &Arguments) -> anyhow::Result<ExitCode> {
    let Arguments { out, output } = arguments;
    let scenario = demo::scenario()?;
    let setup = Setup::read_off(&scenario)?;
    let (outcome, squeeze) = replay_with_deposit(demo::JOB_NAME, demo::job(), &output.settings(&setup))?;
    let settings = PlanSettings {
        draws: DRAWS,
        tolerance_um: output.tolerance_um,
        first_layer_heights: output.first_layer_mm.unwrap_or_default(),
        cores: output.cores.cores,
        ..PlanSettings::default()
    };
    let plan = plan(&scenario, demo::JOB_NAME, demo::job(), &settings)?;
    let mut files = pictures(&outcome, Some(&squeeze), Some(&plan))?;
    files.push(("scenario.toml", demo::SCENARIO_TEXT.into()));
    files.push((demo::JOB_NAME, demo::job().into_inner()));
    print_and_write(&outcome, Some(&squeeze), output, Some((out, files)))
}
