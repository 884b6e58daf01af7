//! `gapgrid source`: a grid as constants of a program.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use gapkeeper_host_tools::grid_file;
use gapkeeper_host_tools::printed::print;
use gapkeeper_host_tools::{FileError, write_atomically};

use super::input;
use super::surface::SurfaceOption;

/// Write a grid as constants, for a machine that is built with its grid.
#[derive(Args)]
#[command(after_help = "Example: gapgrid source grid.json --language c -o grid.h")]
pub struct Arguments {
    /// The grid: a complete file, such as a JSON document
    grid: PathBuf,
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
    let text = grid_file::source(&input::grid(&arguments.grid)?, language, arguments.surface.asked());
    match &arguments.output {
        Some(path) => write_atomically(path, text.as_bytes()).map_err(FileError::output(path))?,
        None => print(&text)?,
    }
    Ok(())
}
