//! The surface between the stations of a grid, as every command is told and tells it.

use clap::{Args, ValueEnum};
use gapkeeper::{GridError, HeightGrid, Surface};
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument};

/// The option that every command has which uses or writes a surface.
#[derive(Args)]
pub struct SurfaceOption {
    /// Surface between the stations (default: the survey's choice; refined if there was no survey)
    #[arg(long)]
    surface: Option<SurfaceName>,
}

impl SurfaceOption {
    /// The surface asked for, for [`GridDocument::surface_choice`].
    pub fn asked(&self) -> Option<Surface> {
        self.surface.map(Surface::from)
    }
}

/// The surfaces of [`Surface`], as words of the command line.
#[derive(Clone, Copy, ValueEnum)]
pub enum SurfaceName {
    Bilinear,
    Refined,
}

impl From<SurfaceName> for Surface {
    fn from(name: SurfaceName) -> Self {
        match name {
            SurfaceName::Bilinear => Surface::Bilinear,
            SurfaceName::Refined => Surface::Refined,
        }
    }
}

/// The grid whose bilinear surface is the one chosen.
pub fn of(document: &GridDocument, asked: Option<SurfaceName>) -> Result<HeightGrid<CAPACITY>, GridError> {
    document.surface_grid(document.surface_choice(asked.map(Surface::from)).surface)
}
