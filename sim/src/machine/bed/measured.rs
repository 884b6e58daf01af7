//! A measured surface on a regular lattice of any size, smooth between its points.

use gapkeeper_host_tools::grid_file::MeasuredHeights;

/// Heights on a regular lattice; rows along X, the first row at the smallest Y. At least two rows and two columns.
#[derive(Clone, Debug)]
pub(super) struct Measured {
    x0_mm: f64,
    y0_mm: f64,
    pitch_x_mm: f64,
    pitch_y_mm: f64,
    columns: usize,
    rows: usize,
    heights_um: Vec<f64>,
}

impl From<MeasuredHeights> for Measured {
    fn from(surface: MeasuredHeights) -> Self {
        let mm = |um: f64| um / 1000.0;
        Self {
            x0_mm: mm(surface.x0_um.into()),
            y0_mm: mm(surface.y0_um.into()),
            pitch_x_mm: mm(surface.pitch_x_um.into()),
            pitch_y_mm: mm(surface.pitch_y_um.into()),
            columns: surface.columns,
            rows: surface.rows,
            heights_um: surface.heights_um.into_iter().map(f64::from).collect(),
        }
    }
}

impl Measured {
    fn node_um(&self, column: usize, row: usize) -> f64 {
        self.heights_um[row * self.columns + column]
    }

    /// Height at a place; outside the lattice the edge value holds.
    pub(super) fn height_um(&self, x_mm: f64, y_mm: f64) -> f64 {
        let (column, u) = cell((x_mm - self.x0_mm) / self.pitch_x_mm, self.columns);
        let (row, v) = cell((y_mm - self.y0_mm) / self.pitch_y_mm, self.rows);
        cubic(self.rows, row, v, |row| cubic(self.columns, column, u, |column| self.node_um(column, row)))
    }

    /// A bound on the curvature in any direction, in µm per mm².
    ///
    /// Along one axis the second derivative of the interpolant is a line between `2·D0 − D1` and `2·D1 − D0`, `D` the
    /// second differences, and interpolating across multiplies by at most 1.25.
    pub(super) fn largest_curvature(&self) -> f64 {
        let second = |a: f64, b: f64, c: f64| (a - 2.0 * b + c).abs();
        let (mut along_x, mut along_y, mut twist) = (0.0_f64, 0.0_f64, 0.0_f64);
        for row in 0..self.rows {
            for column in 0..self.columns {
                let here = self.node_um(column, row);
                if (1..self.columns - 1).contains(&column) {
                    along_x = along_x.max(second(self.node_um(column - 1, row), here, self.node_um(column + 1, row)));
                }
                if (1..self.rows - 1).contains(&row) {
                    along_y = along_y.max(second(self.node_um(column, row - 1), here, self.node_um(column, row + 1)));
                }
                if column + 1 < self.columns && row + 1 < self.rows {
                    let (right, up) = (self.node_um(column + 1, row), self.node_um(column, row + 1));
                    twist = twist.max((here - right - up + self.node_um(column + 1, row + 1)).abs());
                }
            }
        }
        3.75 * (along_x / self.pitch_x_mm.powi(2)).max(along_y / self.pitch_y_mm.powi(2))
            + 2.25 * twist / (self.pitch_x_mm * self.pitch_y_mm)
    }
}

/// Cell and fraction of a position in units of the pitch.
fn cell(position: f64, count: usize) -> (usize, f64) {
    let position = position.clamp(0.0, (count - 1) as f64);
    // Not negative, and below the count.
    let cell = (position as usize).min(count - 2);
    (cell, position - cell as f64)
}

/// Keys' cubic convolution with his end conditions (R. G. Keys, IEEE Trans. ASSP 29(6), 1981, 1153-1160, a = -1/2).
fn cubic(count: usize, cell: usize, u: f64, node: impl Fn(usize) -> f64) -> f64 {
    let (here, next) = (node(cell), node(cell + 1));
    if count < 3 {
        return here + (next - here) * u;
    }
    let before = if cell > 0 { node(cell - 1) } else { 3.0 * (here - next) + node(cell + 2) };
    let after = if cell + 2 < count { node(cell + 2) } else { 3.0 * (next - here) + node(cell - 1) };
    let third = 3.0 * (here - next) + after - before;
    let second = 2.0 * before - 5.0 * here + 4.0 * next - after + third * u;
    here + u / 2.0 * (next - before + u * second)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passes_through_its_points_and_reproduces_a_quadratic() {
        let quadratic = |x: f64, y: f64| 3.0 + 0.2 * x - 0.1 * y + 0.03 * x * x - 0.02 * y * y + 0.01 * x * y;
        let mut measured = Measured {
            x0_mm: -10.0,
            y0_mm: 5.0,
            pitch_x_mm: 4.0,
            pitch_y_mm: 6.0,
            columns: 8,
            rows: 6,
            heights_um: Vec::new(),
        };
        for row in 0..6 {
            for column in 0..8 {
                let place = (-10.0 + 4.0 * f64::from(column), 5.0 + 6.0 * f64::from(row));
                measured.heights_um.push(quadratic(place.0, place.1));
            }
        }
        for (x_mm, y_mm) in [(-10.0, 5.0), (18.0, 35.0), (-9.0, 34.0), (3.3, 17.1), (17.9, 5.2)] {
            assert!((measured.height_um(x_mm, y_mm) - quadratic(x_mm, y_mm)).abs() < 1e-9, "{x_mm}, {y_mm}");
        }
        assert_eq!(measured.height_um(-99.0, -99.0), quadratic(-10.0, 5.0));
        // The bound holds what is there: 2·0.03 along X and 0.01 twist.
        assert!(measured.largest_curvature() >= 0.07 && measured.largest_curvature() < 0.5);
    }
}
