//! For a multiplier of 32 bits to 32.

use super::low_product;

/// The high word; what the word below it has as its low half; the product of the low halves.
#[inline]
fn sums(a: u32, b: u32) -> (u32, u32, u32) {
    let (a0, a1, b0, b1) = (a & 0xFFFF, a >> 16, b & 0xFFFF, b >> 16);
    let low = a0 * b0;
    // No sum of a product of halves and two halves is too long for a word.
    let middle = a1 * b0 + (low >> 16);
    let other = a0 * b1 + (middle & 0xFFFF);
    (a1 * b1 + (middle >> 16) + (other >> 16), other, low)
}

/// The whole product of two words.
pub(crate) fn wide_product(a: u32, b: u32) -> u64 {
    let (high, other, low) = sums(a, b);
    u64::from(high) << 32 | u64::from(other << 16 | low & 0xFFFF)
}

/// The high word of a product, rounded to the nearest; `a` is below 2^32 - 1 or `b` is.
pub(crate) fn high_product(a: u32, b: u32) -> u32 {
    let (high, other, _) = sums(a, b);
    high + (other >> 15 & 1)
}

/// `floor(value · fraction / 2^16)`, exact, for `fraction` up to 2^16 and `|value|` up to 2^30.
#[inline]
pub(crate) fn scale_q16(value: i32, fraction: u32) -> i32 {
    let high = low_product((value >> 16) as u32, fraction);
    let low = low_product((value & 0xFFFF) as u32, fraction) >> 16;
    // Wrapped only in between: the low words of products do not know signs.
    high.wrapping_add(low) as i32
}
