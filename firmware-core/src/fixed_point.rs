//! The few fixed-point steps that every height is made of.

use core::num::NonZeroU64;

// One algorithm, three ways to form the same exact products. Armv6-M, which multiplies to 32 bits only, is the Arm
// without atomic exchange.
#[cfg(target_arch = "avr")]
mod bytes;
#[cfg(any(test, all(target_arch = "arm", not(target_has_atomic = "ptr"))))]
mod halves;
#[cfg(any(test, not(any(target_arch = "avr", all(target_arch = "arm", not(target_has_atomic = "ptr"))))))]
mod words;

#[cfg(target_arch = "avr")]
pub(crate) use bytes::{
    half_product, high_product, leading_zeros, low_product, position_product, scale_q16, slope_product, wide_product,
};
#[cfg(all(target_arch = "arm", not(target_has_atomic = "ptr")))]
pub(crate) use halves::{high_product, scale_q16, wide_product};
#[cfg(not(any(target_arch = "avr", all(target_arch = "arm", not(target_has_atomic = "ptr")))))]
pub(crate) use words::{high_product, scale_q16, signed_product, wide_product};

/// Low word of a product, of signed factors as of unsigned ones.
#[cfg(not(target_arch = "avr"))]
#[inline]
pub(crate) fn low_product(a: u32, b: u32) -> u32 {
    a.wrapping_mul(b)
}

/// The product of a word with a sign and one without its last bit.
#[cfg(any(target_arch = "avr", all(target_arch = "arm", not(target_has_atomic = "ptr"))))]
pub(crate) fn signed_product(a: i32, b: u32) -> i64 {
    let product = wide_product(a.unsigned_abs(), b >> 1).cast_signed();
    if a < 0 { -product } else { product }
}

/// The product of two halves.
#[cfg(not(target_arch = "avr"))]
#[inline]
pub(crate) fn half_product(a: u16, b: u16) -> u32 {
    u32::from(a) * u32::from(b)
}

/// The zeros before a word's first one.
#[cfg(not(target_arch = "avr"))]
#[inline]
pub(crate) fn leading_zeros(word: u32) -> u32 {
    word.leading_zeros()
}

/// A difference, of two nodes or as short, times a fraction of 2^16.
#[cfg(not(target_arch = "avr"))]
#[inline]
pub(crate) fn slope_product(difference: i32, fraction: u16) -> i32 {
    difference.wrapping_mul(fraction.into())
}

/// `(d·high + (d·low >> 11) + 255) >> 9`, for `d` below 2^20 where no product is too long for a word.
#[cfg(not(target_arch = "avr"))]
#[inline]
pub(crate) fn position_product(distance: u32, high: u32, low: u16) -> u32 {
    (low_product(distance, high) + (low_product(distance, low.into()) >> 11) + 255) >> 9
}

/// Nearest whole number, halves upwards.
#[inline]
pub(crate) fn round_q16(value: i32) -> i32 {
    (value + 0x8000) >> 16
}

/// The nearest `i32`. Unlike `clamp` it has no assertion, and so no way to panic.
#[inline]
pub(crate) fn hold_i32(value: i64) -> i32 {
    value.max(i32::MIN.into()).min(i32::MAX.into()) as i32
}

/// `floor(value / divisor)`. Unlike `div_euclid`, checked or not, no optimisation level leaves a panic in it.
#[inline]
pub(crate) fn floor_div(value: i64, divisor: NonZeroU64) -> i64 {
    // Below zero the quotient of the complement, rounded towards zero, is the complement of the floor.
    let quotient = (value ^ value >> 63).unsigned_abs() / divisor;
    quotient as i64 ^ value >> 63
}

/// Point at a fraction of the way from `start` to `end`, rounded to the nearest whole number; never beyond the ends.
#[inline]
pub(crate) fn between(start: i32, end: i32, fraction_q32: u32) -> i32 {
    if start == end {
        // Most moves are level, and many go along one axis.
        return start;
    }
    // Not longer than the whole distance.
    let distance = high_product(start.abs_diff(end), fraction_q32);
    if end >= start { start.wrapping_add_unsigned(distance) } else { start.wrapping_sub_unsigned(distance) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scaling_is_the_exact_floor() {
        for value in [0, 1, -1, 65_535, -65_536, 123_456_789, -987_654_321, 1 << 30, -(1 << 30)] {
            for fraction in [0, 1, 2, 255, 32_768, 65_535, 65_536] {
                let exact = (i64::from(value) * i64::from(fraction)).div_euclid(1 << 16);
                assert_eq!(i64::from(halves::scale_q16(value, fraction)), exact, "{value} {fraction}");
                assert_eq!(i64::from(scale_q16(value, fraction)), exact, "{value} {fraction}");
            }
        }
    }

    #[test]
    fn every_way_to_multiply_gives_the_same_product() {
        let edges = [0, 1, 2, 255, 256, 65_535, 65_536, 0xFFFF_FF00, i32::MAX as u32, 1 << 31, u32::MAX];
        let words = (0..300_u32).map(|index| index.wrapping_mul(2_654_435_769)).chain(edges);
        for a in words.clone() {
            for b in words.clone() {
                let exact = u64::from(a) * u64::from(b);
                assert_eq!(halves::wide_product(a, b), exact, "{a} {b}");
                assert_eq!(wide_product(a, b), exact, "{a} {b}");
                if a < u32::MAX || b < u32::MAX {
                    let rounded = ((u128::from(exact) + (1 << 31)) >> 32) as u32;
                    assert_eq!(halves::high_product(a, b), rounded, "{a} {b}");
                    assert_eq!(high_product(a, b), rounded, "{a} {b}");
                }
                assert_eq!(low_product(a, b), exact as u32, "{a} {b}");
            }
        }
    }

    #[test]
    fn division_goes_down() {
        for divisor in [1, 2, 7, 1000, u64::MAX >> 1] {
            for value in [0, 1, -1, 6, 7, -7, -8, 999, -1001, i64::MAX, i64::MIN + 1, i64::MIN] {
                let found = floor_div(value, NonZeroU64::new(divisor).unwrap());
                assert_eq!(found, value.div_euclid(divisor as i64), "{value} / {divisor}");
            }
        }
    }

    #[test]
    fn between_reaches_and_never_passes_the_ends() {
        for (start, end) in [(0, 10), (10, 0), (i32::MIN, i32::MAX), (i32::MAX, i32::MIN), (5, 5)] {
            assert_eq!(between(start, end, 0), start);
            let near = between(start, end, u32::MAX);
            assert!(near.abs_diff(end) <= 1, "{start} {end} {near}");
        }
        assert_eq!(between(0, 3, 1 << 31), 2);
        assert_eq!(between(0, -3, 1 << 31), -2);
    }
}
