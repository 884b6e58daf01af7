//! The same numbers everywhere: an integer generator.

/// Xorshift after G. Marsaglia, *Xorshift RNGs*, Journal of Statistical Software 8(14), 2003, with 13, 17, 5.
pub struct Numbers(u32);

impl Numbers {
    /// A sequence by its seed, which may not be 0.
    pub const fn new(seed: u32) -> Self {
        Self(seed)
    }

    /// Any 32 bits.
    pub fn word(&mut self) -> u32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 17;
        self.0 ^= self.0 << 5;
        self.0
    }

    /// Any whole number that fits.
    pub fn any(&mut self) -> i32 {
        self.word().cast_signed()
    }

    /// A number below `count`.
    pub fn below(&mut self, count: u32) -> u32 {
        // The upper half of a product of two words.
        ((u64::from(self.word()) * u64::from(count)) >> 32) as u32
    }

    /// A number from `low` up to and with `high`, less than 2^31 above it.
    pub fn between(&mut self, low: i32, high: i32) -> i32 {
        low.wrapping_add_unsigned(self.below(high.wrapping_sub(low).cast_unsigned().wrapping_add(1)))
    }
}
