//! Writes corrected lines in the modes of the job: its units, absolute or relative, its own `E`.

use std::io::{self, Write};

use super::path::Part;
use super::{SIGNATURE, is_further_axis};
use crate::gcode::{Action, Interpreter, Line, Position, Units, Word, push_number};

/// Finest digit written: a millionth of the unit.
const DECIMALS: u32 = 6;
/// Lengths of `E` inside a line are rounded to this many millionths.
const E_GRAIN: i64 = 10;

/// Follows where the corrected job has taken the machine.
#[derive(Debug, Default)]
pub(super) struct Rewriter {
    /// Machine X, Y and Z as written.
    at_nm: [i64; 3],
    /// How far the machine's `E` is ahead of the job's, since the last `G92 E`.
    ahead_nm: i64,
    is_signed: bool,
    text: Text,
}

/// Output lines being put together.
#[derive(Debug, Default)]
struct Text {
    bytes: Vec<u8>,
    /// Where the present line begins.
    start: usize,
}

impl Text {
    fn clear(&mut self) {
        self.bytes.clear();
        self.start = 0;
    }

    /// Ends the present line, unless nothing is on it.
    fn end_line(&mut self, line_end: &[u8]) {
        if self.bytes.len() > self.start {
            self.bytes.extend_from_slice(line_end);
            self.start = self.bytes.len();
        }
    }

    fn raw(&mut self, bytes: &[u8]) {
        if self.bytes.len() > self.start {
            self.bytes.push(b' ');
        }
        self.bytes.extend_from_slice(bytes);
    }

    /// Adds a word whose number is in millionths, without zeros at the end.
    fn word(&mut self, letter: u8, millionths: i64) {
        if self.bytes.len() > self.start {
            self.bytes.push(b' ');
        }
        self.bytes.push(letter);
        push_number(&mut self.bytes, millionths < 0, millionths.unsigned_abs(), DECIMALS);
    }
}

impl Rewriter {
    /// Writes a line that moves nothing that is corrected: byte for byte, but for a `Z` that `G92` sets and a place of
    /// `E` that has moved on.
    pub(super) fn other(
        &mut self,
        line: &Line<'_>,
        action: &Action,
        modes: &Interpreter,
        output: &mut impl Write,
    ) -> io::Result<()> {
        let units = modes.units();
        match action {
            Action::SetPosition => {
                // The machine stands higher or lower than the job thinks: the same zero needs another number.
                let z = line.word(b'Z').map(|word| (word, millionths(self.at_nm[2] - modes.offset_nm()[2], units)));
                self.with_number(line, z, output)?;
                if line.word(b'E').is_some() {
                    self.ahead_nm = 0;
                }
            }
            Action::Straight(_) if self.ahead_nm != 0 && !modes.moved_by_changes()[1] => {
                let e_nm = modes.extruded_nm() - modes.offset_nm()[3] + self.ahead_nm;
                self.with_number(line, line.word(b'E').map(|word| (word, millionths(e_nm, units))), output)?;
            }
            Action::Home(home) => {
                let zeros = [home.end.x_nm, home.end.y_nm, home.end.z_nm];
                for (axis, at_nm) in self.at_nm.iter_mut().enumerate().filter(|(axis, _)| home.axes[*axis]) {
                    *at_nm = zeros[axis];
                }
                output.write_all(line.raw())?;
            }
            _ => output.write_all(line.raw())?,
        }
        self.sign(line, output)
    }

    /// Writes a line with another number, in millionths, in the place of one word's.
    fn with_number(
        &mut self,
        line: &Line<'_>,
        changed: Option<(&Word, i64)>,
        output: &mut impl Write,
    ) -> io::Result<()> {
        let raw = line.raw();
        let Some((word, millionths)) = changed else { return output.write_all(raw) };
        self.text.clear();
        self.text.bytes.extend_from_slice(&raw[..word.range().start]);
        self.text.start = self.text.bytes.len();
        self.text.word(word.letter(), millionths);
        let Some(check_value) = line.check_value() else {
            self.text.bytes.extend_from_slice(&raw[word.range().end..]);
            return output.write_all(&self.text.bytes);
        };
        // Other bytes before it, another check value.
        self.text.bytes.extend_from_slice(&raw[word.range().end..check_value.start]);
        let checked = self.text.bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(&self.text.bytes);
        let value = checked.iter().fold(0, |value, byte| value ^ byte);
        write!(self.text.bytes, "*{value}")?;
        self.text.bytes.extend_from_slice(&raw[check_value.end..]);
        output.write_all(&self.text.bytes)
    }

    /// Writes the parts of a line: what else is on it first, then the parts, with its comment on the first of them.
    pub(super) fn motion(
        &mut self,
        line: &Line<'_>,
        action: &Action,
        parts: &[Part],
        modes: &Interpreter,
        output: &mut impl Write,
    ) -> io::Result<()> {
        let raw = line.raw();
        let (rapid, end, extruded_nm) = match action {
            Action::Straight(straight) => (straight.rapid, straight.end, straight.extruded_nm),
            Action::Arc(arc) => (false, arc.end, arc.extruded_nm),
            _ => return output.write_all(raw),
        };
        let line_end = line_end(raw);
        let between_lines = if line_end.is_empty() { &b"\n"[..] } else { line_end };
        self.text.clear();
        for word in line.words().iter().filter(|word| !is_of_the_motion(word) && !is_stop(word)) {
            self.text.raw(&raw[word.range()]);
        }
        let free_text = line.free_text_range().unwrap_or(raw.len()..raw.len());
        // It belongs to the word before it, the last one on the line.
        self.text.bytes.extend_from_slice(raw[free_text.clone()].trim_ascii_end());
        let mut e = Filament::new(line, raw, extruded_nm, self.ahead_nm, modes);
        for (index, part) in parts.iter().enumerate() {
            let is_last = index + 1 == parts.len();
            self.text.end_line(between_lines);
            self.text.raw(if rapid { b"G0" } else { b"G1" });
            self.axes(part, is_last.then_some(end), modes);
            e.word(&mut self.text, part, is_last);
            if index == 0 {
                for word in line.words().iter().filter(|word| is_further_axis(word) || word.letter() == b'F') {
                    self.text.raw(&raw[word.range()]);
                }
                let comments = comments(&raw[..free_text.start]).chain(comments(&raw[free_text.end..]));
                comments.for_each(|comment| self.text.raw(comment));
            }
            self.ahead_nm = part.ahead_nm;
        }
        for stop in line.words().iter().filter(|word| is_stop(word)) {
            self.text.end_line(between_lines);
            self.text.raw(&raw[stop.range()]);
        }
        self.text.end_line(line_end);
        output.write_all(&self.text.bytes)?;
        self.sign(line, output)
    }

    /// Adds the axes that change; X and Y end exactly where the job put them.
    fn axes(&mut self, part: &Part, job_end: Option<Position>, modes: &Interpreter) {
        let whole = |um: i32| i64::from(um) * 1000;
        let (x_nm, y_nm) = job_end.map_or((whole(part.end.x_um), whole(part.end.y_um)), |end| (end.x_nm, end.y_nm));
        let to_nm = [x_nm, y_nm, whole(part.end.z_um)];
        let (units, offsets_nm) = (modes.units(), modes.offset_nm());
        for (axis, letter) in (0..3).zip(*b"XYZ") {
            let (from, to) = (millionths(self.at_nm[axis], units), millionths(to_nm[axis], units));
            if from == to {
                continue;
            }
            // Differences of rounded places, so that relative moves never drift.
            let value =
                if modes.moved_by_changes()[0] { to - from } else { millionths(to_nm[axis] - offsets_nm[axis], units) };
            self.text.word(letter, value);
        }
        self.at_nm = to_nm;
    }

    /// The signature stands behind the first line that is not blank, which may be a percent sign's own.
    fn sign(&mut self, line: &Line<'_>, output: &mut impl Write) -> io::Result<()> {
        let raw = line.raw();
        if self.is_signed || raw.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(raw).trim_ascii().is_empty() {
            return Ok(());
        }
        self.is_signed = true;
        if line_end(raw).is_empty() {
            output.write_all(b"\n")?;
        }
        output.write_all(b"; ")?;
        output.write_all(SIGNATURE)?;
        output.write_all(if line_end(raw).is_empty() { b"\n" } else { line_end(raw) })
    }
}

/// `E` along one line.
struct Filament<'a> {
    /// The job's own word, if there is one.
    written: Option<&'a [u8]>,
    is_relative: bool,
    units: Units,
    /// `E` before the line as the job counts it, ...
    job_before_nm: i64,
    /// ... its change along the line, and how far the machine's is ahead of it there.
    job_added_nm: i64,
    ahead_before_nm: i64,
    /// What has been written of the line's change, in millionths of the unit.
    done: i64,
}

impl<'a> Filament<'a> {
    fn new(line: &Line<'_>, raw: &'a [u8], job_added_nm: i64, ahead_before_nm: i64, modes: &Interpreter) -> Self {
        Self {
            written: line.word(b'E').map(|word| &raw[word.range()]),
            is_relative: modes.moved_by_changes()[1],
            units: modes.units(),
            job_before_nm: modes.extruded_nm() - modes.offset_nm()[3] - job_added_nm,
            job_added_nm,
            ahead_before_nm,
            done: 0,
        }
    }

    /// Adds `E` at the end of a part; the last one ends exactly where the job put it, or as far ahead as it should.
    fn word(&mut self, text: &mut Text, part: &Part, is_last: bool) {
        let Some(written) = self.written else { return };
        let as_the_job =
            if self.is_relative { self.done == 0 && part.ahead_nm == self.ahead_before_nm } else { part.ahead_nm == 0 };
        if is_last && as_the_job {
            text.raw(written);
            return;
        }
        let before = millionths(self.job_before_nm + self.ahead_before_nm, self.units);
        let reached = if is_last {
            millionths(self.job_before_nm + self.job_added_nm + part.ahead_nm, self.units) - before
        } else {
            let reached_nm = part.extruded_nm + part.ahead_nm - self.ahead_before_nm;
            millionths(reached_nm, self.units) / E_GRAIN * E_GRAIN
        };
        text.word(b'E', if self.is_relative { reached - self.done } else { before + reached });
        self.done = reached;
    }
}

/// A length in millionths of the unit, rounded half away from zero.
fn millionths(nm: i64, units: Units) -> i64 {
    match units {
        Units::Millimetre => nm,
        // A millionth of an inch is 25.4 nm; places reach 10^14 nm, so ten times one fits.
        Units::Inch => (nm * 10 + 127 * nm.signum()) / 254,
    }
}

/// Words that the pieces stand for, or bring themselves.
fn is_of_the_motion(word: &Word) -> bool {
    let code = || word.number().and_then(crate::gcode::Decimal::to_whole);
    match word.letter() {
        b'X' | b'Y' | b'Z' | b'E' | b'I' | b'J' | b'K' | b'R' | b'F' => true,
        _ if is_further_axis(word) => true,
        b'G' => matches!(code(), Some(0..=3 | 53)),
        _ => false,
    }
}

/// Words that stop the machine, which they do after the motion (NISTIR 6556, Table 8; row G-10).
fn is_stop(word: &Word) -> bool {
    let code = || word.number().and_then(crate::gcode::Decimal::to_whole);
    word.letter() == b'M' && matches!(code(), Some(0 | 1 | 2 | 30 | 60))
}

fn line_end(raw: &[u8]) -> &[u8] {
    match raw {
        [.., b'\r', b'\n'] => &raw[raw.len() - 2..],
        [.., b'\n'] => &raw[raw.len() - 1..],
        _ => b"",
    }
}

/// Comments of a line, or of a part without free text, that has been read without error.
fn comments(raw: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut rest = &raw[..raw.len() - line_end(raw).len()];
    std::iter::from_fn(move || {
        let start = memchr::memchr2(b'(', b';', rest)?;
        let end = match rest[start] {
            b'(' => memchr::memchr(b')', &rest[start..]).map_or(rest.len(), |close| start + close + 1),
            _ => rest.len(),
        };
        let comment = &rest[start..end];
        rest = &rest[end..];
        Some(comment)
    })
}
