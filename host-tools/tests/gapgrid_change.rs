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

/// By hand: the changes are 10 at four stations, 40 at four and 81 in the middle. That is even in X and Y, so the plane is
/// level, at their mean, and the twist is zero: what is left spans all of it, from 10 to 81.
fn blended() -> (Option<i32>, String, String) {
    let out = "the shape changes by 71 um from 60 to 100 °C, 1.8 um a degree; tilt and twist are not counted\n";
    (Some(0), out.to_owned(), String::new())
}

/// By hand: a quarter of the way from 60 to 100 °C.
#[test]
fn a_blend_is_in_proportion() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    assert_eq!(run("shift warm.json 0.04 -o warm.json"), DONE);
    assert_eq!(run("blend warm.json cool.json --bed-temperature 70 -o between.json"), blended());
    let between = read(&folder, "between.json");
    // 120 + 81/4 = 140.25.
    assert_eq!(between.grid.nodes_um(), [3, 70, 3, 70, 140, 70, 3, 70, 3]);
    assert_eq!((between.shift_um, between.bed_temperature_c), (10, Some(70)));
    assert_eq!(between.survey, read(&folder, "cool.json").survey);
    // At a grid's own temperature the blend is that grid, though the other is near.
    assert_eq!(run("blend cool.json warm.json --bed-temperature 100 -o same.json"), blended());
    assert_eq!(read(&folder, "same.json"), read(&folder, "warm.json"));
    assert_eq!(run("blend cool.json warm.json --bed-temperature 98 -o near.json"), blended());
    assert_ne!(read(&folder, "near.json").grid, read(&folder, "warm.json").grid);
}

/// Readings of the blend itself on turned screws hold it; a middle that is 101 um off does not, nor do those of another
/// temperature or plate, too few, or some beyond the grid.
#[test]
fn a_tie_checks_a_blend() {
    let folder = folder();
    let tie = |off_um: i32, count: usize| {
        // The blend at 70 °C at the corners and in the middle, with a tilt and a twist.
        let stations = [(0, 0, 3), (2, 0, 3), (0, 2, 3), (2, 2, 3), (1, 1, 140 + off_um)];
        let row = |(u, v, um): &(i32, i32, i32)| {
            format!("{},{},{}\r\n", 10_000 + 50_000 * u, 20_000 + 45_500 * v, um + 70 - 30 * u + 25 * v + 11 * u * v)
        };
        format!("x_um,y_um,height_um\r\n{}", stations[..count].iter().map(row).collect::<String>())
    };
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    write("held.csv", &tie(99, 5));
    write("lost.csv", &tie(-102, 5));
    write("four.csv", &tie(0, 4));
    // All within 1 mm, and over less than half of the depth.
    let near = |x_um: i32, y_um: i32| {
        let row = |(u, v): (i32, i32)| format!("{},{},50\r\n", 30_000 + u * x_um / 2, 30_000 + v * y_um / 2);
        format!("x_um,y_um,height_um\r\n{}", [(0, 0), (2, 0), (0, 2), (2, 2), (1, 1)].map(row).concat())
    };
    write("near.csv", &near(1000, 1000));
    write("shallow.csv", &near(50_000, 45_498));
    write("half.csv", &near(50_000, 45_500));
    write("beyond.csv", &tie(0, 5).replace("\r\n110000,", "\r\n110002,"));
    let named = fs::read_to_string(folder.path().join("warm.json"))
        .unwrap()
        .replace("\"fade\"", "\"plate\": \"glass\", \"fade\"");
    write("glass.json", &named);
    let readings = "\"readings_um\": [[10000, 20000, 3], [110000, 20000, 3], [10000, 111000, 3], [110000, 111000, 3], [60000, 65500, 140]]";
    write(
        "at-70.json",
        &document("[[0, 0], [0, 0]]").replace("60,\n", "70,\n").replace(" }", &format!(", {readings} }}")).replacen(
            &format!(", {readings} }}"),
            " }",
            1,
        ),
    );
    write("at-80.json", &fs::read_to_string(folder.path().join("at-70.json")).unwrap().replace("70,\n", "80,\n"));
    let blend = "blend cool.json warm.json --bed-temperature 70";
    let (code, out, error) = gapgrid(folder.path(), &format!("{blend} --tie held.csv -o a.json"));
    assert!(
        code == Some(0) && out.ends_with("the blend holds: residual 99 um at 5 readings, up to 100 is allowed\n"),
        "{out} {error}"
    );
    let (code, out, error) = gapgrid(folder.path(), &format!("{blend} --tie at-70.json -o a.json"));
    assert!(code == Some(0) && out.contains("residual 0 um"), "{out} {error}");
    let cases = [
        (
            "lost.csv",
            "off by 102 um from these readings, more than 100, whatever the screws did\n  survey the whole bed at 70 °C",
        ),
        ("four.csv", "readings at 4 places: 5 or more are needed"),
        ("beyond.csv", "a reading at x 110.002, y 20 mm lies beyond the grid"),
        ("near.csv", "the newest readings reach over 1.0 mm along X, less than half of the 100.0 mm of the shape"),
        ("shallow.csv", "the newest readings reach over 45.5 mm along Y, less than half of the 91.0 mm"),
        ("cool.json", "the file holds no readings"),
        ("at-80.json", "at-80.json was measured at 80 °C, b.json was measured at 70 °C"),
    ];
    for (file, words) in cases {
        assert_refused(folder.path(), &[(&format!("{blend} --tie {file} -o b.json"), words)]);
    }
    let (_, out, error) = gapgrid(folder.path(), &format!("{blend} --tie half.csv -o half.json"));
    assert!(out.contains("the blend holds") || error.contains("the blend is off by"), "{out} {error}");
    let other = "glass.json is of the plate glass, cool.json has no name for its plate";
    assert_refused(folder.path(), &[("blend cool.json glass.json --bed-temperature 70 -o b.json", other)]);
    assert!(!folder.path().join("b.json").exists());
}

/// Three cells over 20 mm and three over 10 mm leave a micrometre over, and the cells of the refined surface some more:
/// readings at the far corner are taken up to there, and no farther.
#[test]
fn a_tie_reaches_as_far_as_the_grid_was_made_for() {
    let folder = folder();
    let at = |degrees: i32| {
        document("[[0, 9, 9, 0], [9, 20, 20, 9], [9, 20, 20, 9], [0, 9, 9, 0]]")
            .replace("50000", "6666")
            .replace("45500", "3333")
            .replace("bilinear", "refined")
            .replace("60,\n", &format!("{degrees},\n"))
    };
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    write("at-60.json", &at(60));
    write("at-80.json", &at(80));
    let blend = "blend at-60.json at-80.json --bed-temperature 70 --tie five.csv -o blend.json";
    let five = |x_um: i32, y_um: i32| {
        format!(
            "x_um,y_um,height_um\r\n10000,20000,0\r\n{x_um},20000,0\r\n10000,{y_um},0\r\n{x_um},{y_um},0\r\n20000,25000,22\r\n"
        )
    };
    write("five.csv", &five(30_000, 30_000));
    let (code, out, error) = gapgrid(folder.path(), blend);
    assert!(code == Some(0) && out.contains("the blend holds"), "{out} {error}");
    for (x_um, y_um) in [(30_001, 30_000), (30_000, 30_002)] {
        write("five.csv", &five(x_um, y_um));
        assert_refused(folder.path(), &[(blend, "lies beyond the grid")]);
    }
}

#[test]
fn grids_of_two_setups_are_not_blended() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    assert_eq!(run("convert cool.json cool.gkr --setup 4"), DONE);
    assert_eq!(run("convert warm.json warm.gkr --setup 5"), DONE);
    assert_refused(folder.path(), &[("blend cool.gkr warm.gkr --bed-temperature 70 -o old.json", "setups 4 and 5")]);
    assert_eq!(run("blend cool.gkr warm.json --bed-temperature 70 -o between.gkr"), blended());
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
