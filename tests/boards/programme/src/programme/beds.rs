//! Beds to move over: lattices anywhere, smooth and rough, with and without fade.

use gapkeeper::{Correction, Fade, HeightGrid, Lattice, MAX_SPAN_UM};

use super::numbers::Numbers;

/// A correction and the tolerance that suits it: on rough beds a small one would ask for thousands of pieces.
pub struct Bed<const NODES: usize> {
    pub correction: Correction<NODES>,
    pub tolerance_um: u16,
}

/// A square lattice of `nodes` by `nodes` of any pitch, somewhere, now and then at the edge of the coordinates.
pub fn lattice(nodes: u8, numbers: &mut Numbers) -> Lattice {
    let longest_pitch_um = MAX_SPAN_UM.checked_div(u32::from(nodes) - 1).unwrap_or(0);
    let pitch_um = |numbers: &mut Numbers| match numbers.below(4) {
        0 => 100 + numbers.below(2_000),
        1 => longest_pitch_um - numbers.below(100),
        _ => 5_000 + numbers.below(longest_pitch_um - 5_000),
    };
    let (pitch_x_um, pitch_y_um) = (pitch_um(numbers), pitch_um(numbers));
    let start_um = |numbers: &mut Numbers| match numbers.below(12) {
        0 => i32::MIN,
        1 => i32::MAX - 1_044_480,
        _ => numbers.between(-500_000, 500_000),
    };
    Lattice { x0_um: start_um(numbers), y0_um: start_um(numbers), pitch_x_um, pitch_y_um, columns: nodes, rows: nodes }
}

/// Heights over that lattice; `None` only if the lattice were none.
pub fn grid<const NODES: usize>(nodes: u8, numbers: &mut Numbers) -> Option<(HeightGrid<NODES>, u16)> {
    let lattice = lattice(nodes, numbers);
    if numbers.below(3) == 0 {
        // A bowed, twisted and tilted plate; a row of fifteen stays within a few millimetres.
        let [bow_x, bow_y, twist, tilt_x, tilt_y] = [0; 5].map(|_: i32| numbers.between(-9, 9));
        let grid = HeightGrid::from_fn(lattice, |column, row| {
            let (column, row) = (i32::from(column), i32::from(row));
            bow_x * column * column / 4
                + bow_y * row * row / 4
                + twist * column * row / 4
                + tilt_x * column
                + tilt_y * row
        });
        return Some((grid.ok()?, 2 + numbers.below(4) as u16));
    }
    let (reach_um, tolerance_um) = match numbers.below(4) {
        0 => (20, 2),
        1 => (200, 20),
        2 => (2_000, 200),
        _ => (8_191, 1_000),
    };
    Some((HeightGrid::from_fn(lattice, |_, _| numbers.between(-reach_um, reach_um)).ok()?, tolerance_um))
}

/// A bed to move over.
pub fn bed<const NODES: usize>(nodes: u8, numbers: &mut Numbers) -> Option<Bed<NODES>> {
    let (grid, tolerance_um) = grid(nodes, numbers)?;
    let (lowest_um, highest_um) = grid.shape_range_um();
    let shape_um = lowest_um.unsigned_abs().max(highest_um.unsigned_abs()).cast_signed();
    let mut correction = Correction::new(grid).with_shift(numbers.between(-300, 300)).ok()?;
    if numbers.below(2) == 0 {
        let full_below_um = numbers.between(-200, 1_000);
        let range_um = shape_um + 100 + numbers.between(0, 10_000);
        correction = correction.with_fade(Fade::new(full_below_um, full_below_um + range_um).ok()?).ok()?;
    }
    if numbers.below(8) == 0 {
        correction = correction.with_lowest_machine_z(numbers.between(-500, 100));
    }
    Some(Bed { correction, tolerance_um })
}
