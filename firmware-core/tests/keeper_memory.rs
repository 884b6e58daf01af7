//! What the keeper remembers through power cuts, and what it makes of memories that say nothing sure.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod keeper_support;

use gapkeeper::{
    Choice, Fade, KeeperError, KeeperSettings, LoadError, LoadReport, Order, SaveError, Saving, StoreError, StoredGrid,
    Unusable,
};
use keeper_support::{
    Cells, TestKeeper, TestStore, begin, bow_um, bytes_of, keeper_with, level_move, measure, settings, store, store_on,
    unread,
};

/// A machine whose memory was begun, homed at 60 C.
fn begun(memory: &mut TestStore) -> TestKeeper {
    let mut keeper = unread();
    keeper.begin_memory(memory).unwrap();
    keeper.temperature(60, 200, 0);
    keeper.homed();
    keeper
}

/// The bytes of a memory with one grid for 60 C in it.
fn measured() -> [u8; 1024] {
    let mut memory = store([0xFF; 1024], u32::MAX);
    let mut keeper = begun(&mut memory);
    measure(&mut keeper, 60, bow_um);
    keeper.save(&mut memory).unwrap();
    bytes_of(memory)
}

/// Switched on with that memory, and homed at 60 C.
fn started(bytes: [u8; 1024]) -> (TestKeeper, TestStore) {
    let (mut keeper, mut memory) = (unread(), store(bytes, u32::MAX));
    keeper.load(&mut memory).unwrap();
    keeper.temperature(60, 200, 0);
    keeper.homed();
    (keeper, memory)
}

#[test]
fn what_is_saved_comes_back_after_homing() {
    let mut memory = store([0xFF; 1024], u32::MAX);
    let mut keeper = begun(&mut memory);
    measure(&mut keeper, 60, bow_um);
    keeper.shift_by(2).unwrap();
    keeper.save(&mut memory).unwrap();
    assert!(!keeper.is_unsaved());
    let correction = keeper.correction_in_force().cloned();

    let mut keeper = unread();
    let mut memory = store(bytes_of(memory), u32::MAX);
    assert_eq!(keeper.load(&mut memory).unwrap(), LoadReport { grids: 1, ..LoadReport::default() });
    assert!(keeper.correction_in_force().is_none(), "not before homing");
    keeper.temperature(60, 200, 0);
    assert_eq!(keeper.homed(), Choice::Nearest { place: 0, off_c: 0 });
    assert_eq!(keeper.correction_in_force().cloned(), correction);
    assert!(!keeper.is_unsaved());
}

/// Power may fail at any byte while a turned screw is being saved: no stale grid ever comes back.
#[test]
fn a_turned_screw_survives_power_loss_at_any_byte() {
    let bytes = measured();
    let (mut kept, mut cut) = (0, 0);
    for writes_left in 0.. {
        let mut memory = store(bytes, writes_left);
        let mut keeper = unread();
        keeper.load(&mut memory).unwrap();
        assert_eq!(keeper.screw_turned(), Order::Wait);
        let acknowledged = keeper.save(&mut memory).is_ok();
        // The screw is turned after that; power fails or not, the next start must not trust the old grid.
        let choice = started(bytes_of(memory)).0.choice();
        if acknowledged {
            assert_eq!(choice, Choice::Stale, "after {writes_left} writes");
            kept += 1;
            break;
        }
        // Not acknowledged, so not turned: the old grid or none, but nothing else.
        assert!(matches!(choice, Choice::Stale | Choice::Nearest { place: 0, .. }), "{choice:?}");
        cut += 1;
    }
    assert!(kept == 1 && cut > 10, "{kept} {cut}");
}

/// A grid of 60 C, a screw turned and saved, one read that fails at the next start: the grid is never applied, nothing is
/// written over the setup, and a load that succeeds puts all right.
#[test]
fn one_failing_read_makes_no_stale_grid_valid() {
    let mut memory = store(measured(), u32::MAX);
    let mut keeper = unread();
    keeper.load(&mut memory).unwrap();
    assert_eq!(keeper.screw_turned(), Order::Wait);
    keeper.save(&mut memory).unwrap();
    let bytes = bytes_of(memory);
    let mut failed = 0;
    for n in 0.. {
        let mut memory = store(bytes, u32::MAX);
        let mut cells = memory.release().release();
        cells.failing_read = Some(n);
        memory = store_on(cells);
        let mut keeper = unread();
        if keeper.load(&mut memory).is_ok() {
            break;
        }
        failed += 1;
        keeper.temperature(60, 200, 0);
        assert_eq!(keeper.homed(), Choice::NotLoaded);
        assert_eq!((keeper.setup(), keeper.bank().grid(0)), (None, None));
        assert!(keeper.line(&level_move(200)).unwrap().count() == 1, "moves are taken, uncorrected");
        assert_eq!(begin(&mut keeper), Err(KeeperError::NotLoaded));
        assert_eq!(keeper.save(&mut memory), Err(SaveError::NotLoaded));
        keeper.load(&mut memory).unwrap();
        assert_eq!((keeper.homed(), keeper.setup()), (Choice::Stale, Some(2)));
        assert_eq!(bytes_of(memory), bytes, "nothing was written");
    }
    assert!(failed > 100, "{failed} reads failed");
}

/// An unplugged memory reads as if it were new: nobody begins anything on it without a word.
#[test]
fn a_memory_is_new_only_if_somebody_says_so() {
    let mut keeper = unread();
    let mut memory = store([0xFF; 1024], 0);
    for _ in 0..2 {
        assert_eq!(keeper.load(&mut memory), Err(LoadError::Blank));
        assert_eq!(keeper.setup(), None);
        assert_eq!(keeper.save(&mut memory), Err(SaveError::NotLoaded));
    }
    assert!(
        matches!(keeper.begin_memory(&mut memory), Err(LoadError::Store(StoreError::Access(_)))),
        "nothing is kept"
    );
    assert_eq!(keeper.setup(), None);
    let mut memory = store([0xFF; 1024], u32::MAX);
    keeper.begin_memory(&mut memory).unwrap();
    assert!(keeper.setup().is_some() && !keeper.is_unsaved());
    // Confirmed twice does no harm.
    let (mut keeper, mut memory) = started(measured());
    let setup = keeper.setup();
    keeper.begin_memory(&mut memory).unwrap();
    assert_eq!((keeper.setup(), keeper.homed()), (setup, Choice::Nearest { place: 0, off_c: 0 }));
}

#[test]
fn grids_without_a_setup_are_not_trusted() {
    let mut bytes = measured();
    // Both setup records are gone.
    let setups = 16..16 + 2 * gapkeeper::store::slot_size(9, 1);
    bytes[setups].fill(0x5A);
    let mut keeper = unread();
    let mut memory = store(bytes, u32::MAX);
    assert_eq!(keeper.load(&mut memory), Err(LoadError::Unexpected));
    assert_eq!(keeper.homed(), Choice::NotLoaded);
    assert_eq!(keeper.save(&mut memory), Err(SaveError::NotLoaded));
    // Somebody decides: the grid there belongs to no setup that is begun now.
    let report = keeper.begin_memory(&mut memory).unwrap();
    assert_eq!(report.grids, 1, "{report:?}");
    keeper.temperature(60, 200, 0);
    assert_eq!(keeper.homed(), Choice::Stale);
    assert_eq!(started(bytes_of(memory)).0.choice(), Choice::Stale);
}

/// The setup is lost, and a person confirms a first start while the memory is unplugged for the first reads. Grids hidden
/// by that must stay stale in every later setup.
#[test]
fn grids_that_are_hidden_while_a_memory_is_begun_stay_stale() {
    let mut bytes = measured();
    bytes[16..16 + 2 * gapkeeper::store::slot_size(9, 1)].fill(0xFF);
    for unplugged_reads in 0..500 {
        let cells = Cells { bytes, writes_left: u32::MAX, failing_read: None, unplugged_reads };
        let (mut keeper, mut memory) = (unread(), store_on(cells));
        if keeper.begin_memory(&mut memory).is_err() {
            continue;
        }
        keeper.temperature(60, 200, 0);
        for _ in 0..3 {
            assert_eq!(keeper.homed(), Choice::Stale, "{unplugged_reads} reads");
            let (loaded, stored) = started(bytes_of(memory));
            assert_eq!(loaded.choice(), Choice::Stale, "{unplugged_reads} reads, started anew");
            memory = stored;
            let _ = keeper.screw_turned();
            keeper.save(&mut memory).unwrap();
        }
    }
}

#[test]
fn a_screw_turned_before_the_memory_was_read_counts() {
    let mut memory = store(measured(), u32::MAX);
    let mut keeper = unread();
    assert_eq!(keeper.screw_turned(), Order::Wait);
    keeper.load(&mut memory).unwrap();
    keeper.temperature(60, 200, 0);
    assert_eq!(keeper.homed(), Choice::Stale);
    assert!(keeper.is_unsaved());
    keeper.save(&mut memory).unwrap();
    assert_eq!(started(bytes_of(memory)).0.choice(), Choice::Stale);
}

#[test]
fn nothing_unsaved_is_lost_by_a_load() {
    let (mut keeper, mut memory) = started(measured());
    keeper.shift_by(1).unwrap();
    let before = keeper.clone();
    assert_eq!(keeper.load(&mut memory), Err(LoadError::Unsaved));
    assert_eq!(keeper, before);
    keeper.save(&mut memory).unwrap();
    keeper.load(&mut memory).unwrap();
    assert_eq!(begin(&mut keeper), Ok(Order::Wait));
    let before = keeper.clone();
    assert_eq!(keeper.load(&mut memory), Err(LoadError::SurveyUnderWay));
    assert_eq!(keeper, before);
    let mut keeper = keeper_with(settings());
    assert_eq!(keeper.load(&mut memory), Err(LoadError::WithoutMemory));
    assert_eq!(keeper.save(&mut memory), Err(SaveError::WithoutMemory));
}

/// A fade of 400 um cannot take a bow of 600 um: found at the survey's end, kept all the same, and no obstacle to others.
#[test]
fn a_result_that_cannot_come_into_force_is_kept_and_says_why() {
    let short = KeeperSettings { fade: Some(Fade::new(0, 400).unwrap()), ..settings() };
    let mut memory = store([0xFF; 1024], u32::MAX);
    let mut keeper = TestKeeper::new(short).unwrap();
    keeper.begin_memory(&mut memory).unwrap();
    keeper.homed();
    measure(&mut keeper, 60, |x_um, y_um| bow_um(x_um, y_um) * 4);
    let Choice::Unusable { place: 0, why: why @ Unusable::Correction(_) } = keeper.choice() else {
        panic!("{:?}", keeper.choice())
    };
    assert!(keeper.correction_in_force().is_none() && keeper.status().to_string().contains("fade short"), "{why}");
    measure(&mut keeper, 100, |_, _| 50);
    assert_eq!(keeper.choice(), Choice::Nearest { place: 1, off_c: 0 });
    keeper.save(&mut memory).unwrap();
    let (mut keeper, mut memory) = started(bytes_of(memory));
    assert!(matches!(keeper.choice(), Choice::Unusable { place: 0, .. }), "{:?}", keeper.choice());
    // Another fade brings it into force, and is remembered with it.
    assert!(matches!(keeper.set_fade(Some(Fade::new(0, 500).unwrap())), Err(KeeperError::Unusable(_))));
    assert!(matches!(keeper.choice(), Choice::Unusable { place: 0, .. }));
    keeper.set_fade(Some(Fade::new(0, 8000).unwrap())).unwrap();
    assert!(keeper.correction_in_force().is_some());
    keeper.save(&mut memory).unwrap();
    assert_eq!(started(bytes_of(memory)).0.choice(), Choice::Nearest { place: 0, off_c: 0 });
}

#[test]
fn a_grid_that_cannot_be_saved_is_no_obstacle_to_the_others() {
    let mut memory = store([0xFF; 1024], u32::MAX);
    let mut keeper = begun(&mut memory);
    for (bed_c, off_um) in [(60, 0), (100, 50), (80, 90)] {
        measure(&mut keeper, bed_c, |x_um, y_um| bow_um(x_um, y_um) + off_um);
    }
    keeper.save(&mut memory).unwrap();
    for place in 0..3 {
        let grid = keeper.bank().grid(place).unwrap().clone();
        keeper.adopt(StoredGrid { shift_um: 30, ..grid }).unwrap();
    }
    // The first place was written by a newer program meanwhile.
    let mut bytes = bytes_of(memory);
    let slot_size = gapkeeper::store::slot_size(9, 1);
    for slot in [2, 3] {
        let record = &mut bytes[16 + slot * slot_size..][..slot_size];
        record[4] = 200;
        let length = usize::from(u16::from_le_bytes([record[6], record[7]]));
        if length < slot_size {
            let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&record[..length - 4]).to_le_bytes();
            record[length - 4..length].copy_from_slice(&crc);
        }
    }
    let mut memory = store(bytes, u32::MAX);
    let Err(SaveError::Grids([Some(StoreError::NewerLayout { version: 200 }), None, None])) = keeper.save(&mut memory)
    else {
        panic!("the first place only")
    };
    assert!(keeper.is_unsaved());
    let (keeper, _) = started(bytes_of(memory));
    assert_eq!([1, 2].map(|place| keeper.bank().grid(place).unwrap().shift_um), [30; 2]);
}

#[test]
fn more_grids_than_places_are_found_at_the_first_load() {
    let mut keeper = gapkeeper::Keeper::<9, 225, 4>::new(settings()).unwrap();
    let mut memory = store([0xFF; 1024], u32::MAX);
    assert_eq!(keeper.load(&mut memory), Err(LoadError::TooFewPlaces { places: 3, grids: 4 }));
    assert_eq!(keeper.begin_memory(&mut memory), Err(LoadError::TooFewPlaces { places: 3, grids: 4 }));
}

/// What a save by steps stores is what a save at once stores, and each step writes one byte at the most.
#[test]
fn a_save_by_steps_is_the_same_save() {
    let (mut keeper, mut memory) = started(measured());
    assert_eq!(keeper.screw_turned(), Order::Wait);
    measure(&mut keeper, 60, |x_um, y_um| bow_um(x_um, y_um) + 40);
    measure(&mut keeper, 100, bow_um);
    let mut at_once = store(measured(), u32::MAX);
    keeper.clone().save(&mut at_once).unwrap();

    let mut steps = 0;
    assert_eq!(keeper.save_step(&mut memory), Ok(Saving::Working));
    assert!(keeper.is_unsaved(), "not before the last step");
    while keeper.save_step(&mut memory).unwrap() == Saving::Working {
        steps += 1;
    }
    assert!(steps > 100 && !keeper.is_unsaved(), "{steps}");
    assert_eq!(bytes_of(memory), bytes_of(at_once));
}

/// Whatever is changed between two steps is saved too, and a turned screw before anything else.
#[test]
fn a_screw_turned_in_the_middle_of_a_save_goes_first() {
    for step in 0..250 {
        let (mut keeper, mut memory) = started(measured());
        measure(&mut keeper, 60, |x_um, y_um| bow_um(x_um, y_um) + 40);
        for _ in 0..step {
            let _ = keeper.save_step(&mut memory).unwrap();
        }
        let setup = keeper.setup().unwrap();
        assert_eq!(keeper.screw_turned(), Order::Wait);
        assert!(keeper.is_unsaved());
        // No more steps than a setup takes: then the screw may be turned, and power may fail.
        for _ in 0..60 {
            if keeper.save_step(&mut memory).unwrap() == Saving::Done {
                break;
            }
        }
        let (again, _) = started(bytes_of(memory));
        assert_eq!((again.setup(), again.choice()), (Some(setup + 1), Choice::Stale), "after {step} steps");
    }
}

#[test]
fn a_shift_in_the_middle_of_a_save_is_not_lost() {
    for step in [1, 20, 60, 100, 104, 105, 106] {
        let (mut keeper, mut memory) = started(measured());
        keeper.shift_by(1).unwrap();
        for _ in 0..step {
            let _ = keeper.save_step(&mut memory).unwrap();
        }
        keeper.shift_by(1).unwrap();
        while keeper.save_step(&mut memory).unwrap() == Saving::Working {}
        assert!(!keeper.is_unsaved());
        let (keeper, _) = started(bytes_of(memory));
        assert_eq!(keeper.bank().grid(0).unwrap().shift_um, 20, "after {step} steps");
    }
}

/// The store may be used for something else between two steps, and a step may fail: nothing is taken for saved.
#[test]
fn a_save_by_steps_that_is_disturbed_is_carried_on() {
    let (mut keeper, mut memory) = started(measured());
    keeper.shift_by(1).unwrap();
    for _ in 0..50 {
        let _ = keeper.save_step(&mut memory).unwrap();
    }
    memory.load_setup().unwrap();
    assert!(keeper.is_unsaved());
    while keeper.save_step(&mut memory).unwrap() == Saving::Working {}
    assert_eq!(started(bytes_of(memory)).0.bank().grid(0).unwrap().shift_um, 10);

    let (mut keeper, memory) = started(measured());
    keeper.shift_by(1).unwrap();
    let mut memory = store(bytes_of(memory), 30);
    let (mut failed, mut done) = (0_u32, 0_u32);
    for _ in 0..1000 {
        match keeper.save_step(&mut memory) {
            Ok(Saving::Working) => {}
            Ok(Saving::Done) => done += 1,
            Err(SaveError::Grids([Some(StoreError::Access(_)), None, None])) => failed += 1,
            Err(error) => panic!("{error}"),
        }
    }
    assert!(failed > 1 && failed.abs_diff(done) <= 1, "tried again after each end: {failed} {done}");
    assert!(keeper.is_unsaved());
}

/// Two grids that cannot be stored: each is told once, and the save ends.
#[test]
fn a_memory_that_fails_for_good_ends_a_save() {
    let (mut keeper, memory) = started(measured());
    measure(&mut keeper, 100, bow_um);
    measure(&mut keeper, 60, |x_um, y_um| bow_um(x_um, y_um) + 40);
    let mut memory = store(bytes_of(memory), 0);
    let failed = keeper.save(&mut memory);
    assert!(matches!(failed, Err(SaveError::Grids([Some(_), Some(_), None]))), "{failed:?}");
    assert!(keeper.is_unsaved());
    let mut failed = 0;
    while keeper.save_step(&mut memory) != Ok(Saving::Done) {
        failed += 1;
        assert!(failed < 200, "no end");
    }
}
