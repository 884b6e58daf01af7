//! The grids that commands write.

use std::io::{self, Write};
use std::path::Path;

use gapkeeper_host_tools::grid_file::{GridDocument, GridFormat, MissingFacts, write_grid_as};

/// Writes a grid, whose setup may be known, and says what its format cannot hold.
pub fn write(path: &Path, document: &GridDocument, setup: Option<u32>) -> anyhow::Result<()> {
    let facts = MissingFacts { setup, ..MissingFacts::default() };
    let losses = write_grid_as(path, GridFormat::of(path)?, document, &facts)?;
    let mut out = io::stdout().lock();
    for loss in losses {
        writeln!(out, "left out, since the format has no place for it: {loss}")?;
    }
    out.flush()?;
    Ok(())
}
