//! For a multiplier of 32 bits to 64.

/// The whole product of two words.
#[inline]
pub(crate) fn wide_product(a: u32, b: u32) -> u64 {
    u64::from(a) * u64::from(b)
}

/// The product of a word with a sign and one without; `a` is below 2^30 either way.
#[inline]
pub(crate) fn signed_product(a: i32, b: u32) -> i64 {
    // An odd `b` loses its last bit, so that both have a sign and one instruction does.
    i64::from(a) * i64::from((b >> 1).cast_signed())
}

/// The high word of a product, rounded to the nearest; `a` is below 2^32 - 1 or `b` is.
#[inline]
pub(crate) fn high_product(a: u32, b: u32) -> u32 {
    ((wide_product(a, b) + (1 << 31)) >> 32) as u32
}

/// `floor(value · fraction / 2^16)`, exact, for `fraction` up to 2^16 and `|value|` up to 2^30.
#[inline]
pub(crate) fn scale_q16(value: i32, fraction: u32) -> i32 {
    ((i64::from(value) * i64::from(fraction.cast_signed())) >> 16) as i32
}
