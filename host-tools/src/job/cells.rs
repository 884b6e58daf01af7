//! A lattice of cells over the bed, and the way of a line through them.

/// Where the cells lie; rows along X.
#[derive(Clone, Debug)]
pub struct CellLattice {
    start_mm: [f64; 2],
    cell_mm: [f64; 2],
    cells_per_mm: [f64; 2],
    /// Cells along X.
    pub columns: usize,
    /// Cells along Y.
    pub rows: usize,
}

impl CellLattice {
    /// Cells between two ends along X and Y each, as narrow as asked for, as long as there are no more than `most` of them.
    pub fn new([x_mm, y_mm]: [[f64; 2]; 2], finest_mm: f64, most: f64) -> Self {
        let length_mm = [x_mm, y_mm].map(|[from_mm, to_mm]| to_mm - from_mm);
        let width_mm = finest_mm.max((length_mm[0] * length_mm[1] / most).sqrt());
        // A few thousand at most, since no bed is longer than 2 m.
        let [columns, rows] = length_mm.map(|mm| ((mm / width_mm).ceil() as usize).max(1));
        let cell_mm = [length_mm[0] / columns as f64, length_mm[1] / rows as f64];
        let cells_per_mm = cell_mm.map(|mm| 1.0 / mm);
        Self { start_mm: [x_mm[0], y_mm[0]], cell_mm, cells_per_mm, columns, rows }
    }

    /// The middle of a cell.
    pub fn middle_mm(&self, cell: usize) -> [f64; 2] {
        let at = |axis: usize, index: usize| self.start_mm[axis] + (index as f64 + 0.5) * self.cell_mm[axis];
        [at(0, cell % self.columns), at(1, cell / self.columns)]
    }

    /// How many cells there are.
    pub fn count(&self) -> usize {
        self.columns * self.rows
    }

    /// Length of a cell along X and along Y.
    pub fn cell_mm(&self) -> [f64; 2] {
        self.cell_mm
    }

    /// The cell that a place lies in; none outside.
    pub fn at(&self, x_mm: f64, y_mm: f64) -> Option<usize> {
        self.index((x_mm - self.start_mm[0]) * self.cells_per_mm[0], (y_mm - self.start_mm[1]) * self.cells_per_mm[1])
    }

    fn index(&self, u: f64, v: f64) -> Option<usize> {
        let inside = u >= 0.0 && v >= 0.0 && u < self.columns as f64 && v < self.rows as f64;
        // Both are rounded down to whole numbers within the lattice.
        inside.then(|| v as usize * self.columns + u as usize)
    }

    /// Visits the cells along a straight line in order, each with the fractions of the line at which it enters and
    /// leaves.
    pub fn along(&self, from_mm: [f64; 2], to_mm: [f64; 2], mut visit: impl FnMut(usize, f64, f64)) {
        let at = |axis: usize, mm: [f64; 2]| (mm[axis] - self.start_mm[axis]) * self.cells_per_mm[axis];
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
            if let Some(index) = self.index(from[0] + step[0] * middle, from[1] + step[1] * middle) {
                visit(index, entered, left);
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
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lattice(x_mm: [f64; 2], y_mm: [f64; 2]) -> CellLattice {
        CellLattice::new([x_mm, y_mm], 0.4, 1e6)
    }

    /// The cells that a line meets, against many points along it.
    #[test]
    fn a_line_meets_the_cells_it_passes() {
        let lattice = lattice([-3.0, 5.0], [10.0, 14.0]);
        for turn in 0..200 {
            let wave = |rate: f64, reach: f64| reach * (f64::from(turn) * rate).sin();
            let (from, to) =
                ([1.0 + wave(1.3, 6.0), 12.0 + wave(2.1, 3.0)], [1.0 + wave(0.7, 6.0), 12.0 + wave(3.3, 3.0)]);
            let at = |fraction: f64| [0, 1].map(|axis| from[axis] + (to[axis] - from[axis]) * fraction);
            let mut met = Vec::new();
            let mut before = 0.0;
            lattice.along(from, to, |cell, entered, left| {
                assert!(before <= entered && entered < left && left <= 1.0);
                before = left;
                met.push(cell);
            });
            let mut wanted = std::collections::BTreeSet::new();
            for point in 0..20_000 {
                let [x_mm, y_mm] = at((f64::from(point) + 0.5) / 20_000.0);
                wanted.extend(lattice.at(x_mm, y_mm));
            }
            // A corner that is only just cut may fall between two of the points.
            assert!(wanted.iter().all(|cell| met.contains(cell)), "{from:?} {to:?}");
            assert!((wanted.len()..=wanted.len() + 1).contains(&met.len()), "{from:?} {to:?}: {met:?} {wanted:?}");
        }
    }

    /// From border to border of cells, forwards and back, along both axes: ten cells and not one more.
    #[test]
    fn a_line_between_borders_meets_no_cell_beyond() {
        let lattice = lattice([0.0, 12.0], [0.0, 12.0]);
        for (from, to) in
            [([4.0, 4.2], [8.0, 4.2]), ([8.0, 4.2], [4.0, 4.2]), ([4.2, 4.0], [4.2, 8.0]), ([4.2, 8.0], [4.2, 4.0])]
        {
            let mut met = 0;
            lattice.along(from, to, |_, _, _| met += 1);
            assert_eq!(met, 10);
        }
    }
}
