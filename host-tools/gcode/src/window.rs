//! The part of a file that is in memory.

use std::io::{self, Read};

use super::plain::AHEAD;

/// Most bytes of a line with its line end. NISTIR 6556, 3.3, allows 256 characters; comments of common practice, which
/// hold pictures, are longer.
pub const LONGEST_LINE_BYTES: usize = 1 << 20;
/// What is read at once, beside a line that has begun: it fits the fastest memory that a processor has.
const FRESH_BYTES: usize = 1 << 15;

/// A line of a file with what has been read behind it. Its memory does not grow.
#[derive(Debug)]
pub(super) struct Window {
    bytes: Vec<u8>,
    /// The line.
    start: usize,
    end: usize,
    /// Where what has been read ends; rests of earlier parts of the file lie behind it.
    filled: usize,
    /// Bytes of the file before the window.
    passed: u64,
}

/// Why there is no further line.
pub(super) enum NoLine {
    /// The file has ended.
    End,
    /// It is longer than [`LONGEST_LINE_BYTES`]; as many of its bytes are the line.
    TooLong,
    Input(io::Error),
}

impl Window {
    pub(super) fn new() -> Self {
        Self { bytes: vec![0; LONGEST_LINE_BYTES + FRESH_BYTES + AHEAD], ..Self::without_room() }
    }

    /// A window that no file is read into.
    pub(super) const fn without_room() -> Self {
        Self { bytes: Vec::new(), start: 0, end: 0, filled: 0, passed: 0 }
    }

    /// Adds a line behind all others, without a file.
    pub(super) fn append(&mut self, line: &[u8]) {
        self.bytes.extend_from_slice(line);
        self.filled = self.bytes.len();
    }

    pub(super) fn clear(&mut self) {
        self.bytes.clear();
        self.filled = 0;
    }

    /// Goes back to before the first byte.
    pub(super) fn rewind(&mut self) {
        (self.start, self.end) = (0, 0);
    }

    /// How many bytes it holds.
    pub(super) fn len(&self) -> usize {
        self.filled
    }

    /// The line; none before the first and behind the last.
    #[inline]
    pub(super) fn line(&self) -> &[u8] {
        self.bytes.get(self.start..self.end).unwrap_or_default()
    }

    /// Bytes of the file up to the line's end.
    pub(super) fn bytes_read(&self) -> u64 {
        // `usize` has no more than 64 bits.
        self.passed + self.end as u64
    }

    /// The bytes so far behind the line, whether they have been read or not.
    #[inline]
    pub(super) fn ahead(&self, offset: usize) -> Option<&[u8; AHEAD]> {
        self.bytes.get(self.end + offset..)?.first_chunk()
    }

    /// Whether as many bytes behind the line have been read.
    #[inline]
    pub(super) fn holds(&self, length: usize) -> bool {
        length <= self.filled - self.end
    }

    /// Goes on to the next `length` bytes as the line; says no, and does nothing, if they have not been read yet.
    #[inline]
    pub(super) fn advance(&mut self, length: usize) -> bool {
        let is_here = self.holds(length);
        if is_here {
            (self.start, self.end) = (self.end, self.end + length);
        }
        is_here
    }

    /// Leaves no line.
    pub(super) fn finish(&mut self) {
        self.start = self.end;
    }

    /// Goes on to the next line, whatever is on it, and reads for it if need be.
    pub(super) fn advance_line(&mut self, input: &mut impl Read) -> Result<(), NoLine> {
        self.start = self.end;
        // What holds no line feed for sure.
        let mut seen = self.start;
        let line_end = loop {
            if let Some(offset) = memchr::memchr(b'\n', &self.bytes[seen..self.filled]) {
                break seen + offset + 1;
            }
            if self.filled - self.start > LONGEST_LINE_BYTES {
                break self.filled;
            }
            let begun = self.keep_line_alone();
            seen = self.filled;
            match self.read(input) {
                Ok(0) if begun == 0 => return Err(NoLine::End),
                Ok(0) => break self.filled,
                Ok(_) => {}
                Err(error) => {
                    self.end = self.filled;
                    return Err(NoLine::Input(error));
                }
            }
        };
        self.end = line_end.min(self.start + LONGEST_LINE_BYTES);
        if line_end > self.end { Err(NoLine::TooLong) } else { Ok(()) }
    }

    /// Moves what there is of the line to the beginning; gives how much that is.
    fn keep_line_alone(&mut self) -> usize {
        self.bytes.copy_within(self.start..self.filled, 0);
        // `usize` has no more than 64 bits.
        self.passed += self.start as u64;
        self.filled -= self.start;
        (self.start, self.end) = (0, 0);
        self.filled
    }

    fn read(&mut self, input: &mut impl Read) -> io::Result<usize> {
        // There is always as much room: a line that has begun is no longer than the longest.
        let room = self.filled..self.filled + FRESH_BYTES;
        loop {
            match input.read(&mut self.bytes[room.clone()]) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                read => {
                    let read = read?;
                    self.filled += read;
                    return Ok(read);
                }
            }
        }
    }
}
