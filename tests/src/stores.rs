//! The store under test, and stores with one deliberate mistake each, behind one trait.

mod stepwise;

use core::fmt::Debug;

use gapkeeper::memory::{Cells, SlotMemory};
use gapkeeper::record::{self, Binding, LAYOUT_VERSION, Record, RecordError, max_record_size};
use gapkeeper::{Fade, HeightGrid, Lattice, Saved, Store, StoreError, StoredGrid, Surface};

pub use stepwise::Stepwise;

/// Nodes that fit.
pub const CAPACITY: usize = 9;
/// Bytes of the longest record.
pub const BUFFER: usize = max_record_size(CAPACITY);

/// What is saved.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// In place 0.
    Grid(StoredGrid<CAPACITY>),
    /// The current setup.
    Setup(u32),
}

/// What a load found.
#[derive(Clone, Debug, PartialEq)]
pub enum Found {
    /// This value.
    Value(Value),
    /// No value, and it says so.
    Nothing,
    /// The memory did not answer.
    Failed,
}

/// A store that can be put to the test.
pub trait Subject {
    /// Loads a grid, or the setup.
    fn load<M: SlotMemory<Error: Debug>>(&self, memory: M, setup: bool) -> Found;

    /// Saves; `Ok` says that it is safe now.
    ///
    /// # Errors
    /// A word on what went wrong.
    fn save<M: SlotMemory<Error: Debug>>(&self, memory: M, value: &Value) -> Result<Saved, &'static str>;
}

/// The core's store.
pub struct Real;

fn found<T, E>(loaded: Result<T, StoreError<E>>, value: impl FnOnce(T) -> Value) -> Found {
    match loaded {
        Ok(loaded) => Found::Value(value(loaded)),
        Err(StoreError::Access(_)) => Found::Failed,
        Err(_) => Found::Nothing,
    }
}

fn word<E>(error: &StoreError<E>) -> &'static str {
    match error {
        StoreError::Access(_) => "access",
        StoreError::NotKept { .. } => "not kept",
        StoreError::NewerLayout { .. } => "newer layout",
        StoreError::OtherGeometry { .. } => "other geometry",
        _ => "other",
    }
}

impl Subject for Real {
    fn load<M: SlotMemory<Error: Debug>>(&self, memory: M, setup: bool) -> Found {
        let Ok(mut store) = Store::<_, CAPACITY, BUFFER>::new(memory) else { return Found::Nothing };
        if setup {
            found(store.load_setup(), |loaded| Value::Setup(loaded.value))
        } else {
            found(store.load_grid(0), |loaded| Value::Grid(loaded.value))
        }
    }

    fn save<M: SlotMemory<Error: Debug>>(&self, memory: M, value: &Value) -> Result<Saved, &'static str> {
        let mut store = Store::<_, CAPACITY, BUFFER>::new(memory).map_err(|error| word(&error))?;
        match value {
            Value::Grid(stored) => store.save_grid(0, stored),
            Value::Setup(setup) => match store.save_setup(*setup) {
                Err(StoreError::NotBegun) => store.begin(*setup).map(|()| Saved::Written),
                saved => saved,
            },
        }
        .map_err(|error| word(&error))
    }
}

/// One mistake that a store may make.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mistake {
    /// None: the sketch itself passes, so what is caught below is the mistake.
    None,
    /// A mark of completion written first, and believed without the check value.
    MarkerFirst,
    /// The seal before the record that it speaks for.
    SealFirst,
    /// No seal: a check value that reads right is believed.
    NoSeal,
    /// One seal: a seal that reads right is taken for one that was written to its end.
    OneSeal,
    /// Does not read back.
    NoReadBack,
    /// Compares sequence numbers with plain `>`.
    PlainGreater,
    /// Writes over the newest record.
    OverwritesNewest,
    /// Always the same slot.
    SameSlot,
    /// Checks one reading and uses another.
    ReadsTwice,
    /// Leaves units alone that read as wanted already.
    SkipsEqualUnits,
    /// Says that nothing has changed though the other slot holds a save that was cut short.
    LeavesTornSlot,
    /// Takes a missing acknowledge for an answer.
    IgnoresFailedCalls,
}

impl Mistake {
    /// All but none.
    pub const ALL: [Self; 12] = [
        Self::MarkerFirst,
        Self::SealFirst,
        Self::NoSeal,
        Self::OneSeal,
        Self::NoReadBack,
        Self::PlainGreater,
        Self::OverwritesNewest,
        Self::SameSlot,
        Self::ReadsTwice,
        Self::SkipsEqualUnits,
        Self::LeavesTornSlot,
        Self::IgnoresFailedCalls,
    ];
}

/// The rules of the core's store once more, short, with room for a mistake.
pub struct Sketch(pub Mistake);

struct Entry {
    sequence: u32,
    sealed: bool,
    confirmed: bool,
    version: u8,
    value: Value,
}

const SEAL: usize = 4;

impl Sketch {
    fn has(&self, mistake: Mistake) -> bool {
        self.0 == mistake
    }

    fn read<M: SlotMemory>(&self, memory: &mut M, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<bool, ()> {
        match memory.read(slot, offset, bytes) {
            Ok(cells) => Ok(cells == Cells::Readable),
            Err(_) if self.has(Mistake::IgnoresFailedCalls) => Ok(true),
            Err(_) => Err(()),
        }
    }

    fn write<M: SlotMemory>(&self, memory: &mut M, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), M::Error> {
        if !self.has(Mistake::SkipsEqualUnits) {
            return memory.write(slot, offset, bytes);
        }
        let unit = memory.unit();
        for (offset, bytes) in (offset..).step_by(unit).zip(bytes.chunks(unit)) {
            let mut there = vec![0; bytes.len()];
            if memory.read(slot, offset, &mut there)? == Cells::Damaged || there != bytes {
                memory.write(slot, offset, bytes)?;
            }
        }
        Ok(())
    }

    fn entry<M: SlotMemory>(&self, memory: &mut M, slot: usize, setup: bool) -> Result<Option<Entry>, ()> {
        let length = if setup { record::SETUP_RECORD_SIZE } else { BUFFER };
        let mut bytes = vec![0; length];
        let mut readable = self.read(memory, slot, 0, &mut bytes)?;
        let decode = |bytes: &[u8]| -> Result<Entry, RecordError> {
            let (version, sequence, value) = if setup {
                let Record { version, sequence, value, .. } = record::decode_setup(bytes)?;
                (version, sequence, Value::Setup(value))
            } else {
                let Record { version, sequence, value, .. } = record::decode_grid(bytes)?;
                (version, sequence, Value::Grid(value))
            };
            Ok(Entry { sequence, sealed: false, confirmed: false, version, value })
        };
        let mut seal = [0; SEAL];
        let [seal_at, second_at] = seal_offsets(memory);
        let seal_readable = self.read(memory, slot, seal_at, &mut seal)?;
        let mut second = [0; SEAL];
        let second_readable = self.read(memory, slot, second_at, &mut second)?;
        if self.has(Mistake::ReadsTwice) && readable && decode(&bytes).is_ok() {
            readable = self.read(memory, slot, 0, &mut bytes)?;
            repair(&mut bytes);
        }
        if self.has(Mistake::MarkerFirst) {
            readable &= seal_readable && seal == *b"GOOD";
            repair(&mut bytes);
        }
        let Some(mut entry) = decode(&bytes).ok().filter(|_| readable) else { return Ok(None) };
        let length = usize::from(u16::from_le_bytes([bytes[6], bytes[7]]));
        let crc = &bytes[length - 4..length];
        entry.sealed = seal_readable && crc.iter().zip(&seal).all(|(crc, seal)| *crc == !seal);
        entry.confirmed = entry.sealed && second_readable && second == seal;
        if entry.version == 2 && !entry.sealed {
            return Ok(None);
        }
        if matches!(self.0, Mistake::MarkerFirst | Mistake::NoSeal) || entry.version == 1 {
            entry.sealed = true;
        }
        if matches!(self.0, Mistake::MarkerFirst | Mistake::NoSeal | Mistake::OneSeal) {
            entry.confirmed = entry.sealed;
        }
        Ok(Some(entry))
    }

    fn current(&self, entries: &[Option<Entry>; 2]) -> Option<usize> {
        match entries {
            [None, None] => None,
            [Some(_), None] => Some(0),
            [None, Some(_)] => Some(1),
            [Some(first), Some(second)] => {
                let second_is_newer = if self.has(Mistake::PlainGreater) {
                    second.sequence > first.sequence
                } else {
                    (second.sequence.wrapping_sub(first.sequence) as i32) > 0
                };
                let newer_is_sealed = if second_is_newer { second.sealed } else { first.sealed };
                Some(usize::from(second_is_newer == newer_is_sealed))
            }
        }
    }

    fn entries<M: SlotMemory>(&self, memory: &mut M, setup: bool) -> Result<[Option<Entry>; 2], ()> {
        let first = if setup { 0 } else { 2 };
        Ok([self.entry(memory, first, setup)?, self.entry(memory, first + 1, setup)?])
    }
}

/// Where the seals of a slot stand.
pub fn seal_offsets(memory: &impl SlotMemory) -> [usize; 2] {
    let size = SEAL.next_multiple_of(memory.unit());
    [memory.slot_size() - 2 * size, memory.slot_size() - size]
}

/// Binds a record to a slot of a memory.
pub fn bind(record: &mut [u8], sequence: u32, slot: usize, memory: &impl SlotMemory) {
    let [slot, unit] = [slot, memory.unit()].map(|number| number as u16);
    let binding = Binding { slot, unit, slot_size: memory.slot_size() as u32 };
    #[allow(clippy::unwrap_used, reason = "the core's own functions have written the record")]
    record::bind(record, sequence, binding).unwrap();
}

/// Gives bytes the check value that their length asks for.
pub fn repair(bytes: &mut [u8]) {
    let length = usize::from(u16::from_le_bytes([bytes[6], bytes[7]]));
    if (4..=bytes.len()).contains(&length) {
        let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&bytes[..length - 4]);
        bytes[length - 4..length].copy_from_slice(&crc.to_le_bytes());
    }
}

impl Subject for Sketch {
    fn load<M: SlotMemory<Error: Debug>>(&self, mut memory: M, setup: bool) -> Found {
        let Ok(mut entries) = self.entries(&mut memory, setup) else { return Found::Failed };
        let current = self.current(&entries);
        match current.and_then(|index| entries[index].take()) {
            Some(entry) => Found::Value(entry.value),
            None => Found::Nothing,
        }
    }

    fn save<M: SlotMemory<Error: Debug>>(&self, mut memory: M, value: &Value) -> Result<Saved, &'static str> {
        let setup = matches!(value, Value::Setup(_));
        let entries = self.entries(&mut memory, setup).map_err(|()| "access")?;
        let current = self.current(&entries);
        let kept = current.and_then(|index| entries[index].as_ref());
        if kept.is_some_and(|entry| entry.confirmed && entry.version == LAYOUT_VERSION && entry.value == *value) {
            let other = current.and_then(|index| entries[1 - index].as_ref());
            if self.has(Mistake::LeavesTornSlot) || other.is_some_and(|other| other.sealed) {
                return Ok(Saved::Unchanged);
            }
        }
        let target = match current {
            _ if self.has(Mistake::SameSlot) => 0,
            Some(index) if self.has(Mistake::OverwritesNewest) => index,
            Some(index) => 1 - index,
            None => 0,
        };
        let sequence = kept.map_or(0, |entry| entry.sequence.checked_add(1).unwrap_or(1));
        let mut bytes = [0; BUFFER];
        let length = match value {
            Value::Grid(stored) => record::encode_grid(stored, sequence, &mut bytes),
            Value::Setup(setup) => record::encode_setup(*setup, sequence, &mut bytes),
        }
        .map_err(|_| "other")?;
        let slot = target + if setup { 0 } else { 2 };
        bind(&mut bytes[..length], sequence, slot, &memory);
        let seal: Vec<u8> = match self.0 {
            Mistake::MarkerFirst => b"GOOD".to_vec(),
            _ => bytes[length - 4..length].iter().map(|byte| !byte).collect(),
        };
        let [seal_at, second_at] = seal_offsets(&memory);
        let ignores = self.has(Mistake::IgnoresFailedCalls);
        let done = |result: Result<(), M::Error>| if ignores { Ok(()) } else { result.map_err(|_| "access") };
        done(memory.erase(slot))?;
        let seal_is_first = matches!(self.0, Mistake::MarkerFirst | Mistake::SealFirst);
        if seal_is_first {
            done(self.write(&mut memory, slot, seal_at, &seal))?;
        }
        let unit = memory.unit();
        let crc_at = (length - 4) / unit * unit;
        let fields_at = 12_usize.next_multiple_of(unit).min(crc_at);
        for (from, to) in [(fields_at, crc_at), (0, fields_at), (crc_at, length)] {
            if from < to {
                done(self.write(&mut memory, slot, from, &bytes[from..to]))?;
            }
        }
        let is_kept = |memory: &mut M, offset: usize, bytes: &[u8]| {
            let mut there = vec![0; bytes.len()];
            let cells = memory.read(slot, offset, &mut there).map_err(|_| "access")?;
            if cells == Cells::Readable && there == bytes { Ok(()) } else { Err("not kept") }
        };
        let reads_back = !self.has(Mistake::NoReadBack) && !ignores;
        if reads_back {
            is_kept(&mut memory, 0, &bytes[..length])?;
        }
        if !seal_is_first {
            done(self.write(&mut memory, slot, seal_at, &seal))?;
        }
        if reads_back {
            is_kept(&mut memory, seal_at, &seal)?;
        }
        if !self.has(Mistake::OneSeal) {
            done(self.write(&mut memory, slot, second_at, &seal))?;
            if reads_back {
                is_kept(&mut memory, second_at, &seal)?;
            }
        }
        Ok(Saved::Written)
    }
}

/// A few grids and setups that differ from each other; 2 and 3 differ in their shift alone.
pub fn value(setup: bool, index: usize) -> Value {
    if setup {
        return Value::Setup([1, 2, 0x0001_0000, 0x00FF_00FF, 3, 0xFFFF_FFFF][index]);
    }
    let heights_um: [[i16; 4]; 6] =
        [[0, 1, 2, 3], [-5, 100, 37, 8191], [40, 41, 42, 43], [40, 41, 42, 43], [40, 41, 42, 43], [9, -9, 9, -9]];
    let shift_um = [0, -30, 10, 35, 300, 5][index];
    let lattice =
        Lattice { x0_um: 20_000, y0_um: 25_000, pitch_x_um: 180_000, pitch_y_um: 160_000, columns: 2, rows: 2 };
    #[allow(clippy::unwrap_used, reason = "these numbers are within their ranges")]
    Value::Grid(StoredGrid {
        grid: HeightGrid::new(lattice, &heights_um[index]).unwrap(),
        shift_um,
        fade: Some(Fade::new(400, 12_000).unwrap()),
        bed_temperature_c: 60,
        setup: 7,
        closure_um: 12,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    })
}

/// The bytes of a record of layout 2.
///
/// The core reads it and no longer writes it; `golden/` holds whole images of it.
pub fn layout_2(value: &Value, sequence: u32) -> Vec<u8> {
    let mut bytes = vec![0; BUFFER];
    let length = match value {
        Value::Grid(stored) => record::encode_grid(stored, sequence, &mut bytes),
        Value::Setup(setup) => record::encode_setup(*setup, sequence, &mut bytes),
    };
    #[allow(clippy::unwrap_used, reason = "the memory is long enough")]
    bytes.truncate(length.unwrap());
    // It knew of no slot.
    bytes.drain(12..20);
    as_layout(bytes, 2)
}

/// The bytes of a record of layout 1; as for layout 2.
pub fn layout_1(value: &Value, sequence: u32) -> Vec<u8> {
    let mut bytes = layout_2(value, sequence);
    if matches!(value, Value::Grid(_)) {
        // No closure, no flags but that of the fade.
        bytes.drain(48..50);
        bytes[46] &= 1;
    }
    as_layout(bytes, 1)
}

fn as_layout(mut bytes: Vec<u8>, version: u8) -> Vec<u8> {
    bytes[4] = version;
    bytes[6] = bytes.len() as u8;
    repair(&mut bytes);
    bytes
}
