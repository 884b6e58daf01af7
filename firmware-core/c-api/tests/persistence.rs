//! What is kept: grids by survey, saved and loaded through the caller's functions; failures of the memory are said.

#[macro_use]
mod session;

use core::ffi::c_void;

use gapkeeper_c_api::*;
use session::{HEIGHTS_UM, LATTICE, MOTION, Session, grid, settings, zeroed};

const SLOT_SIZE: usize = 128;
const UNIT: u32 = 8;

/// Memory of a machine in RAM, with faults.
struct Chip {
    bytes: [[u8; SLOT_SIZE]; GAPKEEPER_SLOT_COUNT as usize],
    /// Calls until power is gone.
    calls_left: u32,
    /// Whether cells answer that they are damaged.
    damaged: bool,
    /// A keeper that the functions call although they must not, and what it answered.
    meddle_with: *mut GapkeeperKeeper,
    answered: Option<GapkeeperResult>,
}

impl Chip {
    fn new() -> Box<Self> {
        Box::new(Self {
            bytes: [[0xFF; SLOT_SIZE]; GAPKEEPER_SLOT_COUNT as usize],
            calls_left: u32::MAX,
            damaged: false,
            meddle_with: core::ptr::null_mut(),
            answered: None,
        })
    }

    fn memory(&mut self) -> GapkeeperMemory {
        GapkeeperMemory {
            context: (&raw mut *self).cast(),
            read: Some(read),
            erase: Some(erase),
            write: Some(write),
            slot_count: GAPKEEPER_SLOT_COUNT,
            slot_size: SLOT_SIZE as u32,
            unit: UNIT,
        }
    }

    /// The answer of a call: 7 once power is gone.
    fn answer(&mut self) -> u8 {
        if !self.meddle_with.is_null() {
            self.answered = Some(call!(gapkeeper_homed(self.meddle_with, &mut zeroed())));
        }
        match self.calls_left.checked_sub(1) {
            Some(left) => {
                self.calls_left = left;
                0
            }
            None => 7,
        }
    }
}

unsafe extern "C" fn read(context: *mut c_void, slot: u32, offset: u32, bytes: *mut u8, length: usize) -> u8 {
    let chip = call!(&mut *context.cast::<Chip>());
    let target = call!(core::slice::from_raw_parts_mut(bytes, length));
    target.copy_from_slice(&chip.bytes[slot as usize][offset as usize..offset as usize + length]);
    if chip.damaged { GapkeeperMemoryAnswer::Damaged as u8 } else { chip.answer() }
}

unsafe extern "C" fn erase(context: *mut c_void, slot: u32) -> u8 {
    let chip = call!(&mut *context.cast::<Chip>());
    let answer = chip.answer();
    if answer == 0 {
        chip.bytes[slot as usize].fill(0xFF);
    }
    answer
}

unsafe extern "C" fn write(context: *mut c_void, slot: u32, offset: u32, bytes: *const u8, length: usize) -> u8 {
    let chip = call!(&mut *context.cast::<Chip>());
    assert_eq!(offset % UNIT, 0);
    let answer = chip.answer();
    if answer == 0 {
        let source = call!(core::slice::from_raw_parts(bytes, length));
        chip.bytes[slot as usize][offset as usize..offset as usize + length].copy_from_slice(source);
    }
    answer
}

fn save(session: &mut Session, chip: &mut Chip) -> GapkeeperResult {
    call!(gapkeeper_save(&raw mut session.keeper, &chip.memory()))
}

/// A new keeper that loads, warms up and homes.
fn restart(chip: &mut Chip) -> (Box<Session>, GapkeeperLoadReport, GapkeeperChoice) {
    let mut s = Session::raw();
    let keeper = &raw mut s.keeper;
    let (mut report, mut choice) = (zeroed(), zeroed());
    let warm = GapkeeperTemperature { at_s: 0, bed_c: 60, nozzle_c: 150 };
    let calls = [
        call!(gapkeeper_init(keeper, GAPKEEPER_KEEPER_SIZE, &settings())),
        call!(gapkeeper_load(keeper, &chip.memory(), &raw mut report)),
        call!(gapkeeper_temperature(keeper, &warm, &mut zeroed())),
        call!(gapkeeper_homed(keeper, &raw mut choice)),
    ];
    assert_eq!(calls, [GapkeeperResult::Ok; 4]);
    (s, report, choice)
}

#[test]
fn what_is_saved_comes_back() {
    let mut chip = Chip::new();
    let mut s = Session::begun();
    let mut shift_um = 0;
    assert_eq!(call!(gapkeeper_shift_by(&raw mut s.keeper, 3, &raw mut shift_um)), GapkeeperResult::Ok);
    assert_eq!((shift_um, s.status().unsaved), (30, 1));
    assert_eq!(save(&mut s, &mut chip), GapkeeperResult::Ok);
    assert_eq!(s.status().unsaved, 0);
    let before = s.pieces_of(&MOTION);

    let (mut s, report, choice) = restart(&mut chip);
    assert_eq!(report, GapkeeperLoadReport { grids: 1, unreadable: 0, setup_uncertain: 0 });
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

/// A turned screw is saved before it is turned, and no old grid comes back, whenever power fails.
#[test]
fn a_turned_screw_makes_stored_grids_stale() {
    let mut whole = Chip::new();
    assert_eq!(save(&mut Session::begun(), &mut whole), GapkeeperResult::Ok);
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
        assert_eq!(s.text_of(saved), "the memory reported failure 7");
        assert_eq!(s.status().unsaved, 1);
        cut += 1;
    }
    assert!(cut > 5, "{cut} places where power failed");
}

#[test]
fn damaged_cells_are_counted_and_nothing_is_trusted() {
    let mut chip = Chip::new();
    assert_eq!(save(&mut Session::begun(), &mut chip), GapkeeperResult::Ok);
    chip.damaged = true;
    let (s, report, choice) = restart(&mut chip);
    assert_eq!((report.grids, report.unreadable, report.setup_uncertain), (0, 3, 1));
    assert_eq!((choice.kind, s.status().in_force), (GapkeeperChoiceKind::Empty as u8, 0));
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
        assert_eq!(call!(gapkeeper_save(keeper, &memory)), expected);
        assert_eq!(call!(gapkeeper_load(keeper, &memory, &mut zeroed())), expected);
    }
    let null = GapkeeperResult::NullPointer;
    assert_eq!(call!(gapkeeper_save(keeper, core::ptr::null())), null);
    assert_eq!(call!(gapkeeper_save(core::ptr::null_mut(), &good)), null);
    assert_eq!(call!(gapkeeper_load(keeper, core::ptr::null(), &mut zeroed())), null);
    assert_eq!(call!(gapkeeper_load(keeper, &good, core::ptr::null_mut())), null);
    assert_eq!(call!(gapkeeper_load(core::ptr::null_mut(), &good, &mut zeroed())), null);
    assert!(chip.bytes.as_flattened().iter().all(|&byte| byte == 0xFF), "nothing was written");
    assert_eq!(s.status().in_force, 1, "and nothing forgotten");
}

#[test]
fn a_memory_function_that_calls_its_keeper_is_refused() {
    let mut chip = Chip::new();
    let mut s = Session::begun();
    chip.meddle_with = &raw mut s.keeper;
    assert_eq!(save(&mut s, &mut chip), GapkeeperResult::Ok);
    assert_eq!(chip.answered, Some(GapkeeperResult::Busy));
    // And it takes calls again.
    assert_eq!(s.status().unsaved, 0);
}

#[test]
fn a_survey_can_be_ended_and_its_lattice_is_checked() {
    let mut s = Session::begun();
    let keeper = &raw mut s.keeper;
    let (mut order, mut survey) = (zeroed(), zeroed());
    assert_eq!(call!(gapkeeper_survey_settings_default(&raw mut survey)), GapkeeperResult::Ok);
    let abort = GapkeeperEvent { detents: 0, kind: GapkeeperEventKind::Abort as u8 };
    let event = |order| call!(gapkeeper_survey_event(keeper, &abort, order));
    assert_eq!(event(&raw mut order), GapkeeperResult::NoSurvey);
    let six_by_five = GapkeeperLattice { columns: 6, rows: 5, ..LATTICE };
    let begun = call!(gapkeeper_survey_begin(keeper, &six_by_five, &survey, 5000, &raw mut order));
    assert_eq!(begun, GapkeeperResult::Grid);
    assert_eq!(s.text_of(begun), "30 nodes where 25 fit: use fewer columns or rows");
    assert_eq!(call!(gapkeeper_survey_begin(keeper, &LATTICE, &survey, 500, &raw mut order)), GapkeeperResult::Ok);
    assert_eq!((s.status().surveying, s.status().in_force), (1, 0));
    assert_eq!(s.pieces_of(&MOTION), Err(GapkeeperResult::SurveyUnderWay));
    assert!(s.screen().starts_with("Warming up\nbed to 20 C"), "{}", s.screen());
    assert_eq!(event(&raw mut order), GapkeeperResult::Ok);
    assert_eq!(order.kind, GapkeeperOrderKind::Lift as u8);
    let arrived = GapkeeperEvent { detents: 0, kind: GapkeeperEventKind::Arrived as u8 };
    assert_eq!(call!(gapkeeper_survey_event(keeper, &arrived, &raw mut order)), GapkeeperResult::Ok);
    assert_eq!((order.kind, s.status().surveying), (GapkeeperOrderKind::Aborted as u8, 0));
}

#[test]
fn on_request_the_job_asks() {
    let settings = GapkeeperSettings { restore: GapkeeperRestore::OnRequest as u8, ..settings() };
    let mut s = Session::homed(&settings);
    let keeper = &raw mut s.keeper;
    assert_eq!(call!(gapkeeper_set_grid(keeper, &grid(), HEIGHTS_UM.as_ptr(), 9)), GapkeeperResult::Ok);
    let warm = GapkeeperTemperature { at_s: 0, bed_c: 58, nozzle_c: 150 };
    let mut choice = zeroed();
    assert_eq!(call!(gapkeeper_temperature(keeper, &warm, &mut zeroed())), GapkeeperResult::Ok);
    assert_eq!(call!(gapkeeper_lost_position(keeper)), GapkeeperResult::Ok);
    assert_eq!(call!(gapkeeper_restore(keeper, &raw mut choice)), GapkeeperResult::NotHomed);
    assert_eq!(call!(gapkeeper_homed(keeper, &raw mut choice)), GapkeeperResult::Ok);
    assert_eq!(s.status().in_force, 0);
    assert_eq!(call!(gapkeeper_restore(keeper, &raw mut choice)), GapkeeperResult::Ok);
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
