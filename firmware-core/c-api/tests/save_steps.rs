//! A save by steps: one access each, the same bytes as at once, while a hand turns the knob and power fails.

#[macro_use]
mod session;

use core::ffi::c_void;

use gapkeeper_c_api::*;
use session::chip::{Chip, load, restart, save, started, with_grid};
use session::{MOTION, Session, plain, zeroed};

fn begin(session: &mut Session, chip: &mut Chip) {
    let begun = call!(gapkeeper_store_begin(&raw mut session.store, GAPKEEPER_STORE_SIZE, &chip.memory()));
    assert_eq!(begun, GapkeeperResult::Ok);
}

fn step(session: &mut Session) -> GapkeeperResult {
    call!(gapkeeper_save_step(&raw mut session.keeper, &raw mut session.store))
}

/// All steps, with something done between them; how many, and what the last one said.
fn steps(session: &mut Session, mut between: impl FnMut(&mut Session, u32)) -> (u32, GapkeeperResult) {
    for count in 1..1000 {
        let result = step(session);
        if result != GapkeeperResult::Ok {
            return (count, result);
        }
        between(session, count);
    }
    panic!("no end");
}

#[test]
fn steps_leave_the_bytes_that_a_save_at_once_leaves() {
    let (mut at_once, mut by_steps) = (Chip::new(), Chip::new());
    assert_eq!(save(&mut with_grid(&mut at_once), &mut at_once), GapkeeperResult::Ok);
    let mut s = with_grid(&mut by_steps);
    assert_eq!(s.status().unsaved, 1);
    begin(&mut s, &mut by_steps);
    let (mut calls_before, chip) = (by_steps.calls_left, &raw mut *by_steps);
    let (count, result) = steps(&mut s, |s, count| {
        let calls = call!((*chip).calls_left);
        assert!(calls_before - calls <= 1, "more than one access in a step");
        calls_before = calls;
        assert!(count > 10 || s.status().unsaved == 1);
    });
    assert_eq!((result, s.status().unsaved), (GapkeeperResult::End, 0));
    assert!(count > 10, "{count} steps");
    assert_eq!(by_steps.bytes, at_once.bytes);
    assert_eq!(step(&mut s), GapkeeperResult::End, "nothing is left");
    assert_eq!(restart(&mut by_steps).1, GapkeeperLoadReport { grids: 1, ..zeroed() });
}

unsafe extern "C" fn read_pin(context: *mut c_void, pin: u8) -> u8 {
    call!((*context.cast::<[u8; 4]>())[usize::from(pin)])
}

/// A timer interrupt polls the panel while the loop saves: clicks and a press wait in the queue, and no move is disturbed
/// that is fetched whole between two steps.
#[test]
fn the_knob_is_heard_while_a_save_runs() {
    let mut chip = Chip::new();
    let mut s = with_grid(&mut chip);
    let before = s.pieces_of(&MOTION);
    begin(&mut s, &mut chip);
    let mut levels = [0_u8, 0, 1, 0];
    let (mut panel, mut panel_settings): (Box<GapkeeperPanel>, GapkeeperPanelSettings) = (Box::new(zeroed()), zeroed());
    assert_eq!(call!(gapkeeper_panel_settings_default(&raw mut panel_settings)), GapkeeperResult::Ok);
    panel_settings.read_pin = Some(read_pin);
    panel_settings.context = (&raw mut levels).cast();
    let panel = &raw mut *panel;
    assert_eq!(call!(gapkeeper_panel_init(panel, GAPKEEPER_PANEL_SIZE, &panel_settings)), GapkeeperResult::Ok);
    let mut now_ms = 0;
    let mut poll = |levels_now: [u8; 4], ms: u32| {
        levels = levels_now;
        for _ in 0..ms {
            now_ms += 1;
            assert_eq!(call!(gapkeeper_panel_poll(panel, now_ms)), GapkeeperResult::Ok);
        }
    };
    let take = || {
        let mut event = zeroed();
        let taken = call!(gapkeeper_panel_take(panel, &raw mut event));
        (taken == GapkeeperResult::Ok).then_some(event)
    };
    poll([0, 0, 1, 0], 1200);
    while take().is_some() {}
    // Each step of 5 ms sees one of these; then the hand rests.
    let turn = [[1, 0, 1, 0], [1, 1, 1, 0], [0, 1, 1, 0], [0, 0, 1, 0]];
    let press = [[0, 0, 0, 0]; 8];
    let hand = [turn.as_slice(), &turn, &press].concat();
    let (count, result) = steps(&mut s, |s, count| {
        poll(hand.get(count as usize - 1).copied().unwrap_or([0, 0, 1, 0]), 5);
        assert_eq!(s.pieces_of(&MOTION), before);
    });
    assert!(count as usize > hand.len(), "{count} steps are fewer than the hand's movements");
    assert_eq!(result, GapkeeperResult::End);
    poll([0, 0, 1, 0], 40);
    let kind = GapkeeperPanelEventKind::Survey as u8;
    let turned = GapkeeperEvent { detents: 2, ..plain(GapkeeperEventKind::Turned) };
    let events: Vec<_> = core::iter::from_fn(take).collect();
    assert_eq!(events, [turned, plain(GapkeeperEventKind::Pressed)].map(|event| GapkeeperPanelEvent { event, kind }));
    assert_eq!(restart(&mut chip).1.grids, 1);
}

#[test]
fn a_step_voids_the_pieces_under_way() {
    let mut chip = Chip::new();
    let mut s = with_grid(&mut chip);
    begin(&mut s, &mut chip);
    let keeper = &raw mut s.keeper;
    let line = call!(gapkeeper_line_begin(&raw mut s.pieces, GAPKEEPER_PIECES_SIZE, keeper, &MOTION));
    assert_eq!(line, GapkeeperResult::Ok);
    assert!(s.next_piece().is_ok());
    assert_eq!(step(&mut s), GapkeeperResult::Ok);
    assert_eq!(s.next_piece(), Err(GapkeeperResult::Changed));
}

/// A screw turned in the middle of a save goes before the grid that was being saved.
#[test]
fn what_changes_between_two_steps_is_saved_too() {
    let mut fewest = u32::MAX;
    for at in 1..12 {
        let mut chip = Chip::new();
        let mut s = with_grid(&mut chip);
        begin(&mut s, &mut chip);
        let (count, result) = steps(&mut s, |s, count| {
            if count == at {
                assert_eq!(call!(gapkeeper_screw_turned(&raw mut s.keeper, &mut zeroed())), GapkeeperResult::Ok);
            }
        });
        assert_eq!((result, s.status().unsaved), (GapkeeperResult::End, 0));
        assert_eq!(restart(&mut chip).2.kind, GapkeeperChoiceKind::Stale as u8);
        fewest = fewest.min(count);
    }
    assert!(fewest > 12, "{fewest} steps");
}

/// Power fails before each access: at the next start the grid before is found or the new one, and nothing in doubt but the
/// slot that was being written.
#[test]
fn power_fails_between_any_two_steps() {
    let mut whole = Chip::new();
    assert_eq!(save(&mut with_grid(&mut whole), &mut whole), GapkeeperResult::Ok);
    let mut shifts_um = [0, 0];
    for steps_before in 0.. {
        let mut chip = Chip { bytes: whole.bytes, ..*Chip::new() };
        let (mut s, ..) = restart(&mut chip);
        let mut shift_um = 0;
        assert_eq!(call!(gapkeeper_shift_by(&raw mut s.keeper, 3, &raw mut shift_um)), GapkeeperResult::Ok);
        begin(&mut s, &mut chip);
        let ended = (0..steps_before).any(|_| step(&mut s) == GapkeeperResult::End);
        let (s, report, choice) = restart(&mut chip);
        assert_eq!((report.grids, choice.kind), (1, GapkeeperChoiceKind::Nearest as u8));
        match s.status().shift_um {
            0 => shifts_um[0] += 1,
            30 => shifts_um[1] += 1,
            other => panic!("{other}"),
        }
        if ended {
            assert_eq!(s.status().shift_um, 30, "it was acknowledged");
            break;
        }
    }
    assert!(shifts_um[0] > 5 && shifts_um[1] > 1, "{shifts_um:?} starts before and after");
}

#[test]
fn a_failure_is_said_once_and_the_others_are_saved() {
    let mut chip = Chip::new();
    let mut s = with_grid(&mut chip);
    chip.worn = Some(2);
    begin(&mut s, &mut chip);
    let (_, result) = steps(&mut s, |_, _| {});
    assert_eq!(result, GapkeeperResult::MemoryNotKept);
    assert!(s.text_of(result).starts_with("grid 1: slot 2 did not keep what was written"), "{}", s.text_of(result));
    let (_, result) = steps(&mut s, |_, _| {});
    assert_eq!((result, s.status().unsaved), (GapkeeperResult::End, 1));
    chip.worn = None;
    let (_, result) = steps(&mut s, |_, _| {});
    assert_eq!((result, s.status().unsaved), (GapkeeperResult::End, 0));
    // Once it does not answer the setup is tried alone.
    assert_eq!(call!(gapkeeper_screw_turned(&raw mut s.keeper, &mut zeroed())), GapkeeperResult::Ok);
    chip.calls_left = 0;
    let (_, result) = steps(&mut s, |_, _| {});
    assert_eq!(result, GapkeeperResult::MemoryAccess);
    assert_eq!(s.text_of(result), "the setup: the memory reported failure 7");
}

#[test]
fn what_cannot_be_a_step_is_refused() {
    let mut chip = Chip::new();
    let mut s = started();
    let (keeper, store) = (&raw mut s.keeper, &raw mut s.store);
    assert_eq!(step(&mut s), GapkeeperResult::NotInitialised);
    let memory = chip.memory();
    let cases = [
        (
            call!(gapkeeper_store_begin(core::ptr::null_mut(), GAPKEEPER_STORE_SIZE, &memory)),
            GapkeeperResult::NullPointer,
        ),
        (call!(gapkeeper_store_begin(store, GAPKEEPER_STORE_SIZE, core::ptr::null())), GapkeeperResult::NullPointer),
        (call!(gapkeeper_store_begin(store, GAPKEEPER_STORE_SIZE - 1, &memory)), GapkeeperResult::WrongSize),
        (
            call!(gapkeeper_store_begin(
                store,
                GAPKEEPER_STORE_SIZE,
                &GapkeeperMemory { slot_size: GAPKEEPER_RECORD_SIZE, ..memory }
            )),
            GapkeeperResult::MemorySize,
        ),
        (
            call!(gapkeeper_store_begin(store, GAPKEEPER_STORE_SIZE, &GapkeeperMemory { write: None, ..memory })),
            GapkeeperResult::NullPointer,
        ),
    ];
    for (result, expected) in cases {
        assert_eq!(result, expected);
        assert_eq!(step(&mut s), GapkeeperResult::NotInitialised, "no store is left");
    }
    begin(&mut s, &mut chip);
    assert_eq!(step(&mut s), GapkeeperResult::NotLoaded);
    assert_eq!(call!(gapkeeper_save_step(core::ptr::null_mut(), store)), GapkeeperResult::NullPointer);
    assert_eq!(call!(gapkeeper_save_step(keeper, core::ptr::null_mut())), GapkeeperResult::NullPointer);
    assert_eq!(
        call!(gapkeeper_save_step(keeper, keeper.cast())),
        GapkeeperResult::NotInitialised,
        "a keeper is no store"
    );
    // A memory function calls back; afterwards both take calls again.
    let mut s = with_grid(&mut chip);
    begin(&mut s, &mut chip);
    chip.meddle_with = &raw mut s.keeper;
    assert_eq!(step(&mut s), GapkeeperResult::Ok);
    assert_eq!(chip.answered, Some(GapkeeperResult::Busy));
    chip.meddle_with = core::ptr::null_mut();
    assert_eq!(steps(&mut s, |_, _| {}).1, GapkeeperResult::End);
}

/// Another store, or a load, in the middle: what was being saved is still unsaved and is saved in the end.
#[test]
fn a_store_begun_anew_loses_nothing() {
    let mut chip = Chip::new();
    let mut s = with_grid(&mut chip);
    begin(&mut s, &mut chip);
    for _ in 0..8 {
        assert_eq!(step(&mut s), GapkeeperResult::Ok);
    }
    assert_eq!(load(&mut s, &mut chip).0, GapkeeperResult::Unsaved);
    begin(&mut s, &mut chip);
    assert_eq!(s.status().unsaved, 1);
    assert_eq!(steps(&mut s, |_, _| {}).1, GapkeeperResult::End);
    assert_eq!(restart(&mut chip).1.grids, 1);
}
