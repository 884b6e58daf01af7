//! EEPROM with pages on an I2C bus.

use core::fmt::Debug;

use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{ErrorType, I2c, Operation};
use gapkeeper::memory::{AddressBytes, I2cEeprom, I2cEepromPart, Region, SlotMemory};

use super::{Bus, Cells, Deed, Fault, Medium, Step};

const PAGE: usize = 16;
const DEVICE: u8 = 0x50;
/// How often the chip does not answer after a page was written.
const BUSY_POLLS: u8 = 2;

/// EEPROM of 512 bytes in pages of 16, one address byte, one block bit in the device address.
///
/// A write cycle begins at STOP: bytes sent before are lost with the power. During it the whole page is at risk, and
/// the chip does not acknowledge. Bytes beyond the end of a page wrap around to its beginning.
#[derive(Clone, Debug)]
pub struct I2cChip {
    bus: Bus,
    pointer: usize,
    busy: u8,
}

impl ErrorType for I2cChip {
    type Error = Fault;
}

impl I2c for I2cChip {
    fn transaction(&mut self, device: u8, operations: &mut [Operation<'_>]) -> Result<(), Fault> {
        self.bus.begin_call()?;
        let blocks = (self.bus.cells.bytes.len() / 256) as u8;
        if device < DEVICE || device >= DEVICE + blocks {
            return Err(self.bus.forbid());
        }
        if self.busy > 0 {
            self.busy -= 1;
            return Err(Fault::CallFailed);
        }
        let block = usize::from(device - DEVICE) * 256;
        let mut latched: Vec<(usize, u8)> = Vec::new();
        for operation in operations {
            match operation {
                Operation::Read(bytes) => {
                    self.bus.read(self.pointer, bytes)?;
                    self.pointer = (self.pointer + bytes.len()) % self.bus.cells.bytes.len();
                }
                Operation::Write(bytes) => {
                    let mut bytes = bytes.iter().copied();
                    if let Some(address) = bytes.next() {
                        self.pointer = block + usize::from(address);
                    }
                    for byte in bytes {
                        latched.push((self.pointer, byte));
                        let page = self.pointer / PAGE * PAGE;
                        self.pointer = page + (self.pointer + 1 - page) % PAGE;
                    }
                }
            }
        }
        if let Some(&(first, _)) = latched.first() {
            let start = first / PAGE * PAGE;
            let mut new = self.bus.cells.bytes[start..start + PAGE].to_vec();
            for (address, byte) in latched {
                new[address - start] = byte;
            }
            self.bus.step(Step { deed: Deed::Write, start, new, grain: 1 })?;
            self.busy = BUSY_POLLS;
        }
        Ok(())
    }
}

/// Time does not pass in tests.
struct NoDelay;

impl DelayNs for NoDelay {
    fn delay_ns(&mut self, _ns: u32) {}
}

impl Medium for I2cChip {
    const LETTER: char = 'I';

    fn with_cells(cells: Cells) -> Self {
        Self { bus: Bus::new(cells), pointer: 0, busy: 0 }
    }

    fn blank() -> Self {
        Self::with_cells(Cells::erased(512, 0))
    }

    fn bus(&mut self) -> &mut Bus {
        &mut self.bus
    }

    #[allow(clippy::unwrap_used, reason = "the region fits the chip")]
    fn slots(&mut self) -> impl SlotMemory<Error: Debug> + '_ {
        let part = I2cEepromPart {
            device_address: DEVICE,
            capacity: 512,
            page_size: PAGE as u32,
            address_bytes: AddressBytes::One,
            polls: u16::from(BUSY_POLLS) + 1,
            poll_interval_us: 1000,
        };
        I2cEeprom::new(self, NoDelay, part, Self::region()).unwrap()
    }

    fn region() -> Region {
        Region { first_address: PAGE as u32, slot_size: 112, slot_count: 4 }
    }
}
