//! Writes corrected lines in the modes of the job: its units, absolute or relative, its own `E`.

use super::path::Part;
use super::{SIGNATURE, is_further_axis};
use crate::gcode::{Action, Decimal, Line, Modes, Position, Text, Units, Word};

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

impl Rewriter {
    /// What has been written, until the caller takes it away.
    pub(super) fn text(&mut self) -> &mut Text {
        &mut self.text
    }

    /// Begins behind other lines than those before.
    pub(super) fn begin(&mut self, at_nm: [i64; 3], is_signed: bool) {
        (self.at_nm, self.is_signed) = (at_nm, is_signed);
    }

    /// Whether the signature stands behind a line, if there is none yet: behind the first that is not blank, which may
    /// be a percent sign's own.
    pub(super) fn signs(raw: &[u8]) -> bool {
        !raw.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(raw).trim_ascii().is_empty()
    }

    /// Writes a line that moves nothing that is corrected: byte for byte, but for a `Z` that `G92` sets and a place of
    /// `E` that has moved on.
    pub(super) fn other(&mut self, line: &Line<'_>, action: &Action, modes: &Modes) {
        let units = modes.units;
        match action {
            Action::SetPosition => {
                // The machine stands higher or lower than the job thinks: the same zero needs another number.
                let z = line.word(b'Z').map(|word| (word, millionths(self.at_nm[2] - modes.offset_nm[2], units)));
                self.with_number(line, z);
                if line.word(b'E').is_some() {
                    self.ahead_nm = 0;
                }
            }
            Action::Straight(_) if self.ahead_nm != 0 && !modes.moved_by_changes[1] => {
                let e_nm = modes.extruded_nm - modes.offset_nm[3] + self.ahead_nm;
                self.with_number(line, line.word(b'E').map(|word| (word, millionths(e_nm, units))));
            }
            Action::Home(home) => {
                let zeros = [home.end.x_nm, home.end.y_nm, home.end.z_nm];
                for (axis, at_nm) in self.at_nm.iter_mut().enumerate().filter(|(axis, _)| home.axes[*axis]) {
                    *at_nm = zeros[axis];
                }
                self.text.pass(line.raw());
            }
            _ => self.text.pass(line.raw()),
        }
        self.sign(line);
    }

    /// Writes a line with another number, in millionths, in the place of one word's.
    fn with_number(&mut self, line: &Line<'_>, changed: Option<(&Word, i64)>) {
        let raw = line.raw();
        let Some((word, millionths)) = changed else { return self.text.pass(raw) };
        let start = self.text.len();
        self.text.pass(&raw[..word.range().start]);
        add_word(&mut self.text, word.letter(), millionths);
        let Some(check_value) = line.check_value() else { return self.text.pass(&raw[word.range().end..]) };
        // Other bytes before it, another check value.
        self.text.pass(&raw[word.range().end..check_value.start]);
        let checked = &self.text.as_bytes()[start..];
        let checked = checked.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(checked);
        let value = checked.iter().fold(0, |value, byte| value ^ byte);
        self.text.pass(format!("*{value}").as_bytes());
        self.text.pass(&raw[check_value.end..]);
    }

    /// Writes the parts of a line: what else is on it first, then the parts, with its comment on the first of them.
    pub(super) fn motion(&mut self, line: &Line<'_>, action: &Action, parts: &[Part], modes: &Modes) {
        let raw = line.raw();
        let (rapid, end, extruded_nm) = match action {
            Action::Straight(straight) => (straight.rapid, straight.end, straight.extruded_nm),
            Action::Arc(arc) => (false, arc.end, arc.extruded_nm),
            _ => return self.text.pass(raw),
        };
        let line_end = line_end(raw);
        let between_lines = if line_end.is_empty() { &b"\n"[..] } else { line_end };
        // Nearly every line of a job is the motion alone.
        let has_more = !line.is_plain() || !line.words().iter().all(is_of_the_motion);
        let more = |is_wanted: fn(&Word) -> bool| line.words().iter().filter(move |word| has_more && is_wanted(word));
        for word in more(|word| !is_of_the_motion(word) && !is_feed_or_further_axis(word) && !is_stop(word)) {
            self.text.raw(&raw[word.range()]);
        }
        let free_text = line.free_text_range().unwrap_or(raw.len()..raw.len());
        // It belongs to the word before it, the last one on the line.
        self.text.append(raw[free_text.clone()].trim_ascii_end());
        let mut e = Filament::new(line, raw, extruded_nm, self.ahead_nm, modes);
        for (index, part) in parts.iter().enumerate() {
            let is_last = index + 1 == parts.len();
            self.text.end_line(between_lines);
            self.text.raw(if rapid { b"G0" } else { b"G1" });
            self.axes(part, is_last.then_some(end), modes);
            e.word(&mut self.text, part, is_last);
            if index == 0 {
                for word in line.words().iter().filter(|word| is_feed_or_further_axis(word)) {
                    self.text.raw(&raw[word.range()]);
                }
                if !line.is_plain() {
                    let comments = comments(&raw[..free_text.start]).chain(comments(&raw[free_text.end..]));
                    comments.for_each(|comment| self.text.raw(comment));
                }
            }
            self.ahead_nm = part.ahead_nm;
        }
        for stop in more(is_stop) {
            self.text.end_line(between_lines);
            self.text.raw(&raw[stop.range()]);
        }
        self.text.end_line(line_end);
        self.sign(line);
    }

    /// Adds the axes that change; X and Y end exactly where the job put them.
    fn axes(&mut self, part: &Part, job_end: Option<Position>, modes: &Modes) {
        let whole = |um: i32| i64::from(um) * 1000;
        let (x_nm, y_nm) = job_end.map_or((whole(part.end.x_um), whole(part.end.y_um)), |end| (end.x_nm, end.y_nm));
        let to_nm = [x_nm, y_nm, whole(part.end.z_um)];
        let (units, offsets_nm) = (modes.units, modes.offset_nm);
        for (axis, letter) in (0..3).zip(*b"XYZ") {
            let (from, to) = (millionths(self.at_nm[axis], units), millionths(to_nm[axis], units));
            if from == to {
                continue;
            }
            // Differences of rounded places, so that relative moves never drift.
            let value =
                if modes.moved_by_changes[0] { to - from } else { millionths(to_nm[axis] - offsets_nm[axis], units) };
            add_word(&mut self.text, letter, value);
        }
        self.at_nm = to_nm;
    }

    fn sign(&mut self, line: &Line<'_>) {
        let raw = line.raw();
        if self.is_signed || !Self::signs(raw) {
            return;
        }
        self.is_signed = true;
        let line_end = line_end(raw);
        if line_end.is_empty() {
            self.text.pass(b"\n");
        }
        self.text.pass(b"; ");
        self.text.pass(SIGNATURE);
        self.text.pass(if line_end.is_empty() { b"\n" } else { line_end });
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
    fn new(line: &Line<'_>, raw: &'a [u8], job_added_nm: i64, ahead_before_nm: i64, modes: &Modes) -> Self {
        Self {
            written: line.word(b'E').map(|word| &raw[word.range()]),
            is_relative: modes.moved_by_changes[1],
            units: modes.units,
            job_before_nm: modes.extruded_nm - modes.offset_nm[3] - job_added_nm,
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
        add_word(text, b'E', if self.is_relative { reached - self.done } else { before + reached });
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

fn add_word(text: &mut Text, letter: u8, millionths: i64) {
    text.word(letter, millionths < 0, millionths.unsigned_abs());
}

/// Words that the pieces stand for.
fn is_of_the_motion(word: &Word) -> bool {
    match word.letter() {
        b'X' | b'Y' | b'Z' | b'E' | b'I' | b'J' | b'K' | b'R' => true,
        b'G' => matches!(word.number().and_then(Decimal::to_whole), Some(0..=3 | 53)),
        _ => false,
    }
}

/// Words that the first piece brings.
fn is_feed_or_further_axis(word: &Word) -> bool {
    word.letter() == b'F' || is_further_axis(word)
}

/// Words that stop the machine, which they do after the motion (NISTIR 6556, Table 8; row G-10).
fn is_stop(word: &Word) -> bool {
    word.letter() == b'M' && matches!(word.number().and_then(Decimal::to_whole), Some(0 | 1 | 2 | 30 | 60))
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
