//! What replays print and write.

use std::ffi::OsString;
use std::path::Path;
use std::process::ExitCode;

use clap::Args;
use gapkeeper_host_tools::job::FirstLayerHeights;
use gapkeeper_host_tools::printed::{name, print, print_json};
use gapkeeper_host_tools::program::CoresOption;
use gapkeeper_host_tools::{FileError, write_all_atomically};
use gapkeeper_sim::deposit::Squeeze;
use gapkeeper_sim::outcome::Outcome;
use gapkeeper_sim::plan::Plan;
use gapkeeper_sim::replay::Settings;
use gapkeeper_sim::setup::Setup;
use gapkeeper_sim::{picture, report, summary};

use super::FAULTS;

/// How a replay judges, and how it prints.
#[derive(Args)]
pub struct OutputOptions {
    /// Largest gap error that counts as good, within 0.75 to 1.25 of the layer thickness
    #[arg(long, value_name = "UM", default_value = "50", value_parser = tolerance)]
    pub tolerance_um: f64,
    /// Heights of the first layer (default: whatever lies on the bare bed, up to 1 mm)
    #[arg(long, value_name = "A..B")]
    pub first_layer_mm: Option<FirstLayerHeights>,
    /// Sample spacing along the path (default: as fine as the bed needs)
    #[arg(long, value_name = "MM", value_parser = positive)]
    sample_step_mm: Option<f64>,
    #[command(flatten)]
    pub cores: CoresOption,
    /// Skip the advice, which takes time
    #[arg(long)]
    no_advice: bool,
    /// Print the summary as JSON
    #[arg(long)]
    json: bool,
}

impl OutputOptions {
    /// Settings for a replay of a setup.
    pub fn settings<'a>(&self, setup: &'a Setup) -> Settings<'a> {
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

/// More than a few layers is no tolerance, and less than a micrometre is no figure.
pub fn tolerance(text: &str) -> Result<f64, String> {
    positive(text).ok().filter(|um| (1.0..=500.0).contains(um)).ok_or_else(|| "give 1 to 500 um".to_string())
}

fn positive(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|&number: &f64| number.is_finite() && number > 0.0)
        .ok_or_else(|| "give a number above 0".to_string())
}

/// Files by name, all of them made before the first is written.
pub type Files = Vec<(&'static str, Vec<u8>)>;

/// Pictures, page and summary.
pub fn pictures(outcome: &Outcome, squeeze: Option<&[Squeeze; 3]>, plan: Option<&Plan>) -> anyhow::Result<Files> {
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

/// Writes the files, prints the summary; the exit code tells whether anything is wrong with the job.
pub fn print_and_write(
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
