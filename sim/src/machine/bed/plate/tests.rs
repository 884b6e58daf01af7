use super::*;

const SIDE_MM: f64 = 200.0;

fn pressure() -> Loads {
    // Heights then come out as shares of `q·a⁴/D`.
    Loads { pressure_um_per_mm4: SIDE_MM.powi(-4), ..Loads::default() }
}

fn corners([a_mm, b_mm]: [f64; 2]) -> Supports {
    let corner = |x: f64, y: f64| ([x * a_mm / 2.0, y * b_mm / 2.0], 0.0);
    Supports::Points(vec![corner(-1.0, -1.0), corner(1.0, -1.0), corner(-1.0, 1.0), corner(1.0, 1.0)])
}

fn square(poisson: f64, loads: &Loads, supports: &Supports, elements: usize) -> Sheet {
    Sheet::solve([SIDE_MM; 2], poisson, loads, supports, elements).unwrap()
}

fn close(found: f64, wanted: f64, share: f64) {
    assert!((found / wanted - 1.0).abs() < share, "{found} instead of {wanted}");
}

/// M-1 to M-3: Timoshenko & Woinowsky-Krieger, Table 8, by the series; Roark, Table 11.4 case 1a, to 10.92 times that.
/// Poisson's ratio does not matter.
#[test]
fn simply_supported_edges_under_uniform_load() {
    for (longer, alpha) in [
        (1.0, 0.004_062_352_7),
        (1.2, 0.005_650_53),
        (1.4, 0.007_084_92),
        (1.5, 0.007_724_02),
        (1.6, 0.008_308_12),
        (2.0, 0.010_128_66),
        (3.0, 0.012_232_81),
    ] {
        for size_mm in [[SIDE_MM, longer * SIDE_MM], [longer * SIDE_MM, SIDE_MM]] {
            for poisson in [0.2, 0.33] {
                let sheet = Sheet::solve(size_mm, poisson, &pressure(), &Supports::Edges, ELEMENTS).unwrap();
                close(-sheet.height_um(0.0, 0.0), alpha, 2e-4);
            }
        }
    }
    for (longer, printed) in [(1.0, 0.0444), (1.4, 0.0770), (1.8, 0.1017), (3.0, 0.1335)] {
        let size_mm = [longer * SIDE_MM, SIDE_MM];
        let sheet = Sheet::solve(size_mm, 0.3, &pressure(), &Supports::Edges, ELEMENTS).unwrap();
        close(-sheet.height_um(0.0, 0.0) * 12.0 * (1.0 - 0.09), printed, 0.005);
    }
}

/// M-5: Navier's series, at places away from the middle.
#[test]
fn simply_supported_edges_everywhere() {
    use std::f64::consts::PI;
    let sheet = square(0.3, &pressure(), &Supports::Edges, ELEMENTS);
    for (x, y) in [(0.5, 0.5), (0.25, 0.5), (0.1, 0.3), (0.05, 0.05), (0.37, 0.91)] {
        let odd = || (0..60).map(|index| f64::from(2 * index + 1));
        let term = |m: f64, n: f64| (m * PI * x).sin() * (n * PI * y).sin() / (m * n * (m * m + n * n).powi(2));
        let series: f64 = odd().flat_map(|m| odd().map(move |n| term(m, n))).sum::<f64>() * 16.0 / PI.powi(6);
        let found = -sheet.height_um((x - 0.5) * SIDE_MM, (y - 0.5) * SIDE_MM);
        assert!((found - series).abs() < 2e-6 * 0.004, "{x} {y}: {found} instead of {series}");
    }
}

/// M-6 and M-8: computed by Ritz's method with Legendre products to degree 50. Printed values scatter by 10 % (M-7).
#[test]
fn four_corner_points_under_uniform_load() {
    for (poisson, centre, mid_edge) in [
        (0.0, 0.028_204_5, 0.017_428_1),
        (0.2, 0.025_948_7, 0.017_272_8),
        (0.22, 0.025_823_4, 0.017_334_9),
        (0.25, 0.025_669_5, 0.017_457_7),
        (0.3, 0.025_506_5, 0.017_747_4),
        (0.33, 0.025_467_8, 0.017_977_4),
    ] {
        let sheet = square(poisson, &pressure(), &corners([SIDE_MM; 2]), ELEMENTS);
        close(-sheet.height_um(0.0, 0.0), centre, 2e-3);
        close(-sheet.height_um(SIDE_MM / 2.0, 0.0), mid_edge, 2e-3);
        close(-sheet.height_um(0.0, -SIDE_MM / 2.0), mid_edge, 2e-3);
    }
    let sheet = square(0.3, &pressure(), &corners([SIDE_MM; 2]), ELEMENTS);
    for (x, y, wanted) in [
        (0.25, 0.0, 0.024_847),
        (0.5, 0.0, 0.023_012),
        (0.75, 0.0, 0.020_422),
        (0.5, 0.5, 0.019_864),
        (0.75, 0.75, 0.012_097),
        (1.0, 0.5, 0.012_758),
        (1.0, 0.75, 0.007_026),
        (1.0, 1.0, 0.0),
    ] {
        let found = -sheet.height_um(x * SIDE_MM / 2.0, y * SIDE_MM / 2.0);
        assert!((found - wanted).abs() < 4e-5, "{x}, {y}: {found} instead of {wanted}");
    }
}

/// Timoshenko & Woinowsky-Krieger, Table 23: a force in the middle of a square on its edges, 0.01160·P·a²/D (from
/// memory), by Navier's series here.
#[test]
fn a_force_in_the_middle() {
    use std::f64::consts::PI;
    let loads = Loads { forces_um_per_mm2: vec![([0.0; 2], SIDE_MM.powi(-2))], ..Loads::default() };
    let odd = || (0..200).map(|index| f64::from(2 * index + 1));
    let series = 4.0 / PI.powi(4) * odd().flat_map(|m| odd().map(move |n| (m * m + n * n).powi(-2))).sum::<f64>();
    close(series, 0.0116, 1e-3);
    close(-square(0.3, &loads, &Supports::Edges, ELEMENTS).height_um(0.0, 0.0), series, 4e-3);
}

/// M-9: a free plate becomes a paraboloid, so four corner points do not bend it: `κL²/8` from mid-edge to centre,
/// `κL²/4` from corner to centre. On edges, `∇²w = (1 + ν)·κ` with no height along them: 0.0736714·(1 + ν)·κ·a² in the
/// middle of a square (Poisson's equation on a square, the same number as in torsion; from memory).
#[test]
fn a_temperature_difference_through_the_plate() {
    // Aluminium, 220 mm, 3 mm thick, 1 K; the lower face warmer: edges up.
    let (side_mm, curvature) = (220.0_f64, 1e3 * 23.6e-6 / 3.0);
    let loads = Loads { free_curvature_um_per_mm2: curvature, ..Loads::default() };
    let sheet = Sheet::solve([side_mm; 2], 0.33, &loads, &corners([side_mm; 2]), ELEMENTS).unwrap();
    let (centre, mid_edge) = (sheet.height_um(0.0, 0.0), sheet.height_um(110.0, 0.0));
    close(mid_edge - centre, 47.5933, 1e-5);
    close(-centre, 2.0 * 47.5933, 1e-5);
    let on_edges = Sheet::solve([side_mm; 2], 0.33, &loads, &Supports::Edges, ELEMENTS).unwrap();
    close(-on_edges.height_um(0.0, 0.0), 0.073_671_4 * 1.33 * curvature * side_mm * side_mm, 5e-4);
    // Screws anywhere on one circle do not bend it either.
    let screws = [0.1_f64, 1.9, 4.4].map(|angle| ([80.0 * angle.cos(), 80.0 * angle.sin()], 0.0));
    let inside = Sheet::solve([side_mm, 180.0], 0.33, &loads, &Supports::Points(screws.to_vec()), ELEMENTS).unwrap();
    assert!((inside.height_um(30.0, -70.0) - curvature / 2.0 * (900.0 + 4900.0 - 6400.0)).abs() < 1e-6);
}

/// Heights of four corners that are no plane twist a plate and do nothing else (Timoshenko & Woinowsky-Krieger, art.
/// 11): the surface that an ideal plate takes too.
#[test]
fn screw_heights_tilt_and_twist() {
    let size_mm = [200.0, 150.0];
    let Supports::Points(mut points) = corners(size_mm) else { unreachable!() };
    let surface = |u: f64, v: f64| 20.0 + 0.3 * u - 0.1 * v + 0.002 * u * v;
    points.iter_mut().for_each(|(place, height_um)| *height_um = surface(place[0], place[1]));
    let sheet = Sheet::solve(size_mm, 0.33, &Loads::default(), &Supports::Points(points), ELEMENTS).unwrap();
    for (u, v) in [(0.0, 0.0), (100.0, 75.0), (33.0, -61.0), (-99.0, 12.0)] {
        assert!((sheet.height_um(u, v) - surface(u, v)).abs() < 1e-6, "{u}, {v}");
    }
    // Its best plane is the tilt; what is left is the twist, farthest at the corners.
    assert!((sheet.farthest_from_a_plane(|_, _| 0.0) - 0.002 * 100.0 * 75.0).abs() < 1e-6);
}

/// Halving the elements shrinks the error 16-fold where the solution is smooth: bicubic elements are of fourth order.
///
/// At a free corner it is like r to the power λ + 1 with sin(λπ/2) = λ·(1 − ν)/(3 + ν), λ = 1.757 (M. L. Williams, 1952,
/// from memory), which leaves an order of 2λ = 3.5. At a screw below the plate it is like r²·ln r, second order.
#[test]
fn errors_shrink_at_the_expected_order() {
    let centre = |supports: &Supports, count| -square(0.3, &pressure(), supports, count).height_um(0.0, 0.0);
    let order = |larger: f64, smaller: f64| (larger / smaller).abs().log2();
    // Levy's series to 13 digits, and Ritz's method as above, to 7.
    for (supports, wanted, expected) in
        [(Supports::Edges, 0.004_062_352_660_7, 4.0), (corners([SIDE_MM; 2]), 0.025_506_5, 3.5)]
    {
        let errors = [4, 8, 16].map(|count| centre(&supports, count) - wanted);
        for pair in errors.windows(2) {
            assert!((order(pair[0], pair[1]) - expected).abs() < 0.15, "{expected}: {errors:?}");
        }
    }
    // No closed form: each step becomes a quarter of the one before.
    let Supports::Points(inside) = corners([SIDE_MM / 2.0; 2]) else { unreachable!() };
    let inside = Supports::Points(inside);
    let found = [8, 16, 32].map(|count| centre(&inside, count));
    let steps = [found[1] - found[0], found[2] - found[1]];
    assert!((order(steps[0], steps[1]) - 2.0).abs() < 0.15, "{found:?}");
    // What is left to gain where it is slowest.
    close(centre(&inside, ELEMENTS), found[2] + steps[1] / 3.0, 0.01);
}

/// The bound on curvature holds all second differences, and is not far above them.
#[test]
fn the_bound_on_curvature_holds() {
    let loads =
        Loads { free_curvature_um_per_mm2: 0.004, forces_um_per_mm2: vec![([30.0, 20.0], 2e-3)], ..Loads::default() };
    let sheet = square(0.3, &loads, &corners([SIDE_MM; 2]), ELEMENTS);
    let mut largest = 0.0_f64;
    for step in 0..199 * 199 {
        let (u, v) = (f64::from(step % 199) - 99.3, f64::from(step / 199) - 99.1);
        let (sin, cos) = (f64::from(step) * 0.7).sin_cos();
        let along = |distance: f64| sheet.height_um(u + distance * cos, v + distance * sin);
        largest = largest.max((along(0.3) - 2.0 * along(0.0) + along(-0.3)).abs() / 0.09);
    }
    let bound = sheet.largest_curvature();
    assert!(largest <= bound && bound < 4.0 * largest, "{largest} {bound}");
}
