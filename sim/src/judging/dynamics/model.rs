//! The correction in real numbers, written anew from its definition: what the core's integers are judged against.

use gapkeeper::{Correction, HeightGrid};

/// A correction: `z_machine = z + s + m + F(z)·r(x, y)` with the bilinear shape `r`; micrometres throughout.
#[derive(Clone, Debug)]
pub(crate) struct Model {
    origin_um: [f64; 2],
    pitch_um: [f64; 2],
    nodes: [usize; 2],
    /// Heights less the mean, row by row.
    shape_um: Vec<f64>,
    pub(crate) mean_um: f64,
    pub(crate) shift_um: f64,
    /// Full below, zero above.
    pub(crate) fade_um: Option<[f64; 2]>,
}

impl Model {
    pub(crate) fn of<const N: usize>(correction: &Correction<N>) -> Self {
        let fade = correction.fade();
        Self {
            shift_um: correction.shift_um().into(),
            fade_um: fade.map(|fade| [fade.full_below_um().into(), fade.zero_above_um().into()]),
            ..Self::of_grid(correction.grid())
        }
    }

    /// A grid in force at every height, without a shift.
    pub(crate) fn of_grid<const N: usize>(grid: &HeightGrid<N>) -> Self {
        let lattice = grid.lattice();
        let mean_um = f64::from(grid.mean_um());
        Self {
            origin_um: [lattice.x0_um.into(), lattice.y0_um.into()],
            pitch_um: [lattice.pitch_x_um.into(), lattice.pitch_y_um.into()],
            nodes: [lattice.columns.into(), lattice.rows.into()],
            shape_um: grid.nodes_um().iter().map(|&node_um| f64::from(node_um) - mean_um).collect(),
            mean_um,
            shift_um: 0.0,
            fade_um: None,
        }
    }

    /// Nodes along X and Y.
    pub(crate) fn nodes(&self) -> [usize; 2] {
        self.nodes
    }

    /// The same with other heights less the mean, row by row on these nodes.
    pub(crate) fn with_shape(&self, shape_um: impl Fn(usize, usize) -> f64) -> Self {
        let [columns, rows] = self.nodes;
        let places = (0..rows).flat_map(|row| (0..columns).map(move |column| (column, row)));
        Self { shape_um: places.map(|(column, row)| shape_um(column, row)).collect(), ..self.clone() }
    }

    /// Height less the mean at a node.
    pub(crate) fn node_um(&self, column: usize, row: usize) -> f64 {
        self.shape_um[row * self.nodes[0] + column]
    }

    /// The cell's first node along an axis and the fraction of the cell; outside, the edge.
    fn cell(&self, axis: usize, coordinate_um: f64) -> (usize, f64) {
        let last = self.nodes[axis] - 1;
        let position = ((coordinate_um - self.origin_um[axis]) / self.pitch_um[axis]).clamp(0.0, last as f64);
        // Not negative, and below the number of nodes.
        let cell = (position as usize).min(last - 1);
        (cell, position - cell as f64)
    }

    /// The four nodes around a place, column by column in a row, with their weights (Abramowitz & Stegun 25.2.66).
    fn weights(&self, x_um: f64, y_um: f64) -> [(usize, f64); 4] {
        let ((column, u), (row, v)) = (self.cell(0, x_um), self.cell(1, y_um));
        let node = row * self.nodes[0] + column;
        let next = node + self.nodes[0];
        [(node, (1.0 - u) * (1.0 - v)), (node + 1, u * (1.0 - v)), (next, (1.0 - u) * v), (next + 1, u * v)]
    }

    /// Height less the mean.
    pub(crate) fn shape(&self, x_um: f64, y_um: f64) -> f64 {
        self.weights(x_um, y_um).iter().map(|&(node, weight)| self.shape_um[node] * weight).sum()
    }

    /// Share of the shape in force at a logical height.
    pub(crate) fn share(&self, z_um: f64) -> f64 {
        self.fade_um.map_or(1.0, |[full_below_um, zero_above_um]| {
            ((zero_above_um - z_um) / (zero_above_um - full_below_um)).clamp(0.0, 1.0)
        })
    }

    /// Thickness laid by thickness asked for: 1 but in the fade (F-1 of the published check values).
    pub(crate) fn thickness(&self, x_um: f64, y_um: f64, z_um: f64) -> f64 {
        match self.fade_um {
            Some([full_below_um, zero_above_um]) if z_um > full_below_um && z_um < zero_above_um => {
                1.0 - self.shape(x_um, y_um) / (zero_above_um - full_below_um)
            }
            _ => 1.0,
        }
    }

    /// Machine height for a logical height.
    pub(crate) fn machine_z(&self, x_um: f64, y_um: f64, z_um: f64) -> f64 {
        z_um + self.shift_um + self.mean_um + self.share(z_um) * self.shape(x_um, y_um)
    }

    /// Where between 0 and 1 a straight way meets lines of nodes or an end of the fade: sorted, 0 and 1 included.
    pub(crate) fn corners(&self, start_um: [f64; 3], end_um: [f64; 3], corners: &mut Vec<f64>) {
        corners.clear();
        corners.extend([0.0, 1.0]);
        let mut meet = |axis: usize, line_um: f64| {
            let fraction = (line_um - start_um[axis]) / (end_um[axis] - start_um[axis]);
            if fraction > 0.0 && fraction < 1.0 {
                corners.push(fraction);
            }
        };
        for axis in 0..2 {
            for node in 0..self.nodes[axis] {
                meet(axis, self.origin_um[axis] + self.pitch_um[axis] * node as f64);
            }
        }
        self.fade_um.into_iter().flatten().for_each(|line_um| meet(2, line_um));
        corners.sort_by(f64::total_cmp);
        corners.dedup();
    }
}
