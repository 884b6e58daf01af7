//! A memory of the caller's, and keepers that use it.

use core::ffi::c_void;

use gapkeeper_c_api::*;

use super::{HEIGHTS_UM, Session, grid, settings, zeroed};

/// The smallest that there may be: `GAPKEEPER_SLOT_SIZE(UNIT)`.
pub const SLOT_SIZE: usize = gapkeeper::store::slot_size(GAPKEEPER_STATIONS, UNIT as usize);
/// What it writes at once.
pub const UNIT: u32 = 8;

/// Memory of a machine in RAM, with faults.
pub struct Chip {
    /// Its cells by slot.
    pub bytes: [[u8; SLOT_SIZE]; GAPKEEPER_SLOT_COUNT as usize],
    /// Calls until power fails.
    pub calls_left: u32,
    /// A slot that does not keep what is written.
    pub worn: Option<u32>,
    /// Whether cells answer that they are damaged.
    pub damaged: bool,
    /// A keeper that the functions call although they must not, and what it answered.
    pub meddle_with: *mut GapkeeperKeeper,
    pub answered: Option<GapkeeperResult>,
}

impl Chip {
    pub fn new() -> Box<Self> {
        Box::new(Self {
            bytes: [[0xFF; SLOT_SIZE]; GAPKEEPER_SLOT_COUNT as usize],
            calls_left: u32::MAX,
            worn: None,
            damaged: false,
            meddle_with: core::ptr::null_mut(),
            answered: None,
        })
    }

    pub fn memory(&mut self) -> GapkeeperMemory {
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

    /// The answer of a call: 7 after power has failed.
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
    if answer == 0 && chip.worn != Some(slot) {
        let source = call!(core::slice::from_raw_parts(bytes, length));
        chip.bytes[slot as usize][offset as usize..offset as usize + length].copy_from_slice(source);
    }
    answer
}

/// All at once.
pub fn save(session: &mut Session, chip: &mut Chip) -> GapkeeperResult {
    call!(gapkeeper_save(&raw mut session.keeper, &chip.memory(), &mut zeroed()))
}

/// What was loaded.
pub fn load(session: &mut Session, chip: &mut Chip) -> (GapkeeperResult, GapkeeperLoadReport) {
    let mut report = zeroed();
    (call!(gapkeeper_load(&raw mut session.keeper, &chip.memory(), &raw mut report)), report)
}

/// A keeper that has not read its memory, warm.
pub fn started() -> Box<Session> {
    let mut s = Session::raw();
    let keeper = &raw mut s.keeper;
    let warm = GapkeeperTemperature { at_s: 0, bed_c: 60, nozzle_c: 150 };
    assert_eq!(call!(gapkeeper_init(keeper, GAPKEEPER_KEEPER_SIZE, &settings())), GapkeeperResult::Ok);
    assert_eq!(call!(gapkeeper_temperature(keeper, &warm, &mut zeroed())), GapkeeperResult::Ok);
    s
}

/// Which grid came into force.
pub fn homed(session: &mut Session) -> GapkeeperChoice {
    let mut choice = zeroed();
    assert_eq!(call!(gapkeeper_homed(&raw mut session.keeper, &raw mut choice)), GapkeeperResult::Ok);
    choice
}

/// A homed keeper whose memory a person has begun, with the grid unsaved.
pub fn with_grid(chip: &mut Chip) -> Box<Session> {
    let mut s = started();
    let keeper = &raw mut s.keeper;
    assert_eq!(call!(gapkeeper_begin_memory(keeper, &chip.memory(), &mut zeroed())), GapkeeperResult::Ok);
    homed(&mut s);
    assert_eq!(call!(gapkeeper_set_grid(keeper, &grid(), HEIGHTS_UM.as_ptr(), 9)), GapkeeperResult::Ok);
    s
}

/// A new keeper that loads and homes.
pub fn restart(chip: &mut Chip) -> (Box<Session>, GapkeeperLoadReport, GapkeeperChoice) {
    let mut s = started();
    let (loaded, report) = load(&mut s, chip);
    assert_eq!(loaded, GapkeeperResult::Ok);
    let choice = homed(&mut s);
    (s, report, choice)
}
