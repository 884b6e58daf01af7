//! `gapgrid estimate`: a grid from readings at any places.

use std::path::PathBuf;

use anyhow::anyhow;
use clap::Args;
use gapkeeper_host_tools::check::CheckSettings;
use gapkeeper_host_tools::estimate::{Band, Estimate};
use gapkeeper_host_tools::grid_file::GridDocument;
use gapkeeper_host_tools::printed::{name, print};

use super::lattice::LatticeOptions;
use super::output;
use super::readings::{HandOption, readings};

/// Compute a grid from readings at any places, and print how sure it is.
///
/// Plane, twist and bow pass as they are; the rest is smoothed by what the readings show of the bed's roughness and of
/// the hand. Readings are a table, CSV with x_um,y_um,height_um in whole micrometres and any number of readings of one
/// place; a fourth column, spread_um, is for readings whose own standard deviation is known. They are kept in a .json
/// grid.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid estimate readings.csv -o grid.json\n  \
    gapgrid estimate readings.csv --hand-um 15 --nodes 9x7 --from 10,10 --to 210,190 -o grid.json\n\n\
    A bed that was heated burns, and so does the nozzle: read with care, and keep the hand at the switch.")]
pub struct Arguments {
    /// The readings: a table, or a grid document that has kept its readings
    readings: PathBuf,
    #[command(flatten)]
    hand: HandOption,
    #[command(flatten)]
    lattice: LatticeOptions,
    /// Bed temperature while the readings were taken
    #[arg(long, value_name = "C", allow_hyphen_values = true)]
    bed_temperature: Option<i16>,
    /// Largest allowed error of the surface
    #[arg(long, value_name = "UM", default_value_t = CheckSettings::default().tolerance_um)]
    tolerance_um: u16,
    /// The grid to write; its extension tells the format
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
}

/// Reads the readings and writes the grid.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let path = &arguments.readings;
    let (readings, document) = readings(path)?;
    let of_file = |error: &dyn std::fmt::Display| anyhow!("{}: {error}", name(path));
    let estimate = Estimate::new(&readings, arguments.hand.hand()).map_err(|error| of_file(&error))?;
    let lattice = arguments.lattice.over(&readings)?;
    let grid = estimate.grid(lattice).map_err(|error| {
        of_file(&format!("{error}\n  look at the readings (gapgrid tram), and at --nodes, --from and --to"))
    })?;
    let band = Band::over(&estimate, &grid, arguments.tolerance_um.into());
    let document = document.unwrap_or_else(|| GridDocument::of_heights(grid.clone()));
    let bed_temperature_c = arguments.bed_temperature.or(document.bed_temperature_c);
    let document = GridDocument { bed_temperature_c, readings, grid, ..document };
    output::write(&arguments.output, &document, None)?;
    Ok(print(&band.map_or_else(String::new, |band| format!("{band}\n")))?)
}
