//! EEPROM with pages on an I2C bus.

use core::fmt;

use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::I2c;

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

impl AddressBytes {
    /// Bytes that are addressed without the bits in the device address.
    fn block_size(self) -> u32 {
        match self {
            Self::One => 1 << 8,
            Self::Two => 1 << 16,
        }
    }
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
    /// How often a transfer that the part did not take is tried again; at least once.
    pub polls: u16,
    /// Time before each of these tries. Polls times this must exceed the longest write cycle.
    pub poll_interval_us: u32,
}

/// Why an I2C EEPROM did not do as asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum I2cEepromError<E> {
    /// The bus failed, or the part did not acknowledge, at every try; this is what the last one met.
    Bus(E),
    /// Bytes outside the slots were asked for: a bug of the caller.
    OutOfRange,
}

impl<E: fmt::Debug> fmt::Display for I2cEepromError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Bus(error) => {
                write!(f, "EEPROM on I2C: {error:?} at every try, check wiring and device address, or allow more polls")
            }
            Self::OutOfRange => write!(f, "EEPROM on I2C: bytes outside the slots, please report this"),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for I2cEepromError<E> {}

/// Slots in an I2C EEPROM.
///
/// A write cycle puts its whole page at risk, so pages are the units: no page is shared by two slots.
///
/// While a part writes it does not answer; so it is after a reset in the middle of a save, too. Every transfer that
/// fails, for whatever reason the bus gives, is therefore tried again: [`I2cEepromPart::polls`] times at most, with
/// [`I2cEepromPart::poll_interval_us`] before each. A page is waited for at the beginning of the next access, not at the
/// end of its own: who lets the write cycle pass between two steps of a store is not made to wait at all.
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
    /// it ends beyond the part; for a page of no bytes, of more than [`MAX_PAGE_SIZE`], or not a power of two; for no
    /// polls or no time between them; for a device address of eight bits, or with bits that select a block of the part.
    pub fn new(bus: I, delay: D, part: I2cEepromPart, region: Region) -> Result<Self, RegionError> {
        if !part.page_size.is_power_of_two() || part.page_size > MAX_PAGE_SIZE {
            return Err(RegionError::Unit { most: MAX_PAGE_SIZE });
        }
        if region.first_address == 0 {
            return Err(RegionError::AddressZero);
        }
        if part.polls == 0 || part.poll_interval_us == 0 {
            return Err(RegionError::NoWait);
        }
        // Three bits of the device address at most, and one above two address bytes.
        let reach = match part.address_bytes {
            AddressBytes::One => 1 << 11,
            AddressBytes::Two => 1 << 17,
        };
        let capacity = part.capacity.min(reach);
        // At most eight blocks.
        let block_bits = (capacity.div_ceil(part.address_bytes.block_size()).next_power_of_two() - 1) as u8;
        let device_address = part.device_address;
        if device_address > 0x7F || device_address & block_bits != 0 {
            let seven_bits = if device_address > 0x7F { device_address >> 1 } else { device_address };
            return Err(RegionError::DeviceAddress { device_address, instead: seven_bits & !block_bits });
        }
        region.check(capacity, part.page_size)?;
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
        let mut rest = bytes;
        while !rest.is_empty() {
            let room = Self::room(address, self.part.address_bytes.block_size()).min(rest.len());
            let Some((now, later)) = rest.split_at_mut_checked(room) else { break };
            let (device, sent, count) = self.target(address);
            self.transfer(|bus| bus.write_read(device, sent.get(..count).unwrap_or(&sent), now))?;
            address = address.saturating_add(now.len() as u32);
            rest = later;
        }
        Ok(())
    }

    /// Writes bytes that lie in one page; the part is not done with it when this returns.
    fn write_page(&mut self, address: u32, bytes: &[u8]) -> Result<(), I2cEepromError<I::Error>> {
        let (device, sent, count) = self.target(address);
        let sent = sent.get(..count).unwrap_or(&sent);
        let mut message = [0; MAX_PAGE_SIZE as usize + 2];
        let length = count + bytes.len();
        let message = message.get_mut(..length).ok_or(I2cEepromError::OutOfRange)?;
        for (place, &byte) in message.iter_mut().zip(sent.iter().chain(bytes)) {
            *place = byte;
        }
        self.transfer(|bus| bus.write(device, message))
    }

    /// Tries a transfer until the part takes it. Done twice it does the same as once.
    fn transfer(
        &mut self,
        mut transfer: impl FnMut(&mut I) -> Result<(), I::Error>,
    ) -> Result<(), I2cEepromError<I::Error>> {
        for _ in 0..self.part.polls {
            // Also what is no missing acknowledge: some buses call that by another name.
            if transfer(&mut self.bus).is_ok() {
                return Ok(());
            }
            self.delay.delay_us(self.part.poll_interval_us);
        }
        transfer(&mut self.bus).map_err(I2cEepromError::Bus)
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

    fn erase_steps(&self) -> usize {
        0
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
    use embedded_hal::i2c::{ErrorKind, NoAcknowledgeSource};
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
    fn a_write_is_cut_at_page_borders_and_each_page_is_waited_for_before_the_next() {
        let region = Region { first_address: 0xE0, slot_size: 64, slot_count: 2 };
        let bytes: Vec<u8> = (0..20).collect();
        // The next page is in the next block of 256 bytes.
        let last = || Transaction::write(0x51, written(&[0x00], &bytes[16..]));
        let transfers = [
            Transaction::write(0x50, written(&[0xF0], &bytes[..16])),
            last().with_error(NACK),
            last().with_error(ErrorKind::Other),
            last(),
        ];
        let outcome = exactly(SMALL, region, &transfers, 2, |eeprom| eeprom.write(0, 16, &bytes));
        assert_eq!(outcome, Ok(()));
    }

    #[test]
    fn two_address_bytes_and_a_bit_above_them() {
        let region = Region { first_address: 0xFF80, slot_size: 256, slot_count: 2 };
        let transfers = [
            Transaction::write_read(0x50, vec![0xFF, 0xF0], vec![1; 16]),
            Transaction::write_read(0x51, vec![0x00, 0x00], vec![2; 4]),
            Transaction::write(0x51, vec![0x00, 0x40, 9]),
        ];
        exactly(LARGE, region, &transfers, 0, |eeprom| {
            let mut bytes = [0; 20];
            assert_eq!(eeprom.read(0, 0x70, &mut bytes), Ok(Cells::Readable));
            assert_eq!((&bytes[..16], &bytes[16..]), (&[1; 16][..], &[2; 4][..]));
            assert_eq!(eeprom.write(0, 0xC0, &[9]), Ok(()));
        });
    }

    /// As often as the part says and no more; the last error is reported.
    #[test]
    fn trying_ends() {
        let region = Region { first_address: 16, slot_size: 64, slot_count: 2 };
        for kind in [NACK, ErrorKind::Other, ErrorKind::Bus, ErrorKind::ArbitrationLoss] {
            let refused = vec![Transaction::write(0x50, vec![0x10, 1]).with_error(kind); 4];
            let outcome = exactly(SMALL, region, &refused, 3, |eeprom| eeprom.write(0, 0, &[1]));
            assert_eq!(outcome, Err(I2cEepromError::Bus(kind)));
            let refused = vec![Transaction::write_read(0x50, vec![0x10], vec![0]).with_error(kind); 4];
            let outcome = exactly(SMALL, region, &refused, 3, |eeprom| eeprom.read(0, 0, &mut [0]));
            assert_eq!(outcome, Err(I2cEepromError::Bus(kind)));
        }
    }

    /// After a reset in the middle of a write cycle.
    #[test]
    fn a_busy_part_is_waited_for_before_the_first_access() {
        let region = Region { first_address: 16, slot_size: 64, slot_count: 2 };
        let read = || Transaction::write_read(0x50, vec![0x10], vec![7]);
        let transfers = [read().with_error(NACK), read().with_error(NACK), read()];
        let mut byte = [0];
        let outcome = exactly(SMALL, region, &transfers, 2, |eeprom| eeprom.read(0, 0, &mut byte));
        assert_eq!((outcome, byte), (Ok(Cells::Readable), [7]));
    }

    #[test]
    fn parts_that_cannot_be_are_refused() {
        let mut bus = Mock::new(&[]);
        let region = Region { first_address: 64, slot_size: 64, slot_count: 2 };
        let mut refused = |part| I2cEeprom::new(&mut bus, NoopDelay::new(), part, region).err();
        assert_eq!(refused(I2cEepromPart { polls: 0, ..SMALL }), Some(RegionError::NoWait));
        assert_eq!(refused(I2cEepromPart { poll_interval_us: 0, ..SMALL }), Some(RegionError::NoWait));
        for (part, device_address, instead) in [
            // The form of eight bits.
            (SMALL, 0xA0, 0x50),
            (SMALL, 0xA3, 0x50),
            // Eight blocks take three bits, two take one.
            (SMALL, 0x51, 0x50),
            (SMALL, 0x57, 0x50),
            (LARGE, 0x53, 0x52),
        ] {
            let wrong = Some(RegionError::DeviceAddress { device_address, instead });
            assert_eq!(refused(I2cEepromPart { device_address, ..part }), wrong);
            assert_eq!(refused(I2cEepromPart { device_address: instead, ..part }), None);
        }
        // One block leaves all bits to the pins.
        assert_eq!(refused(I2cEepromPart { device_address: 0x57, capacity: 256, ..SMALL }), None);
        bus.done();
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
