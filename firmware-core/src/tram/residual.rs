//! What plane and twist leave of the readings.

use crate::fixed_point::hold_i32;

use super::plane::{BedHeight, BedPlane, FRACTION_BITS, round};
use super::twist::Twist;

/// Fractional bits of a deviation before it is squared.
const DEVIATION_BITS: u32 = 8;

/// How readings stand about their plane, and their twist where screws take it out: the part of the shape that no screw takes out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Residual {
    /// Lowest reading about it; not above 0.
    pub lowest_um: i32,
    /// Highest reading about it; not below 0.
    pub highest_um: i32,
    /// From the lowest to the highest, rounded once.
    pub peak_to_valley_um: u32,
    /// Root of the mean of the squares; the mean is over all readings.
    pub rms_um: u32,
}

impl Residual {
    /// Of the readings that the plane and the twist were fitted to.
    pub(super) fn of(readings: impl Iterator<Item = BedHeight>, plane: &BedPlane, twist: Option<&Twist>) -> Self {
        let (mut lowest, mut highest, mut squares) = (0, 0, 0_u64);
        for reading in readings {
            let height_fine = i64::from(reading.height_um) << FRACTION_BITS;
            let twist = twist.map_or(0, |twist| twist.height_fine(reading.x_um, reading.y_um));
            let deviation = height_fine - plane.height_fine(reading.x_um, reading.y_um) - twist;
            (lowest, highest) = (deviation.min(lowest), deviation.max(highest));
            // The squares of a fit's deviations sum up to less than those of the heights about their mean: 256 times
            // 26 bits and the fraction.
            let coarse = deviation.unsigned_abs() >> (FRACTION_BITS - DEVIATION_BITS);
            squares = squares.saturating_add(coarse.saturating_mul(coarse));
        }
        let rms = (squares / plane.scatter().count()).isqrt();
        let rms_um = rms.saturating_add(1 << (DEVIATION_BITS - 1)) >> DEVIATION_BITS;
        Self {
            lowest_um: hold_i32(round(lowest)),
            highest_um: hold_i32(round(highest)),
            peak_to_valley_um: hold_i32(round(highest - lowest)).unsigned_abs(),
            // Not larger than the largest height about the mean.
            rms_um: rms_um as u32,
        }
    }
}
