//! `gapgrid convert`: a grid from one format to another.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::Args;
use gapkeeper_host_tools::grid_file::{read_grid, write_grid};

/// Write a grid in another format; whatever that format cannot hold is said.
#[derive(Args)]
#[command(after_help = "Example: gapgrid convert grid.json grid.csv")]
pub struct Arguments {
    /// The grid to read
    input: PathBuf,
    /// The file to write
    output: PathBuf,
}

/// Reads, writes, and says what was lost.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let document = read_grid(&arguments.input)?;
    let losses = write_grid(&arguments.output, &document)?;
    let mut out = io::stdout().lock();
    for loss in losses {
        writeln!(out, "left out, since the format has no place for it: {loss}")?;
    }
    out.flush()?;
    Ok(())
}
