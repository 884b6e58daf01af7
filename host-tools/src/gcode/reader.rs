//! Reads a file line by line, holding one line at a time.

use std::io::{self, BufRead};

use super::error::{GcodeError, GcodeErrorKind as Kind};
use super::lexer;
use super::line::{Line, Word};
use crate::place::Place;

/// Most bytes of a line with its line end. NISTIR 6556, 3.3, allows 256 characters; comments of common practice are
/// longer.
pub const LONGEST_LINE_BYTES: usize = 65_536;
const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

/// How far a file that may be framed by `%` lines has come (NISTIR 6556, 3.1).
enum Percent {
    /// Only blank lines so far.
    Undecided,
    /// Not opened by `%`.
    Open,
    /// Opened by `%` on a line, which is kept for the message.
    Opened { line: u64, raw: Vec<u8> },
    /// Behind the second `%`: what follows is not read.
    Closed,
}

/// Reads the lines of one file, each lent until the next.
///
/// The memory needed does not grow with the file. Line ends are LF or CRLF; the last one may be missing. A UTF-8 byte
/// order mark at the start is skipped. Comments may hold any bytes. If the first line that is not blank is a `%`
/// alone, a second such line ends the program: it is an error if there is none, and the lines behind it have no words.
pub struct Reader<R> {
    file: String,
    input: R,
    raw: Vec<u8>,
    words: Vec<Word>,
    line: u64,
    bytes_read: u64,
    percent: Percent,
    finished: bool,
}

impl<R: BufRead> Reader<R> {
    /// A reader of `input`, whose errors will carry `file` as the file's name.
    pub fn new(file: impl Into<String>, input: R) -> Self {
        Self {
            file: file.into(),
            input,
            raw: Vec::new(),
            words: Vec::new(),
            line: 0,
            bytes_read: 0,
            percent: Percent::Undecided,
            finished: false,
        }
    }

    /// The next line; none behind the last.
    ///
    /// # Errors
    /// A [`GcodeError`] for a line that cannot be split into words. If [`GcodeError::is_bad_line`], the next call goes
    /// on with the line behind, and [`Self::raw`] has the bytes of the bad one. After any other error there is no
    /// further line.
    pub fn next_line(&mut self) -> Result<Option<Line<'_>>, GcodeError> {
        self.raw.clear();
        self.words.clear();
        if self.finished {
            return Ok(None);
        }
        if let Err(kind) = self.fill() {
            self.finished = true;
            let place = Place::new(self.file.as_str(), self.line.max(1), &self.raw, LONGEST_LINE_BYTES - 1);
            return Err(GcodeError::new(place, kind));
        }
        if self.raw.is_empty() {
            self.finished = true;
            return match &self.percent {
                Percent::Opened { line, raw } => {
                    let offset = memchr::memchr(b'%', raw).unwrap_or(0);
                    let place = Place::new(self.file.as_str(), *line, raw, offset);
                    Err(GcodeError::new(place, Kind::UnclosedFile))
                }
                _ => Ok(None),
            };
        }
        let start = match self.line {
            1 if self.raw.starts_with(BYTE_ORDER_MARK) => BYTE_ORDER_MARK.len(),
            _ => 0,
        };
        let mut line = Line {
            file: &self.file,
            number: self.line,
            raw: &self.raw,
            words: &[],
            sequence_number: None,
            free_text: None,
        };
        if !self.percent.takes(self.line, &self.raw, start) {
            match lexer::split(&self.raw, start, &mut self.words) {
                Ok(frame) => {
                    line.words = &self.words;
                    line.sequence_number = frame.sequence_number;
                    line.free_text = frame.free_text;
                }
                Err(fault) => return Err(line.error(fault)),
            }
        }
        Ok(Some(line))
    }

    /// The bytes of the line that was read last, also if it was a bad one; empty behind the last line.
    pub fn raw(&self) -> &[u8] {
        &self.raw
    }

    /// Bytes of the file read so far.
    pub fn bytes_read(&self) -> u64 {
        self.bytes_read
    }

    /// Reads the bytes of one line; leaves none at the end of the file.
    fn fill(&mut self) -> Result<(), Kind> {
        loop {
            let available = match self.input.fill_buf() {
                Ok(available) => available,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(Kind::Input(error)),
            };
            if self.raw.is_empty() && !available.is_empty() {
                self.line += 1;
            }
            let line_end = memchr::memchr(b'\n', available);
            let taken = line_end.map_or(available.len(), |line_end| line_end + 1);
            if self.raw.len() + taken > LONGEST_LINE_BYTES {
                self.raw.extend_from_slice(&available[..LONGEST_LINE_BYTES - self.raw.len()]);
                return Err(Kind::LineTooLong { limit_bytes: LONGEST_LINE_BYTES });
            }
            self.raw.extend_from_slice(&available[..taken]);
            self.input.consume(taken);
            // `usize` has no more than 64 bits.
            self.bytes_read += taken as u64;
            if line_end.is_some() || taken == 0 {
                return Ok(());
            }
        }
    }
}

impl Percent {
    /// Whether a line belongs to the frame or stands behind it, and so has no words.
    fn takes(&mut self, line: u64, raw: &[u8], start: usize) -> bool {
        match self {
            Percent::Open => return false,
            Percent::Closed => return true,
            Percent::Opened { .. } if lexer::is_percent_line(raw) => *self = Percent::Closed,
            Percent::Opened { .. } => return false,
            Percent::Undecided if lexer::is_percent_line(&raw[start..]) => {
                *self = Percent::Opened { line, raw: raw.to_vec() };
            }
            Percent::Undecided => {
                if !lexer::is_blank(&raw[start..]) {
                    *self = Percent::Open;
                }
                return false;
            }
        }
        true
    }
}
