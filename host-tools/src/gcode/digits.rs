//! Digits of a number, eight bytes at a time.
//!
//! Reading numbers is most of the work on a large job, and a loop over digits is slow there: how many there are
//! changes from number to number, so a processor guesses wrongly at the end of each. Nearly all numbers of a job are
//! shorter than eight bytes; those take no branch that depends on their length.

const ALL: u64 = 0x0101_0101_0101_0101;

/// Digits with at most one point among them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Digits {
    /// The digits as one number. Wraps where there are more than 18.
    pub(super) mantissa: i64,
    /// How many there are.
    pub(super) digits: usize,
    /// How many of them stand behind the point.
    pub(super) scale: usize,
    /// The offset of the byte behind.
    pub(super) end: usize,
}

impl Digits {
    /// The longest run of digits, with at most one point, that begins at `start`. There may be none.
    #[inline]
    pub(super) fn read(text: &[u8], start: usize) -> Self {
        let rest = text.get(start..).unwrap_or_default();
        let bytes = match (rest.first_chunk(), text.last_chunk()) {
            (Some(bytes), _) => u64::from_le_bytes(*bytes),
            // Zeros stand behind the end of the text. There is no number of no bytes.
            (None, Some(last)) if !rest.is_empty() => u64::from_le_bytes(*last) >> (64 - 8 * rest.len()),
            _ => return Self::read_long(text, start),
        };
        Self::read_short(bytes, start).unwrap_or_else(|| Self::read_long(text, start))
    }

    /// Reads from eight bytes, the first one lowest; none unless something else follows the digits within them.
    #[inline]
    fn read_short(bytes: u64, start: usize) -> Option<Self> {
        // A digit becomes its value. Whatever else there is becomes 10 or more and sets the high bit of its byte
        // below; a carry out of its byte can only reach bytes behind it, and only out of one that is no point.
        let values = bytes ^ (ALL * u64::from(b'0'));
        let others = (values.wrapping_add(ALL * 0x76) | values) & (ALL * 0x80);
        // Bits before the first byte that is no digit.
        let whole = others.trailing_zeros() & !7;
        let point = u64::from(b'.' ^ b'0');
        let (digits, scale, length) = if others != 0 && values >> whole & 0xFF == point {
            let others = others & (others - 1);
            let length = others.trailing_zeros() & !7;
            let before = (1_u64 << whole) - 1;
            // The digits behind the point move up to those before it.
            (values & before | values >> 8 & !before, length - whole - 8, length)
        } else {
            (values, 0, whole)
        };
        if length == 64 {
            return None;
        }
        // Zeros take the place of the missing digits, before the number.
        let digits = digits.checked_shl(64 - whole - scale).unwrap_or(0);
        Some(Self {
            mantissa: i64::from(eight_digits(digits)),
            digits: (whole + scale) as usize / 8,
            scale: scale as usize / 8,
            end: start + length as usize / 8,
        })
    }

    /// Reads digit by digit.
    fn read_long(text: &[u8], start: usize) -> Self {
        let mut read = Self { mantissa: 0, digits: 0, scale: 0, end: start };
        let mut point = None;
        while let Some(byte) = text.get(read.end) {
            match byte {
                b'0'..=b'9' => {
                    read.mantissa = read.mantissa.wrapping_mul(10).wrapping_add(i64::from(byte - b'0'));
                    read.digits += 1;
                }
                b'.' if point.is_none() => point = Some(read.digits),
                _ => break,
            }
            read.end += 1;
        }
        read.scale = point.map_or(0, |before| read.digits - before);
        read
    }
}

/// The number whose eight digits are the bytes, the first digit in the lowest.
#[inline]
fn eight_digits(values: u64) -> u32 {
    // Neighbours are joined: to four pairs, then to two fours and at once to all eight.
    let pairs = values.wrapping_mul(10).wrapping_add(values >> 8);
    let every_other = 0x0000_00FF_0000_00FF;
    let high = (pairs & every_other).wrapping_mul(100 + (1_000_000 << 32));
    let low = (pairs >> 16 & every_other).wrapping_mul(1 + (10_000 << 32));
    // Below 10^8.
    (high.wrapping_add(low) >> 32) as u32
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn all_lengths_around_eight_bytes() {
        for (text, mantissa, digits, scale, length) in [
            ("       ", 0, 0, 0, 0),
            (".      ", 0, 0, 0, 1),
            ("..     ", 0, 0, 0, 1),
            ("7 ", 7, 1, 0, 1),
            ("7. ", 7, 1, 0, 2),
            (".5 ", 5, 1, 1, 2),
            ("0.04512\n", 4512, 6, 5, 7),
            ("123.456 ", 123_456, 6, 3, 7),
            ("1234567 ", 1_234_567, 7, 0, 7),
            ("1234567.8 ", 12_345_678, 8, 1, 9),
            (".123456.7", 123_456, 6, 6, 7),
            ("12345678 ", 12_345_678, 8, 0, 8),
            ("1/:\u{ff}    ", 1, 1, 0, 1),
        ] {
            for (before, behind) in [("", ""), ("X", " Y123.5")] {
                let line = format!("{before}{text}{behind}");
                let expected = Digits { mantissa, digits, scale, end: before.len() + length };
                assert_eq!(Digits::read(line.as_bytes(), before.len()), expected, "{line:?}");
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn eight_at_a_time_gives_the_same_as_one_by_one(text in "[0-9.]{0,9}[\\x00-\\xff]{0,2}[0-9.]{0,9}", start in 0_usize..12) {
            prop_assert_eq!(Digits::read(text.as_bytes(), start), Digits::read_long(text.as_bytes(), start));
        }
    }
}
