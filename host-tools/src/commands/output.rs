//! The grids that commands write.

use std::path::Path;

use gapkeeper_host_tools::grid_file::{GridDocument, GridFormat, Loss, MissingFacts, write_grid_as};
use gapkeeper_host_tools::printed::print;

/// Writes a grid, whose setup may be known, and says what its format cannot hold.
pub fn write(path: &Path, document: &GridDocument, setup: Option<u32>) -> anyhow::Result<()> {
    let facts = MissingFacts { setup, ..MissingFacts::default() };
    let losses = write_grid_as(path, GridFormat::of(path)?, document, &facts)?;
    Ok(print(&left_out(losses))?)
}

/// What a format could not hold, a line for each.
pub fn left_out(losses: impl IntoIterator<Item = Loss>) -> String {
    losses.into_iter().map(|loss| format!("left out, since the format has no place for it: {loss}\n")).collect()
}
