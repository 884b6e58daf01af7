//! `E` and other further axes of a split move, against exact fractions: within half a unit and 2^-26 of their change.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{
    Correction, DEFAULT_TOLERANCE_UM, HeightGrid, Lattice, MAX_NODES, MAX_SPAN_UM, MIN_PITCH_UM, Move, Piece, Point,
};
use gapkeeper_tests::media::Random;

/// A bed that goes up and down from column to column, so that every column's line has a crease.
fn ridges(pitch_x_um: u32, columns: u8) -> Correction<MAX_NODES> {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um, pitch_y_um: 1000, columns, rows: 2 };
    Correction::new(HeightGrid::from_fn(lattice, |column, _| i32::from(column % 2) * 6 - 3).unwrap())
}

fn along_x<const EXTRA: usize>(
    from_um: i32,
    to_um: i32,
    extra_start: [i32; EXTRA],
    extra_end: [i32; EXTRA],
) -> Move<EXTRA> {
    let point = |x_um| Point { x_um, y_um: 0, z_um: 0 };
    Move { start: point(from_um), end: point(to_um), extra_start, extra_end }
}

/// How far an axis is off its exact value, in 2^-32 of its change and without the half unit that rounding may take;
/// `at_um` of `length_um` are travelled.
fn beyond_rounding_q32(piece: i32, [start, end]: [i32; 2], at_um: u32, length_um: u32) -> i128 {
    let [piece, start, end] = [piece, start, end].map(i128::from);
    let (at, length) = (i128::from(at_um), i128::from(length_um));
    // Everything times twice the length: whole numbers.
    let off = (2 * (piece - start) * length - 2 * (end - start) * at).abs() - length;
    let change = 2 * (end - start).abs() * length;
    if off <= 0 { 0 } else { ((off << 32) + change - 1) / change }
}

/// Over every line of nodes; the most that any piece is off beyond its rounding, in 2^-32 of the change.
fn worst_q32(pitch_um: u32, columns: u8, [from_um, to_um]: [i32; 2], ends: [i32; 2]) -> i128 {
    let motion = along_x(from_um, to_um, [ends[0]], [ends[1]]);
    let correction = ridges(pitch_um, columns);
    let pieces = correction.split(&motion, DEFAULT_TOLERANCE_UM).unwrap();
    let off = |Piece { end, extra: [extra] }: Piece<1>| {
        beyond_rounding_q32(extra, ends, end.x_um.abs_diff(from_um), to_um.abs_diff(from_um))
    };
    pieces.map(off).max().unwrap()
}

/// One of the worst of 3 million random moves: it reaches 50 of the 64 parts that are promised.
#[test]
fn the_bound_is_reached_by_more_than_half() {
    let found_q32 = worst_q32(4966, 15, [4966 * 13 + 1, 0], [i32::MIN, i32::MAX]);
    println!("{found_q32} of 64 parts of 2^-32");
    assert!((33..=64).contains(&found_q32), "{found_q32}");
}

#[test]
fn every_axis_is_within_half_a_unit_and_its_part_of_the_change() {
    let mut random = Random(1);
    let mut worst = 0;
    for _ in 0..20_000 {
        let columns = 2 + random.below(14) as u8;
        let most_um = MAX_SPAN_UM / u32::from(columns - 1);
        let pitch_um = ((random.draw() as u32 % most_um) >> random.below(9)).max(MIN_PITCH_UM);
        let span_um = (pitch_um * u32::from(columns - 1)) as usize;
        // From before the grid to behind it, or to somewhere inside.
        let mut outside = |reach_um: usize| 1 + (random.below(reach_um) >> random.below(20)) as i32;
        let (before_um, behind_um) = (-outside(2 * span_um), span_um as i32 + outside(2 * span_um));
        let to_um = if random.below(4) == 0 { random.below(span_um) as i32 + 1 } else { behind_um };
        let ends_um = if random.below(2) == 0 { [before_um, to_um] } else { [to_um, before_um] };
        let mut value = || random.draw() as i32 >> random.below(31);
        let ends = [value(), value()];
        for ends in [ends, [i32::MIN, i32::MAX], [i32::MAX, i32::MIN]] {
            if ends[0] != ends[1] {
                let found_q32 = worst_q32(pitch_um, columns, ends_um, ends);
                assert!(found_q32 <= 64, "{found_q32}: pitch {pitch_um}, {columns} columns, {ends_um:?}, {ends:?}");
                worst = worst.max(found_q32);
            }
        }
    }
    println!("at worst {worst} of 64 parts");
}

/// Between the lines of nodes a piece may end anywhere, but every axis ends there at one fraction of the way: the second
/// one, which goes through all values, tells it.
#[test]
fn all_axes_share_one_fraction() {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };
    let grid = HeightGrid::<9>::new(lattice, &[0, 150, 0, 900, 300, -700, 0, 1500, 0]).unwrap();
    let correction = Correction::new(grid);
    let (mut random, mut compared) = (Random(2), 0);
    for _ in 0..500 {
        let mut place = || Point { x_um: random.below(180_000) as i32, y_um: random.below(160_000) as i32, z_um: 0 };
        let (start, end) = (place(), place());
        let change = random.below(1 << 24) as i32;
        let motion = Move { start, end, extra_start: [-5, i32::MIN], extra_end: [change - 5, i32::MAX] };
        for Piece { extra: [e, all], .. } in correction.split(&motion, DEFAULT_TOLERANCE_UM).unwrap() {
            // The fraction within 2^-32, twice.
            let fraction = (f64::from(all) - f64::from(i32::MIN)) / f64::from(u32::MAX);
            let exact = f64::from(change) * fraction - 5.0;
            assert!((f64::from(e) - exact).abs() <= 0.5 + f64::from(change) * 2.0_f64.powi(-31), "{e} {exact}");
            compared += 1;
        }
    }
    assert!(compared > 4000, "{compared}");
}
