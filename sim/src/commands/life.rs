//! `gapsim life`: years of power cuts and mishaps.

use std::io::{self, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use gapkeeper_sim::life::Life;
use gapkeeper_sim::scenario::Scenario;

use super::FAULTS;

/// Live a machine's life: power cycles, surveys, turned screws, jobs, and power cut at any instant.
#[derive(Args)]
#[command(after_help = "Example: gapsim life --scenario bench.toml --seed 1 --days 365\n\n\
    Exit code 1 if a stale grid was applied, a saved grid was lost, a mixture came into force, or the nozzle went \
    below the lowest height allowed.")]
pub struct Arguments {
    /// Machine and modelled bed, TOML
    #[arg(long, value_name = "FILE")]
    scenario: PathBuf,
    /// Random seed
    #[arg(long, default_value = "1")]
    seed: u64,
    /// Number of starts of the controller
    #[arg(long, default_value = "365")]
    days: u32,
    /// File that holds the bytes of the persistent memory: a new one, or that of an earlier life, which is erased
    #[arg(long, value_name = "FILE")]
    memory: Option<PathBuf>,
}

/// Lives a life, prints what was applied when, and says whether anything happened that must not.
pub fn run(arguments: Arguments) -> anyhow::Result<ExitCode> {
    let mut life = Life::new(&Scenario::read(&arguments.scenario)?, arguments.seed, arguments.memory)?;
    let mut faults = 0;
    let mut out = io::stdout().lock();
    for number in 1..=arguments.days {
        let day = life.day(number)?;
        writeln!(out, "{:>6}  {}", day.number, day.events.join("; "))?;
        for fault in &day.faults {
            writeln!(out, "        {fault}")?;
        }
        faults += day.faults.len();
    }
    writeln!(out, "\n{}\n{faults} faults", life.counts())?;
    out.flush()?;
    Ok(if faults == 0 { ExitCode::SUCCESS } else { ExitCode::from(FAULTS) })
}
