//! A word of a line: a letter, perhaps with a number.

use std::ops::Range;

use super::decimal::Decimal;

/// A letter with or without a number.
// Kept small: writing words down is a measurable part of reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Word {
    mantissa: i64,
    start: u16,
    end: u16,
    letter: u8,
    /// [`NO_NUMBER`] for a letter alone.
    scale: u8,
}

const NO_NUMBER: u8 = u8::MAX;
/// The number is that of an expression, which the interpreter knows.
const EXPRESSION: u8 = u8::MAX - 1;
/// What a line sets a parameter to stands among its words under this letter.
pub(super) const SETTING: u8 = b'#';

impl Word {
    /// A word whose place is given in bytes of its line; none is longer than 65535.
    #[inline]
    pub(super) fn new(letter: u8, mantissa: i64, scale: u8, place: Range<usize>) -> Self {
        Self { mantissa, start: place.start as u16, end: place.end as u16, letter, scale }
    }

    pub(super) fn of(letter: u8, number: Option<Decimal>, place: Range<usize>) -> Self {
        let (mantissa, scale) = number.map_or((0, NO_NUMBER), |number| (number.mantissa(), number.scale()));
        Self::new(letter, mantissa, scale, place)
    }

    /// A word whose number has to be computed, or the setting of a parameter.
    pub(super) fn of_expression(letter: u8, place: Range<usize>) -> Self {
        Self::new(letter, 0, EXPRESSION, place)
    }

    /// The same word with a number.
    pub(super) fn with_number(self, number: Decimal) -> Self {
        Self { mantissa: number.mantissa(), scale: number.scale(), ..self }
    }

    /// Whether the number has to be computed.
    pub(super) fn is_expression(&self) -> bool {
        self.scale == EXPRESSION
    }

    /// The letter in upper case, `b'A'` to `b'Z'`; `b'#'` for what a parameter is set to.
    #[inline]
    pub fn letter(&self) -> u8 {
        self.letter
    }

    /// The number; none for a letter alone, such as the `X` of `G28 X`, and for an expression.
    pub fn number(&self) -> Option<Decimal> {
        self.number_as_written().map(Decimal::trimmed)
    }

    #[inline]
    pub(super) fn number_as_written(&self) -> Option<Decimal> {
        (self.scale < EXPRESSION).then_some(Decimal::as_written(self.mantissa, self.scale))
    }

    pub(super) fn start(&self) -> usize {
        self.start.into()
    }

    /// Where the word stands in [`Line::raw`](super::Line::raw). Blanks may lie inside.
    #[inline]
    pub fn range(&self) -> Range<usize> {
        self.start.into()..self.end.into()
    }
}
