//! Saves and loads by steps: what is left of one that is not carried on, and how long each step takes.
//!
//! Run with `-- --nocapture` for the times; the table in the store's documentation is made of them.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::memory::SlotMemory;
use gapkeeper::{HeightGrid, Keeper, KeeperSettings, Lattice, Progress, Saved, Store, StoreError, StoredGrid, Surface};
use gapkeeper_tests::media::{ByteChip, Clock, I2cChip, Medium, NorChip, PartTimes};
use gapkeeper_tests::power_cuts::Scenario;
use gapkeeper_tests::stores::{BUFFER, CAPACITY, Found, Real, Subject, Value, value};

fn grid(index: usize) -> StoredGrid<CAPACITY> {
    let Value::Grid(stored) = value(false, index) else { panic!("not a grid") };
    stored
}

/// A save that is left after any step leaves what a power cut there would; the same store goes on.
fn left_alone<M: Medium>() {
    let (cells, before) = Scenario::Overwrite.start::<M>(&Real);
    let (old, new, next) = (Found::Value(before.unwrap()), grid(2), grid(5));
    for steps in 0.. {
        let mut chip = M::with_cells(cells.clone());
        let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
        store.start_save_grid(0, &new).unwrap();
        let mut progress = Progress::Working;
        for _ in 0..steps {
            progress = store.step().unwrap();
        }
        let is_done = progress != Progress::Working;
        let found = store.load_grid(0).map_or(Found::Nothing, |loaded| Found::Value(Value::Grid(loaded.value)));
        assert!(found == old || found == Found::Value(Value::Grid(new.clone())), "after {steps} steps: {found:?}");
        assert_eq!(store.save_grid(0, &next).unwrap(), Saved::Written);
        assert_eq!(store.load_grid(0).unwrap().value, next);
        assert_eq!(store.step().unwrap(), Progress::Idle);
        drop(store);
        assert!(!chip.bus().was_misused);
        if is_done {
            assert_eq!(progress, Progress::Saved(Saved::Written));
            assert!(steps > 10);
            break;
        }
    }
}

#[test]
fn a_save_that_is_left_alone() {
    left_alone::<ByteChip>();
    left_alone::<I2cChip>();
    left_alone::<NorChip>();
}

/// What a load has found is handed over once, when it is complete, as what it is; an error ends a job.
#[test]
fn jobs_end_as_they_began() {
    let mut chip = ByteChip::blank();
    let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
    assert_eq!(store.step().unwrap(), Progress::Idle);
    assert!(matches!(store.loaded_grid(), Err(StoreError::NotLoaded)));
    store.start_save_grid(0, &grid(0)).unwrap();
    while store.step().unwrap() == Progress::Working {}
    store.start_load_grid(0).unwrap();
    while store.step().unwrap() == Progress::Working {
        assert!(matches!(store.loaded_grid(), Err(StoreError::NotLoaded)));
    }
    assert_eq!(store.step().unwrap(), Progress::Loaded);
    assert!(matches!(store.loaded_setup(), Err(StoreError::NotLoaded)));
    assert_eq!(store.loaded_grid().unwrap().value, grid(0));
    assert!(matches!(store.loaded_grid(), Err(StoreError::NotLoaded)));
    // An error ends a job.
    store.start_load_setup();
    assert_eq!(store.step().unwrap(), Progress::Working);
    assert!(matches!(store.step(), Err(StoreError::Empty)));
    assert_eq!(store.step().unwrap(), Progress::Idle);
    assert!(matches!(store.start_save_grid(1, &grid(0)), Err(StoreError::NoSuchPlace { place: 1, places: 1 })));
}

fn nine_stations(shift_um: i16) -> StoredGrid<CAPACITY> {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 90_000, pitch_y_um: 90_000, columns: 3, rows: 3 };
    StoredGrid {
        grid: HeightGrid::new(lattice, &[0, 10, 20, 30, 300, 50, 60, 70, 80]).unwrap(),
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

/// Steps, the longest step and the whole time of a job, in units of 0.1 ms, rounded up.
type Times = (usize, u64, u64);

fn timed<M: SlotMemory>(
    store: &mut Store<M, CAPACITY, BUFFER>,
    clock: &Clock,
    pause_ns: u64,
) -> Result<Times, StoreError<M::Error>> {
    let (mut steps, mut longest_ns, mut all_ns) = (0, 0, 0);
    loop {
        let before_ns = clock.now_ns();
        let progress = store.step()?;
        let step_ns = clock.now_ns() - before_ns;
        (steps, longest_ns, all_ns) = (steps + 1, step_ns.max(longest_ns), all_ns + step_ns);
        if progress != Progress::Working {
            return Ok((steps, longest_ns.div_ceil(100_000), all_ns.div_ceil(100_000)));
        }
        clock.pass_ns(pause_ns);
    }
}

/// A grid of nine stations saved over two others, a setup over two others, and that grid loaded.
fn times<M: Medium>(name: &str, times: PartTimes, pause_ns: u64) -> [Times; 3] {
    let mut chip = M::blank();
    chip.bus().times = times;
    let clock = chip.bus().clock.clone();
    let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
    store.begin(1).unwrap();
    for shift_um in [1, 2] {
        store.save_grid(0, &nine_stations(shift_um)).unwrap();
    }
    store.start_save_grid(0, &nine_stations(3)).unwrap();
    let grid = timed(&mut store, &clock, pause_ns).unwrap();
    store.start_save_setup(2).unwrap();
    let setup = timed(&mut store, &clock, pause_ns).unwrap();
    store.start_load_grid(0).unwrap();
    let load = timed(&mut store, &clock, pause_ns).unwrap();
    assert_eq!(store.loaded_grid().unwrap().value, nine_stations(3));
    for (job, (steps, longest, all)) in [("grid", grid), ("setup", setup), ("load", load)] {
        let [longest, all] = [longest, all].map(|tenths| tenths as f64 / 10.0);
        println!("{name}: {job}: {steps} steps, longest {longest} ms, all {all} ms");
    }
    [grid, setup, load]
}

/// A grid saved, a setup saved, a grid loaded; the table in the store's documentation.
#[test]
fn how_long_steps_and_saves_take() {
    let pause_ns = 10_000_000;
    let bytes = times::<ByteChip>("EEPROM by bytes", PartTimes::BYTE_EEPROM, 0);
    assert_eq!(bytes, [(105, 34, 2992), (47, 34, 1224), (12, 0, 0)]);
    let slow = times::<I2cChip>("I2C 100 kHz", PartTimes::I2C_100_KHZ, 0);
    assert_eq!(slow, [(24, 91, 777), (15, 84, 393), (12, 35, 198)]);
    let slow = times::<I2cChip>("I2C 100 kHz, a step each 10 ms", PartTimes::I2C_100_KHZ, pause_ns);
    assert_eq!(slow, [(24, 35, 388), (15, 29, 171), (12, 35, 198)]);
    let fast = times::<I2cChip>("I2C 400 kHz", PartTimes::I2C_400_KHZ, 0);
    assert_eq!(fast, [(24, 61, 457), (15, 59, 249), (12, 9, 50)]);
    let fast = times::<I2cChip>("I2C 400 kHz, a step each 10 ms", PartTimes::I2C_400_KHZ, pause_ns);
    assert_eq!(fast, [(24, 9, 97), (15, 8, 43), (12, 9, 50)]);
    let flash = times::<NorChip>("flash, small pages", PartTimes::SMALL_PAGES, 0);
    assert_eq!(flash, [(24, 400, 412), (17, 400, 406), (12, 0, 0)]);
    let flash = times::<NorChip>("serial flash", PartTimes::SERIAL_FLASH, 0);
    assert_eq!(flash, [(24, 4000, 4180), (17, 4000, 4150), (12, 0, 0)]);
    let flash = times::<NorChip>("flash, sectors of 128 KiB", PartTimes::LARGE_SECTORS, 0);
    assert_eq!(flash, [(24, 40_000, 40_012), (17, 40_000, 40_006), (12, 0, 0)]);
}

/// In units of 0.1 ms, rounded up: what the calls of a controller wait for the memory.
fn waits<M: Medium>(name: &str, times: PartTimes) -> [u64; 3] {
    let mut chip = M::blank();
    chip.bus().times = times;
    let clock = chip.bus().clock.clone();
    let mut store = Store::<_, CAPACITY, BUFFER>::new(chip.slots()).unwrap();
    let mut keeper = Keeper::<CAPACITY, 225, 1>::new(KeeperSettings::default()).unwrap();
    let wait = |call: &mut dyn FnMut()| {
        let before_ns = clock.now_ns();
        call();
        (clock.now_ns() - before_ns).div_ceil(100_000)
    };
    keeper.begin_memory(&mut store).unwrap();
    keeper.homed();
    for shift_um in [1, 2, 3] {
        keeper.adopt(nine_stations(shift_um)).unwrap();
        keeper.save(&mut store).unwrap();
    }
    keeper.adopt(nine_stations(4)).unwrap();
    let grid = wait(&mut || keeper.save(&mut store).unwrap());
    let _ = keeper.screw_turned();
    let screw = wait(&mut || keeper.save(&mut store).unwrap());
    let load = wait(&mut || _ = keeper.load(&mut store).unwrap());
    for (job, tenths) in [("a grid", grid), ("a turned screw", screw), ("load", load)] {
        println!("{name}: {job}: {} ms", tenths as f64 / 10.0);
    }
    [grid, screw, load]
}

/// The table in the guide's chapter on time: a grid saved, a turned screw saved, a setup and a grid loaded.
#[test]
fn how_long_the_keeper_waits() {
    let found = [
        waits::<ByteChip>("EEPROM by bytes", PartTimes::BYTE_EEPROM),
        waits::<I2cChip>("I2C 100 kHz", PartTimes::I2C_100_KHZ),
        waits::<I2cChip>("I2C 400 kHz", PartTimes::I2C_400_KHZ),
        waits::<NorChip>("flash, small pages", PartTimes::SMALL_PAGES),
    ];
    // What the guide says, in milliseconds rounded up: a grid saved, a turned screw saved, all loaded.
    let told = [[300, 123, 0], [78, 40, 29], [46, 25, 8], [42, 41, 0]];
    assert_eq!(found.map(|tenths| tenths.map(|tenths| tenths.div_ceil(10))), told);
}

/// A reset in the middle of a write cycle: the part is busy when the controller begins to load.
#[test]
fn a_busy_part_at_the_start() {
    let (cells, before) = Scenario::Overwrite.start::<I2cChip>(&Real);
    let mut chip = I2cChip::with_cells(cells).in_a_write_cycle();
    assert_eq!(Real.load(chip.slots(), false), Found::Value(before.unwrap()));
}
