//! Where the slots lie in a memory, and what an adapter's functions have in common.

use core::ffi::c_void;

use gapkeeper::memory::{Cells, Region, RegionError, SlotMemory};

use crate::memory::{GapkeeperMemory, GapkeeperMemoryAnswer, MemoryFailure, held};
use crate::pointer::{self, Answer, Plain};
use crate::result::GapkeeperResult;

/// The part of a memory that holds the slots, one after the other.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperRegion {
    /// Address of the first byte of the first slot; not 0 in an EEPROM, where a falling supply may write.
    pub first_address: u32,
    /// Bytes in each slot, `GAPKEEPER_SLOT_SIZE(unit)` or more.
    pub slot_size: u32,
    /// Number of slots, `GAPKEEPER_SLOT_COUNT` or more.
    pub slot_count: u32,
}

impl From<GapkeeperRegion> for Region {
    fn from(GapkeeperRegion { first_address, slot_size, slot_count }: GapkeeperRegion) -> Self {
        Self { first_address, slot_size, slot_count }
    }
}

impl From<RegionError> for GapkeeperResult {
    fn from(error: RegionError) -> Self {
        match error {
            RegionError::AddressZero => Self::MemoryAddressZero,
            RegionError::Alignment { .. } => Self::MemoryAlignment,
            RegionError::TooLong { .. } => Self::MemoryTooShort,
            RegionError::Unit { .. } => Self::MemoryUnit,
            RegionError::NoWait => Self::MemoryNoWait,
            RegionError::DeviceAddress { .. } => Self::MemoryDeviceAddress,
            _ => Self::Other,
        }
    }
}

/// A description of a part with the caller's functions, from which the core's adapter is made for each access.
pub(crate) trait Described: Plain {
    /// What goes wrong in it.
    type Error: Into<MemoryFailure>;

    /// Does something with the adapter.
    ///
    /// # Safety
    /// The description's functions do what the header says.
    unsafe fn with<T>(
        self,
        work: impl FnOnce(&mut dyn SlotMemory<Error = Self::Error>) -> T,
    ) -> Result<T, GapkeeperResult>;
}

/// The memory that a description makes; its context is the description itself.
///
/// # Safety
/// `description` is null or may be read, and its functions do what the header says; `memory` is null or may be written.
pub(crate) unsafe fn describe<D: Described>(
    description: *const D,
    memory: *mut GapkeeperMemory,
) -> Result<(), GapkeeperResult> {
    // SAFETY: as the caller promises.
    let (part, memory) = unsafe { (pointer::read(description)?, Answer::at(memory)?) };
    // SAFETY: as the caller promises.
    let sizes = unsafe { part.with(|slots| (slots.slot_count(), slots.slot_size(), slots.unit())) }?;
    let number = |size: usize| u32::try_from(size).unwrap_or(u32::MAX);
    memory.give(GapkeeperMemory {
        context: description.cast_mut().cast(),
        read: Some(read::<D>),
        erase: Some(erase::<D>),
        write: Some(write::<D>),
        slot_count: number(sizes.0),
        slot_size: number(sizes.1),
        unit: number(sizes.2),
    });
    Ok(())
}

/// Runs one access on the description in a context.
///
/// # Safety
/// `context` is null or points to a description that was given to [`describe`] and has not moved.
unsafe fn access<D: Described>(
    context: *mut c_void,
    work: impl FnOnce(&mut dyn SlotMemory<Error = D::Error>) -> Result<Cells, D::Error>,
) -> u8 {
    // SAFETY: as the caller promises.
    let part = unsafe { pointer::read(context.cast::<D>()) };
    // SAFETY: as for `describe`.
    let done = part.and_then(|part| unsafe { part.with(work) });
    match done {
        Ok(Ok(Cells::Readable)) => GapkeeperMemoryAnswer::Done as u8,
        Ok(Ok(Cells::Damaged)) => GapkeeperMemoryAnswer::Damaged as u8,
        Ok(Err(error)) => error.into().number(),
        // It was in order when the memory was made.
        Err(_) => GapkeeperMemoryAnswer::Misused as u8,
    }
}

unsafe extern "C" fn read<D: Described>(
    context: *mut c_void,
    slot: u32,
    offset: u32,
    bytes: *mut u8,
    length: usize,
) -> u8 {
    if bytes.is_null() {
        return GapkeeperMemoryAnswer::Misused as u8;
    }
    // SAFETY: `length` bytes as `GapkeeperMemory` says.
    let bytes = unsafe { core::slice::from_raw_parts_mut(bytes, length) };
    // SAFETY: the context that `describe` gave.
    unsafe { access::<D>(context, |slots| slots.read(held(slot), held(offset), bytes)) }
}

unsafe extern "C" fn erase<D: Described>(context: *mut c_void, slot: u32) -> u8 {
    // SAFETY: the context that `describe` gave.
    unsafe { access::<D>(context, |slots| slots.erase(held(slot)).map(|()| Cells::Readable)) }
}

unsafe extern "C" fn write<D: Described>(
    context: *mut c_void,
    slot: u32,
    offset: u32,
    bytes: *const u8,
    length: usize,
) -> u8 {
    if bytes.is_null() {
        return GapkeeperMemoryAnswer::Misused as u8;
    }
    // SAFETY: `length` bytes as `GapkeeperMemory` says.
    let bytes = unsafe { core::slice::from_raw_parts(bytes, length) };
    // SAFETY: the context that `describe` gave.
    unsafe { access::<D>(context, |slots| slots.write(held(slot), held(offset), bytes).map(|()| Cells::Readable)) }
}
