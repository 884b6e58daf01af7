//! What the keeper promises whatever is called: each test is a way in which a promise was once broken.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod keeper_support;

use gapkeeper::{
    Choice, Fade, HeightGrid, KeeperError, Lattice, Order, Prompt, StoredGrid, SurveyEvent, SurveyPlan, SurveySettings,
};
use keeper_support::{STATIONS, TestKeeper, bow_um, keeper, level_move, measure};

/// At the first station, with the nozzle at the paper.
fn at_a_station(keeper: &mut TestKeeper) {
    let settings = SurveySettings { soak_s: 0, ..SurveySettings::default() };
    assert_eq!(keeper.begin_survey(SurveyPlan::new(STATIONS).unwrap(), settings, 5000), Ok(Order::Wait));
    keeper.temperature(20, 20, 0);
    let mut events = vec![SurveyEvent::Pressed];
    events.extend([SurveyEvent::Arrived; 3]);
    events.extend([SurveyEvent::Turned { detents: -150 }, SurveyEvent::Arrived]);
    for event in events {
        assert!(keeper.survey(event).is_ok());
    }
    assert!(matches!(keeper.status().prompt, Some(Prompt::SetGap { is_turned: true, .. })), "{:?}", keeper.status());
}

/// One detent once ordered a step straight down at the home corner.
#[test]
fn a_survey_ends_with_its_positions() {
    let ends: [fn(&mut TestKeeper); 2] = [TestKeeper::lost_position, |keeper| _ = keeper.homed()];
    for end in ends {
        let mut keeper = keeper();
        keeper.homed();
        at_a_station(&mut keeper);
        end(&mut keeper);
        assert!(keeper.survey_under_way().is_none());
        assert_eq!(keeper.survey(SurveyEvent::Turned { detents: -1 }), Err(KeeperError::NoSurvey));
        assert_eq!(keeper.order_due(), Order::Wait);
        keeper.homed();
        assert!(keeper.line(&level_move(200)).is_ok());
    }
}

/// Both ways of saying it begin a new setup, and neither moves anything.
#[test]
fn a_turned_screw_moves_nothing_and_counts_however_it_is_said() {
    let ways: [fn(&mut TestKeeper) -> Order; 2] =
        [TestKeeper::screw_turned, |keeper| keeper.survey(SurveyEvent::ScrewTurned).unwrap()];
    for way in ways {
        let mut keeper = keeper();
        keeper.homed();
        measure(&mut keeper, 60, bow_um);
        at_a_station(&mut keeper);
        let setup = keeper.setup().unwrap();
        assert_eq!(way(&mut keeper), Order::Wait);
        assert_eq!((keeper.setup(), keeper.choice()), (Some(setup + 1), Choice::Stale));
        assert!(matches!(keeper.survey(SurveyEvent::Abort), Ok(Order::Lift { .. })));
        assert_eq!(keeper.survey(SurveyEvent::Arrived), Ok(Order::Aborted));
        assert!(keeper.correction_in_force().is_none(), "what was in force before is stale");
        // Without a survey too.
        assert_eq!(way(&mut keeper), Order::Wait);
        assert_eq!(keeper.setup(), Some(setup + 2));
    }
}

/// A temperature after the abort's lift once left a survey that nothing could end.
#[test]
fn after_an_abort_moves_are_taken_with_the_grid_that_was_in_force() {
    let mut keeper = keeper();
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    let correction = keeper.correction_in_force().cloned();
    at_a_station(&mut keeper);
    assert!(matches!(keeper.survey(SurveyEvent::Abort), Ok(Order::Lift { .. })));
    keeper.temperature(20, 20, 9);
    assert!(matches!(keeper.order_due(), Order::Lift { .. }), "dropped orders can be asked for again");
    assert_eq!(keeper.survey(SurveyEvent::Arrived), Ok(Order::Aborted));
    keeper.temperature(60, 200, 10);
    assert!(keeper.line(&level_move(200)).unwrap().count() > 1);
    assert_eq!(keeper.correction_in_force().cloned(), correction);
    assert_eq!(keeper.status().choice, Choice::Nearest { place: 0, off_c: 0 });
}

#[test]
fn what_is_refused_changes_nothing() {
    let mut keeper = keeper();
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    let good = keeper.bank().grid(0).unwrap().clone();
    let before = keeper.clone();
    // A shift beyond the range, a fade too short, a temperature and a closure that cannot be stored.
    let steep = HeightGrid::new(STATIONS, &[-4000, 4000, -4000, 4000, -4000, 4000, -4000, 4000, -4000]).unwrap();
    let refused = [
        StoredGrid { shift_um: 9000, ..good.clone() },
        StoredGrid { grid: steep, fade: Some(Fade::new(0, 4000).unwrap()), ..good.clone() },
        StoredGrid { bed_temperature_c: i16::MIN, ..good.clone() },
        StoredGrid { closure_um: i16::MIN, ..good.clone() },
    ];
    for grid in refused {
        assert!(matches!(keeper.adopt(grid), Err(KeeperError::Unusable(_) | KeeperError::Record(_))));
    }
    assert!(keeper.shift_by(i16::MAX).is_err());
    let narrow = Lattice { columns: 2, rows: 2, ..STATIONS };
    let wrong = SurveySettings { detent_um: 0, ..SurveySettings::default() };
    assert!(keeper.begin_survey(SurveyPlan::new(narrow).unwrap(), wrong, 0).is_err());
    assert_eq!(keeper, before);
    // During a survey: nothing but the survey.
    at_a_station(&mut keeper);
    let before = keeper.clone();
    assert_eq!(keeper.adopt(good), Err(KeeperError::SurveyUnderWay));
    assert_eq!(keeper.shift_by(1), Err(KeeperError::SurveyUnderWay));
    assert_eq!(keeper.put_stored_in_force(), Err(KeeperError::SurveyUnderWay));
    assert_eq!(keeper.set_fade(None), Err(KeeperError::SurveyUnderWay));
    assert!(keeper.line(&level_move(200)).is_err());
    assert_eq!(keeper, before);
}

/// Two grids whose shifts lie as far apart as 16 bits can; homing between their temperatures once overflowed.
#[test]
fn any_two_shifts_are_blended_without_overflow() {
    let mut bank = gapkeeper::Bank::<2, 9>::default();
    let mut keeper = keeper();
    keeper.homed();
    measure(&mut keeper, 60, bow_um);
    let grid = keeper.bank().grid(0).unwrap().clone();
    bank.set(0, Some(StoredGrid { shift_um: i16::MIN, bed_temperature_c: 60, ..grid.clone() }));
    bank.set(1, Some(StoredGrid { shift_um: i16::MAX, bed_temperature_c: 100, ..grid }));
    let choice = bank.choose(80, 0, Default::default());
    assert!(matches!(choice, Choice::Blend { .. }));
    assert_eq!(bank.chosen(choice, 80).unwrap().unwrap().shift_um, 0);
}

/// What the switch says before a survey holds in it.
#[test]
fn a_switch_that_was_tripped_before_is_tripped_in_the_survey() {
    let mut keeper = keeper();
    keeper.homed();
    assert_eq!(keeper.survey(SurveyEvent::LimitSwitch { is_tripped: true }), Ok(Order::Wait));
    let settings = SurveySettings { soak_s: 0, ..SurveySettings::default() };
    assert_eq!(keeper.begin_survey(SurveyPlan::new(STATIONS).unwrap(), settings, 5000), Ok(Order::Wait));
    keeper.temperature(20, 20, 0);
    assert_eq!(keeper.survey(SurveyEvent::Pressed), Ok(Order::Wait));
    assert_eq!(keeper.status().prompt, Some(Prompt::SwitchTripped { press_lifts: false }));
    assert_eq!(keeper.survey(SurveyEvent::LimitSwitch { is_tripped: false }), Ok(Order::Wait));
    assert!(matches!(keeper.survey(SurveyEvent::Pressed), Ok(Order::Lift { .. })));
}
