//! EEPROM that is written byte by byte, over the caller's two functions.

use core::ffi::c_void;

use gapkeeper::memory::{ByteEeprom, ByteEepromError, ByteMemory, SlotMemory};

use crate::memory::{GapkeeperMemory, GapkeeperMemoryAnswer, MemoryFailure, done};
use crate::pointer::Plain;
use crate::region::{Described, GapkeeperRegion, describe};
use crate::result::{GapkeeperResult, answer};

/// EEPROM in which each byte is erased and written by itself, as inside many controllers. Its unit is 1.
///
/// The functions answer `GAPKEEPER_MEMORY_ANSWER_DONE`, or a number of their own from 16 on for a failure.
#[derive(Clone, Copy)]
#[repr(C)]
pub struct GapkeeperByteEeprom {
    /// Given to both functions; may be null.
    pub context: *mut c_void,
    /// Reads a byte.
    pub read_byte: Option<unsafe extern "C" fn(context: *mut c_void, address: u32, byte: *mut u8) -> u8>,
    /// Erases and writes a byte, also where it reads as wanted, and returns when that is done.
    pub write_byte: Option<unsafe extern "C" fn(context: *mut c_void, address: u32, byte: u8) -> u8>,
    /// Number of bytes.
    pub capacity: u32,
    /// Where the slots lie.
    pub region: GapkeeperRegion,
}

// SAFETY: pointers, and functions that may be null, of which this crate trusts none before it is asked to; and integers.
unsafe impl Plain for GapkeeperByteEeprom {}

/// The caller's EEPROM, both functions there.
struct CallerBytes {
    context: *mut c_void,
    read_byte: unsafe extern "C" fn(*mut c_void, u32, *mut u8) -> u8,
    write_byte: unsafe extern "C" fn(*mut c_void, u32, u8) -> u8,
    capacity: u32,
}

impl ByteMemory for CallerBytes {
    type Error = MemoryFailure;

    fn capacity(&self) -> u32 {
        self.capacity
    }

    fn read_byte(&mut self, address: u32) -> Result<u8, MemoryFailure> {
        let mut byte = 0;
        // SAFETY: the function does what the header says, see `Described::with`.
        done(unsafe { (self.read_byte)(self.context, address, &raw mut byte) }).map(|()| byte)
    }

    fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), MemoryFailure> {
        // SAFETY: as above.
        done(unsafe { (self.write_byte)(self.context, address, byte) })
    }
}

impl From<ByteEepromError<MemoryFailure>> for MemoryFailure {
    fn from(error: ByteEepromError<MemoryFailure>) -> Self {
        match error {
            ByteEepromError::Memory(failure) => failure,
            _ => GapkeeperMemoryAnswer::Misused.into(),
        }
    }
}

impl Described for GapkeeperByteEeprom {
    type Error = ByteEepromError<MemoryFailure>;

    unsafe fn with<T>(
        self,
        work: impl FnOnce(&mut dyn SlotMemory<Error = Self::Error>) -> T,
    ) -> Result<T, GapkeeperResult> {
        let Self { context, read_byte, write_byte, capacity, region } = self;
        let missing = GapkeeperResult::NullPointer;
        let (read_byte, write_byte) = (read_byte.ok_or(missing)?, write_byte.ok_or(missing)?);
        let bytes = CallerBytes { context, read_byte, write_byte, capacity };
        Ok(work(&mut ByteEeprom::new(bytes, region.into())?))
    }
}

/// Makes a memory for `gapkeeper_load` and `gapkeeper_save` of a byte-written EEPROM. The memory refers to `*eeprom`, which
/// stays where it is and as it is.
///
/// # Safety
/// `eeprom` is null or may be read, as long as the memory is used; its functions do what [`GapkeeperByteEeprom`] says.
/// `memory` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_byte_eeprom(
    eeprom: *const GapkeeperByteEeprom,
    memory: *mut GapkeeperMemory,
) -> GapkeeperResult {
    // SAFETY: as the caller promises.
    answer(|| unsafe { describe(eeprom, memory) })
}
