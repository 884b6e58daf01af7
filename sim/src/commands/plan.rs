//! `gapsim plan`: what to do before measuring.

use std::path::PathBuf;

use clap::Args;
use gapkeeper_host_tools::job::FirstLayerHeights;
use gapkeeper_host_tools::program::CoresOption;
use gapkeeper_host_tools::{FileError, printed, write_all_atomically};
use gapkeeper_sim::picture;
use gapkeeper_sim::picture::plan_svg;
use gapkeeper_sim::plan::{PlanSettings, plan};
use gapkeeper_sim::scenario::{Count, NotNegative, Scenario};

/// Compare numbers of stations, surfaces and hands before you measure
///
/// The job's first layer is sampled once. Then the whole survey is run with many seeds for every number of stations and
/// every hand, and the core corrects the first layer with what was measured. Random forms of the scenario's bed are
/// drawn anew in each draw.
#[derive(Args)]
#[command(after_help = "Example: gapsim plan tray.gcode --scenario bench.toml --out plan\n\n\
    The same seed gives the same table.")]
pub struct Arguments {
    /// The job, G-code; its first layer says where the bed matters
    job: PathBuf,
    /// Machine and modelled bed, TOML
    #[arg(long, value_name = "FILE")]
    scenario: PathBuf,
    /// Stations along each axis
    #[arg(long, value_name = "N,N,...", value_delimiter = ',', default_value = "3,4,5,6,7,8,9", value_parser = count)]
    stations: Vec<Count>,
    /// Standard deviations of a reading; the scenario's own is always added
    #[arg(long, value_name = "UM,UM,...", value_delimiter = ',', default_value = "10,20,40", value_parser = feel,
        allow_negative_numbers = true)]
    feel_um: Vec<NotNegative>,
    /// Largest gap error that counts as good, within 0.75 to 1.25 of the layer thickness
    #[arg(long, value_name = "UM", default_value = "50", value_parser = super::output::tolerance)]
    tolerance_um: f64,
    /// Heights of the first layer (default: whatever lies on the bare bed, up to 1 mm)
    #[arg(long, value_name = "A..B")]
    first_layer_mm: Option<FirstLayerHeights>,
    /// Tram the bed first by its corners in every draw, until they lie within this of each other
    #[arg(long, value_name = "UM", value_parser = clap::value_parser!(u16).range(1..=2000))]
    corner_round_um: Option<u16>,
    /// Number of surveys for each row of the table
    #[arg(long, default_value = "200", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    draws: u32,
    /// Random seed; the first draw is the survey of this seed
    #[arg(long, default_value = "1")]
    seed: u64,
    /// Keep the scenario's random forms as they are
    #[arg(long)]
    same_bed: bool,
    #[command(flatten)]
    cores: CoresOption,
    /// Folder for chart and JSON (default: print the table only)
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print JSON instead of the table
    #[arg(long)]
    json: bool,
}

fn count(text: &str) -> Result<Count, String> {
    text.parse::<u8>().map_err(|error| error.to_string()).and_then(Count::try_from)
}

fn feel(text: &str) -> Result<NotNegative, String> {
    text.parse::<f64>().map_err(|error| error.to_string()).and_then(NotNegative::try_from)
}

/// Plans, writes and prints.
pub fn run(arguments: Arguments) -> anyhow::Result<()> {
    let mut scenario = Scenario::read(&arguments.scenario)?;
    scenario.measuring.corner_limit_um = arguments.corner_round_um;
    let name = printed::name(&arguments.job);
    let job = super::job_file::open(&arguments.job)?;
    let settings = PlanSettings {
        tolerance_um: arguments.tolerance_um,
        first_layer_heights: arguments.first_layer_mm.unwrap_or_default(),
        feels_um: arguments.feel_um,
        stations: arguments.stations,
        draws: arguments.draws,
        seed: arguments.seed,
        same_bed: arguments.same_bed,
        cores: arguments.cores.cores,
    };
    let plan = plan(&scenario, &name, job, &settings)?;
    let mut text = plan.text();
    if let Some(folder) = &arguments.out {
        let chart = plan_svg(&plan, &plan.advice);
        let files = [
            ("plan.png", picture::png(&chart, 2.0)?),
            ("plan.svg", chart.into_bytes()),
            ("plan.json", plan.json().into_bytes()),
        ];
        std::fs::create_dir_all(folder).map_err(FileError::output(folder))?;
        write_all_atomically(&files.map(|(name, bytes)| (folder.join(name), bytes)))?;
        text += &format!("\nlook at {}\n", printed::name(&folder.join("plan.png")));
    }
    Ok(if arguments.json { printed::print_json(&plan.json()) } else { printed::print(&text) }?)
}
