//! Null pointers, wrong sizes, pointers not aligned, garbage: every function refuses what it can see.

#[macro_use]
mod session;

use std::cell::Cell;

use gapkeeper_c_api::*;
use session::{HEIGHTS_UM, LATTICE, MOTION, Session, arc, grid, plain, settings, text, zeroed};

/// Makes one of a call's pointers a bad one.
struct Faults {
    /// Which of the pointers, in the order of the arguments.
    at: usize,
    /// Null, else not aligned.
    null: bool,
    seen: Cell<usize>,
    applied: Cell<bool>,
}

impl Faults {
    fn pointer<T>(&self, value: &mut T) -> *mut T {
        let index = self.seen.replace(self.seen.get() + 1);
        let pointer: *mut T = value;
        if index != self.at || (!self.null && align_of::<T>() == 1) {
            return pointer;
        }
        self.applied.set(true);
        if self.null { core::ptr::null_mut() } else { pointer.wrapping_byte_add(1) }
    }
}

/// Spoils each pointer of a call in turn, in a session of its own; without a fault the call must be in order.
fn spoil(name: &str, pointers: usize, call: impl Fn(&Faults, &mut Session) -> GapkeeperResult) {
    let mut refused = 0;
    for null in [true, false] {
        for at in 0..=pointers {
            let faults = Faults { at, null, seen: Cell::new(0), applied: Cell::new(false) };
            let result = call(&faults, &mut Session::begun());
            assert_eq!(faults.seen.get(), pointers, "{name}");
            let expected = match (faults.applied.get(), null) {
                (false, _) => GapkeeperResult::Ok,
                (true, true) => GapkeeperResult::NullPointer,
                (true, false) => GapkeeperResult::Misaligned,
            };
            assert_eq!(result, expected, "{name}, pointer {at}, null: {null}");
            refused += usize::from(faults.applied.get());
        }
    }
    assert!(refused >= pointers, "{name}");
}

#[test]
fn bad_pointers_are_refused_by_keeper_functions() {
    spoil("settings_default", 1, |f, _| call!(gapkeeper_settings_default(f.pointer(&mut zeroed()))));
    spoil("init", 2, |f, s| {
        call!(gapkeeper_init(f.pointer(&mut s.keeper), GAPKEEPER_KEEPER_SIZE, f.pointer(&mut settings())))
    });
    spoil("init_without_memory", 2, |f, s| {
        let keeper = f.pointer(&mut s.keeper);
        call!(gapkeeper_init_without_memory(keeper, GAPKEEPER_KEEPER_SIZE, f.pointer(&mut settings())))
    });
    spoil("homed", 2, |f, s| call!(gapkeeper_homed(f.pointer(&mut s.keeper), f.pointer(&mut zeroed()))));
    spoil("lost_position", 1, |f, s| call!(gapkeeper_lost_position(f.pointer(&mut s.keeper))));
    spoil("put in force", 2, |f, s| {
        call!(gapkeeper_put_stored_in_force(f.pointer(&mut s.keeper), f.pointer(&mut zeroed())))
    });
    spoil("release", 1, |f, s| call!(gapkeeper_release(f.pointer(&mut s.keeper))));
    spoil("temperature", 3, |f, s| {
        call!(gapkeeper_temperature(f.pointer(&mut s.keeper), f.pointer(&mut zeroed()), f.pointer(&mut zeroed())))
    });
    spoil("set_grid", 3, |f, s| {
        let mut heights_um = HEIGHTS_UM;
        let heights_um = f.pointer(&mut heights_um[0]);
        // The order of the arguments is another one than that of the pointers here, which does not matter.
        call!(gapkeeper_set_grid(f.pointer(&mut s.keeper), f.pointer(&mut grid()), heights_um, 9))
    });
    spoil("grid", 3, |f, s| {
        let mut heights_um = [0; 9];
        call!(gapkeeper_grid(
            f.pointer(&mut s.keeper),
            0,
            f.pointer(&mut zeroed()),
            f.pointer(&mut heights_um).cast(),
            9
        ))
    });
    spoil("shift_by", 2, |f, s| call!(gapkeeper_shift_by(f.pointer(&mut s.keeper), 1, f.pointer(&mut 0))));
    spoil("set_fade", 2, |f, s| call!(gapkeeper_set_fade(f.pointer(&mut s.keeper), f.pointer(&mut zeroed()))));
    spoil("screw_turned", 2, |f, s| call!(gapkeeper_screw_turned(f.pointer(&mut s.keeper), f.pointer(&mut zeroed()))));
    spoil("status", 2, |f, s| call!(gapkeeper_status(f.pointer(&mut s.keeper), f.pointer(&mut zeroed()))));
    spoil("status_text", 2, |f, s| {
        call!(gapkeeper_status_text(f.pointer(&mut s.keeper), f.pointer(&mut [0_i8; 84]).cast(), 84))
    });
    spoil("choice_text", 2, |f, s| {
        call!(gapkeeper_choice_text(f.pointer(&mut s.keeper), f.pointer(&mut [0_i8; 84]).cast(), 84))
    });
}

/// At three corners of the stations.
fn screws() -> GapkeeperScrews {
    let mut screws = GapkeeperScrews { count: 3, ..zeroed() };
    for (place, (x_um, y_um)) in screws.screws.iter_mut().zip([(20_000, 20_000), (200_000, 20_000), (110_000, 180_000)])
    {
        *place = GapkeeperScrew { x_um, y_um, thread_um_per_turn: 700 };
    }
    screws
}

/// A corner round that has found the corners too far apart.
fn turning_screws(s: &mut Session) {
    let settings = GapkeeperSurveySettings { soak_s: 0, coarse_um: 0, ..survey_settings() };
    let keeper = &raw mut s.keeper;
    let begun = call!(gapkeeper_corner_round_begin(keeper, &LATTICE, &settings, &screws(), 5000, &mut zeroed()));
    assert_eq!(begun, GapkeeperResult::Ok);
    let warm = GapkeeperTemperature { at_s: 0, bed_c: 20, nozzle_c: 20 };
    assert_eq!(call!(gapkeeper_temperature(keeper, &warm, &mut zeroed())), GapkeeperResult::Ok);
    let arrived = [plain(GapkeeperEventKind::Arrived); 3];
    let mut events = vec![plain(GapkeeperEventKind::Pressed)];
    events.extend(arrived);
    for detents in [-190, -160, -175] {
        let turned = GapkeeperEvent { detents, ..plain(GapkeeperEventKind::Turned) };
        events.extend([turned, arrived[0], plain(GapkeeperEventKind::Pressed)]);
        events.extend(arrived);
    }
    for event in events {
        assert!(s.event(event).is_ok());
    }
    let mut prompt: GapkeeperPrompt = zeroed();
    assert_eq!(call!(gapkeeper_prompt(keeper, &raw mut prompt)), GapkeeperResult::Ok);
    assert_eq!((prompt.kind, prompt.apart_um), (GapkeeperPromptKind::TurnScrews as u8, 300));
}

#[test]
fn screws_that_cannot_be_are_refused() {
    let (sound, keeper_of) = (screws(), |s: &mut Session| &raw mut s.keeper);
    let mut in_line = sound;
    in_line.screws[2].y_um = 20_000;
    let mut fine = sound;
    fine.screws[1].thread_um_per_turn = 99;
    let cases = [
        (GapkeeperScrews { count: 9, ..sound }, GapkeeperResult::WrongSize, GapkeeperResult::WrongSize),
        (GapkeeperScrews { count: 2, ..sound }, GapkeeperResult::Screws, GapkeeperResult::Screws),
        (in_line, GapkeeperResult::Screws, GapkeeperResult::Screws),
        (fine, GapkeeperResult::Ok, GapkeeperResult::Screws),
        (GapkeeperScrews { hold: 4, ..sound }, GapkeeperResult::Ok, GapkeeperResult::UnknownKind),
        (
            GapkeeperScrews { hold: GapkeeperHold::Screw as u8, held: 3, ..sound },
            GapkeeperResult::Ok,
            GapkeeperResult::Screws,
        ),
        (
            GapkeeperScrews { hold: GapkeeperHold::Height as u8, is_rigid: 1, ..sound },
            GapkeeperResult::Ok,
            GapkeeperResult::Ok,
        ),
        (GapkeeperScrews { hold: GapkeeperHold::Lowest as u8, ..sound }, GapkeeperResult::Ok, GapkeeperResult::Ok),
    ];
    for (screws, begun, advised) in cases {
        let mut s = Session::begun();
        let keeper = keeper_of(&mut s);
        let (settings, order) = (survey_settings(), &mut zeroed());
        let result = call!(gapkeeper_corner_round_begin(keeper, &LATTICE, &settings, &screws, 5000, order));
        assert_eq!(result, begun, "{screws:?}");
        assert_eq!(s.status().surveying, u8::from(begun == GapkeeperResult::Ok), "{screws:?}");
        let mut s = Session::begun();
        turning_screws(&mut s);
        let advice = &mut zeroed();
        assert_eq!(call!(gapkeeper_screw_advice(keeper_of(&mut s), &screws, advice)), advised, "{screws:?}");
        if advised == GapkeeperResult::Screws {
            assert!(s.text_of(advised).len() > 20, "{}", s.text_of(advised));
        }
    }
    let mut s = Session::begun();
    assert_eq!(
        call!(gapkeeper_screw_advice(keeper_of(&mut s), &sound, &mut zeroed())),
        GapkeeperResult::NoSurvey,
        "nobody asks for screws"
    );
    let mut text = [0; 84];
    for (count, screw) in [(3, 3), (3, 255), (9, 0), (255, 0), (0, 0)] {
        let advice = GapkeeperScrewAdvice { count, ..zeroed() };
        let said = call!(gapkeeper_screw_advice_text(&advice, screw, text.as_mut_ptr(), 84));
        assert_eq!(said, GapkeeperResult::WrongSize, "{count}, {screw}");
    }
}

fn survey_settings() -> GapkeeperSurveySettings {
    let mut settings = zeroed();
    assert_eq!(call!(gapkeeper_survey_settings_default(&raw mut settings)), GapkeeperResult::Ok);
    settings
}

#[test]
fn bad_pointers_are_refused_by_motion_and_survey_functions() {
    spoil("line_begin", 3, |f, s| {
        let (pieces, keeper) = (f.pointer(&mut s.pieces), f.pointer(&mut s.keeper));
        call!(gapkeeper_line_begin(pieces, GAPKEEPER_PIECES_SIZE, keeper, f.pointer(&mut { MOTION })))
    });
    spoil("piece_next", 3, |f, s| {
        let (pieces, keeper) = (f.pointer(&mut s.pieces), f.pointer(&mut s.keeper));
        call!(gapkeeper_piece_next(pieces, keeper, f.pointer(&mut zeroed())))
    });
    spoil("piece_next_scaled", 4, |f, s| {
        let (pieces, keeper) = (f.pointer(&mut s.pieces), f.pointer(&mut s.keeper));
        call!(gapkeeper_piece_next_scaled(pieces, keeper, f.pointer(&mut zeroed()), f.pointer(&mut zeroed())))
    });
    spoil("arc_begin", 3, |f, s| {
        let (chords, keeper) = (f.pointer(&mut s.chords), f.pointer(&mut s.keeper));
        call!(gapkeeper_arc_begin(chords, GAPKEEPER_CHORDS_SIZE, keeper, f.pointer(&mut arc())))
    });
    spoil("chord_next", 2, |f, s| call!(gapkeeper_chord_next(f.pointer(&mut s.chords), f.pointer(&mut zeroed()))));
    spoil("logical", 3, |f, s| {
        call!(gapkeeper_logical(f.pointer(&mut s.keeper), f.pointer(&mut zeroed()), f.pointer(&mut zeroed())))
    });
    spoil("survey_settings_default", 1, |f, _| call!(gapkeeper_survey_settings_default(f.pointer(&mut zeroed()))));
    spoil("survey_begin", 4, |f, s| {
        let (keeper, mut stations) = (f.pointer(&mut s.keeper), LATTICE);
        let mut settings = survey_settings();
        let (stations, settings) = (f.pointer(&mut stations), f.pointer(&mut settings));
        call!(gapkeeper_survey_begin(keeper, stations, settings, 5000, f.pointer(&mut zeroed())))
    });
    let surveying = |s: &mut Session| {
        let begun = call!(gapkeeper_survey_begin(&raw mut s.keeper, &LATTICE, &survey_settings(), 5000, &mut zeroed()));
        assert_eq!(begun, GapkeeperResult::Ok);
    };
    spoil("survey_event", 3, |f, s| {
        surveying(s);
        call!(gapkeeper_survey_event(f.pointer(&mut s.keeper), f.pointer(&mut zeroed()), f.pointer(&mut zeroed())))
    });
    spoil("agreement", 2, |f, s| call!(gapkeeper_agreement(f.pointer(&mut s.keeper), f.pointer(&mut zeroed()))));
    spoil("order_due", 2, |f, s| call!(gapkeeper_order_due(f.pointer(&mut s.keeper), f.pointer(&mut zeroed()))));
    spoil("corner_round_begin", 5, |f, s| {
        let (mut stations, mut settings, mut screws) = (LATTICE, survey_settings(), screws());
        let (keeper, stations, settings) =
            (f.pointer(&mut s.keeper), f.pointer(&mut stations), f.pointer(&mut settings));
        let (screws, order) = (f.pointer(&mut screws), &mut zeroed());
        call!(gapkeeper_corner_round_begin(keeper, stations, settings, screws, 5000, f.pointer(order)))
    });
    spoil("tie_begin", 4, |f, s| {
        let (mut settings, mut screws) =
            (GapkeeperSurveySettings { bed_temperature_c: 60, ..survey_settings() }, screws());
        let (keeper, settings) = (f.pointer(&mut s.keeper), f.pointer(&mut settings));
        let (screws, order) = (f.pointer(&mut screws), &mut zeroed());
        call!(gapkeeper_tie_begin(keeper, settings, screws, 5000, f.pointer(order)))
    });
    spoil("screw_advice", 3, |f, s| {
        turning_screws(s);
        let (keeper, mut screws) = (f.pointer(&mut s.keeper), screws());
        call!(gapkeeper_screw_advice(keeper, f.pointer(&mut screws), f.pointer(&mut zeroed())))
    });
    spoil("screw_advice_text", 2, |f, _| {
        let mut advice = GapkeeperScrewAdvice { count: 3, ..zeroed() };
        call!(gapkeeper_screw_advice_text(f.pointer(&mut advice), 2, f.pointer(&mut [0_i8; 84]).cast(), 84))
    });
    spoil("prompt", 2, |f, s| {
        surveying(s);
        call!(gapkeeper_prompt(f.pointer(&mut s.keeper), f.pointer(&mut zeroed())))
    });
    spoil("prompt_text", 2, |f, s| {
        surveying(s);
        call!(gapkeeper_prompt_text(f.pointer(&mut s.keeper), f.pointer(&mut [0_i8; 84]).cast(), 84))
    });
}

#[test]
fn wrong_sizes_are_refused() {
    let wrong = GapkeeperResult::WrongSize;
    let mut s = Session::begun();
    let keeper = &raw mut s.keeper;
    for size in [0, 1, GAPKEEPER_KEEPER_SIZE - 1, GAPKEEPER_KEEPER_SIZE + 1, usize::MAX] {
        assert_eq!(call!(gapkeeper_init(keeper, size, &settings())), wrong);
        assert_eq!(call!(gapkeeper_init_without_memory(keeper, size, &settings())), wrong);
    }
    for size in [0, GAPKEEPER_PIECES_SIZE - 1, GAPKEEPER_PIECES_SIZE + 1] {
        assert_eq!(call!(gapkeeper_line_begin(&raw mut s.pieces, size, keeper, &MOTION)), wrong);
    }
    for size in [0, GAPKEEPER_CHORDS_SIZE - 1, GAPKEEPER_CHORDS_SIZE + 1] {
        assert_eq!(call!(gapkeeper_arc_begin(&raw mut s.chords, size, keeper, &arc())), wrong);
    }
    let mut heights_um = [0; 9];
    assert_eq!(call!(gapkeeper_grid(keeper, 0, &mut zeroed(), heights_um.as_mut_ptr(), 8)), wrong);
    assert_eq!(heights_um, [0; 9]);
    for count in [GAPKEEPER_STATIONS + 1, usize::MAX] {
        assert_eq!(call!(gapkeeper_set_grid(keeper, &grid(), HEIGHTS_UM.as_ptr(), count)), wrong);
    }
    // A count that is possible but not that of the lattice is the core's to refuse, with its numbers.
    assert_eq!(call!(gapkeeper_set_grid(keeper, &grid(), HEIGHTS_UM.as_ptr(), 8)), GapkeeperResult::Grid);
    assert_eq!(s.text_of(GapkeeperResult::Grid), "8 heights for 9 nodes: give one for each");
    assert_eq!(call!(gapkeeper_status_text(keeper, [0; 1].as_mut_ptr(), 0)), wrong);
    // A call that was refused for its size has not touched anything.
    assert_eq!(s.status().in_force, 1);
    assert!(s.next_piece().is_ok());
}

/// Memory that nobody initialised, whatever it holds.
#[test]
fn garbage_is_not_a_keeper() {
    let mut state = 1_u32;
    let mut noise = move || {
        // Numerical Recipes, 2nd ed., 7.1: the quick and dirty generator.
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 24) as u8
    };
    for round in 0..50 {
        let mut s = Session::raw();
        let bytes: *mut u8 = (&raw mut *s).cast();
        for index in 0..size_of::<Session>() {
            let byte = match round {
                0 => 0,
                1 => 0xFF,
                _ => noise(),
            };
            call!(bytes.add(index).write(byte));
        }
        let keeper = &raw mut s.keeper;
        let refused = [
            call!(gapkeeper_homed(keeper, &mut zeroed())),
            call!(gapkeeper_lost_position(keeper)),
            call!(gapkeeper_put_stored_in_force(keeper, &mut zeroed())),
            call!(gapkeeper_release(keeper)),
            call!(gapkeeper_temperature(keeper, &zeroed(), &mut zeroed())),
            call!(gapkeeper_set_grid(keeper, &grid(), HEIGHTS_UM.as_ptr(), 9)),
            call!(gapkeeper_grid(keeper, 0, &mut zeroed(), [0; 25].as_mut_ptr(), 25)),
            call!(gapkeeper_shift_by(keeper, 1, &mut 0)),
            call!(gapkeeper_screw_turned(keeper, &mut zeroed())),
            call!(gapkeeper_status(keeper, &mut zeroed())),
            call!(gapkeeper_status_text(keeper, [0; 84].as_mut_ptr(), 84)),
            call!(gapkeeper_line_begin(&raw mut s.pieces, GAPKEEPER_PIECES_SIZE, keeper, &MOTION)),
            call!(gapkeeper_piece_next(&raw mut s.pieces, keeper, &mut zeroed())),
            call!(gapkeeper_arc_begin(&raw mut s.chords, GAPKEEPER_CHORDS_SIZE, keeper, &arc())),
            call!(gapkeeper_chord_next(&raw mut s.chords, &mut zeroed())),
            call!(gapkeeper_logical(keeper, &zeroed(), &mut zeroed())),
            call!(gapkeeper_survey_begin(keeper, &LATTICE, &zeroed(), 0, &mut zeroed())),
            call!(gapkeeper_survey_event(keeper, &zeroed(), &mut zeroed())),
            call!(gapkeeper_prompt(keeper, &mut zeroed())),
            call!(gapkeeper_prompt_text(keeper, [0; 84].as_mut_ptr(), 84)),
            call!(gapkeeper_load(keeper, &zeroed(), &mut zeroed())),
            call!(gapkeeper_begin_memory(keeper, &zeroed(), &mut zeroed())),
            call!(gapkeeper_save(keeper, &zeroed(), &mut zeroed())),
            call!(gapkeeper_order_due(keeper, &mut zeroed())),
            call!(gapkeeper_agreement(keeper, &mut zeroed())),
            call!(gapkeeper_corner_round_begin(keeper, &LATTICE, &survey_settings(), &screws(), 0, &mut zeroed())),
            call!(gapkeeper_screw_advice(keeper, &screws(), &mut zeroed())),
            call!(gapkeeper_tie_begin(keeper, &survey_settings(), &screws(), 0, &mut zeroed())),
            call!(gapkeeper_set_fade(keeper, &zeroed())),
            call!(gapkeeper_choice_text(keeper, [0; 84].as_mut_ptr(), 84)),
        ];
        assert_eq!(refused, [GapkeeperResult::NotInitialised; 30], "round {round}");
        // Beginning it makes a keeper of it.
        assert_eq!(call!(gapkeeper_init(keeper, GAPKEEPER_KEEPER_SIZE, &settings())), GapkeeperResult::Ok);
        assert_eq!(s.status().homed, 0);
    }
}

#[test]
fn one_kind_of_storage_is_not_taken_for_another() {
    let mut s = Session::begun();
    let keeper = &raw mut s.keeper;
    let not = GapkeeperResult::NotInitialised;
    assert_eq!(call!(gapkeeper_piece_next(keeper.cast(), keeper, &mut zeroed())), not);
    assert_eq!(call!(gapkeeper_chord_next(keeper.cast(), &mut zeroed())), not);
    assert_eq!(call!(gapkeeper_chord_next((&raw mut s.pieces).cast(), &mut zeroed())), not);
}

#[test]
fn what_could_not_be_begun_cannot_be_gone_on_with() {
    let mut s = Session::begun();
    let keeper = &raw mut s.keeper;
    assert_eq!(call!(gapkeeper_lost_position(keeper)), GapkeeperResult::Ok);
    let (pieces, chords) = (&raw mut s.pieces, &raw mut s.chords);
    let refused = GapkeeperResult::NotHomed;
    assert_eq!(call!(gapkeeper_line_begin(pieces, GAPKEEPER_PIECES_SIZE, keeper, &MOTION)), refused);
    assert_eq!(call!(gapkeeper_arc_begin(chords, GAPKEEPER_CHORDS_SIZE, keeper, &arc())), refused);
    assert_eq!(s.next_piece(), Err(GapkeeperResult::NotInitialised));
    assert_eq!(call!(gapkeeper_chord_next(chords, &mut zeroed())), GapkeeperResult::NotInitialised);
    // Settings that make no keeper leave none, not the one before.
    let collapsing = GapkeeperFade { full_below_um: 400, zero_above_um: 300 };
    let bad = GapkeeperSettings { fade: collapsing, ..settings() };
    assert_eq!(call!(gapkeeper_init(keeper, GAPKEEPER_KEEPER_SIZE, &bad)), GapkeeperResult::Fade);
    assert_eq!(call!(gapkeeper_homed(keeper, &mut zeroed())), GapkeeperResult::NotInitialised);
    // Settings that it could not keep to are refused at once, not by the move that they would spoil.
    let settings = settings();
    let cases = [
        (GapkeeperSettings { tolerance_um: 0, ..settings }, GapkeeperResult::SettingsTolerance),
        (GapkeeperSettings { shift_step_um: 0, ..settings }, GapkeeperResult::SettingsShiftStep),
    ];
    for (bad, expected) in cases {
        assert_eq!(call!(gapkeeper_init(keeper, GAPKEEPER_KEEPER_SIZE, &bad)), expected);
        assert_eq!(call!(gapkeeper_init_without_memory(keeper, GAPKEEPER_KEEPER_SIZE, &bad)), expected);
        assert_eq!(call!(gapkeeper_homed(keeper, &mut zeroed())), GapkeeperResult::NotInitialised);
        let said = text(|text, size| call!(gapkeeper_result_text(keeper, expected as u8, text, size)));
        assert!(said.ends_with("of 0 um: set 1 um or more"), "{said}");
    }
}

#[test]
fn kinds_that_are_not_in_the_header_are_refused() {
    let unknown = GapkeeperResult::UnknownKind;
    let mut s = Session::begun();
    let keeper = &raw mut s.keeper;
    for kind in [2, 255] {
        let settings = GapkeeperSettings { grid_return: kind, ..settings() };
        assert_eq!(call!(gapkeeper_init(&mut zeroed(), GAPKEEPER_KEEPER_SIZE, &settings)), unknown);
        let grid = GapkeeperGrid { surface: kind, ..grid() };
        assert_eq!(call!(gapkeeper_set_grid(keeper, &grid, HEIGHTS_UM.as_ptr(), 9)), unknown);
        let arcs = [GapkeeperArc { plane: kind + u8::from(kind == 2), ..arc() }, GapkeeperArc { turn: kind, ..arc() }];
        for arc in arcs {
            let begun = call!(gapkeeper_arc_begin(&raw mut s.chords, GAPKEEPER_CHORDS_SIZE, keeper, &arc));
            assert_eq!(begun, unknown);
        }
    }
    let begun = call!(gapkeeper_survey_begin(keeper, &LATTICE, &survey_settings(), 0, &mut zeroed()));
    assert_eq!(begun, GapkeeperResult::Ok);
    for kind in [7, 255] {
        let event = GapkeeperEvent { kind, ..zeroed() };
        assert_eq!(call!(gapkeeper_survey_event(keeper, &event, &mut zeroed())), unknown);
    }
    assert_eq!(call!(gapkeeper_result_text(keeper, 45, [0; 8].as_mut_ptr(), 8)), unknown);
}

/// Every text fits the buffer that the header calls enough, also with the longest numbers.
#[test]
fn texts_fit_their_buffers() {
    for result in 0..=43 {
        let said = text(|text, size| call!(gapkeeper_result_text(core::ptr::null(), result, text, size)));
        assert!(!said.is_empty());
    }
    let lowest = GapkeeperSettings { lowest_machine_z_um: -2_147_000_000, ..settings() };
    let mut s = Session::homed(&lowest);
    let end = GapkeeperPoint { x_um: i32::MIN, y_um: i32::MIN, z_um: i32::MIN };
    assert_eq!(s.pieces_of(&GapkeeperMove { end, ..MOTION }), Err(GapkeeperResult::BelowLowest));
    let said = s.text_of(GapkeeperResult::BelowLowest);
    assert!(said.contains("-2147483648") && said.ends_with("raise the bed's screws or the shift"), "{said}");
    let fade = GapkeeperFade { full_below_um: 0, zero_above_um: 100 };
    let steep = GapkeeperGrid { fade, ..grid() };
    let set = call!(gapkeeper_set_grid(&raw mut s.keeper, &steep, HEIGHTS_UM.as_ptr(), 9));
    assert_eq!(set, GapkeeperResult::Unusable);
    assert!(s.text_of(set).contains("fades over 100 um"), "{}", s.text_of(set));
    // Of another result there is nothing but the general text.
    assert_eq!(s.text_of(GapkeeperResult::Busy), "at work: do not call from a memory function");
    assert!(s.screen().len() < GAPKEEPER_SCREEN_TEXT_SIZE);
    let mut short = [0x55; 8];
    let result = call!(gapkeeper_status_text(&raw const s.keeper, short.as_mut_ptr(), 4));
    assert_eq!((result, short), (GapkeeperResult::Truncated, [78, 79, 84, 0, 0x55, 0x55, 0x55, 0x55]));
}
