//! The few fixed-point steps that every height is made of.

use core::num::NonZeroU64;

/// Low word of a product, of signed factors as of unsigned ones.
#[cfg(not(target_arch = "avr"))]
#[inline]
pub(crate) fn low_product(a: u32, b: u32) -> u32 {
    a.wrapping_mul(b)
}

/// The whole product of two words.
#[cfg(not(any(target_arch = "avr", all(target_arch = "arm", not(target_has_atomic = "ptr")))))]
#[inline]
pub(crate) fn wide_product(a: u32, b: u32) -> u64 {
    u64::from(a) * u64::from(b)
}

#[cfg(target_arch = "avr")]
pub(crate) use bytes::{low_product, wide_product};
// Armv6-M, which multiplies to 32 bits only, is the Arm without atomic exchange.
#[cfg(all(target_arch = "arm", not(target_has_atomic = "ptr")))]
pub(crate) use halves::wide_product;

/// For a multiplier of 32 bits to 32.
#[cfg(any(test, all(target_arch = "arm", not(target_has_atomic = "ptr"))))]
mod halves {
    /// The whole product of two words, from those of their halves.
    pub(crate) fn wide_product(a: u32, b: u32) -> u64 {
        let (a0, a1, b0, b1) = (a & 0xFFFF, a >> 16, b & 0xFFFF, b >> 16);
        let low = a0 * b0;
        // No sum of a product of halves and two halves is too long for a word.
        let middle = a1 * b0 + (low >> 16);
        let other = a0 * b1 + (middle & 0xFFFF);
        let high = a1 * b1 + (middle >> 16) + (other >> 16);
        u64::from(high) << 32 | u64::from(other << 16 | low & 0xFFFF)
    }
}

/// For a multiplier of bytes, whose library multiplies words bit by bit.
#[cfg(any(test, target_arch = "avr"))]
mod bytes {
    #[inline]
    fn byte_product(a: u8, b: u8) -> u16 {
        u16::from(a) * u16::from(b)
    }

    /// The whole product of two half words.
    #[inline(never)]
    fn half_product(a: u16, b: u16) -> u32 {
        let ([a0, a1], [b0, b1]) = (a.to_le_bytes(), b.to_le_bytes());
        let outer = u32::from(byte_product(a1, b1)) << 16 | u32::from(byte_product(a0, b0));
        outer + (u32::from(byte_product(a0, b1)) << 8) + (u32::from(byte_product(a1, b0)) << 8)
    }

    /// Low word of a product.
    #[inline(never)]
    pub(crate) fn low_product(a: u32, b: u32) -> u32 {
        let ([a0, a1, a2, a3], [b0, b1, b2, b3]) = (a.to_le_bytes(), b.to_le_bytes());
        let third = byte_product(a0, b2).wrapping_add(byte_product(a1, b1)).wrapping_add(byte_product(a2, b0));
        let fourth = a0
            .wrapping_mul(b3)
            .wrapping_add(a1.wrapping_mul(b2))
            .wrapping_add(a2.wrapping_mul(b1))
            .wrapping_add(a3.wrapping_mul(b0));
        let outer = u32::from(third.wrapping_add(u16::from(fourth) << 8)) << 16 | u32::from(byte_product(a0, b0));
        let second = u32::from(byte_product(a0, b1)) + u32::from(byte_product(a1, b0));
        outer.wrapping_add(second << 8)
    }

    /// The whole product of two words.
    #[inline(never)]
    pub(crate) fn wide_product(a: u32, b: u32) -> u64 {
        let (a0, a1, b0, b1) = (a as u16, (a >> 16) as u16, b as u16, (b >> 16) as u16);
        let low = half_product(a0, b0);
        // No sum of a product of halves and two halves is too long for a word.
        let middle = half_product(a1, b0) + (low >> 16);
        let other = half_product(a0, b1) + (middle & 0xFFFF);
        let high = half_product(a1, b1) + (middle >> 16) + (other >> 16);
        u64::from(high) << 32 | u64::from(other << 16 | low & 0xFFFF)
    }
}

/// `floor(value · fraction / 2^16)`, exact, for `fraction` up to 2^16 and `|value|` up to 2^30.
///
/// Written as two 32-bit products so that a chip without a wide multiply forms the same bits.
#[inline]
pub(crate) fn scale_q16(value: i32, fraction: u32) -> i32 {
    let high = low_product((value >> 16) as u32, fraction);
    let low = low_product((value & 0xFFFF) as u32, fraction) >> 16;
    // Wrapped only in between: the low words of products do not know signs.
    high.wrapping_add(low) as i32
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

/// `part / whole` with 32 fractional bits, rounded; 0 unless `part < whole`.
#[inline]
pub(crate) fn fraction_q32(part: u32, whole: u32) -> u32 {
    match NonZeroU64::new(u64::from(whole)) {
        // Below 1 - 2^-33 before rounding, so it still fits afterwards.
        Some(divisor) if part < whole => (((u64::from(part) << 32) + u64::from(whole / 2)) / divisor) as u32,
        _ => 0,
    }
}

/// Point at a fraction of the way from `start` to `end`, rounded to the nearest whole number; never beyond the ends.
#[inline]
pub(crate) fn between(start: i32, end: i32, fraction_q32: u32) -> i32 {
    let distance = (wide_product(start.abs_diff(end), fraction_q32) + (1 << 31)) >> 32;
    // Not longer than the whole distance, which has 32 bits.
    let distance = distance as u32;
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
                assert_eq!(bytes::wide_product(a, b), exact, "{a} {b}");
                assert_eq!(wide_product(a, b), exact, "{a} {b}");
                assert_eq!(bytes::low_product(a, b), exact as u32, "{a} {b}");
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

    #[test]
    fn a_fraction_of_a_distance_gives_back_its_part() {
        for whole in [1, 7, 1000, 85_000, 1 << 20, u32::MAX] {
            for part in [0, 1, 6, 999, 84_999, whole / 3, whole - 1] {
                if part < whole {
                    let end = i32::MIN.wrapping_add_unsigned(whole);
                    assert_eq!(between(i32::MIN, end, fraction_q32(part, whole)), i32::MIN.wrapping_add_unsigned(part));
                }
            }
        }
        assert_eq!(fraction_q32(3, 0), 0);
        assert_eq!(fraction_q32(3, 3), 0);
    }
}
