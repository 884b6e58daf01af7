//! The surface between the stations of a grid, as every command is told and tells it.

use clap::{Args, ValueEnum};
use gapkeeper::Surface;

/// The option that every command has which uses or writes a surface.
#[derive(Args)]
pub struct SurfaceOption {
    /// Surface between the stations (default: the survey's choice; refined if there was no survey)
    #[arg(long)]
    surface: Option<SurfaceName>,
}

impl SurfaceOption {
    /// The surface asked for, for [`GridDocument::surface_choice`](gapkeeper_host_tools::grid_file::GridDocument::surface_choice).
    pub fn asked(&self) -> Option<Surface> {
        self.surface.map(Surface::from)
    }
}

/// The surfaces of [`Surface`], as words of the command line.
#[derive(Clone, Copy, ValueEnum)]
enum SurfaceName {
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
