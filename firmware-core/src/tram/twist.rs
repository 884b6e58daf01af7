//! The twist of a plate on four or more screws, fitted together with its plane.
//!
//! A thin plate that is free between its corners and pushed at them takes the shape `w = c·x·y`: a saddle, which bends
//! nowhere along X or Y (row K-1). So four screws at the corners of a rectangle take out plane and twist together, and a
//! plane alone would leave what they can take out. For screws in a diamond the same shape lies turned by 45°:
//! `w = c·(x² − y²)/2`.

use super::plane::{BedHeight, BedPlane, FRACTION_BITS};
use super::scatter::{MAX_AMPLIFICATION, multiply_divide};
use crate::axis::MAX_SPAN_UM;
use crate::grid::MAX_HEIGHT_UM;

/// Which saddle the screws make.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Saddle {
    /// `x·y`
    Square,
    /// `(x² − y²)/2`
    Diamond,
}

/// A saddle of the readings' extent, without its own plane.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Basis {
    saddle: Saddle,
    middle_um: (i32, i32),
    /// What brings the products of the readings' coordinates within [`MAX_HEIGHT_UM`].
    shift: u32,
    /// Through the saddle at the readings.
    plane: BedPlane,
}

impl Basis {
    fn new(readings: impl Iterator<Item = BedHeight> + Clone, saddle: Saddle) -> Option<Self> {
        let middle = |along: fn(&BedHeight) -> i32| {
            let (lowest, highest) =
                (readings.clone().map(|r| along(&r)).min()?, readings.clone().map(|r| along(&r)).max()?);
            Some(i32::midpoint(lowest, highest))
        };
        let middle_um = (middle(|reading| reading.x_um)?, middle(|reading| reading.y_um)?);
        let product = |reading: &BedHeight| saddle.product(middle_um, reading.x_um, reading.y_um);
        let largest = readings.clone().map(|reading| product(&reading).unsigned_abs()).max()?;
        let mut shift = 0;
        while largest >> shift > u64::from(MAX_HEIGHT_UM.unsigned_abs()) {
            shift += 1;
        }
        // Held within a height by the shift.
        let as_height = |reading: BedHeight| BedHeight { height_um: (product(&reading) >> shift) as i32, ..reading };
        let plane = BedPlane::fit(readings.clone().map(as_height)).ok()?;
        Some(Self { saddle, middle_um, shift, plane })
    }

    /// With [`FRACTION_BITS`]; below 2^26 at the readings, 2^55 anywhere.
    fn fine(&self, x_um: i32, y_um: i32, is_reading: bool) -> i64 {
        let product = self.saddle.product(self.middle_um, x_um, y_um);
        // At the readings as it was fitted.
        let fine =
            if is_reading { (product >> self.shift) << FRACTION_BITS } else { product << FRACTION_BITS >> self.shift };
        fine - self.plane.height_fine(x_um, y_um)
    }
}

impl Saddle {
    /// Below 2^43: coordinates are held within twice the longest span.
    fn product(self, middle_um: (i32, i32), x_um: i32, y_um: i32) -> i64 {
        let limit = 2 * i64::from(MAX_SPAN_UM);
        let distance = |from: i32, to: i32| (i64::from(to) - i64::from(from)).max(-limit).min(limit);
        let (x, y) = (distance(middle_um.0, x_um), distance(middle_um.1, y_um));
        match self {
            Self::Square => x * y,
            Self::Diamond => (x * x - y * y) / 2,
        }
    }
}

/// What of the readings is twist.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Twist {
    basis: Basis,
    /// Sum of products of deviation from the plane and saddle; below 2^60.
    along: i64,
    /// Sum of squares of the saddle; below 2^60.
    squares: u64,
}

impl Twist {
    /// The twist about the plane of these readings, in the saddle that these screws make. None of three screws, and none if
    /// an error of one reading would grow more than [`MAX_AMPLIFICATION`] times at a screw.
    ///
    /// Plane and twist together are the least squares of all four unknowns (Frisch and Waugh's theorem: the deviations from
    /// the plane, over the saddle's own deviations from its plane).
    pub(super) fn fit(
        readings: impl Iterator<Item = BedHeight> + Clone,
        plane: &BedPlane,
        screws_um: impl Iterator<Item = (i32, i32)> + Clone,
    ) -> Option<Self> {
        if screws_um.clone().count() < 4 || readings.clone().count() < 4 {
            return None;
        }
        let [square, diamond] = [Saddle::Square, Saddle::Diamond].map(|saddle| {
            let at_screws = screws_um.clone().map(|(x_um, y_um)| BedHeight { x_um, y_um, height_um: 0 });
            let own = Basis::new(at_screws, saddle)?;
            let squares = |(x_um, y_um)| own.fine(x_um, y_um, true).unsigned_abs().pow(2);
            // Below 2^28, and the shift is at most 30.
            Some(screws_um.clone().map(squares).sum::<u64>().isqrt() << own.shift)
        });
        let saddle = if square >= diamond { Saddle::Square } else { Saddle::Diamond };
        let basis = Basis::new(readings.clone(), saddle)?;
        let (mut along, mut squares) = (0_i64, 0_u64);
        for reading in readings {
            let saddle = basis.fine(reading.x_um, reading.y_um, true);
            let height_fine = i64::from(reading.height_um) << FRACTION_BITS;
            along += saddle * (height_fine - plane.height_fine(reading.x_um, reading.y_um));
            squares += saddle.unsigned_abs().pow(2);
        }
        let least = squares.isqrt() * u64::from(MAX_AMPLIFICATION);
        let is_seen = |(x_um, y_um)| basis.fine(x_um, y_um, false).unsigned_abs() <= least;
        // The rounding of the products alone is half a unit.
        let is_saddle = squares.isqrt() > 16 << FRACTION_BITS;
        (is_saddle && screws_um.clone().all(is_seen)).then_some(Self { basis, along, squares })
    }

    /// Height about the plane, with [`FRACTION_BITS`].
    pub(super) fn height_fine(&self, x_um: i32, y_um: i32) -> i64 {
        multiply_divide(self.basis.fine(x_um, y_um, false), self.along, self.squares).unwrap_or(0)
    }
}
