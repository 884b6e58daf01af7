//! EEPROM in which each byte is erased and written by itself.

use core::fmt;

use super::{Cells, Region, RegionError, SlotMemory};

/// A memory of single bytes, as the EEPROM inside a controller.
pub trait ByteMemory {
    /// Why the memory did not do as asked; `core::convert::Infallible` where it always does.
    type Error;

    /// Number of bytes.
    fn capacity(&self) -> u32;

    /// Reads a byte.
    ///
    /// # Errors
    /// If the memory did not answer.
    fn read_byte(&mut self, address: u32) -> Result<u8, Self::Error>;

    /// Erases and writes a byte, and returns when that is done.
    ///
    /// # Errors
    /// If the memory did not do it.
    fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), Self::Error>;
}

impl<B: ByteMemory + ?Sized> ByteMemory for &mut B {
    type Error = B::Error;

    fn capacity(&self) -> u32 {
        B::capacity(self)
    }

    fn read_byte(&mut self, address: u32) -> Result<u8, Self::Error> {
        B::read_byte(self, address)
    }

    fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), Self::Error> {
        B::write_byte(self, address, byte)
    }
}

/// Why a byte-written EEPROM did not do as asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ByteEepromError<E> {
    /// The memory's own error.
    Memory(E),
    /// Bytes outside the slots were asked for: a bug of the caller.
    OutOfRange,
}

impl<E: fmt::Display> fmt::Display for ByteEepromError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Memory(error) => write!(f, "EEPROM: {error}"),
            Self::OutOfRange => write!(f, "EEPROM: bytes outside the slots, please report this"),
        }
    }
}

impl<E: fmt::Debug + fmt::Display> core::error::Error for ByteEepromError<E> {}

/// Slots in a byte-written EEPROM.
#[derive(Clone, Debug)]
pub struct ByteEeprom<B> {
    memory: B,
    region: Region,
}

impl<B: ByteMemory> ByteEeprom<B> {
    /// Slots in a region of the memory. The first byte of the memory is not available.
    ///
    /// # Errors
    /// [`RegionError`] if the region begins at address 0 or ends beyond the memory.
    pub fn new(memory: B, region: Region) -> Result<Self, RegionError> {
        if region.first_address == 0 {
            return Err(RegionError::AddressZero);
        }
        region.check(memory.capacity(), 1)?;
        Ok(Self { memory, region })
    }

    /// Gives the memory back.
    pub fn release(self) -> B {
        self.memory
    }
}

impl<B: ByteMemory> SlotMemory for ByteEeprom<B> {
    type Error = ByteEepromError<B::Error>;

    fn slot_count(&self) -> usize {
        self.region.slot_count as usize
    }

    fn slot_size(&self) -> usize {
        self.region.slot_size as usize
    }

    fn unit(&self) -> usize {
        1
    }

    fn erase_steps(&self) -> usize {
        0
    }

    fn read(&mut self, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<Cells, Self::Error> {
        let first = self.region.address(slot, offset, bytes.len()).ok_or(ByteEepromError::OutOfRange)?;
        for (address, byte) in (first..).zip(bytes) {
            *byte = self.memory.read_byte(address).map_err(ByteEepromError::Memory)?;
        }
        Ok(Cells::Readable)
    }

    fn erase(&mut self, _slot: usize) -> Result<(), Self::Error> {
        Ok(())
    }

    fn write(&mut self, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), Self::Error> {
        let first = self.region.address(slot, offset, bytes.len()).ok_or(ByteEepromError::OutOfRange)?;
        for (address, &byte) in (first..).zip(bytes) {
            self.memory.write_byte(address, byte).map_err(ByteEepromError::Memory)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::vec::Vec;

    struct Bytes {
        bytes: [u8; 40],
        written: Vec<u32>,
    }

    impl ByteMemory for Bytes {
        type Error = &'static str;

        fn capacity(&self) -> u32 {
            40
        }

        fn read_byte(&mut self, address: u32) -> Result<u8, Self::Error> {
            self.bytes.get(address as usize).copied().ok_or("no such byte")
        }

        fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), Self::Error> {
            self.written.push(address);
            *self.bytes.get_mut(address as usize).ok_or("no such byte")? = byte;
            Ok(())
        }
    }

    const REGION: Region = Region { first_address: 8, slot_size: 8, slot_count: 4 };

    #[test]
    fn every_byte_is_written_even_if_it_reads_as_wanted() {
        let mut memory = Bytes { bytes: [0; 40], written: Vec::new() };
        let mut eeprom = ByteEeprom::new(&mut memory, REGION).unwrap();
        assert_eq!(eeprom.write(1, 2, &[0, 7, 0, 9]), Ok(()));
        assert_eq!(eeprom.write(3, 5, &[0, 1, 0]), Ok(()));
        assert_eq!(eeprom.erase(1), Ok(()));
        let mut read = [0; 4];
        assert_eq!(eeprom.read(1, 2, &mut read), Ok(Cells::Readable));
        assert_eq!(read, [0, 7, 0, 9]);
        assert_eq!(memory.written, [18, 19, 20, 21, 37, 38, 39]);
    }

    #[test]
    fn nothing_outside_the_slots_is_touched() {
        let mut memory = Bytes { bytes: [0; 40], written: Vec::new() };
        let mut eeprom = ByteEeprom::new(&mut memory, REGION).unwrap();
        assert_eq!(eeprom.write(0, 6, &[1, 2, 3]), Err(ByteEepromError::OutOfRange));
        assert_eq!(eeprom.read(4, 0, &mut [0]), Err(ByteEepromError::OutOfRange));
        assert!(memory.written.is_empty());
        let at_zero = Region { first_address: 0, ..REGION };
        assert_eq!(ByteEeprom::new(&mut memory, at_zero).err(), Some(RegionError::AddressZero));
        let too_long = Region { slot_count: 5, ..REGION };
        assert_eq!(ByteEeprom::new(&mut memory, too_long).err(), Some(RegionError::TooLong { capacity: 40 }));
    }
}
