//! The keeper as a controller calls it: homing, restoring, moving, measuring, shifting, turning screws.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod keeper_support;

use gapkeeper::{
    Choice, GridReturn, Hold, Keeper, KeeperError, KeeperSettings, Order, Point, Prompt, Screw, SettingsError,
    SplitError, Survey, SurveyEvent, SurveyPlan, SurveySettings, TramAdvice, Unusable,
};
use keeper_support::{
    STATIONS, TestKeeper, begin, bow_um, keeper, keeper_with, level_move, measure, measure_plan, settings,
};

#[test]
fn nothing_moves_before_homing() {
    let mut keeper = keeper();
    assert_eq!(keeper.line(&level_move(200)).unwrap_err(), KeeperError::NotHomed);
    assert_eq!(keeper.put_stored_in_force(), Err(KeeperError::NotHomed));
    assert_eq!(begin(&mut keeper), Err(KeeperError::NotHomed));
    assert_eq!(keeper.homed(), Choice::Empty);
    // Without a grid the move is what it is.
    let pieces: Vec<_> = keeper.line(&level_move(200)).unwrap().collect();
    assert_eq!(pieces.len(), 1);
    assert_eq!((pieces[0].end, pieces[0].extra), (level_move(200).end, [9000]));
    keeper.lost_position();
    assert_eq!(keeper.line(&level_move(200)).unwrap_err(), KeeperError::NotHomed);
}

#[test]
fn a_measured_grid_is_in_force_at_once_and_said_to_be_unsaved() {
    let mut keeper = keeper();
    keeper.homed();
    assert!(!keeper.is_unsaved());
    measure(&mut keeper, 60, bow_um);
    // Common practice, no source: unsaved grids are said to be unsaved.
    assert!(keeper.is_unsaved() && keeper.status().to_string().contains("NOT SAVED"));
    let pieces: Vec<_> = keeper.line(&level_move(200)).unwrap().collect();
    assert!(pieces.len() > 5);
    let mut last = Point::default();
    for piece in pieces {
        let Point { x_um, y_um, z_um } = piece.end;
        // The mean of the nodes is a datum; what remains of the bow is corrected to a few micrometres.
        assert!((z_um - 200 - bow_um(x_um, y_um)).abs() <= 5, "{:?}", piece.end);
        last = piece.end;
        let logical = keeper.logical(piece.end);
        assert!((logical.z_um - 200).abs() <= 1);
    }
    assert_eq!((last.x_um, last.y_um), (200_000, 180_000));
    keeper.release();
    assert_eq!(keeper.line(&level_move(200)).unwrap().count(), 1);
    assert_eq!(keeper.logical(last), last);
}

/// Common practice, no source: a grid belongs to its temperature.
#[test]
fn homing_restores_the_grid_of_the_temperature() {
    let mut keeper = keeper();
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    measure(&mut keeper, 100, |x_um, y_um| bow_um(x_um, y_um) + 80);
    let height_um = |keeper: &TestKeeper| {
        keeper.correction_in_force().map(|correction| correction.grid().height_um(110_000, 100_000))
    };
    keeper.temperature(61, 200, 10);
    assert_eq!(keeper.homed(), Choice::Nearest { place: 0, off_c: 1 });
    assert_eq!(height_um(&keeper), Some(100));
    keeper.temperature(99, 200, 20);
    assert_eq!(keeper.homed(), Choice::Nearest { place: 1, off_c: 1 });
    assert_eq!(height_um(&keeper), Some(180));
    keeper.temperature(80, 200, 30);
    assert!(matches!(keeper.homed(), Choice::Blend { cooler: 0, warmer: 1, .. }));
    assert_eq!(height_um(&keeper), Some(140));
    // Too cold for either: nothing is extrapolated, and the machine says why it does not correct.
    keeper.temperature(20, 20, 40);
    assert_eq!(keeper.homed(), Choice::TooFar { nearest_c: 60 });
    assert_eq!(height_um(&keeper), None);
    assert!(keeper.status().to_string().contains("NOT correcting\nonly one for 60 C"));
}

#[test]
fn on_request_the_job_asks() {
    let mut keeper = keeper_with(KeeperSettings { grid_return: GridReturn::WhenAsked, ..settings() });
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    keeper.lost_position();
    keeper.homed();
    assert!(keeper.correction_in_force().is_none());
    keeper.temperature(60, 200, 9);
    assert_eq!(keeper.put_stored_in_force(), Ok(Choice::Nearest { place: 0, off_c: 0 }));
    assert!(keeper.correction_in_force().is_some());
}

/// Common practice, no source: one shift moves the whole surface, whatever its shape.
#[test]
fn a_shift_moves_the_whole_surface() {
    let mut keeper = keeper();
    keeper.homed();
    assert_eq!(keeper.shift_by(1), Err(KeeperError::NoGrid));
    measure(&mut keeper, 60, bow_um);
    let heights = |keeper: &TestKeeper| {
        let correction = keeper.correction_in_force().unwrap().clone();
        let places = (0..12).flat_map(|x| (0..10).map(move |y| (x * 20_000, y * 20_000)));
        places
            .flat_map(|(x_um, y_um)| [200, 4000, 9000].map(|z| correction.machine_z_um(x_um, y_um, z)))
            .collect::<Vec<_>>()
    };
    let before = heights(&keeper);
    assert_eq!(keeper.shift_by(-3), Ok(-30));
    assert!(heights(&keeper).iter().zip(&before).all(|(after, before)| *after == before - 30));
    // Common practice, no source: positive is farther from the bed.
    assert_eq!(keeper.shift_by(5), Ok(20));
    assert!(heights(&keeper).iter().zip(&before).all(|(after, before)| *after == before + 20));
    assert_eq!(keeper.shift_by(-5), Ok(-30));
    assert!(matches!(keeper.shift_by(i16::MAX), Err(KeeperError::Unusable(Unusable::Correction(_)))));
    assert!(heights(&keeper).iter().zip(&before).all(|(after, before)| *after == before - 30), "unchanged by an error");
    // The shift belongs to the grid and comes back with it.
    keeper.temperature(60, 200, 9);
    keeper.homed();
    assert_eq!(keeper.status().shift_um, -30);
}

/// Common practice, no source: corners are trammed first. Tilt and twist go out by the screws, in a setup of its own, and
/// what is left by the grid.
#[test]
fn corners_are_trammed_before_all_stations_are_measured() {
    let screws = [(15_000, 15_000), (215_000, 15_000), (15_000, 185_000), (215_000, 185_000)]
        .map(|(x_um, y_um)| Screw { x_um, y_um, thread_um_per_turn: 700 });
    let mut turned_um = [0; 4];
    let bed_um = |x_um: i32, y_um: i32, turned_um: [i32; 4]| {
        let (u, v) = (f64::from(x_um - 15_000) / 200_000.0, f64::from(y_um - 15_000) / 170_000.0);
        let [a, b, c, d] = turned_um.map(f64::from);
        let plate_um = (1.0 - v) * (a + (b - a) * u) + v * (c + (d - c) * u);
        bow_um(x_um, y_um) + x_um / 500 - y_um / 800 + (150.0 * u * v + plate_um).round() as i32
    };
    let mut keeper = keeper();
    keeper.homed();
    // A grid of before is in force while the corners are read, and no more once a screw was told of.
    measure(&mut keeper, 60, bow_um);
    let plan = SurveyPlan::new(STATIONS).unwrap().with_corner_round(screws.map(|screw| (screw.x_um, screw.y_um)));
    let survey = SurveySettings {
        bed_temperature_c: 60,
        nozzle_temperature_c: 200,
        soak_s: 0,
        detent_um: 1,
        coarse_um: 0,
        corner_limit_um: 10,
        ..SurveySettings::default()
    };
    assert_eq!(keeper.begin_survey(plan.unwrap(), survey, 5000), Ok(Order::Wait));
    keeper.temperature(60, 200, 0);
    let (mut order, mut at, mut z_um, mut rounds) = (Order::Wait, (0, 0), 5000, 0);
    while order != Order::Done {
        let event = match (order, keeper.status().prompt) {
            (Order::Lift { z_um: to } | Order::Approach { z_um: to } | Order::Step { z_um: to }, _) => {
                z_um = to;
                SurveyEvent::Arrived
            }
            (Order::Travel { x_um, y_um }, _) => {
                at = (x_um, y_um);
                SurveyEvent::Arrived
            }
            (_, Some(Prompt::SetGap { is_turned: false, .. })) => {
                SurveyEvent::Turned { detents: (bed_um(at.0, at.1, turned_um) + 100 - z_um) as i16 }
            }
            (_, Some(Prompt::TurnScrews { is_told: false, .. })) => {
                let corners = keeper.survey_under_way().and_then(Survey::corner_heights).unwrap();
                let advice = TramAdvice::new(corners, &screws, Hold::Screw(0)).unwrap();
                let setup = keeper.setup().unwrap();
                assert_eq!(keeper.survey(SurveyEvent::ScrewTurned), Ok(Order::Wait));
                assert_eq!(keeper.setup(), Some(setup + 1));
                assert!(keeper.is_unsaved() && keeper.correction_in_force().is_none());
                // Both at once: as told, not before.
                for (um, turn) in turned_um.iter_mut().zip(advice.screws()) {
                    *um += turn.raise_um;
                }
                rounds += 1;
                SurveyEvent::Pressed
            }
            _ => SurveyEvent::Pressed,
        };
        order = keeper.survey(event).unwrap();
    }
    assert_eq!((rounds, turned_um[0]), (1, 0));
    let grid = keeper.bank().grid(0).unwrap();
    assert_eq!((grid.setup, keeper.choice()), (1, Choice::Nearest { place: 0, off_c: 0 }));
    let node = |index: usize| grid.grid.nodes_um()[index];
    let corners_um = [node(0), node(2), node(6), node(8)];
    let apart_um = corners_um.iter().max().unwrap() - corners_um.iter().min().unwrap();
    assert!(apart_um <= 5, "corners level to a few micrometres: {corners_um:?}");
    assert!(node(4) - node(0) >= 290, "the bow is left for the grid");
}

/// Common practice, no source: any screw turned means measuring again.
#[test]
fn a_turned_screw_makes_every_grid_stale() {
    let mut keeper = keeper();
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    assert_eq!(keeper.setup(), Some(0));
    assert_eq!(keeper.screw_turned(), Order::Wait);
    assert_eq!(keeper.setup(), Some(1));
    assert!(keeper.correction_in_force().is_none());
    for bed_c in [20, 60, 100] {
        keeper.temperature(bed_c, 200, 9);
        assert_eq!(keeper.homed(), Choice::Stale);
        assert!(keeper.correction_in_force().is_none());
    }
    measure(&mut keeper, 60, |x_um, y_um| bow_um(x_um, y_um) + 20);
    keeper.temperature(60, 200, 9);
    assert_eq!(keeper.homed(), Choice::Nearest { place: 0, off_c: 0 }, "in place of the stale one");
}

#[test]
fn too_low_a_move_is_refused_with_and_without_a_grid() {
    let mut keeper = keeper_with(KeeperSettings { lowest_machine_z_um: -50, ..settings() });
    keeper.homed();
    let refused = |keeper: &TestKeeper, z_um| {
        matches!(keeper.line(&level_move(z_um)).map(drop), Err(KeeperError::Split(SplitError::BelowLowest { .. })))
    };
    assert!(refused(&keeper, -51) && !refused(&keeper, -50));
    // The switch would be in the way of this bed's corners: the survey may not go below either.
    measure(&mut keeper, 60, |x_um, y_um| bow_um(x_um, y_um) + 200);
    assert!(refused(&keeper, -100) && !refused(&keeper, 0));
}

#[test]
fn while_measuring_nothing_else_moves() {
    let mut keeper = keeper();
    keeper.homed();
    assert_eq!(keeper.survey(SurveyEvent::Arrived), Err(KeeperError::NoSurvey));
    assert_eq!(begin(&mut keeper), Ok(Order::Wait));
    assert_eq!(begin(&mut keeper), Err(KeeperError::SurveyUnderWay), "one at a time");
    assert_eq!(keeper.line(&level_move(200)).unwrap_err(), KeeperError::SurveyUnderWay);
    assert!(matches!(keeper.status().prompt, Some(Prompt::Heat { .. })));
    assert_eq!(keeper.survey(SurveyEvent::Abort), Ok(Order::Aborted));
    assert!(keeper.line(&level_move(200)).is_ok());
    assert!(!keeper.is_unsaved(), "an aborted survey leaves nothing");
}

#[test]
fn the_status_fits_the_display() {
    let mut keeper = keeper();
    let fits = |keeper: &TestKeeper| {
        let text = keeper.status().to_string();
        assert!(text.lines().count() <= 4 && text.lines().all(|line| line.chars().count() <= 20), "{text}");
    };
    fits(&keeper);
    keeper.homed();
    fits(&keeper);
    measure(&mut keeper, 100, bow_um);
    keeper.shift_by(-800).unwrap();
    fits(&keeper);
    let _ = keeper.screw_turned();
    fits(&keeper);
    assert_eq!(begin(&mut keeper), Ok(Order::Wait));
    fits(&keeper);
}

/// A bed that drifts away from its grid is said to, and what it prints on goes on.
#[test]
fn a_bed_that_left_the_window_of_its_grid_is_said_to() {
    let mut keeper = keeper();
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    for (bed_c, is_off) in [(60, false), (65, false), (66, true), (110, true), (55, false), (54, true)] {
        keeper.temperature(bed_c, 200, 9);
        assert_eq!(keeper.status().is_off_temperature, is_off, "{bed_c}");
        assert_eq!(keeper.status().to_string().contains("NOT 60"), is_off, "{}", keeper.status());
        assert!(keeper.correction_in_force().is_some());
    }
}

#[test]
fn settings_are_checked_when_they_are_given() {
    let refused = |settings| TestKeeper::new(settings).err();
    assert_eq!(refused(settings()), None);
    assert_eq!(refused(KeeperSettings { tolerance_um: 0, ..settings() }), Some(SettingsError::Tolerance));
    assert_eq!(refused(KeeperSettings { shift_step_um: 0, ..settings() }), Some(SettingsError::ShiftStep));
}

/// The lowest height of the machine holds for a survey too, and may leave it no way down.
#[test]
fn a_survey_that_could_not_be_kept_to_does_not_begin() {
    let mut keeper = keeper_with(KeeperSettings { lowest_machine_z_um: 2000, ..settings() });
    keeper.homed();
    assert!(matches!(begin(&mut keeper), Err(KeeperError::SurveySettings(_))));
    assert!(keeper.survey_under_way().is_none() && keeper.line(&level_move(2500)).is_ok());
}

/// A bed that is rough between the stations: the screen says so until it is another bed, or another grid.
#[test]
fn too_rough_a_bed_for_so_few_stations_is_shown() {
    let rough_um = |x_um: i32, y_um: i32| if (x_um / 45_000 + y_um / 40_000) % 3 == 0 { 200 } else { 0 };
    let with_middles = || SurveyPlan::new(STATIONS).unwrap().with_middles().unwrap();
    let measured = |bed_um: &dyn Fn(i32, i32) -> i32| {
        let mut keeper = Keeper::<25, 225, 3>::without_memory(settings()).unwrap();
        keeper.homed();
        measure_plan(&mut keeper, with_middles(), 60, bed_um);
        keeper
    };
    let mut keeper = measured(&rough_um);
    let agreement = keeper.agreement().unwrap();
    assert!(agreement.needs_more_stations());
    assert_eq!(keeper.status().agreement, Some(agreement));
    let line = format!("TOO FEW: {} um off", agreement.surface_rms_um);
    let text = keeper.status().to_string();
    assert_eq!(text.lines().nth(2), Some(&*line));
    assert!(text.lines().all(|line| line.len() <= 20), "{text}");
    // While another survey is under way, which has not read anything yet, and again after it was aborted.
    keeper.begin_survey(with_middles(), SurveySettings::default(), 5000).map(drop).unwrap();
    assert_eq!(keeper.agreement(), None);
    assert_eq!(keeper.survey(SurveyEvent::Abort), Ok(Order::Aborted));
    assert_eq!(keeper.agreement(), Some(agreement));
    assert!(keeper.shift_by(1).is_ok() && keeper.agreement() == Some(agreement), "the same readings");
    // A bed that is too cold for the grid is the more urgent thing to know.
    keeper.temperature(20, 200, 1);
    assert_eq!(keeper.status().to_string().lines().nth(2), Some("bed 20 C: NOT 60"));
    keeper.temperature(60, 200, 2);

    let other = keeper.bank().grid(0).unwrap().clone();
    let mut adopted = keeper.clone();
    assert_eq!(adopted.adopt(other), Ok(0));
    assert_eq!((adopted.agreement(), adopted.status().agreement), (None, None));
    let _ = keeper.screw_turned();
    assert_eq!((keeper.agreement(), keeper.status().agreement), (None, None));

    let keeper = measured(&bow_um);
    assert!(keeper.agreement().is_some_and(|agreement| !agreement.needs_more_stations()));
    assert_eq!(keeper.status().to_string().lines().nth(2), Some("bed 60 C, grid 60"));
}
