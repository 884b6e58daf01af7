//! Grids and the setup in persistent memory, safe against power loss at any moment.
//!
//! # Slots
//! Slots 0 and 1 belong to the setup, slots 2 and 3 to the grid in place 0, 4 and 5 to that in place 1, and so on. A
//! slot holds one [`record`], and in its last units two *seals*, each the complement of the record's check value.
//!
//! # Saving
//! 1. Both slots are read. One of them holds what is current; the other will be written.
//! 2. If the current record says the same already, in the newest layout and with both seals, and the other slot holds
//!    the value before, nothing is written.
//! 3. The other slot is erased where that is needed, then written: fields, header, check value. All bytes are written,
//!    also those that read as wanted.
//! 4. It is read back and compared.
//! 5. Only then the first seal is written, read back and compared; then the second one.
//!
//! The seals are what a two-slot store usually lacks. A cell that was being written when power failed may read right at
//! the next start and wrong at the one after. If such a record counted as good, the next save would write over the only
//! other one. The first seal says that the record before it was written to its end: only then may it become current.
//! The second says the same of the first: only then may a save of the same value write nothing. A torn seal harms
//! nothing but itself.
//!
//! # Step by step
//! `start_save_grid`, `start_load_setup` and their like begin a job, and each [`Store::step`] of it makes one access to
//! the memory at most: it reads up to 32 bytes, writes a page, a byte or some units, or erases one unit. The calls that
//! do all at once are loops over these steps. Between two steps the caller may do anything; a save has what it stores
//! in a buffer of its own. A job that is not carried on, because another one is started or the store is dropped, leaves
//! what a power failure there would leave.
//!
//! # Which slot is current
//! A record counts if it decodes ([`record`] says what that means), belongs to this slot, and, in layout 2, has its
//! first seal. If both count, the newer one is current if its first seal is right, the older one if not. If one counts,
//! it is current, sealed or not. Records of layout 1 had no seals and count as sealed.
//!
//! Newer means further on by less than 2^31 in a sequence of 32 bits. A grid's first save goes to the first slot, with
//! number 0. No later one has 0, 2^32 - 1 is followed by 1, and a setup's none at all: [`Store::begin`] stores it twice,
//! and [`Store::save_setup`] writes only beside another setup. So beside any other number an empty slot is one too many,
//! and [`OtherSlot::Damaged`] says so. Two equal numbers, or two that do not follow each other, cannot come from this
//! store: the first slot counts as the newer one of two that are equal or 2^31 apart, and the other as damaged.
//!
//! # What is promised
//! After a power failure at any moment the next start finds exactly the value before or exactly the value after, or
//! says that there is none if none was ever saved. A save that returned `Ok` is found from then on. The same after a
//! second failure in the next save, and after any number of them as long as torn cells read the same each time; by steps
//! as well as at once (`every_cut_twice_...`).
//!
//! While a torn cell reads differently from time to time, a save that was cut short may be found at one start and not
//! at the next; what was acknowledged before it is not lost. The limit: three failures in three saves, of which one
//! leaves the first seal in such a state and the next one the only other record, can lose both, openly
//! (`the_known_limit`).
//!
//! A stray byte, a worn cell or a flipped bit spoils one slot: the other is found, and [`Loaded::other`] says so.
//!
//! | what happens | what is promised | test |
//! |---|---|---|
//! | a read lies once, while a setup is loaded | after [`Store::begin`]: the newest setup, or none, or another one with [`OtherSlot::Damaged`]. Without it the same, but the first setup of all counts as damaged | `one_lie_while_a_setup_is_loaded` |
//! | a read lies once, while it is saved | what is acknowledged is found; after an error the value before or the new one | `one_lie_while_a_setup_is_saved` |
//! | a read lies once, while a memory is begun | the setup is certain, or an error; beginning again is certain | `one_lie_while_a_memory_is_begun` |
//! | a read lies once, and power fails in the same save | the value before the last may be found, with [`OtherSlot::Damaged`] | |
//! | a write or an erase is reported as done and lost | nothing is acknowledged that is not found: reading back finds it, also where a place is freed | `a_write_that_is_reported_as_done_and_lost` |
//! | all reads before the first write find erased cells (a plug that is out for a moment), and the save goes on | the grid before may be found, with [`OtherSlot::Damaged`]; no setup is saved, [`StoreError::NotBegun`] | `no_life_breaks_a_promise`, `a_setup_is_saved_only_beside_another` |
//! | a write is lost, and the read that checks it lies too | nothing: these are two faults in one save | |
//! | a foreign content before the first start | no value; [`Store::begin`] makes the memory ours | `a_memory_with_foreign_content` |
//! | power fails anywhere in the first [`Store::begin`] | no setup, or the one begun; beginning again with any setup is certain | `the_first_start_ever_is_cut_anywhere` |
//! | two slots with equal numbers, or numbers apart | the first slot's, or the newer, with [`OtherSlot::Damaged`]; the next save puts it right | `two_slots_with_equal_sequence` |
//! | sequence numbers at their end | saves go on; an empty slot is still one too many | `sequence_numbers_at_their_end` |
//! | a bank of larger grids than this build takes | [`StoreError::TooLarge`], never the smaller grid before; what this build saves counts in both | `a_build_for_fewer_nodes` |
//! | slots of another size, unit or place | [`StoreError::OtherGeometry`] or no value; see below | `slots_of_any_other_size_place_or_unit` |
//!
//! **Another geometry.** Since layout 3 a record says to which slot of which size and unit it belongs. Of a memory that
//! a build with other slots has written, no setup is loaded and no grid. [`Store::save_setup`] refuses there, until
//! [`Store::begin`] takes the memory into use; a grid's place is free for the next grid. Records of layout 2 say nothing
//! of the kind. They count only with their first seal, which stands elsewhere in slots of another size; no setup of
//! theirs but the newest counted as certain in any geometry tried. A setup of layout 1 is certain only with the value
//! before beside it. A grid that a tool wrote, which belongs to no slot, counts as long as no finished record is beside
//! it (`a_grid_that_a_tool_wrote`); a setup of that sort never does. What no record can tell: a build that used other
//! addresses of the same memory, or another memory, knows nothing of screws that were turned meanwhile.
//!
//! The store makes no second attempt at anything; a memory may ([`SlotMemory`]). The number of reads has a bound that
//! does not depend on what the memory holds: each byte of a record is read once, and what was read is what is checked
//! and used.
//!
//! # Cost and lifetime
//! For a grid of 9 nodes, a record of 80 bytes; pinned by `cargo test -p gapkeeper-tests --test power_loss_cost`:
//!
//! | memory | a save | a setup | the same again | a load |
//! |---|---|---|---|---|
//! | EEPROM by bytes | 88 bytes written | 36 bytes | nothing written | 176 bytes read |
//! | I2C EEPROM, pages of 16 | 7 pages | 4 pages | nothing | 176 bytes |
//! | NOR flash, units of 8 | 1 erase, 12 units | 1 erase, 6 units | nothing | 176 bytes |
//!
//! No cell is written more than once in a save, and saves of one grid alternate between two slots. So a grid can be
//! saved twice as often as a cell can be written; see the part's data sheet. An example, with an assumed endurance of
//! 100 000 writes and 20 saves a day: 200 000 saves, 27 years.
//!
//! # Time
//! The longest step, and all steps of a job, in ms; the same grid saved over two others. Computed over doubles with part
//! times from memory (check the data sheet of yours; `PartTimes` in the test crate) and pinned by
//! `cargo test -p gapkeeper-tests --test power_loss_steps`:
//!
//! | memory | longest step | a grid saved | a setup saved | a grid loaded |
//! |---|---|---|---|---|
//! | EEPROM by bytes, 3.4 ms each | 3.4 | 299.2, 105 steps | 122.4, 47 steps | 0, 12 steps |
//! | I2C EEPROM, 100 kHz, cycle of 5 ms | 9.1 | 77.7, 24 steps | 39.3, 15 steps | 19.8, 12 steps |
//! | the same, 10 ms between two steps | 3.5 | 38.8 | 17.1 | 19.8 |
//! | I2C EEPROM, 400 kHz, cycle of 5 ms | 6.1 | 45.7 | 24.9 | 5.0 |
//! | the same, 10 ms between two steps | 0.9 | 9.7 | 4.3 | 5.0 |
//! | flash, 40 ms to erase a page, 0.1 ms a unit | 40 | 41.2, 24 steps | 40.6, 17 steps | 0, 12 steps |
//! | serial flash, 400 ms to erase 4 KiB, 3 ms to program | 400 | 418 | 415 | 0 |
//! | flash, 4 s to erase a sector of 128 KiB | 4000 | 4001.2 | 4000.6 | 0 |
//!
//! Time on the processor comes on top, and for serial flash time on its bus; pages of 16 bytes are meant, one of 64
//! takes 5.9 ms at 100 kHz to send. A step that reads or writes an I2C EEPROM
//! waits for the write cycle before it; with 10 ms between two steps there is nothing to wait for. If a part does not
//! answer at all a step takes all polls and their intervals. A byte-written EEPROM is written one byte a step, so that
//! 3.4 ms is the most that a controller is kept from its work.
//!
//! ```
//! use gapkeeper::memory::{ByteEeprom, ByteMemory, Region};
//! use gapkeeper::record::max_record_size;
//! use gapkeeper::store::slot_size;
//! use gapkeeper::{Saved, Store, StoreError};
//! # struct Eeprom([u8; 1024]);
//! # impl ByteMemory for Eeprom {
//! #     type Error = core::convert::Infallible;
//! #     fn capacity(&self) -> u32 { 1024 }
//! #     fn read_byte(&mut self, address: u32) -> Result<u8, Self::Error> { Ok(self.0[address as usize]) }
//! #     fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), Self::Error> {
//! #         self.0[address as usize] = byte;
//! #         Ok(())
//! #     }
//! # }
//! # let eeprom = Eeprom([0xFF; 1024]);
//! // Grids of up to 49 nodes in two places, and the setup.
//! const RECORD: usize = max_record_size(49);
//! let region = Region { first_address: 8, slot_size: slot_size(49, 1) as u32, slot_count: 6 };
//! let mut store = Store::<_, 49, RECORD>::new(ByteEeprom::new(eeprom, region)?)?;
//! assert_eq!(store.load_setup().unwrap_err(), StoreError::Empty);
//! // A person or the build has decided that this memory is to be used.
//! store.begin(1)?;
//! assert_eq!(store.save_setup(2)?, Saved::Written);
//! assert_eq!(store.load_setup()?.value, 2);
//! # Ok::<(), Box<dyn core::error::Error>>(())
//! ```

mod error;
mod job;
mod slot;

pub use error::StoreError;

use crate::memory::SlotMemory;
use crate::record::{self, CRC_SIZE, Frame, HEADER_SIZE, KIND_GRID, KIND_SETUP, Record, RecordError, max_record_size};
use crate::stored_grid::StoredGrid;
use job::{Job, Phase, Task};

/// Slots before those of the grids.
const SETUP_SLOTS: usize = 2;
const SEAL_SIZE: usize = CRC_SIZE;

/// What was found in persistent memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Loaded<T> {
    /// The current value.
    pub value: T,
    /// Which save it comes from.
    pub sequence: u32,
    /// The layout that it is stored in; the next save writes the newest.
    pub version: u8,
    /// What the other slot holds.
    pub other: OtherSlot,
}

/// What the slot holds that is not current.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum OtherSlot {
    /// Nothing of this store's yet: the current value is its first one.
    Empty,
    /// The value before, as it should.
    Earlier,
    /// A save that was cut short, or damage, or nothing where the value before has to be. The current value may be the
    /// one before the last: after this, take a loaded setup for uncertain and begin a new one.
    Damaged,
}

/// What a save did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Saved {
    /// The value is stored now.
    Written,
    /// The value was stored already; nothing was written.
    Unchanged,
}

/// How far a job is after a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub enum Progress {
    /// No job is under way.
    Idle,
    /// There is more to do: step again.
    Working,
    /// The save is done.
    Saved(Saved),
    /// The load is done: [`Store::loaded_grid`] or [`Store::loaded_setup`] hands it over.
    Loaded,
}

/// Grids of up to `CAPACITY` nodes, and the setup, in persistent memory.
///
/// It holds two times `BUFFER` bytes to work in, [`max_record_size`] of the capacity or more (else it does not compile).
/// How it works and what it promises: see the [module](self).
#[derive(Clone, Debug)]
pub struct Store<M, const CAPACITY: usize, const BUFFER: usize> {
    memory: M,
    unit: usize,
    seal_offsets: [usize; 2],
    /// A load reads both slots, a save reads into the first one and writes from the second.
    buffers: [[u8; BUFFER]; 2],
    job: Option<Job>,
}

impl<M: SlotMemory, const CAPACITY: usize, const BUFFER: usize> Store<M, CAPACITY, BUFFER> {
    /// A store in a memory. Reads and writes nothing yet.
    ///
    /// # Errors
    /// [`StoreError::Memory`] if there are fewer than four slots, or slots below [`slot_size`].
    pub fn new(memory: M) -> Result<Self, StoreError<M::Error>> {
        const { assert!(BUFFER >= max_record_size(CAPACITY), "BUFFER is below max_record_size(CAPACITY)") };
        let unit = memory.unit();
        let seal_size = round_up(SEAL_SIZE, unit);
        let slot_size = slot_size(CAPACITY, unit);
        let slot_count = SETUP_SLOTS + 2;
        if memory.slot_size() < slot_size || memory.slot_count() < slot_count {
            return Err(StoreError::Memory { slot_size, slot_count });
        }
        let last_seal = round_down(memory.slot_size(), unit).saturating_sub(seal_size);
        let seal_offsets = [last_seal.saturating_sub(seal_size), last_seal];
        Ok(Self { memory, unit, seal_offsets, buffers: [[0; BUFFER]; 2], job: None })
    }

    /// Number of places for grids, counted from 0.
    pub fn places(&self) -> usize {
        self.memory.slot_count().saturating_sub(SETUP_SLOTS) / 2
    }

    /// Gives the memory back. A job under way ends where it is.
    pub fn release(self) -> M {
        self.memory
    }

    /// The grid in a place.
    ///
    /// # Errors
    /// [`StoreError`] says what to do. A damaged slot beside a good one is no error, see [`Loaded::other`].
    pub fn load_grid(&mut self, place: usize) -> Result<Loaded<StoredGrid<CAPACITY>>, StoreError<M::Error>> {
        self.start_load_grid(place)?;
        self.step_to_the_end()?;
        self.loaded_grid()
    }

    /// The current setup.
    ///
    /// # Errors
    /// As for [`Self::load_grid`].
    pub fn load_setup(&mut self) -> Result<Loaded<u32>, StoreError<M::Error>> {
        self.start_load_setup();
        self.step_to_the_end()?;
        self.loaded_setup()
    }

    /// Stores a grid in a place, in the newest layout. When it returns `Ok`, the grid survives power loss.
    ///
    /// # Errors
    /// [`StoreError`] says what to do; what was stored before is still there, unless the error came after the first
    /// seal, in which case it is the new value. Calling again is safe.
    pub fn save_grid(&mut self, place: usize, stored: &StoredGrid<CAPACITY>) -> Result<Saved, StoreError<M::Error>> {
        self.start_save_grid(place, stored)?;
        self.step_to_the_end()
    }

    /// Stores the current setup. Do it before the screw is turned: a grid of the old setup is then never taken for a
    /// good one.
    ///
    /// # Errors
    /// As for [`Self::save_grid`]; and [`StoreError::NotBegun`] and [`StoreError::OtherGeometry`] where [`Self::begin`] is
    /// asked for.
    pub fn save_setup(&mut self, setup: u32) -> Result<Saved, StoreError<M::Error>> {
        self.start_save_setup(setup)?;
        self.step_to_the_end()
    }

    /// Takes this memory into use, whatever it holds: stores the setup in both of its slots, each read back.
    ///
    /// From then on a setup's slot that reads as empty is one too many, and [`Loaded::other`] says so. Also the setup of
    /// a newer program, or of one with slots of another size, is written over; so let a person or the build decide.
    /// Choose a setup that no grid in this memory carries.
    ///
    /// # Errors
    /// As for [`Self::save_grid`]. If power fails or an error comes in between, there is no setup yet, or this one and
    /// [`OtherSlot::Damaged`]; call it again.
    pub fn begin(&mut self, setup: u32) -> Result<(), StoreError<M::Error>> {
        self.start_begin(setup)?;
        self.step_to_the_end().map(drop)
    }

    /// Frees a place, whatever it holds. If power fails meanwhile, its grid is found or none; never an earlier one.
    ///
    /// # Errors
    /// [`StoreError::Access`], [`StoreError::NotKept`], [`StoreError::NoSuchPlace`]; the grid may then still be there.
    pub fn forget_grid(&mut self, place: usize) -> Result<(), StoreError<M::Error>> {
        self.start_forget_grid(place)?;
        self.step_to_the_end().map(drop)
    }

    /// Starts to load a grid, to be carried on by [`Self::step`].
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlace`].
    pub fn start_load_grid(&mut self, place: usize) -> Result<(), StoreError<M::Error>> {
        let first_slot = self.first_slot(place)?;
        self.job = Some(Job::new(Task::Load, KIND_GRID, first_slot, 0));
        Ok(())
    }

    /// Starts to load the setup, to be carried on by [`Self::step`].
    pub fn start_load_setup(&mut self) {
        self.job = Some(Job::new(Task::Load, KIND_SETUP, 0, 0));
    }

    /// Starts to store a grid as it is now, to be carried on by [`Self::step`]; what is changed in the grid later is not
    /// in this save.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlace`], [`StoreError::Value`].
    pub fn start_save_grid(&mut self, place: usize, stored: &StoredGrid<CAPACITY>) -> Result<(), StoreError<M::Error>> {
        let first_slot = self.first_slot(place)?;
        self.start_save(Task::Save, KIND_GRID, first_slot, |bytes| record::encode_grid(stored, 0, bytes))
    }

    /// Starts to store the setup, to be carried on by [`Self::step`].
    ///
    /// # Errors
    /// None in practice: a setup fits every store.
    pub fn start_save_setup(&mut self, setup: u32) -> Result<(), StoreError<M::Error>> {
        self.start_save(Task::Save, KIND_SETUP, 0, |bytes| record::encode_setup(setup, 0, bytes))
    }

    /// Starts what [`Self::begin`] does, to be carried on by [`Self::step`].
    ///
    /// # Errors
    /// None in practice: a setup fits every store.
    pub fn start_begin(&mut self, setup: u32) -> Result<(), StoreError<M::Error>> {
        let task = Task::SaveTwice { is_second: false };
        self.start_save(task, KIND_SETUP, 0, |bytes| record::encode_setup(setup, 0, bytes))
    }

    /// Starts to free a place, to be carried on by [`Self::step`].
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlace`].
    pub fn start_forget_grid(&mut self, place: usize) -> Result<(), StoreError<M::Error>> {
        let first_slot = self.first_slot(place)?;
        self.start_save(Task::Forget { is_second: false }, KIND_GRID, first_slot, |bytes| {
            bytes.fill(0);
            Ok(HEADER_SIZE)
        })
    }

    /// The next step of the job that was started last: one access to the memory, see the [module](self).
    ///
    /// # Errors
    /// [`StoreError`], as the call that does all at once returns it. The job is over then; it may be started again.
    pub fn step(&mut self) -> Result<Progress, StoreError<M::Error>> {
        let Some(mut job) = self.job.take() else { return Ok(Progress::Idle) };
        let end = self.advance(&mut job)?;
        if matches!(end, None | Some(Progress::Loaded)) {
            self.job = Some(job);
        }
        Ok(end.unwrap_or(Progress::Working))
    }

    /// The grid that a load by steps has found; once.
    ///
    /// # Errors
    /// [`StoreError::NotLoaded`] if the last step did not return [`Progress::Loaded`] for a grid.
    pub fn loaded_grid(&mut self) -> Result<Loaded<StoredGrid<CAPACITY>>, StoreError<M::Error>> {
        self.loaded(KIND_GRID, |frame| frame.grid())
    }

    /// The setup that a load by steps has found; once.
    ///
    /// # Errors
    /// [`StoreError::NotLoaded`] if the last step did not return [`Progress::Loaded`] for a setup.
    pub fn loaded_setup(&mut self) -> Result<Loaded<u32>, StoreError<M::Error>> {
        self.loaded(KIND_SETUP, |frame| frame.setup())
    }

    fn loaded<T>(
        &mut self,
        kind: u8,
        decode: impl FnOnce(Frame<'_>) -> Result<Record<T>, RecordError>,
    ) -> Result<Loaded<T>, StoreError<M::Error>> {
        let (index, other) = match self.job {
            Some(Job { kind: loaded, phase: Phase::Loaded { index, other }, .. }) if loaded == kind => (index, other),
            _ => return Err(StoreError::NotLoaded),
        };
        self.job = None;
        let [first, second] = &self.buffers;
        let buffer = if index == 0 { first } else { second };
        // These bytes were decoded before, when they were read.
        let record = Frame::open(buffer).and_then(decode).map_err(|_| StoreError::Damaged)?;
        Ok(Loaded { value: record.value, sequence: record.sequence, version: record.version, other })
    }

    fn start_save(
        &mut self,
        task: Task,
        kind: u8,
        first_slot: usize,
        encode: impl FnOnce(&mut [u8]) -> Result<usize, RecordError>,
    ) -> Result<(), StoreError<M::Error>> {
        self.job = None;
        let [_, record] = &mut self.buffers;
        let length = encode(record).map_err(StoreError::Value)?;
        self.job = Some(Job::new(task, kind, first_slot, length));
        Ok(())
    }

    /// What a save did; a load is [`Saved::Unchanged`].
    fn step_to_the_end(&mut self) -> Result<Saved, StoreError<M::Error>> {
        loop {
            match self.step()? {
                Progress::Working => {}
                Progress::Saved(saved) => return Ok(saved),
                Progress::Idle | Progress::Loaded => return Ok(Saved::Unchanged),
            }
        }
    }

    fn first_slot(&self, place: usize) -> Result<usize, StoreError<M::Error>> {
        let places = self.places();
        if place < places { Ok(SETUP_SLOTS + 2 * place) } else { Err(StoreError::NoSuchPlace { place, places }) }
    }
}

/// Bytes that a slot needs for grids of up to so many nodes, in a memory with such units: the longest record and two
/// seals.
///
/// ```
/// use gapkeeper::store::slot_size;
/// assert_eq!([slot_size(9, 1), slot_size(9, 8), slot_size(225, 64)], [88, 96, 640]);
/// ```
pub const fn slot_size(capacity: usize, unit: usize) -> usize {
    round_up(max_record_size(capacity), unit).saturating_add(round_up(SEAL_SIZE, unit).saturating_mul(2))
}

/// A unit of 0 counts as 1.
const fn round_down(size: usize, unit: usize) -> usize {
    match size.checked_rem(unit) {
        Some(over) => size - over,
        None => size,
    }
}

const fn round_up(size: usize, unit: usize) -> usize {
    round_down(size.saturating_add(unit.saturating_sub(1)), unit)
}

#[cfg(test)]
mod tests;
