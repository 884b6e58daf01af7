//! The bicubic rectangle: height, both slopes and twist at each corner, so that neighbours join without a crease.
//!
//! F. K. Bogner, R. L. Fox, L. A. Schmit, "The generation of interelement compatible stiffness and mass matrices by the
//! use of interpolation formulas", Proc. Conf. Matrix Methods in Structural Mechanics, 1965 (from memory). Unknowns at a
//! corner: height, slope along X times the element's length, slope along Y times its width, twist times both.

/// Unknowns of an element: four at each of four corners.
pub(super) const UNKNOWNS: usize = 16;

/// Hermite's cubics on 0 to 1: height and slope at 0, height and slope at 1.
pub(super) fn hermite(at: f64) -> [f64; 4] {
    let (square, cube) = (at * at, at * at * at);
    [1.0 - 3.0 * square + 2.0 * cube, at - 2.0 * square + cube, 3.0 * square - 2.0 * cube, cube - square]
}

/// Corner and kind of an unknown along X and along Y, as indices into [`hermite`]'s answer.
pub(super) fn along_axes(unknown: usize) -> (usize, usize) {
    let (corner, kind) = (unknown / 4, unknown % 4);
    (2 * (corner % 2) + kind % 2, 2 * (corner / 2) + kind / 2)
}

// Integrals of products of Hermite's cubics over 0 to 1 (the beam element of any text on finite elements).
const PRODUCT: [[f64; 4]; 4] =
    [[156.0, 22.0, 54.0, -13.0], [22.0, 4.0, 13.0, -3.0], [54.0, 13.0, 156.0, -22.0], [-13.0, -3.0, -22.0, 4.0]];
const PRODUCT_OVER: f64 = 420.0;
const SLOPES: [[f64; 4]; 4] =
    [[36.0, 3.0, -36.0, 3.0], [3.0, 4.0, -3.0, -1.0], [-36.0, -3.0, 36.0, -3.0], [3.0, -1.0, -3.0, 4.0]];
const SLOPES_OVER: f64 = 30.0;
const CURVATURES: [[f64; 4]; 4] =
    [[12.0, 6.0, -12.0, 6.0], [6.0, 4.0, -6.0, 2.0], [-12.0, -6.0, 12.0, -6.0], [6.0, 2.0, -6.0, 4.0]];
const AREA: [f64; 4] = [1.0 / 2.0, 1.0 / 12.0, 1.0 / 2.0, -1.0 / 12.0];
const CURVATURE_AREA: [f64; 4] = [0.0, -1.0, 0.0, 1.0];

/// Integral of one curvature times the other height: by parts, with what stands at the ends.
fn curvature_times_height(curved: usize, high: usize) -> f64 {
    let ends = match (curved, high) {
        (3, 2) => 1.0,
        (1, 0) => -1.0,
        _ => 0.0,
    };
    ends - SLOPES[curved][high] / SLOPES_OVER
}

/// Stiffness between two unknowns of an element, for a flexural rigidity of 1.
///
/// From the bending energy `½∫ w_xx² + w_yy² + 2ν·w_xx·w_yy + 2(1−ν)·w_xy²` (Timoshenko & Woinowsky-Krieger).
pub(super) fn stiffness(one: usize, other: usize, [a_mm, b_mm]: [f64; 2], poisson: f64) -> f64 {
    let ((ix, iy), (jx, jy)) = (along_axes(one), along_axes(other));
    let product = |i: usize, j: usize| PRODUCT[i][j] / PRODUCT_OVER;
    let along_x = CURVATURES[ix][jx] * product(iy, jy) * b_mm / a_mm.powi(3);
    let along_y = product(ix, jx) * CURVATURES[iy][jy] * a_mm / b_mm.powi(3);
    let both = curvature_times_height(ix, jx) * curvature_times_height(jy, iy)
        + curvature_times_height(jx, ix) * curvature_times_height(iy, jy);
    let twist = SLOPES[ix][jx] * SLOPES[iy][jy] / (SLOPES_OVER * SLOPES_OVER);
    along_x + along_y + (poisson * both + 2.0 * (1.0 - poisson) * twist) / (a_mm * b_mm)
}

/// What an unknown gets of a uniform load of 1 over an element.
pub(super) fn uniform_load(unknown: usize, [a_mm, b_mm]: [f64; 2]) -> f64 {
    let (x, y) = along_axes(unknown);
    AREA[x] * AREA[y] * a_mm * b_mm
}

/// Integral of `w_xx + w_yy` of an unknown over an element.
pub(super) fn curvature_load(unknown: usize, [a_mm, b_mm]: [f64; 2]) -> f64 {
    let (x, y) = along_axes(unknown);
    CURVATURE_AREA[x] * AREA[y] * b_mm / a_mm + AREA[x] * CURVATURE_AREA[y] * a_mm / b_mm
}
