//! An EEPROM on I2C that keeps its bytes in cells and is busy for a while after every page.

use core::cell::Cell;

use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{Error, ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation};
use gapkeeper::memory::{AddressBytes, I2cEepromPart};

/// Bytes in the part.
pub const SIZE: usize = 896;

/// Bytes in a page.
pub const PAGE: u32 = 16;

const DEVICE: u8 = 0x50;

/// How often the part does not answer after a page was written.
const BUSY_POLLS: u8 = 2;

/// Its data sheet.
pub const PART: I2cEepromPart = I2cEepromPart {
    device_address: DEVICE,
    capacity: SIZE as u32,
    page_size: PAGE,
    address_bytes: AddressBytes::Two,
    polls: BUSY_POLLS as u16 + 1,
    poll_interval_us: 1_000,
};

/// The part on its bus.
pub struct Eeprom<'a> {
    cells: &'a Cell<[u8; SIZE]>,
    address: usize,
    busy: u8,
}

/// The part did not acknowledge.
#[derive(Clone, Copy, Debug)]
pub struct NoAnswer;

impl Error for NoAnswer {
    fn kind(&self) -> ErrorKind {
        ErrorKind::NoAcknowledge(NoAcknowledgeSource::Unknown)
    }
}

impl<'a> Eeprom<'a> {
    /// A part that keeps its bytes there.
    pub const fn new(cells: &'a Cell<[u8; SIZE]>) -> Self {
        Self { cells, address: 0, busy: 0 }
    }

    fn cell(&self, address: usize) -> Option<&Cell<u8>> {
        let cells: &Cell<[u8]> = self.cells;
        cells.as_slice_of_cells().get(address)
    }

    /// Address bytes, and what is to be written from there on. The address wraps around at the end of a page.
    fn written(&mut self, bytes: &[u8]) -> Result<(), NoAnswer> {
        let [high, low, data @ ..] = bytes else { return Err(NoAnswer) };
        self.address = usize::from(u16::from_be_bytes([*high, *low]));
        for &byte in data {
            self.cell(self.address).ok_or(NoAnswer)?.set(byte);
            let within = PAGE as usize - 1;
            self.address = self.address & !within | (self.address + 1) & within;
            self.busy = BUSY_POLLS;
        }
        Ok(())
    }
}

impl ErrorType for Eeprom<'_> {
    type Error = NoAnswer;
}

impl I2c for Eeprom<'_> {
    fn transaction(&mut self, device: u8, operations: &mut [Operation<'_>]) -> Result<(), NoAnswer> {
        if device != DEVICE {
            return Err(NoAnswer);
        }
        if self.busy > 0 {
            self.busy -= 1;
            return Err(NoAnswer);
        }
        for operation in operations {
            match operation {
                Operation::Write(bytes) => self.written(bytes)?,
                Operation::Read(bytes) => {
                    for byte in bytes.iter_mut() {
                        *byte = self.cell(self.address).ok_or(NoAnswer)?.get();
                        self.address += 1;
                    }
                }
            }
        }
        Ok(())
    }
}

/// Time does not pass here.
pub struct NoDelay;

impl DelayNs for NoDelay {
    fn delay_ns(&mut self, _ns: u32) {}
}
