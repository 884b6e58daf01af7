//! The slopes that a piece may have, as far as the way is known.
//!
//! From the end of the last piece every place passed leaves a range of slopes that pass it within the tolerance; what is
//! left of all ranges is the corridor. A piece may end where its own slope lies in it (J. O'Rourke, "An on-line algorithm
//! for fitting straight lines between data ranges", CACM 24, 1981; D. G. Wilson, "Piecewise linear approximations of
//! fewest line segments", 1972; both from memory). Slopes are vectors, compared by cross products: nothing is divided.

use super::walk::{Path, Walk};
use crate::fixed_point::signed_product;

/// Kept for the rounding of X and Y on a bed that rises by 1 in 10, and of heights between micrometres.
const RESERVE_Q12: i32 = 819;

/// Up by so much along so much of the way.
#[derive(Clone, Copy)]
struct Slope {
    up_q12: i32,
    along_q32: u32,
}

impl Slope {
    /// Whether this one is steeper upwards.
    fn is_above(self, other: Self) -> bool {
        signed_product(self.up_q12, other.along_q32) > signed_product(other.up_q12, self.along_q32)
    }
}

pub(super) struct Corridor {
    from_q32: u32,
    from_q12: i32,
    tolerance_q12: i32,
    /// The lowest and the highest slope; none before the first place is passed.
    range: Option<(Slope, Slope)>,
    /// Of the parts passed last, and the place behind them.
    sag_q12: u32,
    passed: Option<(u32, i32)>,
    /// Parts passed of the stretch in which the piece begins; none once it is left.
    parts: Option<u8>,
}

impl Corridor {
    pub(super) fn new(from_q32: u32, from_q12: i32, tolerance_um: u16, error_q12: u16) -> Self {
        let tolerance_q12 = (i32::from(tolerance_um) << 12) - RESERVE_Q12 - i32::from(error_q12);
        Self { from_q32, from_q12, tolerance_q12, range: None, sag_q12: 0, passed: None, parts: Some(0) }
    }

    fn to(&self, fraction_q32: u32, shape_q12: i32) -> Slope {
        Slope { up_q12: shape_q12 - self.from_q12, along_q32: fraction_q32.wrapping_sub(self.from_q32) }
    }

    /// Machine height of the next place and its rounded shape, if a piece may end there.
    pub(super) fn admits<const CAPACITY: usize>(
        &mut self,
        walk: &Walk,
        path: &Path<'_, CAPACITY>,
    ) -> Option<(i32, i32)> {
        // Other parts sag otherwise, also where they begin.
        if let Some((fraction_q32, shape_q12)) = self.passed.filter(|_| walk.sag_q12 > self.sag_q12) {
            self.take(fraction_q32, shape_q12, walk.sag_q12);
        }
        let rounded = walk.rounded(path);
        if self.parts.is_some_and(|parts| parts < walk.parts_at_once) {
            return Some(rounded);
        }
        let Some((lowest, highest)) = self.range else { return Some(rounded) };
        let end = self.to(walk.fraction_q32, rounded.1);
        (!lowest.is_above(end) && !end.is_above(highest)).then_some(rounded)
    }

    /// Passes a place; whether any slope is left.
    pub(super) fn narrow(&mut self, walk: &Walk) -> bool {
        let (fraction_q32, shape_q12) = (walk.fraction_q32, walk.corrected_q12());
        self.take(fraction_q32, shape_q12, walk.sag_q12);
        self.sag_q12 = walk.sag_q12;
        self.passed = Some((fraction_q32, shape_q12));
        self.parts = self.parts.filter(|_| walk.is_within()).map(|parts| parts.saturating_add(1));
        // Within the first parts a piece may end whatever the corridor is.
        self.parts.is_some_and(|parts| parts < walk.parts_at_once)
            || self.range.is_none_or(|(lowest, highest)| !lowest.is_above(highest))
    }

    fn take(&mut self, fraction_q32: u32, shape_q12: i32, sag_q12: u32) {
        let within_q12 = self.tolerance_q12 - sag_q12 as i32;
        let (low, high) =
            (self.to(fraction_q32, shape_q12 - within_q12), self.to(fraction_q32, shape_q12 + within_q12));
        self.range = Some(match self.range {
            None => (low, high),
            Some((lowest, highest)) => {
                (if low.is_above(lowest) { low } else { lowest }, if highest.is_above(high) { high } else { highest })
            }
        });
    }
}
