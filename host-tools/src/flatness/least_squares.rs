//! The plane that makes the sum of squared normal deviations least.

use super::Vector;

/// Where the normal deviations of the points have the least sum of squares: through their mean.
pub(super) struct Plane {
    pub(super) mean: [f64; 3],
    pub(super) slope_x: f64,
    pub(super) slope_y: f64,
}

/// Total least squares: with the scatter `S` of the places and `s` of places with heights, the slopes solve
/// `(S − λ) slopes = s`, where `λ` is the least sum of squares itself (G. H. Golub, C. F. Van Loan, *An Analysis of the
/// Total Least Squares Problem*, SIAM J. Numer. Anal. 17(6), 1980, 883-893). Begun at λ = 0, the plain least-squares
/// plane; a bed is far wider than it is high, so that few rounds settle it.
///
/// None if the places are on one line.
pub(super) fn plane_through(points: &[Vector]) -> Option<Plane> {
    const ROUNDS: usize = 60;
    let count = points.len() as f64;
    // Differences of whole micrometres within 2^22, so exact.
    let mean = [0, 1, 2].map(|axis| points.iter().map(|point| point[axis] as f64).sum::<f64>() / count);
    let scatter = |a: usize, b: usize| -> f64 {
        points.iter().map(|point| (point[a] as f64 - mean[a]) * (point[b] as f64 - mean[b])).sum()
    };
    let (xx, xy, yy) = (scatter(0, 0), scatter(0, 1), scatter(1, 1));
    let (xz, yz, zz) = (scatter(0, 2), scatter(1, 2), scatter(2, 2));
    // Below this the points are one line but for rounding.
    if xx * yy - xy * xy <= xx * yy * 1e-12 {
        return None;
    }
    let (mut slope_x, mut slope_y, mut least) = (0.0, 0.0, 0.0);
    for _ in 0..ROUNDS {
        let (a, c) = (xx - least, yy - least);
        let determinant = a * c - xy * xy;
        (slope_x, slope_y) = ((xz * c - yz * xy) / determinant, (yz * a - xz * xy) / determinant);
        let next = zz - slope_x * xz - slope_y * yz;
        if next == least {
            break;
        }
        least = next;
    }
    (slope_x.is_finite() && slope_y.is_finite()).then_some(Plane { mean, slope_x, slope_y })
}

impl Plane {
    /// How far each point is from the plane, normal to it; positive above.
    pub(super) fn deviations_um(&self, points: &[Vector]) -> Vec<f64> {
        let Self { mean: [x, y, z], slope_x, slope_y } = *self;
        let lean = (1.0 + slope_x * slope_x + slope_y * slope_y).sqrt();
        let off =
            |point: &Vector| point[2] as f64 - z - slope_x * (point[0] as f64 - x) - slope_y * (point[1] as f64 - y);
        points.iter().map(|point| off(point) / lean).collect()
    }
}
