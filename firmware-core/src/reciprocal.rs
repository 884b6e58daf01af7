//! Parts of a whole as fractions, without dividing: many chips divide slowly or not at all.

use crate::fixed_point::{half_product, high_product, leading_zeros, slope_product};

/// One over a whole number.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Reciprocal {
    /// 2^63 over the whole, shifted so that its first bit is set.
    factor: u32,
    shift: u32,
}

impl Reciprocal {
    /// Of a whole above 0.
    ///
    /// Newton's iteration `r ← r·(2 − x·r)` from the straight line 48/17 − 32/17·x, which is off by a seventeenth at
    /// most (D. E. Knuth, *The Art of Computer Programming*, volume 2, 4.3.3). It doubles the digits each time, so
    /// two rounds in 16 bits and a third in 32 do; every product is one of 16 by 16 bits.
    pub(crate) fn of(whole: u32) -> Self {
        let shift = leading_zeros(whole);
        let x = whole.wrapping_shl(shift);
        let (x_high, x_low) = ((x >> 16) as u16, x as u16);
        // 15 fractional bits, as all that follows; 2 − x·r is 1 within a seventeenth, and what it is more has 12 bits.
        let mut r = (92_522 - (half_product(x_high, 61_681) >> 16)) as u16;
        for _ in 0..2 {
            let more = 65_536 - (half_product(x_high, r) >> 15).cast_signed();
            r = r.wrapping_add_signed((slope_product(more, r) >> 16) as i16);
        }
        // What `x·r` lacks to 1, with 31 fractional bits; up to 2^18 either way.
        let lack = (1_u32 << 31).wrapping_sub(half_product(x_high, r) + (half_product(x_low, r) >> 16)).cast_signed();
        let correction = slope_product(lack >> 4, r) >> 11;
        // A little too small, so that every part of a whole stays below it.
        Self { factor: (u32::from(r) << 16).wrapping_add_signed(correction - 4), shift }
    }

    /// `part / whole` with 32 fractional bits, within 2^-26 of itself and 6 in the last place, for `part` below the
    /// whole.
    ///
    /// Over all wholes that there are the factor is too small by up to 46.54 · 2^-32 of itself and never too large, and
    /// rounding adds 1 in the last place. So the sum of a fraction and up to 14 more, together a whole at the most, is off
    /// by less than 2^-26.
    #[inline]
    pub(crate) fn fraction_q32(self, part: u32) -> u32 {
        high_product(part.wrapping_shl(self.shift), self.factor) << 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fractions_are_close_to_the_quotients() {
        let edges = [1, 2, 3, 65_535, 65_536, 65_537, 0xFFFF_0000, 0x8000_0000, 0x8000_FFFF, u32::MAX - 1, u32::MAX];
        let words = (0..40_000_u32).map(|index| index.wrapping_mul(2_654_435_769) >> (index % 31));
        for whole in
            words.chain(edges).chain((32_768..=65_535).map(|high| high << 16 | high)).filter(|&whole| whole > 0)
        {
            let reciprocal = Reciprocal::of(whole);
            for part in [0, 1, 2, whole / 3, whole / 2, whole - whole / 100, whole - 2_u32.min(whole), whole - 1] {
                let exact = (u64::from(part) << 32) / u64::from(whole);
                let found = u64::from(reciprocal.fraction_q32(part.min(whole - 1)));
                let exact = if part < whole { exact } else { found };
                assert!(found.abs_diff(exact) <= (exact >> 26) + 6, "{part} / {whole}: {found} {exact}");
            }
        }
    }
}
