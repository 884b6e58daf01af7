//! The desk's surface of several surveys of one plate against another route (rows GP-1 and GP-2), and at its edges.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::process::Command;

use gapkeeper::{BedHeight, HeightGrid, Lattice, TIE_LIMIT_UM, WeightedLayout};
use gapkeeper_host_tools::estimate::{Estimate, EstimateError, Hand, LeaveOneOut, MOST_READINGS, TieCheck};
use gapkeeper_host_tools::grid_file::{CAPACITY, GridDocument, OlderSurveys, StationReading};

const COMMITTED: &str = include_str!("../data/estimate_older_numpy.csv");

fn reading(x_um: i32, y_um: i32, height_um: i32) -> StationReading {
    StationReading { at: BedHeight { x_um, y_um, height_um }, spread_um: None }
}

fn document(newest: Vec<StationReading>, older: OlderSurveys) -> GridDocument {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 10_000, pitch_y_um: 10_000, columns: 2, rows: 2 };
    let grid = HeightGrid::<CAPACITY>::new(lattice, &[0; 4]).unwrap();
    GridDocument { readings: newest, older, ..GridDocument::of_heights(grid) }
}

/// Worst differences of mean, deviation, hand, drift and distance from all others over a table's cases, and how many there
/// are.
fn worst(table: &str) -> (usize, [f64; 5]) {
    let (mut cases, mut worst) = (0, [0.0_f64; 5]);
    for line in table.lines().skip(1) {
        let fields: Vec<&str> = line.split(',').collect();
        let numbers = |field: &str| -> Vec<f64> { field.split(' ').map(|number| number.parse().unwrap()).collect() };
        let rows = |field: &str| -> Vec<Vec<i32>> {
            field.split(' ').map(|row| row.split(':').map(|number| number.parse().unwrap()).collect()).collect()
        };
        let survey = |field: &str| -> Vec<StationReading> {
            let spread_um = |um: i32| u16::try_from(um).ok().filter(|um| *um > 0);
            rows(field)
                .iter()
                .map(|row| StationReading { spread_um: spread_um(row[3]), ..reading(row[0], row[1], row[2]) })
                .collect()
        };
        let mut surveys: Vec<_> = fields[3].split('|').map(survey).collect();
        let newest = surveys.remove(0);
        let document = document(
            newest,
            OlderSurveys { drift_um: fields[2].parse().unwrap(), readings: surveys, ..OlderSurveys::default() },
        );
        let hand = Hand { spread_um: fields[0].parse().unwrap(), factor: fields[1].parse().unwrap() };
        let estimate = Estimate::of(&document, hand).unwrap();
        let mut differ = |at: usize, found: f64, expected: f64| worst[at] = worst[at].max((found - expected).abs());
        for ((place, mean_um), deviation_um) in rows(fields[4]).iter().zip(numbers(fields[5])).zip(numbers(fields[6])) {
            let found = estimate.at(place[0].into(), place[1].into());
            differ(0, found.mean_um, mean_um);
            differ(1, found.deviation_um, deviation_um);
        }
        differ(2, estimate.hand_um(), fields[7].parse().unwrap());
        differ(3, estimate.drift_um(), fields[8].parse().unwrap());
        let all = document.readings.iter().chain(document.older.readings.iter().flatten());
        let heights_um: Vec<f64> = all.map(|reading| reading.at.height_um.into()).collect();
        let found = LeaveOneOut::new(&document, 20.0).unwrap().disagreements(&heights_um);
        assert_eq!(found.len(), numbers(fields[9]).len());
        found.iter().zip(numbers(fields[9])).for_each(|(found, off_um)| differ(4, found.off_um, off_um));
        cases += 1;
    }
    (cases, worst)
}

/// `python3 tests/data/estimate_older_numpy.py`, NumPy 2.4.6.
#[test]
fn surfaces_agree_with_the_kriging_system_as_it_stands() {
    let (cases, worst_um) = worst(COMMITTED);
    println!("{cases} cases: mean, deviation, hand, drift and distance from all others within {worst_um:?} um");
    assert_eq!(cases, 12);
    assert!(worst_um.iter().all(|um| *um < 1e-6), "{worst_um:?}");
}

#[test]
fn the_script_still_says_so() {
    let python = std::env::var("GAPKEEPER_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let has_library = Command::new(&python).args(["-c", "import numpy"]).output().is_ok_and(|out| out.status.success());
    if !has_library {
        println!("skipped: no Python with NumPy; GAPKEEPER_PYTHON names one");
        return;
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/data/estimate_older_numpy.py");
    let output = Command::new(python).arg(script).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let (cases, worst_um) = worst(&String::from_utf8(output.stdout).unwrap());
    assert!(cases == 12 && worst_um.iter().all(|um| *um < 1e-6), "{cases} {worst_um:?}");
}

fn whole(height_um: impl Fn(i32, i32) -> i32) -> Vec<StationReading> {
    (0..25).step_by(2).map(|at| reading(50_000 * (at % 5), 40_000 * (at / 5), height_um(at % 5, at / 5))).collect()
}

fn five(height_um: impl Fn(i32, i32) -> i32) -> Vec<StationReading> {
    let stations = [(0, 0), (4, 0), (0, 4), (4, 4), (2, 2)];
    stations.map(|(u, v)| reading(50_000 * u, 40_000 * v, height_um(u, v))).to_vec()
}

fn bow_um(u: i32, v: i32) -> i32 {
    -20 * (u - 2).pow(2) - 11 * (v - 2).pow(2)
}

/// How screws move the bed.
fn screws_um(u: i32, v: i32) -> i32 {
    60 + 30 * u - 45 * v + 9 * u * v
}

fn older(readings: Vec<Vec<StationReading>>) -> OlderSurveys {
    OlderSurveys { drift_um: 15, readings, ..OlderSurveys::default() }
}

/// By definition: the newest readings tell plane and twist, the older ones the bow, and so the bed comes back as it is,
/// however many times screws were turned between.
#[test]
fn five_readings_bring_the_old_shape_to_where_the_bed_is_now() {
    let now_um = |u: i32, v: i32| bow_um(u, v) + screws_um(u, v);
    let surveys = older(vec![whole(|u, v| bow_um(u, v) - 7 * u * v), whole(|u, v| bow_um(u, v) + 300 - 80 * u)]);
    let estimate = Estimate::with_older(&five(now_um), &surveys, Hand::default()).unwrap();
    for (u, v) in [(0, 0), (4, 4), (1, 2), (3, 0), (5, -1)] {
        let found = estimate.at(f64::from(50_000 * u), f64::from(40_000 * v));
        assert!((found.mean_um - f64::from(now_um(u, v))).abs() < 1e-6, "{u} {v}: {found:?}");
    }
    let held = TieCheck::of_newest(&document(five(now_um), surveys), Hand::default()).unwrap().unwrap();
    assert!(held.residual_um < 1e-6 && held.holds(), "{held:?}");
}

/// Closed form: four corners and a middle that is `e` off leave 0.8 e in the middle and -0.2 e at the corners.
#[test]
fn what_the_middle_is_off_is_the_residual() {
    for (off_um, holds) in [(0, true), (99, true), (-99, true), (101, false), (-101, false), (5000, false)] {
        let now_um = |u: i32, v: i32| bow_um(u, v) + screws_um(u, v) + if (u, v) == (2, 2) { off_um } else { 0 };
        let found = TieCheck::of_newest(&document(five(now_um), older(vec![whole(bow_um)])), Hand::default());
        let tie = found.unwrap().unwrap();
        assert!((tie.residual_um - f64::from(off_um.abs())).abs() < 1e-6, "{tie:?}");
        assert_eq!((tie.readings, tie.holds()), (5, holds), "{off_um} of {TIE_LIMIT_UM}");
    }
    // Readings that tell the shape themselves are no tie.
    assert_eq!(TieCheck::of_newest(&document(whole(bow_um), older(vec![whole(screws_um)])), Hand::default()), Ok(None));
    assert_eq!(TieCheck::of_newest(&document(five(bow_um), older(vec![])), Hand::default()), Ok(None));
}

/// Old surveys make a new one surer as long as they agree with it; one of another shape is found out, and the surface stays
/// as sure as it says.
#[test]
fn surveys_that_agree_make_it_surer_and_others_do_no_harm() {
    let noise = |u: i32, v: i32, seed: i32| (u * 7919 + v * 104_729 + seed * 1_299_709) % 41 - 20;
    let new: Vec<_> = whole(|u, v| bow_um(u, v) + noise(u, v, 1));
    let hand = Hand::of(15.0).unwrap();
    let alone = Estimate::new(&new, hand).unwrap();
    let agreeing = older(vec![whole(|u, v| bow_um(u, v) + screws_um(u, v) + noise(u, v, 2))]);
    let with = Estimate::with_older(&new, &agreeing, hand).unwrap();
    // A bend of 400 um along X, where there was a bow of 80 and 44.
    let bent = older(vec![whole(|u, v| 100 * (u - 2).pow(2) + noise(u, v, 2))]);
    let against = Estimate::with_older(&new, &bent, hand).unwrap();
    assert!(with.drift_um() < 30.0 && against.drift_um() > 90.0, "{} {}", with.drift_um(), against.drift_um());
    for (x_um, y_um) in [(100e3, 80e3), (50e3, 80e3), (100e3, 40e3), (25e3, 20e3), (180e3, 140e3)] {
        let [alone, with, against] = [&alone, &with, &against].map(|estimate| estimate.at(x_um, y_um));
        assert!(with.deviation_um < alone.deviation_um, "{with:?} {alone:?}");
        assert!((against.mean_um - alone.mean_um).abs() < against.deviation_um, "{against:?} {alone:?}");
    }
}

/// The farther back a survey lies, the less it counts; without drift the order is no matter.
#[test]
fn older_surveys_count_less() {
    let shape = |bent: i32| whole(move |u, v| bow_um(u, v) - 4 * bent * (u - 2).pow(2));
    let edge_um = |first, second, drift_um| {
        let raised = shape(second)
            .into_iter()
            .map(|StationReading { at: BedHeight { x_um, y_um, height_um }, .. }| reading(x_um, y_um, height_um + 9));
        let older =
            OlderSurveys { drift_um, readings: vec![shape(first), raised.collect()], ..OlderSurveys::default() };
        Estimate::with_older(&five(bow_um), &older, Hand::of(5.0).unwrap()).unwrap().at(200e3, 80e3).mean_um
    };
    let newer_um = edge_um(0, 0, 15) - edge_um(1, 0, 15);
    let oldest_um = edge_um(0, 0, 15) - edge_um(0, 1, 15);
    assert!(newer_um > 1.5 * oldest_um && oldest_um > 0.0, "{newer_um} {oldest_um}");
    assert!((edge_um(1, 0, 0) - edge_um(0, 1, 0)).abs() < 1.0, "{} {}", edge_um(1, 0, 0), edge_um(0, 1, 0));
}

#[test]
fn surveys_that_do_not_add_up_are_refused() {
    let refused = |newest: &[StationReading], readings: Vec<Vec<StationReading>>| {
        Estimate::with_older(newest, &older(readings), Hand::default()).unwrap_err()
    };
    let old = || vec![whole(bow_um)];
    for found in 0..5 {
        assert_eq!(refused(&five(screws_um)[..found], old()), EstimateError::TooFewToTie { age: 0, found });
    }
    let line: Vec<_> = (0..6).map(|at| reading(at * 20_000, at * 20_000, at)).collect();
    assert_eq!(refused(&line, old()), EstimateError::UndeterminedTie { age: 0 });
    let one_place = vec![reading(0, 0, 0); 6];
    assert_eq!(refused(&one_place, old()), EstimateError::TooFewToTie { age: 0, found: 1 });
    assert_eq!(refused(&five(bow_um), vec![whole(bow_um), line]), EstimateError::UndeterminedTie { age: 2 });
    assert_eq!(refused(&whole(bow_um), old()), EstimateError::Twice { first: 0, age: 1 });
    // Nobody has seen the bows.
    let ties = vec![five(bow_um), five(|u, v| bow_um(u, v) + u)];
    assert_eq!(refused(&five(screws_um), ties), EstimateError::Undetermined);
    let tie = TieCheck::of_newest(&document(five(screws_um), older(vec![five(bow_um)])), Hand::default());
    assert_eq!(tie, Err(EstimateError::TooFew { found: 5 }));
    let many: Vec<Vec<StationReading>> = (0..31).map(|survey| whole(|u, v| u * survey - v)).collect();
    assert_eq!(refused(&five(screws_um), many), EstimateError::TooMany { found: 31 * 13 + 5 });
    const { assert!(31 * 13 + 5 > MOST_READINGS) };
}

/// The core has the same in a table of constants for layouts of its own.
#[test]
fn leaving_one_out_agrees_with_the_core() {
    let heights_um =
        |u: i32, v: i32| bow_um(u, v) + (u * 7919 + v * 104_729) % 61 + if (u, v) == (3, 1) { 180 } else { 0 };
    let readings = whole(heights_um);
    let heights: Vec<i16> = readings.iter().map(|reading| reading.at.height_um as i16).collect();
    let document = document(readings, OlderSurveys::default());
    let found = LeaveOneOut::new(&document, 7.0).unwrap();
    let found = found.disagreements(&heights.iter().copied().map(f64::from).collect::<Vec<_>>());
    let layout = WeightedLayout::ThreeWithMiddles;
    let worst = (0..13).max_by(|&one, &other| found[one].rank.total_cmp(&found[other].rank)).unwrap();
    let agreement = layout.agreement(&heights).unwrap();
    assert_eq!(layout.station(agreement.column, agreement.row), Some(worst));
    for node in (0..25_u8).step_by(2) {
        let core_um = layout.deviation(node % 5, node / 5, &heights).unwrap().off_um();
        let off_um = found[usize::from(node / 2)].off_um;
        assert!((f64::from(core_um) - off_um).abs() < 1.5, "{node}: {core_um} {off_um}");
    }
}

/// The ends of the ranges of places and heights.
#[test]
fn huge_numbers_stay_numbers() {
    let far = |u: i32| [i32::MIN, -1, i32::MAX][u as usize];
    let survey = |by: i32| -> Vec<StationReading> {
        (0..9).map(|at| reading(far(at % 3), far(at / 3), if at % 2 == 0 { 8191 - by } else { by - 8191 })).collect()
    };
    let older = OlderSurveys { drift_um: 1000, readings: vec![survey(16_382)], ..OlderSurveys::default() };
    let estimate = Estimate::with_older(&survey(0), &older, Hand::of(1.0).unwrap()).unwrap();
    for (x_um, y_um) in [(0.0, 0.0), (-2e9, 2e9), (5e9, 0.0)] {
        let found = estimate.at(x_um, y_um);
        assert!(found.mean_um.is_finite() && found.deviation_um.is_finite() && found.deviation_um > 0.0, "{found:?}");
    }
}
