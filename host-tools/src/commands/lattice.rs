//! Where the nodes of a computed grid stand.

use anyhow::bail;
use clap::Args;
use gapkeeper::Lattice;
use gapkeeper_host_tools::grid_file::StationReading;

use super::length::{node_counts, place_um};

/// The options of commands that compute nodes from readings.
#[derive(Args)]
pub struct LatticeOptions {
    /// Columns and rows of what is computed, 2 to 16 each (default: 9x9; of patches 4x4)
    #[arg(long, value_name = "CxR", value_parser = node_counts)]
    nodes: Option<(u8, u8)>,
    /// X,Y of the grid's first node, mm (default: the smallest of the readings)
    #[arg(long, value_name = "X,Y", value_parser = place_um, allow_hyphen_values = true)]
    from: Option<(i32, i32)>,
    /// X,Y that the grid reaches, mm (default: the largest of the readings)
    #[arg(long, value_name = "X,Y", value_parser = place_um, allow_hyphen_values = true)]
    to: Option<(i32, i32)>,
}

impl LatticeOptions {
    /// Whether any of them is given.
    pub fn is_stated(&self) -> bool {
        self.nodes.is_some() || self.from.is_some() || self.to.is_some()
    }

    /// The lattice over the readings, or as it is stated.
    pub fn over(&self, readings: &[StationReading]) -> anyhow::Result<Lattice> {
        self.over_with((9, 9), readings)
    }

    /// The same with another number of nodes if none is stated.
    pub fn over_with(&self, usual: (u8, u8), readings: &[StationReading]) -> anyhow::Result<Lattice> {
        let ends = |of: fn(&StationReading) -> i32| {
            let all = readings.iter().map(of);
            (all.clone().min().unwrap_or(0), all.max().unwrap_or(0))
        };
        let ((x_from, x_to), (y_from, y_to)) = (ends(|reading| reading.at.x_um), ends(|reading| reading.at.y_um));
        let (from, to) = (self.from.unwrap_or((x_from, y_from)), self.to.unwrap_or((x_to, y_to)));
        let (columns, rows) = self.nodes.unwrap_or(usual);
        if !(2..=16).contains(&columns) || !(2..=16).contains(&rows) {
            bail!("a grid of {columns} x {rows} nodes\n  choose 2 to 16 along each axis (--nodes)");
        }
        if to.0 <= from.0 || to.1 <= from.1 {
            bail!("the grid reaches no farther than where it begins\n  give --to to the right of and behind --from");
        }
        let pitch_um = |from_um: i32, to_um: i32, nodes: u8| to_um.abs_diff(from_um) / u32::from(nodes - 1);
        Ok(Lattice {
            x0_um: from.0,
            y0_um: from.1,
            pitch_x_um: pitch_um(from.0, to.0, columns),
            pitch_y_um: pitch_um(from.1, to.1, rows),
            columns,
            rows,
        })
    }
}
