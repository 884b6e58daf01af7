//! `gapgrid shift`: a grid raised or lowered.

use std::path::PathBuf;

use anyhow::{anyhow, bail};
use clap::Args;
use gapkeeper::Correction;
use gapkeeper_host_tools::check::{CheckSettings, Finding};
use gapkeeper_host_tools::grid_file::GridFormat;
use gapkeeper_host_tools::printed::{name, print};

use super::length::whole_um;
use super::{input, output};

/// Raise or lower a whole grid: the distance is added to its shift.
///
/// Readings stay what they are. A positive distance moves the nozzle away from the bed.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid shift grid.json 0.05 -o grid-shifted.json\n  \
    gapgrid shift grid.json -0.02 -o grid-shifted.json\n\n\
    A shift that is too low drives the nozzle into the bed: try it with the nozzle cold and a hand at the switch.")]
pub struct Arguments {
    /// The grid: a complete file, such as a JSON document
    grid: PathBuf,
    /// Distance in mm; positive: away from the bed
    #[arg(value_name = "MM", value_parser = whole_um, allow_hyphen_values = true)]
    distance: i32,
    /// The grid to write: .json or .gkr, since other formats have no place for a shift
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
}

/// Adds to the shift.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let format = GridFormat::of(&arguments.output)?;
    if !matches!(format, GridFormat::Json | GridFormat::Record) {
        bail!("{}: the format has no place for a shift\n  write .json or .gkr", name(&arguments.output));
    }
    let mut reading = input::reading(&arguments.grid)?;
    let shift_um = reading.document.shift_um.saturating_add(arguments.distance);
    Correction::new(reading.document.grid.clone())
        .with_shift(shift_um)
        .map_err(|error| anyhow!("{}: {error}\n  choose a smaller distance", name(&arguments.grid)))?;
    reading.document.shift_um = shift_um;
    output::write(&arguments.output, &reading.document, reading.setup)?;
    if shift_um.unsigned_abs() > CheckSettings::default().shift_limit_um.into() {
        let finding = Finding::Shift { shift_um };
        print(&format!("{}: {finding}\n  {}\n", finding.severity(), finding.remedy()))?;
    }
    Ok(())
}
