//! A survey over motors that take time: what is told when, and what a switch does in the middle of it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod machine;

use gapkeeper::{Order, Point, Prompt, SurveyEvent};
use gapkeeper_controller::{Motors, Progress};
use machine::{Machine, begin, come_to_rest, machine, measure, prompt, run};

fn ready() -> Machine {
    let mut machine = machine();
    machine.motors().is_slow = true;
    run(&mut machine, &["G28"]);
    begin(&mut machine);
    assert!(matches!(prompt(&mut machine), Some(Prompt::Ready { .. })), "{:?}", prompt(&mut machine));
    machine
}

#[test]
fn a_whole_survey_over_slow_motors() {
    let mut machine = machine();
    machine.motors().is_slow = true;
    run(&mut machine, &["M140 S60", "M104 S200", "G28"]);
    measure(&mut machine, [0, 100, -200, 300]);
    assert_eq!(machine.keeper().bank().grid(0).unwrap().grid.nodes_um(), [0, 100, -200, 300]);
    assert!(machine.keeper().correction_in_force().is_some());
}

#[test]
fn nothing_moves_before_a_press_and_arrived_is_told_when_it_is_true() {
    let mut machine = ready();
    for now_s in 10..30 {
        machine.temperature(60, 200, now_s);
        assert_eq!(machine.attend(), Progress::Waits);
    }
    assert!(machine.motors().queue.is_empty());
    assert_eq!(machine.survey(SurveyEvent::Pressed), Ok(Progress::Moves));
    assert!(matches!(machine.keeper().order_due(), Order::Lift { .. }));
    // However often the loop comes round, the next order waits for the end of this one.
    for _ in 0..5 {
        assert_eq!(machine.attend(), Progress::Moves);
    }
    assert_eq!(machine.motors().pieces.len(), 1);
    machine.motors().tick();
    machine.attend();
    assert!(matches!(machine.keeper().order_due(), Order::Lift { .. }));
    machine.motors().tick();
    machine.attend();
    assert!(matches!(machine.keeper().order_due(), Order::Travel { .. }));
    come_to_rest(&mut machine);
    assert!(matches!(prompt(&mut machine), Some(Prompt::SetGap { is_turned: false, .. })));
}

#[test]
fn a_press_while_a_step_is_under_way_is_no_reading() {
    let mut machine = ready();
    machine.survey(SurveyEvent::Pressed).unwrap();
    come_to_rest(&mut machine);
    machine.survey(SurveyEvent::Turned { detents: -100 }).unwrap();
    machine.survey(SurveyEvent::Pressed).unwrap();
    come_to_rest(&mut machine);
    assert!(matches!(prompt(&mut machine), Some(Prompt::SetGap { visit: 1, is_turned: true, .. })));
    machine.survey(SurveyEvent::Pressed).unwrap();
    come_to_rest(&mut machine);
    assert!(matches!(prompt(&mut machine), Some(Prompt::SetGap { visit: 2, .. })));
}

/// Steps follow each other, and the last one is the reading.
#[test]
fn turned_faster_than_the_axis_goes() {
    let mut machine = ready();
    machine.survey(SurveyEvent::Pressed).unwrap();
    come_to_rest(&mut machine);
    for _ in 0..7 {
        machine.survey(SurveyEvent::Turned { detents: -1 }).unwrap();
    }
    come_to_rest(&mut machine);
    assert_eq!((machine.motors().at.z_um, machine.motors().stops), (1_930, 0));
    assert_eq!(machine.machine().z_um, 1_930);
}

#[test]
fn the_switch_stops_the_axes_wherever_they_are() {
    // After so many ticks: in the lift, the travel, the approach.
    for (ticks, is_lowering) in [(1, false), (3, false), (5, true)] {
        let mut machine = ready();
        machine.survey(SurveyEvent::Pressed).unwrap();
        for _ in 0..ticks {
            machine.motors().tick();
            machine.attend();
        }
        assert!(!machine.motors().is_still(), "{ticks}");
        let at = machine.motors().at;
        machine.survey(SurveyEvent::LimitSwitch { is_tripped: true }).unwrap();
        come_to_rest(&mut machine);
        assert_eq!((machine.motors().at, machine.machine()), (at, at), "{ticks}");
        assert_eq!(prompt(&mut machine), Some(Prompt::SwitchTripped { press_lifts: true }));
        machine.survey(SurveyEvent::LimitSwitch { is_tripped: false }).unwrap();
        come_to_rest(&mut machine);
        assert_eq!(machine.motors().at, at, "without a press nothing moves");
        machine.survey(SurveyEvent::Pressed).unwrap();
        come_to_rest(&mut machine);
        let lifted = machine.motors().at;
        assert_eq!((lifted.x_um, lifted.y_um), (at.x_um, at.y_um));
        assert!(lifted.z_um >= at.z_um);
        let raises = matches!(prompt(&mut machine), Some(Prompt::RaiseBed { is_told: false, .. }));
        assert_eq!(raises, is_lowering, "{ticks}: {:?}", prompt(&mut machine));
    }
}

#[test]
fn a_bed_that_cools_stops_the_axes() {
    let mut machine = ready();
    machine.survey(SurveyEvent::Pressed).unwrap();
    machine.motors().tick();
    let at = machine.motors().at;
    machine.temperature(40, 200, 60);
    come_to_rest(&mut machine);
    assert_eq!((machine.motors().at, machine.machine()), (at, at));
    assert!(matches!(prompt(&mut machine), Some(Prompt::BedTemperature { bed_c: 40, wanted_c: 60 })));
}

#[test]
fn an_abort_on_the_way_down_turns_round_at_once() {
    let mut machine = ready();
    machine.survey(SurveyEvent::Pressed).unwrap();
    while !matches!(machine.keeper().order_due(), Order::Approach { .. }) {
        machine.motors().tick();
        machine.attend();
    }
    machine.motors().tick();
    let half_way = machine.motors().at;
    assert_eq!(machine.survey(SurveyEvent::Abort), Ok(Progress::Moves));
    assert_eq!(machine.motors().stops, 1);
    let mut last = Progress::Waits;
    while machine.keeper().survey_under_way().is_some() {
        machine.motors().tick();
        last = machine.attend();
        assert!(machine.motors().at.z_um >= half_way.z_um, "never downwards");
    }
    assert_eq!(last, Progress::Aborted);
    let Point { x_um, y_um, z_um } = machine.motors().at;
    assert_eq!((x_um, y_um), (half_way.x_um, half_way.y_um));
    assert!(z_um > half_way.z_um);
    run(&mut machine, &["G91", "G1 X1"]);
    assert_eq!(machine.machine(), Point { x_um: x_um + 1000, y_um, z_um });
}

#[test]
fn a_second_abort_ends_it_where_it_stands() {
    let mut machine = ready();
    machine.survey(SurveyEvent::Pressed).unwrap();
    machine.motors().tick();
    let at = machine.motors().at;
    assert_eq!(machine.survey(SurveyEvent::Abort), Ok(Progress::Moves));
    assert_eq!(machine.survey(SurveyEvent::Abort), Ok(Progress::Aborted));
    assert!(machine.motors().is_still());
    assert_eq!((machine.motors().at, machine.machine()), (at, at));
}

/// Whoever calls the keeper itself and drops the order loses nothing: the next turn of the loop carries it out.
#[test]
fn a_dropped_order_is_due_still() {
    let mut machine = ready();
    machine.survey(SurveyEvent::Pressed).unwrap();
    machine.motors().tick();
    let _ = machine.keeper().screw_turned();
    assert!(!machine.motors().is_still());
    machine.attend();
    assert_eq!((machine.motors().is_still(), machine.motors().stops), (true, 1));
    assert_eq!(prompt(&mut machine), Some(Prompt::HandsOff));
}
