//! The grids that commands read.

use std::path::Path;

use anyhow::anyhow;
use gapkeeper_host_tools::grid_file::{
    GridDocument, GridFileErrorKind, GridFormat, MissingFacts, Reading, read_grid_as,
};

/// Reads a grid file that says everything itself; of any other says how to make one of it.
pub fn grid(path: &Path) -> anyhow::Result<GridDocument> {
    reading(path).map(|reading| reading.document)
}

/// The same with what the file has besides.
pub fn reading(path: &Path) -> anyhow::Result<Reading> {
    let reading = GridFormat::of(path).and_then(|format| read_grid_as(path, format, &MissingFacts::default()));
    reading.map_err(|error| match error.kind() {
        GridFileErrorKind::FactsMissing(_) | GridFileErrorKind::Ambiguous(_) => {
            anyhow!("{error}, by making a document of it first: gapgrid convert")
        }
        _ => error.into(),
    })
}
