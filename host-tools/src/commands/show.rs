//! `gapgrid show`: a grid in the terminal, or as a picture.

use std::env;
use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};

use anyhow::{anyhow, bail};
use clap::Args;
use gapkeeper_host_tools::check::{CheckReport, CheckSettings, check};
use gapkeeper_host_tools::picture::png;
use gapkeeper_host_tools::picture::svg::shortened;
use gapkeeper_host_tools::printed::{name, one_line, print, print_bytes};
use gapkeeper_host_tools::show::{map_svg, shaded, table};
use gapkeeper_host_tools::{FileError, write_atomically};

use super::input;
use super::surface::SurfaceOption;

/// Show the heights of a grid and the surface between them.
///
/// In a terminal: a table and a picture of characters, in colour unless NO_COLOR is set. With --out: a map with contour
/// lines.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid show grid.json\n  gapgrid show grid.json --out map.svg\n  \
    gapgrid show grid.csv --surface bilinear --out map.png")]
pub struct Arguments {
    /// The grid: a complete file, such as a JSON document
    grid: PathBuf,
    /// Draw a map into this file instead, .svg or .png
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    surface: SurfaceOption,
}

/// Px of a PNG for each px of the SVG.
const PNG_SCALE: f32 = 2.0;

/// Prints or draws the grid.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let kind = arguments.out.as_deref().map(picture_kind).transpose()?;
    let document = input::grid(&arguments.grid)?;
    let choice = document.surface_choice(arguments.surface.asked());
    let surface = document.surface_grid(choice.surface).map_err(|error| {
        anyhow!("{}: no refined surface: {error}\n  show the bilinear one (--surface bilinear)", name(&arguments.grid))
    })?;
    let settings = CheckSettings { surface: arguments.surface.asked(), ..CheckSettings::default() };
    let (advice, why) = advice(&check(&document, &settings));
    let because = why.as_ref().map_or_else(String::new, |why| format!(": {why}"));
    if let (Some(path), Some(kind)) = (&arguments.out, kind) {
        let name = arguments.grid.file_name().unwrap_or_default().to_string_lossy();
        let about =
            why.map_or_else(String::new, |why| format!("{why} · ").replace(" um", " µm")) + &shortened(&name, 40);
        let svg = map_svg(&one_line(&advice), &one_line(&about), &document.grid, &surface);
        let bytes = match kind {
            Picture::Svg => svg.into_bytes(),
            Picture::Png => png(&svg, PNG_SCALE)?,
        };
        write_atomically(path, &bytes).map_err(FileError::output(path))?;
        return Ok(print(&format!("{advice}{because}\nsurface: {choice}\n"))?);
    }
    let is_coloured = io::stdout().is_terminal() && colour_is_welcome();
    let heights = format!("{}\n{}", table(&document.grid), shaded(&surface, is_coloured));
    let text = format!("{heights}\n{advice}{because}\nsurface: {choice}\n");
    // Numbers and our own colours: nothing of it comes from a file.
    Ok(print_bytes(text.as_bytes())?)
}

/// What to do first, and why: of what speaks against the grid, the gravest that was found first.
fn advice(report: &CheckReport) -> (String, Option<String>) {
    let gravest = report.verdicts.iter().rev().max_by_key(|verdict| verdict.finding.severity());
    let Some(verdict) = gravest else { return ("Nothing speaks against this grid".to_owned(), None) };
    let mut remedy = verdict.finding.remedy();
    if let Some(first) = remedy.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    let place = verdict.place.map_or_else(String::new, |place| format!("{place}: "));
    (remedy, Some(format!("{place}{}", verdict.finding)))
}

/// The common agreements: NO_COLOR with any value but an empty one, and a terminal that calls itself dumb.
fn colour_is_welcome() -> bool {
    env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
        && env::var_os("TERM").is_none_or(|term| term != "dumb")
}

#[derive(Clone, Copy)]
enum Picture {
    Svg,
    Png,
}

fn picture_kind(path: &Path) -> anyhow::Result<Picture> {
    let is = |extension: &str| path.extension().is_some_and(|found| found.eq_ignore_ascii_case(extension));
    if is("svg") {
        Ok(Picture::Svg)
    } else if is("png") {
        Ok(Picture::Png)
    } else {
        bail!("{}: pictures are .svg or .png\n  choose one of these extensions", name(path))
    }
}
