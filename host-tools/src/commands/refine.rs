//! `gapgrid refine`: a denser grid from few readings.

use std::path::PathBuf;

use anyhow::anyhow;
use clap::Args;
use gapkeeper::Surface;
use gapkeeper_host_tools::grid_file::{CAPACITY, SurveyMarks};
use gapkeeper_host_tools::printed::{name, print};

use super::length::node_counts;
use super::{input, output};

/// Compute a denser grid with a smooth surface through the readings.
///
/// Every quadratic shape is kept exactly; along an axis with two stations the surface is straight. The result is to be
/// used as it is: the marks of a survey, if there are any, say bilinear from then on.
#[derive(Args)]
#[command(after_help = "Example: gapgrid refine grid.json --nodes 13x9 -o dense.json")]
pub struct Arguments {
    /// The grid: a complete file, such as a JSON document
    grid: PathBuf,
    /// Columns and rows of the new grid, 2 to 16 each
    #[arg(long, value_name = "CxR", value_parser = node_counts)]
    nodes: (u8, u8),
    /// The grid to write; its extension tells the format
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
}

/// Refines the grid.
pub fn run(arguments: &Arguments) -> anyhow::Result<()> {
    let mut reading = input::reading(&arguments.grid)?;
    let document = &mut reading.document;
    let (columns, rows) = arguments.nodes;
    let dense = document.grid.refined::<CAPACITY>(columns, rows);
    let remedy = "choose 2 to 16 nodes along each axis, and no more than the surface allows";
    let dense = dense.map_err(|error| anyhow!("{}: {error}\n  {remedy}", name(&arguments.grid)))?;
    let end_um = |lattice: gapkeeper::Lattice| lattice.node_um(lattice.columns - 1, lattice.rows - 1);
    let ((was_x_um, was_y_um), (x_um, y_um)) = (end_um(document.grid.lattice()), end_um(dense.lattice()));
    document.grid = dense;
    document.survey = document.survey.map(|marks| SurveyMarks { surface: Surface::Bilinear, ..marks });
    output::write(&arguments.output, document, reading.setup)?;
    if (x_um, y_um) != (was_x_um, was_y_um) {
        let (left_x_um, left_y_um) = (was_x_um - x_um, was_y_um - y_um);
        print(&format!(
            "the last nodes stand {left_x_um} um in X and {left_y_um} um in Y inside the old ones: pitches are whole\n"
        ))?;
    }
    Ok(())
}
