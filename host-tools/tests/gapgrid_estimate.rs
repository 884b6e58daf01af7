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

/// The plate of the bow on turned screws, at the corners and in the middle, the middle off by so much.
fn five(off_um: i32) -> String {
    let stations = [(20, 30), (220, 30), (20, 190), (220, 190), (120, 110)];
    let height_um = |x: i32, y: i32| {
        let off_um = if (x, y) == (120, 110) { off_um } else { 0 };
        bow_um(x * 1000, y * 1000) + screws_um(x * 1000, y * 1000) + off_um
    };
    let row = |(x, y): (i32, i32)| format!("{},{},{}\r\n", x * 1000, y * 1000, height_um(x, y));
    format!("x_um,y_um,height_um\r\n{}", stations.map(row).concat())
}

fn screws_um(x_um: i32, y_um: i32) -> i32 {
    let (u, v) = ((x_um - 20_000) / 10_000, (y_um - 30_000) / 10_000);
    90 - 8 * u + 5 * v + u * v / 4
}

/// By definition: plane and twist of the new readings, the bow of the old ones. The grid says what it was made of, and is
/// as sure wherever it is looked at.
#[test]
fn five_readings_and_an_older_survey_make_a_grid() {
    let folder = folder();
    let old = "estimate bow.csv --bed-temperature 60 --plate glass --nodes 5x9 -o old.json";
    ok(folder.path(), old);
    fs::write(folder.path().join("five.csv"), five(0)).unwrap();
    let new = "estimate five.csv --bed-temperature 62 --plate glass --nodes 5x9";
    let out = ok(folder.path(), &format!("{new} --older old.json -o now.json"));
    let made = "plane and twist of 5 readings; shape also of 13 readings of 1 older survey\nthe shape held: residual ";
    assert!(out.starts_with(made) && out.contains("from 18 readings"), "{out}");
    let now = read_grid(&folder.path().join("now.json")).unwrap();
    assert_eq!((now.readings.len(), now.older.readings.len(), now.older.drift_um), (5, 1, 15));
    assert_eq!((now.bed_temperature_c, now.plate.as_deref()), (Some(62), Some("glass")));
    let old = read_grid(&folder.path().join("old.json")).unwrap();
    for (node, (&now_um, &old_um)) in now.grid.nodes_um().iter().zip(old.grid.nodes_um()).enumerate() {
        let (x_um, y_um) = now.grid.lattice().node_um((node % 5) as u8, (node / 5) as u8);
        assert!((now_um - old_um - screws_um(x_um, y_um) as i16).abs() <= 3, "{x_um} {y_um}: {now_um} {old_um}");
    }
    let band = out.lines().last().unwrap();
    let (code, checked, _) = gapgrid(folder.path(), "check now.json");
    assert!(code.is_some() && checked.contains(band), "{checked}");
    assert!(ok(folder.path(), "show now.json --band").contains(band));
    let (_, next, _) = gapgrid(folder.path(), "next now.json --tolerance-um 5");
    assert!(next.contains("1. read x "), "{next}");
    // It gives the same again, and is older in its turn; formats without room say so.
    ok(folder.path(), "estimate now.json --nodes 5x9 -o again.json");
    assert_eq!(fs::read(folder.path().join("now.json")).unwrap(), fs::read(folder.path().join("again.json")).unwrap());
    fs::write(folder.path().join("later.csv"), five(-7).replace(",30000,", ",31000,")).unwrap();
    let later = "estimate later.csv --bed-temperature 60 --plate glass --older now.json --drift-um 40 -o later.json";
    let out = ok(folder.path(), later);
    assert!(out.starts_with("plane and twist of 5 readings; shape also of 18 readings of 2 older surveys\n"), "{out}");
    assert_eq!(read_grid(&folder.path().join("later.json")).unwrap().older.drift_um, 40);
    let out = ok(folder.path(), "convert now.json now.csv");
    assert!(out.contains(": 18 readings, ") && out.contains(": the name of the plate\n"), "{out}");
    // A whole survey with an older one; then with one of another shape.
    let whole = |name: &str, height_um: fn(i32, i32) -> i32| {
        fs::write(folder.path().join(format!("{name}.csv")), table(height_um)).unwrap();
        ok(folder.path(), &format!("estimate {name}.csv --plate glass --bed-temperature 60 -o {name}.json"));
        ok(folder.path(), &format!("estimate {name}.json --older old.json -o {name}-with.json"))
    };
    let out = whole("same", |x_um, y_um| bow_um(x_um, y_um) + screws_um(x_um, y_um));
    assert!(out.contains("from survey to survey; 15 um were stated\n95 %"), "{out}");
    let out = whole("bent", |x_um, y_um| 3 * bow_um(x_um, y_um));
    assert!(out.contains("have another shape and count for little: leave them out\n"), "{out}");
}

#[test]
fn surveys_that_do_not_belong_together_are_refused() {
    let folder = folder();
    ok(folder.path(), "estimate bow.csv --bed-temperature 60 -o old.json");
    ok(folder.path(), "estimate bow.csv --bed-temperature 60 --plate glass -o glass.json");
    ok(folder.path(), "estimate bow.csv -o unknown.json");
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    write("five.csv", &five(0));
    write("lost.csv", &five(-130));
    write(
        "near.csv",
        "x_um,y_um,height_um\r\n99000,99000,5\r\n99900,99000,5\r\n99000,99900,5\r\n99900,99900,5\r\n99500,99500,5\r\n",
    );
    write("four.csv", five(0).rsplit_once("120000").unwrap().0);
    write("one.csv", "x_um,y_um,height_um\r\n20000,30000,5\r\n");
    write("none.csv", "x_um,y_um,height_um\r\n");
    let line: String = (0..9).map(|at| format!("{},{},{at}\r\n", at * 20_000, at * 10_000)).collect();
    write("line.csv", &format!("x_um,y_um,height_um\r\n{line}"));
    write("double.csv", &five(0).replace("120000,110000", "20000,30000"));
    write("nan.csv", &five(0).replace("120000", "NaN"));
    write("far.csv", &five(0).replace("120000,110000", "2100000000,110000"));
    let many: String = (0..4000).map(|at| format!("{},{},{}\r\n", at * 50, at % 67 * 900, at % 9)).collect();
    write("many.csv", &format!("x_um,y_um,height_um\r\n{many}"));
    write("bare.json", &document("[[0, 60, 0], [60, 120, 60], [0, 60, 0]]"));
    let with =
        |readings: &str, older: &str| format!("estimate {readings} --bed-temperature 60 --older {older} -o a.json");
    let survey = "survey the whole bed";
    for (readings, older, words) in [
        ("five.csv", "glass.json", "glass.json is of the plate glass, five.csv has no name for its plate"),
        ("five.csv --plate stone", "glass.json", "five.csv is of the plate stone"),
        ("five.csv --plate stone", "old.json", "old.json has no name for its plate, five.csv is of the plate stone"),
        ("five.csv", "unknown.json", "unknown.json does not say its bed temperature, five.csv was measured at 60 °C"),
        ("five.csv", "bare.json", "bare.json: the file holds no readings"),
        (
            "five.csv",
            "bow.csv",
            "bow.csv: a table does not say its plate and its bed temperature\n  make a grid document that keeps its",
        ),
        (
            "five.csv",
            "bare.json",
            "if its nodes were measured, make a document that keeps them: gapgrid convert bare.json",
        ),
        ("five.csv", "gone.json", "gone.json"),
        ("five.csv", "old.json --older old.json", "older survey 2 has the readings of older survey 1 once more"),
        ("bow.csv", "old.json", "older survey 1 has the readings of the newest survey once more"),
        ("four.csv", "old.json", "the newest survey: readings at 4 places: 5 or more are needed"),
        ("near.csv", "old.json", "the newest readings reach over 0.9 mm along X, less than half of the 200.0 mm"),
        ("one.csv", "old.json", "the newest survey: readings at 1 places"),
        ("none.csv", "old.json", "the newest survey: readings at 0 places"),
        ("double.csv", "old.json", "the newest survey: readings at 4 places"),
        ("line.csv", "old.json", "the newest survey: its readings do not tell tilt and twist apart"),
        ("nan.csv", "old.json", "nan.csv:6:1: record 6: x_um"),
        ("many.csv", "old.json", "4013 readings: up to 400"),
        ("far.csv", "old.json", "far.csv: a pitch of 262497500 um along X"),
        ("lost.csv", "old.json", "the shape is off by 130 um from that of the older surveys, more than 100"),
        ("lost.csv", "old.json", survey),
        ("five.csv", "old.json --drift-um 501", "501"),
        ("five.csv --plate ''", "old.json", "plate"),
    ] {
        assert_refused(folder.path(), &[(&with(readings, older), words)]);
    }
    let warm = "estimate five.csv --bed-temperature 66 --older old.json -o a.json";
    assert_refused(folder.path(), &[(warm, "old.json was measured at 60 °C, five.csv was measured at 66 °C")]);
    // What lies within the window of each step is not within that of all of them.
    let step = |degrees: i32, older: &str, to: &str| {
        write("step.csv", &five(degrees - 60));
        format!("estimate step.csv --bed-temperature {degrees} --older {older}.json -o {to}.json")
    };
    ok(folder.path(), &step(65, "old", "at-65"));
    let two = "at-65.json: its older survey 1 was measured at 60 °C, the readings of step.csv: 70 °C\n  give surveys within 5";
    assert_refused(folder.path(), &[(&step(70, "at-65", "a"), two)]);
    ok(folder.path(), &step(64, "at-65", "at-64"));
    assert_eq!(read_grid(&folder.path().join("at-64.json")).unwrap().older.bed_temperatures_c, [Some(65), Some(60)]);
    // A document that does not say those of its older surveys can be computed again, but not be added.
    let text = fs::read_to_string(folder.path().join("at-65.json")).unwrap();
    write("silent.json", &text.replace("\"bed_temperatures_c\": [60], ", ""));
    ok(folder.path(), "estimate silent.json -o again.json");
    let silent = "silent.json: its older survey 1 does not say its bed temperature";
    assert_refused(folder.path(), &[(&step(66, "silent", "a"), silent)]);
    // An option does not relabel a document.
    let cold = "estimate old.json --bed-temperature 75 -o a.json";
    assert_refused(folder.path(), &[(cold, "old.json: the file says that it was measured at 60 °C, not at 75 °C")]);
    let stone = "estimate glass.json --plate stone -o a.json";
    assert_refused(folder.path(), &[(stone, "glass.json: the file says that it is of the plate glass, not of stone")]);
    ok(folder.path(), "estimate glass.json --plate glass --bed-temperature 60 -o again.json");
    let unknown = "estimate five.csv --older old.json -o a.json";
    assert_refused(folder.path(), &[(unknown, "five.csv does not say its bed temperature")]);
    assert!(!folder.path().join("a.json").exists());
    // Nothing is known of either.
    ok(folder.path(), "estimate five.csv --older unknown.json -o a.json");
}
