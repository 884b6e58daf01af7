//! A bed looked up instead of computed: the forms cost far more than a table's four nodes.

use std::sync::atomic::{AtomicU32, Ordering};

use super::ModelledBed;
use crate::scenario::Extent;

/// Nodes that a table may have, 4 bytes each; beyond, the bed is computed everywhere.
const MOST_NODES: usize = 4_000_000;

/// Heights on a fine lattice over the bed, computed where they are first asked for, by whatever thread; linear between.
///
/// The lattice is half as wide as [`ModelledBed::sample_step_mm`], at which linear interpolation is off by a quarter
/// of a micrometre at most along each axis, and so by an eighth of one in all.
pub(crate) struct HeightTable {
    start_mm: [f64; 2],
    nodes_per_mm: [f64; 2],
    columns: usize,
    rows: usize,
    /// Bits of a float; no number where it was not asked for yet.
    heights_um: Vec<AtomicU32>,
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
            heights_um: std::iter::repeat_with(|| f32::NAN.to_bits().into()).take(columns * rows).collect(),
        }
    }

    /// Height of the bed above the machine's zero; computed outside the table.
    pub(crate) fn height_um(&self, bed: &ModelledBed, x_mm: f64, y_mm: f64) -> f64 {
        let (u, v) =
            ((x_mm - self.start_mm[0]) * self.nodes_per_mm[0], (y_mm - self.start_mm[1]) * self.nodes_per_mm[1]);
        // Saturates below; the last node's cell is left to the bed itself.
        let (column, row) = (u as usize, v as usize);
        if u < 0.0 || v < 0.0 || column + 1 >= self.columns || row + 1 >= self.rows {
            return bed.height_um(x_mm, y_mm);
        }
        let (part_u, part_v) = (u - column as f64, v - row as f64);
        let [a, b] = [column, column + 1].map(|column| self.node(bed, column, row));
        let [c, d] = [column, column + 1].map(|column| self.node(bed, column, row + 1));
        let (near, far) = (a + (b - a) * part_u, c + (d - c) * part_u);
        near + (far - near) * part_v
    }

    #[inline]
    fn node(&self, bed: &ModelledBed, column: usize, row: usize) -> f64 {
        let node = &self.heights_um[row * self.columns + column];
        // Threads that ask at once compute the same; nothing else hangs on it.
        let known_um = f32::from_bits(node.load(Ordering::Relaxed));
        if !known_um.is_nan() {
            return known_um.into();
        }
        let place = |start_mm: f64, index: usize, per_mm: f64| start_mm + index as f64 / per_mm;
        let x_mm = place(self.start_mm[0], column, self.nodes_per_mm[0]);
        let height_um = bed.height_um(x_mm, place(self.start_mm[1], row, self.nodes_per_mm[1])) as f32;
        node.store(height_um.to_bits(), Ordering::Relaxed);
        height_um.into()
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
        let table = HeightTable::new(&bed, scenario.bed.x_mm, scenario.bed.y_mm);
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
