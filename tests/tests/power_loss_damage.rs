//! Damage other than a power cut: stray bytes, flipped bits, garbage, failing calls, worn cells, other versions.
//!
//! Run with `-- --nocapture` to see the counts.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::HashSet;
use std::time::Instant;

use gapkeeper::memory::SlotMemory;
use gapkeeper::record::{self, LAYOUT_VERSION, RecordError, max_record_size};
use gapkeeper::{
    Fade, HeightGrid, Lattice, MAX_HEIGHT_UM, MAX_NODES, OtherSlot, Saved, Store, StoreError, StoredGrid, Surface, Tie,
};
use gapkeeper_tests::faults::{failing_calls, worn_cells};
use gapkeeper_tests::media::{ByteChip, Cells, Cut, I2cChip, Medium, NorChip, Place, Random, Torn};
use gapkeeper_tests::power_cuts::Scenario;
use gapkeeper_tests::stores::{BUFFER, CAPACITY, Found, Real, Subject, Value, layout_1, layout_2, repair, value};

/// Addresses of a slot.
fn slot<M: Medium>(slot: u32) -> std::ops::Range<usize> {
    let region = M::region();
    let first = (region.first_address + slot * region.slot_size) as usize;
    first..first + region.slot_size as usize
}

fn load_grid<M: Medium>(cells: &Cells) -> Found {
    Real.load(M::with_cells(cells.clone()).slots(), false)
}

/// One byte anywhere in the memory changes in the same fault as the cut.
fn stray_byte<M: Medium>() {
    let start = Instant::now();
    let mut images = 0_u64;
    let mut lost = 0_u64;
    let (cells, before) = Scenario::Overwrite.start::<M>(&Real);
    let (old, saved) = (Found::Value(before.unwrap()), Scenario::Overwrite.saves()[0].clone());
    let older = Found::Value(value(false, 0));
    let new = Found::Value(saved.clone());
    let mut chip = M::with_cells(cells.clone());
    chip.bus().journal = Some(Vec::new());
    Real.save(chip.slots(), &saved).unwrap();
    let mut seen = HashSet::new();
    let mut torn_cells = cells;
    for step in chip.bus().journal.take().unwrap() {
        for place in step.places() {
            for &torn in M::torn_states() {
                let mut cut = torn_cells.clone();
                cut.tear(&step, place, torn, &mut Random(1));
                if !seen.insert(cut.clone()) {
                    continue;
                }
                for address in 0..cut.bytes.len() {
                    for stray in [0x00, 0xFF, !cut.bytes[address]] {
                        let mut image = cut.clone();
                        image.bytes[address] = stray;
                        let found = load_grid::<M>(&image);
                        images += 1;
                        // The good record is in slot 3. If the stray byte hits that one, what is left is what the
                        // other slot held, which `Loaded::other` reports, or nothing.
                        let is_hit = slot::<M>(3).contains(&address);
                        lost += u64::from(found == Found::Nothing);
                        assert!(
                            found == old || found == new || is_hit && (found == Found::Nothing || found == older),
                            "address {address}, {stray:#04x}: {found:?}"
                        );
                    }
                }
            }
        }
        torn_cells.apply(&step);
    }
    println!(
        "medium {}, cut and stray byte: {images}, of which {lost} without a grid, {:.1?}",
        M::LETTER,
        start.elapsed()
    );
}

#[test]
fn a_stray_byte_anywhere() {
    stray_byte::<ByteChip>();
    stray_byte::<I2cChip>();
    stray_byte::<NorChip>();
}

/// Nothing of value lies at address 0.
#[test]
fn address_0_is_in_no_slot() {
    assert!(!slot::<ByteChip>(0).contains(&0) && !slot::<I2cChip>(0).contains(&0));
}

/// All single and double flips in both slots of a grid, and each byte with every value.
#[test]
fn every_double_flip_in_both_slots() {
    let start = Instant::now();
    let (cells, newest) = Scenario::Overwrite.start::<ByteChip>(&Real);
    let newest = Found::Value(newest.unwrap());
    let older = Found::Value(value(false, 0));
    let (older_slot, newest_slot) = (slot::<ByteChip>(2), slot::<ByteChip>(3));
    let bits: Vec<usize> = (older_slot.start * 8..newest_slot.end * 8).collect();
    let mut image = cells.clone();
    let mut images = 0_u64;
    let mut lost = 0_u64;
    for (index, &first) in bits.iter().enumerate() {
        image.bytes[first / 8] ^= 1 << (first % 8);
        for &second in &bits[index..] {
            // The pair of equal bits is the single flip.
            if second != first {
                image.bytes[second / 8] ^= 1 << (second % 8);
            }
            let hits = |range: &std::ops::Range<usize>| range.contains(&(first / 8)) || range.contains(&(second / 8));
            let found = load_grid::<ByteChip>(&image);
            images += 1;
            if !hits(&newest_slot) {
                assert_eq!(found, newest);
            } else if !hits(&older_slot) {
                assert!(found == newest || found == older, "{found:?}");
            } else {
                lost += u64::from(found == Found::Nothing);
                assert!(found == newest || found == older || found == Found::Nothing, "{found:?}");
            }
            if second != first {
                image.bytes[second / 8] ^= 1 << (second % 8);
            }
        }
        image.bytes[first / 8] ^= 1 << (first % 8);
    }
    for address in older_slot.start..newest_slot.end {
        for byte in 0..=255 {
            image.bytes[address] = byte;
            let found = load_grid::<ByteChip>(&image);
            assert!(found == newest || found == older && newest_slot.contains(&address), "{address} {byte}");
            images += 1;
        }
        image.bytes[address] = cells.bytes[address];
    }
    println!("flips in the memory: {images} images, {lost} without a grid, {:.1?}", start.elapsed());
}

/// Goals 6 and 7, the record: no single, double or burst error is taken for a record.
#[test]
fn every_error_of_few_bits_in_a_record() {
    let start = Instant::now();
    let mut bytes = [0; BUFFER];
    let Value::Grid(stored) = value(false, 1) else { panic!("not a grid") };
    let length = record::encode_grid(&stored, 77, &mut bytes).unwrap();
    let mut bytes = bytes[..length].to_vec();
    let bits = length * 8;
    let mut errors = 0_u64;
    let flip = |bytes: &mut [u8], bit: usize| bytes[bit / 8] ^= 1 << (bit % 8);
    let is_refused = |bytes: &[u8]| record::decode_grid::<CAPACITY>(bytes).is_err();
    for first in 0..bits {
        flip(&mut bytes, first);
        assert!(is_refused(&bytes), "bit {first}");
        for second in 0..first {
            flip(&mut bytes, second);
            assert!(is_refused(&bytes), "bits {first} and {second}");
            flip(&mut bytes, second);
            errors += 1;
        }
        flip(&mut bytes, first);
        errors += 1;
    }
    // Bursts: the first and the last bit are wrong and any between. All up to 12 bits, drawn ones up to 32.
    let mut random = Random(3);
    for burst in 2..=32 {
        let (count, all) = if burst <= 12 { (1_u64 << (burst - 2), true) } else { (40, false) };
        for first in 0..=bits - burst {
            for index in 0..count {
                let inner = if all { index } else { random.draw() & ((1 << (burst - 2)) - 1) };
                let pattern = 1 | inner << 1 | 1 << (burst - 1);
                let mut burst_bytes = bytes.clone();
                (0..burst).filter(|bit| pattern >> bit & 1 == 1).for_each(|bit| flip(&mut burst_bytes, first + bit));
                assert!(is_refused(&burst_bytes), "burst {pattern:b} at {first}");
                errors += 1;
            }
        }
    }
    // Three to five bits, drawn: the published distance of CRC-32C at this length is 6 (H-7: up to 5243 bits).
    for _ in 0..200_000 {
        let mut wrong = bytes.clone();
        let places: HashSet<usize> = (0..3 + random.below(3)).map(|_| random.below(bits)).collect();
        places.iter().for_each(|&bit| flip(&mut wrong, bit));
        assert!(is_refused(&wrong), "{places:?}");
        errors += 1;
    }
    println!("errors in a record of {length} bytes: {errors}, none accepted, {:.1?}", start.elapsed());
}

/// Random bytes of all lengths are no record, and random memories hold none.
#[test]
fn garbage_is_never_accepted() {
    let mut random = Random(8);
    let mut bytes = Vec::new();
    for length in (0..=600).cycle().take(60_100) {
        bytes.clear();
        bytes.resize_with(length, || random.draw() as u8);
        if length >= 6 && length % 2 == 0 {
            // Past the first gate: magic, layout and kind are right.
            bytes[..6].copy_from_slice(&[b'G', b'a', b'p', b'K', 1 + (length / 2 % 3) as u8, 1]);
        }
        assert!(record::decode_grid::<MAX_NODES>(&bytes).is_err());
        assert!(record::decode_setup(&bytes).is_err());
    }
}

/// A chip full of bytes that pass the check value: fields are random, length and nodes often fit.
fn repaired_garbage<M: Medium>(random: &mut Random) -> Cells {
    let mut chip = M::blank();
    for number in 0..4 {
        let range = slot::<M>(number);
        let template = if number < 2 { value(true, 0) } else { value(false, random.below(6)) };
        let mut bytes = [0; BUFFER];
        let length = match &template {
            Value::Setup(setup) => record::encode_setup(*setup, random.draw() as u32, &mut bytes),
            Value::Grid(stored) => record::encode_grid(stored, random.draw() as u32, &mut bytes),
        }
        .unwrap();
        for _ in 0..random.below(6) {
            // Past the slot, and sometimes before: layout, kind, length, sequence.
            let address = if random.below(3) == 0 { 4 + random.below(8) } else { 20 + random.below(length - 24) };
            bytes[address] = match random.below(3) {
                0 => random.draw() as u8,
                1 => [0, 1, 2, 3, 0x7F, 0x80, 0xFF][random.below(7)],
                _ => bytes[address] ^ 1 << random.below(8),
            };
        }
        // Two in three belong to their slot, as far as the bytes changed above let them.
        if random.below(3) > 0 {
            let unit = chip.slots().unit() as u16;
            bytes[12..14].copy_from_slice(&(number as u16).to_le_bytes());
            bytes[14..16].copy_from_slice(&unit.to_le_bytes());
            bytes[16..20].copy_from_slice(&M::region().slot_size.to_le_bytes());
        }
        repair(&mut bytes);
        let cells = &mut chip.bus().cells.bytes;
        cells[range.start..range.start + BUFFER].copy_from_slice(&bytes);
        if random.below(2) == 1 {
            let crc: Vec<u8> = bytes[length - 4..length].iter().map(|byte| !byte).collect();
            let size = (range.end - range.start - BUFFER) / 2 / 4 * 4;
            cells[range.end - size..range.end - size + 4].copy_from_slice(&crc);
        }
    }
    chip.bus().cells.clone()
}

/// Garbage past the check value is a value within all ranges or an error; reads have a bound; a save over it
/// succeeds and is found.
fn repaired<M: Medium>() {
    let mut random = Random(u64::from(u32::from(M::LETTER)));
    let (mut values, mut errors, mut newer, mut most_read) = (0, 0, 0, 0);
    for _ in 0..20_000 {
        let cells = repaired_garbage::<M>(&mut random);
        for setup in [false, true] {
            let mut chip = M::with_cells(cells.clone());
            let found = Real.load(chip.slots(), setup);
            most_read = most_read.max(chip.bus().counts.bytes_read);
            match &found {
                Found::Value(Value::Grid(stored)) => {
                    // Within all ranges, or it could not be written again.
                    record::encode_grid(stored, 0, &mut [0; BUFFER]).unwrap();
                    values += 1;
                }
                Found::Value(Value::Setup(_)) => values += 1,
                Found::Nothing => errors += 1,
                Found::Failed => panic!("the bus did not fail"),
            }
            // Flash cannot be written over what it does not know as programmed; the double takes it for erased.
            let saved = value(setup, 5);
            match Real.save(chip.slots(), &saved) {
                Ok(_) => assert_eq!(Real.load(chip.slots(), setup), Found::Value(saved)),
                Err("other geometry") => assert!(setup && found == Found::Nothing),
                Err("newer layout") => {
                    assert_eq!(found, Found::Nothing);
                    assert_eq!(chip.bus().cells, cells, "a newer record is not touched");
                    newer += 1;
                }
                Err(error) => panic!("{error}"),
            }
        }
    }
    println!(
        "medium {}, repaired garbage: {values} values, {errors} errors, {newer} newer, {most_read} bytes read at most",
        M::LETTER
    );
    assert!(values > 1000 && errors > 1000 && newer > 10);
    // Two slots: a record and two seals each; flash rounds up what it reads.
    assert!(most_read <= 2 * (BUFFER + 4 + 2 * 4 + 4), "{most_read}");
}

#[test]
fn garbage_past_the_check_value() {
    repaired::<ByteChip>();
    repaired::<I2cChip>();
    repaired::<NorChip>();
}

/// The n-th call fails, once and for ever.
#[test]
fn every_call_fails() {
    let mut runs = 0;
    for scenario in Scenario::ALL {
        runs += failing_calls::<ByteChip>(&Real, scenario).unwrap();
        runs += failing_calls::<I2cChip>(&Real, scenario).unwrap();
        runs += failing_calls::<NorChip>(&Real, scenario).unwrap();
    }
    println!("failing calls: {runs}");
}

/// Every cell of both slots, worn in every way.
#[test]
fn every_cell_wears_out() {
    let mut runs = 0;
    for scenario in [Scenario::First, Scenario::Overwrite, Scenario::Setup] {
        runs += worn_cells::<ByteChip>(&Real, scenario).unwrap();
        runs += worn_cells::<I2cChip>(&Real, scenario).unwrap();
        runs += worn_cells::<NorChip>(&Real, scenario).unwrap();
    }
    println!("worn cells: {runs}");
}

/// What the golden images hold: written by a program of its own, not by this crate.
fn golden(layout: u8) -> StoredGrid<CAPACITY> {
    let lattice =
        Lattice { x0_um: 20_000, y0_um: -20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };
    let is_new = layout > 1;
    StoredGrid {
        grid: HeightGrid::new(lattice, &[0, 150, 0, 150, 300, 150, 0, -150, -MAX_HEIGHT_UM]).unwrap(),
        shift_um: -120,
        fade: Some(Fade::new(400, 18_000).unwrap()),
        bed_temperature_c: 65,
        setup: 41,
        closure_um: if is_new { -17 } else { 0 },
        closure_accepted: is_new,
        surface: if is_new { Surface::Refined } else { Surface::Bilinear },
        tie: if layout > 3 { Tie::new(2, 37) } else { None },
    }
}

const GRID_1: &[u8; 70] = include_bytes!("../src/golden/grid_layout_1.bin");
const GRID_2: &[u8; 72] = include_bytes!("../src/golden/grid_layout_2.bin");
/// For slot 3 of 112 bytes in units of 16: the double of an I2C memory.
const GRID_3: &[u8; 80] = include_bytes!("../src/golden/grid_layout_3.bin");
/// The same, and tied.
const GRID_4: &[u8; 80] = include_bytes!("../src/golden/grid_layout_4.bin");
/// Of a program that is not written yet.
const GRID_5: &[u8; 96] = include_bytes!("../src/golden/grid_layout_5.bin");
const SETUP_1: &[u8; 20] = include_bytes!("../src/golden/setup_layout_1.bin");
const SETUP_2: &[u8; 20] = include_bytes!("../src/golden/setup_layout_2.bin");
/// For slot 0 of the same double.
const SETUP_3: &[u8; 28] = include_bytes!("../src/golden/setup_layout_3.bin");
const SETUP_4: &[u8; 28] = include_bytes!("../src/golden/setup_layout_4.bin");

/// A record of every layout there was is read; the newest is written, byte for byte.
#[test]
fn golden_images_of_every_layout() {
    let record = record::decode_grid::<CAPACITY>(GRID_1).unwrap();
    assert_eq!((record.version, record.sequence, record.value), (1, u32::MAX - 1, golden(1)));
    let record = record::decode_grid::<CAPACITY>(GRID_2).unwrap();
    assert_eq!((record.version, record.sequence, record.value), (2, 5, golden(2)));
    let record = record::decode_grid::<CAPACITY>(GRID_3).unwrap();
    assert_eq!((record.version, record.sequence, record.value), (3, 5, golden(3)));
    let record = record::decode_grid::<CAPACITY>(GRID_4).unwrap();
    let binding = record::Binding { slot: 3, unit: 16, slot_size: 112 };
    assert_eq!((record.version, record.sequence, record.value), (4, 5, golden(4)));
    assert_eq!(record.binding, Some(binding));
    let mut bytes = [0; 80];
    assert_eq!(record::encode_grid(&golden(4), 0, &mut bytes), Ok(80));
    record::bind(&mut bytes, 5, binding).unwrap();
    assert_eq!(bytes, *GRID_4);
    for (image, version) in [(&SETUP_1[..], 1), (SETUP_2, 2), (SETUP_3, 3), (SETUP_4, 4)] {
        let record = record::decode_setup(image).unwrap();
        assert_eq!((record.version, record.sequence, record.value), (version, 9, 41));
    }
    assert_eq!(record::encode_setup(41, 0, &mut bytes), Ok(28));
    record::bind(&mut bytes[..28], 9, record::Binding { slot: 0, ..binding }).unwrap();
    assert_eq!(bytes[..28], *SETUP_4);
    // The helpers that put old layouts into the searches make the same bytes.
    assert_eq!(layout_1(&Value::Grid(golden(1)), u32::MAX - 1), GRID_1);
    assert_eq!(layout_1(&Value::Setup(41), 9), SETUP_1);
    assert_eq!(layout_2(&Value::Grid(golden(2)), 5), GRID_2);
    assert_eq!(layout_2(&Value::Setup(41), 9), SETUP_2);
    assert_eq!(record::decode_grid::<CAPACITY>(GRID_5), Err(RecordError::NewerLayout { version: 5 }));
}

/// A chip with these bytes at the beginning of slots.
fn with_records<M: Medium>(records: &[(u32, &[u8])]) -> M {
    let mut chip = M::blank();
    for (number, bytes) in records {
        let first = slot::<M>(*number).start;
        chip.bus().cells.bytes[first..first + bytes.len()].copy_from_slice(bytes);
    }
    chip
}

/// An old record is loaded, and the next save writes the newest layout to the other slot.
fn migration<M: Medium>() {
    let mut chip = with_records::<M>(&[(3, GRID_1), (0, SETUP_1)]);
    let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
    let loaded = store.load_grid(0).unwrap();
    assert_eq!((&loaded.value, loaded.version, loaded.other), (&golden(1), 1, OtherSlot::Damaged));
    // The same value, but in an old layout: written.
    assert_eq!(store.save_grid(0, &golden(1)).unwrap(), Saved::Written);
    assert_eq!(store.save_grid(0, &golden(1)).unwrap(), Saved::Unchanged);
    let loaded = store.load_grid(0).unwrap();
    assert_eq!((loaded.value, loaded.version, loaded.sequence), (golden(1), LAYOUT_VERSION, u32::MAX));
    assert_eq!(loaded.other, OtherSlot::Earlier);
    assert_eq!(store.load_setup().unwrap().value, 41);
    assert_eq!(store.save_setup(42).unwrap(), Saved::Written);
    assert_eq!(store.load_setup().unwrap().value, 42);
    drop(store);
    let first = slot::<M>(3).start;
    assert_eq!(chip.bus().cells.bytes[first..first + 70], *GRID_1);
}

/// A newer record is refused by name and kept, also beside one of ours, until its place is freed.
fn downgrade<M: Medium>() {
    let mut fitting = GRID_2.to_vec();
    fitting[4] = 9;
    repair(&mut fitting);
    // Longer than any record of this store, where a slot has room for it, and as long.
    let is_roomy = slot::<M>(0).len() >= GRID_5.len() + 2 * 16;
    for (newer, version) in [(&GRID_5[..], 5), (&fitting, 9)].into_iter().skip(usize::from(!is_roomy)) {
        for ours in [None, Some((2, &GRID_1[..]))] {
            let records: Vec<(u32, &[u8])> = [(3, newer)].into_iter().chain(ours).collect();
            let mut chip = with_records::<M>(&records);
            let before = chip.bus().cells.clone();
            let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
            assert!(matches!(store.load_grid(0), Err(StoreError::NewerLayout { version: found }) if found == version));
            let refused = store.save_grid(0, &golden(2)).map_err(|error| match error {
                StoreError::NewerLayout { version } => Some(version),
                _ => None,
            });
            assert_eq!(refused, Err(Some(version)));
            drop(store);
            assert_eq!(chip.bus().cells, before);
            let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
            store.forget_grid(0).unwrap();
            assert!(matches!(store.load_grid(0), Err(StoreError::Empty)));
            assert_eq!(store.save_grid(0, &golden(2)).unwrap(), Saved::Written);
            assert_eq!(store.load_grid(0).unwrap().value, golden(2));
            // Damage that only looks newer is written over.
            drop(store);
            let mut torn = newer.to_vec();
            torn[20] ^= 1;
            let mut chip = with_records::<M>(&[(3, &torn)]);
            let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
            assert!(matches!(store.load_grid(0), Err(StoreError::Damaged)));
            assert_eq!(store.save_grid(0, &golden(2)).unwrap(), Saved::Written);
        }
    }
}

#[test]
fn old_and_new_layouts_in_the_store() {
    migration::<ByteChip>();
    migration::<I2cChip>();
    migration::<NorChip>();
    downgrade::<NorChip>();
    downgrade::<I2cChip>();
    downgrade::<ByteChip>();
}

/// Power fails while a place is freed: its grid is found, or none, never an earlier one.
fn forgetting<M: Medium>() {
    let (cells, before) = Scenario::Overwrite.start::<M>(&Real);
    let mut chip = M::with_cells(cells.clone());
    chip.bus().journal = Some(Vec::new());
    Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap().forget_grid(0).unwrap();
    assert_eq!(load_grid::<M>(&chip.bus().cells.clone()), Found::Nothing);
    let newest = Found::Value(before.unwrap());
    let mut whole = cells;
    for step in chip.bus().journal.take().unwrap() {
        for place in step.places() {
            for &torn in M::torn_states() {
                let mut cut = whole.clone();
                cut.tear(&step, place, torn, &mut Random(1));
                let found = load_grid::<M>(&cut);
                assert!(found == newest || found == Found::Nothing, "{place:?} {torn:?}: {found:?}");
            }
        }
        whole.apply(&step);
    }
}

#[test]
fn power_fails_while_a_place_is_freed() {
    forgetting::<ByteChip>();
    forgetting::<I2cChip>();
    forgetting::<NorChip>();
}

/// A save that was cut short is told apart from an earlier one and from none, and is gone after the next save.
#[test]
fn what_the_other_slot_holds_is_reported() {
    let (cells, _) = Scenario::Overwrite.start::<ByteChip>(&Real);
    let (Value::Grid(newest), Value::Grid(next)) = (value(false, 1), value(false, 2)) else { panic!("no grids") };
    let loaded = |chip: &mut ByteChip| {
        let loaded = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap().load_grid(0).unwrap();
        (loaded.value, loaded.other)
    };
    let mut chip = ByteChip::with_cells(cells.clone());
    assert_eq!(loaded(&mut chip), (newest.clone(), OtherSlot::Earlier));
    // Cut between fields and header, and between check value and seal.
    for step in [58, 70] {
        let mut chip = ByteChip::with_cells(cells.clone());
        chip.bus().cut = Some(Cut { step, place: Place::Grain(0), torn: Torn::Old, reading: 0 });
        Real.save(chip.slots(), &Value::Grid(next.clone())).unwrap_err();
        let mut later = ByteChip::with_cells(chip.bus().cells.clone());
        assert_eq!(loaded(&mut later), (newest.clone(), OtherSlot::Damaged), "step {step}");
        assert_eq!(Real.save(later.slots(), &Value::Grid(newest.clone())), Ok(Saved::Written));
        assert_eq!(loaded(&mut later), (newest.clone(), OtherSlot::Earlier));
    }
}

/// Places are apart, and their number is that of the slots.
#[test]
fn places_and_sizes() {
    let mut chip = ByteChip::blank();
    let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
    assert_eq!(store.places(), 1);
    assert!(matches!(store.load_grid(1), Err(StoreError::NoSuchPlace { place: 1, places: 1 })));
    assert!(matches!(store.load_grid(0), Err(StoreError::Empty)));
    drop(store);
    // The slots of the double are made for 9 nodes.
    let is_too_small = matches!(
        Store::<_, 10, { max_record_size(10) }>::new(chip.slots()),
        Err(StoreError::Memory { slot_size: 90, slot_count: 4 })
    );
    assert!(is_too_small);
    let mut unfit = golden(2);
    unfit.shift_um = 9000;
    let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
    let is_refused = matches!(store.save_grid(0, &unfit), Err(StoreError::Value(RecordError::Correction(_))));
    assert!(is_refused);
    drop(store);
    assert_eq!(chip.bus().counts.writes, 0);
}
