use gapkeeper_host_tools::grid_file::OlderSurveys;

use super::*;
use crate::demo;
use crate::scenario::{Count, OldGrid};

fn two_by_two() -> Scenario {
    let mut scenario = demo::scenario().unwrap();
    scenario.survey.stations = [Count(2); 2];
    scenario.measuring.settle_um = Bounded(0.0);
    scenario
}

fn begin(scenario: &Scenario) -> Rehearsal<'_> {
    let mut rehearsal = Rehearsal::new(scenario, scenario.stations(), NotNegative(0.0), 1).unwrap();
    rehearsal.pass(0.1).unwrap();
    rehearsal
}

/// Skips the wait and sends the nozzle to the first station.
fn begin_round(rehearsal: &mut Rehearsal<'_>) {
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.view().display.starts_with("Hands off, then\npress: go to station"), "{:?}", rehearsal.view());
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.view().display.starts_with("Station 1 of "), "{:?}", rehearsal.view());
}

/// Turns as the paper says until it drags right, as a person would.
fn set(rehearsal: &mut Rehearsal<'_>) {
    for _ in 0..1000 {
        let Some(drag) = rehearsal.view().drag else { return };
        let detents = match drag.to_string().as_str() {
            "loose" => -4,
            "just touches" | "drags a little" => -1,
            "drags right" => return,
            _ => 1,
        };
        rehearsal.key(Key::Turn(detents)).unwrap();
    }
    panic!("never drags right: {:?}", rehearsal.view());
}

#[test]
fn a_whole_survey_by_what_the_paper_says() {
    let scenario = two_by_two();
    let mut rehearsal = begin(&scenario);
    begin_round(&mut rehearsal);
    let mut presses = 0;
    while rehearsal.ending().is_none() {
        set(&mut rehearsal);
        match presses {
            4 => assert!(rehearsal.view().notice.starts_with("the first station again"), "{:?}", rehearsal.view()),
            _ => assert!(!rehearsal.view().notice.contains("station"), "{:?}", rehearsal.view()),
        }
        rehearsal.key(Key::Press).unwrap();
        presses += 1;
    }
    // Four stations, the first once more.
    assert_eq!((rehearsal.ending(), presses), (Some(Ending::Measured), 5));
    let outcome = rehearsal.outcome().unwrap();
    let bed = crate::bed::ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let lattice = outcome.grid.grid.lattice();
    for (node, &height_um) in outcome.grid.grid.nodes_um().iter().enumerate() {
        let (x_um, y_um) = lattice.node_um(node as u8 % 2, node as u8 / 2);
        let off_um = f64::from(height_um) - bed.height_um(f64::from(x_um) / 1000.0, f64::from(y_um) / 1000.0);
        assert!(off_um.abs() <= 10.0, "node {node}: {off_um}");
    }
    assert!(!outcome.verdict(&scenario).contains("surface of all readings"), "{}", outcome.verdict(&scenario));
}

/// Nine stations and four middles; somebody has enough after ten.
#[test]
fn the_middles_stand_on_the_plan_and_may_be_left_out() {
    let mut scenario = two_by_two();
    scenario.survey.stations = [Count(3); 2];
    let mut rehearsal = begin(&scenario);
    begin_round(&mut rehearsal);
    for visit in 1..=10 {
        assert!(rehearsal.view().display.starts_with(&format!("Station {visit} of 14\n")), "{:?}", rehearsal.view());
        if visit == 8 {
            rehearsal.key(Key::Enough).unwrap();
            assert!(rehearsal.view().notice.starts_with("not yet"), "{:?}", rehearsal.view());
        }
        set(&mut rehearsal);
        rehearsal.key(Key::Press).unwrap();
    }
    use Mark::{Here, NoStation, Read, ToCome};
    assert_eq!(rehearsal.view().marks[3], [NoStation, Here, NoStation, Read, NoStation]);
    assert_eq!(rehearsal.view().marks[1], [NoStation, ToCome, NoStation, ToCome, NoStation]);
    rehearsal.key(Key::Enough).unwrap();
    assert_eq!(rehearsal.view().notice, "the first station again: has it moved?");
    set(&mut rehearsal);
    rehearsal.key(Key::Press).unwrap();
    assert_eq!(rehearsal.ending(), Some(Ending::Measured));
    assert_eq!(rehearsal.outcome().unwrap().grid.grid.lattice(), scenario.stations());
}

#[test]
fn waiting_runs_sixty_times_as_fast_and_can_be_skipped() {
    let scenario = two_by_two();
    let mut rehearsal = begin(&scenario);
    assert!(rehearsal.view().display.starts_with("Let the plate settle\n600 s left"), "{}", rehearsal.view().display);
    rehearsal.pass(5.0).unwrap();
    assert!(rehearsal.view().display.contains("\n300 s left"), "{}", rehearsal.view().display);
    assert_eq!(rehearsal.view().drag, None, "no paper while nobody may touch it");
    begin_round(&mut rehearsal);
    assert!((606.0..620.0).contains(&rehearsal.bench.clock_s()), "{}", rehearsal.bench.clock_s());
    // From here on it is the person's own time.
    let before_s = rehearsal.bench.clock_s();
    rehearsal.pass(5.0).unwrap();
    assert_eq!(rehearsal.bench.clock_s() - before_s, 5.0);
}

#[test]
fn back_takes_a_reading_away() {
    let scenario = two_by_two();
    let mut rehearsal = begin(&scenario);
    begin_round(&mut rehearsal);
    rehearsal.key(Key::Back).unwrap();
    assert!(rehearsal.view().display.starts_with("Station 1 of 5"));
    assert!(rehearsal.view().notice.contains("first station"));
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.view().display.contains("\nturn: paper drags\n"), "{}", rehearsal.view().display);
    assert!(rehearsal.view().notice.starts_with("turn the knob first"), "{}", rehearsal.view().notice);
    rehearsal.key(Key::Turn(-1)).unwrap();
    rehearsal.key(Key::Press).unwrap();
    assert_eq!(rehearsal.view().marks, [[Mark::Read, Mark::Here], [Mark::ToCome, Mark::ToCome]]);
    rehearsal.key(Key::Back).unwrap();
    assert_eq!(rehearsal.view().marks, [[Mark::Here, Mark::ToCome], [Mark::ToCome, Mark::ToCome]]);
}

#[test]
fn a_first_station_that_moved_is_asked_about() {
    let scenario = two_by_two();
    for (answer, ending) in [(Key::Press, Some(Ending::Measured)), (Key::Back, None)] {
        let mut rehearsal = begin(&scenario);
        begin_round(&mut rehearsal);
        for _ in 0..5 {
            set(&mut rehearsal);
            if rehearsal.view().display.starts_with("Station 5") {
                rehearsal.key(Key::Turn(9)).unwrap();
            }
            rehearsal.key(Key::Press).unwrap();
        }
        assert!(rehearsal.view().display.starts_with("First station moved"), "{}", rehearsal.view().display);
        rehearsal.key(answer).unwrap();
        assert_eq!(rehearsal.ending(), ending);
        if ending.is_none() {
            assert!(rehearsal.view().display.starts_with("Hands off, then"), "{}", rehearsal.view().display);
            rehearsal.key(Key::Press).unwrap();
            assert!(rehearsal.view().display.starts_with("Station 1 of 5"), "{}", rehearsal.view().display);
            assert_eq!(rehearsal.view().marks[1], [Mark::ToCome; 2]);
        }
    }
}

#[test]
fn the_switch_in_the_way_is_met_with_the_screws() {
    let mut scenario = two_by_two();
    scenario.machine.limit_switch_trips_at_mm = Bounded(-0.02);
    let mut rehearsal = begin(&scenario);
    begin_round(&mut rehearsal);
    let before_um = rehearsal.bench.bed_um(0, 0);
    for _ in 0..22 {
        if rehearsal.view().drag.is_some() {
            rehearsal.key(Key::Turn(-10)).unwrap();
        }
    }
    let tripped_um = rehearsal.bench.nozzle().z_um;
    assert!(rehearsal.view().notice.starts_with("the limit switch tripped"), "{}", rehearsal.view().notice);
    assert_eq!(rehearsal.view().display, "Limit switch tripped\nround void\npress: lift\nHOT 60/200 C: gloves");
    // Nothing moves by itself, however long it takes.
    rehearsal.pass(60.0).unwrap();
    assert_eq!(rehearsal.bench.nozzle().z_um, tripped_um);
    rehearsal.key(Key::ScrewsTurned).unwrap();
    assert!(rehearsal.view().notice.starts_with("not yet"), "{}", rehearsal.view().notice);
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.bench.nozzle().z_um > tripped_um);
    assert!(rehearsal.view().display.starts_with("Switch in the way:\nraise all 500 um\nfirst: say so"));
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.view().notice.starts_with("raise the bed first"), "{}", rehearsal.view().notice);
    rehearsal.key(Key::ScrewsTurned).unwrap();
    assert!(rehearsal.view().display.starts_with("Switch in the way:\nraise all 500 um\nthen press"));
    assert!((rehearsal.bench.bed_um(0, 0) - before_um - 500.0).abs() < 1e-9);
    // Said once more it raises nothing more.
    rehearsal.key(Key::ScrewsTurned).unwrap();
    assert!((rehearsal.bench.bed_um(0, 0) - before_um - 500.0).abs() < 1e-9);
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.view().display.starts_with("Hands off, then"), "{}", rehearsal.view().display);
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.view().display.starts_with("Station 1 of 5"), "{}", rehearsal.view().display);
}

#[test]
fn a_screw_that_nobody_asked_for_voids_the_round() {
    let scenario = two_by_two();
    let mut rehearsal = begin(&scenario);
    begin_round(&mut rehearsal);
    set(&mut rehearsal);
    rehearsal.key(Key::Press).unwrap();
    rehearsal.key(Key::ScrewsTurned).unwrap();
    assert!(
        rehearsal.view().display.starts_with("Screw turned: void\nhands off, then"),
        "{}",
        rehearsal.view().display
    );
    assert!(rehearsal.view().notice.starts_with("you turned a screw"), "{}", rehearsal.view().notice);
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.view().display.starts_with("Hands off, then"), "{}", rehearsal.view().display);
    assert_eq!(rehearsal.view().marks, [[Mark::ToCome; 2]; 2]);
}

#[test]
fn what_is_hot_stands_under_every_prompt() {
    let scenario = two_by_two();
    let mut rehearsal = begin(&scenario);
    for _ in 0..2 {
        assert!(rehearsal.view().display.ends_with("\nHOT bed 60 tip 200"), "{}", rehearsal.view().display);
        rehearsal.key(Key::Press).unwrap();
    }
    assert_eq!(rehearsal.view().display, "Station 1 of 5\nZ 2000 um\nturn: paper drags\nHOT bed 60 tip 200");
}

#[test]
fn a_nozzle_in_the_bed_is_said() {
    let scenario = two_by_two();
    let mut rehearsal = begin(&scenario);
    begin_round(&mut rehearsal);
    set(&mut rehearsal);
    assert_eq!(rehearsal.view().notice, "");
    rehearsal.key(Key::Turn(-12)).unwrap();
    assert!(rehearsal.view().notice.starts_with("the nozzle presses into the bed"), "{}", rehearsal.view().notice);
}

#[test]
fn coarse_steps_are_said() {
    let scenario = two_by_two();
    let mut rehearsal = begin(&scenario);
    begin_round(&mut rehearsal);
    assert!(!rehearsal.view().display.contains("coarse"), "nothing is known at the first station");
    set(&mut rehearsal);
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.view().display.contains("\nZ 2000 um coarse\n"), "{}", rehearsal.view().display);
    rehearsal.key(Key::Turn(-1)).unwrap();
    assert!(rehearsal.view().display.contains("\nZ 1950 um coarse\n"), "{}", rehearsal.view().display);
    assert!(rehearsal.view().notice.starts_with("coarse"), "{}", rehearsal.view().notice);
    rehearsal.key(Key::Turn(1)).unwrap();
    assert!(rehearsal.view().display.contains("\nZ 1960 um\n"), "{}", rehearsal.view().display);
    assert_eq!(rehearsal.view().notice, "");
}

#[test]
fn ended_is_ended_everywhere() {
    let scenario = two_by_two();
    for presses in 0..4 {
        let mut rehearsal = begin(&scenario);
        for _ in 0..presses {
            rehearsal.key(Key::Press).unwrap();
        }
        rehearsal.key(Key::End).unwrap();
        assert_eq!(rehearsal.ending(), Some(Ending::Ended));
        assert!(rehearsal.outcome().is_err());
    }
}

/// A person who read all stations of a refused tie is told why it was refused.
#[test]
fn a_refused_tie_ends_with_its_reason() {
    let mut scenario = demo::scenario().unwrap();
    let mut old = crate::survey::survey(&scenario, scenario.stations(), 1).unwrap().grid;
    // The bed's bow is not in it.
    old.grid = gapkeeper::HeightGrid::from_fn(old.grid.lattice(), |_, _| 0).unwrap();
    scenario.tie = Some(Box::new(OldGrid {
        grid: old,
        screws_raised_um: Vec::new(),
        surveys: OlderSurveys::default(),
        plate: None,
    }));
    for key in [Key::Press, Key::End] {
        let mut rehearsal = begin(&scenario);
        begin_round(&mut rehearsal);
        while !matches!(rehearsal.bench.prompt(), Some(Prompt::TieRefused { .. })) {
            set(&mut rehearsal);
            rehearsal.key(Key::Press).unwrap();
        }
        let refused = rehearsal.key(key).unwrap_err();
        assert!(matches!(refused, BenchError::Tie(gapkeeper::TieError::Shape { .. })), "{refused}");
    }
}

/// With a feel of 30 um the paper lies, each visit anew, and the same seed lies the same.
#[test]
fn a_feel_of_ones_own_is_wrong_by_as_much_as_asked() {
    let scenario = two_by_two();
    let offs = |seed| {
        let mut rehearsal = Rehearsal::new(&scenario, scenario.stations(), NotNegative(30.0), seed).unwrap();
        let mut offs = Vec::new();
        for _ in 0..40 {
            offs.push(rehearsal.right_gap_um - 100.0);
            rehearsal.right_gap_um = rehearsal.hand.feel();
        }
        offs
    };
    let rms_um = (offs(1).iter().map(|off_um: &f64| off_um * off_um).sum::<f64>() / 40.0).sqrt();
    assert!((15.0..60.0).contains(&rms_um), "{rms_um}");
    assert_eq!(offs(1), offs(1));
    assert_ne!(offs(1), offs(2));
}

/// Corners, advice, hands off, corners again, and the survey; nothing but the person's own keys goes on.
#[test]
fn a_corner_round_by_hand() {
    let mut scenario = two_by_two();
    scenario.measuring.corner_limit_um = Some(40);
    scenario.bed.screws[1].height_um.0 += 300.0;
    let mut rehearsal = begin(&scenario);
    rehearsal.key(Key::Press).unwrap();
    let round = |rehearsal: &mut Rehearsal<'_>| {
        assert!(rehearsal.view().display.starts_with("Hands off, then\npress: go to corner\n1 of 4"));
        rehearsal.key(Key::Press).unwrap();
        for corner in 1..=4 {
            assert!(rehearsal.view().display.starts_with(&format!("Corner {corner} of 4\n")), "{:?}", rehearsal.view());
            set(rehearsal);
            assert!(!rehearsal.view().notice.contains("first station"), "{:?}", rehearsal.view());
            rehearsal.key(Key::Press).unwrap();
        }
    };
    round(&mut rehearsal);
    let asked = rehearsal.view();
    assert!(asked.display.starts_with("Corners off "), "{asked:?}");
    assert!(asked.advice.len() == 4 && asked.advice[1] == "2 hold", "{:?}", asked.advice);
    rehearsal.key(Key::Press).unwrap();
    assert!(rehearsal.view().notice.starts_with("s: you turn the screws"));
    // Read again, with the screws as they are.
    rehearsal.key(Key::Back).unwrap();
    round(&mut rehearsal);
    rehearsal.key(Key::ScrewsTurned).unwrap();
    assert!(rehearsal.view().display.contains("hands off, press"), "{:?}", rehearsal.view());
    assert!(!rehearsal.view().advice.is_empty(), "it stays while they are being turned");
    rehearsal.key(Key::Press).unwrap();
    round(&mut rehearsal);
    assert!(rehearsal.view().display.contains("\nheadroom "), "{:?}", rehearsal.view());
    rehearsal.key(Key::Press).unwrap();
    while rehearsal.ending().is_none() {
        set(&mut rehearsal);
        rehearsal.key(Key::Press).unwrap();
    }
    let outcome = rehearsal.outcome().unwrap();
    let heights_um = outcome.grid.grid.nodes_um();
    let (low_um, high_um) = (heights_um.iter().min().unwrap(), heights_um.iter().max().unwrap());
    assert!(high_um - low_um <= 40, "{heights_um:?}");
    assert_eq!(outcome.grid.setup, 1);
    let table = super::super::table(&outcome);
    assert_eq!(table.lines().count(), 1 + 5 + 1, "the corners are no stations of the survey: {table}");
}

/// Whoever leaves the screws alone measures the bed as it is.
#[test]
fn enough_leaves_the_screws_as_they_are() {
    let mut scenario = two_by_two();
    scenario.measuring.corner_limit_um = Some(40);
    scenario.bed.screws[1].height_um.0 += 300.0;
    let mut rehearsal = begin(&scenario);
    rehearsal.key(Key::Press).unwrap();
    rehearsal.key(Key::Press).unwrap();
    for _ in 0..4 {
        set(&mut rehearsal);
        rehearsal.key(Key::Press).unwrap();
    }
    rehearsal.key(Key::Enough).unwrap();
    assert_eq!(rehearsal.view().notice, "the screws stay as they are");
    rehearsal.key(Key::Press).unwrap();
    while rehearsal.ending().is_none() {
        set(&mut rehearsal);
        rehearsal.key(Key::Press).unwrap();
    }
    let outcome = rehearsal.outcome().unwrap();
    assert!(outcome.grid.grid.nodes_um()[1] - outcome.grid.grid.nodes_um()[0] > 100);
    assert_eq!((outcome.grid.setup, outcome.screws_raised_um()), (0, vec![]));
}
