//! NOR flash: erased in large units, programmed once in small ones.

use core::fmt;

use embedded_storage::nor_flash::NorFlash;

use super::{Cells, Region, RegionError, SlotMemory};

/// Largest unit, to read or to program, that the adapter has memory for.
pub const MAX_UNIT_SIZE: u32 = 256;

/// Bytes that the store programs in one step, if they are whole units: a part that takes single bytes gets them together.
const WRITTEN_AT_ONCE: usize = 32;

/// Why NOR flash did not do as asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum NorFlashError<E> {
    /// The driver's own error.
    Flash(E),
    /// Bytes outside the slots, or not at a unit, were asked for: a bug of the caller.
    OutOfRange,
}

impl<E: fmt::Debug> fmt::Display for NorFlashError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Flash(error) => write!(f, "flash: {error:?}"),
            Self::OutOfRange => write!(f, "flash: bytes outside the slots, please report this"),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for NorFlashError<E> {}

/// Slots in NOR flash.
///
/// A slot is one erase unit or several, so that a torn unit never shares a page with a good record. A unit is
/// programmed once after each erase, never twice; the rest of the last unit is filled with ones. Address 0 may be a
/// slot here: flash takes no write without a command before it, so a falling supply does not write there by itself.
#[derive(Clone, Debug)]
pub struct NorFlashSlots<F: NorFlash> {
    flash: F,
    region: Region,
    is_damage: fn(&F::Error) -> bool,
}

impl<F: NorFlash> NorFlashSlots<F> {
    /// Slots in a region of the flash.
    ///
    /// `is_damage` is true for the error by which the driver reports a unit that cannot be read, and for no other: such
    /// a slot counts as torn, and the other one is used. Where the flash has no error correction, `|_| false`.
    ///
    /// # Errors
    /// [`RegionError`] if first address or slot size is no multiple of the erase unit, if the region ends beyond the
    /// flash, or for units of more than [`MAX_UNIT_SIZE`] bytes or that do not divide the erase unit.
    pub fn new(flash: F, region: Region, is_damage: fn(&F::Error) -> bool) -> Result<Self, RegionError> {
        let largest = F::WRITE_SIZE.max(F::READ_SIZE);
        let divides = |unit: usize| F::ERASE_SIZE.checked_rem(unit) == Some(0);
        if !divides(F::WRITE_SIZE) || !divides(F::READ_SIZE) || F::ERASE_SIZE == 0 || largest > MAX_UNIT_SIZE as usize {
            return Err(RegionError::Unit { most: MAX_UNIT_SIZE });
        }
        let capacity = u32::try_from(flash.capacity()).unwrap_or(u32::MAX);
        region.check(capacity, u32::try_from(F::ERASE_SIZE).unwrap_or(0))?;
        Ok(Self { flash, region, is_damage })
    }

    /// Gives the flash back.
    pub fn release(self) -> F {
        self.flash
    }

    /// One read by the driver's rules.
    fn read_aligned(&mut self, address: u32, bytes: &mut [u8]) -> Result<Cells, NorFlashError<F::Error>> {
        match self.flash.read(address, bytes) {
            Ok(()) => Ok(Cells::Readable),
            Err(error) if (self.is_damage)(&error) => Ok(Cells::Damaged),
            Err(error) => Err(NorFlashError::Flash(error)),
        }
    }
}

impl<F: NorFlash> SlotMemory for NorFlashSlots<F> {
    type Error = NorFlashError<F::Error>;

    fn slot_count(&self) -> usize {
        self.region.slot_count as usize
    }

    fn slot_size(&self) -> usize {
        self.region.slot_size as usize
    }

    fn unit(&self) -> usize {
        F::WRITE_SIZE
    }

    fn write_size(&self) -> usize {
        F::WRITE_SIZE.saturating_mul((WRITTEN_AT_ONCE / F::WRITE_SIZE.max(1)).max(1))
    }

    fn erase_steps(&self) -> usize {
        self.slot_size().checked_div(F::ERASE_SIZE).unwrap_or(0)
    }

    fn read(&mut self, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<Cells, Self::Error> {
        let address = self.region.address(slot, offset, bytes.len()).ok_or(NorFlashError::OutOfRange)?;
        if F::READ_SIZE == 1 {
            return self.read_aligned(address, bytes);
        }
        // The driver reads whole units: one at a time, of which the wanted bytes are kept.
        let mut unit = [0; MAX_UNIT_SIZE as usize];
        let unit = unit.get_mut(..F::READ_SIZE).ok_or(NorFlashError::OutOfRange)?;
        let (mut address, mut rest) = (address, bytes);
        while !rest.is_empty() {
            let skipped = (address as usize).checked_rem(F::READ_SIZE).unwrap_or(0);
            if self.read_aligned(address.saturating_sub(skipped as u32), unit)? == Cells::Damaged {
                return Ok(Cells::Damaged);
            }
            let there = unit.get(skipped..).unwrap_or(&[]);
            let room = there.len().min(rest.len());
            let Some((now, later)) = rest.split_at_mut_checked(room) else { break };
            for (byte, &read) in now.iter_mut().zip(there) {
                *byte = read;
            }
            address = address.saturating_add(now.len() as u32);
            rest = later;
        }
        Ok(Cells::Readable)
    }

    fn erase(&mut self, slot: usize) -> Result<(), Self::Error> {
        let from = self.region.address(slot, 0, self.slot_size()).ok_or(NorFlashError::OutOfRange)?;
        self.flash.erase(from, from.saturating_add(self.region.slot_size)).map_err(NorFlashError::Flash)
    }

    fn erase_step(&mut self, slot: usize, step: usize) -> Result<(), Self::Error> {
        let offset = step.checked_mul(F::ERASE_SIZE).ok_or(NorFlashError::OutOfRange)?;
        let from = self.region.address(slot, offset, F::ERASE_SIZE).ok_or(NorFlashError::OutOfRange)?;
        // The erase unit is a factor of the slot's size, which is of 32 bits.
        self.flash.erase(from, from.saturating_add(F::ERASE_SIZE as u32)).map_err(NorFlashError::Flash)
    }

    fn write(&mut self, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), Self::Error> {
        let address = self.region.address(slot, offset, bytes.len()).ok_or(NorFlashError::OutOfRange)?;
        let over = bytes.len().checked_rem(F::WRITE_SIZE).unwrap_or(0);
        let (whole, last) = bytes.split_at_checked(bytes.len().saturating_sub(over)).unwrap_or((bytes, &[]));
        if !whole.is_empty() {
            self.flash.write(address, whole).map_err(NorFlashError::Flash)?;
        }
        if !last.is_empty() {
            let mut unit = [0xFF; MAX_UNIT_SIZE as usize];
            let unit = unit.get_mut(..F::WRITE_SIZE).ok_or(NorFlashError::OutOfRange)?;
            for (place, &byte) in unit.iter_mut().zip(last) {
                *place = byte;
            }
            self.flash.write(address.saturating_add(whole.len() as u32), unit).map_err(NorFlashError::Flash)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use embedded_storage::nor_flash::{
        ErrorType, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
    };
    use std::vec::Vec;

    /// Units of 4 bytes to read, 8 to program, 64 to erase; keeps a list of what was done.
    struct Flash {
        bytes: [u8; 256],
        damaged: bool,
        done: Vec<(&'static str, u32, usize)>,
    }

    impl ErrorType for Flash {
        type Error = NorFlashErrorKind;
    }

    impl ReadNorFlash for Flash {
        const READ_SIZE: usize = 4;

        fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
            check_read(self, offset, bytes.len())?;
            if self.damaged {
                return Err(NorFlashErrorKind::Other);
            }
            bytes.copy_from_slice(&self.bytes[offset as usize..][..bytes.len()]);
            Ok(())
        }

        fn capacity(&self) -> usize {
            256
        }
    }

    impl NorFlash for Flash {
        const WRITE_SIZE: usize = 8;
        const ERASE_SIZE: usize = 64;

        fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
            check_erase(self, from, to)?;
            self.bytes[from as usize..to as usize].fill(0xFF);
            self.done.push(("erase", from, (to - from) as usize));
            Ok(())
        }

        fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
            check_write(self, offset, bytes.len())?;
            self.bytes[offset as usize..][..bytes.len()].copy_from_slice(bytes);
            self.done.push(("write", offset, bytes.len()));
            Ok(())
        }
    }

    const REGION: Region = Region { first_address: 64, slot_size: 64, slot_count: 3 };

    fn flash() -> Flash {
        Flash { bytes: [0x55; 256], damaged: false, done: Vec::new() }
    }

    #[test]
    fn units_are_programmed_whole_and_the_last_is_filled() {
        let mut flash = flash();
        let mut slots = NorFlashSlots::new(&mut flash, REGION, |_| false).unwrap();
        let bytes: Vec<u8> = (1..=19).collect();
        slots.erase(2).unwrap();
        slots.write(2, 8, &bytes).unwrap();
        slots.write(2, 32, &bytes[..8]).unwrap();
        // From any place, of any length.
        for (first, end) in (0..19).flat_map(|first| (first..=19).map(move |end| (first, end))) {
            let mut read = [0; 19];
            let read = &mut read[..end - first];
            assert_eq!(slots.read(2, 8 + first, read), Ok(Cells::Readable));
            assert_eq!(read, &bytes[first..end]);
        }
        assert_eq!(flash.done, [("erase", 192, 64), ("write", 200, 16), ("write", 216, 8), ("write", 224, 8)]);
        assert_eq!(flash.bytes[216..224], [17, 18, 19, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]);
        assert_eq!(flash.bytes[..192], [0x55; 192]);
    }

    #[test]
    fn damage_is_told_from_a_failed_read() {
        let mut flash = flash();
        flash.damaged = true;
        let read = |flash: &mut Flash, is_damage| {
            NorFlashSlots::new(flash, REGION, is_damage).unwrap().read(0, 3, &mut [0; 9])
        };
        assert_eq!(read(&mut flash, |error| *error == NorFlashErrorKind::Other), Ok(Cells::Damaged));
        assert_eq!(read(&mut flash, |_| false), Err(NorFlashError::Flash(NorFlashErrorKind::Other)));
    }

    #[test]
    fn what_is_not_aligned_is_refused() {
        let mut flash = flash();
        let aligned = Some(RegionError::Alignment { multiple: 64 });
        for region in [Region { first_address: 32, ..REGION }, Region { slot_size: 72, ..REGION }] {
            assert_eq!(NorFlashSlots::new(&mut flash, region, |_| false).err(), aligned);
        }
        let region = Region { slot_count: 4, ..REGION };
        assert_eq!(
            NorFlashSlots::new(&mut flash, region, |_| false).err(),
            Some(RegionError::TooLong { capacity: 256 })
        );
        let mut slots = NorFlashSlots::new(&mut flash, REGION, |_| false).unwrap();
        assert_eq!(slots.write(0, 60, &[0; 8]), Err(NorFlashError::OutOfRange));
        assert_eq!(slots.erase(3), Err(NorFlashError::OutOfRange));
        let misaligned = slots.write(0, 4, &[0; 8]);
        assert_eq!(misaligned, Err(NorFlashError::Flash(NorFlashErrorKind::NotAligned)));
        assert!(flash.done.is_empty());
    }
}
