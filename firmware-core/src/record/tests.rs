//! The tables of the record, byte by byte, and what is refused.

use super::*;
use crate::fade::FadeError;
use crate::grid::GridError;
use crate::tie::{MAX_TIES, TIE_LIMIT_UM};

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
        tie: Tie::new(2, 37),
    }
}

const BINDING: Binding = Binding { slot: 5, unit: 64, slot_size: 0x2_0000 };

/// The table of the module, byte by byte.
#[test]
fn bytes_stand_where_the_table_says() {
    let mut bytes = [0xEE; 80];
    let length = encode_grid(&stored(), 0x0102_0304, &mut bytes).unwrap();
    assert_eq!(length, 74);
    let mut expected = std::vec::Vec::new();
    expected.extend(b"GapK\x04\x01\x4A\x00\x04\x03\x02\x01");
    expected.extend([0; 8]);
    expected.extend((-20_000_i32).to_le_bytes());
    expected.extend(30_000_i32.to_le_bytes());
    expected.extend(90_000_u32.to_le_bytes());
    expected.extend(80_000_u32.to_le_bytes());
    expected.extend([3, 2, 60, 0, 0xEF, 0xBE, 0xAD, 0xDE]);
    expected.extend((-400_i32).to_le_bytes());
    expected.extend(19_600_i32.to_le_bytes());
    expected.extend([0x88, 0xFF, 7 + 2 * 8, 37, 0xEF, 0xFF]);
    expected.extend([1, 0, 0xFE, 0xFF, 0x2C, 1, 1, 0xE0, 0xFF, 0x1F, 0, 0]);
    expected.extend(crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&expected).to_le_bytes());
    assert_eq!(bytes[..74], expected);
    assert_eq!(bytes[74..], [0xEE; 6]);
    assert_eq!(encode_setup(7, 9, &mut bytes), Ok(SETUP_RECORD_SIZE));
    assert_eq!(bytes[..24], *b"GapK\x04\x02\x1C\x00\x09\x00\x00\x00\0\0\0\0\0\0\0\0\x07\x00\x00\x00");
    bind(&mut bytes[..28], 0x0A0B_0C0D, BINDING).unwrap();
    assert_eq!(bytes[8..24], *b"\x0D\x0C\x0B\x0A\x05\x00\x40\x00\x00\x00\x02\x00\x07\x00\x00\x00");
}

#[test]
fn what_is_written_is_read_back() {
    let mut bytes = [0; 80];
    for fade in [None, stored().fade] {
        for surface in [Surface::Bilinear, Surface::Refined] {
            let value = StoredGrid { fade, surface, closure_accepted: fade.is_some(), ..stored() };
            let length = encode_grid(&value, u32::MAX, &mut bytes).unwrap();
            let record = Record { version: 4, sequence: u32::MAX, binding: None, value };
            assert_eq!(decode_grid(&bytes), Ok(record.clone()));
            bind(&mut bytes[..length], 7, BINDING).unwrap();
            assert_eq!(decode_grid(&bytes), Ok(Record { sequence: 7, binding: Some(BINDING), ..record }));
        }
    }
    encode_setup(u32::MAX, 0, &mut bytes).unwrap();
    assert_eq!(decode_setup(&bytes), Ok(Record { version: 4, sequence: 0, binding: None, value: u32::MAX }));
    assert_eq!(decode_grid::<9>(&bytes), Err(RecordError::OtherKind { kind: 2 }));
}

#[test]
fn the_longest_record_fits_exactly() {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 100, pitch_y_um: 100, columns: 16, rows: 16 };
    let value = StoredGrid::<256> {
        grid: HeightGrid::from_fn(lattice, |column, row| i32::from(column) - i32::from(row)).unwrap(),
        fade: None,
        shift_um: 0,
        bed_temperature_c: 0,
        setup: 0,
        closure_um: 0,
        closure_accepted: false,
        surface: Surface::Bilinear,
        tie: None,
    };
    let mut bytes = [0; max_record_size(256)];
    assert_eq!(encode_grid(&value, 0, &mut bytes), Ok(574));
    assert_eq!(decode_grid(&bytes).map(|record| record.value), Ok(value.clone()));
    assert_eq!(encode_grid(&value, 0, &mut bytes[..573]), Err(RecordError::Memory { needed: 574, found: 573 }));
    // Where fewer nodes fit, it is refused as a grid would be.
    let capacity = GridError::Capacity { needed: 256, capacity: 9 };
    assert_eq!(decode_grid::<9>(&bytes), Err(RecordError::Grid(capacity)));
    // The check value covers fewer bits than its published distance of 6 reaches.
    assert!(8 * (max_record_size(256) - CRC_SIZE) <= 5243);
}

#[test]
fn what_would_not_be_read_is_not_written() {
    let refused = |value: &StoredGrid<9>| encode_grid(value, 0, &mut [0; 80]).unwrap_err();
    let value = StoredGrid { shift_um: 8192, ..stored() };
    assert_eq!(refused(&value), RecordError::Correction(CorrectionError::Shift { shift_um: 8192 }));
    for bed_temperature_c in [-274, 1001] {
        let value = StoredGrid { bed_temperature_c, ..stored() };
        assert_eq!(refused(&value), RecordError::BedTemperature { bed_temperature_c });
    }
    let value = StoredGrid { closure_um: -16_383, ..stored() };
    assert_eq!(refused(&value), RecordError::Closure { closure_um: -16_383 });
}

/// A record with a right check value and one field changed; offsets as in the table.
fn changed(offset: usize, field: &[u8]) -> RecordError {
    let mut bytes = [0; 74];
    encode_grid(&stored(), 1, &mut bytes).unwrap();
    bytes[offset..offset + field.len()].copy_from_slice(field);
    let crc = crc32c(&bytes[..70]);
    bytes[70..].copy_from_slice(&crc.to_le_bytes());
    decode_grid::<9>(&bytes).unwrap_err()
}

#[test]
fn every_field_is_checked_though_the_check_value_is_right() {
    assert_eq!(changed(0, b"g"), RecordError::NotARecord);
    assert_eq!(changed(4, &[5]), RecordError::NewerLayout { version: 5 });
    assert_eq!(changed(4, &[0]), RecordError::NoSuchLayout { version: 0 });
    assert_eq!(changed(5, &[0]), RecordError::OtherKind { kind: 0 });
    assert_eq!(changed(6, &[75]), RecordError::Memory { needed: 75, found: 74 });
    assert_eq!(changed(6, &[15]), RecordError::Length { length: 15 });
    assert!(matches!(changed(20, &[0xFF, 0xFF, 0xFF, 0x7F]), RecordError::Grid(GridError::Coordinates { .. })));
    assert!(matches!(changed(28, &[0; 4]), RecordError::Grid(GridError::Pitch { pitch_um: 0, .. })));
    assert!(matches!(changed(36, &[6, 1]), RecordError::Grid(GridError::NodeCount { nodes: 1, .. })));
    assert_eq!(changed(36, &[3, 3]), RecordError::Length { length: 74 });
    assert_eq!(changed(38, &[0xFF, 0x7F]), RecordError::BedTemperature { bed_temperature_c: 32_767 });
    assert!(matches!(changed(48, &[0, 0, 0, 0x80]), RecordError::Fade(FadeError::Range { .. })));
    assert!(matches!(changed(52, &[0, 0x20]), RecordError::Correction(CorrectionError::Shift { shift_um: 8192 })));
    assert_eq!(changed(54, &[0x57]), RecordError::Flags { flags: 0x2557 });
    assert_eq!(changed(54, &[0x16]), RecordError::Flags { flags: 0x2516 });
    // A residual without a tie; too many ties, too large a residual.
    assert_eq!(changed(54, &[7, 1]), RecordError::Flags { flags: 0x107 });
    assert_eq!(changed(54, &[7 + 4 * 8]), RecordError::Tie { count: 4, residual_um: 37 });
    assert_eq!(changed(55, &[101]), RecordError::Tie { count: 2, residual_um: 101 });
    assert_eq!(changed(56, &[0, 0x80]), RecordError::Closure { closure_um: i16::MIN });
    assert!(matches!(changed(58, &[0, 0x80]), RecordError::Grid(GridError::HeightOutOfRange { .. })));
}

/// The same record in an older layout.
fn older(stored: &StoredGrid<9>, version: u8) -> std::vec::Vec<u8> {
    let mut bytes = [0; 80];
    let length = encode_grid(stored, 1, &mut bytes).unwrap();
    let mut bytes = bytes[..length].to_vec();
    if version < 3 {
        bytes.drain(12..20);
    }
    if version == 1 {
        bytes.drain(48..50);
        bytes[46] &= 1;
    }
    bytes[4] = version;
    bytes[6] = bytes.len() as u8;
    let crc_at = bytes.len() - 4;
    let crc = crc32c(&bytes[..crc_at]);
    bytes[crc_at..].copy_from_slice(&crc.to_le_bytes());
    bytes
}

/// Ties came with layout 4; but for them a grid of layout 3 is the same, and its ties are flags without a meaning.
#[test]
fn layout_3_has_no_ties() {
    let value = StoredGrid { tie: None, ..stored() };
    assert_eq!(decode_grid::<9>(&older(&value, 3)).unwrap(), Record { version: 3, sequence: 1, binding: None, value });
    assert_eq!(decode_grid::<9>(&older(&stored(), 3)), Err(RecordError::Flags { flags: 0x2517 }));
    for residual_um in [0, TIE_LIMIT_UM] {
        let value = StoredGrid { tie: Tie::new(MAX_TIES, residual_um), ..stored() };
        assert!(value.tie.is_some());
        let mut bytes = [0; 80];
        encode_grid(&value, 0, &mut bytes).unwrap();
        assert_eq!(decode_grid::<9>(&bytes).unwrap().value, value);
    }
}

/// A grid that cannot come into force is kept all the same, since layout 3.
#[test]
fn a_fade_too_short_for_the_shape_is_kept() {
    let untied = StoredGrid { tie: None, ..stored() };
    let value = StoredGrid { fade: Some(Fade::new(0, 100).unwrap()), ..untied.clone() };
    let mut bytes = [0; 80];
    encode_grid(&value, 0, &mut bytes).unwrap();
    let read = decode_grid::<9>(&bytes).unwrap().value;
    assert_eq!(read, value);
    let correction = Correction::new(read.grid).with_fade(read.fade.unwrap());
    assert!(matches!(correction, Err(CorrectionError::FadeTooShort { .. })));
    for version in [1, 2] {
        assert!(decode_grid::<9>(&older(&untied, version)).is_ok());
        let refused = decode_grid::<9>(&older(&value, version));
        assert!(matches!(refused, Err(RecordError::Correction(CorrectionError::FadeTooShort { .. }))));
    }
}

#[test]
fn only_a_whole_record_of_the_newest_layout_is_bound() {
    let mut bytes = [0; 80];
    let length = encode_grid(&stored(), 0, &mut bytes).unwrap();
    for length in 0..length {
        let mut short = bytes;
        assert!(bind(&mut short[..length], 1, BINDING).is_err());
    }
    assert_eq!(bind(&mut bytes, 1, BINDING), Err(RecordError::Length { length: 74 }));
    assert_eq!(bind(&mut older(&stored(), 2), 1, BINDING), Err(RecordError::Length { length: 66 }));
    bytes[30] ^= 1;
    assert_eq!(bind(&mut bytes[..length], 1, BINDING), Err(RecordError::Checksum));
}

#[test]
fn a_torn_record_is_refused_at_every_length() {
    let mut bytes = [0; 74];
    encode_grid(&stored(), 1, &mut bytes).unwrap();
    for length in 0..74 {
        let needed = if length < HEADER_SIZE { HEADER_SIZE } else { 74 };
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
