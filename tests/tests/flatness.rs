//! Flatness by ISO 12781-1 against independent libraries.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{HeightGrid, Lattice, MAX_NODES};
use gapkeeper_host_tools::flatness::Flatness;

/// Random grids of up to 15 × 15 nodes by `numpy.linalg.svd` and `scipy.optimize.linprog`:
/// `python3 tests/data/flatness_scipy.py`; versions in the file's first line.
///
/// The linear programme finds the planes that are nearest along Z; along the normal others may be nearer by a share of
/// the square of the bed's lean, so ours may be narrower by that and never wider. The deviations of the least-squares
/// plane are sums of coordinates up to a metre in double precision.
#[test]
fn flatness_agrees_with_numpy_and_scipy() {
    let table = include_str!("../data/flatness_scipy.csv");
    let mut narrowest_share = 0.0_f64;
    for (case, line) in table.lines().skip(1).enumerate() {
        let fields: Vec<&str> = line.split(',').collect();
        let [columns, rows, pitch_x_um, pitch_y_um, width_um, rms_um, zone_um, heights] = fields[..] else {
            panic!("{} fields: {line}", fields.len())
        };
        let lattice = Lattice {
            x0_um: 0,
            y0_um: 0,
            pitch_x_um: pitch_x_um.parse().unwrap(),
            pitch_y_um: pitch_y_um.parse().unwrap(),
            columns: columns.parse().unwrap(),
            rows: rows.parse().unwrap(),
        };
        let heights_um: Vec<i16> = heights.split(' ').map(|height| height.parse().unwrap()).collect();
        let found = Flatness::of_grid(&HeightGrid::<MAX_NODES>::new(lattice, &heights_um).unwrap()).unwrap();
        let number = |text: &str| text.parse::<f64>().unwrap();
        let near = |found_um: f64, expected_um: f64| (found_um - expected_um).abs() <= 1e-6;
        assert!(near(found.least_squares_um, number(width_um)), "case {case}: {found:?} for {width_um}");
        assert!(near(found.rms_um, number(rms_um)), "case {case}: {found:?} for {rms_um}");
        let narrower_um = number(zone_um) - found.minimum_zone_um;
        assert!((-1e-6..1e-5 * number(zone_um) + 1e-6).contains(&narrower_um), "case {case}: {found:?} for {zone_um}");
        narrowest_share = narrowest_share.max(narrower_um);
    }
    assert_eq!(table.lines().count(), 81);
    println!("the zone is narrower than that along Z by {narrowest_share:.2e} um at most");
}
