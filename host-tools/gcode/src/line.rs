//! One line of a file and its words.

use std::ops::Range;

use super::error::{Fault, GcodeError};
use super::lexer::{self, Frame};
use super::plain::{self, Level, Plain};
use super::window::Window;
use super::word::Word;
use gapkeeper_text::TextPosition;

/// One line as the reader holds it.
#[derive(Debug)]
pub(super) struct Held {
    pub(super) file: String,
    pub(super) number: u64,
    pub(super) window: Window,
    /// Those from `first_word` on, `word_count` of them; the others belong to other lines. A reader never has fewer than
    /// [`plain::WORDS`].
    words: Vec<Word>,
    first_word: usize,
    pub(super) word_count: usize,
    pub(super) frame: Frame,
}

impl Held {
    pub(super) fn new(file: String) -> Self {
        let words = vec![Word::of(b'A', None, 0..0); plain::WORDS];
        Self { words, window: Window::new(), ..Self::without_room(file) }
    }

    fn without_room(file: String) -> Self {
        let (words, window, frame) = (Vec::new(), Window::without_room(), Frame::default());
        Self { file, number: 0, window, words, first_word: 0, word_count: 0, frame }
    }

    /// Goes on to the next line if it is plain and has been read as a whole; otherwise nothing changes.
    #[inline]
    pub(super) fn advance_plain(&mut self) -> bool {
        let (Some(bytes), Some(words)) = (self.window.ahead(0), self.words.first_chunk_mut()) else { return false };
        let Some(Plain { words, length }) = plain::split(bytes, words) else { return false };
        if !self.window.advance(length) {
            return false;
        }
        self.number += 1;
        self.word_count = words;
        if !self.frame.is_plain {
            self.frame = Frame::PLAIN;
        }
        true
    }

    /// Passes over level lines up to the last whole one among them, which comes next; gives how many bytes of level lines
    /// there are, the last ones too.
    pub(super) fn pass_level(&mut self) -> usize {
        let (mut seen, mut lines, mut passed) = (0, 0, (0, 0));
        while let Some(Level { length, is_whole }) = self.window.ahead(seen).and_then(plain::level) {
            if !self.window.holds(seen + length) {
                break;
            }
            if is_whole {
                passed = (seen, lines);
            }
            (seen, lines) = (seen + length, lines + 1);
        }
        self.window.advance(passed.0);
        self.number += passed.1;
        seen
    }

    /// Splits the line from its byte `start` on.
    pub(super) fn split(&mut self, start: usize) -> Result<(), GcodeError> {
        let split = lexer::split(self.window.line(), start, &mut self.words);
        self.word_count = self.words.len();
        if self.words.len() < plain::WORDS {
            self.words.resize(plain::WORDS, Word::of(b'A', None, 0..0));
        }
        match split {
            Ok(frame) => {
                self.frame = frame;
                Ok(())
            }
            Err(fault) => {
                self.word_count = 0;
                Err(self.error(fault))
            }
        }
    }

    pub(super) fn error(&self, fault: Fault) -> GcodeError {
        Line(self).error(fault)
    }
}

/// One line, lent by the reader until the next is asked for.
// A reference alone: copying more for each line is a measurable part of reading.
#[derive(Clone, Copy, Debug)]
pub struct Line<'a>(pub(super) &'a Held);

impl<'a> Line<'a> {
    /// Which line of the file it is, counted from 1. Not the program's own `N` number.
    #[inline]
    pub fn number(&self) -> u64 {
        self.0.number
    }

    /// The line byte for byte, with its line end, and on line 1 with a byte order mark if there is one.
    ///
    /// All lines of a file, one behind the other, are the file.
    #[inline]
    pub fn raw(&self) -> &'a [u8] {
        self.0.window.line()
    }

    /// The words in order, without a line number and a check value.
    #[inline]
    pub fn words(&self) -> &'a [Word] {
        let Held { words, first_word, word_count, .. } = self.0;
        words.get(*first_word..first_word + word_count).unwrap_or_default()
    }

    /// Whether the line is known to hold words and nothing else; a line that is not may all the same.
    #[inline]
    pub fn is_plain(&self) -> bool {
        self.0.frame.is_plain
    }

    /// The number of an `N` word.
    pub fn sequence_number(&self) -> Option<u32> {
        self.0.frame.sequence_number
    }

    /// What stands after an unknown `M` word or a message, up to `;`, a check value or the line's end; the whole call of
    /// a host's macro. It has no words.
    pub fn free_text(&self) -> Option<&'a [u8]> {
        self.free_text_range().and_then(|range| self.raw().get(range))
    }

    /// Whether the line calls a macro of the host: a name of two letters or more, or a `T` that asks for a tool. Its text
    /// is free.
    pub fn is_macro(&self) -> bool {
        self.0.frame.is_macro
    }

    /// Whether the line begins with `/`: an operator may have it left out (NISTIR 6556, 3.3).
    #[inline]
    pub fn is_deletable(&self) -> bool {
        self.0.frame.is_deletable
    }

    /// Where the text stands that belongs to the last word, if there is one.
    pub fn free_text_range(&self) -> Option<Range<usize>> {
        self.0.frame.free_text.map(|(start, end)| start as usize..end as usize)
    }

    /// Where the check value that closes the line stands, with its `*`; it is the exclusive or of all bytes before it,
    /// but for a byte order mark.
    pub fn check_value(&self) -> Option<Range<usize>> {
        self.0.frame.check_value.map(|(star, end)| star as usize..end as usize)
    }

    /// The first word with a letter, given in upper case.
    #[inline]
    pub fn word(&self, letter: u8) -> Option<&'a Word> {
        self.words().iter().find(|word| word.letter() == letter)
    }

    /// The place of one of its bytes.
    pub fn position(&self, offset: usize) -> TextPosition {
        TextPosition::new(self.0.file.as_str(), self.number(), self.raw(), offset)
    }

    pub(super) fn error(&self, fault: Fault) -> GcodeError {
        GcodeError::new(self.position(fault.offset), fault.kind)
    }
}

/// Lines kept for longer than the reader lends them.
#[derive(Debug)]
pub struct KeptLines {
    /// Holds the words and the bytes of all lines, and is at one of them.
    held: Held,
    lines: Vec<Kept>,
    next: usize,
}

#[derive(Debug)]
struct Kept {
    number: u64,
    bytes: usize,
    words: usize,
    frame: Frame,
}

impl KeptLines {
    /// None yet, of `file`.
    pub fn new(file: String) -> Self {
        Self { held: Held::without_room(file), lines: Vec::new(), next: 0 }
    }

    #[inline]
    /// Adds a copy of a line.
    pub fn push(&mut self, line: &Line<'_>) {
        self.held.window.append(line.raw());
        self.held.words.extend_from_slice(line.words());
        let (bytes, words) = (line.raw().len(), line.words().len());
        self.lines.push(Kept { number: line.number(), bytes, words, frame: line.0.frame });
    }

    /// Forgets all lines.
    pub fn clear(&mut self) {
        self.held.window.clear();
        self.held.words.clear();
        self.lines.clear();
        self.rewind();
    }

    /// Begins with the first line again.
    pub fn rewind(&mut self) {
        self.held.window.rewind();
        (self.held.first_word, self.held.word_count, self.next) = (0, 0, 0);
    }

    /// How many bytes they have.
    pub fn bytes(&self) -> usize {
        self.held.window.len()
    }

    /// The next line; none behind the last.
    #[inline]
    pub fn next_line(&mut self) -> Option<Line<'_>> {
        let Kept { number, bytes, words, frame } = self.lines.get(self.next)?;
        self.next += 1;
        self.held.window.advance(*bytes);
        self.held.first_word += self.held.word_count;
        (self.held.number, self.held.word_count, self.held.frame) = (*number, *words, *frame);
        Some(Line(&self.held))
    }
}
