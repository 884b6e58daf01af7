//! Weights of any layout: against exact arithmetic, and as programs in Rust and C that are compiled and run.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::fs;
use std::path::Path;
use std::process::Command;

use gapkeeper::{Lattice, WeightedLayout};
use gapkeeper_host_tools::estimate::{EstimateError, Weights};
use gapkeeper_host_tools::grid_file::Language;

/// A wide bed: the weights are per span.
fn lattice(nodes: u8) -> Lattice {
    Lattice { x0_um: -10_000, y0_um: 5_000, pitch_x_um: 48_000, pitch_y_um: 30_000, columns: nodes, rows: nodes }
}

fn stations(nodes: u8, step: usize) -> Vec<(i32, i32)> {
    let lattice = lattice(nodes);
    (0..nodes * nodes).step_by(step).map(|node| lattice.node_um(node % nodes, node / nodes)).collect()
}

/// Exact weights of the core's layouts: `python3 tests/data/survey_weights.py`, 40 digits, the standard library alone.
#[test]
fn weights_of_the_usual_layouts_are_exact() {
    let table = include_str!("../data/survey_weights.csv");
    let mut compared = 0;
    for (nodes, step) in [(5, 2), (7, 2), (5, 1)] {
        let weights = Weights::new(&stations(nodes, step), lattice(nodes)).unwrap();
        let start = format!("{nodes},{step},");
        let exact = table.lines().filter(|line| line.starts_with(&start));
        for (found, line) in weights.by_node().iter().zip(exact) {
            let exact = line.rsplit(',').next().unwrap().split(':').map(|weight| weight.parse::<f64>().unwrap());
            for (found, exact) in found.iter().zip(exact) {
                assert!((found - exact).abs() < 1e-11, "{nodes} {step}: {found} for {exact}");
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 25 * 13 + 49 * 25 + 25 * 25);
}

/// Stations where they happen to stand.
fn free() -> Vec<(i32, i32)> {
    vec![
        (0, 0),
        (190_000, 4_000),
        (95_000, 11_000),
        (2_000, 150_000),
        (188_000, 161_000),
        (101_000, 158_000),
        (7_000, 80_000),
        (99_000, 77_000),
        (181_000, 90_000),
        (50_000, 40_000),
        (140_000, 120_000),
    ]
}

fn free_lattice() -> Lattice {
    Lattice { x0_um: -5_000, y0_um: 0, pitch_x_um: 50_000, pitch_y_um: 80_000, columns: 5, rows: 3 }
}

/// What a program makes of these readings.
fn cases() -> Vec<Vec<i16>> {
    let mut word = 12_345_u32;
    let mut next = |range: i32| {
        word = word.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        ((word >> 8) as i32 % range - range / 2) as i16
    };
    let mut cases: Vec<Vec<i16>> = (0..20).map(|at| (0..11).map(|_| next(100 + 40 * at)).collect()).collect();
    cases.push(vec![-77; 11]);
    cases.push((0..11).map(|at| if at % 2 == 0 { 8191 } else { -8191 }).collect());
    cases
}

fn check(output: &str, name: &str) {
    let weights = Weights::new(&free(), free_lattice()).unwrap();
    let mut lines = output.lines();
    for readings in cases() {
        let found: Vec<i32> = lines.next().unwrap().split_whitespace().map(|um| um.parse().unwrap()).collect();
        assert_eq!(found.len(), 15, "{name}");
        let middle = readings[5];
        let reach_um: f64 = readings.iter().map(|um| f64::from((i32::from(*um) - i32::from(middle)).abs())).sum();
        for (found_um, weights) in found.iter().zip(weights.by_node()) {
            let exact_um: f64 = weights.iter().zip(&readings).map(|(weight, um)| weight * f64::from(*um)).sum();
            let error_um = (f64::from(*found_um) - exact_um).abs();
            // Half a micrometre of the result, and half a unit of each weight.
            assert!(error_um <= 0.5 + reach_um / 32_768.0 + 1e-9, "{name} {readings:?}: {found_um} for {exact_um}");
        }
    }
    assert!(lines.next().is_none(), "{name}");
}

fn run(command: &mut Command, folder: &Path, name: &str) {
    let Ok(output) = command.current_dir(folder).output() else {
        println!("skipped: no compiler for {name}");
        return;
    };
    assert!(output.status.success(), "{name}: {}", String::from_utf8_lossy(&output.stderr));
    assert!(output.stderr.is_empty(), "{name}: {}", String::from_utf8_lossy(&output.stderr));
    let output = Command::new(folder.join(name)).output().unwrap();
    check(&String::from_utf8(output.stdout).unwrap(), name);
}

#[test]
fn programs_make_the_nodes() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    let weights = Weights::new(&free(), free_lattice()).unwrap();
    let rows = |open: &str, close: &str| -> String {
        let row = |readings: &Vec<i16>| {
            format!("{open}{}{close}", readings.iter().map(i16::to_string).collect::<Vec<_>>().join(", "))
        };
        cases().iter().map(row).collect::<Vec<_>>().join(",\n")
    };
    write("weights.rs", &weights.source(Language::Rust));
    write(
        "in_rust.rs",
        &format!(
            "#[allow(dead_code)]\nmod weights;\nfn main() {{\n    for readings_um in [\n{}\n    ] {{\n        let nodes = \
             weights::nodes_um(&readings_um).map(|um| um.to_string());\n        println!(\"{{}}\", nodes.join(\" \"));\n    }}\n}}\n",
            rows("[", "]")
        ),
    );
    let rustc = std::env::var("RUSTC").unwrap_or_else(|_| "rustc".to_owned());
    run(
        Command::new(rustc).args(["--edition", "2021", "-D", "warnings", "-o", "in_rust", "in_rust.rs"]),
        folder.path(),
        "in_rust",
    );
    write("weights.h", &weights.source(Language::C));
    write(
        "in_c.c",
        &format!(
            "#include <stdio.h>\n#include \"weights.h\"\nstatic const int16_t cases[][WEIGHTS_STATIONS] = {{\n{}\n}};\nint \
             main(void) {{\n    for (unsigned at = 0; at < sizeof cases / sizeof cases[0]; at++) {{\n        int32_t \
             nodes_um[WEIGHTS_COLUMNS * WEIGHTS_ROWS];\n        weights_nodes_um(cases[at], nodes_um);\n        for (int node = \
             0; node < WEIGHTS_COLUMNS * WEIGHTS_ROWS; node++) printf(\"%ld \", (long)nodes_um[node]);\n        printf(\"\\n\");\n    \
             }}\n    return weights_stations_um[0][0] != 0;\n}}\n",
            rows("{", "}")
        ),
    );
    run(
        Command::new("cc").args(["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-o", "in_c", "in_c.c"]),
        folder.path(),
        "in_c",
    );
}

/// The core's table of 13 readings, to a unit of its fifteenth bit and of our fourteenth.
#[test]
fn the_core_makes_the_same_nodes() {
    let weights = Weights::new(&stations(5, 2), lattice(5)).unwrap();
    let readings: Vec<i16> = (0..13).map(|at| (at * 7919 % 601 - 300) as i16).collect();
    let core = WeightedLayout::ThreeWithMiddles.grid::<25>(lattice(5), &readings).unwrap();
    for (weights, node_um) in weights.by_node().iter().zip(core.nodes_um()) {
        let exact_um: f64 = weights.iter().zip(&readings).map(|(weight, um)| weight * f64::from(*um)).sum();
        assert!((exact_um - f64::from(*node_um)).abs() < 0.6, "{exact_um} {node_um}");
    }
}

#[test]
fn what_has_no_weights_is_refused() {
    let refused = |stations: &[(i32, i32)], lattice| Weights::new(stations, lattice).unwrap_err();
    assert_eq!(refused(&free()[..6], free_lattice()), EstimateError::TooFew { found: 6 });
    let line: Vec<_> = (0..9).map(|at| (at * 1000, at * 3000)).collect();
    assert_eq!(refused(&line, free_lattice()), EstimateError::Undetermined);
    let far = Lattice { pitch_x_um: 200_000, ..free_lattice() };
    assert!(matches!(refused(&free(), far), EstimateError::FarNode { largest } if largest > 2.0));
    let twice: Vec<_> = free().into_iter().chain(free()).collect();
    let weights = Weights::new(&twice, free_lattice()).unwrap();
    assert!(weights.by_node().iter().all(|weights| (weights.iter().sum::<f64>() - 1.0).abs() < 1e-9));
}
