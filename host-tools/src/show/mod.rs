//! A grid for the eye: a table of its heights, a shaded picture of plain characters, and a map with contour lines.
//!
//! Everywhere X grows to the right and Y upwards, as one stands before the bed and looks down on it.

mod map;
mod picture_file;
mod ramp;
mod text;

use gapkeeper::HeightGrid;

use crate::picture::frame::nice_step;

pub use crate::grid_file::table;
pub use map::{Shown, map_svg};
pub use picture_file::{PictureFile, PictureFileError};
pub use text::shaded;

/// Most bands between two levels; more could not be told apart.
const MOST_BANDS: f64 = 9.0;

/// Round heights between the lowest and the highest of a surface, ascending; none if it is flat.
fn levels_um<const CAPACITY: usize>(surface: &HeightGrid<CAPACITY>) -> Vec<f64> {
    let (lowest, highest) = (surface.nodes_um().iter().min(), surface.nodes_um().iter().max());
    let (Some(&lowest), Some(&highest)) = (lowest, highest) else { return Vec::new() };
    let (lowest, highest) = (f64::from(lowest), f64::from(highest));
    let least_um = (highest - lowest) / MOST_BANDS;
    let round_um = nice_step(least_um);
    // Half of a round five, two and a half, is round enough.
    let step_um = if round_um / 2.0 >= least_um { round_um / 2.0 } else { round_um }.max(1.0);
    // Whole heights of 14 bits over steps of 1 or more.
    let first = (lowest / step_um).floor() as i32 + 1;
    (first..).map(|index| f64::from(index) * step_um).take_while(|level| *level < highest).collect()
}

/// The band of a height: how many levels it has reached.
fn band(levels_um: &[f64], height_um: f64) -> usize {
    levels_um.partition_point(|level| *level <= height_um)
}

/// Colour of a band.
fn colour(levels_um: &[f64], band: usize) -> ramp::Colour {
    ramp::ramp(if levels_um.is_empty() { 0.5 } else { band as f64 / levels_um.len() as f64 })
}

#[cfg(test)]
mod tests {
    use gapkeeper::Lattice;

    use super::*;

    #[test]
    fn levels_are_round_and_within() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 1000, pitch_y_um: 1000, columns: 2, rows: 2 };
        let levels = |low, high| levels_um(&HeightGrid::<4>::new(lattice, &[low, high, low, low]).unwrap());
        assert_eq!(levels(-62, 300), [-50.0, 0.0, 50.0, 100.0, 150.0, 200.0, 250.0]);
        assert_eq!(levels(-3, 1), [-2.0, -1.0, 0.0]);
        assert_eq!(levels(-100, 98), [-75.0, -50.0, -25.0, 0.0, 25.0, 50.0, 75.0]);
        assert_eq!(levels(7, 7), [0.0; 0]);
        assert!(levels(-8191, 8191).len() <= 9);
        assert_eq!([-63.0, -50.0, 299.0].map(|um| band(&levels(-62, 300), um)), [0, 1, 7]);
    }
}
