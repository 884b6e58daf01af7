//! Cross-crate checks of Gapkeeper; the tests themselves stand in `tests/`.
//!
//! Here: the correction once more, in exact or double-precision arithmetic, as the reference that they compare with.

#![forbid(unsafe_code)]
#![deny(missing_docs)]

pub mod demo_job;
pub mod exact_flow;
pub mod extremes;
pub mod faults;
pub mod hands;
pub mod lives;
pub mod media;
pub mod power_cuts;
pub mod programs;
pub mod readers;
pub mod stores;
pub mod study_beds;

use gapkeeper::{Correction, HeightGrid};

/// Cell and rest of a coordinate along one axis, edge value held.
fn cell(coordinate_um: i32, start_um: i32, pitch_um: u32, nodes: u8) -> (usize, i128) {
    let span = i128::from(pitch_um) * i128::from(nodes - 1);
    let distance = (i128::from(coordinate_um) - i128::from(start_um)).clamp(0, span);
    let cell = (distance / i128::from(pitch_um)).min(i128::from(nodes) - 2);
    (cell as usize, distance - cell * i128::from(pitch_um))
}

/// Bilinear height as an exact fraction: numerator and positive denominator, in micrometres.
pub fn exact_height_um<const N: usize>(grid: &HeightGrid<N>, x_um: i32, y_um: i32) -> (i128, i128) {
    let lattice = grid.lattice();
    let (column, u) = cell(x_um, lattice.x0_um, lattice.pitch_x_um, lattice.columns);
    let (row, v) = cell(y_um, lattice.y0_um, lattice.pitch_y_um, lattice.rows);
    let (pitch_x, pitch_y) = (i128::from(lattice.pitch_x_um), i128::from(lattice.pitch_y_um));
    let node = |column: usize, row: usize| i128::from(grid.nodes_um()[row * usize::from(lattice.columns) + column]);
    let near = node(column, row) * (pitch_x - u) + node(column + 1, row) * u;
    let far = node(column, row + 1) * (pitch_x - u) + node(column + 1, row + 1) * u;
    (near * (pitch_y - v) + far * v, pitch_x * pitch_y)
}

/// Bilinear height in double precision, at any place.
pub fn height_um<const N: usize>(grid: &HeightGrid<N>, x_um: f64, y_um: f64) -> f64 {
    let lattice = grid.lattice();
    let along = |coordinate: f64, start_um: i32, pitch_um: u32, nodes: u8| {
        let position = ((coordinate - f64::from(start_um)) / f64::from(pitch_um)).clamp(0.0, f64::from(nodes - 1));
        let cell = position.floor().min(f64::from(nodes - 2));
        (cell as usize, position - cell)
    };
    let (column, u) = along(x_um, lattice.x0_um, lattice.pitch_x_um, lattice.columns);
    let (row, v) = along(y_um, lattice.y0_um, lattice.pitch_y_um, lattice.rows);
    let node = |column: usize, row: usize| f64::from(grid.nodes_um()[row * usize::from(lattice.columns) + column]);
    (node(column, row) * (1.0 - u) + node(column + 1, row) * u) * (1.0 - v)
        + (node(column, row + 1) * (1.0 - u) + node(column + 1, row + 1) * u) * v
}

/// Machine height in double precision, by the definition in the core's documentation.
pub fn machine_z_um<const N: usize>(correction: &Correction<N>, x_um: f64, y_um: f64, z_um: f64) -> f64 {
    let mean_um = f64::from(correction.grid().mean_um());
    let share = correction
        .fade()
        .map_or(1.0, |fade| ((f64::from(fade.zero_above_um()) - z_um) / f64::from(fade.range_um())).clamp(0.0, 1.0));
    let shape_um = height_um(correction.grid(), x_um, y_um) - mean_um;
    z_um + f64::from(correction.shift_um()) + mean_um + share * shape_um
}

/// Cases for each property: few by default, more by the environment variable `PROPTEST_CASES`.
pub fn proptest_cases() -> u32 {
    std::env::var("PROPTEST_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(64)
}
