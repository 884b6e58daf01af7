//! Persistent memory as the caller's functions.

use core::ffi::c_void;
use core::fmt;

use gapkeeper::Store;
use gapkeeper::memory::{Cells, SlotMemory};
use gapkeeper::record::max_record_size;
use gapkeeper::store::slot_size;

use crate::GAPKEEPER_STATIONS;
use crate::pointer::Plain;
use crate::result::GapkeeperResult;

/// Slots for the setup and for all grids.
pub const GAPKEEPER_SLOT_COUNT: u32 = 8;

/// Bytes of the longest record. A slot holds it, and after it two seals of `GAPKEEPER_SEAL_SIZE` bytes, each of the three
/// rounded up to whole units: `GAPKEEPER_SLOT_SIZE(unit)`.
pub const GAPKEEPER_RECORD_SIZE: u32 = 112;

/// Bytes of a seal.
pub const GAPKEEPER_SEAL_SIZE: u32 = 4;

const _: () = assert!(GAPKEEPER_SLOT_COUNT as usize == 2 + 2 * crate::GAPKEEPER_GRIDS);
const _: () = assert!(GAPKEEPER_RECORD_SIZE as usize == max_record_size(GAPKEEPER_STATIONS));

/// What a function of a memory answers; any other number is a failure, which the text of the result shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperMemoryAnswer {
    /// Done.
    Done = 0,
    /// Only from `read`: these cells cannot be read, as in flash with error correction after a power cut.
    Damaged = 1,
    /// The part did not answer: not there, or at work on a write of before.
    NoAnswer = 2,
    /// Only from the library's memories: bytes outside the slots, or a description that was changed or has moved.
    Misused = 3,
}

/// Persistent memory in slots of equal size. For usual parts the library makes one: `gapkeeper_byte_eeprom`,
/// `gapkeeper_i2c_eeprom`, `gapkeeper_nor_flash`. For another sort, fill it.
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
    /// Bytes in each slot, `GAPKEEPER_SLOT_SIZE(unit)` or more.
    pub slot_size: u32,
    /// Bytes that a power failure during a write puts at risk together; a slot is a multiple of it.
    pub unit: u32,
}

// SAFETY: pointers, and functions that may be null, of which this crate trusts none before it is asked to; and integers.
unsafe impl Plain for GapkeeperMemory {}

/// A function of the memory reported a failure.
#[derive(Clone, Copy, Debug)]
pub(crate) struct MemoryFailure(u8);

impl MemoryFailure {
    /// What the function answered.
    pub(crate) fn number(self) -> u8 {
        self.0
    }
}

impl From<GapkeeperMemoryAnswer> for MemoryFailure {
    fn from(answer: GapkeeperMemoryAnswer) -> Self {
        Self(answer as u8)
    }
}

impl fmt::Display for MemoryFailure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const NO_ANSWER: u8 = GapkeeperMemoryAnswer::NoAnswer as u8;
        const MISUSED: u8 = GapkeeperMemoryAnswer::Misused as u8;
        match self.0 {
            NO_ANSWER => write!(f, "the memory does not answer: check wiring and device address, or allow more polls"),
            MISUSED => write!(f, "the memory's description has changed or moved: keep it where it is, as it is"),
            number => write!(f, "the memory reported failure {number}"),
        }
    }
}

/// Bytes that a slot must have in a memory of this unit, as `GAPKEEPER_SLOT_SIZE(unit)`; a unit of 0 counts as 1.
#[unsafe(no_mangle)]
pub extern "C" fn gapkeeper_slot_size(unit: u32) -> u32 {
    u32::try_from(slot_size(GAPKEEPER_STATIONS, held(unit))).unwrap_or(u32::MAX)
}

/// The caller's memory, all three functions there.
pub(crate) struct CallerMemory {
    context: *mut c_void,
    read: unsafe extern "C" fn(*mut c_void, u32, u32, *mut u8, usize) -> u8,
    erase: unsafe extern "C" fn(*mut c_void, u32) -> u8,
    write: unsafe extern "C" fn(*mut c_void, u32, u32, *const u8, usize) -> u8,
    slot_count: u32,
    slot_size: u32,
    unit: u32,
}

/// cbindgen:ignore
pub(crate) type CallerStore = Store<CallerMemory, GAPKEEPER_STATIONS, { max_record_size(GAPKEEPER_STATIONS) }>;

impl CallerMemory {
    /// # Safety
    /// The functions do what [`GapkeeperMemory`] says, as long as this lives.
    pub(crate) unsafe fn new(memory: GapkeeperMemory) -> Result<Self, GapkeeperResult> {
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
pub(crate) fn held(bytes: u32) -> usize {
    usize::try_from(bytes).unwrap_or(usize::MAX)
}

/// Slots and offsets come from sizes of 32 bits.
fn narrowed(number: usize) -> Result<u32, MemoryFailure> {
    u32::try_from(number).map_err(|_| MemoryFailure(u8::MAX))
}

/// Whether a function of the caller did as asked.
pub(crate) fn done(answer: u8) -> Result<(), MemoryFailure> {
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
