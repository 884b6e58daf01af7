//! What is concluded from a replay never flatters: jobs and benches that are not the demo's, with their closed forms.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::io::Cursor;
use std::num::NonZeroUsize;

use gapkeeper_sim::outcome::{Class, FirstLayerHeights, GapFigures, Outcome, Run};
use gapkeeper_sim::plan::{PlanSettings, plan};
use gapkeeper_sim::replay::{Settings, replay};
use gapkeeper_sim::scenario::{Bounded, Count, Form, Positive, Scenario};
use gapkeeper_sim::verify::{Gate, verify};
use gapkeeper_sim::{demo, summary};

/// A bed that lies so high everywhere, or tilts along X by so much from side to side, read without a fault.
fn bed(left_um: f64, right_um: f64) -> Scenario {
    let mut scenario = demo::scenario().unwrap();
    scenario.bed.forms.clear();
    // So fine that only whole micrometres are left of rounding.
    scenario.machine.steps_per_mm.z = Positive(100_000.0);
    for screw in &mut scenario.bed.screws {
        let share = screw.x_mm.0 / 230.0;
        screw.height_um = Bounded(left_um + (right_um - left_um) * share);
    }
    scenario
}

fn replayed(scenario: &Scenario, job: &str) -> Outcome {
    replay("job", Cursor::new(job), &Settings::new(scenario)).unwrap()
}

fn uncorrected(scenario: &Scenario, job: &str) -> GapFigures {
    replayed(scenario, job).runs[Run::Uncorrected as usize].first_layer
}

fn close(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() <= within, "{found} instead of {wanted}");
}

/// A square of lines 0.4 mm apart, `layers` of them from `first_mm` on in steps of 0.2.
fn part(x_mm: f64, y_mm: f64, first_mm: f64, layers: u32) -> String {
    let mut job = String::new();
    for layer in 0..layers {
        let z_mm = first_mm + 0.2 * f64::from(layer);
        let _ = writeln!(job, "G0 Z{z_mm:.3}");
        for line in 0..50 {
            let at_mm = y_mm + 0.4 * f64::from(line);
            let _ = writeln!(job, "G0 X{x_mm} Y{at_mm:.2}\nG1 X{} E0.7 F1200", x_mm + 20.0);
        }
    }
    job
}

const PART_MM: f64 = 50.0 * 20.0;

/// One line of 6 mm at Z 0.18 before the part decides nothing but itself.
#[test]
fn a_prime_line_does_not_hide_the_part() {
    let scenario = bed(-56.0, -56.0);
    let job = format!("M83\nG0 X5 Y5 Z0.18\nG1 X11 E0.2 F1200\n{}", part(60.0, 60.0, 0.2, 3));
    let found = uncorrected(&scenario, &job);
    close(found.length_mm.judged(), PART_MM + 6.0, 0.01);
    close(found.length_mm.get(Class::TooFar), PART_MM + 6.0, 0.01);
    close(found.errors.unwrap().max_um, 56.0, 0.1);
}

/// A wipe at Z 0 touches, and the part is judged as without it.
#[test]
fn a_wipe_at_the_bed_is_contact_and_nothing_else() {
    let scenario = bed(0.0, 0.0);
    let outcome = replayed(&scenario, &format!("M83\n{}G0 X150 Y150 Z0\nG1 X155 E0.1\n", part(60.0, 60.0, 0.2, 2)));
    let found = outcome.runs[Run::Refined as usize].first_layer;
    close(found.length_mm.get(Class::Good), PART_MM, 0.01);
    close(found.length_mm.get(Class::Contact), 5.0, 0.01);
    assert!(outcome.faults[0].contains("the nozzle touches the bed over 5.0 mm"), "{:?}", outcome.faults);
    // The same wipe in a pen's job is what the pen is for.
    let pen = replayed(&scenario, "G0 X50 Y50 Z0\nG1 X100 F1200\n");
    assert!(pen.faults.is_empty() && pen.runs[2].first_layer.good() == 1.0, "{:?}", pen.faults);
}

/// Nothing is laid on the way, and yet the nozzle scrapes the plate.
#[test]
fn a_way_through_the_bed_is_contact() {
    let scenario = bed(0.0, 0.0);
    let faults = |job: &str| replayed(&scenario, &format!("M83\n{job}{}", part(60.0, 60.0, 0.2, 2))).faults;
    let low = faults("G0 X20 Y20 Z5\nG0 X30 Z-0.1\nG0 X40\n");
    assert!(low.len() == 1 && low[0].contains("on moves that lay nothing down, 2, deepest by 100 µm"), "{low:?}");
    // Neither where the nozzle stands on the switch, nor upwards, nor beside the plate, nor just above it.
    for high in
        ["G28\nG0 X20 Y20\nG0 X30 Z2\n", "G0 X-20 Y20 Z5\nG0 X-10 Z-0.1\nG0 Z5\n", "G0 Z5\nG0 X9 Z0.01\nG0 X20\n"]
    {
        assert_eq!(faults(high), [""; 0], "{high}");
    }
}

/// Parts of two heights, whichever is printed first, are both judged.
#[test]
fn parts_of_two_heights_are_both_judged() {
    let scenario = bed(0.0, 0.0);
    let (low, high) = (part(60.0, 60.0, 0.2, 2), part(120.0, 60.0, 0.28, 2));
    for job in [format!("M83\n{low}{high}"), format!("M83\n{high}{low}")] {
        close(uncorrected(&scenario, &job).length_mm.judged(), 2.0 * PART_MM, 0.01);
    }
}

/// From 0.20 to 0.22 along every line, and a line that climbs 60 µm a millimetre to 1 mm.
#[test]
fn ramps_are_judged_along_their_whole_way() {
    let scenario = bed(0.0, 0.0);
    let ramps = part(60.0, 60.0, 0.2, 1).replace(" E0.7", " Z0.22 E0.7").replace("G0 X60", "G0 Z0.2 X60");
    close(uncorrected(&scenario, &format!("M83\n{ramps}")).length_mm.judged(), PART_MM, 0.01);
    let steep = "M83\nG0 X20 Y20 Z0.1\nG1 X35 Z1 E1 F1200\n";
    close(uncorrected(&scenario, steep).length_mm.judged(), 15.0, 0.1);
}

/// A helix of 0.2 mm a turn lies on the bed for its first turn, and through the fade for none of the others. Over a bed
/// that tilts by ±30 µm across it the gap error is a cosine: its mean square is half of 30².
#[test]
fn a_helix_lies_on_the_bed_for_one_turn() {
    let (radius_mm, turns) = (30.0, 40);
    // Tilted by 1 µm a millimetre.
    let scenario = bed(-115.0, 115.0);
    let mut job = String::from("M83\nG0 X145 Y100 Z0.2\n");
    let steps = 180;
    for step in 1..=steps * turns {
        let angle = TAU * f64::from(step) / f64::from(steps);
        let z_mm = 0.2 + 0.2 * f64::from(step) / f64::from(steps);
        let (x_mm, y_mm) = (115.0 + radius_mm * angle.cos(), 100.0 + radius_mm * angle.sin());
        let _ = writeln!(job, "G1 X{x_mm:.4} Y{y_mm:.4} Z{z_mm:.4} E0.03 F1200");
    }
    let found = uncorrected(&scenario, &job);
    // Where the second turn begins it is 200 µm above the first, and its lowest few millimetres are within 30.
    close(found.length_mm.judged(), TAU * radius_mm, 4.0);
    let errors = found.errors.unwrap();
    close(errors.rms_um, 30.0 / 2.0_f64.sqrt(), 0.5);
    close(errors.max_um, 30.0, 0.5);
    close(errors.min_um, -30.0, 0.5);
}

/// Tilt with a shift, by its closed form: from side to side of a line the error is `shift − slope·x`.
#[test]
fn tilt_and_shift() {
    let mut scenario = bed(-115.0, 115.0);
    scenario.correction.shift_um = 20;
    let outcome = replayed(&scenario, "M83\nG0 X15 Y100 Z0.2\nG1 X215 E8 F1200\n");
    let errors = |run: Run| outcome.runs[run as usize].first_layer.errors.unwrap();
    let without = errors(Run::Uncorrected);
    close(without.min_um, -100.0, 0.1);
    close(without.max_um, 100.0, 0.1);
    close(without.rms_um, 100.0 / 3.0_f64.sqrt(), 0.1);
    // 50 of 100 either way; too close and too far a quarter each, nothing loose below 1.6 · 200.
    close(outcome.runs[0].first_layer.good(), 0.5, 0.011);
    let with = errors(Run::Refined);
    close(with.mean_um, 20.0, 0.5);
    // The grid ends 5 mm before the line does on either side; beyond it its edge holds.
    close(with.min_um, 15.0, 0.6);
    close(with.max_um, 25.0, 0.6);
}

/// A bow of 200 µm from corner to middle, uncorrected: along the middle line of the bed it falls by half of it, as
/// `200·(1 − u²/2)`; the mean of that over the line is 200·(1 − 1/6).
#[test]
fn a_bow() {
    let mut scenario = bed(0.0, 0.0);
    scenario.bed.forms = vec![Form::Bow { height_um: Bounded(200.0) }];
    let job = "M83\nG0 X0 Y100 Z0.4\nG1 X230 E8 F1200\n";
    let errors = uncorrected(&scenario, job).errors.unwrap();
    close(errors.min_um, -200.0, 0.3);
    close(errors.max_um, -100.0, 0.3);
    close(errors.mean_um, -200.0 * 5.0 / 6.0, 0.3);
}

/// With the nozzle in the plate "within 50 µm" is no comfort: 0.05 mm asked for, the bed 52 µm high.
#[test]
fn contact_and_too_close_are_named_on_thin_layers() {
    let job = "M83\nG0 X50 Y50 Z0.05\nG1 X150 E1 F1200\n";
    for (height_um, class) in
        [(52.0, Class::Contact), (30.0, Class::TooClose), (5.0, Class::Good), (-40.0, Class::Loose)]
    {
        let found = uncorrected(&bed(height_um, height_um), job);
        assert_eq!(found.length_mm.share(class), 1.0, "{class:?}: {found:?}");
    }
}

/// Half of the moves refused is half of the length, and a run refused entirely has no figures.
#[test]
fn refused_length_is_never_good() {
    let mut scenario = bed(-400.0, 400.0);
    // The corrected nozzle goes down to -0.2 at the left.
    scenario.machine.limit_switch_trips_at_mm = Bounded(0.2);
    let mut job = String::from("M83\n");
    for line in 0..20 {
        let at_mm = 40.0 + 5.0 * f64::from(line);
        let _ = writeln!(job, "G0 X30 Y{at_mm} Z0.2\nG1 X110 E2 F1200\nG0 X120\nG1 X200 E2");
    }
    let outcome = replayed(&scenario, &job);
    let found = outcome.runs[Run::Refined as usize].first_layer.length_mm;
    close(found.share(Class::Refused), 0.5, 1e-9);
    close(found.share(Class::Good), 0.5, 1e-9);
    assert!(outcome.faults.iter().any(|fault| fault.contains("were refused")), "{:?}", outcome.faults);
    assert!(
        summary::text(&outcome).contains("\n\nFirst layer good (within ±50 µm and 75 to 125 % of its height): 50.0 %")
    );
    // Nothing is left of it below 0.2.
    let outcome = replayed(&scenario, "M83\nG0 X30 Y40 Z0.1\nG1 X60 E2 F1200\n");
    let refined = &outcome.runs[Run::Refined as usize].first_layer;
    assert_eq!((refined.errors, refined.length_mm.share(Class::Refused)), (None, 1.0));
    let text = summary::text(&outcome);
    assert!(text.contains("corrected, refined  nothing to judge") && !text.contains("+0.0"), "{text}");
}

/// A skirt around the bed's edge is counted and not judged, and never good.
#[test]
fn a_skirt_off_the_bed_is_counted() {
    let scenario = bed(0.0, 0.0);
    let job = format!("M83\nG0 X-5 Y50 Z0.2\nG1 X-5 Y150 E4 F1200\n{}", part(60.0, 60.0, 0.2, 2));
    let outcome = replayed(&scenario, &job);
    let found = outcome.runs[Run::Refined as usize].first_layer.length_mm;
    close(found.get(Class::OffBed), 100.0, 0.01);
    close(found.on_bed(), PART_MM, 0.01);
    close(found.share(Class::Good), PART_MM / (PART_MM + 100.0), 1e-4);
    assert!(summary::text(&outcome).contains("1.00 m judged of 1.00 m on the bed, 0.10 m beyond the plate"));
}

/// A blob that is fed without a move prints nothing; a fat line is one line.
#[test]
fn a_purge_blob_is_no_layer() {
    let scenario = bed(0.0, 0.0);
    let job = format!("M83\nG0 X5 Y5 Z0.05\nG1 E30 F300\n{}", part(60.0, 60.0, 0.2, 1));
    close(uncorrected(&scenario, &job).length_mm.total(), PART_MM, 0.01);
}

/// Where a person knows better: only what is printed between these heights.
#[test]
fn heights_of_the_first_layer_can_be_stated() {
    let scenario = bed(0.0, 0.0);
    let job = format!("M83\n{}{}", part(60.0, 60.0, 0.2, 2), part(120.0, 60.0, 0.28, 2));
    let heights: FirstLayerHeights = "0.25..0.3".parse().unwrap();
    let settings = Settings { first_layer_heights: heights, ..Settings::new(&scenario) };
    let outcome = replay("job", Cursor::new(&job), &settings).unwrap();
    close(outcome.runs[0].first_layer.length_mm.judged(), PART_MM, 0.01);
    assert_eq!(outcome.surfaces.first_layer_um, 280.0);
}

/// Over the whole job, whatever comes first, on any number of cores.
#[test]
fn the_order_of_the_job_and_the_cores_do_not_matter() {
    let scenario = demo::scenario().unwrap();
    let parts = [part(30.0, 30.0, 0.2, 3), part(120.0, 60.0, 0.3, 3), part(60.0, 120.0, 0.25, 3)];
    let judged = |order: [usize; 3], cores| {
        let job = format!("M83\n{}", order.map(|index| parts[index].clone()).concat());
        let settings = Settings { cores: NonZeroUsize::new(cores), ..Settings::new(&scenario) };
        let outcome = replay("job", Cursor::new(job), &settings).unwrap();
        outcome
            .runs
            .iter()
            .map(|run| (run.first_layer.length_mm, run.first_layer.errors.unwrap().max_um))
            .collect::<Vec<_>>()
    };
    let first = judged([0, 1, 2], 1);
    assert_eq!(first, judged([0, 1, 2], 3));
    for (one, other) in first.iter().zip(judged([2, 0, 1], 2)) {
        close(one.0.get(Class::Good), other.0.get(Class::Good), 1e-6);
        assert_eq!(one.1, other.1);
    }
}

/// What the fade does on purpose is no gap error: the demo's top ends up flat.
#[test]
fn above_the_first_layer_the_top_counts() {
    let outcome = replay(demo::JOB_NAME, demo::job(), &Settings::new(&demo::scenario().unwrap())).unwrap();
    let (first, last) = (&outcome.layers[0], &outcome.layers[outcome.layers.len() - 1]);
    let refined = |layer: &gapkeeper_sim::outcome::LayerFigures| layer.runs[Run::Refined as usize].unwrap();
    assert!(last.z_mm > 8.0, "{last:?}");
    assert!(refined(first).max_um - refined(first).min_um > 100.0, "the first layer follows the bed");
    // Half a motor step of 2.5 µm.
    assert!(refined(last).min_um >= -1.3 && refined(last).max_um <= 1.3, "{last:?}");
    assert!(summary::text(&outcome).contains("Shape of the top, Z "), "{}", summary::text(&outcome));
}

/// What `E` moves with lies on the bed, by `G0` as well as by `G1`, before and after the first line of the other kind.
#[test]
fn what_rapids_print_is_judged() {
    let scenario = bed(0.0, 0.0);
    let job = part(60.0, 60.0, 0.2, 2);
    let rapid = replayed(&scenario, &format!("M83\n{}", job.replace("G1 X", "G0 X")));
    let fed = replayed(&scenario, &format!("M83\n{job}"));
    assert_eq!(rapid.runs[2].first_layer.length_mm, fed.runs[2].first_layer.length_mm);
    close(rapid.runs[2].first_layer.length_mm.get(Class::Good), PART_MM, 0.01);
}

/// The look for the first layer takes the lines that the replay takes: a lower line with two words of one group hides
/// the line above it.
#[test]
fn the_first_layer_is_looked_for_as_leniently_as_it_is_replayed() {
    let scenario = bed(0.0, 0.0);
    let job = "M83\nG0 X50 Y50 Z0.2 F1200\nG0 G1 X100 E1.5\nG0 X50 Z0.4\nG1 X100 E1.5\n";
    let settings = Settings { lenient: true, ..Settings::new(&scenario) };
    let found = replay("job", Cursor::new(job), &settings).unwrap().runs[2].first_layer;
    close(found.length_mm.judged(), 50.0, 0.01);
    assert!(replay("job", Cursor::new(job), &Settings::new(&scenario)).is_err());
}

/// The feed of a canned cycle across the bed cuts like any other, in the look ahead and in the replay: `G18` drills
/// along Y.
#[test]
fn cycles_cut_what_their_moves_cut() {
    let scenario = bed(0.0, 0.0);
    let cycle = "G0 X50 Y120 Z0.2\nG18 G81 X50 Z0.2 Y80 R100 F600\n";
    let by_hand = "G0 X50 Y120 Z0.2\nG0 Y100\nG1 Y80 F600\nG0 Y120\n";
    let [found, wanted] = [cycle, by_hand].map(|job| replayed(&scenario, job).runs[2].first_layer);
    close(wanted.length_mm.judged(), 20.0, 0.01);
    assert_eq!(found.length_mm, wanted.length_mm);
}

/// Half a circle of 50 mm at a tolerance `t` takes `π / (2·acos(1 − t/50))` chords, rounded up: 112 at the usual 5 µm,
/// and 8 at 1 mm, each `2·50·sin(π/16)` long. Replay, plan and gate cut it alike.
#[test]
fn the_tolerance_of_arcs_is_the_scenarios() {
    let job = "M83\nG0 X65 Y100 Z0.2\nG2 X165 I50 J0 E5 F1200\n";
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("job.gcode"), job).unwrap();
    let gate = "format = \"gapkeeper-gate\"\nversion = 1\n[limits]\npieces_per_s = 1000\n[matrix]\n\
                scenarios = [\"bench.toml\"]\njobs = [\"job.gcode\"]\n";
    for (tolerance, chords) in [("", 112_u32), ("arc_tolerance_um = 1000\n", 8)] {
        let text = demo::SCENARIO_TEXT.replace("[correction]\n", &format!("[correction]\n{tolerance}"));
        std::fs::write(folder.path().join("bench.toml"), &text).unwrap();
        let mut scenario = Scenario::read(&folder.path().join("bench.toml")).unwrap();
        let chord_mm = 2.0 * 50.0 * (std::f64::consts::PI / f64::from(chords) / 2.0).sin();
        let outcome = replayed(&scenario, job);
        assert_eq!(outcome.runs[0].pieces, u64::from(chords) + 1, "{tolerance}");
        close(outcome.runs[0].first_layer.length_mm.total(), f64::from(chords) * chord_mm, 0.05);
        scenario.bed.forms.clear();
        let settings =
            PlanSettings { draws: 1, stations: vec![Count(3)], feels_um: Vec::new(), ..PlanSettings::default() };
        let plan = plan(&scenario, "job", Cursor::new(job), &settings).unwrap();
        close(plan.printed_length_mm, f64::from(chords) * chord_mm, 0.05);
        let gate = Gate::parse(gate, "gate.toml", folder.path().to_path_buf()).unwrap();
        let verdict = verify(&gate, None);
        let pieces_per_s = verdict.cases[0].checks.iter().find(|check| check.name == "pieces_per_s").unwrap().found;
        // The bowed bed cuts chords of 19.5 mm further, and those of 1.4 mm hardly.
        assert!(if chords == 8 { pieces_per_s < 12.0 } else { pieces_per_s >= 14.0 }, "{pieces_per_s}");
    }
    let wrong = demo::SCENARIO_TEXT.replace("[correction]\n", "[correction]\narc_tolerance_um = 0\n");
    let message = Scenario::parse(&wrong, "bench.toml", std::path::PathBuf::new()).unwrap_err().to_string();
    assert!(message.contains("0 um off an arc: use 1 to 1000"), "{message}");
}
