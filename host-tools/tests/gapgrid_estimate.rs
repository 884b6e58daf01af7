//! `gapgrid estimate` as people run it.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;

use std::fs;
use std::path::Path;

use gapgrid_support::{assert_refused, document, gapgrid};
use gapkeeper_host_tools::grid_file::read_grid;

/// Places of 3 x 3 and the middles of their cells over 200 x 160 mm.
fn places() -> impl Iterator<Item = (i32, i32)> {
    (0..25).step_by(2).map(|node| (20_000 + 50_000 * (node % 5), 30_000 + 40_000 * (node / 5)))
}

fn table(height_um: impl Fn(i32, i32) -> i32) -> String {
    let rows = places().map(|(x_um, y_um)| format!("{x_um},{y_um},{}\r\n", height_um(x_um, y_um)));
    format!("x_um,y_um,height_um\r\n{}", rows.collect::<String>())
}

fn bow_um(x_um: i32, y_um: i32) -> i32 {
    let (u, v) = ((x_um - 120_000) / 10_000, (y_um - 110_000) / 10_000);
    200 - 2 * u * u - v * v
}

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("bow.csv"), table(bow_um)).unwrap();
    folder
}

fn ok(folder: &Path, arguments: &str) -> String {
    let (code, out, error) = gapgrid(folder, arguments);
    assert_eq!((code, error.as_str()), (Some(0), ""), "{arguments}: {out}");
    out
}

/// By definition: a bow passes as it is, at the nodes of any lattice, within the readings and beyond.
#[test]
fn a_bow_becomes_a_grid_that_keeps_its_readings() {
    let folder = folder();
    let out = ok(folder.path(), "estimate bow.csv --nodes 5x9 --from 10,20 --to 230,200 -o grid.json");
    assert!(out.starts_with("95 % sure within ±") && out.contains("from 13 readings"), "{out}");
    let grid = read_grid(&folder.path().join("grid.json")).unwrap();
    let lattice = grid.grid.lattice();
    assert_eq!((lattice.columns, lattice.rows, lattice.x0_um, lattice.y0_um), (5, 9, 10_000, 20_000));
    assert_eq!(lattice.node_um(4, 8), (230_000, 200_000));
    for (node, &found_um) in grid.grid.nodes_um().iter().enumerate() {
        let (x_um, y_um) = lattice.node_um((node % 5) as u8, (node / 5) as u8);
        let exact = |um: i32, middle_um: i32| (f64::from(um - middle_um) / 1e4).powi(2);
        let exact_um = 200.0 - 2.0 * exact(x_um, 120_000) - exact(y_um, 110_000);
        assert!((f64::from(found_um) - exact_um).abs() < 1.0, "{x_um} {y_um}: {found_um} for {exact_um}");
    }
    assert_eq!(grid.readings.len(), 13);
    // The grid gives the same again, and a format without room for readings says so.
    ok(folder.path(), "estimate grid.json --nodes 5x9 --from 10,20 --to 230,200 -o again.json");
    assert_eq!(fs::read(folder.path().join("grid.json")).unwrap(), fs::read(folder.path().join("again.json")).unwrap());
    let out = ok(folder.path(), "estimate bow.csv -o grid.csv");
    assert!(out.starts_with("left out, since the format has no place for it: 13 readings"), "{out}");
}

/// Readings of one place are several readings, and those with a spread of their own count by it.
#[test]
fn several_readings_of_one_place_count_by_their_spread() {
    let folder = folder();
    let height = |name: &str, more: &str| {
        let rows: String = table(bow_um).lines().skip(1).map(|row| format!("{row},20\r\n")).collect();
        fs::write(folder.path().join(name), format!("x_um,y_um,height_um,spread_um\r\n{rows}{more}")).unwrap();
        ok(folder.path(), &format!("estimate {name} --nodes 3x3 -o {name}.json"));
        read_grid(&folder.path().join(format!("{name}.json"))).unwrap().grid.nodes_um()[4]
    };
    let [none, rough, fine, unstated] = [
        ("0.csv", ""),
        ("1.csv", "120000,110000,300,200\r\n"),
        ("2.csv", "120000,110000,300,2\r\n"),
        ("3.csv", "120000,110000,300,\r\n"),
    ]
    .map(|(name, more)| height(name, more));
    assert!(
        none == 200 && none <= rough && rough + 5 < fine && rough < unstated && unstated < fine,
        "{none} {rough} {fine} {unstated}"
    );
}

#[test]
fn nothing_is_made_of_too_little() {
    let folder = folder();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    write("one.csv", "x_um,y_um,height_um\r\n20000,30000,5\r\n");
    write("none.csv", "x_um,y_um,height_um\r\n");
    let line: String = (0..9).map(|at| format!("{},{},{at}\r\n", at * 20_000, at * 10_000)).collect();
    write("line.csv", &format!("x_um,y_um,height_um\r\n{line}"));
    write("nan.csv", &table(bow_um).replace(",200\r", ",NaN\r"));
    write("huge.csv", &table(bow_um).replace(",200\r", ",99999999999999999999\r"));
    write("far.csv", &table(bow_um).replace("20000,30000,", "-99999999999,30000,"));
    // Inches, or millimetres, as a console prints them.
    write("inch.csv", "x,y,z\r\n0.787,1.181,0.0079\r\n");
    write("mm.csv", &table(bow_um).replace(",200\r", ",0.2\r"));
    write("spread.csv", "x_um,y_um,height_um,spread_um\r\n1,2,3,0\r\n");
    write("bare.json", &document("[[0, 60, 0], [60, 120, 60], [0, 60, 0]]"));
    let cases = [
        ("estimate one.csv -o a.json", "1 readings: 7 or more are needed"),
        ("estimate none.csv -o a.json", "0 readings"),
        ("estimate line.csv -o a.json", "do not tell tilt, twist and bow apart"),
        ("estimate nan.csv -o a.json", "nan.csv:8:15: record 8: height_um"),
        ("estimate huge.csv -o a.json", "huge.csv:8:15: record 8: height_um"),
        ("estimate far.csv -o a.json", "far.csv:2:1: record 2: x_um"),
        ("estimate inch.csv -o a.json", "convert to micrometres"),
        ("estimate mm.csv -o a.json", "mm.csv:8:15: record 8: height_um"),
        ("estimate spread.csv -o a.json", "record 2: spread_um"),
        ("estimate bare.json -o a.json", "bare.json: the file holds no readings"),
        ("estimate gone.csv -o a.json", "gone.csv"),
        ("estimate bow.csv --hand-um 0 -o a.json", "1 to 500 um"),
        ("estimate bow.csv --hand-um nan -o a.json", "1 to 500 um"),
        ("estimate bow.csv --nodes 1x9 -o a.json", "2 to 16"),
        ("estimate bow.csv --nodes 17x9 -o a.json", "17"),
        ("estimate bow.csv --from 200,100 --to 100,150 -o a.json", "no farther than where it begins"),
        ("estimate bow.csv --from -2000000,0 --to 2000000,100 -o a.json", "bow.csv"),
        ("estimate bow.csv -o a.txtt", "a.txtt"),
    ];
    assert_refused(folder.path(), &cases);
    assert!(!folder.path().join("a.json").exists());
}

#[test]
fn weights_are_written_for_the_places_of_readings() {
    let folder = folder();
    let text = ok(folder.path(), "source bow.csv --weights --nodes 5x5 --language rust");
    assert!(text.contains("pub const STATIONS: usize = 13;") && text.contains("[20000, 30000],"), "{text}");
    assert!(text.contains("pub const PITCH_X_UM: u32 = 50000;") && text.contains("pub fn nodes_um("), "{text}");
    ok(folder.path(), "estimate bow.csv -o grid.json");
    let of_grid = ok(folder.path(), "source grid.json --weights --nodes 5x5 --language rust");
    assert_eq!(of_grid, text);
    ok(folder.path(), "source bow.csv --weights --language c -o weights.h");
    assert!(fs::read_to_string(folder.path().join("weights.h")).unwrap().contains("#define WEIGHTS_COLUMNS 9\n"));
    fs::write(folder.path().join("four.csv"), "x_um,y_um,height_um\r\n0,0,0\r\n9,0,0\r\n0,9,0\r\n9,9,0\r\n").unwrap();
    let cases = [
        ("source four.csv --weights --language c", "4 readings: 7 or more"),
        ("source bow.csv --weights --language c --from -900,0 --to 900,90", "counts"),
        ("source bow.csv --weights --language c --surface bilinear", "--surface"),
        ("source grid.json --nodes 5x5 --language c", "--nodes, --from and --to are for --weights"),
    ];
    assert_refused(folder.path(), &cases);
}
