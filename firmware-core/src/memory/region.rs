//! Where the slots lie in a memory.

use core::fmt;

/// The part of a memory that holds the slots, one after the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Region {
    /// Address of the first byte of the first slot.
    pub first_address: u32,
    /// Bytes in each slot.
    pub slot_size: u32,
    /// Number of slots: two for the setup and two for each grid.
    pub slot_count: u32,
}

/// Why a memory has no such region.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum RegionError {
    /// An EEPROM whose slots begin at address 0, where a stray write lands when the supply falls.
    AddressZero,
    /// First address or slot size is not a multiple of what the memory writes or erases at once.
    Alignment {
        /// Bytes that both must be a multiple of.
        multiple: u32,
    },
    /// The slots end beyond the memory.
    TooLong {
        /// Bytes that the memory has.
        capacity: u32,
    },
    /// There are no slots, or they have no bytes.
    NoSlots,
    /// The memory writes more bytes at once, or fewer, than the adapter can; or its units do not divide each other.
    Unit {
        /// The most that it can.
        most: u32,
    },
    /// Not the seven bits of an I2C part's first block.
    DeviceAddress {
        /// What was given.
        device_address: u8,
        /// What was perhaps meant.
        instead: u8,
    },
    /// A part that is not waited for: no polls, or no time between them.
    NoWait,
}

impl fmt::Display for RegionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::AddressZero => {
                write!(f, "slots at address 0: begin one unit later, a falling supply may write there")
            }
            Self::Alignment { multiple } => write!(f, "first address and slot size must be multiples of {multiple}"),
            Self::TooLong { capacity } => {
                write!(f, "the slots do not fit {capacity} bytes: use fewer or smaller slots")
            }
            Self::NoSlots => write!(f, "no slots, or slots of no bytes: give four slots or more"),
            Self::DeviceAddress { device_address, instead } => write!(
                f,
                "device address {device_address:#04x}: give the seven bits of the part's first block, such as {instead:#04x}"
            ),
            Self::NoWait => write!(f, "no polls or no time between them: their product must exceed the write cycle"),
            Self::Unit { most } => write!(f, "units of 1 to {most} bytes can be served: use another adapter"),
        }
    }
}

impl core::error::Error for RegionError {}

impl Region {
    /// Checks the region against a memory.
    pub(super) fn check(&self, capacity: u32, multiple: u32) -> Result<(), RegionError> {
        if self.slot_size == 0 || self.slot_count == 0 {
            return Err(RegionError::NoSlots);
        }
        let aligned = |bytes: u32| bytes.checked_rem(multiple) == Some(0);
        if !aligned(self.first_address) || !aligned(self.slot_size) {
            return Err(RegionError::Alignment { multiple });
        }
        let end = u64::from(self.first_address)
            .saturating_add(u64::from(self.slot_size).saturating_mul(u64::from(self.slot_count)));
        // On a chip of 16 bits larger slots than it can count are none of its own.
        let is_countable = usize::try_from(self.slot_size).is_ok() && usize::try_from(self.slot_count).is_ok();
        if end > u64::from(capacity) || !is_countable {
            return Err(RegionError::TooLong { capacity });
        }
        Ok(())
    }

    /// Address of a slot's byte, if all bytes from there on lie in that slot.
    pub(super) fn address(&self, slot: usize, offset: usize, length: usize) -> Option<u32> {
        let (slot, offset) = (u32::try_from(slot).ok()?, u32::try_from(offset).ok()?);
        let end = offset.checked_add(u32::try_from(length).ok()?)?;
        if slot >= self.slot_count || end > self.slot_size {
            return None;
        }
        self.slot_size.checked_mul(slot)?.checked_add(self.first_address)?.checked_add(offset)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_stay_in_their_slot() {
        let region = Region { first_address: 32, slot_size: 96, slot_count: 4 };
        assert_eq!(region.address(0, 0, 96), Some(32));
        assert_eq!(region.address(3, 95, 1), Some(32 + 3 * 96 + 95));
        for (slot, offset, length) in [(4, 0, 1), (0, 96, 1), (0, 1, 96), (0, usize::MAX, 1), (usize::MAX, 0, 0)] {
            assert_eq!(region.address(slot, offset, length), None);
        }
    }

    #[test]
    fn a_region_fits_its_memory() {
        let region = Region { first_address: 32, slot_size: 96, slot_count: 4 };
        assert_eq!(region.check(416, 32), Ok(()));
        assert_eq!(region.check(415, 32), Err(RegionError::TooLong { capacity: 415 }));
        assert_eq!(region.check(1000, 64), Err(RegionError::Alignment { multiple: 64 }));
        for region in [Region { slot_size: 0, ..region }, Region { slot_count: 0, ..region }] {
            assert_eq!(region.check(416, 32), Err(RegionError::NoSlots));
        }
        let region = Region { slot_size: u32::MAX, slot_count: u32::MAX, ..region };
        assert_eq!(region.check(u32::MAX, 1), Err(RegionError::TooLong { capacity: u32::MAX }));
    }
}
