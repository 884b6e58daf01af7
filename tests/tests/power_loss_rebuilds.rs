//! A memory that another build of the same firmware has used: slots of another size, unit or place, other capacities.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use core::fmt::Debug;

use gapkeeper::memory::{ByteEeprom, Cells as Readable, Region, SlotMemory};
use gapkeeper::record::{encode_grid, max_record_size};
use gapkeeper::{HeightGrid, Lattice, OtherSlot, Saved, Store, StoreError, StoredGrid, Surface};
use gapkeeper_tests::media::{ByteChip, Cells, Medium};
use gapkeeper_tests::stores::{
    BUFFER, CAPACITY, Found, Mistake, Sketch, Subject, Value, layout_1, layout_2, seal_offsets, value,
};

/// The memory of the guide: 64 slots of 128 bytes.
const OURS: Region = Region { first_address: 256, slot_size: 128, slot_count: 64 };
const BYTES: usize = 256 + 64 * 128;

/// A memory whose unit is another one than its chip's.
struct InUnits<M>(M, usize);

impl<M: SlotMemory> SlotMemory for InUnits<M> {
    type Error = M::Error;

    fn slot_count(&self) -> usize {
        self.0.slot_count()
    }

    fn slot_size(&self) -> usize {
        self.0.slot_size()
    }

    fn unit(&self) -> usize {
        self.1
    }

    fn read(&mut self, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<Readable, M::Error> {
        self.0.read(slot, offset, bytes)
    }

    fn erase(&mut self, slot: usize) -> Result<(), M::Error> {
        self.0.erase(slot)
    }

    fn write(&mut self, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), M::Error> {
        self.0.write(slot, offset, bytes)
    }
}

fn grid(index: usize, setup: u32) -> StoredGrid<CAPACITY> {
    let Value::Grid(stored) = value(false, index) else { panic!("not a grid") };
    StoredGrid { setup, ..stored }
}

/// Three grids of setup 1, and as many screws turned and saved after them.
fn life(screws: u32) -> Cells {
    let mut chip = ByteChip::with_cells(Cells::erased(BYTES, 0));
    let mut store = Store::<_, CAPACITY, BUFFER>::new(ByteEeprom::new(&mut chip, OURS).unwrap()).unwrap();
    store.begin(1).unwrap();
    for place in 0..3 {
        store.save_grid(place, &grid(place, 1)).unwrap();
    }
    for screw in 1..=screws {
        store.save_setup(1 + screw).unwrap();
    }
    chip.bus().cells.clone()
}

/// The same in layout 1, which had no seals, or 2.
fn life_in_layout(layout: u8, screws: u32) -> Cells {
    let record = if layout == 1 { layout_1 } else { layout_2 };
    let mut chip = ByteChip::with_cells(Cells::erased(BYTES, 0));
    let offsets = seal_offsets(&ByteEeprom::new(&mut chip, OURS).unwrap());
    let mut put = |slot: u32, record: &[u8]| {
        let first = (OURS.first_address + OURS.slot_size * slot) as usize;
        let seal: Vec<u8> = record[record.len() - 4..].iter().map(|byte| !byte).collect();
        let cells = &mut chip.bus().cells.bytes[first..];
        cells[..record.len()].copy_from_slice(record);
        for offset in offsets.into_iter().filter(|_| layout > 1) {
            cells[offset..offset + 4].copy_from_slice(&seal);
        }
    };
    for save in 0..=screws {
        put(save % 2, &record(&Value::Setup(1 + save), save));
    }
    for place in 0..3 {
        put(2 + 2 * place, &record(&Value::Grid(grid(place as usize, 1)), 0));
    }
    chip.bus().cells.clone()
}

/// What a build with other slots makes of the memory: a setup that counts as certain, and whether any grid is found.
fn found_by(cells: &Cells, region: Region, unit: usize) -> (Option<u32>, bool, bool) {
    let mut chip = ByteChip::with_cells(cells.clone());
    let memory = InUnits(ByteEeprom::new(&mut chip, region).unwrap(), unit);
    let Ok(mut store) = Store::<_, CAPACITY, BUFFER>::new(memory) else { return (None, false, false) };
    let setup = store.load_setup();
    let is_named = matches!(setup, Err(StoreError::OtherGeometry { .. }));
    let setup = setup.ok().filter(|loaded| loaded.other != OtherSlot::Damaged).map(|loaded| loaded.value);
    let any_grid = (0..store.places()).any(|place| store.load_grid(place).is_ok());
    (setup, any_grid, is_named)
}

/// Every size from the smallest that holds our records, at places near and on ours, and other units.
fn other_builds() -> Vec<(Region, usize)> {
    let mut builds = Vec::new();
    for slot_size in 80..=1024 {
        for first_address in [OURS.first_address, 1, 64, 128, 255, 320, 384, 512] {
            let slot_count = (BYTES as u32 - first_address) / slot_size;
            let region = Region { first_address, slot_size, slot_count };
            if (first_address, slot_size) != (OURS.first_address, OURS.slot_size) {
                builds.push((region, 1));
            }
        }
    }
    builds.extend([2, 4, 8, 16].map(|unit| (OURS, unit)));
    builds
}

/// Finding nothing is right. Of what the newest layout stored, no setup counts as certain and no grid is found; of
/// older layouts no setup but the newest counts as certain.
#[test]
fn slots_of_any_other_size_place_or_unit() {
    let (mut tried, mut named) = (0, 0);
    for screws in 0..=3 {
        let cells = life(screws);
        assert_eq!(found_by(&cells, OURS, 1), (Some(1 + screws), true, false));
        for (region, unit) in other_builds() {
            let (setup, any_grid, is_named) = found_by(&cells, region, unit);
            assert_eq!((setup, any_grid), (None, false), "{region:?}, unit {unit}, {screws} screws");
            tried += 1;
            named += u64::from(is_named);
        }
        for layout in [1, 2] {
            let cells = life_in_layout(layout, screws);
            // Layout 1 is certain with two setups only.
            let ours = Some(1 + screws).filter(|_| layout == 2 || screws > 0);
            assert_eq!(found_by(&cells, OURS, 1), (ours, true, false));
            for (region, unit) in other_builds() {
                // Found in units of 2 and 4, which have the seals at the same place; and, before any screw was turned, in
                // slots of 132 bytes, whose first seal is our second one.
                let (setup, any_grid, _) = found_by(&cells, region, unit);
                let what = format!("layout {layout}: {region:?}, unit {unit}, {screws} screws");
                assert!(setup.is_none() || setup == Some(1 + screws), "{what}: {setup:?}");
                // At a distance of whole slots a grid of layout 2 is found, but no setup with it.
                assert!(!any_grid || layout == 1 || region.slot_size == OURS.slot_size, "{what}");
                tried += 1;
            }
        }
    }
    println!("builds with other slots: {tried}, {named} found a record of another geometry by name");
    assert!(named > 1000);
}

/// A store that does not look at the slot in the record takes old ones for certain: so the test above can fail.
#[test]
fn a_store_that_ignores_the_slot_is_caught() {
    let cells = life(2);
    let mut sizes = Vec::new();
    for (region, _) in other_builds().into_iter().filter(|(region, _)| region.first_address == OURS.first_address) {
        let mut chip = ByteChip::with_cells(cells.clone());
        let Ok(memory) = ByteEeprom::new(&mut chip, region) else { continue };
        if region.slot_size >= 88 && Sketch(Mistake::None).load(memory, true) == Found::Value(Value::Setup(2)) {
            sizes.push(region.slot_size);
        }
    }
    println!("sizes in which the setup before is found: {}", sizes.len());
    assert!(sizes.contains(&192) && sizes.contains(&384));
}

/// A build that uses the memory of another one after a beginning; and the first one again.
#[test]
fn to_another_geometry_and_back() {
    let mut chip = ByteChip::with_cells(life(1));
    let theirs = Region { slot_size: 192, slot_count: 40, ..OURS };
    let mut store = Store::<_, CAPACITY, BUFFER>::new(ByteEeprom::new(&mut chip, theirs).unwrap()).unwrap();
    assert!(matches!(store.save_setup(9), Err(StoreError::OtherGeometry { .. })));
    store.begin(9).unwrap();
    for shift_um in 0..3 {
        let stored = StoredGrid { shift_um, ..grid(3, 9) };
        assert_eq!(store.save_grid(0, &stored).unwrap(), Saved::Written);
        assert_eq!(store.load_grid(0).unwrap().value, stored);
    }
    store.save_setup(10).unwrap();
    assert_eq!(store.load_setup().unwrap().value, 10);
    let (setup, _, is_named) = found_by(&chip.bus().cells.clone(), OURS, 1);
    assert_eq!((setup, is_named), (None, true));
}

/// It belongs to no slot, so it counts in any, until a grid is saved there; its number does not matter.
#[test]
fn a_grid_that_a_tool_wrote() {
    for sequence in [0, 9] {
        let mut chip = ByteChip::with_cells(life(0));
        let mut record = [0; BUFFER];
        let length = encode_grid(&grid(4, 1), sequence, &mut record).unwrap();
        let first = (OURS.first_address + 9 * OURS.slot_size) as usize;
        chip.bus().cells.bytes[first..first + length].copy_from_slice(&record[..length]);
        let mut store = Store::<_, CAPACITY, BUFFER>::new(ByteEeprom::new(&mut chip, OURS).unwrap()).unwrap();
        assert_eq!(store.load_grid(3).unwrap().value, grid(4, 1));
        assert_eq!(store.save_grid(3, &grid(4, 1)).unwrap(), Saved::Written);
        for index in 0..3 {
            assert_eq!(store.save_grid(3, &grid(index, 1)).unwrap(), Saved::Written);
            assert_eq!(store.load_grid(3).unwrap().value, grid(index, 1));
        }
    }
}

fn dense<const NODES: usize>(nodes: u8, shift_um: i16) -> StoredGrid<NODES> {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 40_000, pitch_y_um: 40_000, columns: nodes, rows: nodes };
    StoredGrid {
        grid: HeightGrid::from_fn(lattice, |column, row| i32::from(column) - i32::from(row)).unwrap(),
        shift_um,
        fade: None,
        bed_temperature_c: 60,
        setup: 1,
        closure_um: 0,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    }
}

/// A build for fewer nodes reads a bank of larger grids: none is taken, and none of before it. What it saves counts in
/// both builds.
fn other_capacities<const BUFFER: usize>() {
    const LARGE: usize = max_record_size(25);
    fn large<M: SlotMemory<Error: Debug>>(memory: M) -> Store<M, 25, LARGE> {
        Store::new(memory).unwrap()
    }
    let mut chip = ByteChip::with_cells(Cells::erased(BYTES, 0));
    fn memory(chip: &mut ByteChip) -> ByteEeprom<&mut ByteChip> {
        ByteEeprom::new(chip, OURS).unwrap()
    }
    let mut store = large(memory(&mut chip));
    store.begin(1).unwrap();
    store.save_grid(0, &dense(3, 1)).unwrap();
    store.save_grid(0, &dense(5, 2)).unwrap();
    let mut small = Store::<_, 9, BUFFER>::new(memory(&mut chip)).unwrap();
    assert_eq!(small.load_setup().unwrap().value, 1);
    assert!(matches!(small.load_grid(0), Err(StoreError::TooLarge { nodes: 25, capacity: 9 })));
    for shift_um in 3..6 {
        assert_eq!(small.save_grid(0, &dense(3, shift_um)).unwrap(), Saved::Written);
        assert_eq!(small.load_grid(0).unwrap().value, dense(3, shift_um));
        let mut large = large(memory(&mut chip));
        assert_eq!(large.load_grid(0).unwrap().value, dense(3, shift_um));
        small = Store::new(memory(&mut chip)).unwrap();
    }
}

#[test]
fn a_build_for_fewer_nodes() {
    other_capacities::<{ max_record_size(9) }>();
    // With room to read what it has no room to keep.
    other_capacities::<{ max_record_size(25) }>();
}
