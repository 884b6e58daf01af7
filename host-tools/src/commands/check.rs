//! `gapgrid check`: whether a grid can be trusted and used.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::SystemTime;

use clap::Args;
use gapkeeper_host_tools::check::{CheckSettings, Severity, check, unreadable_json};
use gapkeeper_host_tools::printed::{print, print_json};
use gapkeeper_host_tools::show::PictureFile;

use super::readings::{HandOption, ReadingsOption};
use super::surface::SurfaceOption;
use super::{input, length, show};

/// Say what speaks against a grid, where, and what to do.
///
/// Checked are the readings (off what all others predict, or of a grid that has kept none the nodes off their neighbours;
/// too steep, cut off, repeated), whether the stations are enough for this shape and sure, tilt, shift, fade, headroom,
/// closure, temperature, setup and age, and the flatness by ISO 12781-1. What cannot be checked without being told more is
/// listed.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid check grid.json\n  \
    gapgrid check grid.json --bed-temperature 60 --lowest-mm -0.5\n  \
    gapgrid check grid.json --out map.png\n  gapgrid check grid.json --json\n\n\
    Exit codes: 0 fine, 1 warnings, 2 unusable, which a file that cannot be read is, too.\n\n\
    JSON: schema_version; outcome (fine, warning, unusable); verdicts, each with kind, severity, place (null, or column \
    and row from 1, x_um, y_um), reason and remedy; unchecked, each with kind and reason; surface and surface_reason; tie, null or count and residual_um; age_days; flatness with lspl_fltt_um, \
    lspl_fltp_um, lspl_fltv_um, lspl_fltq_um and mzpl_fltt_um; band with readings, hand_um, middle_um, worst_um, \
    worst_x_um, worst_y_um and sure_share; lowest and highest, places with height_um. Wording of \
    reasons and remedies may change, the rest stays while schema_version does.")]
pub struct Arguments {
    /// The grid: a complete file, such as a JSON document
    grid: PathBuf,
    /// Bed temperature of the job
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    bed_temperature: Option<i16>,
    /// Lowest machine height that the nozzle can go to (default: the one that the grid states)
    #[arg(long, value_name = "MM", allow_hyphen_values = true, value_parser = length::whole_um)]
    lowest_mm: Option<i32>,
    /// Largest allowed error of the surface between stations
    #[arg(long, value_name = "UM", default_value_t = CheckSettings::default().tolerance_um)]
    tolerance_um: u16,
    /// Largest allowed tilt over the stations
    #[arg(long, value_name = "UM", default_value_t = CheckSettings::default().tilt_limit_um)]
    tilt_um: u16,
    /// The setup that the machine is in, if the grid is a record
    #[arg(long, value_name = "N")]
    setup: Option<u32>,
    /// Days after which a bed is to be measured again
    #[arg(long, value_name = "N", default_value_t = CheckSettings::default().oldest_days)]
    oldest_days: u32,
    #[command(flatten)]
    surface: SurfaceOption,
    #[command(flatten)]
    readings: ReadingsOption,
    #[command(flatten)]
    hand: HandOption,
    /// Draw a map as well, with what to do as its title, .svg or .png
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Print one JSON object instead, for scripts
    #[arg(long)]
    json: bool,
}

/// Checks the grid; the exit code is the outcome.
pub fn run(arguments: &Arguments) -> anyhow::Result<ExitCode> {
    let picture = arguments.out.as_deref().map(PictureFile::of).transpose()?;
    let read = || {
        let mut reading = input::reading(&arguments.grid)?;
        arguments.readings.replace(&mut reading.document)?;
        Ok::<_, anyhow::Error>(reading)
    };
    let reading = match read() {
        Ok(reading) => reading,
        Err(error) => {
            if arguments.json {
                print_json(&format!("{:#}\n", unreadable_json(&error.to_string())))?;
            }
            return Err(error);
        }
    };
    let settings = CheckSettings {
        bed_temperature_c: arguments.bed_temperature,
        lowest_um: arguments.lowest_mm,
        tolerance_um: arguments.tolerance_um,
        tilt_limit_um: arguments.tilt_um,
        grid_setup: reading.setup,
        setup: arguments.setup,
        age_days: age_days(&arguments.grid),
        oldest_days: arguments.oldest_days,
        surface: arguments.surface.asked(),
        hand: arguments.hand.hand(),
        ..CheckSettings::default()
    };
    let report = check(&reading.document, &settings);
    if let Some(picture) = picture {
        let document = &reading.document;
        // A surface that cannot be computed is among the findings; the readings are shown then.
        let surface = document.surface_grid(document.surface_choice(arguments.surface.asked()).surface);
        let surface = surface.unwrap_or_else(|_| document.grid.clone());
        let (advice, why) = show::advice(&report);
        picture.write(show::map(&arguments.grid, (&advice, why.as_deref()), &document.grid, &surface))?;
    }
    if arguments.json {
        print_json(&format!("{:#}\n", report.to_json()))?;
    } else {
        print(&report.to_string())?;
    }
    Ok(match report.severity() {
        None => ExitCode::SUCCESS,
        Some(Severity::Warning) => ExitCode::from(1),
        Some(Severity::Unusable) => ExitCode::from(2),
    })
}

/// Whole days since the file was written; none if the system does not know, or says a time to come.
fn age_days(path: &Path) -> Option<u32> {
    const SECONDS_A_DAY: u64 = 86_400;
    let written = path.metadata().ok()?.modified().ok()?;
    let age = SystemTime::now().duration_since(written).ok()?;
    u32::try_from(age.as_secs() / SECONDS_A_DAY).ok()
}
