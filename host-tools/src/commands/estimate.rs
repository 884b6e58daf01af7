//! `gapgrid estimate`: a grid from readings at any places.

use std::path::PathBuf;

use anyhow::{anyhow, bail};
use clap::Args;
use gapkeeper::TIE_LIMIT_UM;
use gapkeeper_host_tools::check::CheckSettings;
use gapkeeper_host_tools::estimate::{Band, Estimate, TieCheck};
use gapkeeper_host_tools::grid_file::{GridDocument, plate_name};
use gapkeeper_host_tools::printed::{name, one_line, print};

use super::lattice::LatticeOptions;
use super::older::{OlderOptions, Origin};
use super::output;
use super::readings::{HandOption, PlateReadings, readings};

/// So many times the drift that was stated, and older surveys count for little.
const MUCH: f64 = 3.0;

/// Compute a grid from readings at any places, and print how sure it is.
///
/// Plane, twist and bow pass as they are; the rest is smoothed by what the readings show of the bed's roughness and of
/// the hand. Readings are a table, CSV with x_um,y_um,height_um in whole micrometres and any number of readings of one
/// place; a fourth column, spread_um, is for readings whose own standard deviation is known. They are kept in a .json
/// grid.
///
/// With --older, surveys of the same plate from before its screws were turned count as well: the newest readings tell
/// plane and twist, all of them the shape. Then five readings are enough, near the screws and in the middle, as long as
/// the shape held.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid estimate readings.csv -o grid.json\n  \
    gapgrid estimate readings.csv --hand-um 15 --nodes 9x7 --from 10,10 --to 210,190 -o grid.json\n  \
    gapgrid estimate five.csv --bed-temperature 60 --older grid.json -o now.json\n\n\
    A bed that was heated burns, and so does the nozzle: read with care, and keep the hand at the switch.")]
pub struct Arguments {
    /// The readings: a table, or a grid document that has kept its readings
    readings: PathBuf,
    #[command(flatten)]
    older: OlderOptions,
    #[command(flatten)]
    hand: HandOption,
    #[command(flatten)]
    lattice: LatticeOptions,
    /// Bed temperature while the readings were taken
    #[arg(long, value_name = "C", allow_hyphen_values = true)]
    bed_temperature: Option<i16>,
    /// Name of the plate, if there are several
    #[arg(long, value_name = "NAME", value_parser = plate_name)]
    plate: Option<String>,
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
    let mut readings = readings(path)?;
    let known = readings.document.take();
    if let (Some(stated_c), Some(known_c)) =
        (arguments.bed_temperature, known.as_ref().and_then(|known| known.bed_temperature_c))
        && stated_c != known_c
    {
        bail!(
            "{}: the file says that it was measured at {known_c} °C, not at {stated_c} °C\n  leave out --bed-temperature, or \
             correct bed_temperature_c in the file if that is wrong",
            name(path)
        );
    }
    if let (Some(stated), Some(known)) = (&arguments.plate, known.as_ref().and_then(|known| known.plate.as_ref()))
        && stated != known
    {
        bail!(
            "{}: the file says that it is of the plate {}, not of {}\n  leave out --plate, or correct plate in the file if \
             that is wrong",
            name(path),
            one_line(known),
            one_line(stated)
        );
    }
    let bed_temperature_c =
        arguments.bed_temperature.or_else(|| known.as_ref().and_then(|known| known.bed_temperature_c));
    let plate = arguments.plate.clone().or_else(|| known.as_ref().and_then(|known| known.plate.clone()));
    let origin = Origin { path, plate: plate.as_deref(), bed_temperature_c };
    let older = arguments.older.add(&mut readings, origin)?;
    let of_file = |error: &dyn std::fmt::Display| anyhow!("{}: {error}", name(path));
    let hand = arguments.hand.hand();
    let estimate = readings.estimate(hand).map_err(|error| of_file(&error))?;
    let grid = estimate.grid(arguments.lattice.over(&readings.all())?).map_err(|error| {
        of_file(&format!("{error}\n  look at the readings (gapgrid tram), and at --nodes, --from and --to"))
    })?;
    let band = Band::over(&estimate, &grid, arguments.tolerance_um.into());
    // A table says nothing of the machine; an older document does.
    let table = || {
        let (fade, lowest_machine_z_um) = older.map_or((None, None), |older| (older.fade, older.lowest_machine_z_um));
        GridDocument { fade, lowest_machine_z_um, ..GridDocument::of_heights(grid.clone()) }
    };
    let document = known.unwrap_or_else(table);
    let PlateReadings { newest: readings, older, .. } = readings;
    let document = GridDocument { bed_temperature_c, plate, readings, older, grid, ..document };
    let tie = TieCheck::of_newest(&document, hand).map_err(|error| of_file(&error))?;
    if let Some(TieCheck { residual_um, .. }) = tie.filter(|tie| !tie.holds()) {
        bail!(
            "{}: the shape is off by {residual_um:.0} um from that of the older surveys, more than {TIE_LIMIT_UM}: it did not \
             hold, or a reading is wrong\n  survey the whole bed",
            name(path)
        );
    }
    output::write(&arguments.output, &document, None)?;
    let band = band.map_or_else(String::new, |band| format!("{band}\n"));
    Ok(print(&format!("{}{band}", made_of(&document, &estimate, tie)))?)
}

/// What older surveys a grid was made of, and whether its shape held.
fn made_of(document: &GridDocument, estimate: &Estimate, tie: Option<TieCheck>) -> String {
    let GridDocument { readings, older, .. } = document;
    if older.readings.is_empty() {
        return String::new();
    }
    let of_older: usize = older.readings.iter().map(Vec::len).sum();
    let mut text = format!(
        "plane and twist of {} readings; shape also of {of_older} readings of {} older survey{}\n",
        readings.len(),
        older.readings.len(),
        if older.readings.len() == 1 { "" } else { "s" }
    );
    match tie {
        Some(TieCheck { residual_um, .. }) => {
            text += &format!("the shape held: residual {residual_um:.0} um, up to {TIE_LIMIT_UM} is allowed\n");
        }
        None => {
            let (found_um, stated_um) = (estimate.drift_um(), older.drift_um);
            text += &format!(
                "the shape drifts by about {found_um:.0} um from survey to survey; {stated_um} um were stated\n"
            );
            if found_um > MUCH * f64::from(stated_um) {
                text += "the older surveys have another shape and count for little: leave them out\n";
            }
        }
    }
    text
}
