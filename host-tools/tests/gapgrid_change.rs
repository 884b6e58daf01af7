//! `gapgrid shift`, `refine` and `blend` as people run them: grids made from grids.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;

use std::fs;

use gapgrid_support::{assert_refused, document, gapgrid};
use gapkeeper::Surface;
use gapkeeper_host_tools::grid_file::{GridDocument, read_grid};

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let bow = "[[0, 60, 0], [60, 120, 60], [0, 60, 0]]";
    let files = [
        ("cool.json", document(bow)),
        ("warm.json", document("[[10, 100, 10], [100, 201, 100], [10, 100, 10]]").replace("60,\n", "100,\n")),
        ("hot.json", document(bow).replace("60,\n", "121,\n")),
        ("other.json", document("[[0, 60], [60, 120]]").replace("60,\n", "100,\n")),
        ("unknown.json", document(bow).replace("60,\n", "null,\n")),
        ("old.json", "old".to_owned()),
    ];
    for (name, text) in files {
        fs::write(folder.path().join(name), text).unwrap();
    }
    folder
}

const DONE: (Option<i32>, String, String) = (Some(0), String::new(), String::new());

fn read(folder: &tempfile::TempDir, name: &str) -> GridDocument {
    read_grid(&folder.path().join(name)).unwrap()
}

#[test]
fn a_shift_adds_up_and_readings_stay() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    assert_eq!(run("shift cool.json 0.05 -o up.json"), DONE);
    assert_eq!(run("shift up.json -0.125 -o down.json"), DONE);
    let shifted = read(&folder, "down.json");
    assert_eq!(shifted, GridDocument { shift_um: -75, ..read(&folder, "cool.json") });
    // A record keeps its setup.
    assert_eq!(run("convert cool.json grid.gkr --setup 9"), DONE);
    assert_eq!(run("shift grid.gkr 0.001 -o up.gkr"), DONE);
    let (_, out, _) = run("convert up.gkr up-again.json");
    assert!(out.contains("the setup, 9"), "{out}");
    assert_eq!(read(&folder, "up-again.json").shift_um, 1);
}

#[test]
fn a_refined_grid_has_the_bow_and_is_not_refined_again() {
    let folder = folder();
    assert_eq!(gapgrid(folder.path(), "refine cool.json --nodes 5x9 -o dense.json"), DONE);
    let dense = read(&folder, "dense.json");
    let lattice = dense.grid.lattice();
    assert_eq!((lattice.columns, lattice.rows, lattice.pitch_x_um, lattice.pitch_y_um), (5, 9, 25_000, 11_375));
    // On the front edge the parabola through 0, 60, 0: three quarters of its crown half-way.
    assert_eq!(dense.grid.nodes_um()[..5], [0, 45, 60, 45, 0]);
    assert_eq!(dense.survey.unwrap().surface, Surface::Bilinear);
    let (code, out, _) = gapgrid(folder.path(), "refine cool.json --nodes 4x3 -o dense.csv");
    assert_eq!(code, Some(0));
    assert!(out.contains("left out, since the format has no place for it: the bed temperature of 60 °C\n"), "{out}");
    assert!(
        out.ends_with("the last nodes stand 1 um in X and 0 um in Y inside the old ones: pitches are whole\n"),
        "{out}"
    );
}

/// By hand: a quarter of the way from 60 to 100 °C.
#[test]
fn a_blend_is_in_proportion() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    assert_eq!(run("shift warm.json 0.04 -o warm.json"), DONE);
    assert_eq!(run("blend warm.json cool.json --bed-temperature 70 -o between.json"), DONE);
    let between = read(&folder, "between.json");
    // 120 + 81/4 = 140.25.
    assert_eq!(between.grid.nodes_um(), [3, 70, 3, 70, 140, 70, 3, 70, 3]);
    assert_eq!((between.shift_um, between.bed_temperature_c), (10, Some(70)));
    assert_eq!(between.survey, read(&folder, "cool.json").survey);
    // At a grid's own temperature the blend is that grid, though the other is near.
    assert_eq!(run("blend cool.json warm.json --bed-temperature 100 -o same.json"), DONE);
    assert_eq!(read(&folder, "same.json"), read(&folder, "warm.json"));
    assert_eq!(run("blend cool.json warm.json --bed-temperature 98 -o near.json"), DONE);
    assert_ne!(read(&folder, "near.json").grid, read(&folder, "warm.json").grid);
}

#[test]
fn grids_of_two_setups_are_not_blended() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    assert_eq!(run("convert cool.json cool.gkr --setup 4"), DONE);
    assert_eq!(run("convert warm.json warm.gkr --setup 5"), DONE);
    assert_refused(folder.path(), &[("blend cool.gkr warm.gkr --bed-temperature 70 -o old.json", "setups 4 and 5")]);
    assert_eq!(run("blend cool.gkr warm.json --bed-temperature 70 -o between.gkr"), DONE);
    let (_, out, _) = run("convert between.gkr between.json");
    assert!(out.contains("the setup, 4"), "{out}");
}

#[test]
fn what_cannot_be_is_refused_and_the_output_left_alone() {
    let folder = folder();
    let cases = [
        ("shift cool.json 8.192 -o old.json", "a shift of 8192 um"),
        ("shift cool.json 0.0001 -o old.json", "up to three decimals"),
        ("shift cool.json -o old.json", "<MM>"),
        ("shift cool.json 0.1 -o shifted.csv", "the format has no place for a shift"),
        ("shift absent.json 0.1 -o old.json", "absent.json: cannot be read"),
        ("refine cool.json --nodes 17x3 -o old.json", "17 nodes along X"),
        ("refine cool.json --nodes 3x1 -o old.json", "1 nodes along Y"),
        ("refine cool.json --nodes 9 -o old.json", "give columns and rows, such as 13x9"),
        ("refine cool.json --nodes 300x3 -o old.json", "give columns and rows"),
        ("refine old.json --nodes 5x5 -o new.json", "old.json:1:1"),
        ("blend cool.json warm.json --bed-temperature 59 -o old.json", "59 °C does not lie between the grids"),
        ("blend cool.json warm.json --bed-temperature 101 -o old.json", "the nearer is for 100 °C"),
        ("blend cool.json hot.json --bed-temperature 90 -o old.json", "no more than 60 °C apart"),
        ("blend cool.json other.json --bed-temperature 90 -o old.json", "must have the same stations"),
        (
            "blend cool.json unknown.json --bed-temperature 90 -o old.json",
            "unknown.json: it does not say its bed temperature",
        ),
        ("blend cool.json warm.json -o old.json", "--bed-temperature"),
    ];
    assert_refused(folder.path(), &cases);
    assert_eq!(fs::read_to_string(folder.path().join("old.json")).unwrap(), "old");
}
