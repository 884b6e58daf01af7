//! Flatness by the definitions of ISO 12781-1: deviations are taken normal to a reference plane.
//!
//! Two planes serve as the reference: the least-squares plane (LSPL) and the two parallel planes of least separation
//! that enclose all points (MZPL, the minimum zone). FLTt is the whole width of the deviations, FLTp and FLTv their
//! reach above and below the least-squares plane, FLTq their root mean square.

mod least_squares;
mod minimum_zone;

use gapkeeper::{BedHeight, HeightGrid, MAX_HEIGHT_UM, MAX_SPAN_UM};

use least_squares::plane_through;
use minimum_zone::least_width_um;

/// A point in whole micrometres, or the way from one to another.
type Vector = [i64; 3];

/// How flat a set of points is; all figures in micrometres, normal to the reference plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flatness {
    /// FLTt (LSPL): from the lowest to the highest point about the least-squares plane.
    pub least_squares_um: f64,
    /// FLTp (LSPL): the highest point above that plane.
    pub peak_um: f64,
    /// FLTv (LSPL): the lowest point below that plane, as a positive number.
    pub valley_um: f64,
    /// FLTq (LSPL): root of the mean of the squared deviations.
    pub rms_um: f64,
    /// FLTt (MZPL): least separation of two parallel planes that enclose all points.
    pub minimum_zone_um: f64,
}

impl Flatness {
    /// The flatness of these points; there may be several of one place.
    ///
    /// The least-squares plane makes the sum of the squared normal deviations least. The minimum zone is exact but for
    /// the rounding of one division and one root: every pair of planes that can be the narrowest is tried in whole
    /// numbers. That holds as long as it is narrower than the bed is from edge to edge as seen from above; a wider one
    /// still encloses all points, but could be narrower between planes that are nearly upright.
    ///
    /// None with fewer than three points, if all lie on one line as seen from above, if one is farther than
    /// [`MAX_SPAN_UM`] from the first along an axis, or higher or lower than [`MAX_HEIGHT_UM`]. Takes the time of `n³`
    /// simple steps.
    pub fn of(points: &[BedHeight]) -> Option<Self> {
        let first = points.first()?;
        let is_held = |point: &BedHeight| {
            point.x_um.abs_diff(first.x_um).max(point.y_um.abs_diff(first.y_um)) <= MAX_SPAN_UM
                && point.height_um.unsigned_abs() <= MAX_HEIGHT_UM.unsigned_abs().into()
        };
        if !points.iter().all(is_held) {
            return None;
        }
        let from_first = |point: &BedHeight| {
            let along = |um: i32, first_um: i32| i64::from(um) - i64::from(first_um);
            [along(point.x_um, first.x_um), along(point.y_um, first.y_um), point.height_um.into()]
        };
        let points: Vec<Vector> = points.iter().map(from_first).collect();
        let minimum_zone_um = least_width_um(&points)?;
        let deviations_um = plane_through(&points)?.deviations_um(&points);
        let reach = |sign: f64| deviations_um.iter().map(|um| um * sign).fold(0.0, f64::max);
        let (peak_um, valley_um) = (reach(1.0), reach(-1.0));
        let squares: f64 = deviations_um.iter().map(|um| um * um).sum();
        let rms_um = (squares / deviations_um.len() as f64).sqrt();
        Some(Self { least_squares_um: peak_um + valley_um, peak_um, valley_um, rms_um, minimum_zone_um })
    }

    /// The flatness of a grid's nodes. Every grid has one.
    pub fn of_grid<const CAPACITY: usize>(grid: &HeightGrid<CAPACITY>) -> Option<Self> {
        Self::of(&places(grid))
    }
}

/// The nodes of a grid at their places, row by row.
pub fn places<const CAPACITY: usize>(grid: &HeightGrid<CAPACITY>) -> Vec<BedHeight> {
    let lattice = grid.lattice();
    let nodes = (0..lattice.rows).flat_map(|row| (0..lattice.columns).map(move |column| (column, row)));
    let heights = grid.nodes_um().iter();
    nodes
        .zip(heights)
        .map(|((column, row), &height_um)| {
            let (x_um, y_um) = lattice.node_um(column, row);
            BedHeight { x_um, y_um, height_um: height_um.into() }
        })
        .collect()
}

#[cfg(test)]
mod tests;
