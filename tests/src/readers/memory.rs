//! The persistent memory with anything in it.

use crc::{CRC_32_ISCSI, Crc};
use gapkeeper::memory::{ByteEeprom, ByteMemory, Region};
use gapkeeper::record::{decode_grid, decode_setup, encode_grid};
use gapkeeper::store::slot_size;
use gapkeeper::{HeightGrid, Lattice, Store, StoredGrid, Surface};

/// Nodes of the largest grid in this memory.
const NODES: usize = 9;
const SLOT_BYTES: usize = slot_size(NODES, 1);
const SLOTS: usize = 4;
const REGION: Region = Region { first_address: 1, slot_size: SLOT_BYTES as u32, slot_count: SLOTS as u32 };

/// Cells that never fail.
struct Bytes(Vec<u8>);

impl ByteMemory for Bytes {
    type Error = ();

    fn capacity(&self) -> u32 {
        self.0.len() as u32
    }

    fn read_byte(&mut self, address: u32) -> Result<u8, ()> {
        self.0.get(address as usize).copied().ok_or(())
    }

    fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), ()> {
        self.0.get_mut(address as usize).map(|cell| *cell = byte).ok_or(())
    }
}

/// Cells with anything in them: what a store makes of it, and that a grid saved then is read back.
pub fn memory(bytes: &[u8]) {
    let mut cells = bytes.to_vec();
    cells.resize(1 + SLOT_BYTES * SLOTS, 0xFF);
    // The first bit of a slot decides whether its record gets a frame and a check value that fit.
    for slot in cells[1..].chunks_exact_mut(SLOT_BYTES).filter(|slot| slot[0] & 1 == 0) {
        let length = (16 + usize::from(slot[1])).min(SLOT_BYTES);
        let sealed = sealed(&slot[..length]);
        slot[..length].copy_from_slice(&sealed);
    }
    let _ = (decode_grid::<NODES>(&cells), decode_setup(&cells));
    let memory = ByteEeprom::new(Bytes(cells), REGION).unwrap_or_else(|error| panic!("{error}"));
    let Ok(mut store) = Store::<_, NODES, SLOT_BYTES>::new(memory) else { panic!("the region fits the records") };
    let _ = store.load_setup();
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 50_000, pitch_y_um: 40_000, columns: 3, rows: 3 };
    let grid = HeightGrid::from_fn(lattice, |column, row| i32::from(column) - i32::from(row));
    let stored = StoredGrid {
        grid: grid.unwrap_or_else(|error| panic!("{error}")),
        shift_um: -20,
        fade: None,
        bed_temperature_c: 60,
        setup: 3,
        closure_um: 5,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    };
    for place in 0..store.places() {
        // A slot of a newer program is not written over: that may be refused, and what is saved is read back.
        if store.save_grid(place, &stored).is_ok() {
            let loaded = store.load_grid(place);
            assert!(loaded.is_ok_and(|loaded| loaded.value == stored), "place {place}");
        }
    }
    let mut record = [0; 256];
    if let Ok(length) = encode_grid(&stored, 9, &mut record) {
        assert!(decode_grid::<NODES>(&record[..length]).is_ok_and(|record| record.value == stored));
    }
}

/// The bytes with the frame of a record around them: magic, length and check value fit, and the version is one that is
/// read.
pub(super) fn sealed(bytes: &[u8]) -> Vec<u8> {
    let mut sealed = bytes.to_vec();
    let length = sealed.len();
    if length >= 16 && length <= usize::from(u16::MAX) {
        sealed[..4].copy_from_slice(b"GapK");
        sealed[4] = 1 + sealed[4] % 3;
        sealed[5] = 1 + (sealed[5] & 1);
        sealed[6..8].copy_from_slice(&(length as u16).to_le_bytes());
        let check = Crc::<u32>::new(&CRC_32_ISCSI).checksum(&sealed[..length - 4]);
        sealed[length - 4..].copy_from_slice(&check.to_le_bytes());
    }
    sealed
}
