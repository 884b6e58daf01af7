//! EEPROM written byte by byte.

use core::fmt::Debug;

use gapkeeper::memory::{ByteEeprom, ByteMemory, Region, SlotMemory};

use super::{Bus, Cells, Deed, Fault, Medium, PartTimes, Step};

/// EEPROM in which each byte is erased and written by itself.
#[derive(Clone, Debug)]
pub struct ByteChip {
    bus: Bus,
}

impl ByteMemory for ByteChip {
    type Error = Fault;

    fn capacity(&self) -> u32 {
        self.bus.cells.bytes.len() as u32
    }

    fn read_byte(&mut self, address: u32) -> Result<u8, Fault> {
        self.bus.begin_call()?;
        let mut byte = [0];
        self.bus.read(address as usize, &mut byte)?;
        Ok(byte[0])
    }

    fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), Fault> {
        self.bus.begin_call()?;
        if address >= self.capacity() {
            return Err(self.bus.forbid());
        }
        self.bus.clock.pass_ns(self.bus.times.write_ns);
        self.bus.step(Step { deed: Deed::Write, start: address as usize, new: vec![byte], grain: 1 })
    }
}

impl Medium for ByteChip {
    const LETTER: char = 'B';

    fn with_cells(cells: Cells) -> Self {
        Self { bus: Bus::new(cells, PartTimes::BYTE_EEPROM) }
    }

    fn blank() -> Self {
        Self::with_cells(Cells::erased(360, 0))
    }

    fn bus(&mut self) -> &mut Bus {
        &mut self.bus
    }

    #[allow(clippy::unwrap_used, reason = "the region fits the chip")]
    fn slots(&mut self) -> impl SlotMemory<Error: Debug> + '_ {
        ByteEeprom::new(self, Self::region()).unwrap()
    }

    fn region() -> Region {
        Region { first_address: 4, slot_size: 88, slot_count: 4 }
    }
}
