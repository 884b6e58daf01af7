//! The memory of a life: one of the chips of [`media`](crate::media), and in front of it a bus that may fail, tear, lie
//! once or answer late.

use gapkeeper::memory::{
    AddressBytes, ByteEeprom, Cells as Readable, I2cEeprom, I2cEepromPart, NorFlashSlots, Region, SlotMemory,
};
use gapkeeper::store::slot_size;

use super::subject::STATIONS;
use crate::media::{ByteChip, Cells, Cut, Fault, I2cChip, Medium, NorChip, Place, Random};

/// What goes wrong during one call of the keeper; the number counts the calls of the memory before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// Power fails at this step that changes cells, with a chance of what it leaves.
    Cut(usize, u64),
    /// This call is not answered.
    Fails(usize),
    /// This call and all after it are not answered.
    Dead(usize),
    /// This call is answered as if it had not been carried out, but it was, and late.
    Late(usize),
    /// This read finds all cells erased.
    ReadsErased(usize),
    /// This read finds one bit turned round.
    ReadsFlipped(usize),
    /// This read finds anything.
    ReadsNoise(usize),
    /// From the first call to this one the plug is out: all reads as erased, and writing is said to be done.
    Unplugged(usize),
    /// This write or erase is said to be done and is not.
    Loses(usize),
}

impl Trouble {
    /// Whether cells are said to hold what they do not, or to have been written.
    pub fn is_lie(self) -> bool {
        !matches!(self, Self::Cut(..) | Self::Fails(_) | Self::Dead(_) | Self::Late(_))
    }
}

/// The memory did not do as asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NoAnswer;

#[derive(Clone, Debug)]
enum Part {
    Byte(ByteChip),
    I2c(I2cChip),
    Nor(NorChip),
}

/// A chip with a number of slots.
#[derive(Clone, Debug)]
pub struct Chip {
    part: Part,
    slots: u32,
}

const PAGE: u32 = 16;
const FLASH_PAGE: u32 = 128;
const UNIT: u32 = 8;
const BYTE_SLOT: u32 = slot_size(STATIONS, 1) as u32;
const I2C_SLOT: u32 = slot_size(STATIONS, PAGE as usize) as u32;
const _: () = assert!(slot_size(STATIONS, UNIT as usize) <= FLASH_PAGE as usize);

impl Chip {
    /// A chip as it is delivered, of one of three kinds, with places for so many grids.
    pub fn blank(kind: usize, places: u32) -> Self {
        let slots = 2 + 2 * places;
        let part = match kind {
            0 => Part::Byte(ByteChip::with_cells(Cells::erased((4 + BYTE_SLOT * slots) as usize, 0))),
            1 => Part::I2c(I2cChip::with_cells(Cells::erased(2048, 0))),
            _ => {
                let count = FLASH_PAGE * (1 + slots);
                Part::Nor(NorChip::with_cells(Cells::erased(count as usize, (count / UNIT) as usize)))
            }
        };
        Self { part, slots }
    }

    /// Places for grids.
    pub fn places(&self) -> usize {
        self.slots as usize / 2 - 1
    }

    fn bus(&mut self) -> &mut crate::media::Bus {
        match &mut self.part {
            Part::Byte(chip) => chip.bus(),
            Part::I2c(chip) => chip.bus(),
            Part::Nor(chip) => chip.bus(),
        }
    }

    /// All bytes, for comparing.
    pub fn bytes(&mut self) -> &[u8] {
        &self.bus().cells.bytes
    }

    /// Fills all cells, as another program may have left them.
    pub fn fill_with(&mut self, byte: impl FnMut() -> u8) {
        self.bus().cells.bytes.fill_with(byte);
    }

    /// Sets one byte.
    pub fn damage(&mut self, address: usize, value: u8) {
        if let Some(byte) = self.bus().cells.bytes.get_mut(address) {
            *byte = value;
        }
    }

    /// Writes over both slots of the setup.
    pub fn damage_setup(&mut self, byte: impl FnMut() -> u8) {
        let (first, size) = match self.part {
            Part::Byte(_) => (4, BYTE_SLOT),
            Part::I2c(_) => (PAGE, I2C_SLOT),
            Part::Nor(_) => (FLASH_PAGE, FLASH_PAGE),
        };
        self.bus().cells.bytes[first as usize..(first + 2 * size) as usize].fill_with(byte);
    }

    /// Whether some cell was torn so that it cannot be read surely.
    pub fn is_in_doubt(&mut self) -> bool {
        self.bus().cells.are_in_doubt()
    }

    /// Whether power failed during a call.
    pub fn lost_power(&mut self) -> bool {
        !self.bus().has_power
    }

    /// Whether the program asked for what a chip forbids.
    pub fn was_misused(&mut self) -> bool {
        self.bus().was_misused
    }

    /// What a start finds: the same cells, and all else forgotten.
    pub fn restart(&mut self, chance: u64) {
        let cells = self.bus().cells.clone();
        self.part = match self.part {
            Part::Byte(_) => Part::Byte(ByteChip::with_cells(cells)),
            Part::I2c(_) => Part::I2c(I2cChip::with_cells(cells)),
            Part::Nor(_) => Part::Nor(NorChip::with_cells(cells)),
        };
        self.bus().random = Random(chance);
    }

    /// Lets a caller use the slots, with trouble or without.
    ///
    /// # Panics
    /// If the core refuses a region that fits its chip.
    #[allow(clippy::unwrap_used, reason = "the regions fit the chips")]
    pub fn with<T>(
        &mut self,
        trouble: Option<Trouble>,
        chance: u64,
        use_slots: impl FnOnce(&mut dyn SlotMemory<Error = NoAnswer>) -> T,
    ) -> T {
        if let Some(Trouble::Cut(step, chance)) = trouble {
            let is_flash = matches!(self.part, Part::Nor(_));
            let torn = if is_flash { NorChip::torn_states() } else { ByteChip::torn_states() };
            let mut random = Random(chance);
            let place = match random.below(4) {
                0 => Place::Everywhere,
                _ => Place::Grain(random.below(if is_flash { 1 } else { 4 })),
            };
            let torn = torn[random.below(torn.len())];
            let bus = self.bus();
            // What was done since power came.
            let step = bus.counts.writes + bus.counts.erases + step;
            let place = match (&self.part, place) {
                // One byte at a time.
                (Part::Byte(_), _) => Place::Everywhere,
                (_, place) => place,
            };
            let bus = self.bus();
            bus.chance_of_cut = random;
            bus.cut = Some(Cut { step, place, torn, reading: 0 });
        }
        let region = |first_address, slot_size| Region { first_address, slot_size, slot_count: self.slots };
        let random = Random(chance);
        let result = match &mut self.part {
            Part::Byte(chip) => {
                let slots = ByteEeprom::new(chip, region(4, BYTE_SLOT)).unwrap();
                use_slots(&mut Troubled { slots, trouble, random, calls: 0 })
            }
            Part::I2c(chip) => {
                let part = I2cEepromPart {
                    device_address: 0x50,
                    capacity: 2048,
                    page_size: PAGE,
                    address_bytes: AddressBytes::One,
                    polls: 6,
                    poll_interval_us: 1000,
                };
                let clock = chip.bus().clock.clone();
                let slots = I2cEeprom::new(chip, clock, part, region(PAGE, I2C_SLOT)).unwrap();
                use_slots(&mut Troubled { slots, trouble, random, calls: 0 })
            }
            Part::Nor(chip) => {
                let is_damage = |fault: &Fault| *fault == Fault::UnreadableCells;
                let slots = NorFlashSlots::new(chip, region(FLASH_PAGE, FLASH_PAGE), is_damage).unwrap();
                use_slots(&mut Troubled { slots, trouble, random, calls: 0 })
            }
        };
        self.bus().cut = None;
        // After a lost erase the program cannot know that it writes where it may not.
        self.bus().was_misused &= !trouble.is_some_and(Trouble::is_lie);
        result
    }
}

/// Slots behind a bus that has one trouble.
struct Troubled<S> {
    slots: S,
    trouble: Option<Trouble>,
    random: Random,
    calls: usize,
}

/// What happens to one call.
#[derive(PartialEq)]
enum Fate {
    Sound,
    NotDone,
    DoneAndDenied,
    Pretended,
}

impl<S> Troubled<S> {
    fn fate(&mut self) -> Fate {
        let call = self.calls;
        self.calls += 1;
        match self.trouble {
            Some(Trouble::Fails(at)) if call == at => Fate::NotDone,
            Some(Trouble::Dead(from)) if call >= from => Fate::NotDone,
            Some(Trouble::Late(at)) if call == at => Fate::DoneAndDenied,
            Some(Trouble::Unplugged(until)) if call <= until => Fate::Pretended,
            Some(Trouble::Loses(at)) if call == at => Fate::Pretended,
            _ => Fate::Sound,
        }
    }
}

impl<S: SlotMemory> Troubled<S> {
    fn change(&mut self, change: impl FnOnce(&mut S) -> Result<(), S::Error>) -> Result<(), NoAnswer> {
        match self.fate() {
            Fate::NotDone => Err(NoAnswer),
            Fate::Pretended => Ok(()),
            Fate::DoneAndDenied => change(&mut self.slots).and(Ok(())).map_or(Err(NoAnswer), |()| Err(NoAnswer)),
            Fate::Sound => change(&mut self.slots).map_err(|_| NoAnswer),
        }
    }
}

impl<S: SlotMemory> SlotMemory for Troubled<S> {
    type Error = NoAnswer;

    fn slot_count(&self) -> usize {
        self.slots.slot_count()
    }

    fn slot_size(&self) -> usize {
        self.slots.slot_size()
    }

    fn unit(&self) -> usize {
        self.slots.unit()
    }

    fn read(&mut self, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<Readable, NoAnswer> {
        let call = self.calls;
        match self.fate() {
            Fate::NotDone | Fate::DoneAndDenied => return Err(NoAnswer),
            Fate::Pretended if matches!(self.trouble, Some(Trouble::Unplugged(_))) => {
                bytes.fill(0xFF);
                return Ok(Readable::Readable);
            }
            _ => {}
        }
        let cells = self.slots.read(slot, offset, bytes).map_err(|_| NoAnswer)?;
        match self.trouble {
            Some(Trouble::ReadsErased(at)) if at == call => bytes.fill(0xFF),
            Some(Trouble::ReadsNoise(at)) if at == call => bytes.fill_with(|| self.random.draw() as u8),
            Some(Trouble::ReadsFlipped(at)) if at == call => {
                let bit = self.random.below(8 * bytes.len());
                if let Some(byte) = bytes.get_mut(bit / 8) {
                    *byte ^= 1 << (bit % 8);
                }
            }
            _ => {}
        }
        Ok(cells)
    }

    fn erase(&mut self, slot: usize) -> Result<(), NoAnswer> {
        self.change(|slots| slots.erase(slot))
    }

    fn write(&mut self, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), NoAnswer> {
        self.change(|slots| slots.write(slot, offset, bytes))
    }
}
