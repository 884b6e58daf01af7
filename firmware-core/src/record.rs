//! The bytes of one record in persistent memory.
//!
//! Little-endian, without gaps. The first twelve bytes and the check value at the end are the *frame*: it stays the
//! same in every layout there will ever be, so that an old program can tell a newer record from damage.
//!
//! | offset | bytes | frame |
//! |---|---|---|
//! | 0 | 4 | magic: the letters `GapK` |
//! | 4 | 1 | layout version, [`LAYOUT_VERSION`] for records written now |
//! | 5 | 1 | kind: 1 a grid, 2 a setup |
//! | 6 | 2 | length of the whole record, check value included |
//! | 8 | 4 | sequence number; a [`store`](crate::store) begins with 0, and 2^32 - 1 is followed by 1 |
//! | length - 4 | 4 | CRC-32C of all bytes before it |
//!
//! | offset | bytes | the slot that the record belongs to, since layout 3 |
//! |---|---|---|
//! | 12 | 2 | number of the slot |
//! | 14 | 2 | unit of the memory |
//! | 16 | 4 | bytes in a slot |
//!
//! The check value covers the slot. So a store takes no record for its own that was written for another slot, or by a
//! program with slots of another size or unit. All eight bytes are zero in a record that belongs to no slot, as in a
//! file ([`Record::binding`] is none then).
//!
//! | offset | bytes | a grid, layout 4 | range |
//! |---|---|---|---|
//! | 20 | 4 | X of the first column, µm, signed | the lattice must be one that [`HeightGrid`] takes |
//! | 24 | 4 | Y of the first row, µm, signed | |
//! | 28 | 4 | pitch along X, µm | |
//! | 32 | 4 | pitch along Y, µm | |
//! | 36 | 1 | columns | |
//! | 37 | 1 | rows | |
//! | 38 | 2 | bed temperature, °C, signed | -273 to 1000 |
//! | 40 | 4 | setup | any |
//! | 44 | 4 | fade: full below, µm, signed | one that [`Fade`] takes; 0 without a fade |
//! | 48 | 4 | fade: zero above, µm, signed | |
//! | 52 | 2 | shift, µm, signed | -8191 to 8191 |
//! | 54 | 1 | flags: 1 there is a fade, 2 closure accepted, 4 refined surface; from 8 on, in three bits, [ties](Tie) since the last whole survey | 0 to [`MAX_TIES`] ties, all others 0 |
//! | 55 | 1 | residual of the last tie, µm | 0 to [`TIE_LIMIT_UM`]; 0 without a tie |
//! | 56 | 2 | closure, µm, signed | -16382 to 16382 |
//! | 58 | 2 each | heights of the nodes, µm, signed, row by row | -8191 to 8191 |
//!
//! | offset | bytes | a setup, layout 4 | range |
//! |---|---|---|---|
//! | 20 | 4 | the current setup | any |
//!
//! A fade may be too short for the shape: the grid is kept, and [`Correction::with_fade`] refuses it when it is to come
//! into force.
//!
//! **Layout 3** had no ties: its byte 55 and the bits of the count were 0, otherwise it was the same, setups too.
//!
//! **Layout 2** had no slot: its fields began at offset 12, otherwise the same. A fade that is too short was refused, and
//! still is in a record of that layout.
//!
//! **Layout 1** of a grid had, besides, no closure (its heights began at offset 48) and only the flag of the fade. It is
//! read as closure 0, not accepted, bilinear surface, which was the only one then.
//!
//! # What the check value finds
//! A record of 256 nodes is checked over 4560 bits. Up to 5243 bits CRC-32C has a Hamming distance of 6 (P. Koopman,
//! *32-bit cyclic redundancy codes for Internet applications*, DSN 2002, and its published tables), so every error of
//! up to five bits is found, wherever they are; above, it would be 4. Any burst up to 32 bits is found too; of
//! everything else one in 2^32 is not. Erased memory is no record: the magic is neither all ones nor all zeros.
//!
//! # When these bytes may change
//! Any change of meaning is a new layout version. A reader takes every older version and refuses a newer one by name.

mod error;

pub use error::RecordError;

use crate::correction::{Correction, CorrectionError};
use crate::crc::crc32c;
use crate::fade::Fade;
use crate::grid::{HeightGrid, Lattice, MAX_HEIGHT_UM};
use crate::stored_grid::{StoredGrid, Surface};
use crate::tie::Tie;
#[cfg(doc)]
use crate::tie::{MAX_TIES, TIE_LIMIT_UM};

/// The layout in which records are written.
pub const LAYOUT_VERSION: u8 = 4;

/// Bytes of a setup record.
pub const SETUP_RECORD_SIZE: usize = HEADER_SIZE + BINDING_SIZE + 4 + CRC_SIZE;

/// Lowest and highest bed temperature that can be remembered.
pub const BED_TEMPERATURE_RANGE_C: (i16, i16) = (-273, 1000);

/// Largest closure that can be remembered: the difference of two heights.
pub const MAX_CLOSURE_UM: i16 = 2 * MAX_HEIGHT_UM;

pub(crate) const HEADER_SIZE: usize = 12;
pub(crate) const CRC_SIZE: usize = 4;
const SEQUENCE_AT: usize = 8;
/// Bytes before those that say what was saved.
pub(crate) const VALUE_AT: usize = HEADER_SIZE + BINDING_SIZE;
const BINDING_SIZE: usize = 8;
const GRID_FIELDS_SIZE: usize = 38;
/// Bytes of a grid's record that do not depend on its nodes.
const GRID_OVERHEAD: usize = VALUE_AT + GRID_FIELDS_SIZE + CRC_SIZE;
const MAGIC: [u8; 4] = *b"GapK";
pub(crate) const KIND_GRID: u8 = 1;
pub(crate) const KIND_SETUP: u8 = 2;
const FLAG_FADE: u16 = 1;
const FLAG_CLOSURE_ACCEPTED: u16 = 2;
const FLAG_REFINED: u16 = 4;
/// Where the number of ties stands in the flags, in three bits.
const TIES_AT: u32 = 3;
const FLAGS_TIES: u16 = 7 << TIES_AT;
/// Where the residual of the last tie stands: the second byte of the flags.
const TIE_RESIDUAL_AT: u32 = 8;
const FLAGS_TIE_RESIDUAL: u16 = 255 << TIE_RESIDUAL_AT;

/// Bytes of the longest record of a grid with so many nodes; never less than a setup record's.
pub const fn max_record_size(capacity: usize) -> usize {
    capacity.saturating_mul(2).saturating_add(GRID_OVERHEAD)
}

/// The slot of a store that a record belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Binding {
    /// Its number; slots from 65535 on share that number.
    pub slot: u16,
    /// Bytes that its memory writes at once; 65535 for more.
    pub unit: u16,
    /// Bytes in each slot.
    pub slot_size: u32,
}

/// What a record says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Record<T> {
    /// The layout that it is written in.
    pub version: u8,
    /// Which save it comes from.
    pub sequence: u32,
    /// The slot that it belongs to; none for a record outside a store, and before layout 3.
    pub binding: Option<Binding>,
    /// What was saved.
    pub value: T,
}

/// Writes the record of a grid, outside a store; returns its length.
///
/// A fade that is too short for the shape is no error here.
///
/// # Errors
/// [`RecordError::Memory`] if it does not fit, [`RecordError::Correction`] for a shift, [`RecordError::BedTemperature`]
/// or [`RecordError::Closure`] for a value that [`decode_grid`] would refuse. The bytes are then of no use.
pub fn encode_grid<const CAPACITY: usize>(
    stored: &StoredGrid<CAPACITY>,
    sequence: u32,
    bytes: &mut [u8],
) -> Result<usize, RecordError> {
    check(stored)?;
    let lattice = stored.grid.lattice();
    let length = GRID_OVERHEAD + 2 * lattice.node_count();
    let fade_um = stored.fade.map_or((0, 0), |fade| (fade.full_below_um(), fade.zero_above_um()));
    let flag = |raised: bool, flag: u16| if raised { flag } else { 0 };
    let flags = flag(stored.fade.is_some(), FLAG_FADE)
        | flag(stored.closure_accepted, FLAG_CLOSURE_ACCEPTED)
        | flag(stored.surface == Surface::Refined, FLAG_REFINED)
        | stored
            .tie
            .map_or(0, |tie| u16::from(tie.count()) << TIES_AT | u16::from(tie.residual_um()) << TIE_RESIDUAL_AT);
    seal(KIND_GRID, length, sequence, bytes, |writer| {
        writer.put(lattice.x0_um.to_le_bytes());
        writer.put(lattice.y0_um.to_le_bytes());
        writer.put(lattice.pitch_x_um.to_le_bytes());
        writer.put(lattice.pitch_y_um.to_le_bytes());
        writer.put([lattice.columns, lattice.rows]);
        writer.put(stored.bed_temperature_c.to_le_bytes());
        writer.put(stored.setup.to_le_bytes());
        writer.put(fade_um.0.to_le_bytes());
        writer.put(fade_um.1.to_le_bytes());
        writer.put(stored.shift_um.to_le_bytes());
        writer.put(flags.to_le_bytes());
        writer.put(stored.closure_um.to_le_bytes());
        for height_um in stored.grid.nodes_um() {
            writer.put(height_um.to_le_bytes());
        }
    })
}

/// Writes the record of the current setup, outside a store; returns its length.
///
/// # Errors
/// [`RecordError::Memory`] below [`SETUP_RECORD_SIZE`] bytes.
pub fn encode_setup(setup: u32, sequence: u32, bytes: &mut [u8]) -> Result<usize, RecordError> {
    seal(KIND_SETUP, SETUP_RECORD_SIZE, sequence, bytes, |writer| writer.put(setup.to_le_bytes()))
}

/// Binds a record of the newest layout, as the functions above write it, to one save in one slot of a store.
///
/// # Errors
/// [`RecordError`] if the bytes are not exactly one record; they are as they were then.
pub fn bind(record: &mut [u8], sequence: u32, binding: Binding) -> Result<(), RecordError> {
    let frame = Frame::checked(record)?;
    if frame.version != LAYOUT_VERSION || usize::from(frame.length) != record.len() {
        return Err(RecordError::Length { length: frame.length });
    }
    let Some((content, crc)) = record.split_last_chunk_mut::<CRC_SIZE>() else { return Err(RecordError::Checksum) };
    let mut writer = Writer { rest: content.get_mut(SEQUENCE_AT..).unwrap_or(&mut []) };
    writer.put(sequence.to_le_bytes());
    binding.write(&mut writer);
    *crc = crc32c(content).to_le_bytes();
    Ok(())
}

/// Reads the record of a grid; bytes after its end do not matter.
///
/// What it returns has gone through the same constructors as a grid made in memory.
///
/// # Errors
/// [`RecordError`] says what is wrong with the first thing that is, the check value before all fields.
pub fn decode_grid<const CAPACITY: usize>(bytes: &[u8]) -> Result<Record<StoredGrid<CAPACITY>>, RecordError> {
    Frame::checked(bytes)?.grid()
}

/// Reads the record of the current setup; bytes after its end do not matter.
///
/// # Errors
/// [`RecordError`] says what is wrong with the first thing that is.
pub fn decode_setup(bytes: &[u8]) -> Result<Record<u32>, RecordError> {
    Frame::checked(bytes)?.setup()
}

/// A record's frame, read; the fields behind it not yet.
pub(crate) struct Frame<'a> {
    pub(crate) version: u8,
    pub(crate) kind: u8,
    pub(crate) sequence: u32,
    pub(crate) binding: Option<Binding>,
    length: u16,
    fields: Reader<'a>,
}

impl<'a> Frame<'a> {
    /// The frame of bytes whose check value has to be checked first.
    fn checked(bytes: &'a [u8]) -> Result<Self, RecordError> {
        let first = bytes.first_chunk().ok_or(RecordError::Memory { needed: HEADER_SIZE, found: bytes.len() })?;
        let (_, length) = header(first)?;
        let needed = usize::from(length);
        let too_short = RecordError::Memory { needed, found: bytes.len() };
        let record = bytes.get(..needed).ok_or(too_short)?;
        let (content, crc) = record.split_last_chunk().ok_or(too_short)?;
        if crc32c(content) != u32::from_le_bytes(*crc) {
            return Err(RecordError::Checksum);
        }
        Self::open(record)
    }

    /// The frame of bytes whose check value is right; a record that is cut short will do.
    pub(crate) fn open(bytes: &'a [u8]) -> Result<Self, RecordError> {
        let first = bytes.first_chunk().ok_or(RecordError::Memory { needed: HEADER_SIZE, found: bytes.len() })?;
        let (version, length) = header(first)?;
        match version {
            1..=LAYOUT_VERSION => {}
            0 => return Err(RecordError::NoSuchLayout { version }),
            _ => return Err(RecordError::NewerLayout { version }),
        }
        let end = usize::from(length).saturating_sub(CRC_SIZE).min(bytes.len());
        let mut fields = Reader { rest: bytes.get(..end).unwrap_or(&[]), length };
        let [_, _, _, _, _, kind, _, _] = fields.take()?;
        let sequence = u32::from_le_bytes(fields.take()?);
        let binding = if version < 3 { None } else { Binding::read(&mut fields)? };
        Ok(Self { version, kind, sequence, binding, length, fields })
    }

    /// How many nodes the length of a grid's record leaves room for.
    pub(crate) fn nodes(&self) -> usize {
        let missing = match self.version {
            1 => BINDING_SIZE + 2,
            2 => BINDING_SIZE,
            _ => 0,
        };
        usize::from(self.length).saturating_sub(GRID_OVERHEAD - missing) / 2
    }

    pub(crate) fn grid<const CAPACITY: usize>(self) -> Result<Record<StoredGrid<CAPACITY>>, RecordError> {
        let Self { version, kind, sequence, binding, fields: mut reader, .. } = self;
        if kind != KIND_GRID {
            return Err(RecordError::OtherKind { kind });
        }
        let first_layout = version == 1;
        let mut lattice = Lattice {
            x0_um: i32::from_le_bytes(reader.take()?),
            y0_um: i32::from_le_bytes(reader.take()?),
            pitch_x_um: u32::from_le_bytes(reader.take()?),
            pitch_y_um: u32::from_le_bytes(reader.take()?),
            columns: 0,
            rows: 0,
        };
        [lattice.columns, lattice.rows] = reader.take()?;
        let bed_temperature_c = i16::from_le_bytes(reader.take()?);
        let setup = u32::from_le_bytes(reader.take()?);
        let fade_um = (i32::from_le_bytes(reader.take()?), i32::from_le_bytes(reader.take()?));
        let shift_um = i16::from_le_bytes(reader.take()?);
        let flags = u16::from_le_bytes(reader.take()?);
        let closure_um = if first_layout { 0 } else { i16::from_le_bytes(reader.take()?) };
        let known_flags = match version {
            1 => FLAG_FADE,
            2 | 3 => FLAG_FADE | FLAG_CLOSURE_ACCEPTED | FLAG_REFINED,
            _ => FLAG_FADE | FLAG_CLOSURE_ACCEPTED | FLAG_REFINED | FLAGS_TIES | FLAGS_TIE_RESIDUAL,
        };
        // Masked and shifted down to 3 and 8 bits.
        let (ties, residual_um) =
            (((flags & FLAGS_TIES) >> TIES_AT) as u8, ((flags & FLAGS_TIE_RESIDUAL) >> TIE_RESIDUAL_AT) as u8);
        let tie = match ties {
            0 => None,
            count => Some(Tie::new(count, residual_um).ok_or(RecordError::Tie { count, residual_um })?),
        };
        let fade = if flags & FLAG_FADE != 0 {
            Some(Fade::new(fade_um.0, fade_um.1).map_err(RecordError::Fade)?)
        } else {
            None
        };
        if flags & !known_flags != 0 || fade.is_none() && fade_um != (0, 0) || tie.is_none() && residual_um != 0 {
            return Err(RecordError::Flags { flags });
        }
        if reader.rest.len() != 2 * lattice.node_count() {
            return Err(RecordError::Length { length: reader.length });
        }
        // As many heights as nodes: none is missing.
        let grid = HeightGrid::from_fn(lattice, |_, _| reader.take().map_or(0, |two| i16::from_le_bytes(two).into()))
            .map_err(RecordError::Grid)?;
        let value = StoredGrid {
            grid,
            shift_um,
            fade,
            bed_temperature_c,
            setup,
            closure_um,
            closure_accepted: flags & FLAG_CLOSURE_ACCEPTED != 0,
            surface: if flags & FLAG_REFINED != 0 { Surface::Refined } else { Surface::Bilinear },
            tie,
        };
        check(&value)?;
        if version < 3
            && let Some(fade) = fade
        {
            Correction::new(value.grid.clone()).with_fade(fade).map_err(RecordError::Correction)?;
        }
        Ok(Record { version, sequence, binding, value })
    }

    pub(crate) fn setup(self) -> Result<Record<u32>, RecordError> {
        let Self { version, kind, sequence, binding, mut fields, .. } = self;
        if kind != KIND_SETUP {
            return Err(RecordError::OtherKind { kind });
        }
        let value = u32::from_le_bytes(fields.take()?);
        if !fields.rest.is_empty() {
            return Err(RecordError::Length { length: fields.length });
        }
        Ok(Record { version, sequence, binding, value })
    }
}

impl Binding {
    fn read(reader: &mut Reader<'_>) -> Result<Option<Self>, RecordError> {
        let binding = Self {
            slot: u16::from_le_bytes(reader.take()?),
            unit: u16::from_le_bytes(reader.take()?),
            slot_size: u32::from_le_bytes(reader.take()?),
        };
        Ok(Some(binding).filter(|binding| *binding != Self::NONE))
    }

    /// What stands in a record that belongs to no slot.
    const NONE: Self = Self { slot: 0, unit: 0, slot_size: 0 };

    fn write(self, writer: &mut Writer<'_>) {
        writer.put(self.slot.to_le_bytes());
        writer.put(self.unit.to_le_bytes());
        writer.put(self.slot_size.to_le_bytes());
    }
}

/// Layout version and length that a header states; nothing else about it is checked.
pub(crate) fn header(bytes: &[u8; HEADER_SIZE]) -> Result<(u8, u16), RecordError> {
    let &[m0, m1, m2, m3, version, _, length_low, length_high, ..] = bytes;
    if [m0, m1, m2, m3] != MAGIC {
        return Err(RecordError::NotARecord);
    }
    let length = u16::from_le_bytes([length_low, length_high]);
    if usize::from(length) < HEADER_SIZE + CRC_SIZE {
        return Err(RecordError::Length { length });
    }
    Ok((version, length))
}

/// What the types of a [`StoredGrid`] leave open, for what is written and what is read alike.
pub(crate) fn check<const CAPACITY: usize>(stored: &StoredGrid<CAPACITY>) -> Result<(), RecordError> {
    if stored.shift_um.unsigned_abs() > MAX_HEIGHT_UM.unsigned_abs() {
        return Err(RecordError::Correction(CorrectionError::Shift { shift_um: stored.shift_um.into() }));
    }
    let (lowest_c, highest_c) = BED_TEMPERATURE_RANGE_C;
    if !(lowest_c..=highest_c).contains(&stored.bed_temperature_c) {
        return Err(RecordError::BedTemperature { bed_temperature_c: stored.bed_temperature_c });
    }
    if stored.closure_um.unsigned_abs() > MAX_CLOSURE_UM.unsigned_abs() {
        return Err(RecordError::Closure { closure_um: stored.closure_um });
    }
    Ok(())
}

/// Puts the frame around what `fields` writes.
fn seal(
    kind: u8,
    length: usize,
    sequence: u32,
    bytes: &mut [u8],
    fields: impl FnOnce(&mut Writer<'_>),
) -> Result<usize, RecordError> {
    let too_short = RecordError::Memory { needed: length, found: bytes.len() };
    let record = bytes.get_mut(..length).ok_or(too_short)?;
    let (content, crc) = record.split_last_chunk_mut::<CRC_SIZE>().ok_or(too_short)?;
    let mut writer = Writer { rest: &mut *content };
    writer.put(MAGIC);
    writer.put([LAYOUT_VERSION, kind]);
    // At most 574 bytes: a grid has up to 256 nodes.
    writer.put((length as u16).to_le_bytes());
    writer.put(sequence.to_le_bytes());
    Binding::NONE.write(&mut writer);
    fields(&mut writer);
    *crc = crc32c(content).to_le_bytes();
    Ok(length)
}

struct Writer<'a> {
    rest: &'a mut [u8],
}

impl Writer<'_> {
    /// The next bytes. The caller has made the record as long as its fields.
    fn put<const N: usize>(&mut self, bytes: [u8; N]) {
        if let Some((first, rest)) = core::mem::take(&mut self.rest).split_first_chunk_mut() {
            *first = bytes;
            self.rest = rest;
        }
    }
}

struct Reader<'a> {
    rest: &'a [u8],
    length: u16,
}

impl Reader<'_> {
    fn take<const N: usize>(&mut self) -> Result<[u8; N], RecordError> {
        let (first, rest) = self.rest.split_first_chunk().ok_or(RecordError::Length { length: self.length })?;
        self.rest = rest;
        Ok(*first)
    }
}

#[cfg(test)]
mod tests;
