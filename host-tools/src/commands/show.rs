//! `gapgrid show`: a grid in the terminal, or as a picture.

use std::env;
use std::fmt::Display;
use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};

use anyhow::anyhow;
use clap::Args;
use gapkeeper::HeightGrid;
use gapkeeper_host_tools::check::{CheckReport, CheckSettings, check};
use gapkeeper_host_tools::estimate::{Band, Estimate};
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument};
use gapkeeper_host_tools::picture::svg::shortened;
use gapkeeper_host_tools::printed::{name, one_line, print, print_bytes};
use gapkeeper_host_tools::show::{PictureFile, Shown, map_svg, shaded, table};

use super::input;
use super::readings::{HandOption, ReadingsOption};
use super::surface::SurfaceOption;

/// Show the heights of a grid and the surface between them.
///
/// In a terminal: a table and a picture of characters, in colour unless NO_COLOR is set. With --out: a map with contour
/// lines. With --band: how far the surface may be off, computed from the readings.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid show grid.json\n  gapgrid show grid.json --out map.svg\n  \
    gapgrid show grid.csv --surface bilinear --out map.png\n  gapgrid show grid.json --band")]
pub struct Arguments {
    /// The grid: a complete file, such as a JSON document
    grid: PathBuf,
    /// Draw a map into this file instead, .svg or .png
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    surface: SurfaceOption,
    /// Show how sure the surface is instead: half the width of the 95 % band
    #[arg(long)]
    band: bool,
    #[command(flatten)]
    readings: ReadingsOption,
    #[command(flatten)]
    hand: HandOption,
}

/// Prints or draws the grid.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let picture = arguments.out.as_deref().map(PictureFile::of).transpose()?;
    let mut document = input::grid(&arguments.grid)?;
    arguments.readings.replace(&mut document)?;
    let choice = document.surface_choice(arguments.surface.asked());
    let surface = document.surface_grid(choice.surface).map_err(|error| {
        anyhow!("{}: no refined surface: {error}\n  show the bilinear one (--surface bilinear)", name(&arguments.grid))
    })?;
    let is_coloured = io::stdout().is_terminal() && colour_is_welcome();
    if arguments.band {
        return show_band(arguments, picture, &document, &surface, is_coloured);
    }
    let (surface_asked, hand) = (arguments.surface.asked(), arguments.hand.hand());
    let settings = CheckSettings { surface: surface_asked, hand, ..CheckSettings::default() };
    let report = check(&document, &settings);
    let (advice, why) = advice(&report);
    let tie = report.tied().map_or_else(String::new, |tied| format!("tie: {tied}\n"));
    let because = why.as_ref().map_or_else(String::new, |why| format!(": {why}"));
    if let Some(picture) = picture {
        picture.write(map(&arguments.grid, (&advice, why.as_deref()), &document.grid, &surface))?;
        return Ok(print(&format!("{advice}{because}\nsurface: {choice}\n{tie}"))?);
    }
    let heights = format!("{}\n{}", table(&document.grid), shaded(&surface, is_coloured));
    let text = format!("{heights}\n{advice}{because}\nsurface: {choice}\n{tie}");
    // Numbers and our own colours: nothing of it comes from a file.
    Ok(print_bytes(text.as_bytes())?)
}

/// Prints or draws how sure the surface is.
fn show_band(
    arguments: &Arguments,
    picture: Option<PictureFile<'_>>,
    document: &GridDocument,
    surface: &HeightGrid<CAPACITY>,
    is_coloured: bool,
) -> anyhow::Result<()> {
    let path = &arguments.grid;
    let unsure = |error: &dyn Display| anyhow!("{}: it is not known how sure the surface is: {error}", name(path));
    if document.readings.is_empty() {
        return Err(unsure(
            &"the file holds no readings, and the nodes of a surface are none\n  give them (--readings)",
        ));
    }
    let estimate = Estimate::of(document, arguments.hand.hand()).map_err(|error| unsure(&error))?;
    let shown = Band::shown(&estimate, surface).map_err(|error| unsure(&error))?;
    let tolerance_um = CheckSettings::default().tolerance_um.into();
    let band = Band::over(&estimate, surface, tolerance_um);
    let about = band.map_or_else(String::new, |band| band.to_string());
    if let Some(picture) = picture {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let title = band.map_or_else(String::new, |band| band.widths().replace(" um", " µm"));
        picture.write(map_svg(Shown::Band, (&title, &one_line(&shortened(&name, 40))), &shown, &shown))?;
        return Ok(print(&format!("{about}\n"))?);
    }
    let text = format!(
        "half the width of the 95 % band in place of heights\n{}\n{}\n{about}\n",
        table(&shown),
        shaded(&shown, is_coloured)
    );
    // Numbers and our own colours: nothing of it comes from a file.
    Ok(print_bytes(text.as_bytes())?)
}

/// The map of a grid with what to do as its title.
pub(super) fn map(
    path: &Path,
    (advice, why): (&str, Option<&str>),
    grid: &HeightGrid<CAPACITY>,
    surface: &HeightGrid<CAPACITY>,
) -> String {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let about = why.map_or_else(String::new, |why| format!("{why} · ").replace(" um", " µm")) + &shortened(&name, 40);
    map_svg(Shown::Bed, (&one_line(advice), &one_line(&about)), grid, surface)
}

/// What to do first, and why: of what speaks against the grid, the gravest that was found first.
pub(super) fn advice(report: &CheckReport) -> (String, Option<String>) {
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
