//! `gapgrid next`: where the next reading belongs.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{anyhow, bail};
use clap::Args;
use gapkeeper_host_tools::check::CheckSettings;
use gapkeeper_host_tools::estimate::{Area, Band, BandPlace};
use gapkeeper_host_tools::job::{FirstLayerHeights, JobError, JobEvent, LowestPrint, ReadingOptions, walk};
use gapkeeper_host_tools::printed::{name, print};
use gapkeeper_host_tools::{FileError, Watched};

use super::length::place_um;
use super::readings::{HandOption, readings};

/// Places along each axis of an area without a job.
const PLACES: u8 = 15;
/// Side of a cell of the job's first layer: many readings make each of them dear.
const CELL_MM: f64 = 2.0;
/// The ends of no places.
const NOWHERE: Area = [(f64::INFINITY, f64::INFINITY), (f64::NEG_INFINITY, f64::NEG_INFINITY)];

/// Say where one more reading makes the surface surest, how much it helps, and when to stop.
///
/// The surface is that of gapgrid estimate. Looked at is the first layer of the job, else the whole area. What counts
/// is the least sure place: half the width of the band that holds the bed with 95 %.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid next grid.json --job tray.gcode\n  \
    gapgrid next readings.csv --from 5,5 --to 225,195 --tolerance-um 40 --count 8\n\n\
    Exit codes: 0 sure enough, 1 read more, 2 it cannot be told.")]
pub struct Arguments {
    /// The readings so far: a table, or a grid document that has kept its readings
    readings: PathBuf,
    /// The job whose first layer is to be sure (default: the whole area)
    #[arg(long, value_name = "FILE")]
    job: Option<PathBuf>,
    /// Where the program's zero lies in the grid, mm
    #[arg(long, value_name = "X,Y", value_parser = place_um, allow_hyphen_values = true)]
    origin: Option<(i32, i32)>,
    /// Smallest X,Y where a reading can be taken, mm (default: that of the job or the readings)
    #[arg(long, value_name = "X,Y", value_parser = place_um, allow_hyphen_values = true, requires = "to")]
    from: Option<(i32, i32)>,
    /// Largest X,Y where a reading can be taken, mm
    #[arg(long, value_name = "X,Y", value_parser = place_um, allow_hyphen_values = true, requires = "from")]
    to: Option<(i32, i32)>,
    #[command(flatten)]
    hand: HandOption,
    /// Largest allowed error of the surface
    #[arg(long, value_name = "UM", default_value_t = CheckSettings::default().tolerance_um)]
    tolerance_um: u16,
    /// Most readings to look ahead, up to 30
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u8).range(1..=30))]
    count: u8,
}

/// Prints the next readings; the exit code tells whether there are any.
pub fn run(arguments: &Arguments) -> anyhow::Result<ExitCode> {
    let path = &arguments.readings;
    let readings = readings(path)?;
    let estimate = readings.estimate(arguments.hand.hand()).map_err(|error| anyhow!("{}: {error}", name(path)))?;
    let read = ends(readings.all().iter().map(|reading| (reading.at.x_um.into(), reading.at.y_um.into())));
    let stated = match (arguments.from, arguments.to) {
        (Some(from), Some(to)) if from.0 < to.0 && from.1 < to.1 => Some([from, to].map(|(x, y)| (x.into(), y.into()))),
        (Some(_), Some(_)) => {
            bail!("--to is not to the right of and behind --from\n  give the two corners of the area")
        }
        _ => None,
    };
    let (what, mut targets) = match &arguments.job {
        Some(job) => (
            "first layer",
            first_layer(job, arguments.origin, beyond(ends(read.into_iter().chain(stated.into_iter().flatten()))))?,
        ),
        None => ("surface", everywhere(stated.unwrap_or(read))),
    };
    let area = stated.unwrap_or_else(|| ends(targets.iter().copied()));
    let tolerance_um = f64::from(arguments.tolerance_um);
    let Some(Band { worst: BandPlace { x_um, y_um, .. }, .. }) = Band::at(&estimate, None, &targets, tolerance_um)
    else {
        bail!("{}: there is no place to look at", name(path));
    };
    // Of many places some are looked at: this one in any case.
    targets.insert(0, (x_um, y_um));
    let (now_um, next) = estimate.next_readings(&targets, area, tolerance_um, arguments.count.into());
    let mm = |um: f64| (um / 100.0).round() / 10.0;
    let mut text =
        format!("the {what} lies within ±{now_um:.0} um with 95 %; least sure is x {}, y {} mm\n", mm(x_um), mm(y_um));
    let mut last_um = now_um;
    for (number, reading) in (1..).zip(&next) {
        let (x, y, worst_um) = (mm(reading.x_um), mm(reading.y_um), reading.worst_um);
        text += &format!("{number}. read x {x}, y {y} mm: ±{last_um:.0} um becomes ±{worst_um:.0} um\n");
        last_um = worst_um;
    }
    text += &match (next.len(), last_um <= tolerance_um) {
        (0, _) => format!("stop: that is within ±{tolerance_um} um\n"),
        (count, true) => {
            format!("after {count} more the {what} should lie within ±{tolerance_um} um with 95 %: ask again then\n")
        }
        (_, false) => format!(
            "that is still more than ±{tolerance_um} um: go on after them (--count), or read with a lighter hand\n"
        ),
    };
    print(&text)?;
    Ok(if next.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// Places of the job's first layer, all of which must lie within reach.
fn first_layer(path: &Path, origin: Option<(i32, i32)>, reach: Area) -> anyhow::Result<Vec<(f64, f64)>> {
    let file = File::open(path).map_err(FileError::input(path))?;
    let nm = |um: i32| Some(i64::from(um) * 1000);
    let origin_nm = origin.map_or([None; 3], |(x_um, y_um)| [nm(x_um), nm(y_um), None]);
    let reading = ReadingOptions { lenient: true, origin_nm, ..ReadingOptions::default() };
    let [low, high] = reach.map(|(x_um, y_um)| (x_um / 1000.0, y_um / 1000.0));
    let heights = FirstLayerHeights::default();
    let mut lowest = LowestPrint::new([[low.0, high.0], [low.1, high.1]], heights, CELL_MM);
    let mut printed = NOWHERE;
    walk::<JobError>(&name(path), Watched::new(file), reading, |event| {
        match &event {
            JobEvent::ExtrudesAfterAll => printed = NOWHERE,
            JobEvent::Move(job_move) if job_move.prints && heights.may_hold(&job_move.motion) => {
                let ways = [job_move.motion.start, job_move.motion.end];
                let mm = ways.map(|point| (f64::from(point.x_um) / 1000.0, f64::from(point.y_um) / 1000.0));
                printed = extended(printed, mm.into_iter());
            }
            _ => {}
        }
        lowest.take(&event);
        Ok(())
    })?;
    let [from, to] = printed;
    if from.0 > to.0 {
        bail!(
            "{}: nothing is printed at {} mm or below\n  give the job whose first layer is meant",
            name(path),
            heights.to_mm
        );
    }
    if from.0 < low.0 || from.1 < low.1 || to.0 > high.0 || to.1 > high.1 {
        bail!(
            "{}: its first layer lies far from the readings: it reaches from x {}, y {} to x {}, y {} mm\n  \
             look whether both have one zero (--origin), or state where readings can be taken (--from, --to)",
            name(path),
            from.0,
            from.1,
            to.0,
            to.1
        );
    }
    Ok(lowest.middles_mm().map(|[x_mm, y_mm]| (1000.0 * x_mm, 1000.0 * y_mm)).collect())
}

/// Half a span on every side: farther out the readings tell nothing.
fn beyond([low, high]: Area) -> Area {
    let (x_um, y_um) = ((high.0 - low.0) / 2.0, (high.1 - low.1) / 2.0);
    [(low.0 - x_um, low.1 - y_um), (high.0 + x_um, high.1 + y_um)]
}

/// Places all over an area.
fn everywhere([from, to]: Area) -> Vec<(f64, f64)> {
    let share = |place: u8| f64::from(place) / f64::from(PLACES - 1);
    let along = |from_um: f64, to_um: f64, place| from_um + (to_um - from_um) * share(place);
    let places = (0..PLACES).flat_map(|row| (0..PLACES).map(move |column| (column, row)));
    places.map(|(column, row)| (along(from.0, to.0, column), along(from.1, to.1, row))).collect()
}

/// The smallest and the largest X and Y.
fn ends(places: impl Iterator<Item = (f64, f64)>) -> Area {
    extended(NOWHERE, places)
}

fn extended(area: Area, places: impl Iterator<Item = (f64, f64)>) -> Area {
    places.fold(area, |[low, high], (x, y)| [(low.0.min(x), low.1.min(y)), (high.0.max(x), high.1.max(y))])
}
