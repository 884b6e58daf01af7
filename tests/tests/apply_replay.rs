//! A job corrected beforehand and replayed as it is, against the job itself replayed with the grid in force: the same
//! gap everywhere.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::io::Read;
use std::path::PathBuf;

use gapkeeper::{Correction, HeightGrid, MAX_NODES};
use gapkeeper_host_tools::apply::{Settings as ApplySettings, apply};
use gapkeeper_host_tools::gcode::{Action, Effect, Interpreter, Reader};
use gapkeeper_sim::bed::ModelledBed;
use gapkeeper_sim::outcome::Outcome;
use gapkeeper_sim::replay::{Sample, Settings, replay_watched};
use gapkeeper_sim::setup::grid_at_stations;
use gapkeeper_sim::{demo, scenario::Scenario};
use gapkeeper_tests::programs::program;

/// Both paths are of whole Z steps, 2.5 µm apart, and a little more.
const WITHIN_UM: f64 = 3.0;

/// Words of the sample programs that `apply` lets through only when told to.
const PASSED: [&str; 1] = ["G8"];

/// The samples of one printing move, from its start to its end.
struct Stretch {
    samples: Vec<Sample>,
}

impl Stretch {
    /// X and Y at the end, in whole micrometres.
    fn end_um(&self) -> [f64; 2] {
        let last = self.samples.last().unwrap();
        [last.x_mm, last.y_mm].map(|mm| (mm * 1000.0).round())
    }

    fn length_mm(&self) -> f64 {
        let (first, last) = (self.samples[0], self.samples[self.samples.len() - 1]);
        (last.x_mm - first.x_mm).hypot(last.y_mm - first.y_mm)
    }

    /// Gap under the nozzle of one run where the move passes a place, linear between samples.
    fn gap_um(&self, run: usize, x_mm: f64, y_mm: f64) -> f64 {
        let (first, last) = (self.samples[0], self.samples[self.samples.len() - 1]);
        let (dx, dy) = (last.x_mm - first.x_mm, last.y_mm - first.y_mm);
        let fraction = ((x_mm - first.x_mm) * dx + (y_mm - first.y_mm) * dy) / (dx * dx + dy * dy);
        let index = self.samples.partition_point(|sample| sample.fraction < fraction).clamp(1, self.samples.len() - 1);
        let (before, behind) = (&self.samples[index - 1], &self.samples[index]);
        let part = ((fraction - before.fraction) / (behind.fraction - before.fraction)).clamp(0.0, 1.0);
        gap_um(before, run) + (gap_um(behind, run) - gap_um(before, run)) * part
    }
}

fn gap_um(sample: &Sample, run: usize) -> f64 {
    sample.nozzles_um[run].unwrap() - sample.bed_um
}

fn stretches(job: &[u8], scenario: &Scenario) -> (Vec<Stretch>, Outcome) {
    let mut stretches: Vec<Stretch> = Vec::new();
    let settings = Settings::new(scenario);
    let outcome = replay_watched("job", std::io::Cursor::new(job), &settings, |sample| {
        if sample.fraction == 0.0 {
            stretches.push(Stretch { samples: Vec::new() });
        }
        stretches.last_mut().unwrap().samples.push(*sample);
    });
    (stretches, outcome.unwrap())
}

fn corrected(job: &[u8], scenario: &Scenario, grid: HeightGrid<MAX_NODES>, scale_flow: bool) -> Vec<u8> {
    let mut correction = Correction::new(grid).with_shift(scenario.correction.shift_um).unwrap();
    if let Some(fade) = scenario.correction.fade {
        correction = correction.with_fade(fade.0).unwrap();
    }
    let tolerance_um = scenario.correction.tolerance_um.unwrap_or(2);
    let mut output = Vec::new();
    let pass: Vec<String> = PASSED.iter().map(|word| (*word).to_owned()).collect();
    // As the replay reads E under G91 and M82.
    let e_follows_g91 = Some(false);
    let settings =
        ApplySettings { tolerance_um, scale_flow, pass: &pass, e_follows_g91, ..ApplySettings::new(&correction) };
    apply("job", job, &mut output, &settings).unwrap();
    output
}

/// The largest difference of the gap, in µm, anywhere on the printing moves, for both surfaces.
fn compare(name: &str, job: &[u8], scenario: &Scenario, scale_flow: bool) {
    let bed = ModelledBed::new(scenario, scenario.warmth_measuring()).unwrap();
    let grid = grid_at_stations(scenario, &bed).unwrap();
    let (original, with_grid) = stretches(job, scenario);
    for (run, grid) in [(1, grid.clone()), (2, grid.densest().unwrap())] {
        let output = corrected(job, scenario, grid, scale_flow);
        let (result, as_it_is) = stretches(&output, scenario);
        let mut pieces = result.iter();
        let (mut largest_um, mut samples) = (0.0_f64, 0);
        for stretch in &original {
            loop {
                let piece = pieces.next().unwrap_or_else(|| panic!("{name}: the corrected job ends before its time"));
                for sample in &piece.samples {
                    let there_um = stretch.gap_um(run, sample.x_mm, sample.y_mm);
                    let difference_um = (gap_um(sample, 0) - there_um).abs();
                    assert!(difference_um <= WITHIN_UM, "{name}: {there_um} µm of gap with the grid, {sample:?}");
                    largest_um = largest_um.max(difference_um);
                    samples += 1;
                }
                if piece.end_um() == stretch.end_um() {
                    break;
                }
            }
        }
        assert!(pieces.next().is_none(), "{name}: the corrected job goes on");
        let (there, here) = (&with_grid.runs[run], &as_it_is.runs[0]);
        println!("{name}, {}: {samples} places, at most {largest_um:.2} µm apart", there.run.label());
        assert_eq!((there.printing_pieces, there.refused_moves), (here.printing_pieces, here.refused_moves), "{name}");
        let length_mm = |stretches: &[Stretch]| stretches.iter().map(Stretch::length_mm).sum::<f64>();
        let (there_mm, here_mm) = (length_mm(&original), length_mm(&result));
        // Piece ends are whole micrometres.
        assert!((there_mm - here_mm).abs() < 1e-3 * here.printing_pieces as f64, "{name}: {there_mm} {here_mm}");
    }
}

#[test]
fn the_demo_job_has_the_same_gap_either_way() {
    let mut job = Vec::new();
    demo::job().read_to_end(&mut job).unwrap();
    compare("demo", &job, &demo::scenario().unwrap(), false);
}

/// A shift, absolute `E` in inches, arcs, a moved zero, a climb through the fade, scaled `E`.
#[test]
fn every_mode_has_the_same_gap_either_way() {
    let text = demo::SCENARIO_TEXT.replace("shift_um = 0", "shift_um = -35");
    let scenario = Scenario::parse(&text, "shifted", PathBuf::new()).unwrap();
    let job = "G20 G90 M82\nG28\nG0 X1 Y1 Z0.008\nG1 F60\nG1 X8 Y7 E0.5\nG3 X6 Y6 R1.6 E0.8\nG92 X0 Y0 E0\nG91\nG1 X2 Y-4 E0.3\n\
               G90 G1 X-2 Y-1 Z0.4 E0.9\nG2 X-2 Y-1 I1 J0.5 E1.5\nG21 M83\nG1 X20 Y20 E3 Z4\nG1 E-1\nG1 E1\nG1 X-40 E2\n";
    for scale_flow in [false, true] {
        compare("every mode", job.as_bytes(), &scenario, scale_flow);
    }
}

/// Lines of a program that can be executed; the others (expressions, cycles, parameters) are refused by name elsewhere.
fn executable(program: &[u8]) -> Vec<u8> {
    // Where a machine stands at the start no correction has decided: the first move is made an approach.
    // The tables of the report are parts of programs that have a feed.
    let program = [b"G0 X0 Y0 Z0 F20\n", program].concat();
    let mut kept = Vec::new();
    let (mut reader, mut interpreter) = (Reader::new("program", program.as_slice()), Interpreter::new());
    loop {
        match reader.next_line() {
            Ok(None) => return kept,
            Ok(Some(line)) => {
                let is_frame = line.raw().trim_ascii() == b"%";
                // A line that is left out changes nothing for those after it.
                let mut trial = interpreter.clone();
                let action = trial.execute(&line);
                // Cycles and compensation are the controller's own, and `apply` refuses them.
                let shifts = trial.oddities().iter().any(|odd| odd.effect == Effect::MayShift);
                if action.is_ok_and(|action| !matches!(action, Action::Cycle(_))) && !is_frame && !shifts {
                    kept.extend_from_slice(line.raw());
                    interpreter = trial;
                }
            }
            Err(error) => assert!(error.is_bad_line() || reader.raw().is_empty(), "{error}"),
        }
    }
}

#[test]
fn the_sample_programs_have_the_same_gap_either_way() {
    // These programs cut below zero, which the demo's limit switch would not allow.
    let text = demo::SCENARIO_TEXT
        .replace("limit_switch_trips_at_mm = -0.45", "limit_switch_trips_at_mm = -40")
        .replace("travel_z_mm = [-2, 180]", "travel_z_mm = [-40, 180]");
    let scenario = Scenario::parse(&text, "deep", PathBuf::new()).unwrap();
    for name in [
        "nist_ir_6556/c1_hello_world.ngc",
        "nist_ir_6556/table12_comp_entry.ngc",
        "nist_ir_6556/table13_comp_nominal.ngc",
        "nist_sms_test_bed/827-9999-904_FIXT.NC",
        "nist_sms_test_bed/827-9999-904_OP1.NC",
        "nist_sms_test_bed/CRADA_BOX_OP2_Front.NC",
        "nist_sms_test_bed/CRADA_BOX_OP4_Engraving.NC",
    ] {
        let Some(bytes) = program(name) else { return };
        compare(name, &executable(&bytes), &scenario, false);
    }
}
