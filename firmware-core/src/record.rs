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
//! | 8 | 4 | sequence number: each save is one further, 2^32 - 1 is followed by 0 |
//! | length - 4 | 4 | CRC-32C of all bytes before it |
//!
//! | offset | bytes | a grid, layout 2 | range |
//! |---|---|---|---|
//! | 12 | 4 | X of the first column, µm, signed | the lattice must be one that [`HeightGrid`] takes |
//! | 16 | 4 | Y of the first row, µm, signed | |
//! | 20 | 4 | pitch along X, µm | |
//! | 24 | 4 | pitch along Y, µm | |
//! | 28 | 1 | columns | |
//! | 29 | 1 | rows | |
//! | 30 | 2 | bed temperature, °C, signed | -273 to 1000 |
//! | 32 | 4 | setup | any |
//! | 36 | 4 | fade: full below, µm, signed | one that [`Fade`] and [`Correction`] take; 0 without a fade |
//! | 40 | 4 | fade: zero above, µm, signed | |
//! | 44 | 2 | shift, µm, signed | -8191 to 8191 |
//! | 46 | 2 | flags: 1 there is a fade, 2 closure accepted, 4 refined surface | all others 0 |
//! | 48 | 2 | closure, µm, signed | -16382 to 16382 |
//! | 50 | 2 each | heights of the nodes, µm, signed, row by row | -8191 to 8191 |
//!
//! | offset | bytes | a setup, layouts 1 and 2 | range |
//! |---|---|---|---|
//! | 12 | 4 | the current setup | any |
//!
//! **Layout 1** of a grid had no closure (its heights began at offset 48) and only the flag of the fade. It is read as
//! closure 0, not accepted, bilinear surface, which was the only one then. It is no longer written.
//!
//! # What the check value finds
//! A record of 225 nodes is checked over 4000 bits. Up to 5243 bits CRC-32C has a Hamming distance of 6 (P. Koopman,
//! *32-bit cyclic redundancy codes for Internet applications*, DSN 2002, and its published tables), so every error of
//! up to five bits is found, wherever they are; above, it would be 4. Any burst up to 32 bits is found too; of
//! everything else one in 2^32 is not. Erased memory is no record: the magic is neither all ones nor all zeros.
//!
//! # When these bytes may change
//! Any change of meaning is a new layout version. A reader takes every older version and refuses a newer one by name.

use core::fmt;

use crate::correction::{Correction, CorrectionError};
use crate::crc::crc32c;
use crate::fade::{Fade, FadeError};
use crate::grid::{GridError, HeightGrid, Lattice, MAX_HEIGHT_UM};
use crate::stored_grid::{StoredGrid, Surface};

/// The layout in which records are written.
pub const LAYOUT_VERSION: u8 = 2;

/// Bytes of a setup record.
pub const SETUP_RECORD_SIZE: usize = HEADER_SIZE + 4 + CRC_SIZE;

/// Lowest and highest bed temperature that can be remembered.
pub const BED_TEMPERATURE_RANGE_C: (i16, i16) = (-273, 1000);

/// Largest closure that can be remembered: the difference of two heights.
pub const MAX_CLOSURE_UM: i16 = 2 * MAX_HEIGHT_UM;

pub(crate) const HEADER_SIZE: usize = 12;
pub(crate) const CRC_SIZE: usize = 4;
const GRID_FIELDS_SIZE: usize = 38;
const MAGIC: [u8; 4] = *b"GapK";
const KIND_GRID: u8 = 1;
const KIND_SETUP: u8 = 2;
const FLAG_FADE: u16 = 1;
const FLAG_CLOSURE_ACCEPTED: u16 = 2;
const FLAG_REFINED: u16 = 4;

/// Bytes of the longest record of a grid with so many nodes; never less than a setup record's.
pub const fn max_record_size(capacity: usize) -> usize {
    capacity.saturating_mul(2).saturating_add(HEADER_SIZE + GRID_FIELDS_SIZE + CRC_SIZE)
}

/// What a record says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Record<T> {
    /// The layout that it is written in.
    pub version: u8,
    /// Which save it comes from.
    pub sequence: u32,
    /// What was saved.
    pub value: T,
}

/// Why bytes are no record, or a value cannot become one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum RecordError {
    /// The memory given is too short for the record.
    Memory {
        /// Bytes needed.
        needed: usize,
        /// Bytes given.
        found: usize,
    },
    /// The bytes do not begin as a record does.
    NotARecord,
    /// The length does not suit what the record says it holds.
    Length {
        /// The length that the record states.
        length: u16,
    },
    /// The check value is another one: the record is torn or damaged.
    Checksum,
    /// Written by a newer program.
    NewerLayout {
        /// Its layout version.
        version: u8,
    },
    /// A layout version that never was.
    NoSuchLayout {
        /// The version.
        version: u8,
    },
    /// A record, but not of the kind asked for.
    OtherKind {
        /// Its kind.
        kind: u8,
    },
    /// No such grid can be.
    Grid(GridError),
    /// No such fade can be.
    Fade(FadeError),
    /// Shift, or fade and shape together, cannot be applied.
    Correction(CorrectionError),
    /// The bed temperature is beyond [`BED_TEMPERATURE_RANGE_C`].
    BedTemperature {
        /// The temperature.
        bed_temperature_c: i16,
    },
    /// The closure is beyond [`MAX_CLOSURE_UM`].
    Closure {
        /// The closure.
        closure_um: i16,
    },
    /// Flags without a meaning, or that contradict the fields.
    Flags {
        /// The flags.
        flags: u16,
    },
}

impl fmt::Display for RecordError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Memory { needed, found } => write!(f, "{found} bytes for a record of {needed}: give more memory"),
            Self::NotARecord => write!(f, "no record begins here: save one first"),
            Self::Length { length } => write!(f, "a record of {length} bytes cannot hold what it says: save it again"),
            Self::Checksum => write!(f, "the record is damaged: save it again"),
            Self::NewerLayout { version } => write!(
                f,
                "the record has layout {version}, this program knows up to {LAYOUT_VERSION}: use the newer program"
            ),
            Self::NoSuchLayout { version } => write!(f, "there is no record layout {version}: save it again"),
            Self::OtherKind { kind } => write!(f, "the record is of kind {kind}: look in another place"),
            Self::Grid(error) => write!(f, "the record's grid: {error}"),
            Self::Fade(error) => write!(f, "the record's fade: {error}"),
            Self::Correction(error) => write!(f, "the record's correction: {error}"),
            Self::BedTemperature { bed_temperature_c } => {
                let (lowest_c, highest_c) = BED_TEMPERATURE_RANGE_C;
                write!(f, "a bed of {bed_temperature_c} C: temperatures reach from {lowest_c} to {highest_c} C")
            }
            Self::Closure { closure_um } => {
                write!(f, "a closure of {closure_um} um: closures reach from -{MAX_CLOSURE_UM} to {MAX_CLOSURE_UM} um")
            }
            Self::Flags { flags } => write!(f, "flags {flags:#06x} have no meaning: save the record again"),
        }
    }
}

impl core::error::Error for RecordError {}

/// Writes the record of a grid; returns its length.
///
/// # Errors
/// [`RecordError::Memory`] if it does not fit, [`RecordError::Correction`], [`RecordError::BedTemperature`] or
/// [`RecordError::Closure`] for a value that [`decode_grid`] would refuse. The bytes are then of no use.
pub fn encode_grid<const CAPACITY: usize>(
    stored: &StoredGrid<CAPACITY>,
    sequence: u32,
    bytes: &mut [u8],
) -> Result<usize, RecordError> {
    check(stored)?;
    let lattice = stored.grid.lattice();
    let length = HEADER_SIZE + GRID_FIELDS_SIZE + 2 * lattice.node_count() + CRC_SIZE;
    let fade_um = stored.fade.map_or((0, 0), |fade| (fade.full_below_um(), fade.zero_above_um()));
    let flag = |raised: bool, flag: u16| if raised { flag } else { 0 };
    let flags = flag(stored.fade.is_some(), FLAG_FADE)
        | flag(stored.closure_accepted, FLAG_CLOSURE_ACCEPTED)
        | flag(stored.surface == Surface::Refined, FLAG_REFINED);
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

/// Writes the record of the current setup; returns its length.
///
/// # Errors
/// [`RecordError::Memory`] below [`SETUP_RECORD_SIZE`] bytes.
pub fn encode_setup(setup: u32, sequence: u32, bytes: &mut [u8]) -> Result<usize, RecordError> {
    seal(KIND_SETUP, SETUP_RECORD_SIZE, sequence, bytes, |writer| writer.put(setup.to_le_bytes()))
}

/// Reads the record of a grid; bytes after its end do not matter.
///
/// What it returns has gone through the same constructors as a grid made in memory.
///
/// # Errors
/// [`RecordError`] says what is wrong with the first thing that is, the check value before all fields.
pub fn decode_grid<const CAPACITY: usize>(bytes: &[u8]) -> Result<Record<StoredGrid<CAPACITY>>, RecordError> {
    let (mut reader, version, sequence) = open(bytes, KIND_GRID)?;
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
    let known_flags = if first_layout { FLAG_FADE } else { FLAG_FADE | FLAG_CLOSURE_ACCEPTED | FLAG_REFINED };
    let fade =
        if flags & FLAG_FADE != 0 { Some(Fade::new(fade_um.0, fade_um.1).map_err(RecordError::Fade)?) } else { None };
    if flags & !known_flags != 0 || fade.is_none() && fade_um != (0, 0) {
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
    };
    check(&value)?;
    Ok(Record { version, sequence, value })
}

/// Reads the record of the current setup; bytes after its end do not matter.
///
/// # Errors
/// [`RecordError`] says what is wrong with the first thing that is.
pub fn decode_setup(bytes: &[u8]) -> Result<Record<u32>, RecordError> {
    let (mut reader, version, sequence) = open(bytes, KIND_SETUP)?;
    let value = u32::from_le_bytes(reader.take()?);
    if !reader.rest.is_empty() {
        return Err(RecordError::Length { length: reader.length });
    }
    Ok(Record { version, sequence, value })
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
    let correction = Correction::new(stored.grid.clone());
    let correction = correction.with_shift(stored.shift_um.into()).map_err(RecordError::Correction)?;
    if let Some(fade) = stored.fade {
        correction.with_fade(fade).map_err(RecordError::Correction)?;
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
    // At most 504 bytes: a grid has up to 225 nodes.
    writer.put((length as u16).to_le_bytes());
    writer.put(sequence.to_le_bytes());
    fields(&mut writer);
    *crc = crc32c(content).to_le_bytes();
    Ok(length)
}

/// Checks the frame; returns a reader of the fields, version and sequence number.
fn open(bytes: &[u8], kind_wanted: u8) -> Result<(Reader<'_>, u8, u32), RecordError> {
    let first = bytes.first_chunk().ok_or(RecordError::Memory { needed: HEADER_SIZE, found: bytes.len() })?;
    let (version, length) = header(first)?;
    let needed = usize::from(length);
    let too_short = RecordError::Memory { needed, found: bytes.len() };
    let (content, crc) = bytes.get(..needed).and_then(|record| record.split_last_chunk()).ok_or(too_short)?;
    if crc32c(content) != u32::from_le_bytes(*crc) {
        return Err(RecordError::Checksum);
    }
    if version > LAYOUT_VERSION {
        return Err(RecordError::NewerLayout { version });
    }
    if version == 0 {
        return Err(RecordError::NoSuchLayout { version });
    }
    let mut reader = Reader { rest: content, length };
    let [_, _, _, _, _, kind, _, _] = reader.take()?;
    if kind != kind_wanted {
        return Err(RecordError::OtherKind { kind });
    }
    let sequence = u32::from_le_bytes(reader.take()?);
    Ok((reader, version, sequence))
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
mod tests {
    use super::*;

    fn stored() -> StoredGrid<9> {
        let lattice =
            Lattice { x0_um: -20_000, y0_um: 30_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 2 };
        StoredGrid {
            grid: HeightGrid::new(lattice, &[1, -2, 300, -8191, 8191, 0]).unwrap(),
            shift_um: -120,
            fade: Some(Fade::new(-400, 19_600).unwrap()),
            bed_temperature_c: 60,
            setup: 0xDEAD_BEEF,
            closure_um: -17,
            closure_accepted: true,
            surface: Surface::Refined,
        }
    }

    /// The table at the head of this file, byte by byte.
    #[test]
    fn bytes_stand_where_the_table_says() {
        let mut bytes = [0xEE; 80];
        let length = encode_grid(&stored(), 0x0102_0304, &mut bytes).unwrap();
        assert_eq!(length, 66);
        let mut expected = std::vec::Vec::new();
        expected.extend(b"GapK\x02\x01\x42\x00\x04\x03\x02\x01");
        expected.extend((-20_000_i32).to_le_bytes());
        expected.extend(30_000_i32.to_le_bytes());
        expected.extend(90_000_u32.to_le_bytes());
        expected.extend(80_000_u32.to_le_bytes());
        expected.extend([3, 2, 60, 0, 0xEF, 0xBE, 0xAD, 0xDE]);
        expected.extend((-400_i32).to_le_bytes());
        expected.extend(19_600_i32.to_le_bytes());
        expected.extend([0x88, 0xFF, 7, 0, 0xEF, 0xFF]);
        expected.extend([1, 0, 0xFE, 0xFF, 0x2C, 1, 1, 0xE0, 0xFF, 0x1F, 0, 0]);
        expected.extend(crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&expected).to_le_bytes());
        assert_eq!(bytes[..66], expected);
        assert_eq!(bytes[66..], [0xEE; 14]);
        assert_eq!(encode_setup(7, 9, &mut bytes), Ok(SETUP_RECORD_SIZE));
        assert_eq!(bytes[..16], *b"GapK\x02\x02\x14\x00\x09\x00\x00\x00\x07\x00\x00\x00");
    }

    #[test]
    fn what_is_written_is_read_back() {
        let mut bytes = [0; 80];
        for fade in [None, stored().fade] {
            for surface in [Surface::Bilinear, Surface::Refined] {
                let value = StoredGrid { fade, surface, closure_accepted: fade.is_some(), ..stored() };
                encode_grid(&value, u32::MAX, &mut bytes).unwrap();
                let record = Record { version: 2, sequence: u32::MAX, value };
                assert_eq!(decode_grid(&bytes), Ok(record));
            }
        }
        encode_setup(u32::MAX, 0, &mut bytes).unwrap();
        assert_eq!(decode_setup(&bytes), Ok(Record { version: 2, sequence: 0, value: u32::MAX }));
        assert_eq!(decode_grid::<9>(&bytes), Err(RecordError::OtherKind { kind: 2 }));
    }

    #[test]
    fn the_longest_record_fits_exactly() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 100, pitch_y_um: 100, columns: 15, rows: 15 };
        let value = StoredGrid::<225> {
            grid: HeightGrid::from_fn(lattice, |column, row| i32::from(column) - i32::from(row)).unwrap(),
            fade: None,
            shift_um: 0,
            bed_temperature_c: 0,
            setup: 0,
            closure_um: 0,
            closure_accepted: false,
            surface: Surface::Bilinear,
        };
        let mut bytes = [0; max_record_size(225)];
        assert_eq!(encode_grid(&value, 0, &mut bytes), Ok(504));
        assert_eq!(decode_grid(&bytes).map(|record| record.value), Ok(value.clone()));
        assert_eq!(encode_grid(&value, 0, &mut bytes[..503]), Err(RecordError::Memory { needed: 504, found: 503 }));
        // Where fewer nodes fit, it is refused as a grid would be.
        let capacity = GridError::Capacity { needed: 225, capacity: 9 };
        assert_eq!(decode_grid::<9>(&bytes), Err(RecordError::Grid(capacity)));
        // The check value covers fewer bits than its published distance of 6 reaches.
        assert!(8 * (max_record_size(225) - CRC_SIZE) <= 5243);
    }

    #[test]
    fn what_would_not_be_read_is_not_written() {
        let refused = |value: &StoredGrid<9>| encode_grid(value, 0, &mut [0; 80]).unwrap_err();
        let value = StoredGrid { shift_um: 8192, ..stored() };
        assert_eq!(refused(&value), RecordError::Correction(CorrectionError::Shift { shift_um: 8192 }));
        let value = StoredGrid { fade: Some(Fade::new(0, 100).unwrap()), ..stored() };
        assert!(matches!(refused(&value), RecordError::Correction(CorrectionError::FadeTooShort { .. })));
        for bed_temperature_c in [-274, 1001] {
            let value = StoredGrid { bed_temperature_c, ..stored() };
            assert_eq!(refused(&value), RecordError::BedTemperature { bed_temperature_c });
        }
        let value = StoredGrid { closure_um: -16_383, ..stored() };
        assert_eq!(refused(&value), RecordError::Closure { closure_um: -16_383 });
    }

    /// A record with a right check value and one field changed.
    fn changed(offset: usize, field: &[u8]) -> RecordError {
        let mut bytes = [0; 66];
        encode_grid(&stored(), 1, &mut bytes).unwrap();
        bytes[offset..offset + field.len()].copy_from_slice(field);
        let crc = crc32c(&bytes[..62]);
        bytes[62..].copy_from_slice(&crc.to_le_bytes());
        decode_grid::<9>(&bytes).unwrap_err()
    }

    #[test]
    fn every_field_is_checked_though_the_check_value_is_right() {
        assert_eq!(changed(0, b"g"), RecordError::NotARecord);
        assert_eq!(changed(4, &[3]), RecordError::NewerLayout { version: 3 });
        assert_eq!(changed(4, &[0]), RecordError::NoSuchLayout { version: 0 });
        assert_eq!(changed(5, &[0]), RecordError::OtherKind { kind: 0 });
        assert_eq!(changed(6, &[67]), RecordError::Memory { needed: 67, found: 66 });
        assert_eq!(changed(6, &[15]), RecordError::Length { length: 15 });
        assert!(matches!(changed(12, &[0xFF, 0xFF, 0xFF, 0x7F]), RecordError::Grid(GridError::Coordinates { .. })));
        assert!(matches!(changed(20, &[0; 4]), RecordError::Grid(GridError::Pitch { pitch_um: 0, .. })));
        assert!(matches!(changed(28, &[6, 1]), RecordError::Grid(GridError::NodeCount { nodes: 1, .. })));
        assert_eq!(changed(28, &[3, 3]), RecordError::Length { length: 66 });
        assert_eq!(changed(30, &[0xFF, 0x7F]), RecordError::BedTemperature { bed_temperature_c: 32_767 });
        assert!(matches!(changed(40, &[0; 4]), RecordError::Correction(CorrectionError::FadeTooShort { .. })));
        assert!(matches!(changed(40, &[0, 0, 0, 0x80]), RecordError::Fade(FadeError::Range { .. })));
        assert!(matches!(changed(44, &[0, 0x20]), RecordError::Correction(CorrectionError::Shift { shift_um: 8192 })));
        assert_eq!(changed(46, &[8]), RecordError::Flags { flags: 8 });
        assert_eq!(changed(46, &[6]), RecordError::Flags { flags: 6 });
        assert_eq!(changed(46, &[7, 1]), RecordError::Flags { flags: 0x107 });
        assert_eq!(changed(48, &[0, 0x80]), RecordError::Closure { closure_um: i16::MIN });
        assert!(matches!(changed(50, &[0, 0x80]), RecordError::Grid(GridError::HeightOutOfRange { .. })));
    }

    #[test]
    fn a_torn_record_is_refused_at_every_length() {
        let mut bytes = [0; 66];
        encode_grid(&stored(), 1, &mut bytes).unwrap();
        for length in 0..66 {
            let needed = if length < HEADER_SIZE { HEADER_SIZE } else { 66 };
            assert_eq!(decode_grid::<9>(&bytes[..length]), Err(RecordError::Memory { needed, found: length }));
            let mut torn = bytes;
            torn[length] ^= 0x10;
            assert!(decode_grid::<9>(&torn).is_err());
        }
    }

    #[test]
    fn memory_of_one_value_is_never_a_record() {
        let mut bytes = [0; 600];
        for value in 0..=255 {
            bytes.fill(value);
            for length in 0..=bytes.len() {
                assert!(decode_grid::<9>(&bytes[..length]).is_err());
                assert!(decode_setup(&bytes[..length]).is_err());
            }
        }
    }
}
