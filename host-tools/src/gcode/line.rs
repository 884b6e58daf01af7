//! One line of a file and its words.

use std::ops::Range;

use super::decimal::Decimal;
use super::error::{Fault, GcodeError};
use super::lexer::Frame;
use crate::place::Place;

/// A letter with or without a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Word {
    pub(super) letter: u8,
    pub(super) number: Option<Decimal>,
    pub(super) start: u32,
    pub(super) end: u32,
}

impl Word {
    /// The letter in upper case, `b'A'` to `b'Z'`.
    pub fn letter(&self) -> u8 {
        self.letter
    }

    /// The number; none for a letter alone, such as the `X` of `G28 X`.
    pub fn number(&self) -> Option<Decimal> {
        self.number
    }

    /// Where the word stands in [`Line::raw`]. Blanks may lie inside.
    pub fn range(&self) -> Range<usize> {
        self.start as usize..self.end as usize
    }
}

/// One line as the reader holds it.
#[derive(Debug, Default)]
pub(super) struct Held {
    pub(super) file: String,
    pub(super) number: u64,
    pub(super) raw: Vec<u8>,
    pub(super) words: Vec<Word>,
    pub(super) frame: Frame,
}

impl Held {
    pub(super) fn error(&self, fault: Fault) -> GcodeError {
        GcodeError::new(Place::new(self.file.as_str(), self.number, &self.raw, fault.offset), fault.kind)
    }
}

/// One line, lent by the reader until the next is asked for.
// A reference alone: copying more for each line is a measurable part of reading.
#[derive(Clone, Copy, Debug)]
pub struct Line<'a>(pub(super) &'a Held);

impl<'a> Line<'a> {
    /// Which line of the file it is, counted from 1. Not the program's own `N` number.
    pub fn number(&self) -> u64 {
        self.0.number
    }

    /// The line byte for byte, with its line end, and on line 1 with a byte order mark if there is one.
    ///
    /// All lines of a file, one behind the other, are the file.
    pub fn raw(&self) -> &'a [u8] {
        &self.0.raw
    }

    /// The words in order, without a line number and a check value.
    pub fn words(&self) -> &'a [Word] {
        &self.0.words
    }

    /// The number of an `N` word.
    pub fn sequence_number(&self) -> Option<u32> {
        self.0.frame.sequence_number
    }

    /// What stands behind an unknown `M` word, up to `;`, a check value or the line's end. It has no words.
    pub fn free_text(&self) -> Option<&'a [u8]> {
        self.free_text_range().and_then(|range| self.0.raw.get(range))
    }

    pub(crate) fn free_text_range(&self) -> Option<Range<usize>> {
        self.0.frame.free_text.map(|(start, end)| start as usize..end as usize)
    }

    /// Where the check value that closes the line stands, with its `*`; it is the exclusive or of all bytes before it,
    /// but for a byte order mark.
    pub fn check_value(&self) -> Option<Range<usize>> {
        self.0.frame.check_value.map(|(star, end)| star as usize..end as usize)
    }

    /// The first word with a letter, given in upper case.
    pub fn word(&self, letter: u8) -> Option<&'a Word> {
        self.0.words.iter().find(|word| word.letter == letter)
    }

    pub(super) fn error(&self, fault: Fault) -> GcodeError {
        self.0.error(fault)
    }
}
