//! The value of a short number, eight bytes at a time.
//!
//! Reading numbers is most of the work on a large job, and a loop over digits is slow there: how many there are
//! changes from number to number, so a processor guesses wrongly at the end of each.

/// Most bytes of a number that is read here.
pub(super) const MOST: usize = 16;

const ALL: u64 = 0x0101_0101_0101_0101;

/// Mantissa and scale of the number in the first `length` bytes: digits, at least one, with at most one point among
/// them. None for anything else and for any other length than 1 to [`MOST`].
#[inline(always)]
pub(super) fn read(bytes: &[u8; MOST], length: usize) -> Option<(i64, u8)> {
    if !(1..=8).contains(&length) {
        return read_long(bytes, length);
    }
    let part = Part::read(bytes.first_chunk()?, length)?;
    (length > usize::from(part.has_point)).then_some((part.value.into(), part.scale))
}

#[cold]
#[inline(never)]
fn read_long(bytes: &[u8; MOST], length: usize) -> Option<(i64, u8)> {
    let first = length.checked_sub(8).filter(|first| (1..=8).contains(first))?;
    let head = Part::read(bytes.first_chunk()?, first)?;
    let tail = Part::read(bytes[first..].first_chunk()?, 8)?;
    let power = if tail.has_point { 10_000_000 } else { 100_000_000 };
    let mantissa = i64::from(head.value) * power + i64::from(tail.value);
    match (head.has_point, tail.has_point) {
        (true, true) => None,
        (true, false) => Some((mantissa, head.scale + 8)),
        (false, _) => Some((mantissa, tail.scale)),
    }
}

/// Up to eight bytes of a number.
#[derive(Clone, Copy)]
struct Part {
    value: u32,
    has_point: bool,
    /// How many digits stand behind the point.
    scale: u8,
}

impl Part {
    /// Reads the first `length` of the bytes, 1 to 8; none if there is anything but digits and one point.
    #[inline(always)]
    fn read(bytes: &[u8; 8], length: usize) -> Option<Self> {
        // Digits become their values, the first one lowest; they are moved up so that zeros come before them.
        let values = (u64::from_le_bytes(*bytes) ^ (ALL * u64::from(b'0'))) << (64 - 8 * length);
        // Whatever else there is becomes 10 or more and sets the high bit of its byte below; a carry out of its byte
        // can only reach bytes behind it, and only out of one that is no point.
        let others = (values.wrapping_add(ALL * 0x76) | values) & (ALL * 0x80);
        if others == 0 {
            return Some(Self { value: eight_digits(values), has_point: false, scale: 0 });
        }
        // If there is one: the lowest bit of its byte, and the byte.
        let lowest = others >> 7;
        let byte = (others << 1).wrapping_sub(lowest);
        if others & (others - 1) != 0 || values & byte != lowest * u64::from(b'.' ^ b'0') {
            return None;
        }
        // The digits before the point move up to those behind it.
        let digits = (values & (lowest - 1)) << 8 | values & (others << 1).wrapping_neg();
        // Seven bytes at most.
        Some(Self { value: eight_digits(digits), has_point: true, scale: (others.leading_zeros() / 8) as u8 })
    }
}

/// The number whose eight digits are the bytes, the first digit in the lowest.
#[inline]
fn eight_digits(values: u64) -> u32 {
    // Neighbours are joined: to pairs, to fours, to all eight.
    let pairs = values.wrapping_mul(1 + (10 << 8)) >> 8 & 0x00FF_00FF_00FF_00FF;
    let fours = pairs.wrapping_mul(1 + (100 << 16)) >> 16 & 0x0000_FFFF_0000_FFFF;
    // Below 10^8.
    (fours.wrapping_mul(1 + (10_000 << 32)) >> 32) as u32
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read_text(text: &[u8]) -> Option<(i64, u8)> {
        // Digits behind the end, as if another number followed.
        let mut bytes = [b'7'; MOST];
        bytes[..text.len().min(MOST)].copy_from_slice(&text[..text.len().min(MOST)]);
        read(&bytes, text.len())
    }

    #[test]
    fn all_lengths() {
        for (text, number) in [
            ("", None),
            (".", None),
            ("..", None),
            ("7", Some((7, 0))),
            ("7.", Some((7, 0))),
            (".5", Some((5, 1))),
            ("0.04512", Some((4512, 5))),
            ("123.4567", Some((1_234_567, 4))),
            ("12345678", Some((12_345_678, 0))),
            ("12345678.", Some((12_345_678, 0))),
            (".12345678", Some((12_345_678, 8))),
            ("12345.67890", Some((1_234_567_890, 5))),
            ("1.2345678.9", None),
            ("9999999999999999", Some((9_999_999_999_999_999, 0))),
            ("99999999.9999999", Some((999_999_999_999_999, 7))),
            ("12345678901234567", None),
            ("1/", None),
            ("1:", None),
            ("1\u{ff}2", None),
        ] {
            assert_eq!(read_text(text.as_bytes()), number, "{text:?}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// The standard library's integers are the other opinion.
        #[test]
        fn eight_at_a_time_gives_what_the_standard_library_reads(text in "[0-9]{0,9}[.]?[0-9]{0,9}[\\x00-\\x7f]?") {
            let (whole, fraction) = text.split_once('.').unwrap_or((&text, ""));
            let joined = format!("{whole}{fraction}");
            let is_number = joined.bytes().all(|byte| byte.is_ascii_digit()) && text.len() <= MOST;
            let number = joined.parse().ok().filter(|_| is_number).map(|mantissa: i64| (mantissa, fraction.len() as u8));
            prop_assert_eq!(read_text(text.as_bytes()), number);
        }
    }
}
