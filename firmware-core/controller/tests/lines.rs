//! Lines of G-code: all of a line is done, or nothing of it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod machine;

use gapkeeper::{Point, SurveyEvent};
use gapkeeper_controller::{Motors, Progress, Refusal};
use machine::{HOME, begin, come_to_rest, grid, machine, measure, run};
use proptest::prelude::*;
use proptest::sample::select;

/// A machine with a tilted grid in force, in the middle of a job.
fn in_a_job() -> machine::Machine {
    let mut machine = machine();
    run(&mut machine, &["M140 S60", "G28"]);
    machine.keeper().adopt(grid([0, 400, 0, 400])).unwrap();
    run(&mut machine, &["G1 X30 Y30 Z0.2 F600", "M83", "G1 X40 E1"]);
    machine
}

#[test]
fn a_refused_line_does_nothing_of_it() {
    for line in [
        "G28 G999",
        "G999 G28",
        "G91 G5",
        "G91 G1 X9999999",
        "F100 G1 X1 Y5 G2",
        "M83 G1 X5 E9999999",
        "M84 G28",
        "G28 G1 X5",
        "M140 S60 M104 S200",
        "M140 S90000 G91",
        "M190 S50 G1 X-9999999",
        "G92 X0 E3",
        "G90 G91",
        "G1 X1 X2",
        "G1 X5 F-1",
        "G4 X5",
        "G20",
        "G28.1",
        "G2 X50 Y30 R0 F1",
        "G3 X60 Y30 I9 J9 G18",
        "G1 Xabc",
        "X1X1X1X1X1X1X1X1X1X1X1X1X1X1X1X1X1",
    ] {
        let mut machine = in_a_job();
        let before = machine.clone();
        machine.line(line.as_bytes()).expect_err(line);
        assert_eq!(machine, before, "{line}");
    }
}

#[test]
fn a_refused_line_says_which_word() {
    let mut machine = in_a_job();
    let mut refused = |line: &str| machine.line(line.as_bytes()).unwrap_err().to_string();
    assert_eq!(refused("G28 G999"), "G999 is not known");
    assert_eq!(refused("G28.1"), "G28.100000 is not known");
    assert_eq!(refused("G1 X1 X2"), "X2 contradicts another word of this line: use two lines");
    assert_eq!(refused("M104 S-40000"), "S-40000: out of range");
}

#[test]
fn what_stands_for_an_unknown_m_word_passes_and_moves_nothing() {
    let mut machine = in_a_job();
    let before = machine.clone();
    run(
        &mut machine,
        &["M987", "M987 X5 Y5 Z-5", "M987 some text: G28", "M82.5 X5", "M107", "M106 S128", "N10 T0", "G21"],
    );
    assert_eq!(machine, before);
}

/// Parts of lines, such as jobs have them and such as nobody should write.
fn part() -> impl Strategy<Value = String> {
    let word = select(vec![
        "G0", "G1", "G2", "G3", "G4", "G5", "G17", "G18", "G19", "G20", "G21", "G28", "G90", "G91", "G92", "G999",
        "M82", "M83", "M84", "M104", "M109", "M140", "M190", "M987", "R5", "R0", "F300", "F-3", "S60", "S999999", "T0",
        "N7", "X", "#", "(note)",
    ]);
    let coordinate =
        (select(vec!['X', 'Y', 'Z', 'E', 'I', 'J', 'K']), -400_000_i64..400_000).prop_map(|(letter, um)| {
            format!("{letter}{}{}.{:03}", if um < 0 { "-" } else { "" }, um.abs() / 1000, um.abs() % 1000)
        });
    let far = select(vec!["X9999999", "Z-9999999", "E5000"]);
    prop_oneof![4 => word.prop_map(str::to_string), 4 => coordinate, 1 => far.prop_map(str::to_string)]
}

fn line() -> impl Strategy<Value = String> {
    prop::collection::vec(part(), 1..6).prop_map(|parts| parts.join(" "))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Refused: as it was, to the last bit. Done: the machine stands where the motors were sent, and a logical position
    /// leads there.
    #[test]
    fn random_lines_are_done_or_not(lines in prop::collection::vec(line(), 1..40), surveys in any::<bool>()) {
        let mut machine = in_a_job();
        if surveys {
            begin(&mut machine);
            machine.survey(SurveyEvent::Pressed).unwrap();
        }
        for line in &lines {
            let before = machine.clone();
            if machine.line(line.as_bytes()).is_err() {
                prop_assert!(machine == before, "{} left something behind", line);
                continue;
            }
            let (at, logical) = (machine.machine(), machine.logical());
            prop_assert_eq!(at, machine.motors().at, "{}", line);
            let in_force = machine.keeper().correction_in_force();
            let leads_to = in_force.map_or(logical.z_um, |c| c.machine_z_um(logical.x_um, logical.y_um, logical.z_um));
            prop_assert_eq!(Point { z_um: leads_to, ..logical }, at, "{}", line);
        }
    }
}

/// What a relative move along X does to the machine's Z over a grid without fade: as much as the bed rises.
fn rises_with_the_bed(machine: &mut machine::Machine, what: &str) {
    let before = machine.machine();
    let height_um = |machine: &mut machine::Machine, x_um: i32| {
        machine.keeper().correction_in_force().map_or(0, |correction| correction.grid().height_um(x_um, before.y_um))
    };
    let expected_um = height_um(machine, before.x_um + 70_000) - height_um(machine, before.x_um);
    machine.motors().pieces.clear();
    run(machine, &["G91", "G1 X70", "G90"]);
    let after = machine.machine();
    assert_eq!((after.x_um - before.x_um, after.y_um - before.y_um), (70_000, 0), "{what}");
    assert_eq!(after.z_um - before.z_um, expected_um, "{what}");
    // No piece of it goes elsewhere on its way.
    for piece in machine.motors().pieces.clone() {
        let (low_um, high_um) = (before.z_um.min(after.z_um), before.z_um.max(after.z_um));
        assert!((low_um - 2..=high_um + 2).contains(&piece.z_um), "{what}: {piece:?}");
    }
    run(machine, &["G91", "G1 X-70", "G90"]);
    assert_eq!(machine.machine(), before, "{what}");
}

#[test]
fn a_relative_move_after_a_survey_starts_from_where_the_nozzle_is() {
    let mut machine = machine();
    run(&mut machine, &["M140 S60", "M104 S200", "G28"]);
    measure(&mut machine, [-300; 4]);
    let before = machine.machine();
    run(&mut machine, &["G91", "G1 X1"]);
    assert_eq!(machine.machine(), Point { x_um: before.x_um + 1000, ..before });
}

#[test]
fn relative_moves_follow_the_bed_after_every_change_of_what_is_in_force() {
    let mut machine = machine();
    run(&mut machine, &["M140 S60", "M104 S200", "G28"]);
    rises_with_the_bed(&mut machine, "homed");
    measure(&mut machine, [-300, -300, 100, 400]);
    assert!(machine.keeper().correction_in_force().is_some());
    rises_with_the_bed(&mut machine, "survey done");
    machine.keeper().shift_by(-17).unwrap();
    rises_with_the_bed(&mut machine, "shift");
    run(&mut machine, &["G1 X20 Y30 Z1"]);
    rises_with_the_bed(&mut machine, "moved");
    machine.keeper().release();
    rises_with_the_bed(&mut machine, "release");
    machine.keeper().put_stored_in_force().unwrap();
    assert!(machine.keeper().correction_in_force().is_some());
    rises_with_the_bed(&mut machine, "put in force");
    begin(&mut machine);
    machine.survey(SurveyEvent::Pressed).unwrap();
    machine.survey(SurveyEvent::Turned { detents: -20 }).unwrap();
    assert_eq!(machine.survey(SurveyEvent::Abort), Ok(Progress::Aborted), "after its lift");
    assert!(machine.keeper().correction_in_force().is_some());
    rises_with_the_bed(&mut machine, "abort");
    machine.keeper().adopt(grid([50, -200, 50, -200])).unwrap();
    rises_with_the_bed(&mut machine, "adopt");
    run(&mut machine, &["M140 S100", "G28", "M140 S60"]);
    assert!(machine.keeper().correction_in_force().is_none());
    rises_with_the_bed(&mut machine, "homed without a grid");
    run(&mut machine, &["G28"]);
    assert!(machine.keeper().correction_in_force().is_some());
    assert_eq!(machine.machine(), HOME);
    rises_with_the_bed(&mut machine, "homed with one");
    machine.survey(SurveyEvent::ScrewTurned).unwrap();
    assert!(machine.keeper().correction_in_force().is_none());
    rises_with_the_bed(&mut machine, "a screw turned");
}

#[test]
fn less_than_a_micrometre_adds_up() {
    let mut machine = in_a_job();
    let before = machine.machine();
    run(&mut machine, &["G91"]);
    for _ in 0..1000 {
        run(&mut machine, &["G1 Y0.0004"]);
    }
    assert_eq!(machine.machine(), Point { y_um: before.y_um + 400, ..before });
}

#[test]
fn motors_off_in_mid_survey_end_it() {
    for line in ["M84", "G28"] {
        let mut machine = machine();
        machine.motors().is_slow = true;
        run(&mut machine, &["G28"]);
        begin(&mut machine);
        machine.survey(SurveyEvent::Pressed).unwrap();
        machine.motors().tick();
        assert!(!machine.motors().is_still());
        run(&mut machine, &[line]);
        assert!(machine.keeper().survey_under_way().is_none(), "{line}");
        assert_eq!((machine.motors().stops, machine.motors().is_still()), (1, true), "{line}");
        assert_eq!(come_to_rest(&mut machine), Progress::Waits);
        let pieces = machine.motors().pieces.len();
        assert!(machine.survey(SurveyEvent::Turned { detents: -1 }).is_err(), "{line}");
        assert_eq!(machine.motors().pieces.len(), pieces, "{line}");
        let moves = machine.line(b"G1 X5");
        assert_eq!(moves.is_ok(), line == "G28", "{line}: {moves:?}");
        assert_eq!(machine.motors().is_off, line == "M84");
    }
}

#[test]
fn a_job_and_a_survey_do_not_mix() {
    let mut machine = in_a_job();
    machine.motors().is_slow = true;
    run(&mut machine, &["G1 X60"]);
    let plan = gapkeeper::SurveyPlan::new(machine::STATIONS).unwrap();
    assert_eq!(machine.begin_survey(plan.clone(), machine::settings()), Err(Refusal::Moving));
    come_to_rest(&mut machine);
    machine.begin_survey(plan, machine::settings()).unwrap();
    assert!(matches!(machine.line(b"G1 X61"), Err(Refusal::Keeper(_))));
}
