//! EEPROM with pages on an I2C bus.

use core::fmt::Debug;

use embedded_hal::i2c::{ErrorType, I2c, Operation};
use gapkeeper::memory::{AddressBytes, I2cEeprom, I2cEepromPart, Region, SlotMemory};

use super::{Bus, Cells, Deed, Fault, Medium, PartTimes, Step};

const PAGE: usize = 16;
const DEVICE: u8 = 0x50;
/// More tries, 1 ms apart, than a write cycle takes.
const POLLS: u16 = 6;

/// EEPROM of 512 bytes in pages of 16, one address byte, one block bit in the device address.
///
/// A write cycle begins at STOP: bytes sent before are lost with the power. During it the whole page is at risk, and
/// the chip does not acknowledge. Bytes beyond the end of a page wrap around to its beginning.
#[derive(Clone, Debug)]
pub struct I2cChip {
    bus: Bus,
    pointer: usize,
    /// The write cycle under way ends then.
    busy_until_ns: u64,
}

impl I2cChip {
    /// A write cycle was under way when the controller, not the chip, began anew.
    pub fn in_a_write_cycle(mut self) -> Self {
        self.busy_until_ns = self.bus.clock.now_ns() + self.bus.times.write_ns;
        self
    }

    /// So many bytes with their acknowledges; a start or a stop is taken for one bit.
    fn pass(&self, bytes: usize, starts_and_stops: u64) {
        self.bus.clock.pass_ns(self.bus.times.bit_ns * (9 * bytes as u64 + starts_and_stops));
    }
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
        if self.bus.clock.now_ns() < self.busy_until_ns {
            self.pass(1, 2);
            return Err(Fault::CallFailed);
        }
        let block = usize::from(device - DEVICE) * 256;
        let mut latched: Vec<(usize, u8)> = Vec::new();
        self.pass(0, 1);
        for operation in operations {
            match operation {
                Operation::Read(bytes) => {
                    self.pass(1 + bytes.len(), 1);
                    self.bus.read(self.pointer, bytes)?;
                    self.pointer = (self.pointer + bytes.len()) % self.bus.cells.bytes.len();
                }
                Operation::Write(bytes) => {
                    self.pass(1 + bytes.len(), 1);
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
            self.busy_until_ns = self.bus.clock.now_ns() + self.bus.times.write_ns;
        }
        Ok(())
    }
}

impl Medium for I2cChip {
    const LETTER: char = 'I';

    fn with_cells(cells: Cells) -> Self {
        Self { bus: Bus::new(cells, PartTimes::I2C_100_KHZ), pointer: 0, busy_until_ns: 0 }
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
            polls: POLLS,
            poll_interval_us: 1000,
        };
        let clock = self.bus.clock.clone();
        I2cEeprom::new(self, clock, part, Self::region()).unwrap()
    }

    fn region() -> Region {
        Region { first_address: PAGE as u32, slot_size: 112, slot_count: 4 }
    }
}
