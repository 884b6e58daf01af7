//! The desk's surface of readings against scikit-learn (row GP-1), and at the edges of what it takes.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::process::Command;

use gapkeeper::BedHeight;
use gapkeeper_host_tools::estimate::{Estimate, EstimateError, Hand};
use gapkeeper_host_tools::grid_file::StationReading;

const COMMITTED: &str = include_str!("../data/estimate_sklearn.csv");

fn reading(x_um: i32, y_um: i32, height_um: i32) -> StationReading {
    StationReading { at: BedHeight { x_um, y_um, height_um }, spread_um: None }
}

/// Worst differences of mean, deviation and hand over a table's cases, and how many there are.
fn worst(table: &str) -> (usize, [f64; 3]) {
    let (mut cases, mut worst) = (0, [0.0_f64; 3]);
    for line in table.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let numbers = |field: &str| -> Vec<f64> { field.split(' ').map(|number| number.parse().unwrap()).collect() };
        let rows = |field: &str| -> Vec<Vec<i32>> {
            field.split(' ').map(|row| row.split(':').map(|number| number.parse().unwrap()).collect()).collect()
        };
        let readings: Vec<StationReading> = rows(fields[2])
            .iter()
            .map(|row| StationReading {
                spread_um: u16::try_from(row[3]).ok().filter(|um| *um > 0),
                ..reading(row[0], row[1], row[2])
            })
            .collect();
        let hand = Hand { spread_um: fields[0].parse().unwrap(), factor: fields[1].parse().unwrap() };
        let estimate = Estimate::new(&readings, hand).unwrap();
        for ((place, mean_um), deviation_um) in rows(fields[3]).iter().zip(numbers(fields[4])).zip(numbers(fields[5])) {
            let found = estimate.at(place[0].into(), place[1].into());
            worst[0] = worst[0].max((found.mean_um - mean_um).abs());
            worst[1] = worst[1].max((found.deviation_um - deviation_um).abs());
        }
        worst[2] = worst[2].max((estimate.hand_um() - fields[6].parse::<f64>().unwrap()).abs());
        cases += 1;
    }
    (cases, worst)
}

/// `python3 tests/data/estimate_sklearn.py`, scikit-learn 1.9.1.
#[test]
fn surfaces_agree_with_scikit_learn() {
    let (cases, worst_um) = worst(COMMITTED);
    println!("{cases} cases: mean, deviation and hand within {worst_um:?} um");
    assert_eq!(cases, 24);
    assert!(worst_um.iter().all(|um| *um < 1e-6), "{worst_um:?}");
}

#[test]
fn the_script_still_says_so() {
    let python = std::env::var("GAPKEEPER_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let has_library =
        Command::new(&python).args(["-c", "import sklearn"]).output().is_ok_and(|out| out.status.success());
    if !has_library {
        println!("skipped: no Python with scikit-learn; GAPKEEPER_PYTHON names one");
        return;
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/data/estimate_sklearn.py");
    let output = Command::new(python).arg(script).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let (cases, worst_um) = worst(&String::from_utf8(output.stdout).unwrap());
    assert!(cases == 24 && worst_um.iter().all(|um| *um < 1e-6), "{cases} {worst_um:?}");
}

fn lattice(nodes: i32, height_um: impl Fn(i32, i32) -> i32) -> Vec<StationReading> {
    (0..nodes * nodes)
        .map(|at| (at % nodes, at / nodes))
        .map(|(u, v)| reading(50_000 * u, 40_000 * v, height_um(u, v)))
        .collect()
}

/// By definition: plane, twist and bow are free, so they come back as they are, between the stations and beyond.
#[test]
fn plane_twist_and_bow_pass_unchanged() {
    let height_um = |u: i32, v: i32| 3000 + 40 * u - 25 * v + 12 * u * v - 14 * u * u + 9 * v * v;
    let estimate = Estimate::new(&lattice(4, height_um), Hand::default()).unwrap();
    for (u, v) in [(0, 0), (3, 3), (1, 2), (6, -2)] {
        let found = estimate.at(f64::from(50_000 * u), f64::from(40_000 * v));
        assert!((found.mean_um - f64::from(height_um(u, v))).abs() < 1e-6, "{u} {v}: {found:?}");
    }
    assert!(estimate.hand_um() < 10.0, "nothing disagrees: {}", estimate.hand_um());
}

/// The farther from the readings the less sure, and two readings of one place are surer than one.
#[test]
fn it_is_surer_where_it_was_read() {
    let rough = |u: i32, v: i32| (u * 7919 + v * 104_729) % 61 - 30;
    let once = lattice(4, rough);
    let at = |readings: &[StationReading], x_um: f64| {
        Estimate::new(readings, Hand::of(20.0).unwrap()).unwrap().at(x_um, 0.0).deviation_um
    };
    assert!(at(&once, 150_000.0) < at(&once, 200_000.0) && at(&once, 200_000.0) < at(&once, 300_000.0));
    let twice: Vec<StationReading> = once.iter().chain(&once).copied().collect();
    assert!(at(&twice, 150_000.0) < at(&once, 150_000.0));
    let careful: Vec<_> = once.iter().map(|reading| StationReading { spread_um: Some(3), ..*reading }).collect();
    assert!(at(&careful, 150_000.0) < at(&once, 150_000.0));
}

#[test]
fn what_cannot_be_told_is_refused() {
    let refused = |readings: &[StationReading]| Estimate::new(readings, Hand::default()).unwrap_err();
    let all = lattice(4, |u, v| u - v);
    for found in [0, 1, 2, 6] {
        assert_eq!(refused(&all[..found]), EstimateError::TooFew { found });
    }
    // In a line along an axis, across, in two lines, on one ring, all at one place.
    let line = |step: fn(i32) -> (i32, i32)| -> Vec<StationReading> {
        (0..12).map(|at| reading(step(at).0 * 9000, step(at).1 * 9000, at)).collect()
    };
    for places in [|at| (at, 0), |at| (0, at), |at| (at, at), |at| (at, at % 2), |_| (3, 3)] {
        assert_eq!(refused(&line(places)), EstimateError::Undetermined, "{:?}", line(places));
    }
    // A ring tells the sum of both bows from the height no better than nothing.
    let ring: Vec<StationReading> = (0..12)
        .map(|at| f64::from(at) * std::f64::consts::TAU / 12.0)
        .map(|angle| reading((1e8 * angle.cos()).round() as i32, (1e8 * angle.sin()).round() as i32, 0))
        .collect();
    assert_eq!(refused(&ring), EstimateError::Undetermined);
    let many: Vec<StationReading> = (0..401).map(|at| reading(at * 37 % 401, at * 91 % 401, at)).collect();
    assert_eq!(refused(&many), EstimateError::TooMany { found: 401 });
    assert!([0.0, -3.0, 501.0, f64::NAN, f64::INFINITY].into_iter().all(|um| Hand::of(um).is_err()));
}

/// The ends of the ranges of places and heights.
#[test]
fn huge_numbers_stay_numbers() {
    let far = |u: i32| [i32::MIN, -1, i32::MAX][u as usize];
    let readings: Vec<StationReading> =
        (0..9).map(|at| reading(far(at % 3), far(at / 3), if at % 2 == 0 { 8191 } else { -8191 })).collect();
    let estimate = Estimate::new(&readings, Hand::of(1.0).unwrap()).unwrap();
    for (x_um, y_um) in [(0.0, 0.0), (-2e9, 2e9), (5e9, 0.0)] {
        let found = estimate.at(x_um, y_um);
        assert!(found.mean_um.is_finite() && found.deviation_um.is_finite() && found.deviation_um > 0.0, "{found:?}");
    }
}
