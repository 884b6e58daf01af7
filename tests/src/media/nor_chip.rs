//! NOR flash with error correction.

use core::fmt::Debug;

use embedded_storage::nor_flash::{ErrorType, NorFlash, ReadNorFlash, check_erase, check_read, check_write};
use gapkeeper::memory::{NorFlashSlots, Region, SlotMemory};

use super::{Bus, Cells, Deed, Fault, Medium, PartTimes, Step, Torn};

const UNIT: usize = 8;
const PAGE: usize = 128;

/// Flash of 640 bytes, erased by 128, programmed by 8, each unit once; a torn unit may be unreadable.
#[derive(Clone, Debug)]
pub struct NorChip {
    bus: Bus,
}

impl ErrorType for NorChip {
    type Error = Fault;
}

impl ReadNorFlash for NorChip {
    const READ_SIZE: usize = 4;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Fault> {
        self.bus.begin_call()?;
        check_read(self, offset, bytes.len()).map_err(|_| self.bus.forbid())?;
        self.bus.read(offset as usize, bytes)
    }

    fn capacity(&self) -> usize {
        self.bus.cells.bytes.len()
    }
}

impl NorFlash for NorChip {
    const WRITE_SIZE: usize = UNIT;
    const ERASE_SIZE: usize = PAGE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Fault> {
        self.bus.begin_call()?;
        check_erase(self, from, to).map_err(|_| self.bus.forbid())?;
        for start in (from as usize..to as usize).step_by(PAGE) {
            self.bus.clock.pass_ns(self.bus.times.erase_ns);
            self.bus.step(Step { deed: Deed::Erase, start, new: vec![0xFF; PAGE], grain: UNIT })?;
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Fault> {
        self.bus.begin_call()?;
        check_write(self, offset, bytes.len()).map_err(|_| self.bus.forbid())?;
        self.bus.clock.pass_ns(self.bus.times.program_order_ns);
        for (start, unit) in (offset as usize..).step_by(UNIT).zip(bytes.chunks(UNIT)) {
            // A worn chip that did not erase says so here.
            if self.bus.cells.is_spent(start / UNIT) {
                return Err(self.bus.forbid());
            }
            self.bus.clock.pass_ns(self.bus.times.program_unit_ns);
            // Bits only fall.
            let new = unit.iter().zip(&self.bus.cells.bytes[start..]).map(|(new, old)| new & old).collect();
            self.bus.step(Step { deed: Deed::Program, start, new, grain: UNIT })?;
        }
        Ok(())
    }
}

impl Medium for NorChip {
    const LETTER: char = 'N';

    fn with_cells(cells: Cells) -> Self {
        Self { bus: Bus::new(cells, PartTimes::SMALL_PAGES) }
    }

    fn blank() -> Self {
        Self::with_cells(Cells::erased(5 * PAGE, 5 * PAGE / UNIT))
    }

    fn bus(&mut self) -> &mut Bus {
        &mut self.bus
    }

    #[allow(clippy::unwrap_used, reason = "the region fits the chip")]
    fn slots(&mut self) -> impl SlotMemory<Error: Debug> + '_ {
        NorFlashSlots::new(self, Self::region(), |fault| *fault == Fault::UnreadableCells).unwrap()
    }

    fn region() -> Region {
        Region { first_address: PAGE as u32, slot_size: PAGE as u32, slot_count: 4 }
    }

    fn torn_states() -> &'static [Torn] {
        &Torn::ALL_OF_FLASH
    }
}
