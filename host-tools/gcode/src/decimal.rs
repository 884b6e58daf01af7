//! Exact decimal numbers as G-code writes them.

use std::fmt;

/// Most digits that a number may have, leading zeros and zeros at the end of the fraction not counted.
const DIGITS: usize = 18;
/// Farthest place in nanometres that is accepted: 100 km. Sums and squares of such lengths fit their integers.
pub const FARTHEST_NM: i64 = 100_000_000_000_000;

const POWERS_OF_TEN: [i64; DIGITS + 1] = {
    let mut powers = [1; DIGITS + 1];
    let mut index = 1;
    while index <= DIGITS {
        powers[index] = powers[index - 1] * 10;
        index += 1;
    }
    powers
};

/// The length unit of a program (`G20`, `G21`).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Units {
    /// `G21`.
    Millimetre,
    /// `G20`, 25.4 mm exactly.
    Inch,
}

impl Units {
    /// Nanometres in one unit, exactly.
    pub const fn nm(self) -> i64 {
        match self {
            Units::Millimetre => 1_000_000,
            Units::Inch => 25_400_000,
        }
    }
}

/// Why a text is not a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DecimalError {
    /// There is no digit, or something that belongs to no number.
    #[error("a number needs digits, with at most one sign before and one point among them")]
    Malformed,
    /// More than 18 digits.
    #[error("a number has more than 18 digits")]
    TooManyDigits,
}

/// An exact decimal number: mantissa × 10^-scale, without zeros at the end of its fraction.
///
/// Form after NISTIR 6556, 3.3.2.1: an optional sign, digits, an optional point, digits, at least one digit in all;
/// no exponent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Decimal {
    mantissa: i64,
    scale: u8,
}

impl Decimal {
    /// Reads a whole text as a number. Blanks are not skipped here.
    ///
    /// # Errors
    /// [`DecimalError`] when the text is not of the form above, or has more than 18 digits.
    pub fn parse(text: &[u8]) -> Result<Self, DecimalError> {
        match Self::scan(text, 0)? {
            (number, end) if end == text.len() => Ok(number.trimmed()),
            _ => Err(DecimalError::Malformed),
        }
    }

    /// The nearest number of nine decimals; none for more digits than a number may have.
    pub(super) fn of_real(value: f64) -> Option<Self> {
        let scaled = (value * 1e9).round();
        // In range, so that the cast is exact.
        (scaled.abs() < 1e18).then(|| Self { mantissa: scaled as i64, scale: 9 }.trimmed())
    }

    /// A number as it is written: zeros may stand at the end of its fraction. `scale` is 18 at most.
    pub(super) const fn as_written(mantissa: i64, scale: u8) -> Self {
        Self { mantissa, scale }
    }

    /// Without zeros at the end of the fraction.
    pub(super) const fn trimmed(mut self) -> Self {
        while self.scale > 0 && self.mantissa % 10 == 0 {
            self.mantissa /= 10;
            self.scale -= 1;
        }
        self
    }

    /// Reads the longest number that begins at `start`, as it is written; also gives the offset of the byte behind it.
    pub(super) fn scan(text: &[u8], start: usize) -> Result<(Self, usize), DecimalError> {
        let negative = text.get(start) == Some(&b'-');
        let first = start + usize::from(matches!(text.get(start), Some(b'-' | b'+')));
        let (mut mantissa, mut digits, mut point, mut at) = (0_i64, 0, None, first);
        while let Some(byte) = text.get(at) {
            match byte {
                b'0'..=b'9' => {
                    mantissa = mantissa.wrapping_mul(10).wrapping_add(i64::from(byte - b'0'));
                    digits += 1;
                }
                b'.' if point.is_none() => point = Some(digits),
                _ => break,
            }
            at += 1;
        }
        let mut scale = point.map_or(0, |before| digits - before);
        if digits == 0 {
            return Err(DecimalError::Malformed);
        }
        if digits > DIGITS {
            (mantissa, scale) = read_long(&text[first..at])?;
        }
        let mantissa = if negative { -mantissa } else { mantissa };
        // At most DIGITS.
        Ok((Self { mantissa, scale: scale as u8 }, at))
    }

    /// The digits as one integer, with the sign.
    pub fn mantissa(self) -> i64 {
        self.mantissa
    }

    /// How many of the digits stand behind the point: 0 to 18.
    pub fn scale(self) -> u8 {
        self.scale
    }

    /// The length in nanometres, rounded once, half away from zero; none beyond 100 km either way.
    #[inline]
    pub fn to_nm(self, units: Units) -> Option<i64> {
        // Nearly every number of a job takes this way, without a division.
        let (factor, decimals) = match units {
            Units::Millimetre => (1, 6),
            Units::Inch => (254, 5),
        };
        match decimals_left(decimals, self.scale).and_then(|power| self.mantissa.checked_mul(factor * power)) {
            Some(value) => within_reach(value),
            None => self.scaled(units.nm()),
        }
    }

    /// The digit that a number is written as.
    pub(super) fn to_digit(self) -> Option<u8> {
        u8::try_from(self.mantissa).ok().filter(|digit| self.scale == 0 && *digit < 10)
    }

    /// The number in millionths, rounded half away from zero; none beyond 10^14 either way.
    pub(super) fn to_millionths(self) -> Option<i64> {
        self.scaled(1_000_000)
    }

    /// The nearest whole number, half away from zero; none beyond 10^14 either way.
    pub fn to_whole(self) -> Option<i64> {
        if self.scale == 0 { within_reach(self.mantissa) } else { self.scaled(1) }
    }

    /// The whole number before the point; none below zero.
    pub(super) fn to_whole_below(self) -> Option<i64> {
        (self.mantissa >= 0).then(|| self.mantissa / POWERS_OF_TEN[usize::from(self.scale)])
    }

    fn scaled(self, factor: i64) -> Option<i64> {
        let divisor = i128::from(POWERS_OF_TEN[usize::from(self.scale)]);
        let product = i128::from(self.mantissa) * i128::from(factor);
        let rest = product % divisor;
        let rounding = if rest.abs() * 2 >= divisor { rest.signum() } else { 0 };
        within_reach(i64::try_from(product / divisor + rounding).ok()?)
    }

    /// The whole number that `factor` times this number lies within 0.0001 of (NISTIR 6556, 3.3.2.1).
    pub(super) fn whole_within_tolerance(self, factor: u32) -> Option<u32> {
        if self.scale == 0 && (0..=100_000).contains(&self.mantissa) {
            return u32::try_from(self.mantissa).ok()?.checked_mul(factor);
        }
        let divisor = i128::from(POWERS_OF_TEN[usize::from(self.scale)]);
        let value = i128::from(self.mantissa) * i128::from(factor);
        let nearest = (2 * value + divisor).div_euclid(2 * divisor);
        ((value - nearest * divisor).abs() * 10_000 <= divisor).then(|| u32::try_from(nearest).ok()).flatten()
    }
}

impl fmt::Display for Decimal {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { mantissa, scale } = self.trimmed();
        let (sign, digits) = (if mantissa < 0 { "-" } else { "" }, mantissa.unsigned_abs());
        let power = POWERS_OF_TEN[usize::from(scale)].unsigned_abs();
        match usize::from(scale) {
            0 => write!(out, "{sign}{digits}"),
            scale => write!(out, "{sign}{}.{:0scale$}", digits / power, digits % power),
        }
    }
}

/// A place, or none if it is beyond 100 km.
#[inline]
pub(super) fn within_reach(value: i64) -> Option<i64> {
    (-FARTHEST_NM..=FARTHEST_NM).contains(&value).then_some(value)
}

/// 10^(decimals - scale), if that is whole.
fn decimals_left(decimals: u8, scale: u8) -> Option<i64> {
    POWERS_OF_TEN.get(usize::from(decimals.checked_sub(scale)?)).copied()
}

/// Reads digits and at most one point, none of which may be missing, where zeros make up for the length.
fn read_long(text: &[u8]) -> Result<(i64, usize), DecimalError> {
    let (whole, fraction) = match text.iter().position(|byte| *byte == b'.') {
        Some(point) => (&text[..point], &text[point + 1..]),
        None => (text, &text[text.len()..]),
    };
    let scale = fraction.iter().rposition(|digit| *digit != b'0').map_or(0, |last| last + 1);
    let mut significant = whole.iter().chain(&fraction[..scale]).skip_while(|digit| **digit == b'0');
    let mantissa = significant
        .try_fold((0_i64, 0), |(value, count), digit| {
            (count < DIGITS).then(|| (value * 10 + i64::from(digit - b'0'), count + 1))
        })
        .map(|(value, _)| value);
    mantissa.filter(|_| scale <= DIGITS).map(|mantissa| (mantissa, scale)).ok_or(DecimalError::TooManyDigits)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(text: &str) -> Decimal {
        Decimal::parse(text.as_bytes()).unwrap()
    }

    /// SOURCES row G-3 (NISTIR 6556, 3.3.2.1 and E.2).
    #[test]
    fn g3_forms_of_a_number() {
        for (text, mantissa, scale) in
            [("1.", 1, 0), (".5", 5, 1), ("+0.", 0, 0), ("-0.8807", -8807, 4), ("341", 341, 0)]
        {
            assert_eq!(number(text), Decimal { mantissa, scale }, "{text}");
        }
        for text in ["", ".", "-", "+", "-.", "1e3", "1.2.3", "--1", "1-", " 1", "1,5"] {
            assert_eq!(Decimal::parse(text.as_bytes()), Err(DecimalError::Malformed), "{text}");
        }
    }

    #[test]
    fn zeros_do_not_count_as_digits() {
        assert_eq!(number("00000000000000000000001.50000000000000000000000"), number("1.5"));
        assert_eq!(number("100000000000000000.0"), number("100000000000000000"));
        assert_eq!(number("-0.0"), number("0"));
        assert_eq!(number("999999999999999999").mantissa(), 999_999_999_999_999_999);
        for text in ["1000000000000000000", "0.1234567890123456789", "0.0000000000000000001"] {
            assert_eq!(Decimal::parse(text.as_bytes()), Err(DecimalError::TooManyDigits), "{text}");
        }
    }

    #[test]
    fn lengths_round_once_half_away_from_zero() {
        let millimetre = |text| number(text).to_nm(Units::Millimetre);
        assert_eq!(millimetre("123.456"), Some(123_456_000));
        assert_eq!(millimetre("0.0000005"), Some(1));
        assert_eq!(millimetre("-0.0000005"), Some(-1));
        // Rounding twice, to eight places first, would give 1.
        assert_eq!(millimetre("0.000000499999999"), Some(0));
        assert_eq!(number("1").to_nm(Units::Inch), Some(25_400_000));
        assert_eq!(number("0.00000001").to_nm(Units::Inch), Some(0));
        assert_eq!(number("0.00000002").to_nm(Units::Inch), Some(1));
    }

    #[test]
    fn lengths_beyond_100_km_are_none() {
        assert_eq!(number("100000000").to_nm(Units::Millimetre), Some(FARTHEST_NM));
        assert_eq!(number("100000000.000001").to_nm(Units::Millimetre), None);
        assert_eq!(number("-999999999999999999").to_nm(Units::Inch), None);
    }

    /// SOURCES row G-4 (NISTIR 6556, 3.3.2.1), on the numbers alone.
    #[test]
    fn g4_whole_within_a_ten_thousandth() {
        assert_eq!(number("3.00005").whole_within_tolerance(1), Some(3));
        assert_eq!(number("2.99995").whole_within_tolerance(1), Some(3));
        assert_eq!(number("1.000005").whole_within_tolerance(10), Some(10));
        assert_eq!(number("1.00005").whole_within_tolerance(10), None);
        assert_eq!(number("92.1").whole_within_tolerance(10), Some(921));
        assert_eq!(number("-1").whole_within_tolerance(10), None);
        assert_eq!(number("999999999999999999").whole_within_tolerance(10), None);
    }
}
