//! CRC-32C: the check value of every record.
//!
//! Polynomial 1EDC6F41, bits reflected, started at and closed with all ones: RFC 3720, appendix B.4. Four bits a step
//! from a table of 16 words, which is small enough for the smallest chip and fast enough for a few hundred bytes.

/// The polynomial with its bits in the order in which they are sent.
const REFLECTED: u32 = 0x1EDC_6F41_u32.reverse_bits();

/// What four bits leave behind.
const TABLE: [u32; 16] = {
    let mut table = [0; 16];
    let mut index = 0;
    while index < 16 {
        let mut remainder = index as u32;
        let mut bit = 0;
        while bit < 4 {
            remainder = if remainder & 1 == 1 { remainder >> 1 ^ REFLECTED } else { remainder >> 1 };
            bit += 1;
        }
        table[index] = remainder;
        index += 1;
    }
    table
};

/// A check value that grows with the bytes it is given.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Crc32c(u32);

impl Crc32c {
    pub(crate) const fn new() -> Self {
        Self(u32::MAX)
    }

    pub(crate) fn update(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            let mixed = self.0 ^ u32::from(byte);
            self.0 = step(step(mixed));
        }
    }

    pub(crate) const fn value(&self) -> u32 {
        !self.0
    }
}

#[inline]
fn step(remainder: u32) -> u32 {
    // Four bits always find their word.
    remainder >> 4 ^ TABLE.get((remainder & 15) as usize).copied().unwrap_or(0)
}

/// CRC-32C of all bytes at once.
pub(crate) fn crc32c(bytes: &[u8]) -> u32 {
    let mut crc = Crc32c::new();
    crc.update(bytes);
    crc.value()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    /// Rows C-2 and C-22 to C-25 (RFC 3720, appendix B.4), whose bytes stand in the order of transmission: AA 36 91 8A
    /// and so on.
    #[test]
    fn rfc_3720() {
        let rising: Vec<u8> = (0..32).collect();
        let falling: Vec<u8> = (0..32).rev().collect();
        assert_eq!(crc32c(&[0; 32]).to_le_bytes(), [0xAA, 0x36, 0x91, 0x8A]);
        assert_eq!(crc32c(&[0xFF; 32]).to_le_bytes(), [0x43, 0xAB, 0xA8, 0x62]);
        assert_eq!(crc32c(&rising).to_le_bytes(), [0x4E, 0x79, 0xDD, 0x46]);
        assert_eq!(crc32c(&falling).to_le_bytes(), [0x5C, 0xDB, 0x3F, 0x11]);
    }

    /// Check value and residue: catalogue of parametrised CRC algorithms (G. Cook), entry CRC-32/ISCSI; the rest
    /// computed with the `crc` crate's entry of that name.
    #[test]
    fn catalogue() {
        assert_eq!(crc32c(b"123456789"), 0xE306_9283);
        assert_eq!(crc32c(b""), 0);
        assert_eq!(crc32c(b"a"), 0xC1D0_4330);
        let all: Vec<u8> = (0..=255).collect();
        assert_eq!(crc32c(&all), 0x9C44_184B);
        assert_eq!(crc32c(&[0xFF; 256]), 0x0F46_4A5C);
        assert_eq!(crc32c(&[0; 256]), 0xB872_B190);
        // The residue is what remains in the register, before it is closed, after data and check value.
        assert_eq!(!crc32c(b"123456789\x83\x92\x06\xE3"), 0xB798_B438);
    }

    /// Four erased bytes check as erased: without a magic number and a length, erased memory would be a record.
    #[test]
    fn erased_memory_is_a_trap() {
        assert_eq!(crc32c(&[0xFF; 4]), 0xFFFF_FFFF);
    }

    proptest! {
        /// In one piece or two, the same as the `crc` crate's.
        #[test]
        fn like_the_oracle(bytes in prop::collection::vec(any::<u8>(), 0..600), cut in any::<prop::sample::Index>()) {
            let oracle = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI);
            prop_assert_eq!(crc32c(&bytes), oracle.checksum(&bytes));
            let (first, second) = bytes.split_at(cut.index(bytes.len() + 1));
            let mut crc = Crc32c::new();
            crc.update(first);
            crc.update(second);
            prop_assert_eq!(crc.value(), oracle.checksum(&bytes));
        }
    }
}
