//! `gapgrid patches`: printed patches that tell the gap.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, anyhow, bail};
use clap::Args;
use gapkeeper::HeightGrid;
use gapkeeper_host_tools::check::CheckSettings;
use gapkeeper_host_tools::estimate::{Band, Estimate};
use gapkeeper_host_tools::flatness::places;
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument, StationReading, SurfaceChoice};
use gapkeeper_host_tools::patches::{PatchForm, PatchReadings, PatchSettings};
use gapkeeper_host_tools::printed::{name, print};
use gapkeeper_host_tools::{FileError, write_all_atomically};

use super::lattice::LatticeOptions;
use super::length::whole_um;
use super::readings::HandOption;
use super::surface::SurfaceOption;
use super::{input, output};

/// Print patches of one layer, measure how thick they are, and correct the grid by that.
///
/// Without --read: a job with patches at the nodes of --nodes, and a form. Print the job with this grid in force
/// (through gapgrid apply, where the controller has no grid), let it cool down, measure each patch in its middle with a
/// calliper or a micrometer, and fill in the last column in millimetres. With --read: the form's readings and those
/// that the grid has kept become a new grid with a shift of 0; a patch that is too thin or too thick to tell the gap is
/// left out. A form of another grid is taken as long as that put the nozzle within 50 um of where this one does.
#[derive(Args)]
#[command(after_help = "Examples:\n  \
    gapgrid patches grid.json --nodes 4x4 --start start.gcode --end end.gcode --form patches.csv -o patches.gcode\n  \
    gapgrid patches grid.json --read patches.csv -o better.json\n\n\
    The start must home, heat and leave the nozzle primed; stay beside the machine with a hand at its switch. Let the bed \
    cool down before you take the patches off.")]
pub struct Arguments {
    /// The grid that is in force while they are printed
    grid: PathBuf,
    /// The form, filled in: compute the new grid
    #[arg(long, value_name = "FILE", conflicts_with_all = ["form", "start", "end"])]
    read: Option<PathBuf>,
    /// Write the form to this file, CSV
    #[arg(long, value_name = "FILE", required_unless_present = "read")]
    form: Option<PathBuf>,
    /// Lines that begin a job on this machine (default: none)
    #[arg(long, value_name = "FILE")]
    start: Option<PathBuf>,
    /// Lines that end a job on this machine (default: none)
    #[arg(long, value_name = "FILE")]
    end: Option<PathBuf>,
    #[command(flatten)]
    lattice: LatticeOptions,
    /// Thickness of the layer
    #[arg(long, value_name = "MM", value_parser = positive_um, default_value = "0.3")]
    layer_mm: u32,
    /// Width of a line
    #[arg(long, value_name = "MM", value_parser = positive_um, default_value = "0.45")]
    line_mm: u32,
    /// Diameter of the filament
    #[arg(long, value_name = "MM", value_parser = positive_um, default_value = "1.75")]
    filament_mm: u32,
    /// Side of a patch
    #[arg(long, value_name = "MM", value_parser = positive_um, default_value = "12")]
    size_mm: u32,
    /// Standard deviation of a measured thickness, for --read
    #[arg(long, value_name = "UM", default_value_t = 10, value_parser = clap::value_parser!(u16).range(1..=200))]
    spread_um: u16,
    #[command(flatten)]
    hand: HandOption,
    #[command(flatten)]
    surface: SurfaceOption,
    /// The job to write; with --read the new grid
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
}

/// Writes job and form, or the new grid.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let document = input::grid(&arguments.grid)?;
    match &arguments.read {
        Some(form) => read(arguments, &document, form),
        None => make(arguments, &document),
    }
}

/// The surface that is in force while patches are printed.
fn in_force(arguments: &Arguments, document: &GridDocument) -> anyhow::Result<(SurfaceChoice, HeightGrid<CAPACITY>)> {
    let choice = document.surface_choice(arguments.surface.asked());
    let surface = document.surface_grid(choice.surface).map_err(|error| {
        anyhow!("{}: {error}\n  print with the bilinear one (--surface bilinear)", name(&arguments.grid))
    })?;
    Ok((choice, surface))
}

fn make(arguments: &Arguments, document: &GridDocument) -> anyhow::Result<()> {
    let (choice, surface) = in_force(arguments, document)?;
    let settings = PatchSettings {
        layer_um: arguments.layer_mm,
        line_um: arguments.line_mm,
        filament_um: arguments.filament_mm,
        size_um: arguments.size_mm,
        ..PatchSettings::default()
    };
    // Without any other, within the grid's own area.
    let nodes: Vec<StationReading> =
        places(&document.grid).into_iter().map(|at| StationReading { at, spread_um: None }).collect();
    let middles = arguments.lattice.over_with((4, 4), &nodes)?;
    let (form, job) = settings.job(document, &surface, middles)?;
    let own = |path: &Option<PathBuf>| path.as_deref().map_or_else(|| Ok(String::new()), text);
    let job = format!("{}{job}{}", own(&arguments.start)?, own(&arguments.end)?);
    // Required without --read.
    let form_path = arguments.form.clone().context("no file for the form\n  give --form")?;
    if form_path == arguments.output {
        bail!("{}: job and form cannot be one file\n  choose another", name(&form_path));
    }
    write_all_atomically(&[(arguments.output.clone(), job.into_bytes()), (form_path, form.text().into_bytes())])?;
    Ok(print(&format!("{} patches, to be printed with the surface {choice}\n", form.rows.len()))?)
}

fn read(arguments: &Arguments, document: &GridDocument, path: &Path) -> anyhow::Result<()> {
    let of_form = |error: &dyn std::fmt::Display| anyhow!("{}: {error}", name(path));
    let form = PatchForm::parse(&text(path)?).map_err(|error| of_form(&error))?;
    let (_, surface) = in_force(arguments, document)?;
    let apart_um = form.farthest_from_um(document, &surface).map_err(|error| of_form(&error))?;
    let told = PatchReadings::of(&form, arguments.spread_um).map_err(|error| of_form(&error))?;
    told.are_new_to(document).map_err(|error| of_form(&error))?;
    let hand = arguments.hand.hand();
    let readings = told.with_older(document, hand);
    let estimate = Estimate::with_older(&readings, &document.older, hand).map_err(|error| of_form(&error))?;
    let grid = estimate
        .grid(document.grid.lattice())
        .map_err(|error| of_form(&format!("{error}\n  look at the thicknesses, and at the grid")))?;
    let band = Band::over(&estimate, &grid, CheckSettings::default().tolerance_um.into());
    let document = GridDocument { shift_um: 0, readings, grid, ..document.clone() };
    output::write(&arguments.output, &document, None)?;
    let mut report = String::new();
    if apart_um > 0 {
        report += &format!(
            "the patches were not printed with this grid and surface: the nozzle was up to {apart_um} um from where they \
             put it\n"
        );
    }
    for untold in &told.untold {
        let why = if untold.is_thin {
            "too thin: the nozzle was too close to feed"
        } else {
            "too thick: its lines lie loose"
        };
        report += &format!("patch {} is left out, {} um: {why}\n", untold.number, untold.thickness_um);
    }
    if told.unmeasured > 0 {
        report += &format!("{} patches are not measured\n", told.unmeasured);
    }
    report += &format!(
        "{} patches, {:+.0} um off on the mean: the old grid as it is asks for a shift of {:+.0} ± {:.0} um (95 %); the new one \
         holds it, with a shift of 0\n",
        told.readings.len(),
        -told.shift_um,
        told.shift_um,
        1.96 * told.shift_deviation_um
    );
    report += &band.map_or_else(String::new, |band| format!("{band}\n"));
    Ok(print(&report)?)
}

/// A text with a line end.
fn text(path: &Path) -> anyhow::Result<String> {
    let mut text = fs::read_to_string(path).map_err(FileError::input(path))?;
    if !text.is_empty() && !text.ends_with('\n') {
        text.push('\n');
    }
    Ok(text)
}

fn positive_um(text: &str) -> Result<u32, String> {
    let um = whole_um(text)?;
    u32::try_from(um).ok().filter(|um| *um > 0).ok_or_else(|| "give a length above 0".to_owned())
}
