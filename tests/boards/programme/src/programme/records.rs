//! A grid's record: written, read, and read once more with a bit turned over.

use gapkeeper::record::{RecordError, decode_grid, encode_grid, max_record_size};
use gapkeeper::{Fade, StoredGrid, Surface};

use super::beds::grid;
use super::digest::Digest;
use super::numbers::Numbers;

/// The longest record: fifteen by fifteen nodes.
const LONGEST: usize = max_record_size(225);

/// Writes and reads one grid.
pub fn records<const NODES: usize>(nodes: u8, numbers: &mut Numbers, digest: &mut Digest) {
    let Some((grid, _)) = grid::<NODES>(nodes, numbers) else {
        digest.word(0xBAD0_6A1D);
        return;
    };
    let stored = StoredGrid {
        grid,
        shift_um: numbers.between(-8_191, 8_191) as i16,
        fade: if numbers.below(2) == 0 { Fade::new(0, numbers.between(100, 30_000)).ok() } else { None },
        bed_temperature_c: numbers.between(-300, 1_000) as i16,
        setup: numbers.word(),
        closure_um: numbers.between(-40, 40) as i16,
        closure_accepted: numbers.below(2) == 0,
        surface: if numbers.below(2) == 0 { Surface::Refined } else { Surface::Bilinear },
        tie: None,
    };
    let mut bytes = [0; LONGEST];
    let length = match encode_grid(&stored, numbers.word(), &mut bytes) {
        Ok(length) => length,
        Err(error) => return digest.word(number(&error)),
    };
    let written = bytes.get_mut(..length).unwrap_or_default();
    digest.bytes(written);
    read::<NODES>(written, digest);
    if let Some(byte) = written.get_mut(numbers.below(length as u32) as usize) {
        *byte ^= 1 << numbers.below(8);
    }
    read::<NODES>(written, digest);
}

fn read<const NODES: usize>(bytes: &[u8], digest: &mut Digest) {
    match decode_grid::<NODES>(bytes) {
        Ok(record) => {
            digest.word(record.sequence);
            digest.word(record.value.setup);
            for &height_um in record.value.grid.nodes_um() {
                digest.signed(height_um.into());
            }
        }
        Err(error) => digest.word(number(&error)),
    }
}

fn number(error: &RecordError) -> u32 {
    match error {
        RecordError::Memory { .. } => 1,
        RecordError::NotARecord => 2,
        RecordError::Length { .. } => 3,
        RecordError::Checksum => 4,
        RecordError::NewerLayout { .. } => 5,
        RecordError::NoSuchLayout { .. } => 6,
        RecordError::OtherKind { .. } => 7,
        RecordError::Grid(_) => 8,
        RecordError::Fade(_) => 9,
        RecordError::Correction(_) => 10,
        RecordError::BedTemperature { .. } => 11,
        RecordError::Closure { .. } => 12,
        _ => 13,
    }
}
