//! The bed's plane by least squares.

use crate::axis::MAX_SPAN_UM;
use crate::fixed_point::hold_i32;
use crate::grid::MAX_HEIGHT_UM;

use super::error::TramError;
use super::scatter::{ACROSS_BITS, MAX_TRAM_READINGS, REST_BITS, Scatter, multiply_divide};

/// Fractional bits of heights of the plane.
pub(super) const FRACTION_BITS: u32 = 12;

/// The height of the bed at a place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct BedHeight {
    /// To the right.
    pub x_um: i32,
    /// To the back.
    pub y_um: i32,
    /// Height, positive where the bed is high; at most [`MAX_HEIGHT_UM`] up or down.
    pub height_um: i32,
}

/// The plane that makes the sum of squares of the readings' vertical deviations least.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct BedPlane {
    scatter: Scatter,
    first_height_um: i32,
    /// Sum of the heights above the first.
    heights_um: i64,
    /// `n` times the sum of products of height and major axis; below 2^52.
    along: i64,
    /// The same with the distance across the line of places, with [`REST_BITS`]; below 2^57.
    across: i64,
}

impl BedPlane {
    /// Fits 3 to [`MAX_TRAM_READINGS`] readings, all within [`MAX_SPAN_UM`] of the first along X and along Y.
    ///
    /// The normal equations of linear least squares about the mean, solved by elimination from the axis with the
    /// larger scatter; all sums are exact.
    ///
    /// # Errors
    /// [`TramError`] says which reading is out of range, or that there are too few, too many or all on one line.
    pub fn fit(readings: impl IntoIterator<Item = BedHeight, IntoIter: Clone>) -> Result<Self, TramError> {
        let readings = readings.into_iter();
        let found = readings.clone().take(usize::from(MAX_TRAM_READINGS) + 1).count();
        let first = match readings.clone().next() {
            Some(first) if (3..=usize::from(MAX_TRAM_READINGS)).contains(&found) => first,
            _ => return Err(TramError::ReadingCount { found }),
        };
        for (index, reading) in (0_u8..=u8::MAX).zip(readings.clone()) {
            let distance_um = reading.x_um.abs_diff(first.x_um).max(reading.y_um.abs_diff(first.y_um));
            if distance_um > MAX_SPAN_UM {
                return Err(TramError::ReadingTooFar { reading: index });
            }
            if reading.height_um.unsigned_abs() > MAX_HEIGHT_UM.unsigned_abs().into() {
                return Err(TramError::HeightOutOfRange { reading: index, height_um: reading.height_um });
            }
        }
        let scatter = Scatter::new(readings.clone().map(|reading| (reading.x_um, reading.y_um)))
            .ok_or(TramError::ReadingsInLine)?;
        let (mut heights_um, mut along, mut minor) = (0_i64, 0_i64, 0_i64);
        for reading in readings {
            let height_um = i64::from(reading.height_um) - i64::from(first.height_um);
            let place = scatter.seen(reading.x_um, reading.y_um);
            heights_um += height_um;
            // At most 256 terms of 29 + 14 bits, one of them 0.
            along += place.major * height_um;
            minor += place.minor * height_um;
        }
        let shared = multiply_divide(scatter.cross, along << REST_BITS, scatter.major.get()).unwrap_or(0);
        let across = (minor << REST_BITS) - shared;
        Ok(Self { scatter, first_height_um: first.height_um, heights_um, along, across })
    }

    /// Height of the plane, rounded to the nearest micrometre.
    ///
    /// Farther than 2 · [`MAX_SPAN_UM`] from the first reading the coordinates are held.
    pub fn height_um(&self, x_um: i32, y_um: i32) -> i32 {
        hold_i32(round(self.height_fine(x_um, y_um)))
    }

    /// Slope along X and along Y, in micrometres per metre, rounded.
    pub fn slope_um_per_m(&self) -> (i32, i32) {
        const BITS: u32 = 32;
        let Scatter { major, cross, rest, .. } = self.scatter;
        let divided = |a, b, divisor| multiply_divide(a, b, divisor).unwrap_or(0);
        // The heights stand within 8191 um of their mean, the places at least 1000 um from their line, so a slope is
        // below 9: with its fraction it has 36 bits.
        let minor_slope = divided(1 << BITS, self.across, rest.get());
        let major_slope = divided(1 << BITS, self.along, major.get()) - divided(minor_slope, cross, major.get());
        let per_m = |slope| hold_i32(divided(slope, 1_000_000, 1 << BITS));
        let (major, minor) = (per_m(major_slope), per_m(minor_slope));
        if self.scatter.x_is_major() { (major, minor) } else { (minor, major) }
    }

    pub(super) fn scatter(&self) -> &Scatter {
        &self.scatter
    }

    /// Height with [`FRACTION_BITS`]; the slopes are below 9, so it has fewer than 40 bits.
    pub(super) fn height_fine(&self, x_um: i32, y_um: i32) -> i64 {
        let place = self.scatter.seen(x_um, y_um);
        let across = self.scatter.across(place) << (FRACTION_BITS - ACROSS_BITS);
        let part = |distance, sum, squares| multiply_divide(distance, sum, squares).unwrap_or(0);
        let times_count = (self.heights_um << FRACTION_BITS)
            + part(place.major << FRACTION_BITS, self.along, self.scatter.major.get())
            + part(across, self.across, self.scatter.rest.get());
        let above_first = multiply_divide(1, times_count, self.scatter.count().get()).unwrap_or(0);
        (i64::from(self.first_height_um) << FRACTION_BITS) + above_first
    }
}

/// Nearest micrometre, halves away from zero, so that turning a bed upside down turns every sign and nothing else.
pub(super) fn round(fine: i64) -> i64 {
    let held = fine.unsigned_abs().saturating_add(1 << (FRACTION_BITS - 1)) >> FRACTION_BITS;
    // Shifted, so far below the limit.
    if fine < 0 { -(held as i64) } else { held as i64 }
}
