//! `gapgrid patches` as people run it; against the deposit model it is tried in `sim/tests/patches.rs`.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;

use std::fs;
use std::path::Path;

use gapgrid_support::{assert_refused, document, gapgrid};
use gapkeeper_host_tools::grid_file::read_grid;
use gapkeeper_host_tools::patches::{PatchForm, PatchReadings, PatchRow};
use proptest::prelude::*;

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    let bowed = "[[0, 45, 60, 45, 0], [45, 90, 105, 90, 45], [60, 105, 120, 105, 60], [45, 90, 105, 90, 45], [0, 45, 60, 45, 0]]";
    write("grid.json", &document(bowed).replace("\"shift_um\": 0", "\"shift_um\": 20"));
    write("start.gcode", "G28\nM109 S205");
    write("end.gcode", "M104 S0\n");
    folder
}

fn ok(folder: &Path, arguments: &str) -> String {
    let (code, out, error) = gapgrid(folder, arguments);
    assert_eq!((code, error.as_str()), (Some(0), ""), "{arguments}: {out}");
    out
}

const MAKE: &str = "patches grid.json --nodes 3x3 --form form.csv -o patches.gcode";

/// The form with the thickness of each patch, in millimetres.
fn fill(folder: &Path, name: &str, thickness: impl Fn(usize) -> String) {
    let form = fs::read_to_string(folder.join("form.csv")).unwrap();
    let mut lines = form.lines();
    let mut text = format!("{}\r\n", lines.next().unwrap());
    text.extend(lines.enumerate().map(|(at, line)| format!("{line}{}\r\n", thickness(at))));
    fs::write(folder.join(name), text).unwrap();
}

#[test]
fn a_job_and_its_form_are_written_and_read() {
    let folder = folder();
    let out = ok(folder.path(), &format!("{MAKE} --start start.gcode --end end.gcode"));
    assert!(out.starts_with("9 patches, to be printed with the surface bilinear"), "{out}");
    let job = fs::read_to_string(folder.path().join("patches.gcode")).unwrap();
    assert!(job.starts_with("G28\nM109 S205\nG21 G90 M83\n; patch 1\nG0 Z2.300\nG0 X4.000 Y"), "{job}");
    assert!(job.ends_with("G0 Z2.300\nM104 S0\n") && job.matches("; patch ").count() == 9, "{job}");
    // By hand: 12 mm of a line 0.45 mm by 0.3 mm are 1.62 mm3, of a filament of 1.75 mm 0.67352 mm.
    assert!(job.contains("G1 X16.000 E0.67352\n"), "{job}");
    let form = fs::read_to_string(folder.path().join("form.csv")).unwrap();
    let rows: Vec<&str> = form.lines().collect();
    assert_eq!(rows[0], "patch,x_um,y_um,asked_um,nozzle_um,thickness_mm");
    assert_eq!((rows[1], rows[5]), ("1,10000,20000,300,320,", "5,110000,111000,300,440,"));
    // The job runs through apply, and its first layer is found.
    assert_eq!(gapgrid(folder.path(), "apply patches.gcode --grid grid.json -o corrected.gcode").0, Some(0));

    // All 30 um too thick: the bed lies 30 um lower than the grid with its shift says.
    fill(folder.path(), "filled.csv", |_| "0.33".to_owned());
    let out = ok(folder.path(), "patches grid.json --read filled.csv -o new.json");
    assert!(out.contains("9 patches, +30 um off on the mean") && out.contains("a shift of -30 ± 7 um (95 %)"), "{out}");
    let (old, new) =
        (read_grid(&folder.path().join("grid.json")).unwrap(), read_grid(&folder.path().join("new.json")).unwrap());
    assert_eq!((new.shift_um, new.bed_temperature_c, new.readings.len()), (0, Some(60), 9));
    for (old_um, new_um) in old.grid.nodes_um().iter().zip(new.grid.nodes_um()) {
        assert!((old_um + 20 - 30 - new_um).abs() <= 6, "{old_um} {new_um}");
    }
    // The new grid has kept its patches, and they join further ones, or others of its readings.
    assert!(!out.contains("not printed with this grid"), "{out}");
    let again = "filled.csv: the grid holds the readings of this form already\n  give the grid that was in force";
    let twice = "patches new.json --read filled.csv -o newer.json";
    assert_refused(folder.path(), &[(twice, again), (&format!("{twice} --spread-um 20"), again)]);
    fill(folder.path(), "further.csv", |at| if at == 4 { "0.32" } else { "0.33" }.to_owned());
    let out = ok(folder.path(), "patches new.json --read further.csv -o newer.json");
    assert!(out.contains("not printed with this grid and surface: the nozzle was up to "), "{out}");
    assert_eq!(read_grid(&folder.path().join("newer.json")).unwrap().readings.len(), 18, "{out}");

    // A grid 50 um higher may have been meant, one 51 um higher was not.
    ok(folder.path(), "shift grid.json 0.05 -o near.json");
    ok(folder.path(), "shift grid.json 0.051 -o far.json");
    let out = ok(folder.path(), "patches near.json --read filled.csv -o a.json");
    assert!(out.contains("the nozzle was up to 50 um from"), "{out}");
    let other = "filled.csv: the form was written with another grid: the nozzle stood up to 51 um from";
    assert_refused(folder.path(), &[("patches far.json --read filled.csv -o b.json", other)]);
    assert!(!folder.path().join("b.json").exists());

    // One was lost, one lies loose, one was squeezed shut.
    fill(folder.path(), "partly.csv", |at| ["", "0.47", "0.1"].get(at).copied().unwrap_or("0.3").to_owned());
    let (code, out, error) = gapgrid(folder.path(), "patches grid.json --read partly.csv -o six.json");
    assert!(code == Some(2) && out.is_empty() && error.contains("6 readings: 7 or more"), "{out} {error}");
    let out = ok(folder.path(), "patches new.json --read partly.csv -o six.json");
    assert!(out.contains("patch 2 is left out, 470 um: too thick: its lines lie loose"), "{out}");
    assert!(
        out.contains("patch 3 is left out, 100 um: too thin") && out.contains("1 patches are not measured"),
        "{out}"
    );
}

#[test]
fn what_makes_no_patches_is_refused() {
    let folder = folder();
    ok(folder.path(), MAKE);
    // Inches, a decimal comma, no number, and nothing at all.
    fill(folder.path(), "inch.csv", |_| "0.012".to_owned());
    fill(folder.path(), "comma.csv", |_| "0,33".to_owned());
    fill(folder.path(), "nan.csv", |at| if at == 3 { "NaN".to_owned() } else { String::new() });
    fill(folder.path(), "huge.csv", |_| "1e300".to_owned());
    fill(folder.path(), "below.csv", |_| "-0.3".to_owned());
    fs::write(
        folder.path().join("fade.json"),
        document("[[0, 9], [9, 0]]").replace("null", r#"{ "full_below_um": 200, "zero_above_um": 9000 }"#),
    )
    .unwrap();
    let cases = [
        ("patches grid.json --read form.csv -o a.json", "form.csv: no patch tells the gap: 9 are not measured"),
        ("patches grid.json --read inch.csv -o a.json", "9 too thin or too thick"),
        ("patches grid.json --read comma.csv -o a.json", "record 2: \"33\" is no such column"),
        ("patches grid.json --read nan.csv -o a.json", "record 5: \"NaN\" is no thickness_mm"),
        ("patches grid.json --read huge.csv -o a.json", "record 2: \"1e300\" is no thickness_mm"),
        ("patches grid.json --read below.csv -o a.json", "record 2: \"-0.3\" is no thickness_mm"),
        ("patches grid.json --read start.gcode -o a.json", "the first line is not that of the form"),
        ("patches grid.json --read gone.csv -o a.json", "gone.csv"),
        ("patches grid.json -o a.gcode", "--form"),
        ("patches grid.json --form a.csv -o a.csv", "cannot be one file"),
        ("patches grid.json --form a.csv -o a.gcode --nodes 16x16", "patches of 12000 um are"),
        ("patches grid.json --form a.csv -o a.gcode --size-mm 1", "a patch of 1000 um"),
        ("patches grid.json --form a.csv -o a.gcode --layer-mm 0.05", "a layer of 50 um"),
        ("patches grid.json --form a.csv -o a.gcode --line-mm -1", "above 0"),
        ("patches grid.json --form a.csv -o a.gcode --start gone.gcode", "gone.gcode"),
        ("patches fade.json --form a.csv -o a.gcode --nodes 2x2", "fades from 200 um on"),
        ("patches grid.json --read form.csv --form a.csv -o a.json", "--form"),
        ("patches grid.json --read form.csv -o a.json --spread-um 0", "--spread-um"),
    ];
    assert_refused(folder.path(), &cases);
    assert!(!folder.path().join("a.csv").exists() && !folder.path().join("a.gcode").exists());
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// A form is read as it was written, and any other text is a form or an error.
    #[test]
    fn any_text_is_a_form_or_an_error(
        rows in prop::collection::vec((any::<[i32; 4]>(), prop::option::of(0..=10_000_i32)), 1..6),
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<char>()), 0..4),
    ) {
        type Row = (u32, ([i32; 4], Option<i32>));
        let row = |(number, ([x_um, y_um, asked_um, nozzle_um], thickness_um)): Row| PatchRow {
            number,
            x_um,
            y_um,
            asked_um,
            nozzle_um,
            thickness_um,
        };
        let form = PatchForm { rows: (1..).zip(rows).map(row).collect() };
        prop_assert_eq!(PatchForm::parse(&form.text()).unwrap(), form.clone());
        let _ = PatchReadings::of(&form, 10);
        let mut text: Vec<char> = form.text().chars().collect();
        for (at, letter) in damage {
            let at = at.index(text.len());
            text[at] = letter;
        }
        if let Ok(form) = PatchForm::parse(&text.into_iter().collect::<String>()) {
            let _ = PatchReadings::of(&form, 10);
        }
    }
}
