//! A bed looked up instead of computed: the forms cost far more than a table's four nodes.

use super::ModelledBed;
use crate::scenario::Extent;

/// Nodes that a table may have, 4 bytes each; beyond, the bed is computed everywhere.
const MOST_NODES: usize = 4_000_000;

/// Heights on a fine lattice over the bed, computed where they are first asked for; linear between.
///
/// The lattice is half as wide as [`ModelledBed::sample_step_mm`], at which linear interpolation is off by a quarter
/// of a micrometre at most along each axis, and so by an eighth of one in all.
#[derive(Clone)]
pub(crate) struct HeightTable {
    start_mm: [f64; 2],
    nodes_per_mm: [f64; 2],
    columns: usize,
    rows: usize,
    /// No number where it was not asked for yet.
    heights_um: Vec<f32>,
}

impl HeightTable {
    pub(crate) fn new(bed: &ModelledBed, x_mm: Extent, y_mm: Extent) -> Self {
        let pitch_mm = bed.sample_step_mm() / 2.0;
        let cells = |extent: Extent| (extent.length() / pitch_mm).ceil().max(1.0);
        let (cells_x, cells_y) = (cells(x_mm), cells(y_mm));
        let nodes = (cells_x + 1.0) * (cells_y + 1.0);
        let (columns, rows) =
            if nodes <= MOST_NODES as f64 { (cells_x as usize + 1, cells_y as usize + 1) } else { (0, 0) };
        Self {
            start_mm: [x_mm.from, y_mm.from],
            nodes_per_mm: [cells_x / x_mm.length(), cells_y / y_mm.length()],
            columns,
            rows,
            heights_um: vec![f32::NAN; columns * rows],
        }
    }

    /// Height of the bed above the machine's zero; computed outside the table.
    pub(crate) fn height_um(&mut self, bed: &ModelledBed, x_mm: f64, y_mm: f64) -> f64 {
        let (u, v) =
            ((x_mm - self.start_mm[0]) * self.nodes_per_mm[0], (y_mm - self.start_mm[1]) * self.nodes_per_mm[1]);
        // Saturates below; the last node's cell is left to the bed itself.
        let (column, row) = (u as usize, v as usize);
        if u < 0.0 || v < 0.0 || column + 1 >= self.columns || row + 1 >= self.rows {
            return bed.height_um(x_mm, y_mm);
        }
        let (part_u, part_v) = (u - column as f64, v - row as f64);
        let first = row * self.columns + column;
        let [a, b] = self.pair(bed, first, column, row);
        let [c, d] = self.pair(bed, first + self.columns, column, row + 1);
        let (near, far) = (a + (b - a) * part_u, c + (d - c) * part_u);
        near + (far - near) * part_v
    }

    fn pair(&mut self, bed: &ModelledBed, first: usize, column: usize, row: usize) -> [f64; 2] {
        let (left, right) = (self.heights_um[first], self.heights_um[first + 1]);
        if left.is_nan() || right.is_nan() {
            let at = |column: usize| {
                let place = |start_mm: f64, index: usize, per_mm: f64| start_mm + index as f64 / per_mm;
                let x_mm = place(self.start_mm[0], column, self.nodes_per_mm[0]);
                bed.height_um(x_mm, place(self.start_mm[1], row, self.nodes_per_mm[1])) as f32
            };
            let pair = [at(column), at(column + 1)];
            self.heights_um[first..first + 2].copy_from_slice(&pair);
            return pair.map(f64::from);
        }
        [left, right].map(f64::from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo;
    use crate::scenario::Scenario;

    #[test]
    fn the_table_is_within_an_eighth_of_a_micrometre_of_the_bed() {
        let glass = include_str!("../../../demo/glass.toml");
        for scenario in [demo::scenario().unwrap(), Scenario::parse(glass, "glass.toml", "".into()).unwrap()] {
            is_near_the_bed(&scenario);
        }
    }

    fn is_near_the_bed(scenario: &Scenario) {
        let bed = ModelledBed::new(scenario, scenario.warmth_printing()).unwrap();
        let mut table = HeightTable::new(&bed, scenario.bed.x_mm, scenario.bed.y_mm);
        assert!(table.columns > 100);
        let mut worst_um = 0.0_f64;
        // Steps that share no measure with the lattice, and a margin around the bed.
        for x in 0..700 {
            for y in 0..650 {
                let (x_mm, y_mm) = (f64::from(x) * 0.3337 - 5.0, f64::from(y) * 0.3571 - 5.0);
                let off_um = table.height_um(&bed, x_mm, y_mm) - bed.height_um(x_mm, y_mm);
                worst_um = worst_um.max(off_um.abs());
            }
        }
        assert!(worst_um > 0.0 && worst_um <= 0.126, "{worst_um}");
    }
}
