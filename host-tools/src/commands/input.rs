//! The grids that commands read.

use std::path::Path;

use anyhow::anyhow;
use gapkeeper_host_tools::grid_file::{GridDocument, GridFileErrorKind, read_grid};

/// Reads a grid file that says everything itself; of any other says how to make one of it.
pub fn grid(path: &Path) -> anyhow::Result<GridDocument> {
    read_grid(path).map_err(|error| match error.kind() {
        GridFileErrorKind::FactsMissing(_) | GridFileErrorKind::Ambiguous(_) => {
            anyhow!("{error}, by making a document of it first: gapgrid convert")
        }
        _ => error.into(),
    })
}
