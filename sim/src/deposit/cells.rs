//! The cells of the field, and the way of a line through them.

use super::SqueezeMap;
use crate::scenario::Extent;

/// What a line is wide, about; cells are no finer.
pub(super) const LINE_WIDTH_MM: f64 = 0.4;
/// Cells that a field may have, about.
const MOST_CELLS: f64 = 1_000_000.0;
/// Blocks of a map along its longer side, at most.
const MOST_BLOCKS: usize = 160;

/// One cell; heights are those of the latest line through it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    pub(super) top_um: f32,
    /// No number: still empty.
    pub(super) logical_top_um: f32,
    /// No number: nothing was laid on the bed here.
    pub(super) first_squeeze: f32,
    /// Farthest from 1; no number: nothing was laid above the first layer.
    pub(super) above_squeeze: f32,
}

impl Cell {
    const EMPTY: Self =
        Self { top_um: 0.0, logical_top_um: f32::NAN, first_squeeze: f32::NAN, above_squeeze: f32::NAN };

    pub(super) fn is_empty(&self) -> bool {
        self.logical_top_um.is_nan()
    }

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
    columns: usize,
    rows: usize,
    /// Rows along X.
    cells: Vec<Cell>,
}

impl Cells {
    pub(super) fn new(x_mm: Extent, y_mm: Extent) -> Self {
        let width_mm = LINE_WIDTH_MM.max((x_mm.length() * y_mm.length() / MOST_CELLS).sqrt());
        // At least 1; a few thousand at most, since no bed is longer than 2 m.
        let count = |extent: Extent| (extent.length() / width_mm).ceil() as usize;
        let (columns, rows) = (count(x_mm), count(y_mm));
        Self { x_mm, y_mm, columns, rows, cells: vec![Cell::EMPTY; columns * rows] }
    }

    pub(super) fn clear(&mut self) {
        self.cells.fill(Cell::EMPTY);
    }

    pub(super) fn bytes(&self) -> usize {
        size_of_val(self.cells.as_slice())
    }

    fn cell_mm(&self) -> [f64; 2] {
        [self.x_mm.length() / self.columns as f64, self.y_mm.length() / self.rows as f64]
    }

    pub(super) fn cell_mm2(&self) -> f64 {
        let [width_mm, height_mm] = self.cell_mm();
        width_mm * height_mm
    }

    /// Visits the cells along a straight line in order, each with the fraction of the line at the middle of its way
    /// through it.
    pub(super) fn along(&mut self, from_mm: [f64; 2], to_mm: [f64; 2], mut visit: impl FnMut(&mut Cell, f64)) {
        let cell_mm = self.cell_mm();
        let start = [self.x_mm.from, self.y_mm.from];
        let at = |axis: usize, mm: [f64; 2]| (mm[axis] - start[axis]) / cell_mm[axis];
        let from = [at(0, from_mm), at(1, from_mm)];
        let step = [at(0, to_mm) - from[0], at(1, to_mm) - from[1]];
        // The next border on each axis and the fraction at which the line meets it. Never added up: a line that ends
        // on a border would then enter the cell beyond it by a hair.
        let meets = |axis: usize, border: f64| {
            if step[axis] == 0.0 { f64::INFINITY } else { (border - from[axis]) / step[axis] }
        };
        let mut borders =
            [0, 1].map(|axis| if step[axis] > 0.0 { from[axis].floor() + 1.0 } else { from[axis].ceil() - 1.0 });
        let mut next = [meets(0, borders[0]), meets(1, borders[1])];
        let mut entered = 0.0;
        while entered < 1.0 {
            let left = next[0].min(next[1]).min(1.0);
            let middle = (entered + left) / 2.0;
            let place = |axis: usize| (from[axis] + step[axis] * middle).floor();
            let (column, row) = (place(0), place(1));
            if column >= 0.0 && row >= 0.0 && column < self.columns as f64 && row < self.rows as f64 {
                // Both are whole numbers within the field.
                visit(&mut self.cells[row as usize * self.columns + column as usize], middle);
            }
            for axis in 0..2 {
                if next[axis] <= left {
                    borders[axis] += step[axis].signum();
                    next[axis] = meets(axis, borders[axis]);
                }
            }
            entered = left;
        }
    }

    /// Mean of a value over blocks of cells; cells without a number do not count.
    pub(super) fn map(&self, value: impl Fn(&Cell) -> f32) -> SqueezeMap {
        let across = self.columns.max(self.rows).div_ceil(MOST_BLOCKS);
        let (columns, rows) = (self.columns.div_ceil(across), self.rows.div_ceil(across));
        let mut sums = vec![(0.0_f32, 0.0_f32); columns * rows];
        for (index, cell) in self.cells.iter().enumerate() {
            let (column, row) = (index % self.columns / across, index / self.columns / across);
            let value = value(cell);
            if !value.is_nan() {
                let (sum, count) = &mut sums[row * columns + column];
                (*sum, *count) = (*sum + value, *count + 1.0);
            }
        }
        let [width_mm, height_mm] = self.cell_mm();
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
