//! Grids and the setup in persistent memory, safe against power loss at any moment.
//!
//! # Slots
//! Slots 0 and 1 belong to the setup, slots 2 and 3 to the grid in place 0, 4 and 5 to that in place 1, and so on. A
//! slot holds one [`record`], and in its last units two *seals*, each the complement of the record's check value.
//!
//! # Saving
//! 1. Both slots are read. One of them holds what is current; the other will be written.
//! 2. If the current record says the same already, has both seals, and the other slot holds no save that was cut
//!    short, nothing is written.
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
//! # Which slot is current
//! A record counts if it decodes ([`record`] says what that means). If both count, the newer one is current if its
//! first seal is right, the older one if not. If one counts, it is current, sealed or not. Records of layout 1 had no
//! seals and count as sealed.
//!
//! Newer means further on by less than 2^31 in a sequence of 32 bits that begins again at 0. Two equal numbers, or two
//! that are 2^31 apart, cannot come from this store: then slot 0, 2, 4 ... counts as the newer one.
//!
//! # What is promised
//! After a power failure at any moment the next start finds exactly the value before or exactly the value after, or
//! says that there is none if none was ever saved. A save that returned `Ok` is found from then on. The same after a
//! second failure in the next save, and after any number of them as long as torn cells read the same each time.
//!
//! While a torn cell reads differently from time to time, a save that was cut short may be found at one start and not
//! at the next; what was acknowledged before it is not lost. The limit: three failures in three saves, of which one
//! leaves the first seal in such a state and the next one the only other record, can lose both, openly.
//!
//! A stray byte, a worn cell or a flipped bit spoils one slot: the other is found, and [`Loaded::other`] says so.
//!
//! Loading and saving make no second attempt at anything, and the number of reads has a bound that does not depend on
//! what the memory holds: each byte of a record is read once, and what was read is what is checked and used.
//!
//! # Cost and lifetime
//! For a grid of 9 nodes, a record of 72 bytes; pinned by `cargo test -p gapkeeper-tests --test power_loss_cost`:
//!
//! | memory | a save | a setup | the same again | a load |
//! |---|---|---|---|---|
//! | EEPROM by bytes | 80 bytes written | 28 bytes | nothing written | 160 bytes read |
//! | I2C EEPROM, pages of 16 | 7 pages | 4 pages | nothing | 160 bytes |
//! | NOR flash, units of 8 | 1 erase, 11 units | 1 erase, 5 units | nothing | 160 bytes |
//!
//! No cell is written more than once in a save, and saves of one grid alternate between two slots. So a grid can be
//! saved twice as often as a cell can be written; see the part's data sheet. An example, with an assumed endurance of
//! 100 000 writes and 20 saves a day: 200 000 saves, 27 years.
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
//! assert_eq!(store.save_setup(1)?, Saved::Written);
//! assert_eq!(store.load_setup()?.value, 1);
//! # Ok::<(), Box<dyn core::error::Error>>(())
//! ```

use core::fmt;

use crate::crc::Crc32c;
use crate::memory::{Cells, SlotMemory};
use crate::record::{self, CRC_SIZE, HEADER_SIZE, LAYOUT_VERSION, Record, RecordError, max_record_size};
use crate::stored_grid::StoredGrid;

/// Slots before those of the grids.
const SETUP_SLOTS: usize = 2;
const SEAL_SIZE: usize = CRC_SIZE;
/// Bytes compared at a time.
const COMPARED_AT_ONCE: usize = 32;

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
    /// Nothing yet.
    Empty,
    /// An earlier value, as it should.
    Earlier,
    /// A save that was cut short, or damage. The current value may be the one before the last: after this, take a
    /// loaded setup for uncertain and begin a new one.
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

/// Why nothing was loaded, or not saved. The value in memory is the caller's and stays as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum StoreError<E> {
    /// Nothing was ever saved here: measure the bed, or begin the first setup.
    Empty,
    /// There are bytes, but no whole record: go on without a correction and measure again.
    Damaged,
    /// A newer program saved here. Neither loaded nor written over; [`Store::forget_grid`] frees the place.
    NewerLayout {
        /// The layout of its record.
        version: u8,
    },
    /// The memory did not keep what was written: it is worn or failing. The value before is still stored.
    NotKept {
        /// The slot concerned.
        slot: usize,
    },
    /// The value cannot be stored; nothing was written.
    Value(RecordError),
    /// There is no such place for a grid.
    NoSuchPlace {
        /// The place asked for, counted from 0.
        place: usize,
        /// Number of places.
        places: usize,
    },
    /// The memory's slots are too few or too small for this store.
    Memory {
        /// Bytes needed in a slot.
        slot_size: usize,
        /// Slots needed at least.
        slot_count: usize,
    },
    /// The memory did not do as asked. Loading may be tried again; after a save, load to see what is stored.
    Access(E),
}

impl<E: fmt::Display> fmt::Display for StoreError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => write!(f, "nothing stored here: measure the bed and save"),
            Self::Damaged => write!(f, "what is stored here is damaged: measure the bed again"),
            Self::NewerLayout { version } => write!(
                f,
                "stored by a newer program in layout {version}, this one knows up to {LAYOUT_VERSION}: \
                 use that program, or forget what it stored"
            ),
            Self::NotKept { slot } => {
                write!(f, "slot {slot} does not keep what is written: replace the memory, the value before is safe")
            }
            Self::Value(error) => write!(f, "cannot be stored: {error}"),
            Self::NoSuchPlace { place, places } => write!(f, "place {place} of {places}: count from 0"),
            Self::Memory { slot_size, slot_count } => {
                write!(f, "give the memory at least {slot_count} slots of at least {slot_size} bytes")
            }
            Self::Access(error) => write!(f, "{error}"),
        }
    }
}

impl<E: fmt::Debug + fmt::Display> core::error::Error for StoreError<E> {}

/// Grids of up to `CAPACITY` nodes, and the setup, in persistent memory.
///
/// It keeps nothing in memory between calls but `BUFFER` bytes to work in, [`max_record_size`] of the capacity or more
/// (else it does not compile). How it works and what it promises: see the [module](self).
#[derive(Clone, Debug)]
pub struct Store<M, const CAPACITY: usize, const BUFFER: usize> {
    memory: M,
    unit: usize,
    seal_offsets: [usize; 2],
    buffer: [u8; BUFFER],
}

/// What a slot was found to hold.
enum Slot<T> {
    Empty,
    Damaged,
    Newer(u8),
    Record {
        record: Record<T>,
        /// How many of its seals are right, up to the first that is not.
        seals: u8,
    },
}

impl<T> Slot<T> {
    fn sequence(&self) -> Option<u32> {
        match self {
            Self::Record { record, .. } => Some(record.sequence),
            _ => None,
        }
    }

    fn is_finished(&self) -> bool {
        matches!(self, Self::Record { record, seals } if *seals > 0 || record.version == 1)
    }
}

/// Index of the current one of two slots.
fn current<T>(slots: &[Slot<T>; 2]) -> Option<usize> {
    let [first, second] = slots;
    match (first.sequence(), second.sequence()) {
        (None, None) => None,
        (Some(_), None) => Some(0),
        (None, Some(_)) => Some(1),
        (Some(first_sequence), Some(second_sequence)) => {
            // Further on by 1 to 2^31 - 1.
            let second_is_newer = (second_sequence.wrapping_sub(first_sequence) as i32) > 0;
            let newer_is_finished = if second_is_newer { second.is_finished() } else { first.is_finished() };
            Some(usize::from(second_is_newer == newer_is_finished))
        }
    }
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
        Ok(Self { memory, unit, seal_offsets, buffer: [0; BUFFER] })
    }

    /// Number of places for grids, counted from 0.
    pub fn places(&self) -> usize {
        self.memory.slot_count().saturating_sub(SETUP_SLOTS) / 2
    }

    /// Gives the memory back.
    pub fn release(self) -> M {
        self.memory
    }

    /// The grid in a place.
    ///
    /// # Errors
    /// [`StoreError`] says what to do. A damaged slot beside a good one is no error, see [`Loaded::other`].
    pub fn load_grid(&mut self, place: usize) -> Result<Loaded<StoredGrid<CAPACITY>>, StoreError<M::Error>> {
        let first_slot = self.first_slot(place)?;
        self.load(first_slot, record::decode_grid)
    }

    /// The current setup.
    ///
    /// # Errors
    /// As for [`Self::load_grid`].
    pub fn load_setup(&mut self) -> Result<Loaded<u32>, StoreError<M::Error>> {
        self.load(0, record::decode_setup)
    }

    /// Stores a grid in a place, in the newest layout. When it returns `Ok`, the grid survives power loss.
    ///
    /// # Errors
    /// [`StoreError`] says what to do; what was stored before is still there, unless the error came after the first
    /// seal, in which case it is the new value. One attempt is made: calling again is the caller's decision, and safe.
    pub fn save_grid(&mut self, place: usize, stored: &StoredGrid<CAPACITY>) -> Result<Saved, StoreError<M::Error>> {
        let first_slot = self.first_slot(place)?;
        let is_equal = |bytes: &[u8]| {
            let Record { version, sequence, value } = record::decode_grid::<CAPACITY>(bytes)?;
            Ok(Record { version, sequence, value: value == *stored })
        };
        self.save(first_slot, is_equal, |sequence, bytes| record::encode_grid(stored, sequence, bytes))
    }

    /// Stores the current setup. Do it before the screw is turned: a grid of the old setup is then never taken for a
    /// good one.
    ///
    /// # Errors
    /// As for [`Self::save_grid`].
    pub fn save_setup(&mut self, setup: u32) -> Result<Saved, StoreError<M::Error>> {
        let is_equal = |bytes: &[u8]| {
            let Record { version, sequence, value } = record::decode_setup(bytes)?;
            Ok(Record { version, sequence, value: value == setup })
        };
        self.save(0, is_equal, |sequence, bytes| record::encode_setup(setup, sequence, bytes))
    }

    /// Frees a place, whatever it holds. If power fails meanwhile, its grid is found or none; never an earlier one.
    ///
    /// # Errors
    /// [`StoreError::Access`], [`StoreError::NoSuchPlace`]; the grid may then still be there.
    pub fn forget_grid(&mut self, place: usize) -> Result<(), StoreError<M::Error>> {
        let first_slot = self.first_slot(place)?;
        let slots = self.examine_both(first_slot, record::decode_grid::<CAPACITY>)?;
        let last = current(&slots).unwrap_or(0);
        for slot in [first_slot + (1 - last), first_slot + last] {
            self.memory.erase(slot).map_err(StoreError::Access)?;
            self.memory.write(slot, 0, &[0; HEADER_SIZE]).map_err(StoreError::Access)?;
        }
        Ok(())
    }

    fn first_slot(&self, place: usize) -> Result<usize, StoreError<M::Error>> {
        let places = self.places();
        if place < places { Ok(SETUP_SLOTS + 2 * place) } else { Err(StoreError::NoSuchPlace { place, places }) }
    }

    fn load<T>(
        &mut self,
        first_slot: usize,
        decode: impl Fn(&[u8]) -> Result<Record<T>, RecordError>,
    ) -> Result<Loaded<T>, StoreError<M::Error>> {
        let slots = self.examine_both(first_slot, decode)?;
        if let [Slot::Newer(version), _] | [_, Slot::Newer(version)] = slots {
            return Err(StoreError::NewerLayout { version });
        }
        let index = current(&slots);
        let [first, second] = slots;
        let (chosen, other) = if index == Some(1) { (second, first) } else { (first, second) };
        match chosen {
            Slot::Record { record: Record { version, sequence, value }, .. } => {
                let other = match other {
                    Slot::Empty => OtherSlot::Empty,
                    Slot::Record { .. } if other.is_finished() => OtherSlot::Earlier,
                    _ => OtherSlot::Damaged,
                };
                Ok(Loaded { value, sequence, version, other })
            }
            Slot::Empty if matches!(other, Slot::Empty) => Err(StoreError::Empty),
            _ => Err(StoreError::Damaged),
        }
    }

    fn save(
        &mut self,
        first_slot: usize,
        is_equal: impl Fn(&[u8]) -> Result<Record<bool>, RecordError>,
        encode: impl FnOnce(u32, &mut [u8]) -> Result<usize, RecordError>,
    ) -> Result<Saved, StoreError<M::Error>> {
        let slots = self.examine_both(first_slot, is_equal)?;
        if let [Slot::Newer(version), _] | [_, Slot::Newer(version)] = slots {
            return Err(StoreError::NewerLayout { version });
        }
        let index = current(&slots);
        let [first, second] = &slots;
        let (kept, written, target) =
            if index == Some(0) { (first, second, first_slot + 1) } else { (second, first, first_slot) };
        if let Slot::Record { record: Record { version: LAYOUT_VERSION, value: true, .. }, seals: 2 } = kept
            && (matches!(written, Slot::Empty) || written.is_finished())
        {
            return Ok(Saved::Unchanged);
        }
        let sequence = kept.sequence().map_or(0, |sequence| sequence.wrapping_add(1));
        let length = encode(sequence, &mut self.buffer).map_err(StoreError::Value)?;
        self.write_record(target, length)?;
        Ok(Saved::Written)
    }

    /// Writes the record in the buffer, and its seals, to a slot.
    fn write_record(&mut self, slot: usize, length: usize) -> Result<(), StoreError<M::Error>> {
        self.memory.erase(slot).map_err(StoreError::Access)?;
        let crc_at = round_down(length.saturating_sub(CRC_SIZE), self.unit);
        let fields_at = round_up(HEADER_SIZE, self.unit).min(crc_at);
        for (from, to) in [(fields_at, crc_at), (0, fields_at), (crc_at, length)] {
            if let Some(bytes @ [_, ..]) = self.buffer.get(from..to) {
                self.memory.write(slot, from, bytes).map_err(StoreError::Access)?;
            }
        }
        let Some((record, _)) = self.buffer.split_at_checked(length) else { return Err(StoreError::NotKept { slot }) };
        let Some(&seal) = record.last_chunk::<CRC_SIZE>() else { return Err(StoreError::NotKept { slot }) };
        let seal = seal.map(|byte| !byte);
        is_kept(&mut self.memory, slot, 0, record)?;
        for offset in self.seal_offsets {
            self.memory.write(slot, offset, &seal).map_err(StoreError::Access)?;
            is_kept(&mut self.memory, slot, offset, &seal)?;
        }
        Ok(())
    }

    fn examine_both<T>(
        &mut self,
        first_slot: usize,
        decode: impl Fn(&[u8]) -> Result<Record<T>, RecordError>,
    ) -> Result<[Slot<T>; 2], StoreError<M::Error>> {
        Ok([self.examine(first_slot, &decode)?, self.examine(first_slot + 1, &decode)?])
    }

    /// Reads a slot: its header, by whose length the rest, and the seals, each byte once.
    fn examine<T>(
        &mut self,
        slot: usize,
        decode: impl Fn(&[u8]) -> Result<Record<T>, RecordError>,
    ) -> Result<Slot<T>, StoreError<M::Error>> {
        let Some(header) = self.buffer.first_chunk_mut::<HEADER_SIZE>() else { return Ok(Slot::Damaged) };
        if self.memory.read(slot, 0, header).map_err(StoreError::Access)? == Cells::Damaged {
            return Ok(Slot::Damaged);
        }
        if header.iter().all(|&byte| byte == 0xFF) || header.iter().all(|&byte| byte == 0) {
            return Ok(Slot::Empty);
        }
        let Ok((version, length)) = record::header(header) else { return Ok(Slot::Damaged) };
        let length = usize::from(length);
        let [first_seal, _] = self.seal_offsets;
        if length > first_seal {
            return Ok(Slot::Damaged);
        }
        let Some(rest) = self.buffer.get_mut(HEADER_SIZE..length) else {
            return self.examine_longer(slot, version, length);
        };
        if self.memory.read(slot, HEADER_SIZE, rest).map_err(StoreError::Access)? == Cells::Damaged {
            return Ok(Slot::Damaged);
        }
        let bytes = self.buffer.get(..length).unwrap_or(&[]);
        let record = match decode(bytes) {
            Ok(record) => record,
            Err(RecordError::NewerLayout { version }) => return Ok(Slot::Newer(version)),
            Err(_) => return Ok(Slot::Damaged),
        };
        let wanted = bytes.last_chunk().map(|crc: &[u8; SEAL_SIZE]| crc.map(|byte| !byte));
        let mut seals = 0;
        for offset in self.seal_offsets {
            let mut seal = [0; SEAL_SIZE];
            let cells = self.memory.read(slot, offset, &mut seal).map_err(StoreError::Access)?;
            if cells == Cells::Damaged || Some(seal) != wanted {
                break;
            }
            seals += 1;
        }
        Ok(Slot::Record { record, seals })
    }

    /// A record longer than any of this store's: worth keeping if it is a newer program's. The header is in the buffer.
    fn examine_longer<T>(&mut self, slot: usize, version: u8, length: usize) -> Result<Slot<T>, StoreError<M::Error>> {
        let mut crc = Crc32c::new();
        crc.update(self.buffer.get(..HEADER_SIZE).unwrap_or(&[]));
        let mut offset = HEADER_SIZE;
        while offset < length {
            let size = (length - offset).min(BUFFER);
            let part = self.buffer.get_mut(..size).unwrap_or(&mut []);
            if version <= LAYOUT_VERSION
                || self.memory.read(slot, offset, part).map_err(StoreError::Access)? == Cells::Damaged
            {
                return Ok(Slot::Damaged);
            }
            crc.update(part);
            offset = offset.saturating_add(size);
        }
        Ok(if crc.value() == RESIDUE { Slot::Newer(version) } else { Slot::Damaged })
    }
}

/// CRC-32C over any bytes and their own check value.
const RESIDUE: u32 = 0x4867_4BC7;

/// Reads bytes back and compares them.
fn is_kept<M: SlotMemory>(
    memory: &mut M,
    slot: usize,
    mut offset: usize,
    bytes: &[u8],
) -> Result<(), StoreError<M::Error>> {
    for wanted in bytes.chunks(COMPARED_AT_ONCE) {
        let mut there = [0; COMPARED_AT_ONCE];
        let Some(there) = there.get_mut(..wanted.len()) else { return Err(StoreError::NotKept { slot }) };
        let cells = memory.read(slot, offset, there).map_err(StoreError::Access)?;
        if cells == Cells::Damaged || there != wanted {
            return Err(StoreError::NotKept { slot });
        }
        offset = offset.saturating_add(wanted.len());
    }
    Ok(())
}

/// Bytes that a slot needs for grids of up to so many nodes, in a memory with such units: the longest record and two
/// seals.
///
/// ```
/// use gapkeeper::store::slot_size;
/// assert_eq!([slot_size(9, 1), slot_size(9, 8), slot_size(225, 64)], [80, 88, 640]);
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
mod tests {
    use super::*;

    fn slot(sequence: u32, sealed: bool) -> Slot<()> {
        Slot::Record { record: Record { version: 2, sequence, value: () }, seals: if sealed { 2 } else { 0 } }
    }

    #[test]
    fn newer_by_wrap_around() {
        let index = |first: u32, second: u32| current(&[slot(first, true), slot(second, true)]);
        for base in [0, 1, 77, 0x7FFF_FFFF, 0x8000_0000, u32::MAX - 1, u32::MAX] {
            for step in [1, 2, 0x7FFF_FFFF] {
                assert_eq!(index(base, base.wrapping_add(step)), Some(1), "{base} {step}");
                assert_eq!(index(base.wrapping_add(step), base), Some(0), "{base} {step}");
            }
            // Equal, or half-way round: the first.
            assert_eq!(index(base, base), Some(0));
            assert_eq!(index(base, base.wrapping_add(1 << 31)), Some(0));
        }
    }

    #[test]
    fn an_unsealed_record_is_current_only_if_it_is_alone_or_older() {
        for (first, second, expected) in [(true, true, 1), (true, false, 0), (false, true, 1), (false, false, 0)] {
            assert_eq!(current(&[slot(5, first), slot(6, second)]), Some(expected));
            assert_eq!(current(&[slot(6, second), slot(5, first)]), Some(1 - expected));
        }
        assert_eq!(current(&[Slot::Damaged, slot(0, false)]), Some(1));
        assert_eq!(current(&[slot(0, false), Slot::Empty]), Some(0));
        assert_eq!(current(&[Slot::<()>::Empty, Slot::Newer(3)]), None);
    }

    #[test]
    fn layout_1_had_no_seal() {
        let first = Slot::Record { record: Record { version: 1, sequence: 9, value: () }, seals: 0 };
        assert_eq!(current(&[slot(8, true), first]), Some(1));
    }

    #[test]
    fn the_residue_is_that_of_any_bytes_and_their_check_value() {
        let mut bytes = *b"123456789\0\0\0\0";
        let crc = crate::crc::crc32c(b"123456789").to_le_bytes();
        bytes[9..].copy_from_slice(&crc);
        assert_eq!(crate::crc::crc32c(&bytes), RESIDUE);
        // The catalogue states it before the register is closed: G. Cook, CRC-32/ISCSI, B798B438.
        assert_eq!(!RESIDUE, 0xB798_B438);
    }

    #[test]
    fn rounding() {
        assert_eq!([0, 1, 8, 9].map(|size| round_up(size, 8)), [0, 8, 8, 16]);
        assert_eq!([0, 7, 8, 15].map(|size| round_down(size, 8)), [0, 0, 8, 8]);
        assert_eq!([0, 1].map(|unit| (round_up(5, unit), round_down(5, unit))), [(5, 5), (5, 5)]);
    }
}
