//! Decimal numbers against an oracle in wide integers.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use gapkeeper_gcode::{Decimal, DecimalError, Units};
use proptest::prelude::*;

fn cases(count: u32) -> ProptestConfig {
    let asked = std::env::var("PROPTEST_CASES").ok().and_then(|text| text.parse().ok());
    ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(asked.unwrap_or(count)) }
}

/// numerator / 10^18, from the digits before and behind the point; none for more than 18 digits.
fn oracle(negative: bool, whole: &str, fraction: &str) -> Option<i128> {
    let fraction = fraction.trim_end_matches('0');
    let digits = format!("{whole}{fraction}");
    if fraction.len() > 18 || digits.trim_start_matches('0').len() > 18 {
        return None;
    }
    let value = format!("0{digits}").parse::<i128>().unwrap() * 10_i128.pow(18 - fraction.len() as u32);
    Some(if negative { -value } else { value })
}

/// Nanometres, rounded half away from zero; none beyond 100 km.
fn oracle_nm(value: i128, nm: i128) -> Option<i64> {
    // value × nm may need more than 128 bits: whole units and the rest apart.
    let one = 10_i128.pow(18);
    let (units, rest) = (value.abs() / one, value.abs() % one);
    let doubled = 2 * rest * nm;
    let rounded = units * nm + (doubled + one) / (2 * one);
    let rounded = if value < 0 { -rounded } else { rounded };
    (rounded.abs() <= 100_000_000_000_000).then_some(rounded as i64)
}

proptest! {
    #![proptest_config(cases(256))]

    #[test]
    fn numbers_equal_the_oracle(
        sign in "[+-]?",
        whole in "0{0,3}[0-9]{1,12}0{0,5}|[0-9]{1,4}",
        fraction in "0{0,3}[0-9]{0,12}0{0,9}",
        inch: bool,
    ) {
        let text = format!("{sign}{whole}.{fraction}");
        let parsed = Decimal::parse(text.as_bytes());
        let Some(value) = oracle(sign == "-", &whole, &fraction) else {
            prop_assert_eq!(parsed, Err(DecimalError::TooManyDigits));
            return Ok(());
        };
        let number = parsed.unwrap();
        let scaled = i128::from(number.mantissa()) * 10_i128.pow(18 - u32::from(number.scale()));
        prop_assert_eq!(scaled, value);
        prop_assert!(number.scale() == 0 || number.mantissa() % 10 != 0);
        let units = if inch { Units::Inch } else { Units::Millimetre };
        prop_assert_eq!(number.to_nm(units), oracle_nm(value, i128::from(units.nm())));
    }

    #[test]
    fn any_bytes_are_a_number_or_an_error(text in "[-+.0-9e ]{0,30}") {
        let well_formed = {
            let digits = text.trim_start_matches(['+', '-']);
            text.len() - digits.len() <= 1
                && digits.contains(|character: char| character.is_ascii_digit())
                && digits.matches('.').count() <= 1
                && digits.chars().all(|character| character == '.' || character.is_ascii_digit())
        };
        let parsed = Decimal::parse(text.as_bytes());
        prop_assert_eq!(parsed == Err(DecimalError::Malformed), !well_formed, "{:?}", text);
    }
}
