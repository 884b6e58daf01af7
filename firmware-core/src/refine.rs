//! A denser grid from few readings, computed once, so that run time stays bilinear.

use crate::axis::{Axis, MAX_NODES_PER_AXIS};
use crate::grid::{GridError, HeightGrid, Lattice};

impl<const CAPACITY: usize> HeightGrid<CAPACITY> {
    /// A grid of `columns` by `rows` nodes over the same area, in memory for `REFINED` nodes.
    ///
    /// The surface is Keys' cubic convolution with his end conditions (R. G. Keys, IEEE Trans. ASSP 29(6), 1981,
    /// 1153-1160, a = -1/2): it passes through every reading and reproduces every quadratic shape. Along an axis
    /// with two readings it is a straight line. The new pitch is rounded down to whole micrometres, so the last
    /// node may stand up to 14 µm inside the old one.
    ///
    /// # Errors
    /// [`GridError`] if the size is out of range or exceeds the memory, or if the surface leaves the range of
    /// heights between readings.
    pub fn refined<const REFINED: usize>(&self, columns: u8, rows: u8) -> Result<HeightGrid<REFINED>, GridError> {
        let pitch_um =
            |axis: &Axis, nodes: u8| axis.span_um().checked_div(u32::from(nodes).saturating_sub(1)).unwrap_or(0);
        let lattice = Lattice {
            pitch_x_um: pitch_um(&self.x, columns),
            pitch_y_um: pitch_um(&self.y, rows),
            columns,
            rows,
            ..self.lattice()
        };
        let stride = usize::from(self.x.nodes());
        HeightGrid::from_fn(lattice, |column, row| {
            let (x_um, y_um) = lattice.node_um(column, row);
            let (column, u) = cell_q30(&self.x, x_um);
            let (row, v) = cell_q30(&self.y, y_um);
            let height_q8 = cubic(self.y.nodes().into(), row, v, |row| {
                cubic(stride, column, u, |column| {
                    self.nodes_um().get(row * stride + column).map_or(0, |&height_um| i64::from(height_um) << 8)
                })
            });
            // Not above a few times the largest node.
            ((height_q8 + 128) >> 8) as i32
        })
    }
}

impl<const CAPACITY: usize> HeightGrid<CAPACITY> {
    /// The densest refined grid that keeps every reading as a node and fits `REFINED` nodes.
    ///
    /// # Errors
    /// As for [`Self::refined`]; [`GridError::Capacity`] if not even the readings fit.
    pub fn densest<const REFINED: usize>(&self) -> Result<HeightGrid<REFINED>, GridError> {
        let cells = [self.x.nodes() - 1, self.y.nodes() - 1];
        let nodes = |parts: u8| cells.map(|cells| u16::from(cells) * u16::from(parts) + 1);
        let fits = |&parts: &u8| {
            let [columns, rows] = nodes(parts).map(usize::from);
            columns.max(rows) <= MAX_NODES_PER_AXIS.into() && columns * rows <= REFINED
        };
        let [columns, rows] = nodes((1..MAX_NODES_PER_AXIS).rev().find(fits).unwrap_or(1));
        // At most 16.
        self.refined(columns as u8, rows as u8)
    }
}

/// Cell that holds a coordinate, and the exact fraction of the cell with 30 bits, rounded down.
fn cell_q30(axis: &Axis, coordinate_um: i32) -> (usize, i64) {
    let distance_um = axis.distance_um(coordinate_um);
    let cell = distance_um.checked_div(axis.pitch_um()).unwrap_or(0).min(u32::from(axis.nodes()) - 2);
    let rest = i64::from(distance_um - cell * axis.pitch_um()) << 30;
    (cell as usize, rest.checked_div(i64::from(axis.pitch_um())).unwrap_or(0))
}

/// Keys' interpolant in one dimension, at `fraction_q30` of the cell that begins at node `cell` of `count`.
fn cubic(count: usize, cell: usize, fraction_q30: i64, node: impl Fn(usize) -> i64) -> i64 {
    let (here, next) = (node(cell), node(cell + 1));
    if count < 3 {
        return here + (((next - here) * fraction_q30) >> 30);
    }
    let before = if cell > 0 { node(cell - 1) } else { 3 * here - 3 * next + node(cell + 2) };
    let after = if cell + 2 < count { node(cell + 2) } else { 3 * next - 3 * here + node(cell - 1) };
    let third = 3 * (here - next) + after - before;
    let second = 2 * before - 5 * here + 4 * next - after + ((third * fraction_q30) >> 30);
    let first = next - before + ((second * fraction_q30) >> 30);
    here + ((first * fraction_q30) >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// I-9: R. G. Keys 1981, weights at the middle of a cell: -1/16, 9/16, 9/16, -1/16.
    #[test]
    fn weights_at_the_middle() {
        for (place, weight) in [-1, 9, 9, -1].into_iter().enumerate() {
            let value = cubic(4, 1, 1 << 29, |node| if node == place { 16 << 8 } else { 0 });
            assert_eq!(value, weight << 8);
        }
    }

    #[test]
    fn two_readings_make_a_straight_line() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 1200, pitch_y_um: 1200, columns: 2, rows: 2 };
        let grid = HeightGrid::<4>::new(lattice, &[0, 120, 120, 240]).unwrap();
        let fine = grid.refined::<9>(3, 3).unwrap();
        assert_eq!(fine.nodes_um(), [0, 60, 120, 60, 120, 180, 120, 180, 240]);
    }

    #[test]
    fn the_densest_grid_keeps_every_reading() {
        for (columns, rows, dense) in
            [(3, 3, (15, 15)), (2, 2, (16, 16)), (4, 4, (16, 16)), (5, 4, (13, 10)), (9, 2, (9, 2)), (16, 16, (16, 16))]
        {
            let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 42_000, pitch_y_um: 42_000, columns, rows };
            let grid = HeightGrid::<256>::from_fn(lattice, |c, r| i32::from(c * 7) - i32::from(r * r)).unwrap();
            let fine = grid.densest::<256>().unwrap();
            assert_eq!((fine.lattice().columns, fine.lattice().rows), dense);
            for (column, row) in (0..columns).flat_map(|column| (0..rows).map(move |row| (column, row))) {
                let (x_um, y_um) = lattice.node_um(column, row);
                assert_eq!(fine.height_um(x_um, y_um), grid.height_um(x_um, y_um), "{columns} x {rows}");
            }
        }
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 42_000, pitch_y_um: 42_000, columns: 3, rows: 3 };
        let grid = HeightGrid::<9>::from_fn(lattice, |_, _| 0).unwrap();
        assert_eq!(grid.densest::<48>().map(|fine| fine.lattice().columns), Ok(5));
        assert_eq!(grid.densest::<8>().unwrap_err(), GridError::Capacity { needed: 9, capacity: 8 });
    }

    #[test]
    fn never_beyond_the_memory_or_the_range() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 10_000, pitch_y_um: 10_000, columns: 3, rows: 3 };
        let grid = HeightGrid::<9>::new(lattice, &[8191, 8191, -8191, 8191, 8191, -8191, 8191, 8191, -8191]).unwrap();
        assert_eq!(grid.refined::<24>(5, 5).unwrap_err(), GridError::Capacity { needed: 25, capacity: 24 });
        assert!(matches!(grid.refined::<25>(1, 5), Err(GridError::NodeCount { .. })));
        assert!(matches!(grid.refined::<25>(0, 5), Err(GridError::NodeCount { .. })));
        // The parabola through 8191, 8191, -8191 rises above 8191 between the first two.
        assert!(matches!(grid.refined::<25>(5, 5), Err(GridError::HeightOutOfRange { column: 1, row: 0, .. })));
    }
}
