//! Persistent memory as the caller's functions.

use core::ffi::c_void;
use core::fmt;

use gapkeeper::Store;
use gapkeeper::memory::{Cells, SlotMemory};
use gapkeeper::record::max_record_size;

use crate::GAPKEEPER_STATIONS;
use crate::keeper::KeeperStorage;
use crate::pointer::{self, Answer, Plain};
use crate::result::{Failure, GapkeeperResult, answer};
use crate::storage::GapkeeperKeeper;

/// Slots for the setup and for all grids.
pub const GAPKEEPER_SLOT_COUNT: u32 = 8;

/// Bytes of the longest record. A slot holds it, rounded up to whole units, and one more unit of at least four bytes.
pub const GAPKEEPER_RECORD_SIZE: u32 = 112;

const _: () = assert!(GAPKEEPER_SLOT_COUNT as usize == 2 + 2 * crate::GAPKEEPER_GRIDS);
const _: () = assert!(GAPKEEPER_RECORD_SIZE as usize == max_record_size(GAPKEEPER_STATIONS));

/// What a function of the memory answers; any other number is a failure, which the text of the result shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperMemoryAnswer {
    /// Done.
    Done = 0,
    /// Only from `read`: these cells cannot be read, as in flash with error correction after a power cut.
    Damaged = 1,
}

/// Persistent memory in slots of equal size.
///
/// Each call is one attempt: report failures, never try over. `write` begins at a multiple of `unit`, writes all bytes
/// also where they read as wanted, and may fill the rest of its last unit. `write` and `erase` return when the memory
/// is done. No function calls the keeper that is being loaded or saved.
#[derive(Clone, Copy)]
#[repr(C)]
pub struct GapkeeperMemory {
    /// Given to every function; may be null.
    pub context: *mut c_void,
    /// Reads `length` bytes of a slot.
    pub read:
        Option<unsafe extern "C" fn(context: *mut c_void, slot: u32, offset: u32, bytes: *mut u8, length: usize) -> u8>,
    /// Makes a slot writable; does nothing where written bytes can be written over.
    pub erase: Option<unsafe extern "C" fn(context: *mut c_void, slot: u32) -> u8>,
    /// Writes `length` bytes of a slot.
    pub write: Option<
        unsafe extern "C" fn(context: *mut c_void, slot: u32, offset: u32, bytes: *const u8, length: usize) -> u8,
    >,
    /// Number of slots, `GAPKEEPER_SLOT_COUNT` or more.
    pub slot_count: u32,
    /// Bytes in each slot.
    pub slot_size: u32,
    /// Bytes that a power failure during a write puts at risk together; a slot is a multiple of it.
    pub unit: u32,
}

/// What loading found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperLoadReport {
    /// Grids loaded.
    pub grids: u8,
    /// Places whose record is damaged or of a newer layout.
    pub unreadable: u8,
    /// 1: the setup could not be told for certain, so a new one was begun and no grid holds.
    pub setup_uncertain: u8,
}

// SAFETY: pointers, and functions that may be null, of which this crate trusts none before it is asked to; and integers.
unsafe impl Plain for GapkeeperMemory {}
// SAFETY: integers only, so any bytes are a value.
unsafe impl Plain for GapkeeperLoadReport {}

/// A function of the memory reported a failure.
#[derive(Clone, Copy)]
pub(crate) struct MemoryFailure(u8);

impl fmt::Display for MemoryFailure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the memory reported failure {}", self.0)
    }
}

/// The caller's memory, all three functions there.
struct CallerMemory {
    context: *mut c_void,
    read: unsafe extern "C" fn(*mut c_void, u32, u32, *mut u8, usize) -> u8,
    erase: unsafe extern "C" fn(*mut c_void, u32) -> u8,
    write: unsafe extern "C" fn(*mut c_void, u32, u32, *const u8, usize) -> u8,
    slot_count: u32,
    slot_size: u32,
    unit: u32,
}

/// cbindgen:ignore
type CallerStore = Store<CallerMemory, GAPKEEPER_STATIONS, { max_record_size(GAPKEEPER_STATIONS) }>;

impl CallerMemory {
    /// # Safety
    /// The functions do what [`GapkeeperMemory`] says, as long as this lives.
    unsafe fn new(memory: GapkeeperMemory) -> Result<Self, GapkeeperResult> {
        let GapkeeperMemory { context, read, erase, write, slot_count, slot_size, unit } = memory;
        let missing = GapkeeperResult::NullPointer;
        if slot_count < GAPKEEPER_SLOT_COUNT || unit == 0 {
            return Err(GapkeeperResult::MemorySize);
        }
        Ok(Self {
            context,
            read: read.ok_or(missing)?,
            erase: erase.ok_or(missing)?,
            write: write.ok_or(missing)?,
            slot_count,
            slot_size,
            unit,
        })
    }
}

/// Held at the largest size there is: more memory than can be addressed is not used.
fn held(bytes: u32) -> usize {
    usize::try_from(bytes).unwrap_or(usize::MAX)
}

/// Slots and offsets come from sizes of 32 bits.
fn narrowed(number: usize) -> Result<u32, MemoryFailure> {
    u32::try_from(number).map_err(|_| MemoryFailure(u8::MAX))
}

fn done(answer: u8) -> Result<(), MemoryFailure> {
    if answer == GapkeeperMemoryAnswer::Done as u8 { Ok(()) } else { Err(MemoryFailure(answer)) }
}

impl SlotMemory for CallerMemory {
    type Error = MemoryFailure;

    fn slot_count(&self) -> usize {
        held(self.slot_count)
    }

    fn slot_size(&self) -> usize {
        held(self.slot_size)
    }

    fn unit(&self) -> usize {
        held(self.unit)
    }

    fn read(&mut self, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<Cells, MemoryFailure> {
        let (slot, offset) = (narrowed(slot)?, narrowed(offset)?);
        // SAFETY: the function does what the header says, see `new`; the bytes are there and may be written.
        let answer = unsafe { (self.read)(self.context, slot, offset, bytes.as_mut_ptr(), bytes.len()) };
        if answer == GapkeeperMemoryAnswer::Damaged as u8 {
            return Ok(Cells::Damaged);
        }
        done(answer).map(|()| Cells::Readable)
    }

    fn erase(&mut self, slot: usize) -> Result<(), MemoryFailure> {
        let slot = narrowed(slot)?;
        // SAFETY: the function does what the header says, see `new`.
        done(unsafe { (self.erase)(self.context, slot) })
    }

    fn write(&mut self, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), MemoryFailure> {
        let (slot, offset) = (narrowed(slot)?, narrowed(offset)?);
        // SAFETY: the function does what the header says, see `new`; the bytes are there.
        done(unsafe { (self.write)(self.context, slot, offset, bytes.as_ptr(), bytes.len()) })
    }
}

/// Loads all that is stored; nothing comes into force before homing. Takes some 400 bytes of stack.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `memory` is null or has functions that do what [`GapkeeperMemory`] says,
/// `report` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_load(
    keeper: *mut GapkeeperKeeper,
    memory: *const GapkeeperMemory,
    report: *mut GapkeeperLoadReport,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, report) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(report)?) };
        // SAFETY: as the caller promises.
        let memory = unsafe { CallerMemory::new(pointer::read(memory)?) }?;
        let found = storage.change_alone(|keeper| {
            let mut store = CallerStore::new(memory)?;
            keeper.load(&mut store).map_err(Failure::from)
        })?;
        report.give(GapkeeperLoadReport {
            grids: found.grids,
            unreadable: found.unreadable,
            setup_uncertain: found.setup_uncertain.into(),
        });
        Ok(())
    })
}

/// Stores whatever is not saved yet. When it returns `GAPKEEPER_RESULT_OK`, all of it survives power loss; after a
/// failure calling again is safe.
///
/// # Safety
/// As for `gapkeeper_load`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_save(
    keeper: *mut GapkeeperKeeper,
    memory: *const GapkeeperMemory,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { KeeperStorage::filled(keeper) }?;
        // SAFETY: as the caller promises.
        let memory = unsafe { CallerMemory::new(pointer::read(memory)?) }?;
        storage.change_alone(|keeper| {
            let mut store = CallerStore::new(memory)?;
            keeper.save(&mut store).map_err(Failure::from)
        })
    })
}
