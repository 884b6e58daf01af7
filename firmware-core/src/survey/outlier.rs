//! How far a reading is from what all others predict.

use crate::deviation::Deviation;
use crate::grid::HeightGrid;

impl<const CAPACITY: usize> HeightGrid<CAPACITY> {
    /// How a node deviates from the surface of second degree that all other nodes predict; counted from 0.
    ///
    /// None for a node that is not there, or if the others do not determine the surface at it (up to 2×2 nodes).
    pub fn deviation(&self, column: u8, row: u8) -> Option<Deviation> {
        let lattice = self.lattice();
        let node = usize::from(row) * usize::from(lattice.columns) + usize::from(column);
        let height_um = |node: usize| self.nodes_um().get(node).copied().map(i32::from);
        (column < lattice.columns).then(|| deviation(lattice.columns, lattice.rows, node, height_um))?
    }
}

/// How a reading deviates from the best surface of second degree through all of them.
///
/// Least squares on the products of discrete orthogonal polynomials (P. L. Chebyshev's; on an even lattice they make
/// the normal equations diagonal), constant to second degree in all: a bow or a twist is no surprise, a slip of the
/// hand is.
///
/// None if a reading is missing, or if the others do not determine the surface there (up to 2×2 stations).
pub(super) fn deviation(
    columns: u8,
    rows: u8,
    node: usize,
    reading_um: impl Fn(usize) -> Option<i32>,
) -> Option<Deviation> {
    let (width, height) = (usize::from(columns), usize::from(rows));
    let (column, row) = (node.checked_rem(width)?, node.checked_div(width)?);
    let norms =
        |count: u8| [0, 1, 2].map(|degree| (0..count).map(|at| polynomial(count, degree, at).pow(2)).sum::<i64>());
    let (norms_x, norms_y) = (norms(columns), norms(rows));
    // Residual with 8 fractional bits, and 1 − h with 16.
    let mut residual_q8 = i64::from(reading_um(node)?) << 8;
    let mut free_q16 = 1_i64 << 16;
    for degree_x in 0..3_u8 {
        for degree_y in 0..3 - degree_x {
            let norm = norms_x.get(usize::from(degree_x))? * norms_y.get(usize::from(degree_y))?;
            if norm == 0 {
                // Two stations along an axis know no curvature.
                continue;
            }
            let mut sum = 0_i64;
            for other in 0..width * height {
                let value = product(columns, rows, degree_x, degree_y, other);
                sum += value * i64::from(reading_um(other)?);
            }
            let here = product(columns, rows, degree_x, degree_y, row * width + column);
            residual_q8 -= (sum * here * 256).checked_div(norm)?;
            free_q16 -= (here * here * 65_536).checked_div(norm)?;
        }
    }
    // Below a fiftieth nothing is left of the reading in its own residual but rounding.
    (free_q16 >= 65_536 / 50).then(|| Deviation::new(residual_q8, free_q16))
}

fn product(columns: u8, rows: u8, degree_x: u8, degree_y: u8, node: usize) -> i64 {
    let width = usize::from(columns);
    // At most 15 each.
    let (column, row) = (node.checked_rem(width).unwrap_or(0) as u8, node.checked_div(width).unwrap_or(0) as u8);
    polynomial(columns, degree_x, column) * polynomial(rows, degree_y, row)
}

/// Discrete orthogonal polynomial on `count` even places, scaled to integers: 1, u, 3u² − (n² − 1) with
/// u = 2i − (n − 1). The last is zero everywhere for two places.
fn polynomial(count: u8, degree: u8, at: u8) -> i64 {
    let (count, at) = (i64::from(count), i64::from(at));
    let u = 2 * at - (count - 1);
    match degree {
        0 => 1,
        1 => u,
        _ => 3 * u * u - (count * count - 1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polynomials_are_orthogonal() {
        for count in 2..=16 {
            for (a, b) in [(0, 1), (0, 2), (1, 2)] {
                let sum: i64 = (0..count).map(|at| polynomial(count, a, at) * polynomial(count, b, at)).sum();
                assert_eq!(sum, 0, "{count} places, degrees {a} and {b}");
            }
        }
    }

    /// On any quadratic surface nothing is off; a slip is found where it is, in its full size.
    #[test]
    fn a_slip_on_a_bow_is_found_in_its_full_size() {
        for (columns, rows) in [(3, 3), (4, 3), (5, 5), (16, 16), (2, 5)] {
            let quadratic = |node: usize| {
                let (u, v) = ((node % usize::from(columns)) as i32, (node / usize::from(columns)) as i32);
                let bend = if columns > 2 { 30 * u * u } else { 0 };
                100 - bend + 12 * v * v + 7 * u * v - 20 * u + 5 * v
            };
            for slipped in 0..usize::from(columns) * usize::from(rows) {
                let reading = |node: usize| Some(quadratic(node) + if node == slipped { 200 } else { 0 });
                let found = deviation(columns, rows, slipped, reading).unwrap();
                let rank = |node| deviation(columns, rows, node, reading).map_or(0, Deviation::rank);
                // Rounding aside, nobody stands out more than the culprit; on a small lattice others may as much.
                let most = (0..usize::from(columns) * usize::from(rows)).map(rank).max();
                assert!(Some(found.rank() + found.rank() / 50) >= most, "{columns} x {rows}, node {slipped}");
                let found = found.off_um();
                assert!((found - 200).abs() <= 3, "{columns} x {rows}, node {slipped}: {found}");
                let sound = deviation(columns, rows, slipped, |node| Some(quadratic(node))).unwrap();
                assert!(sound.off_um().abs() <= 3);
            }
        }
    }

    #[test]
    fn the_nodes_of_a_grid_are_readings_too() {
        let lattice = crate::Lattice { x0_um: 5, y0_um: -7, pitch_x_um: 900, pitch_y_um: 400, columns: 4, rows: 3 };
        let height_um = |column, row| i32::from(20 * column * column) - i32::from(row) * 30;
        let slipped = |column, row| height_um(column, row) + if (column, row) == (2, 1) { -90 } else { 0 };
        let grid = HeightGrid::<12>::from_fn(lattice, slipped).unwrap();
        assert!((grid.deviation(2, 1).unwrap().off_um() + 90).abs() <= 3);
        assert!(grid.deviation(4, 0).is_none() && grid.deviation(0, 3).is_none() && grid.deviation(255, 255).is_none());
    }

    #[test]
    fn too_few_readings_predict_nothing() {
        assert!(deviation(2, 2, 0, |_| Some(5)).is_none());
        assert!(deviation(3, 3, 0, |node| (node != 4).then_some(5)).is_none());
    }
}
