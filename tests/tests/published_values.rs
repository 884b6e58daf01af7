//! Checks against published values and reference libraries. Every value names its source; the row names (A-1, G-30,
//! ...) are those of the project's list of sources.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{Arc, ArcError, Correction, Fade, HeightGrid, Lattice, Move, Plane, Point, Turn};

/// Grid A: uneven, negative, not binary-exact; heights in mm.
const GRID_A_X_MM: [f64; 5] = [-12.3, 0.7, 31.1, 88.8, 203.5];
const GRID_A_Y_MM: [f64; 4] = [-5.9, 17.3, 64.2, 151.7];
const GRID_A_MM: [[f64; 5]; 4] = [
    [0.137, -0.052, 0.311, -0.204, 0.089],
    [-0.263, 0.418, 0.007, -0.119, 0.276],
    [0.051, -0.333, 0.244, 0.180, -0.071],
    [-0.142, 0.096, -0.305, 0.213, 0.158],
];

/// Rows: bilinear values on grid A, the same to 15 decimals from exact fractions, SciPy 1.17.1
/// (`RegularGridInterpolator`, `RectBivariateSpline(kx=ky=1)`), GSL 2.7.1 (`gsl_interp2d_bilinear`), ndarray-interp
/// 0.6.0 and interpn 0.11.2.
const BILINEAR_A: [(&str, f64, f64, f64); 13] = [
    ("A-1", -12.3, -5.9, 0.137000000000000),
    ("A-2", 203.5, 151.7, 0.158000000000000),
    ("A-3", 0.7, 17.3, 0.418000000000000),
    ("A-4", -5.8, 5.7, 0.060000000000000),
    ("A-5", 31.1, 40.0, 0.121710021321962),
    ("A-6", 10.0, 17.3, 0.292266447368421),
    ("A-7", 60.0, 100.0, 0.106592027729636),
    ("A-8", 150.25, 0.125, -0.010760757072423),
    ("A-9", 200.0, 150.0, 0.155345347116702),
    ("A-10", 31.0999, 64.2001, 0.243997474548789),
    ("A-11", -12.3, 100.1, -0.028185142857143),
    ("A-12", 123.456, 151.7, 0.196382040104621),
    ("A-13", 88.8, 64.2, 0.180000000000000),
];

/// Our lattices are even, so each cell of grid A is a grid of its own. Heights are stretched 19 times, to the edge of
/// the range, which makes one micrometre of ours 53 nm of the source's.
#[test]
fn bilinear_values_of_scipy_and_gsl() {
    const STRETCH: f64 = 19_000.0;
    let cell = |knots: &[f64], coordinate: f64| {
        knots.windows(2).position(|ends| (ends[0]..=ends[1]).contains(&coordinate)).expect("inside grid A")
    };
    let um = |mm: f64| (mm * 1000.0).round() as i32;
    for (row_name, x_mm, y_mm, expected_mm) in BILINEAR_A {
        let (i, j) = (cell(&GRID_A_X_MM, x_mm), cell(&GRID_A_Y_MM, y_mm));
        let lattice = Lattice {
            x0_um: um(GRID_A_X_MM[i]),
            y0_um: um(GRID_A_Y_MM[j]),
            pitch_x_um: um(GRID_A_X_MM[i + 1]).abs_diff(um(GRID_A_X_MM[i])),
            pitch_y_um: um(GRID_A_Y_MM[j + 1]).abs_diff(um(GRID_A_Y_MM[j])),
            columns: 2,
            rows: 2,
        };
        let node = |column: u8, row: u8| GRID_A_MM[j + usize::from(row)][i + usize::from(column)];
        let grid = HeightGrid::<4>::from_fn(lattice, |c, r| (node(c, r) * STRETCH).round() as i32).unwrap();
        let found = f64::from(grid.height_um(um(x_mm), um(y_mm)));
        // A-10 stands 0.1 µm beside a node, which whole micrometres cannot say: 0.1 µm times the steepest slope there.
        let place_um = if row_name == "A-10" { 0.2 } else { 0.0 };
        assert!(
            (found - expected_mm * STRETCH).abs() <= 1.0 + place_um,
            "{row_name}: {found} {}",
            expected_mm * STRETCH
        );
    }
}

/// Row I-4 (standard remainder of product linear interpolation, from memory there): on x² + y² over one cell the
/// error in the middle is exactly half the unit; row I-5: on a dish of edge-to-edge sag `s`, `2s/(n−1)²`.
#[test]
fn interpolation_error_of_a_dish() {
    let side_um = 200_000;
    for (stations, expected_mm) in [(3, 0.100000), (4, 0.044444), (5, 0.025000), (7, 0.011111), (9, 0.006250)] {
        let pitch_um = (side_um / (stations - 1)) as u32;
        let count = stations as u8;
        let lattice =
            Lattice { x0_um: 0, y0_um: 0, pitch_x_um: pitch_um, pitch_y_um: pitch_um, columns: count, rows: count };
        // 0.2 mm from the middle to an edge, 20 times as high to make rounding small.
        let dish_um = |x_um: f64, y_um: f64| {
            let (u, v) = (x_um / 100_000.0 - 1.0, y_um / 100_000.0 - 1.0);
            4000.0 * (u * u + v * v) - 4000.0
        };
        let grid = HeightGrid::<81>::from_fn(lattice, |column, row| {
            let (x_um, y_um) = lattice.node_um(column, row);
            dish_um(x_um.into(), y_um.into()).round() as i32
        })
        .unwrap();
        let along = || (0..side_um).step_by(1111);
        let places = along().flat_map(|y_um| along().map(move |x_um| (x_um, y_um)));
        let worst_um = places
            .map(|(x_um, y_um)| (f64::from(grid.height_um(x_um, y_um)) - dish_um(x_um.into(), y_um.into())).abs())
            .fold(0.0, f64::max);
        // Sampled places miss the middle of a cell by a little.
        assert!((worst_um / 20.0 - expected_mm * 1000.0).abs() < 0.35, "{stations}: {}", worst_um / 20.0);
    }
}

/// Row I-6 (own derivation there): across a cell with 0.1 mm at two opposite corners and −0.1 mm at the others, a
/// diagonal move starts and ends at 0.1 and passes 0 in the middle; a chord alone would be 0.1 mm off.
#[test]
fn a_diagonal_over_a_twisted_cell() {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 50_000, pitch_y_um: 50_000, columns: 2, rows: 2 };
    let correction = Correction::new(HeightGrid::<4>::new(lattice, &[100, -100, -100, 100]).unwrap());
    let motion = Move::<0> {
        start: Point { x_um: 0, y_um: 0, z_um: 0 },
        end: Point { x_um: 50_000, y_um: 50_000, z_um: 0 },
        extra_start: [],
        extra_end: [],
    };
    let pieces: Vec<_> = correction.split(&motion, 2).unwrap().collect();
    // n² ≥ 100 µm of sag over 1 µm.
    assert_eq!(pieces.len(), 10);
    assert_eq!(pieces[4].end, Point { x_um: 25_000, y_um: 25_000, z_um: 0 });
}

/// Rows F-1 to F-3 (own identities there), through the whole core.
#[test]
fn fade_identities() {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 10_000, pitch_y_um: 10_000, columns: 2, rows: 2 };
    let grid = HeightGrid::<4>::new(lattice, &[300, -300, -300, 300]).unwrap();
    let faded = Correction::new(grid.clone()).with_fade(Fade::new(0, 10_000).unwrap()).unwrap();
    for (z_um, machine_z_um) in [(0, 300), (5000, 5150), (10_000, 10_000), (12_000, 12_000)] {
        assert_eq!(faded.machine_z_um(0, 0, z_um), machine_z_um);
        assert_eq!(faded.logical_z_um(0, 0, machine_z_um), z_um);
    }
    assert!(Correction::new(grid).with_fade(Fade::new(0, 300).unwrap()).is_err());
}

/// Rows G-30 to G-35 (geometry, own): chords of a full circle of radius r that stay within e, n = ceil(2π/θ) with
/// θ = 2·acos(1 − e/r), and the error that is then left.
#[test]
fn chords_of_full_circles() {
    let cases = [
        ("G-30", 10_000, 10, 71, 0.009787735),
        ("G-31", 5_000, 2, 112, 0.001966868),
        ("G-32", 2_500, 10, 36, 0.009513255),
        ("G-33", 50_000, 50, 71, 0.048938674),
        ("G-34", 100_000, 25, 141, 0.024820673),
        ("G-35", 1_000, 10, 23, 0.009314054),
    ];
    for (row_name, radius_um, tolerance_um, count, left_mm) in cases {
        let start = Point { x_um: radius_um, y_um: 0, z_um: 0 };
        let motion = Move { start, end: start, extra_start: [0], extra_end: [0] };
        let circle = Arc::with_centre(motion, Plane::Xy, Turn::Anticlockwise, [-radius_um, 0]).unwrap();
        let chords: Vec<_> = circle.chords(tolerance_um).unwrap().collect();
        assert_eq!(chords.len(), count, "{row_name}");
        let off_mm = |chord: &Move<1>| {
            let middle = |a: i32, b: i32| f64::from(a + b) / 2000.0;
            f64::from(radius_um) / 1000.0
                - middle(chord.start.x_um, chord.end.x_um).hypot(middle(chord.start.y_um, chord.end.y_um))
        };
        for chord in &chords {
            assert!((off_mm(chord) - left_mm).abs() < 0.0011, "{row_name}: {}", off_mm(chord));
        }
    }
}

/// Rows G-14 and G-21: arcs of NISTIR 6556 (*The NIST RS274NGC Interpreter - Version 3*, 3.5.3.2 and Table 10).
#[test]
fn arcs_of_the_rs274ngc_report() {
    let motion = |from: [i32; 3], to: [i32; 3]| {
        let point = |[x_um, y_um, z_um]: [i32; 3]| Point { x_um, y_um, z_um };
        Move::<0> { start: point(from), end: point(to), extra_start: [], extra_end: [] }
    };
    // From (7, 7): `G17 G2 x 10 y 16 i 3 j 4 z 9`: centre (10, 11), radius 5.
    let centred = motion([7000, 7000, 0], [10_000, 16_000, 9000]);
    let arc = Arc::with_centre(centred, Plane::Xy, Turn::Clockwise, [3000, 4000]).unwrap();
    assert_eq!(arc.centre_um(), [10_000, 11_000]);
    assert!(arc.sweep() < 0);

    // From (3, 1, 0): `g2 x0 r 7.01 z0.5`: centre (1.5, 7.847634628), 24.711389417°, helix length 3.064444290 mm.
    let by_radius = motion([3000, 1000, 0], [0, 1000, 500]);
    let arc = Arc::with_radius(by_radius, Plane::Xy, Turn::Clockwise, 7010).unwrap();
    assert_eq!(arc.centre_um(), [1500, 7848]);
    // A centre in whole micrometres moves the angle by up to half of one over 7 mm.
    let degrees = -arc.sweep() as f64 / 2f64.powi(32) * 360.0;
    assert!((degrees - 24.711389417).abs() < 0.004, "{degrees}");
    let mut here = by_radius.start;
    let mut length_mm = 0.0;
    for chord in arc.chords(1).unwrap() {
        let squared = |a: i32, b: i32| f64::from(a - b).powi(2);
        let step = squared(chord.end.x_um, here.x_um)
            + squared(chord.end.y_um, here.y_um)
            + squared(chord.end.z_um, here.z_um);
        length_mm += step.sqrt() / 1000.0;
        here = chord.end;
    }
    assert!((length_mm - 3.064444290).abs() < 0.003, "{length_mm}");

    // G-12: more than half a turn with a negative radius; no end where it started.
    let long_way = Arc::with_radius(by_radius, Plane::Xy, Turn::Clockwise, -7010).unwrap();
    let degrees = -long_way.sweep() as f64 / 2f64.powi(32) * 360.0;
    assert!((degrees - (360.0 - 24.711389417)).abs() < 0.004, "{degrees}");
    let closed = motion([0, 0, 0], [0, 0, 500]);
    assert_eq!(Arc::with_radius(closed, Plane::Xy, Turn::Clockwise, 7010), Err(ArcError::NoChord));
}
