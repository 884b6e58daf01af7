//! The few fixed-point steps that every height is made of.

use core::num::NonZeroU64;

/// `floor(value · fraction / 2^16)`, exact, for `fraction` up to 2^16 and `|value|` up to 2^30.
///
/// Written as two 32-bit products so that a chip without a wide multiply forms the same bits.
#[inline]
pub(crate) fn scale_q16(value: i32, fraction: u32) -> i32 {
    let high = (value >> 16) * fraction as i32;
    let low = ((value & 0xFFFF) as u32 * fraction) >> 16;
    high + low as i32
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
    let distance = (u64::from(start.abs_diff(end)) * u64::from(fraction_q32) + (1 << 31)) >> 32;
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
