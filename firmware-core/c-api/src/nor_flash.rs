//! NOR flash over the caller's three functions.

use core::ffi::c_void;

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};
use gapkeeper::memory::{NorFlashError, NorFlashSlots, SlotMemory};

use crate::memory::{GapkeeperMemory, GapkeeperMemoryAnswer, MemoryFailure, done, held};
use crate::pointer::Plain;
use crate::region::{Described, GapkeeperRegion, describe};
use crate::result::{GapkeeperResult, answer};

/// NOR flash: erased in large units, programmed once in small ones. Its unit is `program_size`.
///
/// A slot is one erase unit or several, and there are `GAPKEEPER_SLOT_COUNT` of them: with sectors of 128 KiB that is a
/// mebibyte. Erasing stalls the call, and on many chips the whole program, for as long as the data sheet says.
///
/// The functions answer `GAPKEEPER_MEMORY_ANSWER_DONE`, or a number of their own from 16 on for a failure.
#[derive(Clone, Copy)]
#[repr(C)]
pub struct GapkeeperNorFlash {
    /// Given to every function; may be null.
    pub context: *mut c_void,
    /// Reads `length` bytes from any address on. `GAPKEEPER_MEMORY_ANSWER_DAMAGED` where error correction gives them up.
    pub read: Option<unsafe extern "C" fn(context: *mut c_void, address: u32, bytes: *mut u8, length: usize) -> u8>,
    /// Erases the erase unit that begins at this address, and returns when that is done.
    pub erase: Option<unsafe extern "C" fn(context: *mut c_void, address: u32) -> u8>,
    /// Programs `length` bytes, whole units, and returns when that is done.
    pub program:
        Option<unsafe extern "C" fn(context: *mut c_void, address: u32, bytes: *const u8, length: usize) -> u8>,
    /// Number of bytes.
    pub capacity: u32,
    /// Bytes in an erase unit.
    pub erase_size: u32,
    /// Bytes programmed at once: a power of two, 1 to 256.
    pub program_size: u32,
    /// Where the slots lie: at erase units. Address 0 may be a slot here.
    pub region: GapkeeperRegion,
}

// SAFETY: pointers, and functions that may be null, of which this crate trusts none before it is asked to; and integers.
unsafe impl Plain for GapkeeperNorFlash {}

/// The caller's flash with program units of so many bytes, all three functions there.
struct CallerFlash<const UNIT: usize> {
    context: *mut c_void,
    read: unsafe extern "C" fn(*mut c_void, u32, *mut u8, usize) -> u8,
    erase: unsafe extern "C" fn(*mut c_void, u32) -> u8,
    program: unsafe extern "C" fn(*mut c_void, u32, *const u8, usize) -> u8,
    capacity: u32,
    erase_size: u32,
}

impl embedded_storage::nor_flash::NorFlashError for MemoryFailure {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

impl<const UNIT: usize> ErrorType for CallerFlash<UNIT> {
    type Error = MemoryFailure;
}

impl<const UNIT: usize> ReadNorFlash for CallerFlash<UNIT> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), MemoryFailure> {
        // SAFETY: the function does what the header says, see `Described::with`; the bytes are there and may be written.
        done(unsafe { (self.read)(self.context, offset, bytes.as_mut_ptr(), bytes.len()) })
    }

    fn capacity(&self) -> usize {
        held(self.capacity)
    }
}

impl<const UNIT: usize> NorFlash for CallerFlash<UNIT> {
    const WRITE_SIZE: usize = UNIT;
    // The caller's own is known at run time only: `Described::with` sees to it that slots are whole units of that.
    const ERASE_SIZE: usize = UNIT;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), MemoryFailure> {
        let mut address = from;
        while address < to {
            // SAFETY: the function does what the header says, see `Described::with`.
            done(unsafe { (self.erase)(self.context, address) })?;
            address = address.saturating_add(self.erase_size);
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), MemoryFailure> {
        // SAFETY: the function does what the header says, see `Described::with`; the bytes are there.
        done(unsafe { (self.program)(self.context, offset, bytes.as_ptr(), bytes.len()) })
    }
}

impl From<NorFlashError<MemoryFailure>> for MemoryFailure {
    fn from(error: NorFlashError<MemoryFailure>) -> Self {
        match error {
            NorFlashError::Flash(failure) => failure,
            _ => GapkeeperMemoryAnswer::Misused.into(),
        }
    }
}

impl GapkeeperNorFlash {
    fn slots<const UNIT: usize>(&self) -> Result<NorFlashSlots<CallerFlash<UNIT>>, GapkeeperResult> {
        let missing = GapkeeperResult::NullPointer;
        let flash = CallerFlash {
            context: self.context,
            read: self.read.ok_or(missing)?,
            erase: self.erase.ok_or(missing)?,
            program: self.program.ok_or(missing)?,
            capacity: self.capacity,
            erase_size: self.erase_size,
        };
        let is_damage = |failure: &MemoryFailure| failure.number() == GapkeeperMemoryAnswer::Damaged as u8;
        Ok(NorFlashSlots::new(flash, self.region.into(), is_damage)?)
    }

    /// Whether slots begin and end at erase units, and those at program units.
    fn check(&self) -> Result<(), GapkeeperResult> {
        let whole = |bytes: u32, unit: u32| bytes.checked_rem(unit) == Some(0);
        let GapkeeperRegion { first_address, slot_size, .. } = self.region;
        let is_aligned = whole(self.erase_size, self.program_size)
            && whole(first_address, self.erase_size)
            && whole(slot_size, self.erase_size);
        if is_aligned { Ok(()) } else { Err(GapkeeperResult::MemoryAlignment) }
    }
}

impl Described for GapkeeperNorFlash {
    type Error = NorFlashError<MemoryFailure>;

    unsafe fn with<T>(
        self,
        work: impl FnOnce(&mut dyn SlotMemory<Error = Self::Error>) -> T,
    ) -> Result<T, GapkeeperResult> {
        self.check()?;
        Ok(match self.program_size {
            1 => work(&mut self.slots::<1>()?),
            2 => work(&mut self.slots::<2>()?),
            4 => work(&mut self.slots::<4>()?),
            8 => work(&mut self.slots::<8>()?),
            16 => work(&mut self.slots::<16>()?),
            32 => work(&mut self.slots::<32>()?),
            64 => work(&mut self.slots::<64>()?),
            128 => work(&mut self.slots::<128>()?),
            256 => work(&mut self.slots::<256>()?),
            _ => return Err(GapkeeperResult::MemoryUnit),
        })
    }
}

/// Makes a memory for `gapkeeper_load` and `gapkeeper_save` of NOR flash. The memory refers to `*flash`, which stays where
/// it is and as it is.
///
/// # Safety
/// `flash` is null or may be read, as long as the memory is used; its functions do what [`GapkeeperNorFlash`] says.
/// `memory` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_nor_flash(
    flash: *const GapkeeperNorFlash,
    memory: *mut GapkeeperMemory,
) -> GapkeeperResult {
    // SAFETY: as the caller promises.
    answer(|| unsafe { describe(flash, memory) })
}
