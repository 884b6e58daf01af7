//! Which grid is in force and why, and what a status says of it; a survey that ends leaves what was before.

#[macro_use]
mod session;

use gapkeeper_c_api::*;
use session::{HEIGHTS_UM, LATTICE, MOTION, Session, grid, plain, settings, zeroed};

/// Every detent is a fine one.
fn survey_settings() -> GapkeeperSurveySettings {
    let mut survey = zeroed();
    assert_eq!(call!(gapkeeper_survey_settings_default(&raw mut survey)), GapkeeperResult::Ok);
    GapkeeperSurveySettings { coarse_um: 0, ..survey }
}

fn tell(s: &mut Session, at_s: u32, bed_c: i16, nozzle_c: i16) -> GapkeeperOrder {
    let mut order = zeroed();
    let temperature = GapkeeperTemperature { at_s, bed_c, nozzle_c };
    assert_eq!(call!(gapkeeper_temperature(&raw mut s.keeper, &temperature, &raw mut order)), GapkeeperResult::Ok);
    order
}

fn begin(s: &mut Session) {
    let survey = survey_settings();
    let begun = call!(gapkeeper_survey_begin(&raw mut s.keeper, &LATTICE, &survey, 500, &mut zeroed()));
    assert_eq!(begun, GapkeeperResult::Ok);
}

/// A survey of a cold bed, with the nozzle at the first station.
fn begin_and_arrive(s: &mut Session) {
    begin(s);
    for at_s in [0, 300] {
        tell(s, at_s, 20, 20);
    }
    let kinds = [GapkeeperEventKind::Pressed, GapkeeperEventKind::Arrived, GapkeeperEventKind::Arrived];
    let orders = [GapkeeperOrderKind::Lift, GapkeeperOrderKind::Travel, GapkeeperOrderKind::Approach];
    for (event, order) in kinds.into_iter().zip(orders) {
        assert_eq!(s.event(plain(event)).expect("a survey").kind, order as u8);
    }
    assert_eq!(s.event(plain(GapkeeperEventKind::Arrived)).expect("a survey").kind, 0);
}

#[test]
fn a_survey_can_be_ended_and_its_lattice_is_checked() {
    let mut s = Session::begun();
    let before = s.pieces_of(&MOTION);
    let keeper = &raw mut s.keeper;
    let (mut order, survey) = (zeroed(), survey_settings());
    assert_eq!(s.event(plain(GapkeeperEventKind::Abort)), Err(GapkeeperResult::NoSurvey));
    let six_by_five = GapkeeperLattice { columns: 6, rows: 5, ..LATTICE };
    let begun = call!(gapkeeper_survey_begin(keeper, &six_by_five, &survey, 5000, &raw mut order));
    assert_eq!(begun, GapkeeperResult::Grid);
    assert_eq!(s.text_of(begun), "30 nodes where 25 fit: use fewer columns or rows");
    let still = GapkeeperSurveySettings { detent_um: 0, ..survey };
    let begun = call!(gapkeeper_survey_begin(keeper, &LATTICE, &still, 5000, &raw mut order));
    assert_eq!(begun, GapkeeperResult::SurveySettings);
    assert_eq!(s.text_of(begun), "a detent of 0 um moves nothing: set 1 um or more");
    begin(&mut s);
    assert_eq!(s.status().surveying, 1);
    assert_eq!(s.pieces_of(&MOTION), Err(GapkeeperResult::SurveyUnderWay));
    assert!(s.screen().starts_with("Warming up\nbed to 20 C"), "{}", s.screen());
    let order = s.event(plain(GapkeeperEventKind::Abort)).expect("a survey");
    assert_eq!((order.kind, s.status().surveying), (GapkeeperOrderKind::Aborted as u8, 0));
    // The grid that was in force is in force again.
    assert_eq!(s.pieces_of(&MOTION), before);
}

/// Wherever a survey is ended: the temperature that comes in next blocks nothing.
#[test]
fn after_an_abort_and_a_temperature_moves_are_taken() {
    for arrives in [false, true] {
        let mut s = Session::begun();
        let before = s.pieces_of(&MOTION);
        begin_and_arrive(&mut s);
        let lift = s.event(plain(GapkeeperEventKind::Abort)).expect("a survey");
        assert_eq!(lift.kind, GapkeeperOrderKind::Lift as u8);
        assert_eq!(tell(&mut s, 301, 20, 20).kind, GapkeeperOrderKind::Wait as u8);
        // It really has arrived, or a second abort does without.
        let last = if arrives { GapkeeperEventKind::Arrived } else { GapkeeperEventKind::Abort };
        assert_eq!(s.event(plain(last)).expect("a survey").kind, GapkeeperOrderKind::Aborted as u8);
        assert_eq!(tell(&mut s, 302, 20, 20).kind, GapkeeperOrderKind::Wait as u8);
        assert_eq!(s.pieces_of(&MOTION), before);
    }
}

/// Homing and lost positions end a survey; nothing is ordered from then on.
#[test]
fn homing_ends_a_survey() {
    let turned = GapkeeperEvent { detents: -1, ..plain(GapkeeperEventKind::Turned) };
    for lost in [false, true] {
        let mut s = Session::begun();
        begin_and_arrive(&mut s);
        let keeper = &raw mut s.keeper;
        if lost {
            assert_eq!(call!(gapkeeper_lost_position(keeper)), GapkeeperResult::Ok);
        } else {
            assert_eq!(call!(gapkeeper_homed(keeper, &mut zeroed())), GapkeeperResult::Ok);
        }
        assert_eq!(s.event(turned), Err(GapkeeperResult::NoSurvey));
        let mut order = GapkeeperOrder { kind: 99, ..zeroed() };
        assert_eq!(call!(gapkeeper_order_due(keeper, &raw mut order)), GapkeeperResult::Ok);
        assert_eq!(order, zeroed());
    }
}

#[test]
fn the_order_that_is_due_can_be_asked_for_again() {
    let mut s = Session::begun();
    begin_and_arrive(&mut s);
    let turned = GapkeeperEvent { detents: -3, ..plain(GapkeeperEventKind::Turned) };
    let step = s.event(turned).expect("a survey");
    let due = |s: &Session| {
        let mut order = zeroed();
        assert_eq!(call!(gapkeeper_order_due(&raw const s.keeper, &raw mut order)), GapkeeperResult::Ok);
        order
    };
    assert_eq!((step.kind, due(&s)), (GapkeeperOrderKind::Step as u8, step));
    assert_eq!(s.event(plain(GapkeeperEventKind::Arrived)).map(|order| order.kind), Ok(0));
    assert_eq!(due(&s), zeroed());
}

/// Neither a screw nor a bed that cools moves anything: the axes are stopped, and the prompt says why.
#[test]
fn hands_and_temperatures_only_stop() {
    let mut s = Session::begun();
    begin_and_arrive(&mut s);
    let turned = GapkeeperEvent { detents: -3, ..plain(GapkeeperEventKind::Turned) };
    s.event(turned).expect("a survey");
    let mut order = zeroed();
    assert_eq!(call!(gapkeeper_screw_turned(&raw mut s.keeper, &raw mut order)), GapkeeperResult::Ok);
    assert_eq!(order.kind, GapkeeperOrderKind::Stop as u8);
    assert!(s.screen().starts_with("Screw turned: void"), "{}", s.screen());
    let mut s = Session::begun();
    begin_and_arrive(&mut s);
    s.event(turned).expect("a survey");
    assert_eq!(tell(&mut s, 301, 30, 20).kind, GapkeeperOrderKind::Stop as u8);
    assert!(s.screen().starts_with("Void: bed 30 C"), "{}", s.screen());
}

/// The switch is a level that is known before a survey begins, and telling it leaves moves alone.
#[test]
fn a_tripped_switch_is_known_to_the_survey_that_begins_later() {
    let mut s = Session::begun();
    assert!(s.next_piece().is_ok());
    let switch = |is_tripped| GapkeeperEvent { is_tripped, ..plain(GapkeeperEventKind::LimitSwitch) };
    for is_tripped in [1, 0, 1] {
        assert_eq!(s.event(switch(is_tripped)), Ok(zeroed()));
        assert!(s.next_piece().is_ok());
    }
    begin(&mut s);
    assert_eq!(s.screen(), "Limit switch tripped\ncheck it, its wire");
    assert_eq!(s.event(switch(0)), Ok(zeroed()));
    assert!(s.screen().starts_with("Warming up"), "{}", s.screen());
}

/// What is hot stands on the fourth line, and in numbers.
#[test]
fn what_is_hot_is_said_while_hands_are_asked_for() {
    let mut s = Session::begun();
    assert_eq!(s.status().caution, zeroed());
    begin(&mut s);
    assert_eq!(s.status().caution, zeroed());
    tell(&mut s, 0, 60, 150);
    let hot = GapkeeperCaution { bed_c: 60, nozzle_c: 150, is_hot: 1, can_wear_gloves: 0 };
    let mut prompt: GapkeeperPrompt = zeroed();
    assert_eq!(call!(gapkeeper_prompt(&raw const s.keeper, &raw mut prompt)), GapkeeperResult::Ok);
    assert_eq!((s.status().caution, prompt.caution), (hot, hot));
    assert_eq!(s.screen(), "Warming up\nbed to 20 C\nnozzle to 20 C\nHOT bed 60 tip 150");
    let said = session::text(|text, size| call!(gapkeeper_prompt_text(&raw const s.keeper, text, size)));
    assert_eq!(said, s.screen());
}

/// A grid that would be right and cannot be used: the choice says why, at length what to do, and another fade helps.
#[test]
fn an_unusable_grid_says_why_and_another_fade_helps() {
    let short = GapkeeperFade { full_below_um: 0, zero_above_um: 100 };
    let mut s = Session::homed(&GapkeeperSettings { fade: short, ..settings() });
    // What the readings of this survey lead to fades over less than it is high.
    begin_and_arrive(&mut s);
    let done = GapkeeperOrder { kind: GapkeeperOrderKind::Done as u8, ..zeroed() };
    let (mut order, mut z_um, mut asked) = (GapkeeperOrder::default(), 2000, 0);
    while order != done {
        let mut prompt: GapkeeperPrompt = zeroed();
        assert_eq!(call!(gapkeeper_prompt(&raw const s.keeper, &raw mut prompt)), GapkeeperResult::Ok);
        let sets_gap = [GapkeeperPromptKind::SetGap as u8, GapkeeperPromptKind::LookAgain as u8].contains(&prompt.kind);
        let event = if order.kind != 0 {
            z_um = if order.z_um == 0 { z_um } else { order.z_um };
            plain(GapkeeperEventKind::Arrived)
        } else if sets_gap && prompt.is_turned == 0 {
            // The bed is 0.4 mm higher at the middle station, which is looked at again. One detent is 0.01 mm.
            let is_middle = prompt.visit == 5 || prompt.kind == GapkeeperPromptKind::LookAgain as u8;
            let gap_um = if is_middle { 500 } else { 100 };
            let detents = ((gap_um - z_um) / 10) as i16;
            GapkeeperEvent { detents, ..plain(GapkeeperEventKind::Turned) }
        } else {
            plain(GapkeeperEventKind::Pressed)
        };
        order = s.event(event).expect("a survey");
        asked += 1;
        assert!(asked < 100, "{}", s.screen());
    }
    let status = s.status();
    let fade = GapkeeperWhy::Fade as u8;
    assert_eq!((status.choice.kind, status.choice.why), (GapkeeperChoiceKind::Unusable as u8, fade));
    assert_eq!((status.in_force, status.unsaved), (0, 1));
    assert!(s.screen().contains("\ngrid 1: fade short\n"), "{}", s.screen());
    let said = s.choice_text();
    assert!(said.starts_with("grid 1: the shape reaches ") && said.contains("fades over 100 um"), "{said}");
    let keeper = &raw mut s.keeper;
    let shorter = GapkeeperFade { zero_above_um: 110, ..short };
    assert_eq!(call!(gapkeeper_set_fade(keeper, &shorter)), GapkeeperResult::Unusable);
    assert_eq!(call!(gapkeeper_set_fade(keeper, &GapkeeperFade { zero_above_um: 50, ..short })), GapkeeperResult::Fade);
    let long = GapkeeperFade { zero_above_um: 10_000, ..short };
    assert_eq!(call!(gapkeeper_set_fade(keeper, &long)), GapkeeperResult::Ok);
    assert_eq!((s.status().in_force, s.choice_text().as_str()), (1, "grid 1"));
    let none = call!(gapkeeper_set_fade(&raw mut Session::homed(&settings()).keeper, &long));
    assert_eq!(none, GapkeeperResult::NoGrid);
}

#[test]
fn a_bed_that_leaves_the_grids_window_is_said() {
    let mut s = Session::begun();
    for (bed_c, is_off) in [(60, 0), (65, 0), (66, 1), (20, 1)] {
        tell(&mut s, 0, bed_c, 150);
        assert_eq!((s.status().bed_c, s.status().is_off_temperature, s.status().in_force), (bed_c, is_off, 1));
    }
    assert!(s.screen().contains("bed 20 C: NOT 60"), "{}", s.screen());
    // Also once the keeper has been told.
    assert_eq!(call!(gapkeeper_shift_by(&raw mut s.keeper, 1, &mut 0)), GapkeeperResult::Ok);
    assert_eq!(s.status().is_off_temperature, 1);
}

#[test]
fn on_request_the_job_asks() {
    let settings = GapkeeperSettings { grid_return: GapkeeperGridReturn::WhenAsked as u8, ..settings() };
    let mut s = Session::homed(&settings);
    let keeper = &raw mut s.keeper;
    assert_eq!(call!(gapkeeper_set_grid(keeper, &grid(), HEIGHTS_UM.as_ptr(), 9)), GapkeeperResult::Ok);
    let warm = GapkeeperTemperature { at_s: 0, bed_c: 58, nozzle_c: 150 };
    let mut choice = zeroed();
    assert_eq!(call!(gapkeeper_temperature(keeper, &warm, &mut zeroed())), GapkeeperResult::Ok);
    assert_eq!(call!(gapkeeper_lost_position(keeper)), GapkeeperResult::Ok);
    assert_eq!(call!(gapkeeper_put_stored_in_force(keeper, &raw mut choice)), GapkeeperResult::NotHomed);
    assert_eq!(call!(gapkeeper_homed(keeper, &raw mut choice)), GapkeeperResult::Ok);
    assert_eq!(s.status().in_force, 0);
    assert_eq!(call!(gapkeeper_put_stored_in_force(keeper, &raw mut choice)), GapkeeperResult::Ok);
    assert_eq!((choice.kind, choice.off_c, s.status().in_force), (GapkeeperChoiceKind::Nearest as u8, 2, 1));
}

/// Two grids on either side of the bed's temperature are blended, and the choice says how.
#[test]
fn a_choice_says_all_that_the_core_says() {
    let mut s = Session::begun();
    let keeper = &raw mut s.keeper;
    let warmer = GapkeeperGrid { bed_temperature_c: 100, ..grid() };
    assert_eq!(call!(gapkeeper_set_grid(keeper, &warmer, HEIGHTS_UM.as_ptr(), 9)), GapkeeperResult::Ok);
    let choice_at = |bed_c| {
        let mut choice = zeroed();
        let temperature = GapkeeperTemperature { at_s: 0, bed_c, nozzle_c: 150 };
        assert_eq!(call!(gapkeeper_temperature(keeper, &temperature, &mut zeroed())), GapkeeperResult::Ok);
        assert_eq!(call!(gapkeeper_homed(keeper, &raw mut choice)), GapkeeperResult::Ok);
        choice
    };
    let none: GapkeeperChoice = zeroed();
    let blend = GapkeeperChoiceKind::Blend as u8;
    assert_eq!(choice_at(70), GapkeeperChoice { kind: blend, warmer_place: 1, share_q16: 16_384, ..none });
    let near = GapkeeperChoiceKind::Nearest as u8;
    assert_eq!(choice_at(98), GapkeeperChoice { kind: near, place: 1, off_c: 2, ..none });
    let far = GapkeeperChoiceKind::TooFar as u8;
    assert_eq!(choice_at(20), GapkeeperChoice { kind: far, cooler_c: 60, ..none });
}
