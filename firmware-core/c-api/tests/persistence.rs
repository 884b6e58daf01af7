//! What is kept: grids and setup, saved and loaded through the caller's functions; failures of the memory are said.

#[macro_use]
mod session;

use core::ffi::c_void;

use gapkeeper_c_api::*;
use session::chip::{Chip, SLOT_SIZE, UNIT, homed, load, restart, save, started, with_grid};
use session::{HEIGHTS_UM, MOTION, Session, grid, zeroed};

#[test]
fn what_is_saved_comes_back() {
    let mut chip = Chip::new();
    let mut s = with_grid(&mut chip);
    let mut shift_um = 0;
    assert_eq!(call!(gapkeeper_shift_by(&raw mut s.keeper, 3, &raw mut shift_um)), GapkeeperResult::Ok);
    assert_eq!((shift_um, s.status().unsaved), (30, 1));
    assert_eq!(save(&mut s, &mut chip), GapkeeperResult::Ok);
    assert_eq!(s.status().unsaved, 0);
    let before = s.pieces_of(&MOTION);

    let (mut s, report, choice) = restart(&mut chip);
    assert_eq!(report, GapkeeperLoadReport { grids: 1, unreadable: 0, doubtful: 0, setup_uncertain: 0 });
    assert_eq!((choice.kind, choice.place, choice.off_c), (GapkeeperChoiceKind::Nearest as u8, 0, 0));
    assert_eq!(s.pieces_of(&MOTION), before);
    let (mut found, mut heights_um) = (zeroed(), [0; GAPKEEPER_STATIONS]);
    let keeper = &raw mut s.keeper;
    let read = call!(gapkeeper_grid(keeper, 0, &raw mut found, heights_um.as_mut_ptr(), GAPKEEPER_STATIONS));
    assert_eq!(read, GapkeeperResult::Ok);
    assert_eq!((found, &heights_um[..9]), (GapkeeperGrid { shift_um: 30, ..grid() }, &HEIGHTS_UM[..]));
    let none = call!(gapkeeper_grid(keeper, 1, &raw mut found, heights_um.as_mut_ptr(), GAPKEEPER_STATIONS));
    assert_eq!(none, GapkeeperResult::NoGrid);
}

/// A memory that reads as erased is new, or not there: nothing is written before somebody says which.
#[test]
fn a_blank_memory_waits_for_a_person() {
    let mut chip = Chip::new();
    let mut s = started();
    assert_eq!((s.status().setup_known, s.screen().lines().nth(1)), (0, Some("memory not read")));
    assert_eq!(load(&mut s, &mut chip).0, GapkeeperResult::MemoryBlank);
    let said = s.text_of(GapkeeperResult::MemoryBlank);
    assert!(said.starts_with("nothing stored, or no answer: check the wiring"), "{said}");
    assert_eq!(homed(&mut s).kind, GapkeeperChoiceKind::NotLoaded as u8);
    assert_eq!(s.choice_text(), "memory not read");
    assert!(s.pieces_of(&MOTION).is_ok(), "uncorrected");
    // Nothing is taken in or saved by a keeper that does not know its setup.
    let keeper = &raw mut s.keeper;
    let refused = [
        call!(gapkeeper_set_grid(keeper, &grid(), HEIGHTS_UM.as_ptr(), 9)),
        call!(gapkeeper_survey_begin(keeper, &session::LATTICE, &zeroed(), 0, &mut zeroed())),
        save(&mut s, &mut chip),
    ];
    assert_eq!(refused, [GapkeeperResult::NotLoaded; 3]);
    assert!(chip.bytes.as_flattened().iter().all(|&byte| byte == 0xFF), "nothing was written");
    // Confirmed, and it holds from then on.
    let begun = call!(gapkeeper_begin_memory(&raw mut s.keeper, &chip.memory(), &mut zeroed()));
    assert_eq!((begun, s.status().setup_known), (GapkeeperResult::Ok, 1));
    let (s, report, choice) = restart(&mut chip);
    assert_eq!((report, choice.kind), (zeroed(), GapkeeperChoiceKind::Empty as u8));
    // Confirming twice does no harm.
    let setup = s.status().setup;
    let mut again = started();
    assert_eq!(
        call!(gapkeeper_begin_memory(&raw mut again.keeper, &chip.memory(), &mut zeroed())),
        GapkeeperResult::Ok
    );
    assert_eq!(again.status().setup, setup);
}

/// One failing read, whichever it is, and no grid comes into force; once the memory answers again nothing was lost.
#[test]
fn a_failed_load_applies_and_spoils_nothing() {
    let mut whole = Chip::new();
    assert_eq!(save(&mut with_grid(&mut whole), &mut whole), GapkeeperResult::Ok);
    let mut failures = 0;
    for calls_left in 0.. {
        let mut chip = Chip { bytes: whole.bytes, calls_left, ..*Chip::new() };
        let mut s = started();
        let (loaded, _) = load(&mut s, &mut chip);
        let choice = homed(&mut s);
        chip.calls_left = u32::MAX;
        if loaded == GapkeeperResult::Ok {
            break;
        }
        assert_eq!((loaded, choice.kind), (GapkeeperResult::MemoryAccess, GapkeeperChoiceKind::NotLoaded as u8));
        assert_eq!((s.status().in_force, s.status().setup_known), (0, 0));
        assert_eq!(save(&mut s, &mut chip), GapkeeperResult::NotLoaded);
        assert_eq!(chip.bytes, whole.bytes);
        assert_eq!(load(&mut s, &mut chip).0, GapkeeperResult::Ok);
        assert_eq!(homed(&mut s).kind, GapkeeperChoiceKind::Nearest as u8);
        failures += 1;
    }
    assert!(failures > 8, "{failures} reads that can fail");
}

#[test]
fn what_is_not_saved_is_not_loaded_over() {
    let mut chip = Chip::new();
    let mut s = with_grid(&mut chip);
    assert_eq!(load(&mut s, &mut chip).0, GapkeeperResult::Unsaved);
    assert_eq!((s.status().in_force, s.status().setup_known), (1, 1), "as it was");
    assert_eq!(save(&mut s, &mut chip), GapkeeperResult::Ok);
    assert_eq!(load(&mut s, &mut chip).0, GapkeeperResult::Ok);
}

#[test]
fn a_keeper_without_memory_says_so() {
    let mut chip = Chip::new();
    let mut s = Session::begun();
    assert_eq!((s.status().setup_known, s.status().in_force), (1, 1));
    assert_eq!(load(&mut s, &mut chip).0, GapkeeperResult::WithoutMemory);
    assert_eq!(save(&mut s, &mut chip), GapkeeperResult::WithoutMemory);
    let begun = call!(gapkeeper_begin_memory(&raw mut s.keeper, &chip.memory(), &mut zeroed()));
    assert_eq!((begun, s.status().in_force), (GapkeeperResult::WithoutMemory, 1));
}

/// A turned screw is saved before it is turned, and no old grid comes back, whenever power fails.
#[test]
fn a_turned_screw_makes_stored_grids_stale() {
    let mut whole = Chip::new();
    assert_eq!(save(&mut with_grid(&mut whole), &mut whole), GapkeeperResult::Ok);
    let mut cut = 0;
    for calls_left in 0.. {
        let (mut s, ..) = restart(&mut whole);
        let mut chip = Chip { bytes: whole.bytes, calls_left, ..*Chip::new() };
        let mut order = zeroed();
        assert_eq!(call!(gapkeeper_screw_turned(&raw mut s.keeper, &raw mut order)), GapkeeperResult::Ok);
        assert_eq!(order.kind, GapkeeperOrderKind::Wait as u8);
        let saved = save(&mut s, &mut chip);
        chip.calls_left = u32::MAX;
        let (_, _, choice) = restart(&mut chip);
        if saved == GapkeeperResult::Ok {
            assert_eq!(choice.kind, GapkeeperChoiceKind::Stale as u8);
            break;
        }
        assert_eq!(saved, GapkeeperResult::MemoryAccess);
        assert_eq!(s.text_of(saved), "the setup: the memory reported failure 7");
        assert_eq!(s.status().unsaved, 1);
        cut += 1;
    }
    assert!(cut > 5, "{cut} places where power failed");
}

/// Each grid is stored by itself, and the report says what became of it.
#[test]
fn a_place_that_does_not_keep_holds_nothing_else_up() {
    let mut chip = Chip::new();
    let mut s = with_grid(&mut chip);
    let warmer = GapkeeperGrid { bed_temperature_c: 100, ..grid() };
    let set = call!(gapkeeper_set_grid(&raw mut s.keeper, &warmer, HEIGHTS_UM.as_ptr(), 9));
    assert_eq!(set, GapkeeperResult::Ok);
    chip.worn = Some(2);
    let mut report: GapkeeperSaveReport = zeroed();
    let saved = call!(gapkeeper_save(&raw mut s.keeper, &chip.memory(), &raw mut report));
    let worn = GapkeeperResult::MemoryNotKept;
    assert_eq!((saved, report), (worn, GapkeeperSaveReport { setup: 0, grids: [worn as u8, 0, 0] }));
    assert!(s.text_of(saved).starts_with("grid 1: slot 2 did not keep what was written"), "{}", s.text_of(saved));
    assert_eq!(restart(&mut chip).1, GapkeeperLoadReport { grids: 1, ..zeroed() });
    // The setup first: without it nothing else is tried.
    assert_eq!(call!(gapkeeper_screw_turned(&raw mut s.keeper, &mut zeroed())), GapkeeperResult::Ok);
    chip.calls_left = 0;
    let saved = call!(gapkeeper_save(&raw mut s.keeper, &chip.memory(), &raw mut report));
    let failed = GapkeeperResult::MemoryAccess;
    assert_eq!((saved, report), (failed, GapkeeperSaveReport { setup: failed as u8, grids: [failed as u8; 3] }));
}

#[test]
fn damaged_cells_are_no_first_start() {
    let mut chip = Chip::new();
    assert_eq!(save(&mut with_grid(&mut chip), &mut chip), GapkeeperResult::Ok);
    chip.damaged = true;
    let mut s = started();
    assert_eq!(load(&mut s, &mut chip).0, GapkeeperResult::MemoryUnexpected);
    assert!(s.text_of(GapkeeperResult::MemoryUnexpected).starts_with("not as expected: load again"));
    assert_eq!((homed(&mut s).kind, s.status().in_force), (GapkeeperChoiceKind::NotLoaded as u8, 0));
}

/// The size that the header names is taken, one byte less is not, whatever the unit.
#[test]
fn a_slot_as_large_as_the_header_says_is_large_enough() {
    for unit in [1, 2, 4, 8, 16, 32, 64, 128, 256, 2048] {
        let slot_size = gapkeeper_slot_size(unit);
        let load = |slot_size| {
            let memory = GapkeeperMemory { slot_size, unit, ..Chip::new().memory() };
            // Nothing answers beyond the slots that there are, and nothing is asked before the sizes are found right.
            let memory = GapkeeperMemory { read: Some(no_answer), ..memory };
            call!(gapkeeper_load(&raw mut started().keeper, &memory, &mut zeroed()))
        };
        assert_eq!(load(slot_size), GapkeeperResult::MemoryAccess, "{slot_size} for units of {unit}");
        assert_eq!(load(slot_size - 1), GapkeeperResult::MemorySize, "{slot_size} for units of {unit}");
    }
    assert_eq!(gapkeeper_slot_size(UNIT) as usize, SLOT_SIZE);
    assert_eq!(gapkeeper_slot_size(0), gapkeeper_slot_size(1));
}

unsafe extern "C" fn no_answer(_: *mut c_void, _: u32, _: u32, _: *mut u8, _: usize) -> u8 {
    9
}

#[test]
fn a_memory_that_does_not_do_is_refused() {
    let mut chip = Chip::new();
    let mut s = Session::begun();
    let good = chip.memory();
    let keeper = &raw mut s.keeper;
    let cases = [
        (GapkeeperMemory { read: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperMemory { erase: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperMemory { write: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperMemory { slot_count: GAPKEEPER_SLOT_COUNT - 1, ..good }, GapkeeperResult::MemorySize),
        (GapkeeperMemory { slot_size: GAPKEEPER_RECORD_SIZE, ..good }, GapkeeperResult::MemorySize),
        (GapkeeperMemory { unit: 0, ..good }, GapkeeperResult::MemorySize),
        (GapkeeperMemory { unit: u32::MAX, ..good }, GapkeeperResult::MemorySize),
    ];
    for (memory, expected) in cases {
        assert_eq!(call!(gapkeeper_save(keeper, &memory, &mut zeroed())), expected);
        assert_eq!(call!(gapkeeper_load(keeper, &memory, &mut zeroed())), expected);
        assert_eq!(call!(gapkeeper_begin_memory(keeper, &memory, &mut zeroed())), expected);
    }
    let null = GapkeeperResult::NullPointer;
    assert_eq!(call!(gapkeeper_save(keeper, core::ptr::null(), &mut zeroed())), null);
    assert_eq!(call!(gapkeeper_save(keeper, &good, core::ptr::null_mut())), null);
    assert_eq!(call!(gapkeeper_save(core::ptr::null_mut(), &good, &mut zeroed())), null);
    assert_eq!(call!(gapkeeper_begin_memory(keeper, core::ptr::null(), &mut zeroed())), null);
    assert_eq!(call!(gapkeeper_begin_memory(keeper, &good, core::ptr::null_mut())), null);
    assert_eq!(call!(gapkeeper_begin_memory(core::ptr::null_mut(), &good, &mut zeroed())), null);
    assert_eq!(call!(gapkeeper_load(keeper, core::ptr::null(), &mut zeroed())), null);
    assert_eq!(call!(gapkeeper_load(keeper, &good, core::ptr::null_mut())), null);
    assert_eq!(call!(gapkeeper_load(core::ptr::null_mut(), &good, &mut zeroed())), null);
    assert!(chip.bytes.as_flattened().iter().all(|&byte| byte == 0xFF), "nothing was written");
    assert_eq!(s.status().in_force, 1, "and nothing forgotten");
}

#[test]
fn a_memory_function_that_calls_its_keeper_is_refused() {
    let mut chip = Chip::new();
    let mut s = with_grid(&mut chip);
    chip.meddle_with = &raw mut s.keeper;
    assert_eq!(save(&mut s, &mut chip), GapkeeperResult::Ok);
    assert_eq!(chip.answered, Some(GapkeeperResult::Busy));
    // And it takes calls again.
    assert_eq!(s.status().unsaved, 0);
}
