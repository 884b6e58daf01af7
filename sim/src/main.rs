//! `gapsim`: replays a job through the Gapkeeper core over a modelled bed and shows the gap.

mod commands;

use std::ffi::OsString;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, CommandFactory, Parser, Subcommand};
use gapkeeper::Surface;
use gapkeeper_host_tools::grid_file::GridFormat;
use gapkeeper_host_tools::job::FirstLayerHeights;
use gapkeeper_host_tools::manual::{CompletionsArguments, ManArguments};
use gapkeeper_host_tools::picture::svg::shortened;
use gapkeeper_host_tools::printed::{name, print, print_json};
use gapkeeper_host_tools::program::CoresOption;
use gapkeeper_host_tools::show::{PictureFile, Shown, map_svg};
use gapkeeper_host_tools::{FileError, program, write_all_atomically};
use gapkeeper_sim::deposit::{Squeeze, replay_with_deposit};
use gapkeeper_sim::life::Life;
use gapkeeper_sim::outcome::Outcome;
use gapkeeper_sim::plan::{Plan, PlanSettings, plan};
use gapkeeper_sim::rehearse::{self, RehearseError};
use gapkeeper_sim::replay::{Settings, replay};
use gapkeeper_sim::scenario::{Count, NotNegative, Scenario};
use gapkeeper_sim::setup::{self, Setup};
use gapkeeper_sim::survey::{SurveyOutcome, survey};
use gapkeeper_sim::{demo, picture, report, summary};

/// The input was sound, and what it was to show did not hold, or a person ended it before that.
const FAULTS: u8 = 1;

/// Simulate your machine before you flash it
#[derive(Parser)]
#[command(name = "gapsim", version, arg_required_else_help = true)]
#[command(after_help = "Example: gapsim demo")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Replay the built-in job over the built-in bed and draw the gap
    #[command(after_help = "Example: gapsim demo --out demo-pictures")]
    Demo {
        /// Folder for pictures, page, summary, and the scenario and job to start your own from
        #[arg(long, value_name = "DIR", default_value = "gapkeeper-demo")]
        out: PathBuf,
        #[command(flatten)]
        output: OutputOptions,
    },
    /// Replay a job over a scenario's bed: uncorrected, corrected, and corrected with a refined grid.
    #[command(after_help = "Example: gapsim replay tray.gcode --scenario bench.toml --out pictures\n\n\
        Exit code 1 if the nozzle touches the bed, or a move is refused, in the run that would be used: the one with \
        the best surface of the grid.")]
    Replay {
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
    },
    Plan(commands::plan::Arguments),
    Verify(commands::verify::Arguments),
    /// Measure the modelled bed by hand: the real survey with a virtual operator.
    #[command(after_help = "Example: gapsim survey --scenario bench.toml --stations 3x3 --feel-um 20 -o grid.json")]
    Survey {
        /// Machine and modelled bed, TOML
        #[arg(long, value_name = "FILE")]
        scenario: PathBuf,
        /// Stations along X and Y (default: the scenario's)
        #[arg(long, value_name = "NxM", value_parser = stations)]
        stations: Option<[Count; 2]>,
        /// Standard deviation of a reading (default: the scenario's)
        #[arg(long, value_name = "UM")]
        feel_um: Option<f64>,
        /// Tram the bed first by its corners, until they lie within this of each other
        #[arg(long, value_name = "UM", value_parser = clap::value_parser!(u16).range(1..=2000))]
        corner_round_um: Option<u16>,
        /// Tie the grid of an earlier survey to the screws as they stand now: five stations instead of all
        #[arg(long, value_name = "GRID")]
        tie: Option<PathBuf>,
        /// Random seed
        #[arg(long, default_value = "1")]
        seed: u64,
        /// Write the grid to this file, JSON or CSV (default: print it)
        #[arg(short, long, value_name = "FILE")]
        output: Option<PathBuf>,
        /// Draw a map of what was measured, with what to do as its title, .svg or .png
        #[arg(long, value_name = "FILE")]
        map: Option<PathBuf>,
    },
    /// Practise the survey: set the gaps yourself, in the terminal, before you stand at a hot machine.
    #[command(after_help = "Example: gapsim rehearse --scenario bench.toml --stations 3x3 -o grid.json\n\n\
        Exit code 1 if you end it before all stations are read; nothing is written then.")]
    Rehearse {
        /// Machine and modelled bed, TOML
        #[arg(long, value_name = "FILE")]
        scenario: PathBuf,
        /// Stations along X and Y (default: the scenario's)
        #[arg(long, value_name = "NxM", value_parser = stations)]
        stations: Option<[Count; 2]>,
        /// Standard deviation of the drag that you feel
        #[arg(long, value_name = "UM", default_value = "0")]
        feel_um: f64,
        /// Tram the bed first by its corners, until they lie within this of each other
        #[arg(long, value_name = "UM", value_parser = clap::value_parser!(u16).range(1..=2000))]
        corner_round_um: Option<u16>,
        /// Tie the grid of an earlier survey to the screws as they stand now: five stations instead of all
        #[arg(long, value_name = "GRID")]
        tie: Option<PathBuf>,
        /// Random seed, for --feel-um
        #[arg(long, default_value = "1")]
        seed: u64,
        /// Write the grid to this file, JSON or CSV (default: print it)
        #[arg(short, long, value_name = "FILE")]
        output: Option<PathBuf>,
    },
    /// Live a machine's life: power cycles, surveys, turned screws, jobs, and power cut at any instant.
    #[command(after_help = "Example: gapsim life --scenario bench.toml --seed 1 --days 365\n\n\
        Exit code 1 if a stale grid was applied, a saved grid was lost, a mixture came into force, or the nozzle went \
        below the lowest height allowed.")]
    Life {
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
    },
    #[command(after_help = "Example: gapsim completions bash > ~/.local/share/bash-completion/completions/gapsim")]
    Completions(CompletionsArguments),
    #[command(after_help = "Example: gapsim man --out ~/.local/share/man/man1")]
    Man(ManArguments),
}

#[derive(Args)]
struct OutputOptions {
    /// Largest gap error that counts as good, within 0.75 to 1.25 of the layer thickness
    #[arg(long, value_name = "UM", default_value = "50", value_parser = tolerance)]
    tolerance_um: f64,
    /// Heights of the first layer (default: whatever lies on the bare bed, up to 1 mm)
    #[arg(long, value_name = "A..B")]
    first_layer_mm: Option<FirstLayerHeights>,
    /// Sample spacing along the path (default: as fine as the bed needs)
    #[arg(long, value_name = "MM", value_parser = positive)]
    sample_step_mm: Option<f64>,
    #[command(flatten)]
    cores: CoresOption,
    /// Skip the advice, which takes time
    #[arg(long)]
    no_advice: bool,
    /// Print the summary as JSON
    #[arg(long)]
    json: bool,
}

fn stations(text: &str) -> Result<[Count; 2], String> {
    let (columns, rows) = text.split_once('x').ok_or("give columns and rows, such as 3x3")?;
    let count = |text: &str| text.parse::<u8>().map_err(|error| error.to_string()).and_then(Count::try_from);
    Ok([count(columns)?, count(rows)?])
}

/// More than a few layers is no tolerance, and less than a micrometre is no figure.
fn tolerance(text: &str) -> Result<f64, String> {
    positive(text).ok().filter(|um| (1.0..=500.0).contains(um)).ok_or_else(|| "give 1 to 500 um".to_string())
}

fn positive(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|&number: &f64| number.is_finite() && number > 0.0)
        .ok_or_else(|| "give a number above 0".to_string())
}

fn main() -> ExitCode {
    program::run(run)
}

fn run(arguments: Arguments) -> anyhow::Result<ExitCode> {
    match arguments.command {
        Command::Demo { out, output } => {
            let scenario = demo::scenario()?;
            let setup = Setup::read_off(&scenario)?;
            let (outcome, squeeze) = replay_with_deposit(demo::JOB_NAME, demo::job(), &output.settings(&setup))?;
            let settings = PlanSettings {
                draws: DEMO_DRAWS,
                tolerance_um: output.tolerance_um,
                first_layer_heights: output.first_layer_mm.unwrap_or_default(),
                cores: output.cores.cores,
                ..PlanSettings::default()
            };
            let plan = plan(&scenario, demo::JOB_NAME, demo::job(), &settings)?;
            let mut files = pictures(&outcome, Some(&squeeze), Some(&plan))?;
            files.push(("scenario.toml", demo::SCENARIO_TEXT.into()));
            files.push((demo::JOB_NAME, demo::job().into_inner()));
            return print_and_write(&outcome, Some(&squeeze), &output, Some((&out, files)));
        }
        Command::Replay { job, scenario, grid, out, keep_going, lenient, squeeze, output } => {
            let scenario = Scenario::read(&scenario)?;
            let setup = match &grid {
                Some(path) => Setup::saved(&scenario, path)?,
                None => Setup::read_off(&scenario)?,
            };
            let settings = Settings { keep_going, lenient, layer_maps: out.is_some(), ..output.settings(&setup) };
            let name = name(&job);
            let reader = commands::job_file::open(&job)?;
            let (outcome, squeeze) = if squeeze {
                let (outcome, squeeze) = replay_with_deposit(&name, reader, &settings)?;
                (outcome, Some(squeeze))
            } else {
                (replay(&name, reader, &settings)?, None)
            };
            let squeeze = squeeze.as_ref();
            let files = out.as_deref().map(|out| anyhow::Ok((out, pictures(&outcome, squeeze, None)?))).transpose()?;
            return print_and_write(&outcome, squeeze, &output, files);
        }
        Command::Plan(arguments) => commands::plan::run(arguments)?,
        Command::Verify(arguments) => return commands::verify::run(&arguments),
        Command::Survey { scenario, stations, feel_um, corner_round_um, tie, seed, output, map } => {
            let mut scenario = read_scenario(&scenario, stations)?;
            scenario.measuring.corner_limit_um = corner_round_um;
            tie.as_deref().map(|path| setup::tie_to(&mut scenario, path)).transpose()?;
            if let Some(feel_um) = feel_um {
                scenario.measuring.feel_um = NotNegative::try_from(feel_um).map_err(anyhow::Error::msg)?;
            }
            // An unknown format is said before anything is measured.
            output.as_deref().map(check_format).transpose()?;
            let map = map.as_deref().map(PictureFile::of).transpose()?;
            let found = survey(&scenario, scenario.stations(), seed)?;
            if let Some(map) = map {
                map.write(survey_map(&found, &scenario))?;
            }
            let readings = found.happenings.iter().map(|happening| format!("{happening}\n")).collect::<String>();
            write_and_print(&found, &scenario, &readings, output.as_deref())?;
        }
        Command::Rehearse { scenario, stations, feel_um, corner_round_um, tie, seed, output } => {
            let mut scenario = read_scenario(&scenario, stations)?;
            scenario.measuring.corner_limit_um = corner_round_um;
            tie.as_deref().map(|path| setup::tie_to(&mut scenario, path)).transpose()?;
            let feel_um = NotNegative::try_from(feel_um).map_err(anyhow::Error::msg)?;
            output.as_deref().map(check_format).transpose()?;
            match rehearse::rehearse(&scenario, scenario.stations(), feel_um, seed) {
                Ok(found) => write_and_print(&found, &scenario, &rehearse::table(&found), output.as_deref())?,
                Err(ended @ RehearseError::Ended) => {
                    writeln!(io::stdout(), "{ended}")?;
                    return Ok(ExitCode::from(FAULTS));
                }
                Err(error) => return Err(error.into()),
            }
        }
        Command::Life { scenario, seed, days, memory } => {
            return run_life(&Scenario::read(&scenario)?, seed, days, memory);
        }
        Command::Completions(arguments) => arguments.run(Arguments::command())?,
        Command::Man(arguments) => arguments.run(Arguments::command())?,
    }
    Ok(ExitCode::SUCCESS)
}

/// Grids are written as JSON or CSV here: other formats want facts that only `gapgrid convert` asks for.
fn check_format(path: &Path) -> anyhow::Result<()> {
    match GridFormat::of(path)? {
        GridFormat::Json | GridFormat::Csv => Ok(()),
        _ => anyhow::bail!("{}: write .json or .csv here, then use gapgrid convert", name(path)),
    }
}

/// Lives a life, prints what was applied when, and says whether anything happened that must not.
fn run_life(scenario: &Scenario, seed: u64, days: u32, memory: Option<PathBuf>) -> anyhow::Result<ExitCode> {
    let mut life = Life::new(scenario, seed, memory)?;
    let mut faults = 0;
    let mut out = io::stdout().lock();
    for number in 1..=days {
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

fn read_scenario(path: &Path, stations: Option<[Count; 2]>) -> anyhow::Result<Scenario> {
    let mut scenario = Scenario::read(path)?;
    if let Some(stations) = stations {
        scenario.survey.stations = stations;
    }
    Ok(scenario)
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

/// Writes the grid of a survey, then prints how it was read and what it is worth.
fn write_and_print(
    found: &SurveyOutcome,
    scenario: &Scenario,
    readings: &str,
    output: Option<&Path>,
) -> anyhow::Result<()> {
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

impl OutputOptions {
    fn settings<'a>(&self, setup: &'a Setup) -> Settings<'a> {
        Settings {
            advise: !self.no_advice,
            tolerance_um: self.tolerance_um,
            first_layer_heights: self.first_layer_mm.unwrap_or_default(),
            sample_step_mm: self.sample_step_mm,
            cores: self.cores.cores,
            band: setup.band(),
            ..setup.settings()
        }
    }
}

/// Surveys in every row of the plan on the demo's page; `gapsim plan` takes more.
const DEMO_DRAWS: u32 = 60;

/// Files by name, all of them made before the first is written.
type Files = Vec<(&'static str, Vec<u8>)>;

fn pictures(outcome: &Outcome, squeeze: Option<&[Squeeze; 3]>, plan: Option<&Plan>) -> anyhow::Result<Files> {
    let title = &picture::title(outcome);
    let (gap, map) = (picture::gap_svg(outcome, title), picture::map_svg(outcome, title));
    let section = picture::section_svg(outcome, title);
    let mut files = vec![
        ("card.png", picture::png(&picture::card_svg(outcome, title), 1.0)?),
        ("card_phone.png", picture::png(&picture::phone_card_svg(outcome, title), 1.0)?),
        ("section.png", picture::png(&section, 2.0)?),
        ("section.svg", section.into_bytes()),
        ("gap.png", picture::png(&gap, 2.0)?),
        ("gap.svg", gap.into_bytes()),
        ("map.png", picture::png(&map, 2.0)?),
        ("map.svg", map.into_bytes()),
        ("layers.svg", picture::layers_svg(outcome, title).into_bytes()),
        ("report.html", report::html(outcome, squeeze, plan).into_bytes()),
        ("summary.json", summary::json(outcome).into_bytes()),
    ];
    if let Some(squeeze) = squeeze {
        let map = picture::squeeze_svg(outcome, squeeze, title);
        files.extend([
            ("squeeze.png", picture::png(&map, 2.0)?),
            ("squeeze.svg", map.into_bytes()),
            ("squeeze.json", summary::squeeze_json(squeeze).into_bytes()),
        ]);
    }
    Ok(files)
}

fn print_and_write(
    outcome: &Outcome,
    squeeze: Option<&[Squeeze; 3]>,
    output: &OutputOptions,
    files: Option<(&Path, Files)>,
) -> anyhow::Result<ExitCode> {
    let mut written = OsString::new();
    if let Some((folder, files)) = files {
        std::fs::create_dir_all(folder).map_err(FileError::output(folder))?;
        write_all_atomically(&files.into_iter().map(|(name, bytes)| (folder.join(name), bytes)).collect::<Vec<_>>())?;
        written = folder.join("report.html").into_os_string();
    }
    let mut text = summary::text(outcome);
    if let Some(squeeze) = squeeze {
        text += &format!("\n{}", summary::squeeze_text(squeeze));
    }
    if !written.is_empty() {
        let written = Path::new(&written);
        text += &format!("\nlook at {}, then open {}\n", name(&written.with_file_name("map.png")), name(written));
    }
    if output.json { print_json(&summary::json(outcome)) } else { print(&text) }?;
    Ok(if outcome.faults.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(FAULTS) })
}
