//! One setup for every command: what a saved grid brings with it holds in every format, and a raised bed is remembered.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::fs;
use std::io::Cursor;
use std::path::Path;

use gapkeeper::{Fade, HeightGrid, Lattice, Surface};
use gapkeeper_host_tools::grid_file::{GridDocument, GridFormat, MissingFacts, SurveyMarks, write_grid_as};
use gapkeeper_sim::demo;
use gapkeeper_sim::outcome::Run;
use gapkeeper_sim::replay::replay;
use gapkeeper_sim::scenario::{Bounded, Scenario};
use gapkeeper_sim::setup::{self, Setup};
use gapkeeper_sim::survey::survey;
use gapkeeper_sim::verify::{Gate, verify};

/// A level grid, 30 µm high, that lowers by 25 and fades at heights of its own.
fn document() -> GridDocument {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 115_000, pitch_y_um: 100_000, columns: 3, rows: 3 };
    GridDocument {
        shift_um: -25,
        fade: Some(Fade::new(500, 3000).unwrap()),
        bed_temperature_c: Some(60),
        survey: Some(SurveyMarks { closure_um: 3, closure_accepted: false, surface: Surface::Bilinear, tie: None }),
        lowest_machine_z_um: None,
        ..GridDocument::of_heights(HeightGrid::new(lattice, &[30; 9]).unwrap())
    }
}

fn scenario() -> Scenario {
    let mut scenario = demo::scenario().unwrap();
    scenario.correction.shift_um = 40;
    scenario
}

const JOB: &str = "M83\nG0 X20 Y20 Z0.2\nG1 X200 Y180 E8 F1200\nG0 X200 Y20\nG1 X20 Y180 E8\n";

/// Formats with a place for shift, fade, surface and temperature bring them; the others leave them to the scenario.
#[test]
fn every_format_brings_what_it_holds() {
    let folder = tempfile::tempdir().unwrap();
    let facts = MissingFacts { setup: Some(4), address: Some(0), exaggeration: Some(100), ..MissingFacts::default() };
    for (name, holds) in [("a.json", true), ("a.gkr", true), ("a.hex", true), ("a.csv", false), ("a.ply", false)] {
        let path = folder.path().join(name);
        write_grid_as(&path, GridFormat::of(&path).unwrap(), &document(), &facts).unwrap();
        let scenario = scenario();
        let found = match Setup::saved(&scenario, &path) {
            Ok(found) => found,
            // An image of a memory does not say where its record begins.
            Err(error) => {
                assert!(name == "a.hex" && error.to_string().contains("address"), "{name}: {error:#}");
                continue;
            }
        };
        let correction = &found.scenario.correction;
        let fade = correction.fade.map(|fade| [fade.0.full_below_um(), fade.0.zero_above_um()]);
        let wanted = if holds { (-25, Some([500, 3000])) } else { (40, Some([400, 8000])) };
        assert_eq!((correction.shift_um, fade), wanted, "{name}");
        assert_eq!(found.settings().run_in_use, if holds { Run::Corrected } else { Run::Refined }, "{name}");
        assert_eq!(found.bed_temperature_c.is_some(), holds, "{name}");
        // The same in the figures: 30 of the grid, and the shift.
        let outcome = replay("job", Cursor::new(JOB), &found.settings()).unwrap();
        let mean_um = |run: Run| outcome.runs[run as usize].first_layer.errors.unwrap().mean_um;
        let raised_um = mean_um(Run::Corrected) - mean_um(Run::Uncorrected);
        assert!((raised_um - f64::from(30 + wanted.0)).abs() < 0.01, "{name}: {raised_um}");
    }
}

/// Where the switch is in the way the operator raises the screws: replay, gate and a saved grid of any format know it.
#[test]
fn a_raised_bed_is_remembered() {
    let folder = tempfile::tempdir().unwrap();
    let text = demo::SCENARIO_TEXT
        .replace("limit_switch_trips_at_mm = -0.45", "limit_switch_trips_at_mm = 0.1")
        .replace("shift_um = 0", "shift_um = 15");
    fs::write(folder.path().join("bench.toml"), &text).unwrap();
    fs::write(folder.path().join("job.gcode"), JOB).unwrap();
    let scenario = Scenario::read(&folder.path().join("bench.toml")).unwrap();
    let found = survey(&scenario, scenario.stations(), 3).unwrap();
    assert!(found.raised_um() > 100.0);
    let worst_um = |setup: &Setup| {
        let outcome = replay("job", Cursor::new(JOB), &setup.settings()).unwrap();
        outcome.runs[Run::Refined as usize].first_layer.errors.unwrap().largest_um()
    };
    let surveyed_um = worst_um(&Setup::surveyed(&scenario, &found));
    assert!(surveyed_um < 100.0, "{surveyed_um}");
    for name in ["grid.json", "grid.csv"] {
        let path = folder.path().join(name);
        setup::save(&scenario, &found, &path).unwrap();
        assert_eq!(worst_um(&Setup::saved(&scenario, &path).unwrap()), surveyed_um, "{name}");
        // Without its note the bed is not where the grid says.
        let note = setup::note_path(&path);
        let text = fs::read_to_string(&note).unwrap();
        // A newer format, and what a loss of power between the names of two files leaves: a note of another survey.
        let other = text.replacen("nodes_um = [", "nodes_um = [1,", 1);
        for (wrong, why) in [(text.replace("version = 3", "version = 4"), "version 2 to 3"), (other, "another grid")] {
            assert_ne!(wrong, text);
            fs::write(&note, wrong).unwrap();
            let message = format!("{:#}", Setup::saved(&scenario, &path).unwrap_err());
            assert!(message.contains(why) && message.contains("measure again"), "{message}");
        }
        fs::remove_file(&note).unwrap();
        assert!(worst_um(&Setup::saved(&scenario, &path).unwrap()) > 100.0);
    }
    let gate = "format = \"gapkeeper-gate\"\nversion = 1\n[limits]\nfirst_layer_gap_error_um = 100\n[matrix]\n\
                scenarios = [\"bench.toml\"]\njobs = [\"job.gcode\"]\nseeds = [3]\n";
    let gate = Gate::parse(gate, "gate.toml", folder.path().to_path_buf()).unwrap();
    assert_eq!(verify(&gate, None).cases[0].checks[0].found, surveyed_um);
    // A later survey that raises nothing takes the note away.
    let low = demo::scenario().unwrap();
    let found = survey(&low, low.stations(), 3).unwrap();
    setup::save(&low, &found, &folder.path().join("grid.json")).unwrap();
    assert!(!Path::exists(&setup::note_path(&folder.path().join("grid.json"))));
}

/// Screws that were raised before count from there.
#[test]
fn raises_add_up() {
    let mut scenario = demo::scenario().unwrap();
    let at = |scenario: &Scenario| {
        let bed = gapkeeper_sim::bed::ModelledBed::new(scenario, scenario.warmth_printing()).unwrap();
        bed.height_um(100.0, 100.0)
    };
    let before_um = at(&scenario);
    scenario.bed.raised_um = Bounded(250.0);
    assert!((at(&scenario) - before_um - 250.0).abs() < 1e-9);
}

/// Screws that a corner round turned one by one are remembered beside the grid, in every format.
#[test]
fn screws_of_a_corner_round_are_remembered() {
    let folder = tempfile::tempdir().unwrap();
    let mut scenario = demo::scenario().unwrap();
    scenario.measuring.corner_limit_um = Some(60);
    scenario.bed.screws[2].height_um.0 -= 260.0;
    let found = survey(&scenario, scenario.stations(), 3).unwrap();
    let screws_um = found.screws_raised_um();
    assert!(screws_um.len() == 4 && screws_um[2] > 150.0, "{screws_um:?}");
    let heights = |setup: &Setup| setup.scenario.bed.screws.iter().map(|screw| screw.height_um.0).collect::<Vec<_>>();
    for name in ["grid.json", "grid.csv"] {
        let path = folder.path().join(name);
        setup::save(&scenario, &found, &path).unwrap();
        assert_eq!(heights(&Setup::saved(&scenario, &path).unwrap()), heights(&Setup::surveyed(&scenario, &found)));
        // A note of before, without single screws, is read still.
        let note = setup::note_path(&path);
        let text = fs::read_to_string(&note).unwrap();
        let screws = text.lines().find(|line| line.starts_with("screws_raised_um")).unwrap();
        let older = text.replace("version = 3", "version = 2").replace(screws, "");
        fs::write(&note, older).unwrap();
        assert_eq!(heights(&Setup::saved(&scenario, &path).unwrap())[2], scenario.bed.screws[2].height_um.0);
        fs::write(&note, text.replace(screws, "screws_raised_um = [0.0, 1e9]")).unwrap();
        let message = format!("{:#}", Setup::saved(&scenario, &path).unwrap_err());
        assert!(message.contains("screws_raised_um"), "{message}");
        fs::remove_file(&note).unwrap();
    }
}
