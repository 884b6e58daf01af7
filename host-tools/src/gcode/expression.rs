//! Real values that are no plain numbers: expressions, functions and parameters (NISTIR 6556, 3.3.2.2 to 3.3.2.5 and
//! 3.3.3), and what a line sets parameters to.

use std::collections::BTreeMap;

use super::decimal::Decimal;
use super::error::{Fault, GcodeErrorKind as Kind};

/// The highest parameter (NISTIR 6556, 3.2.1).
const HIGHEST: u32 = 5399;
/// Brackets within brackets and signs before signs: what is deeper is no program, and would fill the stack.
const DEEPEST: usize = 64;

/// The parameters that a program has set.
#[derive(Clone, Debug, Default)]
pub(super) struct Parameters(BTreeMap<u32, f64>);

impl Parameters {
    pub(super) fn set(&mut self, index: u32, value: f64) {
        self.0.insert(index, value);
    }
}

/// The offset of the byte after the value at `start`.
pub(super) fn skip_value(line: &[u8], start: usize) -> Result<usize, Fault> {
    let mut reading = Reading { line, at: start, depth: 0, parameters: None };
    reading.value()?;
    Ok(reading.at)
}

/// The offset of the byte after the setting of a parameter that begins with the `#` at `start`.
pub(super) fn skip_setting(line: &[u8], start: usize) -> Result<usize, Fault> {
    let mut reading = Reading { line, at: start, depth: 0, parameters: None };
    reading.setting()?;
    Ok(reading.at)
}

/// The value at `start` as a number of up to nine decimals.
pub(super) fn value(line: &[u8], start: usize, parameters: &Parameters) -> Result<Decimal, Fault> {
    let value = Reading { line, at: start, depth: 0, parameters: Some(parameters) }.value()?;
    Decimal::of_real(value).ok_or_else(|| Fault::new(start, Kind::OutOfRange))
}

/// What the setting that begins with the `#` at `start` sets: which parameter, to what.
pub(super) fn setting(line: &[u8], start: usize, parameters: &Parameters) -> Result<(u32, f64), Fault> {
    let mut reading = Reading { line, at: start, depth: 0, parameters: Some(parameters) };
    let (index, value) = reading.setting()?;
    Ok((reading.index(index, start)?, value))
}

#[derive(Clone, Copy)]
enum Operator {
    Power,
    Times,
    Over,
    Modulo,
    Plus,
    Minus,
    Or,
    Xor,
    And,
}

impl Operator {
    /// The higher, the earlier (NISTIR 6556, 3.3.2.3).
    const fn precedence(self) -> u8 {
        match self {
            Operator::Power => 3,
            Operator::Times | Operator::Over | Operator::Modulo => 2,
            _ => 1,
        }
    }
}

/// Reads values; without parameters only where they end.
struct Reading<'a> {
    line: &'a [u8],
    at: usize,
    depth: usize,
    parameters: Option<&'a Parameters>,
}

impl Reading<'_> {
    fn peek(&mut self) -> Option<u8> {
        while let Some(b' ' | b'\t') = self.line.get(self.at) {
            self.at += 1;
        }
        self.line.get(self.at).map(u8::to_ascii_lowercase)
    }

    /// Whether the next bytes are these, blanks among them or not; passes them if so.
    fn takes(&mut self, text: &[u8]) -> bool {
        let before = self.at;
        for byte in text {
            if self.peek() != Some(*byte) {
                self.at = before;
                return false;
            }
            self.at += 1;
        }
        true
    }

    fn wrong<T>(&mut self) -> Result<T, Fault> {
        self.peek();
        // At the end the last character is shown.
        let last = self.line.trim_ascii_end().len().saturating_sub(1);
        Err(Fault::new(self.at.min(last), Kind::Expression))
    }

    fn setting(&mut self) -> Result<(f64, f64), Fault> {
        if !self.takes(b"#") {
            return self.wrong();
        }
        let index = self.value()?;
        if !self.takes(b"=") {
            return self.wrong();
        }
        Ok((index, self.value()?))
    }

    /// A number, an expression in brackets, a function or a parameter (NISTIR 6556, 3.3.2).
    fn value(&mut self) -> Result<f64, Fault> {
        self.depth += 1;
        if self.depth > DEEPEST {
            return self.wrong();
        }
        let start = self.at;
        let value = match self.peek() {
            Some(b'[') => self.bracketed(),
            Some(b'#') => {
                self.at += 1;
                let index = self.value()?;
                self.parameter(index, start)
            }
            Some(sign @ (b'+' | b'-')) if !matches!(self.line.get(self.at + 1), Some(b'0'..=b'9' | b'.')) => {
                self.at += 1;
                let value = self.value()?;
                Ok(if sign == b'-' { -value } else { value })
            }
            Some(b'0'..=b'9' | b'.' | b'+' | b'-') => self.number(),
            Some(b'a'..=b'z') => self.function(),
            _ => self.wrong(),
        }?;
        self.depth -= 1;
        if value.is_finite() { Ok(value) } else { Err(Fault::new(start, Kind::OutOfRange)) }
    }

    fn number(&mut self) -> Result<f64, Fault> {
        let start = self.at;
        let (_, end) = Decimal::scan(self.line, start).map_err(|error| Fault::new(start, Kind::Number(error)))?;
        self.at = end;
        // It is ASCII of a form that the standard library reads.
        let number = std::str::from_utf8(&self.line[start..end]).ok().and_then(|text| text.parse().ok());
        number.ok_or_else(|| Fault::new(start, Kind::OutOfRange))
    }

    fn bracketed(&mut self) -> Result<f64, Fault> {
        if !self.takes(b"[") {
            return self.wrong();
        }
        let value = self.binary(1)?;
        if !self.takes(b"]") {
            return self.wrong();
        }
        Ok(value)
    }

    /// Operations of at least some precedence, from left to right.
    fn binary(&mut self, precedence: u8) -> Result<f64, Fault> {
        let mut value = self.value()?;
        loop {
            self.peek();
            let before = self.at;
            let Some(operator) = self.operator() else { return Ok(value) };
            if operator.precedence() < precedence {
                self.at = before;
                return Ok(value);
            }
            let other = self.binary(operator.precedence() + 1)?;
            value = self.compute(operator, value, other, before)?;
        }
    }

    fn operator(&mut self) -> Option<Operator> {
        let operators: [(&[u8], Operator); 9] = [
            (b"**", Operator::Power),
            (b"*", Operator::Times),
            (b"/", Operator::Over),
            (b"mod", Operator::Modulo),
            (b"+", Operator::Plus),
            (b"-", Operator::Minus),
            (b"or", Operator::Or),
            (b"xor", Operator::Xor),
            (b"and", Operator::And),
        ];
        operators.into_iter().find(|(text, _)| self.takes(text)).map(|(_, operator)| operator)
    }

    fn compute(&self, operator: Operator, value: f64, other: f64, at: usize) -> Result<f64, Fault> {
        let truth = |is_true: bool| f64::from(u8::from(is_true));
        let result = match operator {
            Operator::Power => value.powf(other),
            Operator::Times => value * other,
            Operator::Over => value / other,
            // Never negative (NISTIR 6556, 3.3.2.3).
            Operator::Modulo => value.rem_euclid(other),
            Operator::Plus => value + other,
            Operator::Minus => value - other,
            Operator::Or => truth(value != 0.0 || other != 0.0),
            Operator::Xor => truth((value != 0.0) != (other != 0.0)),
            Operator::And => truth(value != 0.0 && other != 0.0),
        };
        self.finite(result, at)
    }

    /// A function of the standard (NISTIR 6556, 3.3.2.4); angles are degrees.
    fn function(&mut self) -> Result<f64, Fault> {
        let start = self.at;
        let names: [&[u8]; 13] = [
            b"abs", b"acos", b"asin", b"atan", b"cos", b"exp", b"fix", b"fup", b"ln", b"round", b"sin", b"sqrt", b"tan",
        ];
        let Some(name) = names.into_iter().find(|name| self.takes(name)) else { return self.wrong() };
        let value = self.bracketed()?;
        let result = match name {
            b"abs" => value.abs(),
            b"acos" => value.acos().to_degrees(),
            b"asin" => value.asin().to_degrees(),
            b"atan" => {
                if !self.takes(b"/") {
                    return self.wrong();
                }
                value.atan2(self.bracketed()?).to_degrees()
            }
            b"cos" => value.to_radians().cos(),
            b"exp" => value.exp(),
            b"fix" => value.floor(),
            b"fup" => value.ceil(),
            b"ln" => value.ln(),
            b"round" => value.round(),
            b"sin" => value.to_radians().sin(),
            b"sqrt" => value.sqrt(),
            _ => value.to_radians().tan(),
        };
        self.finite(result, start)
    }

    /// The result; zero where only the form is checked.
    fn finite(&self, result: f64, at: usize) -> Result<f64, Fault> {
        match self.parameters {
            None => Ok(0.0),
            Some(_) if result.is_finite() => Ok(result),
            Some(_) => Err(Fault::new(at, Kind::NoValue)),
        }
    }

    fn index(&self, index: f64, at: usize) -> Result<u32, Fault> {
        // Within 0.0001 of a whole number (NISTIR 6556, 3.3.2.1); in range, so that the cast is exact.
        let is_index = (index - index.round()).abs() <= 0.0001 && (1.0..=f64::from(HIGHEST)).contains(&index.round());
        if is_index { Ok(index.round() as u32) } else { Err(Fault::new(at, Kind::ParameterIndex)) }
    }

    fn parameter(&self, index: f64, at: usize) -> Result<f64, Fault> {
        let Some(parameters) = self.parameters else { return Ok(0.0) };
        let index = self.index(index, at)?;
        parameters.0.get(&index).copied().ok_or_else(|| Fault::new(at, Kind::ParameterUnset(index)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn result(text: &str) -> f64 {
        let parameters = Parameters([(1, 2.0), (2, 0.375)].into());
        let mut reading = Reading { line: text.as_bytes(), at: 0, depth: 0, parameters: Some(&parameters) };
        let value = reading.value().unwrap();
        assert_eq!(reading.at, text.len(), "{text}");
        assert_eq!(skip_value(text.as_bytes(), 0).unwrap(), text.len(), "{text}");
        value
    }

    fn refusal(text: &str) -> String {
        match value(text.as_bytes(), 0, &Parameters::default()) {
            Err(fault) => format!("{}: {}", fault.offset, fault.kind),
            Ok(number) => panic!("{number:?}"),
        }
    }

    /// SOURCES rows G-5, G-6 and G-22 (NISTIR 6556, 3.3.2.3, 3.3.2.4 and Appendix C.2).
    #[test]
    fn g5_values_of_the_standard() {
        for (text, expected) in [
            ("[2.0 / 3 * 1.5 - 5.5 / 11.0]", 0.5),
            ("[1 --3]", 4.0),
            ("[15 MOD 4.0]", 3.0),
            ("[-1 mod 4]", 3.0),
            ("[1 + 2 * 3 - 4 / 5]", 6.2),
            ("[2 ** 3.0]", 8.0),
            ("[2 or 0]", 1.0),
            ("[2 x o r 2]", 0.0),
            ("[2 AND 0]", 0.0),
            ("FIX[2.8]", 2.0),
            ("FIX[-2.8]", -3.0),
            ("FUP[2.8]", 3.0),
            ("FUP[-2.8]", -2.0),
            ("round[-0.5001]", -1.0),
            ("##1", 0.375),
            ("-#1", -2.0),
        ] {
            assert!((result(text) - expected).abs() < 1e-12, "{text}: {}", result(text));
        }
        // The last line of row G-22 has no printed answer; this one is computed elsewhere.
        let long = "[2 + asin[1/2.1+-0.345] / [atan[fix[4.4] * 2.1 * sqrt[16.8]] /[-18]]**2]";
        assert!((result(long) - 2.000545077939).abs() < 1e-11);
    }

    #[test]
    fn what_has_no_value() {
        assert_eq!(refusal("[1"), "1: no expression of numbers, parameters, functions and operators in brackets");
        assert_eq!(refusal("[1 / 0]"), "3: the operation has no result for these numbers");
        assert_eq!(refusal("ln[-1]"), "0: the operation has no result for these numbers");
        assert_eq!(refusal("#7"), "0: parameter 7 has not been set by the job");
        assert_eq!(refusal("#5400"), "0: parameters have whole numbers from 1 to 5399");
        assert!(refusal(&"[".repeat(1000)).starts_with("64: no expression"));
        assert!(refusal("[1e9]").starts_with("2: no expression"));
    }
}
