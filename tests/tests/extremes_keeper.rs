//! The keeper, its bank and its survey at the ends of every range; these tests are built with overflow checks.
//!
//! `GAPKEEPER_EXTREMES=100000 cargo test -p gapkeeper-tests --test extremes_keeper` asks for more rounds.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::hint::black_box;

use gapkeeper::{
    Bank, Choice, GridReturn, Keeper, KeeperSettings, Move, Order, StoredGrid, Surface, Survey, SurveyEvent,
    SurveyPlan, SurveySettings, TemperatureWindows, Tie,
};
use gapkeeper_tests::extremes::{Extremes, rounds};

/// Every error is shown to a person, so its text is made too.
fn say<T, E: std::fmt::Display>(result: Result<T, E>) -> Option<T> {
    result.map_err(|error| black_box(error.to_string())).ok()
}

/// What is remembered with a grid, each part as far out as its type allows, or sound.
fn stored(any: &mut Extremes) -> StoredGrid<9> {
    let is_sound = any.bool();
    StoredGrid {
        grid: any.grid(),
        shift_um: if is_sound { any.i16() % 8192 } else { any.i16() },
        fade: if is_sound { None } else { any.fade() },
        bed_temperature_c: if is_sound { any.i16() % 274 } else { any.i16() },
        setup: any.u32(),
        closure_um: if is_sound { 0 } else { any.i16() },
        closure_accepted: any.bool(),
        surface: if any.bool() { Surface::Bilinear } else { Surface::Refined },
        tie: Tie::new(any.u8() % 8, any.u8() % 128),
    }
}

fn choice(any: &mut Extremes) -> Choice {
    match any.u8() % 6 {
        0 => Choice::Nearest { place: any.usize(), off_c: any.u16() },
        1 => Choice::Blend { cooler: any.u8() as usize % 4, warmer: any.u8() as usize % 4, share_q16: any.u32() },
        2 => Choice::Blend { cooler: any.usize(), warmer: any.usize(), share_q16: any.u32() },
        3 => Choice::TooFar { nearest_c: any.i16() },
        4 => Choice::NoBlend { cooler_c: any.i16(), warmer_c: any.i16() },
        _ => Choice::Stale,
    }
}

#[test]
fn banks() {
    for seed in 0..10 * rounds() {
        let mut any = Extremes::new(seed);
        let mut bank = Bank::<3, 9>::default();
        let first = stored(&mut any);
        for place in 0..4 {
            // On one lattice and of one setup, or they never blend.
            let one = StoredGrid { grid: first.grid.clone(), setup: first.setup, ..stored(&mut any) };
            bank.set(place, any.bool().then_some(one));
        }
        bank.set(any.usize(), None);
        let windows = TemperatureWindows { nearest_c: any.u8(), blend_c: any.u8() };
        let bed_c = any.i16();
        black_box((bank.place_for(any.i16(), any.u32(), any.u8()), bank.grid(any.usize()).is_some()));
        for choice in [bank.choose(bed_c, first.setup, windows), bank.choose(any.i16(), any.u32(), windows)] {
            black_box(choice.to_string());
            say(bank.chosen(choice, bed_c));
        }
        let choice = choice(&mut any);
        black_box(choice.to_string());
        say(bank.chosen(choice, any.i16()));
    }
}

fn survey_settings(any: &mut Extremes) -> SurveySettings {
    let usual = SurveySettings::default();
    if any.bool() {
        return SurveySettings { soak_s: 0, temperature_window_c: u8::MAX, ..usual };
    }
    SurveySettings {
        bed_temperature_c: any.i16(),
        nozzle_temperature_c: any.i16(),
        temperature_window_c: any.u8(),
        soak_s: any.u16(),
        feeler_um: any.u16(),
        detent_um: any.u16(),
        coarse_um: any.u16(),
        start_um: if any.bool() { any.i32() % 8192 } else { any.i32() },
        clearance_um: any.u16(),
        lift_um: any.u16(),
        lowest_um: any.i32(),
        closure_limit_um: any.u16(),
        outlier_limit_um: any.u16(),
        headroom_um: any.u16(),
        corner_limit_um: any.u16(),
    }
}

/// Half of them after a corner round, of screws anywhere.
fn with_corners<const STATIONS: usize>(plan: SurveyPlan<STATIONS>, any: &mut Extremes) -> SurveyPlan<STATIONS> {
    let screws = [(any.i32(), any.i32()), (any.i32(), any.i32()), (any.i32(), any.i32()), (any.i32(), any.i32())];
    if any.bool() { plan.clone().with_corner_round(screws).unwrap_or(plan) } else { plan }
}

fn event(any: &mut Extremes, settings: &SurveySettings) -> SurveyEvent {
    match any.0.below(16) {
        0..=4 => SurveyEvent::Arrived,
        5..=7 => SurveyEvent::Turned { detents: any.i16() },
        8..=10 => SurveyEvent::Pressed,
        11 if any.0.below(4) == 0 => SurveyEvent::Back,
        11 if any.0.below(4) == 0 => SurveyEvent::Enough,
        12 if any.0.below(60) == 0 => SurveyEvent::Abort,
        13 if any.0.below(60) == 0 => SurveyEvent::LimitSwitch { is_tripped: any.bool() },
        14 if any.0.below(60) == 0 => SurveyEvent::ScrewTurned,
        15 if any.0.below(60) == 0 => {
            SurveyEvent::Temperature { bed_c: any.i16(), nozzle_c: any.i16(), at_s: any.u32() }
        }
        _ => SurveyEvent::Temperature {
            bed_c: settings.bed_temperature_c,
            nozzle_c: settings.nozzle_temperature_c,
            at_s: any.u32(),
        },
    }
}

#[test]
fn surveys() {
    let mut done = 0;
    for seed in 0..rounds() {
        let mut any = Extremes::new(seed);
        let settings = survey_settings(&mut any);
        let plan = SurveyPlan::<25>::new(any.sound_lattice(3)).unwrap();
        let plan = if any.bool() { plan.with_middles().unwrap_or(plan) } else { plan };
        let plan = with_corners(plan, &mut any);
        let Some(mut survey) = say(Survey::new(plan, settings, any.i32())) else { continue };
        for _ in 0..400 {
            let order = survey.handle(event(&mut any, &settings));
            black_box((survey.prompt().to_string(), survey.caution().map(|caution| caution.to_string())));
            black_box((
                survey.station(),
                survey.height_um(any.u8(), any.u8()),
                survey.agreement(),
                survey.corner_heights(),
                survey.order_due() == order,
            ));
            if order == Order::Done {
                done += 1;
                assert!(survey.result(any.u32()).is_some());
            }
        }
    }
    assert!(done > 0, "some of them must come to an end");
}

#[test]
fn keepers() {
    let mut surveys = 0;
    for seed in 0..rounds() {
        let mut any = Extremes::new(seed);
        let settings = KeeperSettings {
            grid_return: if any.bool() { GridReturn::AfterHoming } else { GridReturn::WhenAsked },
            windows: TemperatureWindows { nearest_c: any.u8(), blend_c: any.u8() },
            tolerance_um: if any.bool() { 2 } else { any.u16() },
            lowest_machine_z_um: if any.bool() { i32::MIN } else { any.i32() },
            shift_step_um: any.u16(),
            fade: any.fade(),
        };
        let Some(mut keeper) = say(Keeper::<9, 25, 3>::without_memory(settings)) else { continue };
        let survey = survey_settings(&mut any);
        for _ in 0..200 {
            match any.0.below(16) {
                0 => drop(black_box(keeper.homed())),
                1 if any.0.below(8) == 0 => keeper.lost_position(),
                2 => drop(say(keeper.put_stored_in_force())),
                3 if any.0.below(8) == 0 => keeper.release(),
                4 => keeper.temperature(any.i16(), any.i16(), any.u32()),
                5 | 6 => {
                    let motion: Move<1> = any.motion();
                    black_box(say(keeper.line(&motion)).map(Iterator::count));
                }
                7 => drop(black_box(keeper.logical(any.point()))),
                8 => {
                    let plan = with_corners(SurveyPlan::new(any.sound_lattice(3)).unwrap(), &mut any);
                    surveys += u32::from(say(keeper.begin_survey(plan, survey, any.i32())).is_some());
                }
                9 => drop(say(keeper.adopt(stored(&mut any)))),
                10 => drop(say(keeper.shift_by(any.i16()))),
                11 => drop(say(keeper.set_fade(any.fade()))),
                12 if any.0.below(8) == 0 => drop(black_box(keeper.screw_turned())),
                _ => drop(say(keeper.survey(event(&mut any, &survey)))),
            }
            black_box((
                keeper.status().to_string(),
                keeper.order_due() == Order::Wait,
                keeper.setup(),
                keeper.is_unsaved(),
            ));
        }
    }
    assert!(surveys > 0, "some of them must begin");
}
