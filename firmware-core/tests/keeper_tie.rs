//! The tie at the keeper: what it starts from, what it leaves, and what it refuses.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod keeper_support;

use gapkeeper::{
    Choice, KeeperError, MAX_TIES, Order, PlanError, Prompt, StoredGrid, SurveyEvent, SurveyPlan, SurveySettings,
    TIE_LIMIT_UM, TieError,
};
use keeper_support::*;

const SCREWS: [(i32, i32); 4] = [(10_000, 10_000), (210_000, 10_000), (210_000, 190_000), (10_000, 190_000)];

/// The bow on screws that were turned since: a plane and a twist, in whole micrometres at the stations.
fn turned_um(x_um: i32, y_um: i32) -> i32 {
    let (u, v) = ((x_um - 20_000) / 90_000, (y_um - 20_000) / 80_000);
    bow_um(x_um, y_um) + 120 - 40 * u + 25 * v + 30 * u * v
}

/// A keeper with a bed measured whole at 60 °C, whose screws have been turned since.
fn with_turned_screws() -> TestKeeper {
    let mut keeper = keeper();
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    assert_eq!(keeper.screw_turned(), Order::Wait);
    keeper
}

fn tie(keeper: &mut TestKeeper, bed_um: impl Fn(i32, i32) -> i32) -> Order {
    let plan = keeper.plan_tie(60, SCREWS).unwrap();
    assert_eq!(begin_plan(keeper, plan, 60), Ok(Order::Wait));
    keeper.temperature(60, 200, 0);
    assert!(matches!(keeper.status().prompt, Some(Prompt::Ready { visits: 6, is_corner: false })));
    read_all(keeper, bed_um)
}

fn in_force(keeper: &TestKeeper) -> &StoredGrid<9> {
    let Choice::Nearest { place, .. } = keeper.choice() else { panic!("{}", keeper.choice()) };
    keeper.bank().grid(place).unwrap()
}

#[test]
fn five_readings_bring_the_old_grid_to_the_turned_screws() {
    let mut keeper = with_turned_screws();
    let plan = keeper.plan_tie(60, SCREWS).unwrap();
    assert_eq!(plan.order(), [(0, 0), (2, 0), (2, 2), (0, 2), (1, 1)]);
    assert_eq!(tie(&mut keeper, turned_um), Order::Done);
    let grid = in_force(&keeper);
    for (node, &height_um) in grid.grid.nodes_um().iter().enumerate() {
        let (x_um, y_um) = STATIONS.node_um((node % 3) as u8, (node / 3) as u8);
        assert!((i32::from(height_um) - turned_um(x_um, y_um)).abs() <= 1, "node {node}: {height_um}");
    }
    let tied = grid.tie.unwrap();
    assert_eq!((tied.count(), grid.setup, grid.bed_temperature_c), (1, 1, 60));
    assert!(tied.residual_um() <= 1);
    assert_eq!(grid.fade, settings().fade);
    let status = keeper.status();
    assert_eq!((status.tie, status.agreement, keeper.is_unsaved()), (Some(tied), None, true));
    assert_eq!(status.to_string(), "Correcting, tied\ngrid 1\nbed 60 C, grid 60\n+0 um, NOT SAVED");
    // A whole survey is no tie.
    measure(&mut keeper, 60, turned_um);
    assert_eq!((keeper.status().tie, in_force(&keeper).tie), (None, None));
}

#[test]
fn a_plate_that_bends_otherwise_is_refused_and_the_old_grid_stays() {
    let mut keeper = with_turned_screws();
    let before = keeper.bank().clone();
    let bent_um =
        |x_um: i32, y_um: i32| turned_um(x_um, y_um) + if (x_um, y_um) == (110_000, 100_000) { 130 } else { 0 };
    assert_eq!(tie(&mut keeper, bent_um), Order::Wait);
    let prompt = keeper.status().prompt.unwrap();
    assert_eq!(prompt, Prompt::TieRefused { why: TieError::Shape { residual_um: 130 } });
    assert!(u16::from(TIE_LIMIT_UM) < 130);
    assert_eq!(prompt.to_string(), "Shape off 130 um\nwhole survey needed\npress: end back:redo");
    assert_eq!((keeper.bank(), keeper.order_due()), (&before, Order::Wait));
    // Any other event is ignored, and the nozzle stays.
    for event in [SurveyEvent::Enough, SurveyEvent::Turned { detents: -9 }, SurveyEvent::Arrived] {
        assert_eq!(keeper.survey(event), Ok(Order::Wait));
        assert_eq!(keeper.status().prompt, Some(prompt));
    }
    // Back: all five once more, and this time the hand is better.
    let mut patient = keeper.clone();
    assert_eq!(patient.survey(SurveyEvent::Back), Ok(Order::Wait));
    assert_eq!(read_all(&mut patient, turned_um), Order::Done);
    assert_eq!(in_force(&patient).tie.unwrap().count(), 1);
    // A turned screw begins the round anew; a press or an abort ends it.
    let mut turned = keeper.clone();
    assert_eq!(turned.screw_turned(), Order::Wait);
    assert!(matches!(turned.status().prompt, Some(Prompt::Ready { visits: 6, .. })));
    for event in [SurveyEvent::Pressed, SurveyEvent::Abort] {
        let mut ended = keeper.clone();
        assert_eq!(ended.survey(event), Ok(Order::Aborted));
        assert_eq!((ended.bank(), ended.survey_under_way()), (&before, None));
        assert!(ended.line(&level_move(500)).is_ok());
    }
}

#[test]
fn backing_out_leaves_the_old_grid() {
    let mut keeper = with_turned_screws();
    let before = keeper.bank().clone();
    let plan = keeper.plan_tie(60, SCREWS).unwrap();
    assert_eq!(begin_plan(&mut keeper, plan, 60), Ok(Order::Wait));
    keeper.temperature(60, 200, 0);
    assert!(matches!(keeper.survey(SurveyEvent::Pressed), Ok(Order::Lift { .. })));
    assert!(matches!(keeper.survey(SurveyEvent::Abort), Ok(Order::Lift { .. })));
    assert_eq!(keeper.survey(SurveyEvent::Arrived), Ok(Order::Aborted));
    assert_eq!(keeper.bank(), &before);
}

#[test]
fn a_tie_needs_a_grid_of_its_temperature() {
    let mut keeper = keeper();
    let no_grid = KeeperError::Tie(TieError::NoGrid { bed_temperature_c: 60 });
    let none = Err(no_grid);
    assert_eq!(keeper.plan_tie(60, SCREWS), none);
    assert_eq!(unread().plan_tie(60, SCREWS), Err(KeeperError::NotLoaded));
    keeper.homed();
    measure(&mut keeper, 90, bow_um);
    assert_eq!(keeper.plan_tie(60, SCREWS), none);
    let plan = keeper.plan_tie(85, SCREWS).unwrap();
    assert_eq!(begin_plan(&mut keeper, plan.clone(), 60), Err(no_grid));
    assert!(keeper.survey_under_way().is_none());
    // A plan for the stations of another grid.
    measure(&mut keeper, 60, bow_um);
    let other = SurveyPlan::tie(gapkeeper::Lattice { x0_um: 0, ..STATIONS }, SCREWS).unwrap();
    let refused = keeper.begin_survey(other, SurveySettings { bed_temperature_c: 60, ..Default::default() }, 5000);
    assert_eq!(refused, Err(KeeperError::Tie(TieError::Stations)));
    for error in [no_grid, refused.unwrap_err(), KeeperError::Plan(PlanError::Tie)] {
        assert!(!error.to_string().is_empty());
    }
}

#[test]
fn screws_in_one_line_or_too_few_stations_make_no_tie() {
    let keeper = with_turned_screws();
    for screws in [&SCREWS[..2], &[SCREWS[0], (110_000, 100_000), SCREWS[2]]] {
        assert_eq!(keeper.plan_tie(60, screws.iter().copied()), Err(KeeperError::Plan(PlanError::Tie)));
    }
    // The node in the middle of 2 x 2 is one of the corners, so nothing would tell whether the shape held.
    let four = gapkeeper::Lattice { columns: 2, rows: 2, ..STATIONS };
    assert_eq!(SurveyPlan::<9>::tie(four, SCREWS), Err(PlanError::Tie));
    let three = SurveyPlan::<9>::tie(STATIONS, SCREWS.into_iter().take(3)).unwrap();
    assert_eq!(three.order(), [(0, 0), (2, 0), (2, 2), (1, 1)]);
    assert!(three.is_tie() && !SurveyPlan::<9>::new(STATIONS).unwrap().is_tie());
    assert!(three.with_middles().is_err());
}

/// The newest setup counts, a tied one too, and after so many ties a whole survey is needed.
#[test]
fn ties_are_counted() {
    let mut keeper = with_turned_screws();
    for count in 1..=MAX_TIES {
        assert_eq!(tie(&mut keeper, |x_um, y_um| turned_um(x_um, y_um) + i32::from(count)), Order::Done);
        assert_eq!(in_force(&keeper).tie.unwrap().count(), count);
        assert_eq!(keeper.screw_turned(), Order::Wait);
    }
    assert_eq!(keeper.plan_tie(60, SCREWS), Err(KeeperError::Tie(TieError::TooOften)));
    measure(&mut keeper, 60, bow_um);
    assert_eq!(keeper.screw_turned(), Order::Wait);
    assert_eq!(tie(&mut keeper, turned_um), Order::Done);
    assert_eq!(in_force(&keeper).tie.unwrap().count(), 1);
}

/// Grids for other temperatures stay where they are, so that they can be tied as well.
#[test]
fn every_temperature_is_tied_by_itself() {
    let mut keeper = keeper();
    keeper.homed();
    measure(&mut keeper, 90, |x_um, y_um| 2 * bow_um(x_um, y_um));
    measure(&mut keeper, 60, bow_um);
    let _ = keeper.screw_turned();
    assert_eq!(tie(&mut keeper, turned_um), Order::Done);
    let plan = keeper.plan_tie(90, SCREWS).unwrap();
    assert_eq!(begin_plan(&mut keeper, plan, 90), Ok(Order::Wait));
    keeper.temperature(90, 200, 0);
    let hot_um = |x_um, y_um| turned_um(x_um, y_um) + bow_um(x_um, y_um);
    assert_eq!(read_all(&mut keeper, hot_um), Order::Done);
    let hot = in_force(&keeper);
    assert!((hot.grid.height_um(110_000, 100_000) - hot_um(110_000, 100_000)).abs() <= 1);
}

/// First the corners are trammed, which turns screws, and then the tie is read.
#[test]
fn a_tie_after_a_corner_round() {
    let mut keeper = keeper();
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    let plan = keeper.plan_tie(60, SCREWS).unwrap().with_corner_round(SCREWS).unwrap();
    assert_eq!(begin_plan(&mut keeper, plan, 60), Ok(Order::Wait));
    keeper.temperature(60, 200, 0);
    assert!(matches!(keeper.status().prompt, Some(Prompt::Ready { visits: 4, is_corner: true })));
    let mut events = 0;
    // Corners within the limit: the round ends, and a press begins the tie.
    let even_um = |x_um: i32, y_um: i32| bow_um(x_um, y_um) + 50;
    while !matches!(keeper.status().prompt, Some(Prompt::Trammed { visits: 6, .. })) {
        let Some(prompt) = keeper.status().prompt else { panic!("no prompt") };
        let event = match prompt {
            Prompt::SetGap { z_um, .. } if keeper.order_due() == Order::Wait => {
                let (column, row) = keeper.survey_under_way().unwrap().station().unwrap();
                let (x_um, y_um) = STATIONS.node_um(column, row);
                match even_um(x_um, y_um) + 100 - z_um {
                    0 => SurveyEvent::Pressed,
                    detents => SurveyEvent::Turned { detents: detents as i16 },
                }
            }
            Prompt::Ready { .. } if keeper.order_due() == Order::Wait => SurveyEvent::Pressed,
            _ => SurveyEvent::Arrived,
        };
        let _ = keeper.survey(event).unwrap();
        events += 1;
        assert!(events < 100, "{prompt}");
    }
    assert_eq!(read_all(&mut keeper, even_um), Order::Done);
    assert_eq!(in_force(&keeper).tie.unwrap().count(), 1);
}

/// Power fails at every byte of the save after a tie: what is loaded is the old grid, stale, or the tied one.
#[test]
fn nothing_is_lost_if_power_fails() {
    let mut keeper = unread();
    let mut first = store([0xFF; 1024], u32::MAX);
    keeper.begin_memory(&mut first).unwrap();
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    let _ = keeper.screw_turned();
    keeper.save(&mut first).unwrap();
    let old = keeper.bank().clone();
    let saved = bytes_of(first);
    assert_eq!(tie(&mut keeper, turned_um), Order::Done);
    let tied = in_force(&keeper).clone();
    let (mut olds, mut ties) = (0, 0);
    for writes in 0.. {
        let mut cut = store(saved, writes);
        let is_saved = keeper.clone().save(&mut cut).is_ok();
        let mut after = unread();
        after.load(&mut store(bytes_of(cut), u32::MAX)).unwrap();
        after.temperature(60, 200, 0);
        match after.homed() {
            Choice::Nearest { place, .. } => {
                assert_eq!(after.bank().grid(place), Some(&tied));
                assert_eq!(after.status().tie, tied.tie);
                ties += 1;
            }
            choice => {
                assert_eq!((choice, after.bank()), (Choice::Stale, &old));
                assert!(after.plan_tie(60, SCREWS).is_ok(), "it can be tied again");
                olds += 1;
            }
        }
        if is_saved {
            break;
        }
    }
    assert!(olds > 50 && ties > 0, "{olds} {ties}");
}
