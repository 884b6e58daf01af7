//! Modelled beds of the unit square, drawn from a seed: for studies of what readings are worth.

use std::f64::consts::PI;

use gapkeeper::{HeightGrid, Lattice};

/// Places along each axis at which the surface is looked at.
pub const PLACES: usize = 31;

/// G. Marsaglia's xorshift of 64 bits with the shifts 13, 7, 17 (Journal of Statistical Software 8(14), 2003).
pub struct Numbers(pub u64);

impl Numbers {
    /// From 0 to 1.
    pub fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Of mean 0 and spread 1: G. E. P. Box and M. E. Muller, 1958.
    pub fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (2.0 * PI * self.uniform()).cos()
    }
}

/// The height in micrometres at a place of the unit square.
pub type Bed = Box<dyn Fn(f64, f64) -> f64>;

/// Smooth random shape from waves of up to four half waves along an axis, its range scaled to `range_um`.
fn shape(numbers: &mut Numbers, range_um: f64) -> Bed {
    let mut waves = Vec::new();
    for (i, j) in (0..5).flat_map(|i| (0..5).map(move |j| (i, j))).filter(|(i, j)| (1..6).contains(&(i + j))) {
        let (i, j) = (f64::from(i), f64::from(j));
        waves.push((numbers.normal() / (1.0 + i * i + j * j), PI * i, PI * j));
    }
    let height = move |x: f64, y: f64| waves.iter().map(|(a, i, j)| a * (i * x).cos() * (j * y).cos()).sum::<f64>();
    let heights: Vec<f64> = places().map(|(x, y)| height(x, y)).collect();
    let low = heights.iter().copied().fold(f64::MAX, f64::min);
    let range = heights.iter().copied().fold(f64::MIN, f64::max) - low;
    Box::new(move |x, y| range_um * (height(x, y) - low) / range)
}

/// Random waves of the length and the spread given.
pub fn waves(numbers: &mut Numbers, spread_um: f64, length: f64) -> Bed {
    let waves: Vec<_> =
        (0..60).map(|_| (numbers.normal() / length, numbers.normal() / length, 2.0 * PI * numbers.uniform())).collect();
    let scale_um = spread_um * (2.0_f64 / 60.0).sqrt();
    Box::new(move |x, y| scale_um * waves.iter().map(|(i, j, phase)| (i * x + j * y + phase).cos()).sum::<f64>())
}

/// A bow of 1 in the middle and 0 at the corners.
pub fn bow(x: f64, y: f64) -> f64 {
    1.0 - 2.0 * ((x - 0.5).powi(2) + (y - 0.5).powi(2))
}

/// Kinds of beds.
pub const BEDS: [&str; 4] = ["bow and little rough", "rough 0.4 mm", "waves of 40 um", "bow alone"];

/// A bed of one of the kinds.
pub fn bed(which: usize, numbers: &mut Numbers) -> Bed {
    match which {
        0 => {
            let (by_um, tilt_x_um, tilt_y_um) =
                (340.0 * (0.5 + 0.7 * numbers.uniform()), 100.0 * numbers.normal(), 100.0 * numbers.normal());
            let rest = shape(numbers, 80.0);
            Box::new(move |x, y| by_um * bow(x, y) + tilt_x_um * (x - 0.5) + tilt_y_um * (y - 0.5) + rest(x, y))
        }
        1 => shape(numbers, 400.0),
        2 => waves(numbers, 40.0, 0.3),
        _ => Box::new(|x, y| 300.0 * bow(x, y)),
    }
}

/// Places all over the bed, row by row.
pub fn places() -> impl Iterator<Item = (f64, f64)> {
    let place = |at: usize| at as f64 / (PLACES - 1) as f64;
    (0..PLACES).flat_map(move |row| (0..PLACES).map(move |column| (place(column), place(row))))
}

/// The bed is square.
pub const BED_UM: f64 = 200_000.0;
/// How far inside it the outermost stations stand.
const INSET_UM: i32 = 8_000;
const TOLERANCE_UM: f64 = 50.0;

/// Stations or nodes all over the bed.
pub fn lattice(nodes: u8) -> Lattice {
    let pitch_um = (BED_UM as u32 - 2 * INSET_UM as u32) / u32::from(nodes - 1);
    Lattice {
        x0_um: INSET_UM,
        y0_um: INSET_UM,
        pitch_x_um: pitch_um,
        pitch_y_um: pitch_um,
        columns: nodes,
        rows: nodes,
    }
}

/// Share of the bed within 50 µm of a grid, in percent.
#[must_use]
pub fn within<const N: usize>(bed: &Bed, grid: &HeightGrid<N>) -> f64 {
    let is_good = |&(x, y): &(f64, f64)| {
        let found_um = f64::from(grid.height_um((x * BED_UM) as i32, (y * BED_UM) as i32));
        (found_um - bed(x, y)).abs() <= TOLERANCE_UM
    };
    100.0 * places().filter(is_good).count() as f64 / (PLACES * PLACES) as f64
}
