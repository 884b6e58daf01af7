//! How places are scattered over the bed: the sums of a least-squares plane that know nothing of heights.
//!
//! Everything is an integer of 64 bits: on 8-bit chips the compiler's library has no products of 128 bits. Sums are
//! exact; places are taken from the first one, and every sum about the mean is multiplied by the count `n` so that
//! the mean needs no rounding (row P-11: fits to uncentred columns lose six digits).

use core::num::NonZeroU64;

use crate::axis::MAX_SPAN_UM;

/// Most readings that a plane is fitted to.
pub const MAX_TRAM_READINGS: u16 = 256;

/// Least RMS distance from their own line, along the shorter axis, for places not to count as lying on one line.
pub const MIN_SPREAD_UM: u32 = 1000;

/// How many times as large the error of one reading may become at a screw, or the slip of one screw at a reading.
///
/// The square of this factor is the leverage, `1/n + d·S⁻¹·d` with `S` the scatter matrix and `d` the distance from
/// the mean (Montgomery, Peck & Vining, *Introduction to Linear Regression Analysis*, on prediction of new points).
pub const MAX_AMPLIFICATION: u8 = 8;

/// Fractional bits of what is left of the shorter axis, and of sums taken with it.
pub(super) const REST_BITS: u32 = 4;

/// Fractional bits of a place's distance from the line of places.
pub(super) const ACROSS_BITS: u32 = 8;

/// Places, by their sums about the mean.
///
/// The axis with the larger scatter is the major one. The minor one is taken across the line `minor = cross/major ·
/// major axis`, whose slope is at most 1, so that the two are independent of each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Scatter {
    count: NonZeroU64,
    origin_um: (i32, i32),
    /// Sums of the distances from the origin, along both axes.
    sums_um: (i64, i64),
    x_is_major: bool,
    /// `n` times the sum of squares along the major axis; below 2^57.
    pub(super) major: NonZeroU64,
    /// `n` times the sum of products; no larger than `major`.
    pub(super) cross: i64,
    /// `n` times the sum of squares across the line, with [`REST_BITS`]; below 2^61.
    pub(super) rest: NonZeroU64,
}

/// A place as seen from the mean of a scatter, `n` times as far.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Seen {
    pub(super) major: i64,
    pub(super) minor: i64,
}

impl Scatter {
    /// None when the places lie on one line, in one place, or are no places at all.
    ///
    /// At most [`MAX_TRAM_READINGS`] places within [`MAX_SPAN_UM`] of the first, or eight within twice that: the
    /// largest sum is then `(255 · 2^20)^2`, 56 bits.
    pub(super) fn new(places_um: impl Iterator<Item = (i32, i32)> + Clone) -> Option<Self> {
        let origin_um = places_um.clone().next()?;
        let (mut count, mut x, mut y, mut xx, mut xy, mut yy) = (0_i64, 0_i64, 0_i64, 0_i64, 0_i64, 0_i64);
        for (x_um, y_um) in places_um.take(MAX_TRAM_READINGS.into()) {
            let (u, v) = (from(origin_um.0, x_um), from(origin_um.1, y_um));
            count += 1;
            x += u;
            y += v;
            xx += u * u;
            xy += u * v;
            yy += v * v;
        }
        let (xx, xy, yy) = (count * xx - x * x, count * xy - x * y, count * yy - y * y);
        let x_is_major = xx >= yy;
        // Sums of squares about a mean are not negative.
        let (major, minor) = if x_is_major { (xx as u64, yy) } else { (yy as u64, xx) };
        let least = (count * i64::from(MIN_SPREAD_UM)).pow(2) << REST_BITS;
        let rest = (minor << REST_BITS) - multiply_divide(xy, xy << REST_BITS, major)?;
        if rest < least {
            return None;
        }
        Some(Self {
            count: NonZeroU64::new(count as u64)?,
            origin_um,
            sums_um: (x, y),
            x_is_major,
            major: NonZeroU64::new(major)?,
            cross: xy,
            rest: NonZeroU64::new(rest as u64)?,
        })
    }

    pub(super) fn count(&self) -> NonZeroU64 {
        self.count
    }

    pub(super) fn x_is_major(&self) -> bool {
        self.x_is_major
    }

    /// Distance from the first place, along the axis where it is larger.
    pub(super) fn distance_um(&self, x_um: i32, y_um: i32) -> u32 {
        self.origin_um.0.abs_diff(x_um).max(self.origin_um.1.abs_diff(y_um))
    }

    /// A place as seen from the mean; below 2^30.
    pub(super) fn seen(&self, x_um: i32, y_um: i32) -> Seen {
        // A count is at most 256.
        let count = self.count.get() as i64;
        let x = count * from(self.origin_um.0, x_um) - self.sums_um.0;
        let y = count * from(self.origin_um.1, y_um) - self.sums_um.1;
        if self.x_is_major { Seen { major: x, minor: y } } else { Seen { major: y, minor: x } }
    }

    /// Distance of a place from the line of places, `n` times as far, with [`ACROSS_BITS`].
    pub(super) fn across(&self, place: Seen) -> i64 {
        let along = place.major << ACROSS_BITS;
        (place.minor << ACROSS_BITS) - multiply_divide(along, self.cross, self.major.get()).unwrap_or(0)
    }

    /// Whether an error at the places grows by no more than [`MAX_AMPLIFICATION`] at this one.
    pub(super) fn reaches(&self, x_um: i32, y_um: i32) -> bool {
        const BITS: u32 = 2 * ACROSS_BITS - REST_BITS;
        let place = self.seen(x_um, y_um);
        let across = self.across(place);
        let along_part = multiply_divide(place.major, place.major << BITS, self.major.get());
        let across_part = multiply_divide(across, across, self.rest.get());
        let limit = i64::from(MAX_AMPLIFICATION).pow(2) * self.count.get() as i64;
        // n times the leverage.
        let found = along_part.unwrap_or(i64::MAX).saturating_add(across_part.unwrap_or(i64::MAX));
        found.saturating_add(1 << BITS) <= limit << BITS
    }
}

/// Distance from the origin along one axis, held at twice the longest span.
fn from(origin_um: i32, um: i32) -> i64 {
    let held_um = i64::from(origin_um.abs_diff(um).min(2 * MAX_SPAN_UM));
    if um < origin_um { -held_um } else { held_um }
}

/// `a · b / divisor`, rounded to the nearest whole number, halves away from zero; held at the ends of `i64`.
///
/// The product is never formed: the quotient is doubled for each bit of `a`, with its remainder kept, as in division
/// by hand. `None` for a divisor of zero or of more than 62 bits.
pub(super) fn multiply_divide(a: i64, b: i64, divisor: u64) -> Option<i64> {
    let nonzero = NonZeroU64::new(divisor).filter(|divisor| divisor.get() >> 62 == 0)?;
    let (bits, whole, part) = (a.unsigned_abs(), b.unsigned_abs() / nonzero, b.unsigned_abs() % nonzero);
    let (mut quotient, mut remainder) = (0_u64, 0_u64);
    for place in (0..64 - bits.leading_zeros()).rev() {
        quotient = quotient.saturating_mul(2);
        remainder *= 2;
        if bits >> place & 1 != 0 {
            quotient = quotient.saturating_add(whole);
            remainder += part;
        }
        // Below three divisors, which has 64 bits.
        while remainder >= divisor {
            remainder -= divisor;
            quotient = quotient.saturating_add(1);
        }
    }
    if remainder >= divisor - remainder {
        quotient = quotient.saturating_add(1);
    }
    // Held at i64::MAX just before, so both signs fit.
    let held = quotient.min(i64::MAX as u64) as i64;
    Some(if (a < 0) == (b < 0) { held } else { -held })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn exact(a: i64, b: i64, divisor: u64) -> i64 {
        let product = i128::from(a) * i128::from(b);
        let twice = 2 * product.abs() + i128::from(divisor);
        let rounded = (twice / (2 * i128::from(divisor))).min(i128::from(i64::MAX));
        (product.signum() * rounded) as i64
    }

    proptest! {
        #[test]
        fn a_product_is_divided_exactly(a: i64, b: i64, divisor in 1..1_u64 << 62, narrow in 0..64_u32) {
            for (a, b) in [(a, b), (a >> narrow, b), (a, b >> narrow), (a >> narrow, b >> narrow)] {
                for divisor in [divisor, (divisor >> narrow) + 1] {
                    let divisor = divisor.min((1 << 62) - 1);
                    prop_assert_eq!(multiply_divide(a, b, divisor), Some(exact(a, b, divisor)));
                }
            }
        }
    }

    #[test]
    fn halves_go_away_from_zero_and_bad_divisors_nowhere() {
        assert_eq!(multiply_divide(1, 3, 2), Some(2));
        assert_eq!(multiply_divide(-1, 3, 2), Some(-2));
        assert_eq!(multiply_divide(i64::MIN, i64::MIN, 1), Some(i64::MAX));
        assert_eq!(multiply_divide(i64::MIN, 1, 1), Some(-i64::MAX));
        assert_eq!(multiply_divide(1, 1, 0), None);
        assert_eq!(multiply_divide(1, 1, 1 << 62), None);
    }

    #[test]
    fn corners_of_a_square_reach_as_far_as_their_leverage_says() {
        // Sums of squares of 4 · 100^2 mm^2 each: leverage 1/4 + (x^2 + y^2) / 40_000 in mm, 64 at x = 1596.8719 mm.
        let corners = [(-100_000, -100_000), (100_000, -100_000), (-100_000, 100_000), (100_000, 100_000)];
        let scatter = Scatter::new(corners.into_iter()).unwrap();
        assert!(scatter.reaches(1_596_871, 0) && !scatter.reaches(1_596_873, 0));
        assert!(scatter.reaches(0, -1_596_871) && !scatter.reaches(0, -1_596_873));
    }

    #[test]
    fn a_line_is_a_line_up_to_the_least_spread() {
        // The RMS of (-e, e, e, -e) about their line is e.
        let bent = |e: i32| Scatter::new([(0, -e), (1000, e), (200_000, e), (201_000, -e)].into_iter());
        assert_eq!((bent(0), bent(999)), (None, None));
        assert!(bent(1000).is_some());
        let turned = |e: i32| Scatter::new([(-e, 0), (e, 1000), (e, 200_000), (-e, 201_000)].into_iter());
        assert!(turned(999).is_none() && turned(1000).is_some());
        assert!(Scatter::new([(5, 5); 9].into_iter()).is_none());
        assert!(Scatter::new(core::iter::empty()).is_none());
    }
}
