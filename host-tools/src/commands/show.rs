//! `gapgrid show`: a grid in the terminal, or as a picture.

use std::env;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::Args;
use gapkeeper_host_tools::picture::png;
use gapkeeper_host_tools::show::{map_svg, shaded, table};
use gapkeeper_host_tools::write_atomically;

use super::input;
use super::surface::{self, SurfaceName};

/// Show the heights of a grid and the surface between them.
///
/// In a terminal: a table and a picture of characters, in colour unless NO_COLOR is set. With --out: a map with contour
/// lines.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid show grid.json\n  gapgrid show grid.json --out map.svg\n  \
    gapgrid show grid.csv --surface bilinear --out map.png")]
pub struct Arguments {
    /// The grid: a file that says everything itself, such as a JSON document
    grid: PathBuf,
    /// Draw a map into this file instead, .svg or .png
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// The surface between readings; without it as the survey chose, else refined
    #[arg(long)]
    surface: Option<SurfaceName>,
}

/// Px of a PNG for each px of the SVG.
const PNG_SCALE: f32 = 2.0;

/// Prints or draws the grid.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let kind = arguments.out.as_deref().map(picture_kind).transpose()?;
    let document = input::grid(&arguments.grid)?;
    let surface = surface::of(&document, arguments.surface)?;
    if let (Some(path), Some(kind)) = (&arguments.out, kind) {
        let name = arguments.grid.file_name().unwrap_or_default().to_string_lossy();
        let svg = map_svg(&name, &document.grid, &surface);
        let bytes = match kind {
            Picture::Svg => svg.into_bytes(),
            Picture::Png => png(&svg, PNG_SCALE)?,
        };
        return write_atomically(path, &bytes).with_context(|| path.display().to_string());
    }
    let mut out = io::stdout().lock();
    let is_coloured = out.is_terminal() && colour_is_welcome();
    write!(out, "{}\n{}", table(&document.grid), shaded(&surface, is_coloured))?;
    out.flush()?;
    Ok(())
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
        bail!("{}: pictures are .svg or .png\n  choose one of these extensions", path.display())
    }
}
