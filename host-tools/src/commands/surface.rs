//! The surface between the stations of a grid.

use clap::ValueEnum;
use gapkeeper::{GridError, HeightGrid, Surface};
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument};

/// The surfaces of [`Surface`], as words of the command line.
#[derive(Clone, Copy, ValueEnum)]
pub enum SurfaceName {
    Bilinear,
    Refined,
}

/// The surface asked for, else the one that the survey chose, else the refined one.
pub fn of(document: &GridDocument, asked: Option<SurfaceName>) -> Result<HeightGrid<CAPACITY>, GridError> {
    let surface = match asked {
        Some(SurfaceName::Bilinear) => Surface::Bilinear,
        Some(SurfaceName::Refined) => Surface::Refined,
        None => document.survey.map_or(Surface::Refined, |marks| marks.surface),
    };
    match surface {
        Surface::Bilinear => Ok(document.grid.clone()),
        Surface::Refined => document.grid.densest(),
    }
}
