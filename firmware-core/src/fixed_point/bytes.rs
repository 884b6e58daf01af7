//! For a multiplier of 8 bits to 16: an AVR's.
//!
//! Written from the instruction set's description: `mul` and `mulsu` leave their product in `r1:r0`, and the compiler
//! wants a 0 in `r1` afterwards; `clr` leaves the carry alone. Factors and products stand where calls have them.
//! `tests/boards/run` compares every bit that they lead to with the desktop's.

#![allow(unsafe_code, reason = "instructions that the language has no word for")]

use core::arch::asm;

fn halves(word: u32) -> (u16, u16) {
    (word as u16, (word >> 16) as u16)
}

fn word(low: u16, high: u16) -> u32 {
    u32::from(high) << 16 | u32::from(low)
}

/// Low word of a product, of signed factors as of unsigned ones.
#[inline(never)]
pub(crate) fn low_product(a: u32, b: u32) -> u32 {
    let ((a0, a1), (b0, b1)) = (halves(a), halves(b));
    let (low, high): (u16, u16);
    // SAFETY: registers only, all named; `r1` is 0 again at the end.
    unsafe {
        asm!(
            "mul r22, r18",
            "movw r30, r0",
            "mul r23, r19",
            "movw r26, r0",
            "mul r22, r19",
            "add r31, r0",
            "adc r26, r1",
            "clr r1",
            "adc r27, r1",
            "mul r23, r18",
            "add r31, r0",
            "adc r26, r1",
            "clr r1",
            "adc r27, r1",
            "mul r22, r20",
            "add r26, r0",
            "adc r27, r1",
            "mul r24, r18",
            "add r26, r0",
            "adc r27, r1",
            "mul r22, r21",
            "add r27, r0",
            "mul r25, r18",
            "add r27, r0",
            "mul r23, r20",
            "add r27, r0",
            "mul r24, r19",
            "add r27, r0",
            "clr r1",
            in("r23r22") a0, in("r25r24") a1, in("r19r18") b0, in("r21r20") b1,
            out("r31r30") low, out("r27r26") high, options(pure, nomem, nostack),
        );
    }
    word(low, high)
}

/// The high word of a product, rounded to the nearest; `a` is below 2^32 - 1 or `b` is.
#[inline(never)]
pub(crate) fn high_product(a: u32, b: u32) -> u32 {
    let ((a0, a1), (b0, b1)) = (halves(a), halves(b));
    let (low, high): (u16, u16);
    // SAFETY: registers only, all named; `r1` is 0 again at the end.
    unsafe {
        asm!(
            "clr r17",
            "mul r22, r18",
            "mov r30, r1",
            "clr r31",
            "clr r16",
            "mul r22, r19",
            "add r30, r0",
            "adc r31, r1",
            "adc r16, r17",
            "mul r23, r18",
            "add r30, r0",
            "adc r31, r1",
            "adc r16, r17",
            "clr r26",
            "mul r22, r20",
            "add r31, r0",
            "adc r16, r1",
            "adc r26, r17",
            "mul r23, r19",
            "add r31, r0",
            "adc r16, r1",
            "adc r26, r17",
            "mul r24, r18",
            "add r31, r0",
            "adc r16, r1",
            "adc r26, r17",
            "clr r27",
            "mul r22, r21",
            "add r16, r0",
            "adc r26, r1",
            "adc r27, r17",
            "mul r23, r20",
            "add r16, r0",
            "adc r26, r1",
            "adc r27, r17",
            "mul r24, r19",
            "add r16, r0",
            "adc r26, r1",
            "adc r27, r17",
            "mul r25, r18",
            "add r16, r0",
            "adc r26, r1",
            "adc r27, r17",
            "lsl r16",
            "adc r26, r17",
            "adc r27, r17",
            "clr r30",
            "mul r23, r21",
            "add r26, r0",
            "adc r27, r1",
            "adc r30, r17",
            "mul r24, r20",
            "add r26, r0",
            "adc r27, r1",
            "adc r30, r17",
            "mul r25, r19",
            "add r26, r0",
            "adc r27, r1",
            "adc r30, r17",
            "clr r31",
            "mul r24, r21",
            "add r27, r0",
            "adc r30, r1",
            "adc r31, r17",
            "mul r25, r20",
            "add r27, r0",
            "adc r30, r1",
            "adc r31, r17",
            "mul r25, r21",
            "add r30, r0",
            "adc r31, r1",
            "clr r1",
            in("r23r22") a0, in("r25r24") a1, in("r19r18") b0, in("r21r20") b1,
            out("r27r26") low, out("r31r30") high, out("r16") _, out("r17") _, options(pure, nomem, nostack),
        );
    }
    word(low, high)
}

/// The whole product of two words.
pub(crate) fn wide_product(a: u32, b: u32) -> u64 {
    let (low, rounded) = (low_product(a, b), high_product(a, b));
    // Rounded upwards exactly where the low word is half or more.
    u64::from(rounded.wrapping_sub(low >> 31)) << 32 | u64::from(low)
}

/// `(d·high + (d·low >> 11) + 255) >> 9`, for `d` below 2^20, `high` below 2^19 and `low` below 2^11.
#[inline]
pub(crate) fn position_product(distance: u32, high: u32, low: u16) -> u32 {
    let ((d0, d1), (h0, h1)) = (halves(distance), halves(high));
    let (position_low, position_high): (u16, u16);
    // SAFETY: registers only, all named; `r1` is 0 again at the end.
    unsafe {
        asm!(
            "clr r17",
            "mul r22, r26",
            "mov r21, r1",
            "mul r23, r27",
            "movw r30, r0",
            "mul r22, r27",
            "add r21, r0",
            "adc r30, r1",
            "adc r31, r17",
            "mul r23, r26",
            "add r21, r0",
            "adc r30, r1",
            "adc r31, r17",
            "mul r24, r26",
            "add r30, r0",
            "adc r31, r1",
            "mul r24, r27",
            "add r31, r0",
            "lsr r31",
            "ror r30",
            "ror r21",
            "lsr r31",
            "ror r30",
            "ror r21",
            "lsr r31",
            "ror r30",
            "ror r21",
            "clr r25",
            "subi r21, 1",
            "sbci r30, 255",
            "sbci r31, 255",
            "sbci r25, 255",
            "mul r22, r18",
            "add r21, r0",
            "adc r30, r1",
            "adc r31, r17",
            "adc r25, r17",
            "mul r22, r19",
            "add r30, r0",
            "adc r31, r1",
            "adc r25, r17",
            "mul r23, r18",
            "add r30, r0",
            "adc r31, r1",
            "adc r25, r17",
            "mul r22, r20",
            "add r31, r0",
            "adc r25, r1",
            "mul r23, r19",
            "add r31, r0",
            "adc r25, r1",
            "mul r24, r18",
            "add r31, r0",
            "adc r25, r1",
            "mul r23, r20",
            "add r25, r0",
            "mul r24, r19",
            "add r25, r0",
            "lsr r25",
            "ror r31",
            "ror r30",
            "clr r1",
            in("r23r22") d0, inlateout("r25r24") d1 => position_high, in("r19r18") h0, inlateout("r21r20") h1 => _,
            in("r27r26") low, out("r31r30") position_low, out("r17") _, options(pure, nomem, nostack),
        );
    }
    word(position_low, position_high >> 8)
}

/// A difference, of two nodes or as short, times a fraction of 2^16.
#[inline]
pub(crate) fn slope_product(difference: i32, fraction: u16) -> i32 {
    let difference = difference as i16;
    let (low, high): (u16, u16);
    // SAFETY: registers only, all named; `r1` is 0 again at the end.
    unsafe {
        asm!(
            "clr r26",
            "mul r20, r18",
            "movw r22, r0",
            "mulsu r21, r19",
            "movw r24, r0",
            "mul r20, r19",
            "add r23, r0",
            "adc r24, r1",
            "adc r25, r26",
            "mulsu r21, r18",
            "sbc r25, r26",
            "add r23, r0",
            "adc r24, r1",
            "adc r25, r26",
            "clr r1",
            in("r21r20") difference, in("r19r18") fraction,
            out("r23r22") low, out("r25r24") high, out("r26") _, options(pure, nomem, nostack),
        );
    }
    word(low, high) as i32
}

/// The product of two halves.
#[inline(never)]
pub(crate) fn half_product(a: u16, b: u16) -> u32 {
    let (low, high): (u16, u16);
    // SAFETY: registers only, all named; `r1` is 0 again at the end.
    unsafe {
        asm!(
            "clr r26",
            "mul r24, r22",
            "movw r18, r0",
            "mul r25, r23",
            "movw r20, r0",
            "mul r24, r23",
            "add r19, r0",
            "adc r20, r1",
            "adc r21, r26",
            "mul r25, r22",
            "add r19, r0",
            "adc r20, r1",
            "adc r21, r26",
            "clr r1",
            in("r25r24") a, in("r23r22") b,
            out("r19r18") low, out("r21r20") high, out("r26") _, options(pure, nomem, nostack),
        );
    }
    word(low, high)
}

/// The zeros before a word's first one; bit by bit only within a byte.
pub(crate) fn leading_zeros(word: u32) -> u32 {
    let (mut zeros, mut top) = (0, word);
    while zeros < 24 && top >> 24 == 0 {
        (zeros, top) = (zeros + 8, top << 8);
    }
    let mut byte = (top >> 24) as u8;
    while byte & 0x80 == 0 && zeros < 32 {
        (zeros, byte) = (zeros + 1, byte << 1);
    }
    zeros
}

/// `floor(value · fraction / 2^16)`, exact, for `fraction` up to 2^16 and `|value|` up to 2^30.
#[inline(never)]
pub(crate) fn scale_q16(value: i32, fraction: u32) -> i32 {
    if fraction >> 16 != 0 {
        return value;
    }
    let low = half_product(value as u16, fraction as u16) >> 16;
    slope_product(value >> 16, fraction as u16).wrapping_add_unsigned(low)
}
