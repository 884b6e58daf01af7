//! The library's memories over a caller's functions: byte EEPROM, I2C EEPROM and NOR flash, as parts that keep their rules.

#[macro_use]
mod session;

use core::ffi::c_void;

use gapkeeper_c_api::*;
use session::{HEIGHTS_UM, MOTION, Session, grid, settings, text, zeroed};

const CELLS: usize = 8192;
/// Where stray writes would show.
const BORDER: u8 = 0xA5;

/// A part that breaks on whatever its data sheet forbids.
struct Part {
    cells: Vec<u8>,
    /// Calls of the caller's functions until one fails, and what that answers.
    calls_left: u32,
    failure: u8,
    calls: u32,
    /// I2C: questions that the part leaves unanswered after a write cycle has begun, and how many are left.
    busy_polls: u16,
    busy_left: u16,
    waited_us: u32,
    pages: u32,
    /// Flash: bytes that were programmed since they were erased, and an unreadable unit.
    programmed: Vec<bool>,
    damaged_at: Option<u32>,
}

const PAGE: usize = 32;
const UNIT: usize = 8;
const SECTOR: usize = 512;

impl Part {
    fn new(region: GapkeeperRegion) -> Box<Self> {
        let mut cells = vec![BORDER; CELLS];
        cells[inside(region)].fill(0xFF);
        Box::new(Self {
            cells,
            calls_left: u32::MAX,
            failure: 21,
            calls: 0,
            busy_polls: 2,
            busy_left: 0,
            waited_us: 0,
            pages: 0,
            programmed: vec![false; CELLS],
            damaged_at: None,
        })
    }

    fn answer(&mut self) -> u8 {
        self.calls += 1;
        match self.calls_left.checked_sub(1) {
            Some(left) => {
                self.calls_left = left;
                0
            }
            None => self.failure,
        }
    }
}

fn inside(region: GapkeeperRegion) -> core::ops::Range<usize> {
    let first = region.first_address as usize;
    first..first + (region.slot_size * region.slot_count) as usize
}

fn part<'a>(context: *mut c_void) -> &'a mut Part {
    // SAFETY: the context that the test gave.
    unsafe { &mut *context.cast::<Part>() }
}

fn of<'a>(bytes: *const u8, length: usize) -> &'a [u8] {
    // SAFETY: as the library promises.
    unsafe { core::slice::from_raw_parts(bytes, length) }
}

fn into<'a>(bytes: *mut u8, length: usize) -> &'a mut [u8] {
    // SAFETY: as the library promises.
    unsafe { core::slice::from_raw_parts_mut(bytes, length) }
}

unsafe extern "C" fn read_byte(context: *mut c_void, address: u32, byte: *mut u8) -> u8 {
    let part = part(context);
    call!(byte.write(part.cells[address as usize]));
    part.answer()
}

unsafe extern "C" fn write_byte(context: *mut c_void, address: u32, byte: u8) -> u8 {
    let part = part(context);
    let answer = part.answer();
    if answer == 0 {
        part.cells[address as usize] = byte;
    }
    answer
}

const BYTES_SLOT: u32 = gapkeeper::store::slot_size(GAPKEEPER_STATIONS, 1) as u32;
const BYTES_REGION: GapkeeperRegion = GapkeeperRegion { first_address: 16, slot_size: BYTES_SLOT, slot_count: 8 };

fn byte_eeprom(part: &mut Part) -> GapkeeperByteEeprom {
    GapkeeperByteEeprom {
        context: (&raw mut *part).cast(),
        read_byte: Some(read_byte),
        write_byte: Some(write_byte),
        capacity: CELLS as u32,
        region: BYTES_REGION,
    }
}

/// A part of two address bytes that answers nothing while it writes, and wraps within a page.
unsafe extern "C" fn i2c_write(context: *mut c_void, device: u8, bytes: *const u8, length: usize) -> u8 {
    let (part, bytes) = (part(context), of(bytes, length));
    assert_eq!(device, 0x50);
    if let Some(left) = part.busy_left.checked_sub(1) {
        part.busy_left = left;
        return GapkeeperMemoryAnswer::NoAnswer as u8;
    }
    let answer = part.answer();
    let [high, low, data @ ..] = bytes else { panic!("{bytes:?}: no address") };
    if answer == 0 && !data.is_empty() {
        let address = usize::from(*high) << 8 | usize::from(*low);
        for (place, &byte) in data.iter().enumerate() {
            part.cells[address / PAGE * PAGE + (address + place) % PAGE] = byte;
        }
        assert!(data.len() <= PAGE);
        part.pages += 1;
        part.busy_left = part.busy_polls;
    }
    answer
}

unsafe extern "C" fn i2c_write_read(
    context: *mut c_void,
    device: u8,
    sent: *const u8,
    sent_length: usize,
    bytes: *mut u8,
    length: usize,
) -> u8 {
    let (part, sent) = (part(context), of(sent, sent_length));
    assert_eq!((device, sent.len()), (0x50, 2));
    if let Some(left) = part.busy_left.checked_sub(1) {
        part.busy_left = left;
        return GapkeeperMemoryAnswer::NoAnswer as u8;
    }
    let address = usize::from(sent[0]) << 8 | usize::from(sent[1]);
    into(bytes, length).copy_from_slice(&part.cells[address..address + length]);
    part.answer()
}

unsafe extern "C" fn delay_us(context: *mut c_void, us: u32) {
    part(context).waited_us += us;
}

const PAGES_REGION: GapkeeperRegion = GapkeeperRegion { first_address: 64, slot_size: 192, slot_count: 8 };

fn i2c_eeprom(part: &mut Part) -> GapkeeperI2cEeprom {
    GapkeeperI2cEeprom {
        context: (&raw mut *part).cast(),
        write: Some(i2c_write),
        write_read: Some(i2c_write_read),
        delay_us: Some(delay_us),
        capacity: CELLS as u32,
        page_size: PAGE as u32,
        poll_interval_us: 1000,
        region: PAGES_REGION,
        polls: 10,
        device_address: 0x50,
        address_bytes: 2,
    }
}

unsafe extern "C" fn flash_read(context: *mut c_void, address: u32, bytes: *mut u8, length: usize) -> u8 {
    let part = part(context);
    let first = address as usize;
    into(bytes, length).copy_from_slice(&part.cells[first..first + length]);
    match part.damaged_at {
        Some(damaged) if (first..first + length).contains(&(damaged as usize)) => GapkeeperMemoryAnswer::Damaged as u8,
        _ => part.answer(),
    }
}

unsafe extern "C" fn flash_erase(context: *mut c_void, address: u32) -> u8 {
    let part = part(context);
    let unit = address as usize..address as usize + SECTOR;
    assert_eq!(unit.start % SECTOR, 0);
    let answer = part.answer();
    if answer == 0 {
        part.cells[unit.clone()].fill(0xFF);
        part.programmed[unit].fill(false);
    }
    answer
}

unsafe extern "C" fn flash_program(context: *mut c_void, address: u32, bytes: *const u8, length: usize) -> u8 {
    let (part, bytes) = (part(context), of(bytes, length));
    let units = address as usize..address as usize + length;
    assert_eq!((units.start % UNIT, length % UNIT), (0, 0), "whole units");
    assert!(part.programmed[units.clone()].iter().all(|&twice| !twice), "a unit is programmed once");
    let answer = part.answer();
    if answer == 0 {
        part.cells[units.clone()].copy_from_slice(bytes);
        part.programmed[units].fill(true);
    }
    answer
}

/// Slots of an erase unit each; the last sector is not theirs.
const FLASH_REGION: GapkeeperRegion = GapkeeperRegion { first_address: 512, slot_size: 512, slot_count: 8 };

fn nor_flash(part: &mut Part) -> GapkeeperNorFlash {
    GapkeeperNorFlash {
        context: (&raw mut *part).cast(),
        read: Some(flash_read),
        erase: Some(flash_erase),
        program: Some(flash_program),
        capacity: CELLS as u32,
        erase_size: SECTOR as u32,
        program_size: UNIT as u32,
        region: FLASH_REGION,
    }
}

/// A description, boxed so that it stays where it is, and how a memory is made of it.
enum Description {
    Bytes(Box<GapkeeperByteEeprom>),
    Pages(Box<GapkeeperI2cEeprom>),
    Flash(Box<GapkeeperNorFlash>),
}

impl Description {
    fn memory(&self) -> GapkeeperMemory {
        let mut memory = zeroed();
        let made = match self {
            Self::Bytes(eeprom) => call!(gapkeeper_byte_eeprom(&raw const **eeprom, &raw mut memory)),
            Self::Pages(eeprom) => call!(gapkeeper_i2c_eeprom(&raw const **eeprom, &raw mut memory)),
            Self::Flash(flash) => call!(gapkeeper_nor_flash(&raw const **flash, &raw mut memory)),
        };
        assert_eq!(made, GapkeeperResult::Ok);
        memory
    }
}

type Describe = fn(&mut Part) -> Description;

/// Every sort of memory, where its slots lie, and its unit.
const SORTS: [(GapkeeperRegion, u32, Describe); 3] = [
    (BYTES_REGION, 1, |part| Description::Bytes(Box::new(byte_eeprom(part)))),
    (PAGES_REGION, PAGE as u32, |part| Description::Pages(Box::new(i2c_eeprom(part)))),
    (FLASH_REGION, UNIT as u32, |part| Description::Flash(Box::new(nor_flash(part)))),
];

/// A keeper that loads, or begins a memory, warm and homed.
fn started(memory: &GapkeeperMemory, begin: bool) -> (Box<Session>, GapkeeperResult) {
    let mut s = Session::raw();
    let keeper = &raw mut s.keeper;
    let warm = GapkeeperTemperature { at_s: 0, bed_c: 60, nozzle_c: 150 };
    assert_eq!(call!(gapkeeper_init(keeper, GAPKEEPER_KEEPER_SIZE, &settings())), GapkeeperResult::Ok);
    assert_eq!(call!(gapkeeper_temperature(keeper, &warm, &mut zeroed())), GapkeeperResult::Ok);
    let loaded = match begin {
        true => call!(gapkeeper_begin_memory(keeper, memory, &mut zeroed())),
        false => call!(gapkeeper_load(keeper, memory, &mut zeroed())),
    };
    assert_eq!(call!(gapkeeper_homed(keeper, &mut zeroed())), GapkeeperResult::Ok);
    (s, loaded)
}

fn save(s: &mut Session, memory: &GapkeeperMemory) -> GapkeeperResult {
    call!(gapkeeper_save(&raw mut s.keeper, memory, &mut zeroed()))
}

/// Begins a memory and takes the grid, unsaved.
fn with_grid(memory: &GapkeeperMemory) -> Box<Session> {
    let (mut s, begun) = started(memory, true);
    assert_eq!(begun, GapkeeperResult::Ok);
    let set = call!(gapkeeper_set_grid(&raw mut s.keeper, &grid(), HEIGHTS_UM.as_ptr(), 9));
    assert_eq!(set, GapkeeperResult::Ok);
    s
}

#[test]
fn what_is_saved_comes_back_from_every_sort_of_memory() {
    for (region, unit, describe) in SORTS {
        let mut part = Part::new(region);
        let description = describe(&mut part);
        let memory = description.memory();
        assert_eq!((memory.slot_count, memory.slot_size, memory.unit), (8, region.slot_size, unit));
        assert_eq!(started(&memory, false).1, GapkeeperResult::MemoryBlank);
        let mut s = with_grid(&memory);
        let before = s.pieces_of(&MOTION);
        // Several saves, so that both slots of each pair are used again.
        for _ in 0..5 {
            assert_eq!(call!(gapkeeper_shift_by(&raw mut s.keeper, 1, &mut 0)), GapkeeperResult::Ok);
            assert_eq!(save(&mut s, &memory), GapkeeperResult::Ok);
        }
        assert_eq!(call!(gapkeeper_shift_by(&raw mut s.keeper, -5, &mut 0)), GapkeeperResult::Ok);
        assert_eq!(save(&mut s, &memory), GapkeeperResult::Ok);
        let (mut s, loaded) = started(&memory, false);
        assert_eq!((loaded, s.pieces_of(&MOTION)), (GapkeeperResult::Ok, before));
        // Nothing outside the region.
        let slots = inside(region);
        let outside = part.cells[..slots.start].iter().chain(&part.cells[slots.end..]);
        assert!(outside.clone().all(|&cell| cell == BORDER) && outside.count() > 0);
    }
}

/// Each call of the caller's functions fails once: that is said with its number, and nothing stale holds afterwards.
#[test]
fn a_failure_is_passed_on_with_its_number() {
    for (region, _, describe) in SORTS {
        let mut failures = 0;
        for calls_left in 0.. {
            let mut part = Part::new(region);
            let description = describe(&mut part);
            let memory = description.memory();
            assert_eq!(save(&mut with_grid(&memory), &memory), GapkeeperResult::Ok);
            let (mut s, _) = started(&memory, false);
            assert_eq!(call!(gapkeeper_screw_turned(&raw mut s.keeper, &mut zeroed())), GapkeeperResult::Ok);
            part.calls_left = calls_left;
            let saved = save(&mut s, &memory);
            part.calls_left = u32::MAX;
            if saved == GapkeeperResult::Ok {
                break;
            }
            assert_eq!(saved, GapkeeperResult::MemoryAccess);
            assert_eq!(s.text_of(saved), "the setup: the memory reported failure 21");
            failures += 1;
            // Calling again is safe.
            part.busy_left = 0;
            assert_eq!(save(&mut s, &memory), GapkeeperResult::Ok);
            let (s, loaded) = started(&memory, false);
            assert_eq!((loaded, s.status().in_force), (GapkeeperResult::Ok, 0));
            assert!(calls_left < 2000);
        }
        assert!(failures > 8, "{failures} calls that can fail");
    }
}

/// A part that is at work is asked until it answers, with the stated time between, or given up.
#[test]
fn an_i2c_part_is_waited_for() {
    let mut part = Part::new(PAGES_REGION);
    let description = i2c_eeprom(&mut part);
    let mut memory = zeroed();
    assert_eq!(call!(gapkeeper_i2c_eeprom(&description, &raw mut memory)), GapkeeperResult::Ok);
    let mut s = with_grid(&memory);
    (part.pages, part.waited_us) = (0, 0);
    assert_eq!(save(&mut s, &memory), GapkeeperResult::Ok);
    assert!(part.pages > 3, "{}", part.pages);
    assert!(part.waited_us >= part.pages * 2000, "{} us", part.waited_us);
    part.busy_polls = 5000;
    assert_eq!(call!(gapkeeper_shift_by(&raw mut s.keeper, 1, &mut 0)), GapkeeperResult::Ok);
    let saved = save(&mut s, &memory);
    assert_eq!(saved, GapkeeperResult::MemoryAccess);
    assert_eq!(
        s.text_of(saved),
        "grid 1: the memory does not answer: check wiring and device address, or allow more polls"
    );
    let (s, loaded) = started(&memory, false);
    assert_eq!(loaded, GapkeeperResult::MemoryAccess);
    let said = s.text_of(loaded);
    assert!(said.starts_with("the memory "), "{said}");
}

/// A unit that error correction gives up is a torn record, not a failed read.
#[test]
fn damage_in_flash_is_no_failure() {
    let mut part = Part::new(FLASH_REGION);
    let description = nor_flash(&mut part);
    let mut memory = zeroed();
    assert_eq!(call!(gapkeeper_nor_flash(&description, &raw mut memory)), GapkeeperResult::Ok);
    let mut s = with_grid(&memory);
    assert_eq!(save(&mut s, &memory), GapkeeperResult::Ok);
    let grid_slot = FLASH_REGION.first_address + 2 * FLASH_REGION.slot_size;
    part.damaged_at = Some(grid_slot + 20);
    let mut report: GapkeeperLoadReport = zeroed();
    let loaded = call!(gapkeeper_load(&raw mut s.keeper, &memory, &raw mut report));
    assert_eq!((loaded, report.grids, report.unreadable), (GapkeeperResult::Ok, 0, 1));
}

#[test]
fn descriptions_are_checked_when_the_memory_is_made() {
    let mut cells = Part::new(BYTES_REGION);
    let good = byte_eeprom(&mut cells);
    let at = |first_address, region| GapkeeperRegion { first_address, ..region };
    let cases = [
        (GapkeeperByteEeprom { read_byte: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperByteEeprom { write_byte: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperByteEeprom { region: at(0, BYTES_REGION), ..good }, GapkeeperResult::MemoryAddressZero),
        (GapkeeperByteEeprom { capacity: 900, ..good }, GapkeeperResult::MemoryTooShort),
        (GapkeeperByteEeprom { region: at(u32::MAX, BYTES_REGION), ..good }, GapkeeperResult::MemoryTooShort),
    ];
    for (description, expected) in cases {
        assert_eq!(call!(gapkeeper_byte_eeprom(&description, &mut zeroed())), expected);
    }
    let good = i2c_eeprom(&mut cells);
    let cases = [
        (GapkeeperI2cEeprom { write: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperI2cEeprom { write_read: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperI2cEeprom { delay_us: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperI2cEeprom { address_bytes: 3, ..good }, GapkeeperResult::UnknownKind),
        (GapkeeperI2cEeprom { polls: 0, ..good }, GapkeeperResult::MemoryNoWait),
        (GapkeeperI2cEeprom { poll_interval_us: 0, ..good }, GapkeeperResult::MemoryNoWait),
        (GapkeeperI2cEeprom { device_address: 0xA0, ..good }, GapkeeperResult::MemoryDeviceAddress),
        (GapkeeperI2cEeprom { page_size: 0, ..good }, GapkeeperResult::MemoryUnit),
        (GapkeeperI2cEeprom { page_size: 256, ..good }, GapkeeperResult::MemoryUnit),
        (GapkeeperI2cEeprom { region: at(0, PAGES_REGION), ..good }, GapkeeperResult::MemoryAddressZero),
        (GapkeeperI2cEeprom { region: at(65, PAGES_REGION), ..good }, GapkeeperResult::MemoryAlignment),
        (GapkeeperI2cEeprom { capacity: 1000, ..good }, GapkeeperResult::MemoryTooShort),
    ];
    for (description, expected) in cases {
        assert_eq!(call!(gapkeeper_i2c_eeprom(&description, &mut zeroed())), expected);
    }
    let good = nor_flash(&mut cells);
    let slots_of_192 = GapkeeperRegion { slot_size: 192, ..FLASH_REGION };
    let cases = [
        (GapkeeperNorFlash { read: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperNorFlash { erase: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperNorFlash { program: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperNorFlash { erase_size: 0, ..good }, GapkeeperResult::MemoryAlignment),
        (GapkeeperNorFlash { program_size: 0, ..good }, GapkeeperResult::MemoryAlignment),
        (GapkeeperNorFlash { program_size: 512, ..good }, GapkeeperResult::MemoryUnit),
        (GapkeeperNorFlash { erase_size: 12, program_size: 12, ..good }, GapkeeperResult::MemoryAlignment),
        (GapkeeperNorFlash { region: at(256, FLASH_REGION), ..good }, GapkeeperResult::MemoryAlignment),
        (GapkeeperNorFlash { region: slots_of_192, ..good }, GapkeeperResult::MemoryAlignment),
        (GapkeeperNorFlash { capacity: 4096, ..good }, GapkeeperResult::MemoryTooShort),
    ];
    for (description, expected) in cases {
        assert_eq!(call!(gapkeeper_nor_flash(&description, &mut zeroed())), expected);
        let said = text(|text, size| call!(gapkeeper_result_text(core::ptr::null(), expected as u8, text, size)));
        assert!(!said.is_empty());
    }
    // Flash may have its first slot at 0, and units of one byte and of 256.
    for program_size in [1, 2, 4, 8, 16, 32, 64, 128, 256] {
        let description = GapkeeperNorFlash { program_size, region: at(0, FLASH_REGION), ..good };
        let mut memory: GapkeeperMemory = zeroed();
        assert_eq!(call!(gapkeeper_nor_flash(&description, &raw mut memory)), GapkeeperResult::Ok);
        assert_eq!(memory.unit, program_size);
    }
}

/// What is not a description any more is found at the next access, and bytes outside a slot are refused.
#[test]
fn a_memory_that_is_misused_answers_that() {
    let mut cells = Part::new(BYTES_REGION);
    let mut description = byte_eeprom(&mut cells);
    let mut memory: GapkeeperMemory = zeroed();
    // One pointer for the library and for the change below.
    let place = &raw mut description;
    assert_eq!(call!(gapkeeper_byte_eeprom(place, &raw mut memory)), GapkeeperResult::Ok);
    let misused = GapkeeperMemoryAnswer::Misused as u8;
    let GapkeeperMemory { context, read: Some(read), erase: Some(erase), write: Some(write), .. } = memory else {
        panic!("functions are missing")
    };
    let mut bytes = [0; 8];
    let answers = [
        call!(read(context, 8, 0, bytes.as_mut_ptr(), 8)),
        call!(read(context, 0, BYTES_SLOT - 7, bytes.as_mut_ptr(), 8)),
        call!(read(context, u32::MAX, u32::MAX, bytes.as_mut_ptr(), 8)),
        call!(read(context, 0, 0, core::ptr::null_mut(), 8)),
        call!(read(core::ptr::null_mut(), 0, 0, bytes.as_mut_ptr(), 8)),
        call!(write(context, 0, BYTES_SLOT - 7, bytes.as_ptr(), 8)),
        call!(write(context, 0, 0, core::ptr::null(), 8)),
        call!(write(core::ptr::null_mut(), 0, 0, bytes.as_ptr(), 8)),
        call!(erase(core::ptr::null_mut(), 0)),
    ];
    assert_eq!(answers, [misused; 9]);
    call!(place.write(GapkeeperByteEeprom { capacity: 0, ..place.read() }));
    assert_eq!(call!(read(context, 0, 0, bytes.as_mut_ptr(), 8)), misused);
    assert!(cells.cells[inside(BYTES_REGION)].iter().all(|&cell| cell == 0xFF));
    for pointers in [0, 1] {
        let (description, memory) = (&raw const description, &raw mut memory);
        let (none, nowhere) = (core::ptr::null(), core::ptr::null_mut());
        let (eeprom, memory) = if pointers == 0 { (none, memory) } else { (description, nowhere) };
        assert_eq!(call!(gapkeeper_byte_eeprom(eeprom, memory)), GapkeeperResult::NullPointer);
        assert_eq!(call!(gapkeeper_i2c_eeprom(core::ptr::null(), memory)), GapkeeperResult::NullPointer);
        assert_eq!(call!(gapkeeper_nor_flash(core::ptr::null(), memory)), GapkeeperResult::NullPointer);
    }
}
