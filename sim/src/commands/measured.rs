//! What surveys by a virtual operator and by a person share.

use std::path::{Path, PathBuf};

use clap::Args;
use gapkeeper_host_tools::grid_file::GridFormat;
use gapkeeper_host_tools::printed::{name, print};
use gapkeeper_sim::scenario::{Count, Scenario};
use gapkeeper_sim::setup;
use gapkeeper_sim::survey::SurveyOutcome;

/// What is measured, and where it is written.
#[derive(Args)]
pub struct MeasuringOptions {
    /// Machine and modelled bed, TOML
    #[arg(long, value_name = "FILE")]
    scenario: PathBuf,
    /// Stations along X and Y (default: the scenario's)
    #[arg(long, value_name = "NxM", value_parser = stations)]
    stations: Option<[Count; 2]>,
    /// Tram the bed first by its corners, until they lie within this of each other
    #[arg(long, value_name = "UM", value_parser = clap::value_parser!(u16).range(1..=2000))]
    corner_round_um: Option<u16>,
    /// Tie the grid of an earlier survey to the screws as they stand now: a station near each screw and one in the middle
    #[arg(long, value_name = "GRID", conflicts_with = "stations")]
    tie: Option<PathBuf>,
    /// Write the grid to this file, JSON or CSV (default: only print what was read)
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

impl MeasuringOptions {
    /// The scenario as it is to be measured. An output of another format is refused before anything is measured.
    pub fn scenario(&self) -> anyhow::Result<Scenario> {
        let mut scenario = Scenario::read(&self.scenario)?;
        if let Some(stations) = self.stations {
            scenario.survey.stations = stations;
        }
        scenario.measuring.corner_limit_um = self.corner_round_um;
        self.tie.as_deref().map(|path| setup::tie_to(&mut scenario, path)).transpose()?;
        self.output.as_deref().map(check_format).transpose()?;
        Ok(scenario)
    }

    /// Writes the grid of a survey, then prints how it was read and what it is worth.
    pub fn write_and_print(&self, found: &SurveyOutcome, scenario: &Scenario, readings: &str) -> anyhow::Result<()> {
        let output = self.output.as_deref();
        let losses = output.map(|path| setup::save(scenario, found, path)).transpose()?.unwrap_or_default();
        let mut text = format!("{readings}\n{}", found.verdict(scenario));
        if let Some(path) = output {
            text += &format!("\nwritten to {}\n", name(path));
        }
        text.extend(losses.iter().map(|loss| format!("left out, since CSV has no place for it: {loss}\n")));
        let moves_screws = found.raised_um() != 0.0 || !found.screws_raised_um().is_empty();
        if let Some(path) = output.filter(|_| moves_screws) {
            text += &format!("the raised screws are noted in {}\n", name(&setup::note_path(path)));
        }
        Ok(print(&text)?)
    }
}

fn stations(text: &str) -> Result<[Count; 2], String> {
    let (columns, rows) = text.split_once('x').ok_or("give columns and rows, such as 3x3")?;
    let count = |text: &str| text.parse::<u8>().map_err(|error| error.to_string()).and_then(Count::try_from);
    Ok([count(columns)?, count(rows)?])
}

/// Grids are written as JSON or CSV here: other formats want facts that only `gapgrid convert` asks for.
fn check_format(path: &Path) -> anyhow::Result<()> {
    match GridFormat::of(path)? {
        GridFormat::Json | GridFormat::Csv => Ok(()),
        _ => anyhow::bail!("{}: write .json or .csv here, then use gapgrid convert", name(path)),
    }
}
