//! `gapgrid source`: a grid as constants of a program.

use std::io::{self, Write};
use std::path::PathBuf;

use anyhow::Context;
use clap::{Args, ValueEnum};
use gapkeeper_host_tools::grid_file::{self, read_grid};
use gapkeeper_host_tools::write_atomically;

/// Write a grid as constants, for a machine that is built with its grid.
#[derive(Args)]
#[command(after_help = "Example: gapgrid source grid.json --language c -o grid.h")]
pub struct Arguments {
    /// The grid: a file that says everything itself, such as a JSON document
    grid: PathBuf,
    /// What the constants are written in
    #[arg(long, value_enum)]
    language: Language,
    /// The file to write; without it the text is printed
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
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
    let text = grid_file::source(&read_grid(&arguments.grid)?, language);
    match &arguments.output {
        Some(path) => write_atomically(path, text.as_bytes()).with_context(|| path.display().to_string())?,
        None => {
            let mut out = io::stdout().lock();
            out.write_all(text.as_bytes())?;
            out.flush()?;
        }
    }
    Ok(())
}
