//! The cells of the field.

use super::SqueezeMap;
use crate::scenario::Extent;
use gapkeeper_host_tools::job::CellLattice;

/// Cells are about as wide as a line, and no finer.
const FINEST_MM: f64 = 0.4;
/// Cells that a field may have, about.
const MOST_CELLS: f64 = 1_000_000.0;
/// Blocks of a map along its longer side, at most.
const MOST_BLOCKS: usize = 160;

/// One cell; heights are those of the latest layer in it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    pub(super) top_um: f32,
    /// No number: still empty.
    pub(super) logical_top_um: f32,
    /// What that layer rests on; no number: the bed, or nothing.
    pub(super) below_um: f32,
    pub(super) logical_below_um: f32,
    /// No number: nothing was laid on the bed here.
    pub(super) first_squeeze: f32,
    /// Farthest from 1; no number: nothing was laid above the first layer.
    pub(super) above_squeeze: f32,
}

impl Cell {
    const EMPTY: Self = Self {
        top_um: 0.0,
        logical_top_um: f32::NAN,
        below_um: f32::NAN,
        logical_below_um: f32::NAN,
        first_squeeze: f32::NAN,
        above_squeeze: f32::NAN,
    };

    pub(super) fn keep_farther(&mut self, squeeze: f32) {
        if self.above_squeeze.is_nan() || (squeeze - 1.0).abs() > (self.above_squeeze - 1.0).abs() {
            self.above_squeeze = squeeze;
        }
    }
}

#[derive(Clone, Debug)]
pub(super) struct Cells {
    x_mm: Extent,
    y_mm: Extent,
    lattice: CellLattice,
    cells: Vec<Cell>,
}

impl Cells {
    pub(super) fn new(x_mm: Extent, y_mm: Extent) -> Self {
        let lattice = CellLattice::new([x_mm.ends(), y_mm.ends()], FINEST_MM, MOST_CELLS);
        Self { x_mm, y_mm, cells: vec![Cell::EMPTY; lattice.count()], lattice }
    }

    #[cfg(test)]
    pub(super) fn bytes(&self) -> usize {
        size_of_val(self.cells.as_slice())
    }

    /// Visits the cells along a straight line, each with the fractions of the line at which it enters and leaves.
    pub(super) fn along(&mut self, from_mm: [f64; 2], to_mm: [f64; 2], mut visit: impl FnMut(&mut Cell, f64, f64)) {
        let Self { lattice, cells, .. } = self;
        lattice.along(from_mm, to_mm, |index, entered, left| visit(&mut cells[index], entered, left));
    }

    /// Mean of a value over blocks of cells; cells without a number do not count.
    pub(super) fn map(&self, value: impl Fn(&Cell) -> f32) -> SqueezeMap {
        let (cell_columns, cell_rows) = (self.lattice.columns, self.lattice.rows);
        let across = cell_columns.max(cell_rows).div_ceil(MOST_BLOCKS);
        let (columns, rows) = (cell_columns.div_ceil(across), cell_rows.div_ceil(across));
        let mut sums = vec![(0.0_f32, 0.0_f32); columns * rows];
        for (index, cell) in self.cells.iter().enumerate() {
            let (column, row) = (index % cell_columns / across, index / cell_columns / across);
            let value = value(cell);
            if !value.is_nan() {
                let (sum, count) = &mut sums[row * columns + column];
                (*sum, *count) = (*sum + value, *count + 1.0);
            }
        }
        let [width_mm, height_mm] = self.lattice.cell_mm();
        let reach = |extent: Extent, blocks: usize, cell_mm: f64| Extent {
            from: extent.from,
            to: extent.from + (blocks * across) as f64 * cell_mm,
        };
        SqueezeMap {
            x_mm: reach(self.x_mm, columns, width_mm),
            y_mm: reach(self.y_mm, rows, height_mm),
            columns,
            rows,
            // Nothing by nothing is no number.
            squeeze: sums.into_iter().map(|(sum, count)| sum / count).collect(),
        }
    }
}
