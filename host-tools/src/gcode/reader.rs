//! Reads a file line by line, holding one line at a time.

use std::io::{self, BufRead};

use super::error::{Fault, GcodeError, GcodeErrorKind as Kind};
use super::lexer::{self, Frame};
use super::line::{Held, Line};
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
    input: R,
    held: Held,
    bytes_read: u64,
    percent: Percent,
    finished: bool,
}

impl<R: BufRead> Reader<R> {
    /// A reader of `input`, whose errors will carry `file` as the file's name.
    pub fn new(file: impl Into<String>, input: R) -> Self {
        Self {
            input,
            held: Held { file: file.into(), ..Held::default() },
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
        self.held.raw.clear();
        self.held.words.clear();
        self.held.frame = Frame::default();
        if self.finished {
            return Ok(None);
        }
        if let Err(kind) = self.fill() {
            self.finished = true;
            self.held.number = self.held.number.max(1);
            return Err(self.held.error(Fault::new(LONGEST_LINE_BYTES - 1, kind)));
        }
        let Held { file, number, raw, words, frame } = &mut self.held;
        if raw.is_empty() {
            self.finished = true;
            return match &self.percent {
                Percent::Opened { line, raw } => {
                    let offset = memchr::memchr(b'%', raw).unwrap_or(0);
                    let place = Place::new(file.as_str(), *line, raw, offset);
                    Err(GcodeError::new(place, Kind::UnclosedFile))
                }
                _ => Ok(None),
            };
        }
        let start = match *number {
            1 if raw.starts_with(BYTE_ORDER_MARK) => BYTE_ORDER_MARK.len(),
            _ => 0,
        };
        if !self.percent.takes(*number, raw, start) {
            match lexer::split(raw, start, words) {
                Ok(found) => *frame = found,
                Err(fault) => {
                    words.clear();
                    return Err(self.held.error(fault));
                }
            }
        }
        Ok(Some(Line(&self.held)))
    }

    /// The bytes of the line that was read last, also if it was a bad one; empty behind the last line.
    pub fn raw(&self) -> &[u8] {
        &self.held.raw
    }

    /// Bytes of the file read so far.
    pub fn bytes_read(&self) -> u64 {
        self.bytes_read
    }

    /// Reads the bytes of one line; leaves none at the end of the file.
    fn fill(&mut self) -> Result<(), Kind> {
        let held = &mut self.held;
        loop {
            let available = match self.input.fill_buf() {
                Ok(available) => available,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(Kind::Input(error)),
            };
            if held.raw.is_empty() && !available.is_empty() {
                held.number += 1;
            }
            let line_end = memchr::memchr(b'\n', available);
            let taken = line_end.map_or(available.len(), |line_end| line_end + 1);
            if held.raw.len() + taken > LONGEST_LINE_BYTES {
                held.raw.extend_from_slice(&available[..LONGEST_LINE_BYTES - held.raw.len()]);
                return Err(Kind::LineTooLong { limit_bytes: LONGEST_LINE_BYTES });
            }
            held.raw.extend_from_slice(&available[..taken]);
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
