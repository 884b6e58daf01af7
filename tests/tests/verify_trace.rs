//! `gapsim verify --trace` on a real recording: the example controller, the whole demo job.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::fmt::Write as _;
use std::io::Read;

use gapkeeper::{Fade, Keeper, KeeperSettings, Point, StoredGrid, Surface};
use gapkeeper_controller::{Controller, ControllerKeeper, Motors};
use gapkeeper_sim::bed::ModelledBed;
use gapkeeper_sim::demo;
use gapkeeper_sim::verify::{Gate, Outcome, Verdict, verify_trace};

/// Writes a trace, with the machine heights as a wiring has them.
struct Recorder {
    text: String,
    job_line: u64,
    e_nm: i64,
    wiring: fn(Point) -> Point,
}

impl Motors for Recorder {
    fn piece(&mut self, end: Point, extruded_nm: i32, _feed_nm_min: u64) {
        self.e_nm += i64::from(extruded_nm);
        let Point { x_um, y_um, z_um } = (self.wiring)(end);
        writeln!(self.text, "{},{x_um},{y_um},{z_um},{}", self.job_line, self.e_nm).unwrap();
    }

    fn is_still(&mut self) -> bool {
        true
    }

    fn stop(&mut self) -> Point {
        Point::default()
    }

    fn home(&mut self) -> Point {
        Point::default()
    }

    fn switch_off(&mut self) {}
}

fn judged(wiring: fn(Point) -> Point) -> Verdict {
    let scenario = demo::scenario().unwrap();
    let bed = ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let fade = Some(Fade::new(400, 8000).unwrap());
    let mut keeper: ControllerKeeper =
        Keeper::without_memory(KeeperSettings { fade, ..KeeperSettings::default() }).unwrap();
    keeper.temperature(60, 200, 0);
    keeper.homed();
    let stored = StoredGrid {
        grid: bed.read_off(scenario.stations()).unwrap(),
        shift_um: 0,
        fade,
        bed_temperature_c: 60,
        setup: 0,
        closure_um: 0,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    };
    keeper.adopt(stored).unwrap();
    let mut job = String::new();
    demo::job().read_to_string(&mut job).unwrap();
    let text = "job_line,x_um,y_um,z_um,e_nm\n".to_string();
    let mut controller = Controller::new(keeper, Recorder { text, job_line: 0, e_nm: 0, wiring });
    // A trace is held against the job's own `E`.
    controller.scale_flow(false);
    for line in job.lines() {
        controller.motors().job_line += 1;
        controller.line(line.as_bytes()).unwrap();
    }
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    write("bench.toml", demo::SCENARIO_TEXT);
    write("tray.gcode", &job);
    write("trace.csv", &controller.motors().text);
    let gate = "format = \"gapkeeper-gate\"\nversion = 1\n[limits]\n\
                [matrix]\nscenarios = [\"bench.toml\"]\njobs = [\"tray.gcode\"]\n";
    let gate = Gate::parse(gate, "gate.toml", folder.path().to_path_buf()).unwrap();
    verify_trace(&gate, &folder.path().join("trace.csv"), None).unwrap()
}

#[test]
fn the_example_controller_departs_nowhere() {
    let verdict = judged(|end| end);
    assert_eq!(verdict.outcome, Outcome::Pass, "{}", verdict.text());
    assert_eq!(verdict.cases[0].checks.len(), 7);
}

#[test]
fn exchanged_motors_are_named() {
    let verdict = judged(|end| Point { x_um: end.y_um, y_um: end.x_um, ..end });
    assert_eq!(verdict.outcome, Outcome::Fail);
    assert!(verdict.text().contains("X and Y are exchanged: the pieces lie on the job's lines"), "{}", verdict.text());
}
