//! `gapsim survey`: the modelled bed measured by a virtual operator.

use std::path::PathBuf;

use clap::Args;
use gapkeeper::Surface;
use gapkeeper_host_tools::picture::svg::shortened;
use gapkeeper_host_tools::show::{PictureFile, Shown, map_svg};
use gapkeeper_sim::scenario::{NotNegative, Scenario};
use gapkeeper_sim::survey::{SurveyOutcome, survey};

use super::measured::MeasuringOptions;

/// Measure the modelled bed by hand: the real survey with a virtual operator.
#[derive(Args)]
#[command(after_help = "Example: gapsim survey --scenario bench.toml --stations 3x3 --feel-um 20 -o grid.json")]
pub struct Arguments {
    #[command(flatten)]
    measuring: MeasuringOptions,
    /// Standard deviation of a reading (default: the scenario's)
    #[arg(long, value_name = "UM")]
    feel_um: Option<f64>,
    /// Random seed
    #[arg(long, default_value = "1")]
    seed: u64,
    /// Draw a map of what was measured, with what to do as its title, .svg or .png
    #[arg(long, value_name = "FILE")]
    map: Option<PathBuf>,
}

/// Measures, writes and prints.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let measuring = &arguments.measuring;
    let mut scenario = measuring.scenario()?;
    if let Some(feel_um) = arguments.feel_um {
        scenario.measuring.feel_um = NotNegative::try_from(feel_um).map_err(anyhow::Error::msg)?;
    }
    let map = arguments.map.as_deref().map(PictureFile::of).transpose()?;
    let found = survey(&scenario, scenario.stations(), arguments.seed)?;
    if let Some(map) = map {
        map.write(survey_map(&found, &scenario))?;
    }
    let readings = found.happenings.iter().map(|happening| format!("{happening}\n")).collect::<String>();
    measuring.write_and_print(&found, &scenario, &readings)
}

/// What was measured, under what to do with it.
fn survey_map(found: &SurveyOutcome, scenario: &Scenario) -> String {
    let stations = &found.grid.grid;
    let densest = match found.grid.surface {
        Surface::Refined => stations.densest().ok(),
        Surface::Bilinear => None,
    };
    let headline = found.headline().replace(" um", " µm");
    map_svg(Shown::Bed, (&headline, &shortened(&scenario.name, 40)), stations, densest.as_ref().unwrap_or(stations))
}
