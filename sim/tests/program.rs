//! `gapsim` as a user runs it: the real program, its exit codes, its messages, its files.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use gapkeeper::{HeightGrid, Lattice, Surface};
use gapkeeper_host_tools::check::{CheckSettings, check};
use gapkeeper_host_tools::estimate::{Estimate, TieCheck};
use gapkeeper_host_tools::grid_file::{GridDocument, GridFormat, MissingFacts, read_grid, write_grid, write_grid_as};
use gapkeeper_sim::demo;
use serde_json::Value;

fn gapsim(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_gapsim"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .output()
        .expect("the program was built with this test")
}

/// A folder with a scenario and a small job, for runs of one's own.
fn bench() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("bench.toml"), demo::SCENARIO_TEXT).unwrap();
    fs::write(folder.path().join("job.gcode"), JOB).unwrap();
    folder
}

const JOB: &str = "\u{feff}; a cross and a ring\r\nM140 S60\r\nG28\r\nG1 Z0.2 F1200\r\nG1 X20 Y20\r\nG1 X200 Y180 E8.01\r\n\
                   G0 X200 Y20\r\nG1 X20 Y180 E16.02\r\nM987 P3 free text here\r\nG0 X140 Y100\r\nG2 X140 I-25 J0 E23";

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<_> =
        fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// Exit code 2, the message, nothing on standard output and no new file.
fn refused(folder: &Path, arguments: &[&str]) -> String {
    let before = names(folder);
    let output = gapsim(folder, arguments);
    let message = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {message}");
    assert!(output.stdout.is_empty(), "{arguments:?}");
    assert!(!message.contains("panicked"), "{message}");
    assert_eq!(names(folder), before, "{arguments:?} left something behind");
    message
}

/// What the program says first: the verdict, what to do, and the shares.
fn head(text: &str) -> &str {
    text.split("\n\nscenario ").next().unwrap()
}

#[test]
fn the_demo_draws_everything_and_says_whether_it_sticks() {
    let folder = tempfile::tempdir().unwrap();
    let output = gapsim(folder.path(), &["demo"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.stderr.is_empty(), "no progress bar without a terminal");
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("gapkeeper-demo") && text.contains("report.html"), "{text}");
    let readme = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../README.md")).unwrap();
    assert!(readme.contains(head(&text)), "the README's figures are not the demo's: {text}");
    let out = folder.path().join("gapkeeper-demo");
    let expected = [
        "card.png",
        "card_phone.png",
        "drawer_tray.gcode",
        "gap.png",
        "gap.svg",
        "layers.svg",
        "map.png",
        "map.svg",
        "report.html",
        "scenario.toml",
        "section.png",
        "section.svg",
        "squeeze.json",
        "squeeze.png",
        "squeeze.svg",
        "summary.json",
    ];
    assert_eq!(names(&out), expected);
    for png in ["gap.png", "map.png", "squeeze.png"] {
        assert!(fs::read(out.join(png)).unwrap().starts_with(b"\x89PNG\r\n\x1a\n"));
    }
    assert!(fs::metadata(out.join("report.html")).unwrap().len() < 1_000_000);
    let summary: Value = serde_json::from_slice(&fs::read(out.join("summary.json")).unwrap()).unwrap();
    let first_layer = |run: usize| &summary["runs"][run]["first_layer"];
    assert_eq!(summary["schema_version"], 2);
    let good_mm = |run: usize| first_layer(run)["length_mm"]["good"].as_f64().unwrap();
    assert!(good_mm(0) < 0.5 * good_mm(2), "uncorrected: most of it is not good");
    let length_mm = first_layer(2)["length_mm"].as_object().unwrap();
    assert_eq!(length_mm.values().filter(|mm| mm.as_f64() != Some(0.0)).count(), 1, "refined: all of it is good");
    assert!(first_layer(2)["errors"]["worst"]["job_line"].as_u64().unwrap() > 0);
    assert!(summary["layers"].as_array().unwrap().len() >= 40);

    // What the demo leaves is a start for one's own: replayed, it gives the same figures.
    let own = gapsim(&out, &["replay", "drawer_tray.gcode", "--scenario", "scenario.toml", "--json"]);
    let own: Value = serde_json::from_slice(&own.stdout).unwrap();
    assert_eq!(own["runs"], summary["runs"]);
}

#[test]
fn a_job_of_ones_own_is_replayed() {
    let folder = bench();
    let output = gapsim(folder.path(), &["replay", "job.gcode", "--scenario", "bench.toml", "--json"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let summary: Value = serde_json::from_slice(&output.stdout).unwrap();
    let counts = &summary["counts"];
    assert_eq!((&counts["lines"], &counts["moves"], &counts["printing_moves"]), (&11.into(), &7.into(), &3.into()));
    assert_eq!(
        (&counts["arcs"], &counts["unknown_words"], &counts["bytes"]),
        (&1.into(), &1.into(), &JOB.len().into())
    );
    let lengths_mm = summary["runs"][2]["first_layer"]["length_mm"].as_object().unwrap();
    let length_mm: f64 = lengths_mm.values().map(|mm| mm.as_f64().unwrap()).sum();
    // Two diagonals of 180 x 160 mm and a ring of 25 mm, whose chords are shorter than it by their tolerance.
    let expected_mm = 2.0 * 180_f64.hypot(160.0) + std::f64::consts::TAU * 25.0;
    assert!(length_mm < expected_mm && length_mm > expected_mm - 0.1, "{length_mm} {expected_mm}");
    assert_eq!(names(folder.path()), ["bench.toml", "job.gcode"], "nothing is written without --out");
    let words = summary["passed_over"].as_str().unwrap();
    assert!(words.contains("(1 time, first on line"), "{words}");
    assert!(summary["warnings"].as_array().unwrap().is_empty(), "what is harmless is no warning: {summary}");
}

#[test]
fn a_saved_grid_takes_the_place_of_the_survey() {
    let folder = bench();
    // Level at +30 um, whatever the bed: the corrected runs are the uncorrected one, 30 um higher.
    let grid = "x_um,y_um,height_um\r\n0,0,30\r\n230000,0,30\r\n0,200000,30\r\n230000,200000,30\r\n";
    fs::write(folder.path().join("level.csv"), grid).unwrap();
    let arguments = ["replay", "job.gcode", "--scenario", "bench.toml", "--grid", "level.csv", "--json"];
    let output = gapsim(folder.path(), &arguments);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let summary: Value = serde_json::from_slice(&output.stdout).unwrap();
    let mean_um = |run: usize| summary["runs"][run]["first_layer"]["errors"]["mean_um"].as_f64().unwrap();
    for run in [1, 2] {
        assert!((mean_um(run) - mean_um(0) - 30.0).abs() < 0.01, "{} {}", mean_um(run), mean_um(0));
    }
    assert_eq!(summary["grid"]["origin"], "read from level.csv");
}

/// A grid that kept its readings says how sure it is, as a check of it does; one that kept none or too few says nothing.
#[test]
fn a_saved_grid_says_how_sure_it_is() {
    let folder = bench();
    let survey = |stations: &str, grid: &str| {
        let arguments = ["survey", "--scenario", "bench.toml", "--stations", stations, "-o", grid];
        assert!(gapsim(folder.path(), &arguments).status.success(), "{grid}");
    };
    survey("3x3", "grid.json");
    survey("3x3", "nodes.csv");
    survey("2x2", "few.json");
    let mut bilinear = read_grid(&folder.path().join("grid.json")).unwrap();
    bilinear.survey.as_mut().unwrap().surface = Surface::Bilinear;
    write_grid(&folder.path().join("bilinear.json"), &bilinear).unwrap();
    let mut said = Vec::new();
    for grid in ["grid.json", "bilinear.json", "nodes.csv", "few.json"] {
        let arguments =
            ["replay", "job.gcode", "--scenario", "bench.toml", "--grid", grid, "--out", "out", "--no-advice"];
        let text = String::from_utf8(gapsim(folder.path(), &arguments).stdout).unwrap();
        let page = fs::read_to_string(folder.path().join("out/report.html")).unwrap();
        let summary: Value =
            serde_json::from_slice(&fs::read(folder.path().join("out/summary.json")).unwrap()).unwrap();
        let check = check(&read_grid(&folder.path().join(grid)).unwrap(), &CheckSettings::default());
        assert_eq!(summary["grid"]["band"], check.to_json()["band"], "{grid}");
        let check = check.to_string();
        let sentence = check.split("\nband: ").nth(1).and_then(|rest| rest.split(';').next());
        let in_text = text.split("\nsurface   ").nth(1).and_then(|rest| rest.split("\n\n").next());
        let in_page =
            page.split(&format!("read from {grid}. Surface: ")).nth(1).and_then(|rest| rest.split(".</p>").next());
        assert_eq!(in_text, sentence, "{text}");
        assert_eq!(in_page.map(|sentence| sentence.replace(" µm", " um")).as_deref(), sentence, "{grid}");
        assert_eq!(page.contains(&format!("Grid: read from {grid}.</p>")), sentence.is_none(), "{grid}");
        said.push(sentence.map(str::to_owned));
    }
    assert!(said[0].as_ref().is_some_and(|sentence| sentence.starts_with("95 % sure within ±")), "{said:?}");
    assert!(said[1].is_some() && said[1] != said[0] && said[2..] == [None, None], "{said:?}");
}

/// A grid document's own shift and fade hold, not the scenario's.
#[test]
fn a_saved_document_keeps_its_shift_and_fade() {
    let folder = bench();
    let level = r#"{ "format": "gapkeeper-grid", "version": 1, "x0_um": 0, "y0_um": 0, "pitch_x_um": 230000,
        "pitch_y_um": 200000, "shift_um": -25, "fade": null, "bed_temperature_c": null, "survey": null,
        "nodes_um": [[30, 30], [30, 30]] }"#;
    fs::write(folder.path().join("level.json"), level).unwrap();
    let arguments = ["replay", "job.gcode", "--scenario", "bench.toml", "--grid", "level.json", "--json"];
    let summary: Value = serde_json::from_slice(&gapsim(folder.path(), &arguments).stdout).unwrap();
    let mean_um = |run: usize| summary["runs"][run]["first_layer"]["errors"]["mean_um"].as_f64().unwrap();
    assert!((mean_um(1) - mean_um(0) - 5.0).abs() < 0.01, "{} {}", mean_um(1), mean_um(0));
    assert_eq!(summary["grid"]["fade_zero_above_um"], Value::Null);
}

/// Contact and refusal in the run that would be used end with 1; in the uncorrected run they only inform.
#[test]
fn contact_is_a_fault() {
    let folder = bench();
    let run = |job: &str| {
        fs::write(folder.path().join("low.gcode"), job).unwrap();
        let output = gapsim(folder.path(), &["replay", "low.gcode", "--scenario", "bench.toml"]);
        (output.status.code(), String::from_utf8(output.stdout).unwrap())
    };
    let (code, text) = run("M83\nG0 X20 Y20 Z-0.05\nG1 X60 E2 F1200\n");
    assert!(code == Some(1) && text.contains("FAULT: corrected, refined: the nozzle touches the bed"), "{text}");
    let (code, text) = run("M83\nG0 X20 Y20 Z-0.6\nG1 X60 E2 F1200\n");
    assert!(code == Some(1) && text.contains("were refused") && text.contains("nothing to judge"), "{text}");
    // The bed stands up to 100 um high in its middle: without a correction this layer scrapes it.
    let (code, text) = run("M83\nG0 X100 Y100 Z0.08\nG1 X130 E2 F1200\n");
    assert!(code == Some(0) && !text.contains("FAULT"), "{text}");
    for (tolerance_um, code) in [("1e9", 2), ("0", 2), ("0.5", 2), ("500", 0)] {
        let arguments = ["replay", "job.gcode", "--scenario", "bench.toml", "--tolerance-um", tolerance_um];
        assert_eq!(gapsim(folder.path(), &arguments).status.code(), Some(code), "{tolerance_um}");
    }
}

#[test]
fn bad_lines_are_shown_or_counted() {
    let folder = bench();
    fs::write(folder.path().join("bad.gcode"), JOB.replace("Y180 E8.01", "Y18o E8.01")).unwrap();
    let arguments = ["replay", "bad.gcode", "--scenario", "bench.toml", "--out", "pictures"];
    let message = refused(folder.path(), &arguments);
    assert!(message.contains("bad.gcode:6:12:"), "{message}");
    let lines: Vec<&str> = message.lines().collect();
    let shown = lines.iter().position(|line| line.contains("G1 X200 Y18o E8.01")).unwrap();
    assert_eq!(lines[shown + 1].find('^').unwrap(), lines[shown].find("o E8").unwrap(), "{message}");

    let output = gapsim(folder.path(), &[&arguments[..4], &["--keep-going", "--json"]].concat());
    assert!(output.status.success());
    let summary: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(summary["counts"]["bad_lines"], 1);
    assert!(summary["warnings"].to_string().contains("bad.gcode:6:12"), "{}", summary["warnings"]);
}

#[test]
fn wrong_input_is_refused_with_a_place_and_leaves_nothing_behind() {
    let folder = bench();
    let path = folder.path();
    let write = |name: &str, text: &str| fs::write(path.join(name), text).unwrap();
    let with_out = |job: &str, scenario: &str, more: &[&str]| {
        let fixed = ["replay", job, "--scenario", scenario, "--out", "pictures"];
        refused(path, &[&fixed[..], more].concat())
    };

    assert!(with_out("missing.gcode", "bench.toml", &[]).contains("missing.gcode"));
    assert!(with_out("job.gcode", "missing.toml", &[]).contains("missing.toml"));
    assert!(with_out(".", "bench.toml", &[]).contains("directory"));
    // A picture for a job, and a job for a scenario.
    fs::write(path.join("picture.png"), [0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a, 0, 0, 0, 13]).unwrap();
    assert!(with_out("picture.png", "bench.toml", &[]).contains("picture.png:1:1"));
    assert!(with_out("job.gcode", "job.gcode", &[]).contains("job.gcode: "));
    write("empty.gcode", "");
    assert!(with_out("empty.gcode", "bench.toml", &[]).contains("no printing move"));
    write("travel.gcode", "G0 X10 Y10\nG1 E5\nG1 X20\n");
    assert!(with_out("travel.gcode", "bench.toml", &[]).contains("no printing move"));
    write("far.gcode", "G1 X99999999 F9\n");
    assert!(with_out("far.gcode", "bench.toml", &[]).contains("far.gcode:1: a coordinate is beyond 2147 m"));
    write("wide.gcode", "G1 X0 Y0 F9\nG2 X10 Y0 R90000\n");
    assert!(with_out("wide.gcode", "bench.toml", &[]).contains("wide.gcode:2: an arc of radius"));

    for (change, to, expected) in [
        ("z_rate_limit_mm_s = 8", "z_rate_limit_mm_s = 0", "0 must be above 0"),
        ("travel_x_mm = [0, 230]", "travel_x_mm = [230, 0]", "the first must be below the second"),
        ("height_um = 340", "height_um = nan", "beyond 100000"),
        ("seed = 7", "seed = 7\nseed = 8", "duplicate key"),
        ("stations = [3, 3]", "stations = [3, 99]", "use 2 to 16"),
        ("x_mm = [20, 210]", "x_mm = [20, 20.01]", "survey: a pitch of 5 um along X"),
        ("height_um = 340", "height_um = 34000", "survey: "),
        ("tolerance_um = 2", "tolerance_um = 1", "correction.tolerance_um: "),
        ("zero_above_um = 8000", "zero_above_um = 500", "fade over more than the shape"),
        ("shift_um = 0", "shift_um = 9000", "a shift of 9000 um"),
        ("x_mm = 215, y_mm = 15", "x_mm = 15, y_mm = 15", "bed.screws"),
        ("kind = \"twist\"\nheight_um = 40", "kind = \"measured\"\nfile = \"none.csv\"", "none.csv"),
    ] {
        assert!(demo::SCENARIO_TEXT.contains(change), "{change}");
        write("changed.toml", &demo::SCENARIO_TEXT.replacen(change, to, 1));
        let message = with_out("job.gcode", "changed.toml", &[]);
        assert!(message.contains(expected), "{to}: {message}");
    }

    for (name, text, expected) in [
        ("grid.json", "{\"format\": \"gapkeeper-grid\"", "grid.json:1:"),
        ("grid.csv", "x,y,z\r\n0,0,0.125\r\n", "grid.csv:1:1"),
        ("grid.csv", "x_um,y_um,height_um\r\n0,0,1\r\n1000,0,high\r\n", "grid.csv:3:8"),
        ("grid.txt", "1 2 3", "grid.txt"),
    ] {
        write(name, text);
        let message = with_out("job.gcode", "bench.toml", &["--grid", name]);
        assert!(message.contains(expected), "{name}: {message}");
    }

    refused(path, &["replay", "job.gcode"]);
    refused(path, &["replay", "job.gcode", "--scenario", "bench.toml", "--tolerance-um", "-1"]);
    refused(path, &["demo", "--sample-step-mm", "nan"]);
    // The folder for the pictures is a file.
    assert!(
        refused(path, &["replay", "job.gcode", "--scenario", "bench.toml", "--out", "job.gcode"]).contains("job.gcode")
    );
}

#[test]
fn what_is_laid_down_is_shown_when_asked_for() {
    let folder = bench();
    let bench = folder.path().join("bench.toml");
    fs::write(&bench, fs::read_to_string(&bench).unwrap().replace("filament_mm = 1.75\n", "")).unwrap();
    let replay = |more: &[&str]| {
        let arguments = [&["replay", "job.gcode", "--scenario", "bench.toml"], more].concat();
        let output = gapsim(folder.path(), &arguments);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    let (plain, squeezed) = (replay(&[]), replay(&["--squeeze", "--out", "pictures"]));
    assert!(!plain.contains("with E scaled") && plain.lines().next() == squeezed.lines().next(), "{squeezed}");
    assert!(squeezed.contains("with E scaled") && squeezed.contains("a guess of 1.75 mm"), "{squeezed}");
    let found: Value = serde_json::from_slice(&fs::read(folder.path().join("pictures/squeeze.json")).unwrap()).unwrap();
    let laid = &found["runs"][0]["first_layer"];
    assert!(found["runs"][0]["closest"][0]["job_line"].as_u64().is_some(), "{found}");
    // What E feeds, 23 mm of 1.75 mm, laid 0.2 mm thick: width times length.
    let area_mm2: f64 = laid["area_mm2"].as_object().unwrap().values().map(|mm2| mm2.as_f64().unwrap()).sum();
    let fed_mm3 = 23.0 * std::f64::consts::PI / 4.0 * 1.75 * 1.75;
    assert!((area_mm2 * 0.2 / fed_mm3 - 1.0).abs() < 1e-3, "{area_mm2}");
}

#[test]
fn a_survey_is_measured_written_and_replayed() {
    let folder = bench();
    let arguments = [
        "survey",
        "--scenario",
        "bench.toml",
        "--stations",
        "4x3",
        "--feel-um",
        "10",
        "--seed",
        "3",
        "-o",
        "grid.json",
        "--map",
        "map.svg",
    ];
    let output = gapsim(folder.path(), &arguments);
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(text.contains("station 12 of 13") && text.contains("tram advice"), "{text}");
    let grid: Value = serde_json::from_slice(&fs::read(folder.path().join("grid.json")).unwrap()).unwrap();
    assert_eq!((grid["bed_temperature_c"].as_i64(), grid["nodes_um"][2].as_array().map(Vec::len)), (Some(60), Some(4)));
    let map = fs::read_to_string(folder.path().join("map.svg")).unwrap();
    for text in ["Take this grid: no reading is left", "4 × 3 stations", "flatness"] {
        assert!(map.contains(text), "{text}: {map}");
    }
    let arguments = ["replay", "job.gcode", "--scenario", "bench.toml", "--grid", "grid.json", "--json"];
    let summary: Value = serde_json::from_slice(&gapsim(folder.path(), &arguments).stdout).unwrap();
    assert!(summary["runs"][2]["first_layer"]["errors"]["rms_um"].as_f64().unwrap() < 20.0, "{summary}");

    let path = folder.path();
    assert!(refused(path, &["survey", "--scenario", "bench.toml", "--stations", "3by3"]).contains("3x3"));
    assert!(refused(path, &["survey", "--scenario", "bench.toml", "--stations", "3x99"]).contains("use 2 to 16"));
    assert!(refused(path, &["survey", "--scenario", "bench.toml", "-o", "grid.png"]).contains("grid.png"));
    assert!(refused(path, &["survey", "--scenario", "bench.toml", "--map", "map.pdf"]).contains(".svg or .png"));
    assert!(refused(path, &["survey", "--scenario", "bench.toml", "-o", "grid.ply"]).contains("gapgrid convert"));
    assert!(refused(path, &["survey", "--scenario", "bench.toml", "--feel-um", "-5"]).contains("-5"));
}

/// The README's survey, and what it says came of it.
#[test]
fn the_readmes_survey_gives_the_readmes_figures() {
    let folder = bench();
    let mut job = Vec::new();
    std::io::Read::read_to_end(&mut demo::job(), &mut job).unwrap();
    fs::write(folder.path().join("tray.gcode"), job).unwrap();
    let arguments = ["survey", "--scenario", "bench.toml", "--feel-um", "20", "--seed", "1", "-o", "grid.json"];
    assert!(gapsim(folder.path(), &arguments).status.success());
    let output = gapsim(folder.path(), &["replay", "tray.gcode", "--scenario", "bench.toml", "--grid", "grid.json"]);
    let text = String::from_utf8(output.stdout).unwrap();
    let readme = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../README.md")).unwrap();
    assert!(readme.contains(head(&text)), "the README's figures are not the survey's: {text}");
}

#[test]
fn a_plan_is_a_table_a_chart_and_advice() {
    let folder = bench();
    let job = JOB.replace("G1 X20 Y20\r", "G0 X20 Y20\r");
    fs::write(folder.path().join("job.gcode"), job).unwrap();
    let common = ["plan", "job.gcode", "--scenario", "bench.toml", "--draws", "60"];
    let output = gapsim(folder.path(), &[&common[..], &["--stations", "3,4", "--out", "plan"]].concat());
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(text.starts_with("Measure 3 x 3 stations and the middles between them (18 min)"), "{text}");
    assert!(text.contains("plan.png"), "{text}");
    assert_eq!(names(&folder.path().join("plan")), ["plan.json", "plan.png", "plan.svg"]);
    let json = |cores: &str| {
        let more = ["--stations", "3", "--cores", cores, "--json"];
        String::from_utf8(gapsim(folder.path(), &[&common[..], &more].concat()).stdout).unwrap()
    };
    assert_eq!(json("1"), json("3"));
    let plan: Value = serde_json::from_str(&json("2")).unwrap();
    assert_eq!(plan["rows"].as_array().map(Vec::len), Some(6), "three hands, two surfaces");
    for (more, expected) in [
        (["--stations", "1"], "use 2 to 16"),
        (["--feel-um", "-3"], "0 to 100000"),
        (["--draws", "0"], "--draws"),
        (["--scenario", "none.toml"], "none.toml"),
    ] {
        let arguments: &[&str] = if more[0] == "--scenario" { &common[..2] } else { &common[..4] };
        let message = refused(folder.path(), &[arguments, &more].concat());
        assert!(message.contains(expected), "{message}");
    }
}

/// The README's plan, and the gate that `GATE.md` shows.
#[test]
fn the_documents_say_what_the_programs_do() {
    let folder = bench();
    let path = folder.path();
    let mut job = Vec::new();
    std::io::Read::read_to_end(&mut demo::job(), &mut job).unwrap();
    fs::write(path.join("tray.gcode"), job).unwrap();
    let text = String::from_utf8(gapsim(path, &["plan", "tray.gcode", "--scenario", "bench.toml"]).stdout).unwrap();
    let readme = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../README.md")).unwrap();
    assert!(readme.contains(text.lines().next().unwrap()), "the README's advice is not the plan's: {text}");

    let guide = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/GATE.md")).unwrap();
    let blocks: Vec<&str> = guide.split("```toml\n").skip(1).map(|block| block.split("```").next().unwrap()).collect();
    let [gate, trace] = blocks[..] else { panic!("two blocks of TOML") };
    fs::write(path.join("gate.toml"), format!("{gate}{trace}")).unwrap();
    fs::write(path.join("tray.gcode"), "G0 X20 Y20 Z0.2\nG1 X200 Y180 E8 F1200\n").unwrap();
    let output = gapsim(path, &["verify", "gate.toml"]);
    assert!(matches!(output.status.code(), Some(0 | 1)), "{}", String::from_utf8_lossy(&output.stderr));
    fs::write(path.join("trace.csv"), guide.split("```csv\n").nth(1).unwrap().split("```").next().unwrap()).unwrap();
    // Every case that the guide names is one.
    let cases: Vec<&str> = guide.split("--case \"").skip(1).map(|text| text.split('"').next().unwrap()).collect();
    assert_eq!(cases.len(), 2);
    for case in cases {
        let output = gapsim(path, &["verify", "gate.toml", "--trace", "trace.csv", "--case", case]);
        assert_eq!(output.status.code(), Some(1), "it reads, and is of some other job: {output:?}");
    }
}

#[test]
fn a_gate_passes_fails_or_cannot_run() {
    let folder = bench();
    let path = folder.path();
    let gate = |limit_um: u32, job: &str| {
        let text = format!(
            "format = \"gapkeeper-gate\"\nversion = 1\n[limits]\nfirst_layer_gap_error_um = {limit_um}\n\
             [matrix]\nscenarios = [\"bench.toml\"]\njobs = [\"{job}\"]\n"
        );
        fs::write(path.join("gate.toml"), text).unwrap();
    };
    fs::write(path.join("line.gcode"), "G0 X20 Y20 Z0.2\nG1 X200 Y180 E8 F1200\n").unwrap();
    let run = |more: &[&str]| gapsim(path, &[&["verify", "gate.toml"], more].concat());
    gate(60, "line.gcode");
    let output = run(&["--junit", "verdict.xml", "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let verdict: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((&verdict["format"], &verdict["outcome"]), (&"gapkeeper-verdict".into(), &"pass".into()));
    assert!(fs::read_to_string(path.join("verdict.xml")).unwrap().contains("failures=\"0\" errors=\"0\""));

    gate(2, "line.gcode");
    let output = run(&[]);
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8(output.stdout).unwrap().contains("FAIL  first_layer_gap_error_um"));

    gate(60, "none.gcode");
    let output = run(&[]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8(output.stdout).unwrap().contains("none.gcode"));
    assert!(refused(path, &["verify", "none.toml"]).contains("none.toml"));
    assert!(refused(path, &["verify", "bench.toml"]).contains("unknown field"));
}

#[test]
fn a_controllers_trace_is_judged() {
    let folder = bench();
    let path = folder.path();
    fs::write(path.join("line.gcode"), "G0 X20 Y20 Z0.2\nG1 X200 Y180 E8 F1200\n").unwrap();
    let gate = "format = \"gapkeeper-gate\"\nversion = 1\n[limits]\n[matrix]\nscenarios = [\"bench.toml\"]\n\
                jobs = [\"line.gcode\"]\nsurfaces = [\"bilinear\"]\n";
    fs::write(path.join("gate.toml"), gate).unwrap();
    // A controller that corrects the ends of each move, with the sign turned round.
    let scenario = demo::scenario().unwrap();
    let bed = gapkeeper_sim::bed::ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let grid: HeightGrid<9> = bed.read_off(scenario.stations()).unwrap();
    let trace = |sign: i32| {
        let z_um = |x_mm: i32, y_mm: i32| 200 + sign * grid.height_um(x_mm * 1000, y_mm * 1000);
        format!(
            "job_line,x_mm,y_mm,z_um\n1,20,20,{}\n2,110,100,{}\n2,200,180,{}\n",
            z_um(20, 20),
            z_um(110, 100),
            z_um(200, 180)
        )
    };
    let run = |text: &str| {
        fs::write(path.join("trace.csv"), text).unwrap();
        let output = gapsim(path, &["verify", "gate.toml", "--trace", "trace.csv"]);
        (output.status.code(), String::from_utf8(output.stdout).unwrap())
    };
    let (code, text) = run(&trace(-1));
    assert_eq!(code, Some(1));
    assert!(text.contains("the correction has the wrong sign"), "{text}");
    let (code, text) = run(&trace(1));
    assert_eq!(code, Some(1), "two pieces do not follow it closely enough");
    assert!(text.contains("ok    trace_z_um") && text.contains("pieces are missing or too long"), "{text}");
    let (code, text) = run("job_line,x_mm,y_mm,z_um\n1,20,20,NaN\n");
    assert_eq!(code, Some(2));
    assert!(text.contains("trace.csv:2:9: ") && text.contains('^'), "{text}");
}

#[test]
fn a_life_is_lived_and_told() {
    let folder = bench();
    let arguments = ["life", "--scenario", "bench.toml", "--seed", "2", "--days", "60", "--memory", "cells.bin"];
    let output = gapsim(folder.path(), &arguments);
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{text}");
    assert!(text.contains("    60  on: ") && text.contains("power cut") && text.ends_with("\n0 faults\n"), "{text}");
    assert!(fs::metadata(folder.path().join("cells.bin")).unwrap().len() > 1000);
    let again = gapsim(folder.path(), &arguments[..7]);
    assert_eq!(String::from_utf8(again.stdout).unwrap(), text, "the same seed lives the same life");
    let crowded = demo::SCENARIO_TEXT.replace("stations = [3, 3]", "stations = [6, 6]");
    fs::write(folder.path().join("crowded.toml"), crowded).unwrap();
    assert!(refused(folder.path(), &["life", "--scenario", "crowded.toml"]).contains("use fewer"));
}

#[test]
fn halving_the_sample_step_changes_no_figure_by_more_than_a_micrometre() {
    let scenario = demo::scenario().unwrap();
    let figures = |sample_step_mm: Option<f64>| {
        let settings =
            gapkeeper_sim::replay::Settings { sample_step_mm, ..gapkeeper_sim::replay::Settings::new(&scenario) };
        let outcome = gapkeeper_sim::replay::replay("demo", demo::job(), &settings).unwrap();
        outcome.runs.iter().map(|run| run.first_layer).collect::<Vec<_>>()
    };
    let bed = gapkeeper_sim::bed::ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    for (usual, halved) in figures(None).iter().zip(figures(Some(bed.sample_step_mm() / 2.0))) {
        let um = |figures: &gapkeeper_sim::outcome::GapFigures| {
            let errors = figures.errors.unwrap();
            [errors.min_um, errors.max_um, errors.mean_um, errors.rms_um, errors.p95_abs_um]
        };
        for (a, b) in um(usual).into_iter().zip(um(&halved)) {
            assert!((a - b).abs() <= 1.0, "{a} {b}");
        }
        assert!((usual.good() - halved.good()).abs() < 0.002);
    }
}

/// A reader that has seen enough is no fault.
#[test]
fn a_closed_pipe_is_no_error() {
    let folder = bench();
    let mut child = Command::new(env!("CARGO_BIN_EXE_gapsim"))
        .args(["replay", "job.gcode", "--scenario", "bench.toml"])
        .current_dir(folder.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success() && output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// The committed job is what its generator writes.
#[test]
fn the_built_in_job_is_what_its_generator_writes() {
    use std::io::Read;
    let mut committed = Vec::new();
    demo::job().read_to_end(&mut committed).unwrap();
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let output = Command::new(cargo)
        .args(["run", "--quiet", "--package", "gapkeeper-sim", "--example", "make_demo_job"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.stdout == committed, "run the example again and commit its output");
}

/// A job was overwritten by the memory of a life once.
#[test]
fn a_life_takes_no_file_that_is_not_its_own() {
    let folder = bench();
    let life = |file| ["life", "--scenario", "bench.toml", "--days", "2", "--memory", file];
    let message = refused(folder.path(), &life("job.gcode"));
    assert!(
        message.contains("job.gcode: this is no memory of a life") && message.contains("\n  name a new file"),
        "{message}"
    );
    assert_eq!(fs::read_to_string(folder.path().join("job.gcode")).unwrap(), JOB);
    for _ in 0..2 {
        assert!(gapsim(folder.path(), &life("memory.bin")).status.success());
    }
    let message = refused(folder.path(), &life("nowhere/memory.bin"));
    assert!(message.contains("nowhere/memory.bin: "), "{message}");
}

#[test]
fn wrong_numbers_and_empty_jobs_are_told_with_a_remedy() {
    let folder = bench();
    fs::write(folder.path().join("empty.gcode"), "").unwrap();
    let cases: [(&[&str], &str); 5] = [
        (&["survey", "--scenario", "bench.toml", "--feel-um", "-5"], "-5"),
        (&["rehearse", "--scenario", "bench.toml", "--feel-um", "-5"], "-5"),
        (&["replay", "job.gcode", "--scenario", "bench.toml", "--tolerance-um", "-5"], "invalid value '-5'"),
        (&["replay", "empty.gcode", "--scenario", "bench.toml"], "empty.gcode: no printing move"),
        (&["replay", "absent.gcode", "--scenario", "bench.toml"], "absent.gcode: cannot be read"),
    ];
    for (arguments, part) in cases {
        let message = refused(folder.path(), arguments);
        assert!(message.contains(part) && !message.contains("unexpected argument"), "{message}");
        assert!(message.matches("os error").count() < 2, "{message}");
    }
}

/// A folder with the demo's scenario and the whole survey of it, `old.json`.
fn with_old_grid() -> tempfile::TempDir {
    let folder = bench();
    let done = gapsim(folder.path(), &["survey", "--scenario", "bench.toml", "-o", "old.json"]);
    assert!(done.status.success(), "{done:?}");
    folder
}

/// What a command that ties a grid in vain says.
fn refused_tie(folder: &Path, scenario: &str, grid: &str) -> String {
    let refused = ["survey", "rehearse"].map(|command| {
        let refused = gapsim(folder, &[command, "--scenario", scenario, "--tie", grid]);
        assert_eq!(refused.status.code(), Some(2), "{refused:?}");
        String::from_utf8(refused.stderr).unwrap()
    });
    assert_eq!(refused[0], refused[1]);
    refused[0].clone()
}

/// Stations of an old grid are where the nozzle goes, as those of a scenario are.
#[test]
fn a_tie_stays_on_the_bed_and_within_the_travel() {
    let folder = with_old_grid();
    let at = |name: &str| folder.path().join(name);
    let text = demo::SCENARIO_TEXT.replace("[0, 200]", "[0, 150]").replace("y_mm = [20, 180]", "y_mm = [20, 140]");
    fs::write(at("travel.toml"), text.replacen("\ny_mm = [0, 150]", "\ny_mm = [0, 200]", 1)).unwrap();
    fs::write(at("bed.toml"), text.replacen("travel_y_mm = [0, 150]", "travel_y_mm = [0, 200]", 1)).unwrap();
    for scenario in ["travel.toml", "bed.toml"] {
        let refused = refused_tie(folder.path(), scenario, "old.json");
        assert!(refused.contains("old.json: stations must lie on the bed and within the travel"), "{refused}");
    }
    // Whole micrometres are no reason: thirds of this bed end beyond it by a third of one.
    let text = demo::SCENARIO_TEXT.replace("y_mm = [20, 180]", "y_mm = [0, 200]").replace("[3, 3]", "[3, 4]");
    fs::write(at("whole.toml"), text).unwrap();
    for words in [&["-o", "whole.json"][..], &["--tie", "whole.json"]] {
        let done = gapsim(folder.path(), &[&["survey", "--scenario", "whole.toml"], words].concat());
        assert!(done.status.success(), "{done:?}");
    }
    let whole = read_grid(&at("whole.json")).unwrap().grid.lattice();
    assert_eq!(whole.node_um(0, whole.rows - 1).1, 200_001);
}

/// The few readings of a tie tell the shape with those of the surveys before, which are handed on with the plate.
#[test]
fn a_tied_grid_keeps_its_history() {
    let folder = with_old_grid();
    let at = |name: &str| folder.path().join(name);
    let mut old = read_grid(&at("old.json")).unwrap();
    old.plate = Some("glass".into());
    write_grid(&at("old.json"), &old).unwrap();
    let text = demo::SCENARIO_TEXT.replacen("height_um = -190", "height_um = -100", 1);
    fs::write(at("turned.toml"), text).unwrap();
    let tie = |from: &str, to: &str, seed: &str| {
        let words = ["survey", "--scenario", "turned.toml", "--seed", seed, "--tie", from, "-o", to];
        let done = gapsim(folder.path(), &words);
        assert!(done.status.success(), "{done:?}");
        read_grid(&at(to)).unwrap()
    };
    let mut surveys = vec![old.readings.clone()];
    for (from, to, seed) in [("old.json", "first.json", "2"), ("first.json", "second.json", "3")] {
        let tied = tie(from, to, seed);
        assert_eq!((tied.plate.as_deref(), tied.readings.len(), tied.older.drift_um), (Some("glass"), 5, 15), "{to}");
        assert_eq!(tied.older.readings, surveys, "{to}");
        assert_eq!(tied.older.bed_temperatures_c, vec![tied.bed_temperature_c; surveys.len()], "{to}");
        // The shape is that of the whole survey, and the five of the tie are of it.
        let hand = CheckSettings::default().hand;
        assert!(TieCheck::of_newest(&tied, hand).unwrap().unwrap().holds(), "{to}");
        let estimate = Estimate::of(&tied, hand).unwrap();
        for reading in &tied.readings {
            let (x_um, y_um) = (reading.at.x_um.into(), reading.at.y_um.into());
            let off_um = estimate.at(x_um, y_um).mean_um - f64::from(reading.at.height_um);
            assert!(off_um.abs() < 60.0, "{to}: {off_um} at {reading:?}");
        }
        surveys.insert(0, tied.readings);
    }
    // Without readings that tell the shape the few would tell nothing.
    old.readings.clear();
    write_grid(&at("old.json"), &old).unwrap();
    let tied = tie("old.json", "first.json", "2");
    assert!(tied.readings.is_empty() && tied.older.readings.is_empty(), "{tied:?}");
}

/// Each remedy is one that helps.
#[test]
fn a_grid_that_cannot_be_tied_is_refused_with_a_way_out() {
    let folder = with_old_grid();
    let at = |name: &str| folder.path().join(name);
    let old = read_grid(&at("old.json")).unwrap();
    let without_temperature = GridDocument { bed_temperature_c: None, ..old.clone() };
    write_grid(&at("cold.json"), &without_temperature).unwrap();
    write_grid(&at("old.csv"), &old).unwrap();
    let facts = MissingFacts { setup: Some(4), address: Some(0), ..MissingFacts::default() };
    write_grid_as(&at("old.hex"), GridFormat::Hex, &old, &facts).unwrap();
    let lattice = old.grid.lattice();
    let small = Lattice { columns: 2, rows: 2, ..lattice };
    let far = Lattice { x0_um: 500_000, ..lattice };
    for (name, lattice) in [("small.json", small), ("far.json", far)] {
        let grid = HeightGrid::from_fn(lattice, |_, _| 0).unwrap();
        let document = GridDocument { bed_temperature_c: Some(60), ..GridDocument::of_heights(grid) };
        write_grid(&at(name), &document).unwrap();
    }
    for (name, remedy) in [
        ("cold.json", "gapgrid convert cold.json to-tie.json --bed-temperature C"),
        ("old.csv", "gapgrid convert old.csv to-tie.json --bed-temperature C"),
        ("old.hex", "gapgrid convert old.hex to-tie.json --address A"),
        ("small.json", "tie a grid of more stations, 3 x 3 or more"),
        ("far.json", "tie a grid that was measured on this machine"),
    ] {
        let refused = refused_tie(folder.path(), "bench.toml", name);
        assert!(refused.contains(name) && refused.contains(remedy), "{refused}");
        assert!(!refused.contains("name 3 to 8 screws"), "{refused}");
    }
}

/// A tie has the stations of its old grid, and no others can be asked for.
#[test]
fn a_tie_takes_no_stations() {
    let folder = bench();
    for command in ["survey", "rehearse"] {
        let words = [command, "--scenario", "bench.toml", "--tie", "old.json", "--stations", "5x5"];
        let refused = gapsim(folder.path(), &words);
        let message = String::from_utf8(refused.stderr).unwrap();
        assert!(refused.status.code() == Some(2) && message.contains("cannot be used with"), "{message}");
    }
}
