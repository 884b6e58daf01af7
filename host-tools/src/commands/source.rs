//! `gapgrid source`: a grid, or the weights that make one of readings, as constants of a program.

use std::path::PathBuf;

use anyhow::{anyhow, bail};
use clap::{Args, ValueEnum};
use gapkeeper_host_tools::estimate::Weights;
use gapkeeper_host_tools::grid_file;
use gapkeeper_host_tools::printed::{name, print};
use gapkeeper_host_tools::{FileError, write_atomically};

use super::input;
use super::lattice::LatticeOptions;
use super::readings::readings;
use super::surface::SurfaceOption;

/// Write a grid as constants, for a machine that is built with its grid.
///
/// With --weights: what the reading of each station counts for at each node, and the function that uses it, for a
/// machine that computes its grid from readings at these stations. The weights are those of the core's own layouts.
#[derive(Args)]
#[command(after_help = "Examples:\n  gapgrid source grid.json --language c -o grid.h\n  \
    gapgrid source stations.csv --weights --nodes 6x5 --language rust -o weights.rs")]
pub struct Arguments {
    /// The grid: a complete file, such as a JSON document; with --weights a table of readings, whose heights do not
    /// count
    grid: PathBuf,
    /// Write the weights of the readings instead
    #[arg(long, conflicts_with = "surface")]
    weights: bool,
    #[command(flatten)]
    lattice: LatticeOptions,
    /// Language of the constants
    #[arg(long, value_enum)]
    language: Language,
    /// The file to write (default: print the text)
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    #[command(flatten)]
    surface: SurfaceOption,
}

/// The languages of [`grid_file::Language`], as words of the command line.
#[derive(Clone, Copy, ValueEnum)]
enum Language {
    /// A module of Rust
    Rust,
    /// A header of C99
    C,
}

/// Reads the grid and writes or prints its constants.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let language = match arguments.language {
        Language::Rust => grid_file::Language::Rust,
        Language::C => grid_file::Language::C,
    };
    let text = if arguments.weights {
        let readings = readings(&arguments.grid)?.newest;
        let stations: Vec<(i32, i32)> = readings.iter().map(|reading| (reading.at.x_um, reading.at.y_um)).collect();
        let weights = Weights::new(&stations, arguments.lattice.over(&readings)?);
        weights.map_err(|error| anyhow!("{}: {error}", name(&arguments.grid)))?.source(language)
    } else {
        if arguments.lattice.is_stated() {
            bail!(
                "--nodes, --from and --to are for --weights\n  a grid is written with its own nodes (gapgrid refine)"
            );
        }
        grid_file::source(&input::grid(&arguments.grid)?, language, arguments.surface.asked())
    };
    match &arguments.output {
        Some(path) => write_atomically(path, text.as_bytes()).map_err(FileError::output(path))?,
        None => print(&text)?,
    }
    Ok(())
}
