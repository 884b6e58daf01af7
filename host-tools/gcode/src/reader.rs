//! Reads a file line by line, holding one line at a time.

use std::io::Read;

use super::error::{Fault, GcodeError, GcodeErrorKind as Kind};
use super::lexer::{self, Frame};
use super::line::{Held, Line};
use super::window::{LONGEST_LINE_BYTES, NoLine};
use gapkeeper_text::TextPosition;

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
/// The memory needed does not grow with the file; a buffer of its own makes a buffered `input` needless. Line ends are
/// LF or CRLF; the last one may be missing. A UTF-8 byte order mark at the start is skipped. Comments may hold any
/// bytes. If the first line that is not blank is a `%` alone, a second such line ends the program: a missing one
/// is an error, and lines after it have no words.
pub struct Reader<R> {
    input: R,
    held: Held,
    percent: Percent,
    finished: bool,
    /// Up to here in the file level lines were looked for.
    level_until: u64,
}

impl<R: Read> Reader<R> {
    /// A reader of `input`, whose errors will carry `file` as the file's name.
    pub fn new(file: impl Into<String>, input: R) -> Self {
        Self { input, held: Held::new(file.into()), percent: Percent::Undecided, finished: false, level_until: 0 }
    }

    /// The next line; none behind the last.
    ///
    /// # Errors
    /// A [`GcodeError`] for a line that cannot be split into words. If [`GcodeError::is_bad_line`], the next call goes
    /// on with the line behind, and [`Self::raw`] has the bytes of the bad one. After any other error there is no
    /// further line.
    #[inline]
    pub fn next_line(&mut self) -> Result<Option<Line<'_>>, GcodeError> {
        // Behind the first lines and before the end a plain line can be nothing else.
        if matches!(self.percent, Percent::Open | Percent::Opened { .. }) && self.held.advance_plain() {
            return Ok(Some(Line(&self.held)));
        }
        self.next_line_with_care()
    }

    /// Passes over lines that can do nothing but set a feed and move X, Y and `E` straight, up to the last one of them that
    /// names all three, which comes next. It says whether there were any.
    ///
    /// For somebody who only asks where such moves lead, while places are absolute and a straight motion is in force.
    /// Where `E` is relative its sum is lost. Lines passed over may have had errors.
    pub fn pass_level(&mut self) -> bool {
        let before = self.bytes_read();
        // Looked for once, a line that ends them is not looked for again from each of the lines before it.
        if before < self.level_until || !matches!(self.percent, Percent::Open | Percent::Opened { .. }) {
            return false;
        }
        self.level_until = before + self.held.pass_level() as u64;
        self.bytes_read() > before
    }

    fn next_line_with_care(&mut self) -> Result<Option<Line<'_>>, GcodeError> {
        let held = &mut self.held;
        held.word_count = 0;
        held.frame = Frame::default();
        if self.finished {
            held.window.finish();
            return Ok(None);
        }
        let no_line = held.window.advance_line(&mut self.input).err();
        held.number += u64::from(!held.window.line().is_empty());
        let fault = match no_line {
            None => None,
            Some(NoLine::End) => {
                self.finished = true;
                return match &self.percent {
                    Percent::Opened { line, raw } => {
                        let offset = memchr::memchr(b'%', raw).unwrap_or(0);
                        let place = TextPosition::new(held.file.as_str(), *line, raw, offset);
                        Err(GcodeError::new(place, Kind::UnclosedFile))
                    }
                    _ => Ok(None),
                };
            }
            Some(NoLine::TooLong) => Some(Kind::LineTooLong { limit_bytes: LONGEST_LINE_BYTES }),
            Some(NoLine::Input(error)) => Some(Kind::Input(error)),
        };
        if let Some(kind) = fault {
            self.finished = true;
            held.number = held.number.max(1);
            return Err(held.error(Fault::new(LONGEST_LINE_BYTES - 1, kind)));
        }
        let raw = held.window.line();
        let start = match held.number {
            1 if raw.starts_with(BYTE_ORDER_MARK) => BYTE_ORDER_MARK.len(),
            _ => 0,
        };
        if !self.percent.takes(held.number, raw, start) {
            held.split(start)?;
        }
        Ok(Some(Line(&self.held)))
    }

    /// The bytes of the line that was read last, also if it was a bad one; empty behind the last line.
    pub fn raw(&self) -> &[u8] {
        self.held.window.line()
    }

    /// The line that was read last, without words if it was a bad one.
    pub fn line(&self) -> Line<'_> {
        Line(&self.held)
    }

    /// Bytes of the file up to the end of the line that was read last.
    pub fn bytes_read(&self) -> u64 {
        self.held.window.bytes_read()
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
