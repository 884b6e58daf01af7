//! The surface of a survey by weights, against exact arithmetic and against scikit-learn (row GP-1).

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::process::Command;

use gapkeeper::{GridAxis, GridError, HeightGrid, Lattice, WeightedLayout};
use gapkeeper_tests::proptest_cases;
use proptest::prelude::*;

const LAYOUTS: [WeightedLayout; 3] =
    [WeightedLayout::ThreeWithMiddles, WeightedLayout::FourWithMiddles, WeightedLayout::Five];

/// A wide bed: the weights are per span.
fn lattice(layout: WeightedLayout) -> Lattice {
    let nodes = layout.nodes();
    Lattice { x0_um: 10_000, y0_um: -5_000, pitch_x_um: 70_000, pitch_y_um: 30_000, columns: nodes, rows: nodes }
}

fn layout_of(nodes: &str, step: &str) -> WeightedLayout {
    match (nodes, step) {
        ("5", "2") => WeightedLayout::ThreeWithMiddles,
        ("7", "2") => WeightedLayout::FourWithMiddles,
        ("5", "1") => WeightedLayout::Five,
        _ => panic!("no layout of {nodes} nodes, step {step}"),
    }
}

fn numbers(field: &str) -> Vec<f64> {
    field.split(':').map(|number| number.parse().unwrap()).collect()
}

fn grid(layout: WeightedLayout, readings_um: &[i16]) -> HeightGrid<49> {
    layout.grid(lattice(layout), readings_um).unwrap()
}

/// Columns and rows of the nodes, row by row.
fn places(layout: WeightedLayout) -> impl Iterator<Item = (u8, u8)> {
    (0..layout.nodes()).flat_map(move |row| (0..layout.nodes()).map(move |column| (column, row)))
}

fn readings(layout: WeightedLayout, height_um: impl Fn(i32, i32) -> i32) -> Vec<i16> {
    let stations = places(layout).filter(|&(column, row)| layout.station(column, row).is_some());
    stations.map(|(column, row)| height_um(column.into(), row.into()) as i16).collect()
}

/// Exact weights by layout and node: `python3 tests/data/survey_weights.py`, 40 digits, the standard library alone.
fn exact_weights(layout: WeightedLayout) -> Vec<Vec<f64>> {
    let table = include_str!("../data/survey_weights.csv");
    let rows = table.lines().skip(1).map(|line| line.split(',').collect::<Vec<_>>());
    let rows = rows.filter(|fields| layout_of(fields[0], fields[1]) == layout);
    rows.map(|fields| numbers(fields[4])).collect()
}

#[test]
fn tables_are_what_the_script_writes() {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/data/survey_weights.py");
    let expected = [
        ("rust", include_str!("../../firmware-core/src/weights/tables.rs")),
        ("csv", include_str!("../data/survey_weights.csv")),
    ];
    for (form, expected) in expected {
        let Ok(output) = Command::new("python3").args([script, form]).output() else {
            println!("skipped: no python3");
            return;
        };
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        assert_eq!(String::from_utf8(output.stdout).unwrap().replace('\r', ""), expected.replace('\r', ""), "{form}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: proptest_cases(), failure_persistence: None, ..ProptestConfig::default() })]

    /// Within the stated 1 µm where no reading is farther from the one in the middle than 4.4 mm, or 2.1 mm for 25.
    #[test]
    fn nodes_are_within_a_micrometre_of_the_exact_map(
        which in 0..3_usize, middle_um in -3000..3000_i32, offs in prop::collection::vec(-1.0..=1.0_f64, 25),
    ) {
        let layout = LAYOUTS[which];
        let reach_um = if layout.stations() == 13 { 4400.0 } else { 2100.0 };
        let mut readings_um: Vec<_> =
            offs.iter().take(layout.stations()).map(|off| (f64::from(middle_um) + off * reach_um) as i16).collect();
        readings_um[layout.stations() / 2] = middle_um as i16;
        for ((&found_um, weights), place) in
            grid(layout, &readings_um).nodes_um().iter().zip(exact_weights(layout)).zip(places(layout))
        {
            let exact_um: f64 = weights.iter().zip(&readings_um).map(|(weight, &um)| weight * f64::from(um)).sum();
            let error_um = (f64::from(found_um) - exact_um).abs();
            prop_assert!(error_um < 1.0, "{layout:?} {place:?}: {found_um} um for {exact_um} um");
        }
    }

    /// A bed that is mirrored or turned has its surface mirrored or turned, to the bit.
    #[test]
    fn the_map_has_the_symmetries_of_a_square(
        which in 0..3_usize, heights_um in prop::collection::vec(-2000..2000_i32, 49), flips in any::<[bool; 3]>(),
    ) {
        let layout = LAYOUTS[which];
        let last = i32::from(layout.nodes()) - 1;
        let [flip_x, flip_y, swap] = flips;
        let moved = |column: i32, row: i32| {
            let (column, row) = (if flip_x { last - column } else { column }, if flip_y { last - row } else { row });
            if swap { (row, column) } else { (column, row) }
        };
        let height_um = |(column, row): (i32, i32)| heights_um[(row * (last + 1) + column) as usize];
        let straight = grid(layout, &readings(layout, |column, row| height_um((column, row))));
        let turned = grid(layout, &readings(layout, |column, row| height_um(moved(column, row))));
        for (at, (column, row)) in places(layout).enumerate() {
            let (column, row) = moved(column.into(), row.into());
            prop_assert_eq!(turned.nodes_um()[at], straight.nodes_um()[(row * (last + 1) + column) as usize]);
        }
    }
}

/// The worst case of the rounded table itself: each reading at the end of its reach that the rounding errs towards.
#[test]
fn the_worst_readings_are_within_a_micrometre_too() {
    for (layout, reach_um) in LAYOUTS.into_iter().zip([4400, 2100, 2100]) {
        let mut worst_um: f64 = 0.0;
        for (at, weights) in exact_weights(layout).iter().enumerate() {
            let mut readings_um: Vec<i16> = (0..layout.stations())
                .map(|station| {
                    let scaled = weights[station] * 32_768.0;
                    if scaled.round() > scaled { reach_um } else { -reach_um }
                })
                .collect();
            // Off against this one.
            readings_um[layout.stations() / 2] = 0;
            let found_um = f64::from(grid(layout, &readings_um).nodes_um()[at]);
            let exact_um: f64 = weights.iter().zip(&readings_um).map(|(weight, &um)| weight * f64::from(um)).sum();
            worst_um = worst_um.max((found_um - exact_um).abs());
        }
        println!("{layout:?}: worst {worst_um:.3} um");
        assert!(worst_um < 1.0, "{layout:?}: {worst_um} um");
    }
}

/// Surface, leave-one-out residuals and spread of 60 surveys: `python3 tests/data/survey_weights_sklearn.py`,
/// scikit-learn 1.9.1, which was given each survey without each of its readings in turn.
#[test]
fn surveys_agree_with_scikit_learn() {
    let table = include_str!("../data/survey_weights_sklearn.csv");
    let (mut surveys, mut worst_um, mut worst_off_um, mut worst_rms_um) = (0, 0.0_f64, 0.0_f64, 0.0_f64);
    for line in table.lines().skip(1) {
        let fields: Vec<_> = line.split(',').collect();
        let layout = layout_of(fields[0], fields[1]);
        let readings_um: Vec<_> = numbers(fields[2]).into_iter().map(|um| um as i16).collect();
        for (&found_um, exact_um) in grid(layout, &readings_um).nodes_um().iter().zip(numbers(fields[3])) {
            worst_um = worst_um.max((f64::from(found_um) - exact_um).abs());
        }
        let predicted_um = numbers(fields[4]);
        let mut square_sum = 0.0;
        for (column, row) in places(layout) {
            let Some(station) = layout.station(column, row) else {
                assert!(layout.deviation(column, row, &readings_um).is_none());
                continue;
            };
            let expected_um = f64::from(readings_um[station]) - predicted_um[station];
            let found_um = layout.deviation(column, row, &readings_um).unwrap().off_um();
            worst_off_um = worst_off_um.max((f64::from(found_um) - expected_um).abs());
            square_sum += expected_um * expected_um;
        }
        let agreement = layout.agreement(&readings_um).unwrap();
        let predicted_rms_um = (square_sum / layout.stations() as f64).sqrt();
        worst_rms_um = worst_rms_um
            .max((f64::from(agreement.predicted_rms_um) - predicted_rms_um).abs())
            .max((f64::from(agreement.surface_rms_um) - fields[5].parse::<f64>().unwrap()).abs());
        surveys += 1;
    }
    println!("{surveys} surveys: surface {worst_um:.3}, left out {worst_off_um:.3}, spreads {worst_rms_um:.3} um");
    assert_eq!(surveys, 60);
    assert!(worst_um < 0.6, "surface {worst_um} um");
    // A fraction of a unit of the weights over the fifteenth that a corner keeps of itself.
    assert!(worst_off_um < 3.0, "left out {worst_off_um} um");
    assert!(worst_rms_um < 2.0, "spreads {worst_rms_um} um");
}

/// Plane, twist and bow are free: they are reproduced, and nothing disagrees.
#[test]
fn plane_twist_and_bow_pass_unchanged() {
    for layout in LAYOUTS {
        let last = i32::from(layout.nodes()) - 1;
        let height_um = |column: i32, row: i32| {
            let (x, y) = (2 * column - last, 2 * row - last);
            150 + 40 * x - 25 * y + 12 * x * y - 14 * x * x + 9 * y * y
        };
        let readings_um = readings(layout, height_um);
        for ((column, row), &found_um) in places(layout).zip(grid(layout, &readings_um).nodes_um()) {
            assert!(height_um(column.into(), row.into()).abs_diff(found_um.into()) <= 1, "{layout:?} {column} {row}");
        }
        let agreement = layout.agreement(&readings_um).unwrap();
        assert!(agreement.off_um.abs() <= 3 && agreement.predicted_rms_um <= 2, "{agreement:?}");
        assert!(agreement.surface_rms_um <= 1 && !agreement.needs_more_stations(), "{agreement:?}");
    }
}

/// A slip of the hand is found where it is and in its full size, wherever it is.
#[test]
fn a_slip_is_found_where_it_is() {
    for layout in LAYOUTS {
        for (column, row) in places(layout).filter(|&(column, row)| layout.station(column, row).is_some()) {
            let slipped = (i32::from(column), i32::from(row));
            let readings_um = readings(layout, |column, row| {
                -20 * (column - 2) * (column - 2) + 7 * row + if (column, row) == slipped { 200 } else { 0 }
            });
            let agreement = layout.agreement(&readings_um).unwrap();
            assert_eq!((agreement.column, agreement.row), (column, row), "{layout:?}");
            assert!((agreement.off_um - 200).abs() <= 3, "{layout:?}: {agreement:?}");
        }
    }
}

#[test]
fn what_has_no_surface_is_refused() {
    let layout = WeightedLayout::ThreeWithMiddles;
    let refused = |lattice: Lattice, readings_um: &[i16]| layout.grid::<25>(lattice, readings_um).unwrap_err();
    let lattice = lattice(layout);
    assert_eq!(refused(lattice, &[0; 12]), GridError::Heights { expected: 13, found: 12 });
    assert_eq!(refused(lattice, &[0; 25]), GridError::Heights { expected: 13, found: 25 });
    let narrow = Lattice { columns: 4, ..lattice };
    assert_eq!(refused(narrow, &[0; 13]), GridError::NodeCount { axis: GridAxis::X, nodes: 4 });
    let error = layout.grid::<24>(lattice, &[0; 13]).unwrap_err();
    assert_eq!(error, GridError::Capacity { needed: 25, capacity: 24 });
    // A roof as steep as readings can be rises above the heights of a grid.
    let mut steep = [-8191; 13];
    (steep[0], steep[1], steep[3]) = (8191, 8191, 8191);
    assert!(matches!(refused(lattice, &steep), GridError::HeightOutOfRange { .. }));
    assert!(layout.agreement(&[0; 12]).is_none() && layout.deviation(0, 0, &[0; 12]).is_none());
    for (column, row) in [(5, 0), (0, 5), (255, 255), (1, 0)] {
        assert!(layout.station(column, row).is_none() && layout.deviation(column, row, &[0; 13]).is_none());
    }
    assert_eq!(WeightedLayout::of(3, 3, true), Some(layout));
    assert!(
        [(3, 3, false), (3, 4, true), (5, 5, true)].into_iter().all(|(c, r, m)| WeightedLayout::of(c, r, m).is_none())
    );
}
