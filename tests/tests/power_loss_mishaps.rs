//! What is promised beside power cuts: single lies of a memory, writes that are lost, another program's memory, ends of
//! sequences. The store's documentation names these tests.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use core::fmt::Debug;

use gapkeeper::memory::SlotMemory;
use gapkeeper::record;
use gapkeeper::{OtherSlot, Saved, Store, StoreError};
use gapkeeper_tests::media::{ByteChip, Cells, I2cChip, Lie, Medium, NorChip, Random};
use gapkeeper_tests::power_cuts::Scenario;
use gapkeeper_tests::stores::{BUFFER, CAPACITY, Found, Real, Subject, Value, bind, seal_offsets, value};

type TestStore<M> = Store<M, CAPACITY, BUFFER>;

fn store<M: SlotMemory<Error: Debug>>(memory: M) -> TestStore<M> {
    TestStore::new(memory).unwrap()
}

/// Setups that were stored one after the other.
fn life<M: Medium>(setups: &[u32]) -> Cells {
    let mut chip = M::blank();
    let mut store = store(chip.slots());
    for (index, &setup) in setups.iter().enumerate() {
        match index {
            0 => store.begin(setup).unwrap(),
            _ => assert_eq!(store.save_setup(setup).unwrap(), Saved::Written),
        }
    }
    drop(store);
    chip.bus().cells.clone()
}

fn setup_found<M: Medium>(cells: &Cells) -> Result<(u32, OtherSlot), &'static str> {
    setup_on::<M>(&mut M::with_cells(cells.clone()))
}

fn setup_on<M: Medium>(chip: &mut M) -> Result<(u32, OtherSlot), &'static str> {
    store(chip.slots()).load_setup().map(|loaded| (loaded.value, loaded.other)).map_err(|_| "none")
}

/// One read of a load lies: the newest setup is found, or none, or another one that counts as uncertain. Returns how
/// often an old setup counted as certain.
fn lies_in_a_load<M: Medium>(setups: &[u32]) -> u64 {
    let cells = life::<M>(setups);
    let newest = *setups.last().unwrap();
    assert_eq!(setup_found::<M>(&cells).unwrap().0, newest);
    let mut wrong = 0;
    for lie in Lie::ALL {
        for number in 0.. {
            let mut chip = M::with_cells(cells.clone());
            chip.bus().lie = Some((number, lie));
            let found = setup_on(&mut chip);
            wrong += u64::from(found.is_ok_and(|(setup, other)| setup != newest && other != OtherSlot::Damaged));
            if chip.bus().reads() <= number {
                break;
            }
        }
    }
    wrong
}

fn lies_in_loads<M: Medium>() {
    for count in 1..=4 {
        let setups = &[3, 4, 5, 6][..count];
        assert_eq!(lies_in_a_load::<M>(setups), 0, "medium {}, {count} setups", M::LETTER);
    }
}

#[test]
fn one_lie_while_a_setup_is_loaded() {
    lies_in_loads::<ByteChip>();
    lies_in_loads::<I2cChip>();
    lies_in_loads::<NorChip>();
}

/// One read of a save lies: what is acknowledged is found; after an error the value before or the new one. Later saves
/// succeed. Saved are a new setup, the current one again, and the one before it.
fn lies_in_a_save<M: Medium>() {
    let mut runs = 0;
    for (setups, new) in [(&[3, 4, 5][..], 6), (&[3, 4, 5], 5), (&[3, 4, 5], 4), (&[3, 4], 3), (&[3], 3), (&[3], 4)] {
        let cells = life::<M>(setups);
        let old = *setups.last().unwrap();
        for lie in Lie::ALL {
            for number in 0.. {
                let mut chip = M::with_cells(cells.clone());
                chip.bus().lie = Some((number, lie));
                let saved = store(chip.slots()).save_setup(new).map_err(|_| ());
                let what = format!("medium {}, {setups:?}, then {new}, {lie:?} {number}", M::LETTER);
                assert!(!chip.bus().was_misused, "{what}");
                let found = setup_found::<M>(&chip.bus().cells).map(|(setup, _)| setup);
                assert!(found == Ok(new) || saved.is_err() && found == Ok(old), "{what}: {saved:?}, {found:?}");
                let was_reached = chip.bus().reads() > number;
                let mut later = M::with_cells(chip.bus().cells.clone());
                store(later.slots()).save_setup(9).unwrap();
                assert_eq!(setup_found::<M>(&later.bus().cells), Ok((9, OtherSlot::Earlier)), "{what}");
                runs += 1;
                if !was_reached {
                    break;
                }
            }
        }
    }
    println!("medium {}, saves with one lie: {runs}", M::LETTER);
}

/// A plug that is out while a save looks for the setup: nothing is written over the one that is there.
fn nothing_beside<M: Medium>() {
    for content in [M::blank().bus().cells.clone(), contents::<M>().remove(1).1] {
        let mut chip = M::with_cells(content.clone());
        assert!(matches!(store(chip.slots()).save_setup(7), Err(StoreError::NotBegun)));
        assert_eq!(chip.bus().cells.bytes, content.bytes);
    }
}

#[test]
fn a_setup_is_saved_only_beside_another() {
    nothing_beside::<ByteChip>();
    nothing_beside::<I2cChip>();
    nothing_beside::<NorChip>();
}

#[test]
fn one_lie_while_a_setup_is_saved() {
    lies_in_a_save::<ByteChip>();
    lies_in_a_save::<I2cChip>();
    lies_in_a_save::<NorChip>();
}

/// One read of a beginning lies: what is acknowledged is certain; after an error beginning again is.
fn lies_in_a_beginning<M: Medium>() {
    for (name, cells) in contents::<M>() {
        for lie in Lie::ALL {
            for number in 0.. {
                let mut chip = M::with_cells(cells.clone());
                chip.bus().lie = Some((number, lie));
                let begun = store(chip.slots()).begin(4).map_err(|_| ());
                let was_reached = chip.bus().reads() > number;
                if begun.is_ok() {
                    let found = setup_found::<M>(&chip.bus().cells);
                    assert_eq!(found, Ok((4, OtherSlot::Earlier)), "{name}, {lie:?} {number}");
                }
                chip.bus().lie = None;
                store(chip.slots()).begin(5).unwrap();
                assert_eq!(setup_on(&mut chip), Ok((5, OtherSlot::Earlier)), "{name}, {lie:?} {number}");
                if !was_reached {
                    break;
                }
            }
        }
    }
}

#[test]
fn one_lie_while_a_memory_is_begun() {
    lies_in_a_beginning::<ByteChip>();
    lies_in_a_beginning::<I2cChip>();
    lies_in_a_beginning::<NorChip>();
}

/// One write or erase is reported as done and was none: nothing is acknowledged that is not found.
fn lost_write<M: Medium>() {
    let mut runs = 0;
    for scenario in Scenario::ALL {
        let (cells, before) = scenario.start::<M>(&Real);
        let old = before.map_or(Found::Nothing, Found::Value);
        let saved = scenario.saves()[0].clone();
        let new = Found::Value(saved.clone());
        for step in 0.. {
            let mut chip = M::with_cells(cells.clone());
            chip.bus().lost_step = Some(step);
            let outcome = Real.save(chip.slots(), &saved);
            let steps = chip.bus().counts.writes + chip.bus().counts.erases;
            let mut later = M::with_cells(chip.bus().cells.clone());
            let found = Real.load(later.slots(), scenario.is_setup());
            assert!(found == new || outcome.is_err() && found == old, "{scenario:?} {step}: {outcome:?}, {found:?}");
            Real.save(later.slots(), &saved).unwrap();
            assert_eq!(Real.load(later.slots(), scenario.is_setup()), new);
            runs += 1;
            if steps <= step {
                break;
            }
        }
    }
    // A place that is freed, and a beginning.
    let (cells, _) = Scenario::Overwrite.start::<M>(&Real);
    for step in 0..60 {
        let mut chip = M::with_cells(cells.clone());
        chip.bus().lost_step = Some(step);
        let freed = store(chip.slots()).forget_grid(0).is_ok();
        chip.bus().lost_step = None;
        let is_empty = matches!(store(chip.slots()).load_grid(0), Err(StoreError::Empty));
        assert!(!freed || is_empty, "freed, step {step}");
    }
    for step in 0..120 {
        let mut chip = M::blank();
        chip.bus().lost_step = Some(step);
        let is_begun = store(chip.slots()).begin(4).is_ok();
        let found = setup_found::<M>(&chip.bus().cells);
        assert!(!is_begun || found == Ok((4, OtherSlot::Earlier)), "begun, step {step}: {found:?}");
    }
    println!("medium {}, lost writes: {runs}", M::LETTER);
}

#[test]
fn a_write_that_is_reported_as_done_and_lost() {
    lost_write::<ByteChip>();
    lost_write::<I2cChip>();
    lost_write::<NorChip>();
}

/// Memories as they may be before the first start.
fn contents<M: Medium>() -> Vec<(&'static str, Cells)> {
    let filled = |name, bytes: &mut dyn FnMut(usize) -> u8| {
        let mut chip = M::blank();
        for (address, byte) in chip.bus().cells.bytes.iter_mut().enumerate() {
            *byte = bytes(address);
        }
        (name, chip.bus().cells.clone())
    };
    let mut random = Random(77);
    // A record of ours, but out of place: as a program leaves it whose slots lie elsewhere.
    let mut chip = M::blank();
    let setup = record_bytes(&value(true, 0));
    let first = M::region().first_address as usize;
    chip.bus().cells.bytes[first..first + setup.len()].copy_from_slice(&setup);
    let mut bound = M::blank();
    let mut record = record_bytes(&value(true, 0));
    record::bind(&mut record, 0, record::Binding { slot: 0, unit: 1, slot_size: 4000 }).unwrap();
    bound.bus().cells.bytes[first..first + record.len()].copy_from_slice(&record);
    vec![
        ("new", M::blank().bus().cells.clone()),
        filled("zeros", &mut |_| 0),
        filled("counting", &mut |address| address as u8),
        filled("text", &mut |address| b"settings v3; beep=1; "[address % 21]),
        filled("random", &mut |_| random.draw() as u8),
        ("a setup that belongs to no slot", chip.bus().cells.clone()),
        ("a setup of another geometry", bound.bus().cells.clone()),
    ]
}

fn record_bytes(value: &Value) -> Vec<u8> {
    let mut bytes = vec![0; BUFFER];
    let length = match value {
        Value::Grid(stored) => record::encode_grid(stored, 0, &mut bytes),
        Value::Setup(setup) => record::encode_setup(*setup, 0, &mut bytes),
    };
    bytes.truncate(length.unwrap());
    bytes
}

/// Nothing foreign is taken for a value; a beginning makes the memory ours.
fn foreign<M: Medium>() {
    for (name, cells) in contents::<M>() {
        let mut chip = M::with_cells(cells);
        let mut store = store(chip.slots());
        let setup = store.load_setup();
        match name {
            "new" | "zeros" => assert!(matches!(setup, Err(StoreError::Empty)), "{name}"),
            "a setup of another geometry" => {
                assert!(matches!(setup, Err(StoreError::OtherGeometry { .. })), "{name}");
                assert!(matches!(store.save_setup(3), Err(StoreError::OtherGeometry { .. })), "{name}");
            }
            _ => assert!(matches!(setup, Err(StoreError::Damaged)), "{name}"),
        }
        assert!(store.load_grid(0).is_err());
        store.begin(3).unwrap();
        let loaded = store.load_setup().unwrap();
        assert_eq!((loaded.value, loaded.other), (3, OtherSlot::Earlier), "{name}");
        let Value::Grid(grid) = value(false, 1) else { panic!("not a grid") };
        store.save_grid(0, &grid).unwrap();
        assert_eq!(store.load_grid(0).unwrap().value, grid, "{name}");
    }
}

#[test]
fn a_memory_with_foreign_content() {
    foreign::<ByteChip>();
    foreign::<I2cChip>();
    foreign::<NorChip>();
}

/// Power fails anywhere in the first start ever: no setup is found, or the one that was begun. A second beginning with
/// another setup is certain.
fn first_start<M: Medium>() {
    let mut images = 0;
    for (name, cells) in contents::<M>() {
        let mut chip = M::with_cells(cells.clone());
        chip.bus().journal = Some(Vec::new());
        store(chip.slots()).begin(4).unwrap();
        let mut whole = cells;
        for step in chip.bus().journal.take().unwrap() {
            for place in step.places() {
                for &torn in M::torn_states() {
                    let mut cut = whole.clone();
                    cut.tear(&step, place, torn, &mut Random(images));
                    images += 1;
                    if let Ok((setup, _)) = setup_found::<M>(&cut) {
                        assert_eq!(setup, 4, "{name}");
                    }
                    if cut.are_unstable() {
                        continue;
                    }
                    let mut later = M::with_cells(cut);
                    store(later.slots()).begin(5).unwrap();
                    assert_eq!(setup_found::<M>(&later.bus().cells), Ok((5, OtherSlot::Earlier)), "{name}");
                }
            }
            whole.apply(&step);
        }
        assert_eq!(setup_found::<M>(&whole), Ok((4, OtherSlot::Earlier)), "{name}");
    }
    println!("medium {}, first starts cut short: {images}", M::LETTER);
}

#[test]
fn the_first_start_ever_is_cut_anywhere() {
    first_start::<ByteChip>();
    first_start::<I2cChip>();
    first_start::<NorChip>();
}

/// A chip with finished setups in its two slots.
fn with_setups<M: Medium>(setups: [(u32, u32); 2]) -> M {
    let mut chip = M::blank();
    for (slot, (setup, sequence)) in setups.into_iter().enumerate() {
        let mut record = record_bytes(&Value::Setup(setup));
        let offsets = seal_offsets(&chip.slots());
        bind(&mut record, sequence, slot, &chip.slots());
        let seal: Vec<u8> = record[24..].iter().map(|byte| !byte).collect();
        let first = (M::region().first_address + M::region().slot_size * slot as u32) as usize;
        let cells = &mut chip.bus().cells.bytes;
        cells[first..first + record.len()].copy_from_slice(&record);
        for offset in offsets {
            cells[first + offset..first + offset + 4].copy_from_slice(&seal);
        }
    }
    chip
}

/// Numbers that cannot come from this store: the first slot counts, as uncertain, and a save puts it right.
fn equal_sequences<M: Medium>() {
    for (first, second) in [(7, 7), (0, 0), (u32::MAX, u32::MAX), (5, 5_u32.wrapping_add(1 << 31)), (9, 4)] {
        let mut chip = with_setups::<M>([(70, first), (71, second)]);
        assert_eq!(setup_found::<M>(&chip.bus().cells), Ok((70, OtherSlot::Damaged)), "{first} {second}");
        for setup in [70, 72] {
            assert_eq!(store(chip.slots()).save_setup(setup).unwrap(), Saved::Written);
            assert_eq!(setup_found::<M>(&chip.bus().cells), Ok((setup, OtherSlot::Earlier)));
        }
    }
}

#[test]
fn two_slots_with_equal_sequence() {
    equal_sequences::<ByteChip>();
    equal_sequences::<I2cChip>();
    equal_sequences::<NorChip>();
}

/// After 2^32 - 1 comes 1, not 0: so an empty slot beside it is one too many, as beside every save but the first.
fn end_of_sequences<M: Medium>() {
    let mut chip = with_setups::<M>([(70, u32::MAX - 1), (71, u32::MAX)]);
    assert_eq!(setup_found::<M>(&chip.bus().cells), Ok((71, OtherSlot::Earlier)));
    for (setup, sequence) in [(72, 1), (73, 2), (74, 3)] {
        let mut store = store(chip.slots());
        assert_eq!(store.save_setup(setup).unwrap(), Saved::Written);
        let loaded = store.load_setup().unwrap();
        assert_eq!((loaded.value, loaded.sequence, loaded.other), (setup, sequence, OtherSlot::Earlier));
        drop(store);
        // The newest reads as if it never was.
        let mut lying = M::with_cells(chip.bus().cells.clone());
        let slot = if sequence % 2 == 1 { 0 } else { 1 };
        let first = (M::region().first_address + M::region().slot_size * slot) as usize;
        lying.bus().cells.bytes[first..first + 28].fill(0xFF);
        assert_eq!(setup_found::<M>(&lying.bus().cells), Ok((setup - 1, OtherSlot::Damaged)));
    }
}

#[test]
fn sequence_numbers_at_their_end() {
    end_of_sequences::<ByteChip>();
    end_of_sequences::<I2cChip>();
    end_of_sequences::<NorChip>();
}
