//! Decimal numbers of texts, exactly, as micrometres.

use super::LengthUnit;

/// Farthest length that is taken: well above all that 32 bits of micrometres hold.
const FARTHEST_UM: i128 = 1_000_000_000_000;
/// Mantissas below this leave room for one more digit.
const LARGEST_MANTISSA: i128 = 1_000_000_000_000_000_000_000_000_000_000;
/// No length has more decimal places than this, or zeros at its end.
const LARGEST_EXPONENT: i32 = 10_000;

/// A length as whole micrometres.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Length {
    /// Rounded to the nearest, halves away from zero.
    pub um: i64,
    /// Whether there was anything to round.
    pub is_rounded: bool,
}

/// Reads `[+-] digits [point digits] [e [+-] digits]`; none if it is anything else or too large for any machine.
pub(super) fn length(text: &str, point: char, unit: LengthUnit) -> Option<Length> {
    let (is_negative, unsigned) = match text.strip_prefix('-') {
        Some(rest) => (true, rest),
        None => (false, text.strip_prefix('+').unwrap_or(text)),
    };
    let (digits, mut exponent) = match unsigned.split_once(['e', 'E']) {
        Some((digits, exponent)) => (digits, exponent.parse::<i32>().ok()?),
        None => (unsigned, 0),
    };
    if exponent.abs() > LARGEST_EXPONENT {
        return None;
    }
    let (whole, fraction) = digits.split_once(point).unwrap_or((digits, ""));
    let is_digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if whole.len() + fraction.len() == 0 || !is_digits(whole) || !is_digits(fraction) {
        return None;
    }
    let (mut mantissa, mut is_cut) = (0_i128, false);
    for (index, digit) in whole.bytes().chain(fraction.bytes()).enumerate() {
        let is_fraction = index >= whole.len();
        if mantissa < LARGEST_MANTISSA {
            mantissa = mantissa * 10 + i128::from(digit - b'0');
            exponent -= i32::from(is_fraction);
        } else {
            is_cut |= digit != b'0';
            exponent = exponent.saturating_add(i32::from(!is_fraction));
        }
    }
    if unit == LengthUnit::Millimetre {
        exponent = exponent.saturating_add(3);
    }
    let (um, is_rounded) = shifted(mantissa, exponent)?;
    // Within FARTHEST_UM.
    let um = um as i64;
    Some(Length { um: if is_negative { -um } else { um }, is_rounded: is_rounded || is_cut })
}

/// `mantissa` × 10^`exponent`, rounded, and whether it had to be.
fn shifted(mantissa: i128, exponent: i32) -> Option<(i128, bool)> {
    let power = 10_i128.checked_pow(exponent.unsigned_abs());
    let (value, is_rounded) = match (exponent >= 0, power) {
        _ if mantissa == 0 => (0, false),
        (true, power) => (mantissa.checked_mul(power?)?, false),
        (false, None) => (0, true),
        (false, Some(power)) => {
            let rest = mantissa % power;
            (mantissa / power + i128::from(rest >= power - rest), rest != 0)
        }
    };
    (value <= FARTHEST_UM).then_some((value, is_rounded))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_are_exact_and_halves_go_away_from_zero() {
        let read = |text| length(text, '.', LengthUnit::Millimetre).map(|length| (length.um, length.is_rounded));
        for (text, um, is_rounded) in [
            ("0.125", 125, false),
            ("-0.25", -250, false),
            ("+1", 1000, false),
            (".5", 500, false),
            ("5.", 5000, false),
            ("-0", 0, false),
            ("0.0625", 63, true),
            ("-0.0625", -63, true),
            ("0.0624", 62, true),
            ("1.25e-01", 125, false),
            ("1E2", 100_000, false),
            ("0.12500000000000000000000000000000000000000000", 125, false),
            ("0.12500000000000000000000000000000000000000001", 125, true),
            ("1e-9999", 0, true),
            ("000000000000000000000000000000000000000000000001", 1000, false),
        ] {
            assert_eq!(read(text), Some((um, is_rounded)), "{text}");
        }
        for text in ["", "-", ".", "1.2.3", "1e", "e5", "1e99999", "1e10", "nan", "inf", "0x1", "1_0", "--1", "1 "] {
            assert_eq!(read(text), None, "{text}");
        }
        assert_eq!(length("0,125", ',', LengthUnit::Micrometre), Some(Length { um: 0, is_rounded: true }));
    }
}
