//! Persistent memories as the store sees them: a row of slots.
//!
//! | adapter | memory | feature |
//! |---|---|---|
//! | [`ByteEeprom`] | EEPROM that is written byte by byte, as inside many controllers | |
//! | `I2cEeprom` | EEPROM with pages on an I2C bus | `embedded-hal` |
//! | `NorFlashSlots` | NOR flash with erase units and program units | `embedded-storage` |
//!
//! A memory of another sort needs [`SlotMemory`] and nothing else.
//!
//! # Which one to choose
//! Slots must not share what one write or erase puts at risk. In a byte-written EEPROM that is a byte, in an I2C EEPROM a
//! page of 8 to 128 bytes, in flash a whole erase unit: three grids and the setup take eight slots, so some 1 KiB of
//! EEPROM, 16 KiB of flash with pages of 2 KiB, and 1 MiB of flash with sectors of 128 KiB. Nobody else may use the rest
//! of these units.
//!
//! Each save in flash begins with an erase: 20 to 40 ms for a page of 2 KiB, up to 0.4 s for 4 KiB of serial flash, 1 to
//! 4 s for a sector of 128 KiB (from memory: check the part's data sheet). Step by step it is still one step. A controller
//! that runs from the flash it erases stands still meanwhile, interrupts included, unless the flash has a second bank
//! or the code lies in RAM: heaters must be safe without it, and no axis may move. So save where nothing moves, or choose
//! an EEPROM where saves and motion go together. Flash takes some 10,000 erases, EEPROM 100,000 writes (from memory too).
//! [`store`](crate::store) has a table of times.

mod byte_eeprom;
#[cfg(feature = "embedded-hal")]
mod i2c_eeprom;
#[cfg(feature = "embedded-storage")]
mod nor_flash;
mod region;

pub use byte_eeprom::{ByteEeprom, ByteEepromError, ByteMemory};
#[cfg(feature = "embedded-hal")]
pub use i2c_eeprom::{AddressBytes, I2cEeprom, I2cEepromError, I2cEepromPart, MAX_PAGE_SIZE};
#[cfg(feature = "embedded-storage")]
pub use nor_flash::{MAX_UNIT_SIZE, NorFlashError, NorFlashSlots};
pub use region::{Region, RegionError};

/// Whether cells could be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub enum Cells {
    /// The bytes are what the cells hold.
    Readable,
    /// The memory answered that these cells cannot be read, as flash with error correction does for a unit that was
    /// being programmed when power failed. The bytes mean nothing.
    Damaged,
}

/// Persistent memory in slots of equal size.
///
/// For those who implement it:
/// - A call takes a bounded time. What the memory did not take may be tried again, a stated number of times; then the
///   error is reported, never ignored.
/// - `write` begins at a multiple of [`Self::unit`], whatever its length; it may fill the rest of its last unit with
///   anything. Bytes that are not in its units stay as they are even if power fails.
/// - `write` writes all bytes, also those that read as wanted already: a cell that was being written when power failed
///   may read as wanted now and otherwise later.
/// - Between two calls of `erase` for a slot, the store writes each of its units once at most.
/// - `write` and `erase` return when the memory is done, or every later call waits until it is.
pub trait SlotMemory {
    /// Why the memory did not do as asked.
    type Error;

    /// Number of slots.
    fn slot_count(&self) -> usize;

    /// Bytes in each slot.
    fn slot_size(&self) -> usize;

    /// Bytes that a power failure during a write puts at risk together; a slot is a multiple of it.
    fn unit(&self) -> usize;

    /// Most bytes that the store writes in one step, a multiple of the unit.
    fn write_size(&self) -> usize {
        self.unit()
    }

    /// In how many steps a slot is erased; none where written bytes can be written over.
    fn erase_steps(&self) -> usize {
        1
    }

    /// Reads bytes of a slot.
    ///
    /// # Errors
    /// If the memory did not answer. If it answered that the cells are damaged, that is no error but
    /// [`Cells::Damaged`].
    fn read(&mut self, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<Cells, Self::Error>;

    /// Makes a slot writable. Does nothing where written bytes can be written over.
    ///
    /// # Errors
    /// If the memory did not do it.
    fn erase(&mut self, slot: usize) -> Result<(), Self::Error>;

    /// One of [`Self::erase_steps`], in their order from 0.
    ///
    /// # Errors
    /// As for [`Self::erase`].
    fn erase_step(&mut self, slot: usize, step: usize) -> Result<(), Self::Error> {
        // Without an implementation of its own there is one step, which is all.
        if step == 0 { self.erase(slot) } else { Ok(()) }
    }

    /// Writes bytes of a slot.
    ///
    /// # Errors
    /// If the memory did not do it; the units may then hold anything.
    fn write(&mut self, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), Self::Error>;
}

impl<M: SlotMemory + ?Sized> SlotMemory for &mut M {
    type Error = M::Error;

    fn slot_count(&self) -> usize {
        M::slot_count(self)
    }

    fn slot_size(&self) -> usize {
        M::slot_size(self)
    }

    fn unit(&self) -> usize {
        M::unit(self)
    }

    fn read(&mut self, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<Cells, Self::Error> {
        M::read(self, slot, offset, bytes)
    }

    fn write_size(&self) -> usize {
        M::write_size(self)
    }

    fn erase_steps(&self) -> usize {
        M::erase_steps(self)
    }

    fn erase(&mut self, slot: usize) -> Result<(), Self::Error> {
        M::erase(self, slot)
    }

    fn erase_step(&mut self, slot: usize, step: usize) -> Result<(), Self::Error> {
        M::erase_step(self, slot, step)
    }

    fn write(&mut self, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), Self::Error> {
        M::write(self, slot, offset, bytes)
    }
}
