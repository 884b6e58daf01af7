//! EEPROM with pages on an I2C bus.

use core::fmt;

use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{Error, ErrorKind, I2c};

use super::{Cells, Region, RegionError, SlotMemory};

/// Largest page that the adapter has memory for.
pub const MAX_PAGE_SIZE: u32 = 128;

/// How a part takes the address of a byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum AddressBytes {
    /// One byte; the bits above it stand in the lowest bits of the device address.
    One,
    /// Two bytes, the high one first; a bit above them stands in the lowest bit of the device address.
    Two,
}

/// A part as its data sheet describes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct I2cEepromPart {
    /// Seven-bit device address of the first block.
    pub device_address: u8,
    /// Number of bytes.
    pub capacity: u32,
    /// Bytes written in one write cycle, a power of two up to [`MAX_PAGE_SIZE`].
    pub page_size: u32,
    /// How it takes addresses.
    pub address_bytes: AddressBytes,
    /// How often it is asked whether a write cycle is over before it counts as broken.
    pub polls: u16,
    /// Time before each of these questions. Polls times this must exceed the longest write cycle.
    pub poll_interval_us: u32,
}

/// Why an I2C EEPROM did not do as asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum I2cEepromError<E> {
    /// The bus failed, or the part did not acknowledge.
    Bus(E),
    /// The part did not answer within all polls after a page was written.
    Busy,
    /// Bytes outside the slots were asked for: a bug of the caller.
    OutOfRange,
}

impl<E: fmt::Debug> fmt::Display for I2cEepromError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Bus(error) => write!(f, "EEPROM on I2C: {error:?}, check wiring and device address"),
            Self::Busy => write!(f, "EEPROM on I2C: still writing after all polls, allow more of them"),
            Self::OutOfRange => write!(f, "EEPROM on I2C: bytes outside the slots, please report this"),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for I2cEepromError<E> {}

/// Slots in an I2C EEPROM.
///
/// A write cycle puts its whole page at risk, so pages are the units: no page is shared by two slots. Each page
/// written is waited for by asking the part, with nothing but an address, until it acknowledges.
#[derive(Clone, Debug)]
pub struct I2cEeprom<I, D> {
    bus: I,
    delay: D,
    part: I2cEepromPart,
    region: Region,
}

impl<I: I2c, D: DelayNs> I2cEeprom<I, D> {
    /// Slots in a region of the part. The first page of the part is not available.
    ///
    /// # Errors
    /// [`RegionError`] if the region begins at address 0, if first address or slot size is no multiple of the page, if
    /// it ends beyond the part, or for a page of no bytes, of more than [`MAX_PAGE_SIZE`], or not a power of two.
    pub fn new(bus: I, delay: D, part: I2cEepromPart, region: Region) -> Result<Self, RegionError> {
        if !part.page_size.is_power_of_two() || part.page_size > MAX_PAGE_SIZE {
            return Err(RegionError::Unit { most: MAX_PAGE_SIZE });
        }
        if region.first_address == 0 {
            return Err(RegionError::AddressZero);
        }
        // Three bits of the device address at most, and one above two address bytes.
        let reach = match part.address_bytes {
            AddressBytes::One => 1 << 11,
            AddressBytes::Two => 1 << 17,
        };
        region.check(part.capacity.min(reach), part.page_size)?;
        Ok(Self { bus, delay, part, region })
    }

    /// Gives the bus and the delay back.
    pub fn release(self) -> (I, D) {
        (self.bus, self.delay)
    }

    /// Device address, address bytes, and how many of those are sent.
    fn target(&self, address: u32) -> (u8, [u8; 2], usize) {
        let [low, high, block, _] = address.to_le_bytes();
        match self.part.address_bytes {
            AddressBytes::One => (self.part.device_address | high, [low, 0], 1),
            AddressBytes::Two => (self.part.device_address | block, [high, low], 2),
        }
    }

    /// Bytes from an address to the end of what can be read or written in one go.
    fn room(address: u32, size: u32) -> usize {
        // A size is a power of two.
        (size - (address & (size - 1))) as usize
    }

    fn read_at(&mut self, mut address: u32, bytes: &mut [u8]) -> Result<(), I2cEepromError<I::Error>> {
        let block_size = match self.part.address_bytes {
            AddressBytes::One => 1 << 8,
            AddressBytes::Two => 1 << 16,
        };
        let mut rest = bytes;
        while !rest.is_empty() {
            let room = Self::room(address, block_size).min(rest.len());
            let Some((now, later)) = rest.split_at_mut_checked(room) else { break };
            let (device, sent, count) = self.target(address);
            self.bus.write_read(device, sent.get(..count).unwrap_or(&sent), now).map_err(I2cEepromError::Bus)?;
            address = address.saturating_add(now.len() as u32);
            rest = later;
        }
        Ok(())
    }

    /// Writes bytes that lie in one page and waits until the part is done.
    fn write_page(&mut self, address: u32, bytes: &[u8]) -> Result<(), I2cEepromError<I::Error>> {
        let (device, sent, count) = self.target(address);
        let sent = sent.get(..count).unwrap_or(&sent);
        let mut message = [0; MAX_PAGE_SIZE as usize + 2];
        let length = count + bytes.len();
        let message = message.get_mut(..length).ok_or(I2cEepromError::OutOfRange)?;
        for (place, &byte) in message.iter_mut().zip(sent.iter().chain(bytes)) {
            *place = byte;
        }
        self.bus.write(device, message).map_err(I2cEepromError::Bus)?;
        for _ in 0..self.part.polls {
            self.delay.delay_us(self.part.poll_interval_us);
            // An address without data starts no write cycle; every controller can send it.
            match self.bus.write(device, sent) {
                Ok(()) => return Ok(()),
                Err(error) if matches!(error.kind(), ErrorKind::NoAcknowledge(_)) => {}
                Err(error) => return Err(I2cEepromError::Bus(error)),
            }
        }
        Err(I2cEepromError::Busy)
    }
}

impl<I: I2c, D: DelayNs> SlotMemory for I2cEeprom<I, D> {
    type Error = I2cEepromError<I::Error>;

    fn slot_count(&self) -> usize {
        self.region.slot_count as usize
    }

    fn slot_size(&self) -> usize {
        self.region.slot_size as usize
    }

    fn unit(&self) -> usize {
        self.part.page_size as usize
    }

    fn read(&mut self, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<Cells, Self::Error> {
        let address = self.region.address(slot, offset, bytes.len()).ok_or(I2cEepromError::OutOfRange)?;
        self.read_at(address, bytes)?;
        Ok(Cells::Readable)
    }

    fn erase(&mut self, _slot: usize) -> Result<(), Self::Error> {
        Ok(())
    }

    fn write(&mut self, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), Self::Error> {
        let mut address = self.region.address(slot, offset, bytes.len()).ok_or(I2cEepromError::OutOfRange)?;
        let mut rest = bytes;
        while !rest.is_empty() {
            let room = Self::room(address, self.part.page_size).min(rest.len());
            let Some((page, later)) = rest.split_at_checked(room) else { break };
            self.write_page(address, page)?;
            address = address.saturating_add(page.len() as u32);
            rest = later;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use embedded_hal::i2c::NoAcknowledgeSource;
    use embedded_hal_mock::eh1::delay::{CheckedDelay, NoopDelay, Transaction as Wait};
    use embedded_hal_mock::eh1::i2c::{Mock, Transaction};
    use std::vec;
    use std::vec::Vec;

    const NACK: ErrorKind = ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address);
    const SMALL: I2cEepromPart = I2cEepromPart {
        device_address: 0x50,
        capacity: 2048,
        page_size: 16,
        address_bytes: AddressBytes::One,
        polls: 3,
        poll_interval_us: 2000,
    };
    const LARGE: I2cEepromPart =
        I2cEepromPart { capacity: 131_072, page_size: 64, address_bytes: AddressBytes::Two, ..SMALL };

    fn written(address: &[u8], bytes: &[u8]) -> Vec<u8> {
        [address, bytes].concat()
    }

    /// Runs `action` against exactly these transfers and this many waits.
    fn exactly<T>(
        part: I2cEepromPart,
        region: Region,
        transfers: &[Transaction],
        waits: usize,
        action: impl FnOnce(&mut I2cEeprom<Mock, CheckedDelay>) -> T,
    ) -> T {
        let delay = CheckedDelay::new(&vec![Wait::delay_us(2000); waits]);
        let mut eeprom = I2cEeprom::new(Mock::new(transfers), delay, part, region).unwrap();
        let outcome = action(&mut eeprom);
        let (mut bus, mut delay) = eeprom.release();
        bus.done();
        delay.done();
        outcome
    }

    #[test]
    fn a_write_is_cut_at_page_borders_and_each_page_is_waited_for() {
        let region = Region { first_address: 0xE0, slot_size: 64, slot_count: 2 };
        let bytes: Vec<u8> = (0..20).collect();
        let transfers = [
            Transaction::write(0x50, written(&[0xF0], &bytes[..16])),
            Transaction::write(0x50, vec![0xF0]).with_error(NACK),
            Transaction::write(0x50, vec![0xF0]).with_error(NACK),
            Transaction::write(0x50, vec![0xF0]),
            // The next page is in the next block of 256 bytes.
            Transaction::write(0x51, written(&[0x00], &bytes[16..])),
            Transaction::write(0x51, vec![0x00]),
        ];
        let outcome = exactly(SMALL, region, &transfers, 4, |eeprom| eeprom.write(0, 16, &bytes));
        assert_eq!(outcome, Ok(()));
    }

    #[test]
    fn two_address_bytes_and_a_bit_above_them() {
        let region = Region { first_address: 0xFF80, slot_size: 256, slot_count: 2 };
        let transfers = [
            Transaction::write_read(0x50, vec![0xFF, 0xF0], vec![1; 16]),
            Transaction::write_read(0x51, vec![0x00, 0x00], vec![2; 4]),
            Transaction::write(0x51, vec![0x00, 0x40, 9]),
            Transaction::write(0x51, vec![0x00, 0x40]),
        ];
        exactly(LARGE, region, &transfers, 1, |eeprom| {
            let mut bytes = [0; 20];
            assert_eq!(eeprom.read(0, 0x70, &mut bytes), Ok(Cells::Readable));
            assert_eq!((&bytes[..16], &bytes[16..]), (&[1; 16][..], &[2; 4][..]));
            assert_eq!(eeprom.write(0, 0xC0, &[9]), Ok(()));
        });
    }

    #[test]
    fn a_missing_acknowledge_is_an_error() {
        let region = Region { first_address: 16, slot_size: 64, slot_count: 2 };
        let refused = [Transaction::write(0x50, vec![0x10, 1]).with_error(NACK)];
        let outcome = exactly(SMALL, region, &refused, 0, |eeprom| eeprom.write(0, 0, &[1]));
        assert_eq!(outcome, Err(I2cEepromError::Bus(NACK)));
        let refused = [Transaction::write_read(0x50, vec![0x10], vec![0]).with_error(NACK)];
        let outcome = exactly(SMALL, region, &refused, 0, |eeprom| eeprom.read(0, 0, &mut [0]));
        assert_eq!(outcome, Err(I2cEepromError::Bus(NACK)));
    }

    #[test]
    fn polling_ends() {
        let region = Region { first_address: 16, slot_size: 64, slot_count: 2 };
        let mut transfers = vec![Transaction::write(0x50, vec![0x10, 1])];
        transfers.extend((0..3).map(|_| Transaction::write(0x50, vec![0x10]).with_error(NACK)));
        let outcome = exactly(SMALL, region, &transfers, 3, |eeprom| eeprom.write(0, 0, &[1]));
        assert_eq!(outcome, Err(I2cEepromError::Busy));
        // Anything but a missing acknowledge ends it at once.
        let transfers = [
            Transaction::write(0x50, vec![0x10, 1]),
            Transaction::write(0x50, vec![0x10]).with_error(ErrorKind::ArbitrationLoss),
        ];
        let outcome = exactly(SMALL, region, &transfers, 1, |eeprom| eeprom.write(0, 0, &[1]));
        assert_eq!(outcome, Err(I2cEepromError::Bus(ErrorKind::ArbitrationLoss)));
    }

    #[test]
    fn regions_that_would_share_a_page_are_refused() {
        let mut bus = Mock::new(&[]);
        let mut refused = |part, region| I2cEeprom::new(&mut bus, NoopDelay::new(), part, region).err();
        let region = Region { first_address: 16, slot_size: 64, slot_count: 2 };
        let aligned = Some(RegionError::Alignment { multiple: 16 });
        assert_eq!(refused(SMALL, Region { first_address: 8, ..region }), aligned);
        assert_eq!(refused(SMALL, Region { slot_size: 72, ..region }), aligned);
        assert_eq!(refused(SMALL, Region { first_address: 0, ..region }), Some(RegionError::AddressZero));
        assert_eq!(refused(SMALL, Region { slot_count: 32, ..region }), Some(RegionError::TooLong { capacity: 2048 }));
        for page_size in [0, 24, 256] {
            let part = I2cEepromPart { page_size, ..SMALL };
            assert_eq!(refused(part, region), Some(RegionError::Unit { most: 128 }));
        }
        // Three block bits are all there are, whatever the capacity says.
        let part = I2cEepromPart { capacity: 4096, ..SMALL };
        let region = Region { first_address: 2048, slot_size: 64, slot_count: 1 };
        assert_eq!(refused(part, region), Some(RegionError::TooLong { capacity: 2048 }));
        bus.done();
    }
}
