//! `gapsim rehearse`: the survey by a person at the keys.

use std::io::{self, Write};
use std::process::ExitCode;

use clap::Args;
use gapkeeper_sim::rehearse::{self, RehearseError};
use gapkeeper_sim::scenario::NotNegative;

use super::FAULTS;
use super::measured::MeasuringOptions;

/// Practise the survey: set the gaps yourself, in the terminal, before you stand at a hot machine.
#[derive(Args)]
#[command(after_help = "Example: gapsim rehearse --scenario bench.toml --stations 3x3 -o grid.json\n\n\
    Exit code 1 if you end it before all stations are read; nothing is written then.")]
pub struct Arguments {
    #[command(flatten)]
    measuring: MeasuringOptions,
    /// Standard deviation of the drag that you feel
    #[arg(long, value_name = "UM", default_value = "0")]
    feel_um: f64,
    /// Random seed, for --feel-um
    #[arg(long, default_value = "1")]
    seed: u64,
}

/// Measures, writes and prints.
pub fn run(arguments: &Arguments) -> anyhow::Result<ExitCode> {
    let measuring = &arguments.measuring;
    let scenario = measuring.scenario()?;
    let feel_um = NotNegative::try_from(arguments.feel_um).map_err(anyhow::Error::msg)?;
    match rehearse::rehearse(&scenario, scenario.stations(), feel_um, arguments.seed) {
        Ok(found) => measuring.write_and_print(&found, &scenario, &rehearse::table(&found))?,
        Err(ended @ RehearseError::Ended) => {
            writeln!(io::stdout(), "{ended}")?;
            return Ok(ExitCode::from(FAULTS));
        }
        Err(error) => return Err(error.into()),
    }
    Ok(ExitCode::SUCCESS)
}
