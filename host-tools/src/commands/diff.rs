//! `gapgrid diff`: what changed from one grid to another.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context as _;
use clap::Args;
use gapkeeper_host_tools::compare::{AdviceKind, compare, difference};
use gapkeeper_host_tools::picture::svg::shortened;
use gapkeeper_host_tools::printed::{name, one_line, print};
use gapkeeper_host_tools::show::{PictureFile, Shown, map_svg};

use super::input;
use super::surface::SurfaceOption;

/// Say what changed from one grid to another: height, tilt, bow and local change apart.
///
/// Compared are the stations of the first grid that lie inside both. What is compared is the bed: a shift or a fade of
/// either does not count.
#[derive(Args)]
#[command(
    after_help = "Examples:\n  gapgrid diff january.json june.json\n  gapgrid diff january.json june.json --out change.png\n\n\
    Exit codes: 0 fine, 1 something is to be done, 2 they cannot be compared."
)]
pub struct Arguments {
    /// The grid as it was
    first: PathBuf,
    /// The grid as it is
    second: PathBuf,
    /// Ignore changes up to this
    #[arg(long, value_name = "UM", default_value_t = 50)]
    tolerance_um: u16,
    #[command(flatten)]
    surface: SurfaceOption,
    /// Draw a map of the change as well, with what to do as its title, .svg or .png
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Compares the grids; the exit code tells whether something is to be done.
pub fn run(arguments: &Arguments) -> anyhow::Result<ExitCode> {
    let picture = arguments.out.as_deref().map(PictureFile::of).transpose()?;
    let (first, second) = (input::grid(&arguments.first)?, input::grid(&arguments.second)?);
    let change = compare(&first, &second, arguments.surface.asked())?;
    let advice = change.advice(arguments.tolerance_um);
    let mut text = change.to_string();
    if let (Some(was_c), Some(is_c)) = (first.bed_temperature_c, second.bed_temperature_c)
        && was_c != is_c
    {
        text += &format!("measured at {was_c} °C and at {is_c} °C: a bed bows as it warms up\n");
    }
    text.extend(advice.iter().map(|advice| format!("{advice}\n")));
    if let Some(picture) = picture {
        let asked = arguments.surface.asked();
        let difference = difference(&first, &second, asked).context(
            "no map: a station of the first grid lies outside the second, or its height changed by more than a grid holds",
        )?;
        let mut title = advice.first().map_or_else(String::new, ToString::to_string).replace(" um", " µm");
        if let Some(first) = title.get_mut(..1) {
            first.make_ascii_uppercase();
        }
        let names = [&arguments.first, &arguments.second].map(|path| shortened(&name(path), 30));
        let about = format!("{} less {}", names[1], names[0]);
        picture.write(map_svg(Shown::Change, (&one_line(&title), &one_line(&about)), &difference, &difference))?;
    }
    print(&text)?;
    let is_fine = advice.iter().all(|advice| advice.kind == AdviceKind::Fine);
    Ok(if is_fine { ExitCode::SUCCESS } else { ExitCode::from(1) })
}
