//! How the correction's shape dies out with height.

use core::fmt;

use crate::axis::{Axis, MAX_SPAN_UM, MIN_PITCH_UM};

/// Full correction up to one height, none from another on, in proportion between.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Fade {
    range: Axis,
}

/// Why there is no such fade.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum FadeError {
    /// The height of no correction is not above the height of full correction, or too little or too far above it.
    Range {
        /// Full correction up to here.
        full_below_um: i32,
        /// No correction from here on.
        zero_above_um: i32,
    },
}

impl fmt::Display for FadeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self::Range { full_below_um, zero_above_um } = self;
        write!(
            f,
            "full below {full_below_um} um, zero above {zero_above_um} um: \
             zero above must be higher by {MIN_PITCH_UM} to {MAX_SPAN_UM} um"
        )
    }
}

impl core::error::Error for FadeError {}

impl Fade {
    /// A fade between two logical heights.
    ///
    /// # Errors
    /// [`FadeError::Range`] unless `zero_above_um` is higher by [`MIN_PITCH_UM`] to [`MAX_SPAN_UM`].
    pub fn new(full_below_um: i32, zero_above_um: i32) -> Result<Self, FadeError> {
        let fault = FadeError::Range { full_below_um, zero_above_um };
        let range_um = u32::try_from(i64::from(zero_above_um) - i64::from(full_below_um)).map_err(|_| fault)?;
        Ok(Self { range: Axis::new(full_below_um, range_um, 2).map_err(|_| fault)? })
    }

    /// Up to this logical height the correction is full.
    pub fn full_below_um(&self) -> i32 {
        self.range.start_um()
    }

    /// From this logical height on the shape is no longer corrected.
    pub fn zero_above_um(&self) -> i32 {
        self.range.node_um(1)
    }

    /// Distance between the two heights.
    pub fn range_um(&self) -> u32 {
        self.range.span_um()
    }

    /// The two heights as the two nodes of an axis.
    pub(crate) fn range(&self) -> &Axis {
        &self.range
    }

    /// Share of the shape that is corrected at a logical height, 65536 for all of it.
    #[inline]
    pub fn share_q16(&self, z_um: i32) -> u32 {
        65_536 - self.range.position_q16(z_um)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn share_falls_from_all_to_nothing() {
        let fade = Fade::new(1000, 9000).unwrap();
        let shares = [(i32::MIN, 65_536), (1000, 65_536), (3000, 49_152), (5000, 32_768), (9000, 0), (i32::MAX, 0)];
        for (z_um, share) in shares {
            assert_eq!(fade.share_q16(z_um), share, "{z_um}");
        }
        assert_eq!((fade.full_below_um(), fade.zero_above_um(), fade.range_um()), (1000, 9000, 8000));
    }

    #[test]
    fn upside_down_is_refused() {
        for (full_below_um, zero_above_um) in [(0, 0), (5, 4), (i32::MIN, i32::MAX), (i32::MAX, i32::MIN), (0, 99)] {
            assert_eq!(Fade::new(full_below_um, zero_above_um), Err(FadeError::Range { full_below_um, zero_above_um }));
        }
    }
}
