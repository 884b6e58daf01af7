//! Every output bit, folded into 64.

/// Two words that change with every bit of every word folded in, and with their order.
pub struct Digest {
    low: u32,
    high: u32,
}

impl Digest {
    /// The digest of nothing.
    pub const fn new() -> Self {
        Self { low: 0x243F_6A88, high: 0x85A3_08D3 }
    }

    /// Folds in a word. Both steps can be undone, so two states that differ stay different.
    pub fn word(&mut self, word: u32) {
        self.low = (self.low.rotate_left(5) ^ word).wrapping_mul(0x9E37_79B1);
        self.high = self.high.rotate_left(11).wrapping_add(self.low);
    }

    /// Folds in a signed word.
    pub fn signed(&mut self, word: i32) {
        self.word(word.cast_unsigned());
    }

    /// Folds in bytes, each as a word.
    pub fn bytes(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            self.word(byte.into());
        }
    }

    /// What all words came to.
    pub const fn value(&self) -> [u32; 2] {
        [self.high, self.low]
    }
}

impl Default for Digest {
    fn default() -> Self {
        Self::new()
    }
}
