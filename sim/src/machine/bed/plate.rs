//! A thin elastic plate at its supports: sag by weight and clamps, bow by a temperature difference through it.
//!
//! Kirchhoff's plate theory (S. Timoshenko, S. Woinowsky-Krieger, *Theory of Plates and Shells*, 2nd ed. 1959), solved
//! once on a lattice of bicubic elements. What is solved is kept as heights, slopes and twists at the lattice's points:
//! afterwards a height costs one bicubic sum.

mod banded;
mod element;
#[cfg(test)]
mod tests;

use banded::Banded;
use element::UNKNOWNS;

use super::BedError;
use crate::scenario::{Bed, Held, Plate, Screw};

/// Standard acceleration of free fall (ISO 80000-3).
const FREE_FALL_M_S2: f64 = 9.80665;

/// Elements along the longer side, and the fewest along the other. The tests say how little is left to gain.
const ELEMENTS: usize = 24;
const FEWEST_ELEMENTS: usize = 8;

/// What bends a plate; places are relative to its middle.
#[derive(Clone, Debug, Default)]
struct Loads {
    /// Downwards, divided by the flexural rigidity, so that heights come out in µm.
    pressure_um_per_mm4: f64,
    /// Curvature that the plate would take if nothing held it; positive: edges up.
    free_curvature_um_per_mm2: f64,
    /// Downward forces, divided by the rigidity.
    forces_um_per_mm2: Vec<([f64; 2], f64)>,
}

/// What a plate cannot do; places are relative to its middle.
#[derive(Clone, Debug)]
enum Supports {
    /// Pass through these heights.
    Points(Vec<([f64; 2], f64)>),
    /// Leave the height of 0 along its edges.
    Edges,
}

/// A plate's shape.
#[derive(Clone, Debug)]
pub(super) struct Sheet {
    half_mm: [f64; 2],
    element_mm: [f64; 2],
    /// Elements along X and along Y.
    elements: [usize; 2],
    /// At each point of the lattice, rows along X: height, slopes and twist in the element's units.
    points_um: Vec<[f64; 4]>,
}

impl Sheet {
    /// The plate of a bed in which the lower face is `warmer_below_c` warmer than the upper.
    ///
    /// Held at its screws, the answer passes through their heights; along its edges, it is what the plate adds to the
    /// surface through them.
    pub(super) fn of_bed(bed: &Bed, plate: &Plate, middle_mm: [f64; 2], warmer_below_c: f64) -> Result<Self, BedError> {
        let size_mm = [bed.x_mm.length(), bed.y_mm.length()];
        let inside = |x_mm: f64, y_mm: f64| bed.x_mm.contains(x_mm) && bed.y_mm.contains(y_mm);
        let place = |x_mm: f64, y_mm: f64| [x_mm - middle_mm[0], y_mm - middle_mm[1]];
        if let Some(screw) = bed.screws.iter().find(|screw| !inside(screw.x_mm.0, screw.y_mm.0)) {
            return Err(BedError::BesidePlate { what: "screws", x_mm: screw.x_mm.0, y_mm: screw.y_mm.0 });
        }
        if let Some(clamp) = plate.clamps.iter().find(|clamp| !inside(clamp.x_mm.0, clamp.y_mm.0)) {
            return Err(BedError::BesidePlate { what: "plate.clamps", x_mm: clamp.x_mm.0, y_mm: clamp.y_mm.0 });
        }
        let properties = plate.material.properties();
        let thickness_mm = plate.thickness_mm.0;
        // In N·mm; 1 GPa is 1000 N/mm².
        let rigidity =
            properties.modulus_gpa * 1e3 * thickness_mm.powi(3) / (12.0 * (1.0 - properties.poisson.powi(2)));
        // In N/mm²: kg/m³ are 1e-9 kg/mm³.
        let weight = properties.density_kg_m3 * 1e-9 * FREE_FALL_M_S2 * thickness_mm;
        let loads = Loads {
            pressure_um_per_mm4: 1e3 * weight / rigidity,
            // A free plate bends by αΔT/h, its hot face outwards (Timoshenko & Woinowsky-Krieger, art. 14).
            free_curvature_um_per_mm2: 1e3 * properties.expansion_ppm_per_k * 1e-6 * warmer_below_c / thickness_mm,
            forces_um_per_mm2: plate
                .clamps
                .iter()
                .map(|clamp| (place(clamp.x_mm.0, clamp.y_mm.0), 1e3 * clamp.force_n.0 / rigidity))
                .collect(),
        };
        let point = |screw: &Screw| (place(screw.x_mm.0, screw.y_mm.0), screw.height_um.0);
        let supports = match plate.held {
            Held::AtScrews => Supports::Points(bed.screws.iter().map(point).collect()),
            Held::AlongEdges => Supports::Edges,
        };
        Self::solve(size_mm, properties.poisson, &loads, &supports, ELEMENTS).ok_or(BedError::Screws)
    }

    /// A weightless free plate through the heights of its screws: the surface of least bending energy. It reaches as far
    /// as its screws if they stand beside the bed. Poisson's ratio is a metal's.
    pub(super) fn ideal(bed: &Bed, middle_mm: [f64; 2], heights_um: &[f64]) -> Option<Self> {
        let place = |screw: &Screw| [screw.x_mm.0 - middle_mm[0], screw.y_mm.0 - middle_mm[1]];
        let reach = |axis: usize, side_mm: f64| {
            bed.screws.iter().map(|screw| 2.0 * place(screw)[axis].abs()).fold(side_mm, f64::max)
        };
        let size_mm = [reach(0, bed.x_mm.length()), reach(1, bed.y_mm.length())];
        let points = bed.screws.iter().map(place).zip(heights_um.iter().copied()).collect();
        Self::solve(size_mm, 0.33, &Loads::default(), &Supports::Points(points), ELEMENTS)
    }

    /// Solves a plate with so many elements along its longer side; none if nothing holds it.
    fn solve(size_mm: [f64; 2], poisson: f64, loads: &Loads, supports: &Supports, along_longer: usize) -> Option<Self> {
        let longer_mm = size_mm[0].max(size_mm[1]);
        let elements = size_mm.map(|side_mm| {
            // A share of a count: not negative, and small.
            ((along_longer as f64 * side_mm / longer_mm).round() as usize).max(FEWEST_ELEMENTS.min(along_longer))
        });
        let mut sheet = Self {
            half_mm: size_mm.map(|side_mm| side_mm / 2.0),
            element_mm: [size_mm[0] / elements[0] as f64, size_mm[1] / elements[1] as f64],
            elements,
            points_um: vec![[0.0; 4]; (elements[0] + 1) * (elements[1] + 1)],
        };
        let mut stiffness = sheet.stiffness(poisson);
        let mut right = sheet.right_hand_side(poisson, loads);
        let solution = match supports {
            Supports::Edges => {
                for unknown in sheet.unknowns_along_edges() {
                    stiffness.fix_at_zero(unknown);
                    right[unknown] = 0.0;
                }
                stiffness.factor()?.solve(right)
            }
            Supports::Points(points) => sheet.through_points(stiffness, right, points)?,
        };
        for (point, values) in sheet.points_um.iter_mut().zip(solution.chunks_exact(4)) {
            point.copy_from_slice(values);
        }
        Some(sheet)
    }

    /// Number of an element's unknown among all.
    fn number(&self, [column, row]: [usize; 2], unknown: usize) -> usize {
        let corner = unknown / 4;
        let point = (row + corner / 2) * (self.elements[0] + 1) + column + corner % 2;
        4 * point + unknown % 4
    }

    fn each_element(&self) -> impl Iterator<Item = [usize; 2]> + use<> {
        let [columns, rows] = self.elements;
        (0..rows).flat_map(move |row| (0..columns).map(move |column| [column, row]))
    }

    fn stiffness(&self, poisson: f64) -> Banded {
        let width = 4 * (self.elements[0] + 2) + 3;
        let mut matrix = Banded::new(4 * self.points_um.len(), width);
        let pairs: Vec<_> = (0..UNKNOWNS)
            .flat_map(|one| (0..UNKNOWNS).map(move |other| (one, other)))
            .map(|(one, other)| (one, other, element::stiffness(one, other, self.element_mm, poisson)))
            .collect();
        for place in self.each_element() {
            for &(one, other, value) in &pairs {
                matrix.add(self.number(place, one), self.number(place, other), value);
            }
        }
        matrix
    }

    fn right_hand_side(&self, poisson: f64, loads: &Loads) -> Vec<f64> {
        let mut right = vec![0.0; 4 * self.points_um.len()];
        let bending = (1.0 + poisson) * loads.free_curvature_um_per_mm2;
        for place in self.each_element() {
            for unknown in 0..UNKNOWNS {
                right[self.number(place, unknown)] += bending * element::curvature_load(unknown, self.element_mm)
                    - loads.pressure_um_per_mm4 * element::uniform_load(unknown, self.element_mm);
            }
        }
        for (place, force) in &loads.forces_um_per_mm2 {
            for (unknown, share) in self.shares(*place) {
                right[unknown] -= force * share;
            }
        }
        right
    }

    /// Heights and slopes along the edges that a frame below them fixes.
    fn unknowns_along_edges(&self) -> Vec<usize> {
        let [columns, rows] = self.elements;
        let mut unknowns = Vec::new();
        for row in 0..=rows {
            for column in 0..=columns {
                let (along_y, along_x) = (column == 0 || column == columns, row == 0 || row == rows);
                let first = 4 * (row * (columns + 1) + column);
                // Height, slope along X, slope along Y; the twist is free.
                let fixed = [along_x || along_y, along_x, along_y];
                unknowns.extend((0..3).filter(|&kind| fixed[kind]).map(|kind| first + kind));
            }
        }
        unknowns
    }

    /// Solves with Lagrange's multipliers. A free plate floats, so stiff springs hold it first; the multipliers then
    /// make up what the springs leave, and the answer does not depend on how stiff they are.
    fn through_points(
        &self,
        mut stiffness: Banded,
        mut right: Vec<f64>,
        points: &[([f64; 2], f64)],
    ) -> Option<Vec<f64>> {
        let spring = stiffness.largest_diagonal();
        let rows: Vec<Vec<(usize, f64)>> = points.iter().map(|(place, _)| self.shares(*place).collect()).collect();
        for (row, (_, height_um)) in rows.iter().zip(points) {
            for &(one, share) in row {
                right[one] += spring * height_um * share;
                for &(other, other_share) in row {
                    stiffness.add(one, other, spring * share * other_share);
                }
            }
        }
        let height = |row: &[(usize, f64)], values: &[f64]| -> f64 {
            row.iter().map(|&(unknown, share)| share * values[unknown]).sum()
        };
        let factor = stiffness.factor()?;
        let mut solution = factor.solve(right);
        let lifted: Vec<Vec<f64>> = rows
            .iter()
            .map(|row| {
                let mut unit = vec![0.0; solution.len()];
                row.iter().for_each(|&(unknown, share)| unit[unknown] = share);
                factor.solve(unit)
            })
            .collect();
        let mut flexibility = Banded::new(points.len(), points.len() - 1);
        for (one, row) in rows.iter().enumerate() {
            for (other, shape) in lifted.iter().enumerate() {
                flexibility.add(one, other, height(row, shape));
            }
        }
        let missing = rows.iter().zip(points).map(|(row, (_, height_um))| height_um - height(row, &solution)).collect();
        for (shape, force) in lifted.iter().zip(flexibility.factor()?.solve(missing)) {
            solution.iter_mut().zip(shape).for_each(|(value, lift)| *value += force * lift);
        }
        Some(solution)
    }

    /// Element of a place and where in it, 0 to 1; a place beside the plate counts as the nearest on it.
    fn locate(&self, place: [f64; 2]) -> ([usize; 2], [f64; 2]) {
        let along = |axis: usize| {
            let count = self.elements[axis];
            let position = ((place[axis] + self.half_mm[axis]) / self.element_mm[axis]).clamp(0.0, count as f64);
            // Not negative, and below the count.
            let element = (position as usize).min(count - 1);
            (element, position - element as f64)
        };
        let ((column, u), (row, v)) = (along(0), along(1));
        ([column, row], [u, v])
    }

    /// What each unknown adds to the height at a place.
    fn shares(&self, place: [f64; 2]) -> impl Iterator<Item = (usize, f64)> + '_ {
        let (element, [u, v]) = self.locate(place);
        let (along_x, along_y) = (element::hermite(u), element::hermite(v));
        (0..UNKNOWNS).map(move |unknown| {
            let (x, y) = element::along_axes(unknown);
            (self.number(element, unknown), along_x[x] * along_y[y])
        })
    }

    /// Height at a place relative to the middle; beside the plate its edge goes on.
    pub(super) fn height_um(&self, u: f64, v: f64) -> f64 {
        let ([column, row], [u, v]) = self.locate([u, v]);
        let (along_x, along_y) = (element::hermite(u), element::hermite(v));
        let corner = |point: usize, x: usize, y: usize| {
            let [height, slope_x, slope_y, twist] = self.points_um[point];
            along_y[y] * (along_x[x] * height + along_x[x + 1] * slope_x)
                + along_y[y + 1] * (along_x[x] * slope_y + along_x[x + 1] * twist)
        };
        let below = row * (self.elements[0] + 1) + column;
        let above = below + self.elements[0] + 1;
        corner(below, 0, 0) + corner(below + 1, 2, 0) + corner(above, 0, 2) + corner(above + 1, 2, 2)
    }

    /// Largest distance from its own best plane, with another surface below it, taken at the points of the lattice.
    pub(super) fn farthest_from_a_plane(&self, below_um: impl Fn(f64, f64) -> f64) -> f64 {
        let [columns, _] = self.elements;
        let at = |axis: usize, index: usize| index as f64 * self.element_mm[axis] - self.half_mm[axis];
        let places: Vec<[f64; 3]> = self
            .points_um
            .iter()
            .enumerate()
            .map(|(index, point)| {
                let (u, v) = (at(0, index % (columns + 1)), at(1, index / (columns + 1)));
                [u, v, point[0] + below_um(u, v)]
            })
            .collect();
        // What is no number counts as the largest.
        let Some([c0, c1, c2]) = super::best_plane(places.iter().copied()) else { return f64::INFINITY };
        let off_um = |[u, v, um]: &[f64; 3]| (um - c0 - c1 * u - c2 * v).abs();
        places.iter().map(off_um).max_by(f64::total_cmp).unwrap_or(0.0)
    }

    /// A bound on the curvature in any direction, in µm per mm².
    ///
    /// Each element is a Bézier patch; its second derivatives are patches over differences of its control heights and
    /// so never leave their range (G. Farin, *Curves and Surfaces for CAGD*, from memory).
    pub(super) fn largest_curvature(&self) -> f64 {
        let [a_mm, b_mm] = self.element_mm;
        let mut largest = 0.0_f64;
        for [column, row] in self.each_element() {
            let net = self.control_heights(column, row);
            let (mut along_x, mut along_y, mut twist) = (0.0_f64, 0.0_f64, 0.0_f64);
            let second = |a: f64, b: f64, c: f64| (a - 2.0 * b + c).abs();
            for net_row in &net {
                for three in net_row.windows(3) {
                    along_x = along_x.max(second(three[0], three[1], three[2]));
                }
            }
            for three in net.windows(3) {
                for ((a, b), c) in three[0].iter().zip(&three[1]).zip(&three[2]) {
                    along_y = along_y.max(second(*a, *b, *c));
                }
            }
            for y in 0..3 {
                for x in 0..3 {
                    twist = twist.max((net[y][x] - net[y][x + 1] - net[y + 1][x] + net[y + 1][x + 1]).abs());
                }
            }
            let bends = 6.0 * (along_x / (a_mm * a_mm)).max(along_y / (b_mm * b_mm));
            largest = largest.max(bends + 9.0 * twist / (a_mm * b_mm));
        }
        largest
    }

    /// The Bézier control heights of an element, rows along X.
    fn control_heights(&self, column: usize, row: usize) -> [[f64; 4]; 4] {
        let mut net = [[0.0; 4]; 4];
        for (y, net_row) in net.iter_mut().enumerate() {
            for (x, control) in net_row.iter_mut().enumerate() {
                let point = (row + y / 2) * (self.elements[0] + 1) + column + x / 2;
                let [height, slope_x, slope_y, twist] = self.points_um[point];
                // A third of the slope lies between a corner and its neighbour in the net.
                let third = |index: usize| [0.0, 1.0 / 3.0, -1.0 / 3.0, 0.0][index];
                *control = height + third(x) * slope_x + third(y) * slope_y + third(x) * third(y) * twist;
            }
        }
        net
    }
}
