//! Writes corrected lines in the modes of the job: its units, absolute or relative, its own `E`.

use super::numbering::check_value_of;
use super::path::Part;
use super::{SIGNATURE, is_further_axis, standing};
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
    /// The check value stands on the present line already.
    is_closed: bool,
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

    /// Whether the signature follows this line: the first that is not blank, which may be a lone percent sign.
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
                let z = line.word(b'Z').filter(|_| !modes.lost_before.has(2));
                let z = z.map(|word| (word, millionths(self.at_nm[2] - modes.offset_nm[2], units)));
                self.with_number(line, z);
                if line.word(b'E').is_some() {
                    self.ahead_nm = 0;
                }
            }
            Action::Straight(_) | Action::Arc(_) if self.ahead_nm != 0 && !modes.moved_by_changes[1] => {
                let e_nm = modes.extruded_nm - modes.offset_nm[3] + self.ahead_nm;
                self.with_number(line, line.word(b'E').map(|word| (word, millionths(e_nm, units))));
            }
            _ => self.text.pass(line.raw()),
        }
        standing::pass(&mut self.at_nm, line, action, modes);
        self.sign(line);
    }

    /// Machine Z where the last line has left it, if that line moves there as it is and Z is known; rounded down.
    pub(super) fn moved_z_um(&self, line: &Line<'_>, action: &Action, modes: &Modes) -> Option<i32> {
        let moves = matches!(action, Action::Straight(_) | Action::Arc(_)) && line.word(b'Z').is_some();
        (moves && !modes.lost.has(2)).then(|| i32::try_from(self.at_nm[2].div_euclid(1000)).ok()).flatten()
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
        let value = check_value_of(checked.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(checked));
        self.text.pass(format!("*{value}").as_bytes());
        self.text.pass(&raw[check_value.end..]);
    }

    /// Writes the parts of a line: what else is on it first, then the parts, with its comment on the first of them.
    pub(super) fn motion(&mut self, line: &Line<'_>, action: &Action, parts: &[Part], modes: &Modes) {
        let raw = line.raw();
        let (rapid, end, extruded_nm, is_arc) = match action {
            Action::Straight(straight) => (straight.rapid, straight.end, straight.extruded_nm, false),
            Action::Arc(arc) => (false, arc.end, arc.extruded_nm, true),
            _ => return self.text.pass(raw),
        };
        let line_end = line_end(raw);
        let between_lines = if line_end.is_empty() { &b"\n"[..] } else { line_end };
        // Nearly every line of a job is the motion alone.
        let has_more = !line.is_plain() || !line.words().iter().all(|word| is_of_the_motion(word, is_arc));
        let mut extras = if has_more { Extras::of(line, is_arc) } else { Extras::default() };
        self.begin_numbered(line);
        for word in &extras.before {
            self.text.raw(&raw[word.range()]);
        }
        // It belongs to the word before it, the last one on the line.
        let free_text = line.free_text_range().map(|range| raw[range].trim_ascii_end());
        let stop_text = free_text.filter(|_| line.words().last().is_some_and(is_stop));
        if let (Some(text), None) = (free_text, stop_text) {
            self.text.append(text);
        }
        let mut e = Filament::new(line, raw, extruded_nm, self.ahead_nm, modes);
        let mut rates = Rates::new(self.at_nm, parts, modes);
        for (index, part) in parts.iter().enumerate() {
            let is_last = index + 1 == parts.len();
            if index > 0 || !extras.before.is_empty() {
                self.end_line(line, between_lines);
            }
            self.text.raw(if rapid { b"G0" } else { b"G1" });
            self.axes(part, is_last.then_some(end), modes);
            e.word(&mut self.text, part, is_last);
            if let Some(millionths) = rates.next(part).filter(|_| !rapid) {
                self.text.word(b'F', false, millionths);
            }
            if index == 0 {
                for word in line.words().iter().filter(|word| is_feed_or_further_axis(word)) {
                    if word.letter() != b'F' || modes.rate_millionths == 0 {
                        self.text.raw(&raw[word.range()]);
                    }
                }
                for word in extras.beside.drain(..) {
                    self.text.raw(&raw[word.range()]);
                }
                if !line.is_plain() {
                    self.comments(line);
                }
            }
            self.ahead_nm = part.ahead_nm;
        }
        for word in &extras.after {
            self.end_line(line, between_lines);
            self.text.raw(&raw[word.range()]);
        }
        self.text.append(stop_text.unwrap_or_default());
        self.end_numbered(line);
        self.text.end_line(line_end);
        self.sign(line);
    }

    /// Ends a line of several, and begins the next.
    fn end_line(&mut self, line: &Line<'_>, line_end: &[u8]) {
        self.end_numbered(line);
        self.text.end_line(line_end);
        if line.check_value().is_some() {
            self.begin_numbered(line);
        }
    }

    /// Writes the line's number; it stands on its first piece, with check values on all of them.
    #[inline]
    fn begin_numbered(&mut self, line: &Line<'_>) {
        self.is_closed = false;
        if !line.is_plain()
            && let Some(number) = line.sequence_number()
        {
            self.text.append(format!("N{number}").as_bytes());
        }
    }

    #[inline]
    fn end_numbered(&mut self, line: &Line<'_>) {
        if !line.is_plain() && line.check_value().is_some() && !self.is_closed {
            let value = check_value_of(self.text.line());
            self.text.append(format!("*{value}").as_bytes());
            // What may still follow is a comment up to the line's end.
            self.is_closed = true;
        }
    }

    /// Adds the line's comments; one that ends the line comes after the check value.
    fn comments(&mut self, line: &Line<'_>) {
        let raw = line.raw();
        let free_text = line.free_text_range().unwrap_or(raw.len()..raw.len());
        for comment in comments(&raw[..free_text.start]).chain(comments(&raw[free_text.end..])) {
            if comment.starts_with(b";") {
                self.end_numbered(line);
            }
            self.text.raw(comment);
        }
    }

    /// Adds the axes that change; X and Y end exactly where the job put them.
    fn axes(&mut self, part: &Part, job_end: Option<Position>, modes: &Modes) {
        let whole = |um: i32| i64::from(um) * 1000;
        let (x_nm, y_nm) = job_end.map_or((whole(part.end.x_um), whole(part.end.y_um)), |end| (end.x_nm, end.y_nm));
        let to_nm = [x_nm, y_nm, whole(part.end.z_um)];
        let (units, offsets_nm) = (modes.units, modes.offset_nm);
        for (axis, letter) in (0..3).zip(*b"XYZ") {
            let (from, to) = (millionths(self.at_nm[axis], units), millionths(to_nm[axis], units));
            // Where an axis was that was not known is not known either.
            if from == to && !modes.lost_before.has(axis) {
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

/// Words of a line that are not of its motion.
#[derive(Default)]
struct Extras<'a> {
    /// On a line of their own before the motion: codes, and the letters that belong to them.
    before: Vec<&'a Word>,
    /// Beside the motion: letters that belong to no code, such as the `S` of a light.
    beside: Vec<&'a Word>,
    /// After the motion: stops, and what parameters are set to.
    after: Vec<&'a Word>,
}

impl<'a> Extras<'a> {
    fn of(line: &Line<'a>, is_arc: bool) -> Self {
        let words = || line.words().iter();
        let is_code = |word: &&Word| matches!(word.letter(), b'G' | b'M') && !is_stop(word);
        let has_m = words().any(|word| word.letter() == b'M' && !is_stop(word));
        let has_code = words().filter(|word| !is_of_the_motion(word, is_arc)).any(|word| is_code(&word));
        let mut extras = Self::default();
        for word in words().filter(|word| !is_of_the_motion(word, is_arc) && !is_feed_or_further_axis(word)) {
            let belongs = match word.letter() {
                b'G' | b'M' | b'T' => true,
                b'S' => has_m,
                _ => has_code,
            };
            if is_stop(word) || word.letter() == b'#' {
                extras.after.push(word);
            } else if belongs {
                extras.before.push(word);
            } else {
                extras.beside.push(word);
            }
        }
        extras
    }
}

/// `F` of the pieces of a line under `G93`: each takes its share of the line's time (NISTIR 6556, 3.5.19).
struct Rates {
    millionths: u64,
    at_nm: [i64; 3],
    whole_nm: u128,
}

impl Rates {
    fn new(at_nm: [i64; 3], parts: &[Part], modes: &Modes) -> Self {
        let mut rates = Self { millionths: modes.rate_millionths, at_nm, whole_nm: 0 };
        if rates.millionths > 0 {
            rates.whole_nm = parts.iter().map(|part| rates.length_nm(part)).sum();
            rates.at_nm = at_nm;
        }
        rates
    }

    fn next(&mut self, part: &Part) -> Option<u64> {
        if self.millionths == 0 {
            return None;
        }
        let length_nm = self.length_nm(part);
        let rate = (u128::from(self.millionths) * self.whole_nm).checked_div(length_nm);
        Some(rate.and_then(|rate| u64::try_from(rate).ok()).unwrap_or(self.millionths))
    }

    /// The way from the part before.
    fn length_nm(&mut self, part: &Part) -> u128 {
        let to_nm = [part.end.x_um, part.end.y_um, part.end.z_um].map(|um| i64::from(um) * 1000);
        let square = to_nm.iter().zip(self.at_nm).map(|(to, from)| u128::from(to.abs_diff(from)).pow(2)).sum::<u128>();
        self.at_nm = to_nm;
        square.isqrt()
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
fn is_of_the_motion(word: &Word, is_arc: bool) -> bool {
    match word.letter() {
        b'X' | b'Y' | b'Z' | b'E' | b'I' | b'J' | b'K' | b'R' => true,
        // Turns of the arc.
        b'P' => is_arc,
        b'G' => matches!(word.number().and_then(Decimal::to_whole), Some(0..=3)),
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
