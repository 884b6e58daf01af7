//! A corner round on a machine whose motors take time: advice on the display, hands off, and the survey after it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod machine;

use gapkeeper::{Hold, Prompt, Screw, SurveyEvent, SurveyPlan, SurveySettings};
use gapkeeper_controller::{Motors, Progress};
use machine::{Machine, STATIONS, come_to_rest, machine, prompt, run, settings};

const SCREWS: [Screw; 4] =
    [screw(20_000, 20_000), screw(170_000, 20_000), screw(170_000, 160_000), screw(20_000, 160_000)];

const fn screw(x_um: i32, y_um: i32) -> Screw {
    Screw { x_um, y_um, thread_um_per_turn: 500 }
}

fn begin(machine: &mut Machine) {
    machine.motors().is_slow = true;
    run(machine, &["G28", "M140 S60", "M104 S200"]);
    let places = SCREWS.map(|screw| (screw.x_um, screw.y_um));
    let plan = SurveyPlan::new(STATIONS).unwrap().with_corner_round(places).unwrap();
    let settings = SurveySettings { corner_limit_um: 40, ..settings() };
    assert_eq!(machine.begin_survey(plan, settings).unwrap(), Progress::Waits);
    machine.temperature(60, 200, 10);
}

/// Reads a station at which the bed is so high.
fn read(machine: &mut Machine, height_um: i32) -> Progress {
    let detents = (height_um + 100 - machine.machine().z_um) / 10;
    machine.survey(SurveyEvent::Turned { detents: detents as i16 }).unwrap();
    come_to_rest(machine);
    machine.survey(SurveyEvent::Pressed).unwrap();
    come_to_rest(machine)
}

fn read_corners(machine: &mut Machine, heights_um: [i32; 4]) {
    assert!(matches!(prompt(machine), Some(Prompt::Ready { visits: 4, is_corner: true })), "{:?}", prompt(machine));
    machine.survey(SurveyEvent::Pressed).unwrap();
    come_to_rest(machine);
    for (screw, height_um) in SCREWS.iter().zip(heights_um) {
        assert_eq!((machine.machine().x_um, machine.machine().y_um), (screw.x_um, screw.y_um));
        read(machine, height_um);
    }
}

#[test]
fn corners_advice_hands_off_and_the_survey() {
    let mut machine = machine();
    begin(&mut machine);
    let lines = |machine: &Machine, chosen| {
        let text = machine.screen(&SCREWS, Hold::Highest, chosen).to_string();
        assert!(text.lines().count() <= 4 && text.lines().all(|line| line.len() <= 20), "{text}");
        text
    };
    assert_eq!(lines(&machine, 0), "Hands off, then\npress: go to corner\n1 of 4\nHOT bed 60 tip 200");
    read_corners(&mut machine, [0, 200, -100, 50]);
    let rest = "\nfirst: say so, save\nHOT 60/200 C: gloves";
    assert_eq!(lines(&machine, 0), format!("Corners off 300 um\n1 raise 144 deg{rest}"));
    assert_eq!(lines(&machine, 1), format!("Corners off 300 um\n2 hold{rest}"));
    assert_eq!(lines(&machine, 2), format!("Corners off 300 um\n3 raise 216 deg{rest}"));
    assert_eq!(lines(&machine, 4), format!("Corners off 300 um\nturn to within 40{rest}"), "there is no fifth screw");
    let other = [SCREWS[0], SCREWS[1], SCREWS[0]];
    assert!(machine.screen(&other, Hold::Highest, 0).to_string().contains("\nno advice: see log\n"));

    let (at, pieces) = (machine.motors().at, machine.motors().pieces.len());
    assert_eq!(machine.survey(SurveyEvent::Pressed), Ok(Progress::Waits));
    assert_eq!(machine.survey(SurveyEvent::Turned { detents: 3 }), Ok(Progress::Waits));
    assert_eq!(machine.survey(SurveyEvent::ScrewTurned), Ok(Progress::Waits));
    assert_eq!(lines(&machine, 0), "Corners off 300 um\n1 raise 144 deg\nhands off, press\nHOT 60/200 C: gloves");
    assert_eq!(machine.survey(SurveyEvent::Pressed), Ok(Progress::Waits));
    assert_eq!((machine.motors().at, machine.motors().pieces.len()), (at, pieces), "nothing has moved");

    read_corners(&mut machine, [200, 190, 210, 200]);
    assert_eq!(prompt(&mut machine), Some(Prompt::Trammed { apart_um: 20, headroom_um: 1190, visits: 5 }));
    assert_eq!(lines(&machine, 0), "Corners off 20 um\nheadroom 1190 um\npress: station 1/5\nHOT bed 60 tip 200");
    machine.survey(SurveyEvent::Pressed).unwrap();
    come_to_rest(&mut machine);
    // To and fro, and the first once more.
    for height_um in [200, 190, 210, 200] {
        assert_eq!(read(&mut machine, height_um), Progress::Waits);
    }
    assert_eq!(read(&mut machine, 200), Progress::Measured);
    let grid = machine.keeper().bank().grid(0).unwrap().clone();
    assert_eq!((grid.grid.nodes_um(), grid.setup), (&[200, 190, 200, 210][..], 1));
}

/// The heaters time out, the switch trips, somebody homes or aborts, wherever the round is.
#[test]
fn every_state_of_the_round_can_be_left() {
    let ends: [fn(&mut Machine); 3] = [
        |machine| {
            machine.survey(SurveyEvent::Abort).unwrap();
        },
        |machine| run(machine, &["G28"]),
        |machine| run(machine, &["M84", "G28"]),
    ];
    let troubles: [fn(&mut Machine); 3] = [
        |_| (),
        |machine| machine.temperature(20, 20, 99),
        |machine| {
            machine.survey(SurveyEvent::LimitSwitch { is_tripped: true }).unwrap();
        },
    ];
    for end in ends {
        for trouble in troubles {
            for state in 0..4 {
                let mut machine = machine();
                begin(&mut machine);
                match state {
                    0 => {}
                    1 => {
                        machine.survey(SurveyEvent::Pressed).unwrap();
                        machine.motors().tick();
                    }
                    _ => read_corners(&mut machine, [0, 200, -100, 50]),
                }
                if state == 3 {
                    machine.survey(SurveyEvent::ScrewTurned).unwrap();
                }
                trouble(&mut machine);
                end(&mut machine);
                come_to_rest(&mut machine);
                assert!(machine.keeper().survey_under_way().is_none(), "{state}");
                assert!(machine.motors().is_still());
                run(&mut machine, &["G90 G1 X50 Y50 Z5 F6000"]);
            }
        }
    }
}
