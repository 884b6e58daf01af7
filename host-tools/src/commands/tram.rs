//! `gapgrid tram`: how far to turn which screw.

use std::path::PathBuf;

use anyhow::bail;
use clap::Args;
use gapkeeper::{Hold, MAX_THREAD_UM, MIN_THREAD_UM, Screw, ScrewAdvice, TramAdvice};
use gapkeeper_host_tools::flatness::places;
use gapkeeper_host_tools::grid_file::{GridFormat, read_readings};
use gapkeeper_host_tools::printed::print;

use super::input;
use super::length::{place_um, whole_um};

/// Say how far to turn which screw to take the tilt out, and what no screw takes out.
///
/// From a grid, or from a table of readings at any places: CSV with x_um,y_um,height_um. Which way to turn a screw to
/// raise the bed depends on the machine. Turning any screw makes every grid stale: measure anew afterwards.
#[derive(Args)]
#[command(after_help = "Examples:\n  \
    gapgrid tram grid.json --screw 30,30 --screw 190,30 --screw 30,190 --screw 190,190 --thread 0.7 --hold 1\n  \
    gapgrid tram corners.csv --screw 30,30 --screw 190,30 --screw 110,190 --thread 0.5 --hold highest\n\n\
    Coarse threads (ISO 261) rise by 0.5 mm a turn as M3, 0.7 as M4, 0.8 as M5; measure yours.\n\
    A bed that was heated burns, and so does the nozzle: let both cool down before you reach for the screws.")]
pub struct Arguments {
    /// The grid, or the table of readings
    readings: PathBuf,
    /// X,Y of a screw in mm; once for each screw, in your order
    #[arg(long = "screw", value_name = "X,Y", value_parser = place_um, required = true, allow_hyphen_values = true)]
    screws: Vec<(i32, i32)>,
    /// Rise of one turn, mm; once for all screws, or once for each
    #[arg(long = "thread", value_name = "MM", value_parser = thread_um, required = true)]
    threads: Vec<u16>,
    /// Screw to leave as it is: its number from 1, `highest` or `lowest`; or the height to bring all to, such as 0.1mm
    #[arg(long, value_name = "WHAT", value_parser = hold)]
    hold: Hold,
    /// The plate is too thick to twist: tilt alone, also with four screws or more
    #[arg(long)]
    rigid: bool,
}

/// Prints the advice.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let readings = match GridFormat::of(&arguments.readings)? {
        GridFormat::Csv => read_readings(&arguments.readings)?.into_iter().map(|reading| reading.at).collect(),
        _ => places(&input::grid(&arguments.readings)?.grid),
    };
    let screws = screws(arguments)?;
    let advice = if arguments.rigid {
        TramAdvice::rigid(readings, &screws, arguments.hold)?
    } else {
        TramAdvice::new(readings, &screws, arguments.hold)?
    };
    let mut text: String =
        screws.iter().zip(advice.screws()).map(|(screw, turn)| sentence(screw, turn) + "\n").collect();
    let (left, (slope_x, slope_y)) = (advice.residual(), advice.plane().slope_um_per_m());
    text += &format!("the bed leans by {slope_x} um per m along X and {slope_y} um per m along Y\n");
    if advice.takes_out_twist() {
        text += "tilt and twist are taken out; --rigid for a plate too thick to twist\n";
    } else if screws.len() > 3 && !arguments.rigid {
        text += "the readings do not tell the twist, so tilt alone is taken out: read nearer to the screws\n";
    }
    text += &format!(
        "no screw takes out what is left: {} um from the lowest ({}) to the highest ({:+}), RMS {}\n",
        left.peak_to_valley_um, left.lowest_um, left.highest_um, left.rms_um
    );
    Ok(print(&text)?)
}

fn screws(arguments: &Arguments) -> anyhow::Result<Vec<Screw>> {
    let (places, threads) = (&arguments.screws, &arguments.threads);
    if threads.len() != 1 && threads.len() != places.len() {
        bail!("{} threads for {} screws\n  give one for all, or one for each", threads.len(), places.len());
    }
    let threads = threads.iter().cycle();
    let screw = |(&(x_um, y_um), &thread_um_per_turn): (&(i32, i32), &u16)| Screw { x_um, y_um, thread_um_per_turn };
    Ok(places.iter().zip(threads).map(screw).collect())
}

/// The rise of one turn, in the range that the core takes.
fn thread_um(text: &str) -> Result<u16, String> {
    let thread_um = u16::try_from(whole_um(text)?).ok().filter(|um| (MIN_THREAD_UM..=MAX_THREAD_UM).contains(um));
    let mm = |um: u16| f64::from(um) / 1000.0;
    thread_um.ok_or_else(|| format!("give {} to {} mm", mm(MIN_THREAD_UM), mm(MAX_THREAD_UM)))
}

/// `screw 2 at x 190, y 30 mm: raise the bed 112 um, 0.160 turn (58 degrees)`.
fn sentence(screw: &Screw, turn: &ScrewAdvice) -> String {
    let mm = |um: i32| f64::from(um) / 1000.0;
    let place = format!("screw {} at x {}, y {} mm", u16::from(turn.screw) + 1, mm(screw.x_um), mm(screw.y_um));
    if turn.raise_um == 0 {
        return format!("{place}: hold");
    }
    let way = if turn.raise_um < 0 { "lower" } else { "raise" };
    let (turns, degrees) =
        (f64::from(turn.raise_milliturns.abs()) / 1000.0, f64::from(turn.raise_decidegrees.abs()) / 10.0);
    format!("{place}: {way} the bed {} um, {turns:.3} of a turn ({degrees:.0} degrees)", turn.raise_um.abs())
}

fn hold(text: &str) -> Result<Hold, String> {
    let number = || text.parse::<u8>().ok().and_then(|number| number.checked_sub(1));
    match text {
        "highest" => Ok(Hold::Highest),
        "lowest" => Ok(Hold::Lowest),
        _ => match text.strip_suffix("mm") {
            Some(height) => whole_um(height.trim_end()).map(|target_um| Hold::Height { target_um }),
            None => number().map(Hold::Screw).ok_or_else(|| {
                "give the number of a screw, counted from 1, or highest, lowest, or a height such as 0.1mm".to_owned()
            }),
        },
    }
}
