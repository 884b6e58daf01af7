//! What a save costs, pinned as exact numbers, for a grid of 9 nodes; the table in `store.rs` is made of these.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{HeightGrid, Lattice, Saved, StoredGrid, Surface};
use gapkeeper_tests::media::{ByteChip, Cells, Counts, I2cChip, Medium, NorChip};
use gapkeeper_tests::stores::{CAPACITY, Real, Subject, Value};

fn grid(shift_um: i16) -> Value {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 90_000, pitch_y_um: 90_000, columns: 3, rows: 3 };
    let grid = HeightGrid::<CAPACITY>::new(lattice, &[0, 10, 20, 30, 300, 50, 60, 70, 80]).unwrap();
    Value::Grid(StoredGrid {
        grid,
        shift_um,
        fade: None,
        bed_temperature_c: 60,
        setup: 1,
        closure_um: 0,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    })
}

/// Counts of one save, or one load, on these cells, and the cells afterwards.
fn cost<M: Medium>(cells: &Cells, save: Option<(&Value, Saved)>) -> (Counts, Cells) {
    let mut chip = M::with_cells(cells.clone());
    chip.bus().wear = Some(vec![0; cells.bytes.len()]);
    match save {
        Some((value, saved)) => assert_eq!(Real.save(chip.slots(), value), Ok(saved)),
        None => drop(Real.load(chip.slots(), false)),
    }
    let (erases, wear) = (chip.bus().counts.erases, chip.bus().wear.take().unwrap());
    // No cell is written more than once in a save, apart from its erase.
    let most = wear.into_iter().max().unwrap();
    assert!(most <= if erases == 0 { 1 } else { 2 });
    (chip.bus().counts, chip.bus().cells.clone())
}

/// Writes and erases of a first save, of a new shift, of the same again, and of a new setup after a beginning.
fn costs<M: Medium>() -> [(usize, usize); 4] {
    let blank = M::blank().bus().cells.clone();
    let (first, cells) = cost::<M>(&blank, Some((&grid(0), Saved::Written)));
    let (second, cells) = cost::<M>(&cells, Some((&grid(25), Saved::Written)));
    let (third, cells) = cost::<M>(&cells, Some((&grid(-25), Saved::Written)));
    assert_eq!((second.writes, second.erases), (third.writes, third.erases));
    let (same, cells) = cost::<M>(&cells, Some((&grid(-25), Saved::Unchanged)));
    let (_, cells) = cost::<M>(&cells, Some((&Value::Setup(1), Saved::Written)));
    let (setup, cells) = cost::<M>(&cells, Some((&Value::Setup(2), Saved::Written)));
    let (load, _) = cost::<M>(&cells, None);
    println!("medium {}: {first:?}\n {third:?}\n {same:?}\n {setup:?}\n load {load:?}", M::LETTER);
    [first, third, same, setup].map(|counts| (counts.writes, counts.erases))
}

#[test]
fn bytes_pages_units_and_erases() {
    assert_eq!(costs::<ByteChip>(), [(88, 0), (88, 0), (0, 0), (36, 0)]);
    assert_eq!(costs::<I2cChip>(), [(7, 0), (7, 0), (0, 0), (4, 0)]);
    assert_eq!(costs::<NorChip>(), [(12, 1), (12, 1), (0, 0), (6, 1)]);
}

/// In a hundred saves of one grid and a hundred turned screws: how often the cell was written that is worn most.
///
/// An erase and what is programmed after it count as one.
fn most_worn<M: Medium>() -> [u32; 2] {
    let values: [fn(i16) -> Value; 2] = [grid, |setup| Value::Setup(setup.unsigned_abs().into())];
    values.map(|value| {
        let mut chip = M::blank();
        let cells = chip.bus().cells.bytes.len();
        chip.bus().wear = Some(vec![0; cells]);
        for number in 1..=100 {
            assert_eq!(Real.save(chip.slots(), &value(number)), Ok(Saved::Written));
        }
        let most = chip.bus().wear.as_ref().unwrap().iter().copied().max().unwrap();
        most / if chip.bus().counts.erases > 0 { 2 } else { 1 }
    })
}

/// Saves of one thing alternate between its two slots, so each cell is written in every second one; the guide's table.
#[test]
fn wear_is_shared_by_two_slots() {
    let guide = include_str!("../../firmware-core/INTEGRATION.md");
    let rows = [
        ("EEPROM by bytes", costs::<ByteChip>(), most_worn::<ByteChip>()),
        ("I2C EEPROM, pages of 16", costs::<I2cChip>(), most_worn::<I2cChip>()),
        ("flash, units of 8, a slot an erase unit", costs::<NorChip>(), most_worn::<NorChip>()),
    ];
    for (name, [_, (grid, grid_erases), _, (setup, setup_erases)], [of_grid, of_setup]) in rows {
        let erases = |erases: usize| if erases > 0 { format!(", {erases} erase") } else { String::new() };
        let (grid, setup) = (format!("{grid}{}", erases(grid_erases)), format!("{setup}{}", erases(setup_erases)));
        let row = format!("| {name} | {grid} | {setup} | {of_grid} | {of_setup} |");
        assert!(guide.contains(&row), "the guide should say {row}");
    }
}
