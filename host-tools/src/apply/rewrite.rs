//! Writes corrected lines in the modes of the job: its units, absolute or relative, its own `E`.

use std::io::{self, Write};

use gapkeeper::Piece;

use super::SIGNATURE;
use crate::gcode::{Action, Interpreter, Line, Position, Units, Word};

/// Finest digit written: a millionth of the unit.
const DECIMALS: usize = 6;
/// Intermediate lengths of `E` are rounded to this many millionths.
const E_GRAIN: i64 = 10;

/// Follows where the corrected job has taken the machine.
#[derive(Debug, Default)]
pub(super) struct Rewriter {
    /// Machine X, Y and Z as written.
    at_nm: [i64; 3],
    is_signed: bool,
}

/// One output line being put together.
#[derive(Default)]
struct Text(Vec<u8>);

impl Text {
    fn word(&mut self, letter: u8, number: &[u8]) {
        if !self.0.is_empty() {
            self.0.push(b' ');
        }
        self.0.push(letter);
        self.0.extend_from_slice(number);
    }

    fn raw(&mut self, bytes: &[u8]) {
        if !self.0.is_empty() {
            self.0.push(b' ');
        }
        self.0.extend_from_slice(bytes);
    }
}

impl Rewriter {
    /// Writes a line that moves nothing that is corrected, byte for byte but for a `Z` that `G92` sets.
    pub(super) fn other(
        &mut self,
        line: &Line<'_>,
        action: &Action,
        modes: &Interpreter,
        output: &mut impl Write,
    ) -> io::Result<()> {
        let raw = line.raw();
        match (action, line.word(b'Z')) {
            // The machine stands higher or lower than the job thinks: the same zero needs another number.
            (Action::SetPosition, Some(word)) => {
                let range = word.range();
                let z_nm = self.at_nm[2] - modes.offset_nm()[2];
                output.write_all(&raw[..range.start])?;
                output.write_all(b"Z")?;
                output.write_all(&number(millionths(z_nm, modes.units())))?;
                output.write_all(&raw[range.end..])?;
            }
            (Action::Home(home), _) => {
                let zeros = [home.end.x_nm, home.end.y_nm, home.end.z_nm];
                for (axis, at_nm) in self.at_nm.iter_mut().enumerate().filter(|(axis, _)| home.axes[*axis]) {
                    *at_nm = zeros[axis];
                }
                output.write_all(raw)?;
            }
            _ => output.write_all(raw)?,
        }
        self.sign(line, output)
    }

    /// Writes the pieces of a line: what else is on it first, then the pieces, with its comment on the first of them.
    pub(super) fn motion(
        &mut self,
        line: &Line<'_>,
        action: &Action,
        pieces: &[Piece<1>],
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
        let (mut first, mut last) = (Text::default(), Text::default());
        for word in line.words().iter().filter(|word| !is_of_the_motion(word)) {
            if is_stop(word) { &mut last } else { &mut first }.raw(&raw[word.range()]);
        }
        if !first.0.is_empty() {
            output.write_all(&first.0)?;
            output.write_all(between_lines)?;
        }
        let mut e = Filament::new(line, raw, extruded_nm, modes);
        let mut separator: &[u8] = b"";
        for (index, piece) in pieces.iter().enumerate() {
            let is_last = index + 1 == pieces.len();
            let mut text = Text::default();
            text.word(b'G', if rapid { b"0" } else { b"1" });
            self.axes(&mut text, piece, is_last.then_some(end), modes);
            e.word(&mut text, piece.extra[0], is_last);
            if index == 0 {
                if let Some(feed) = line.word(b'F') {
                    text.raw(&raw[feed.range()]);
                }
                comments(raw).for_each(|comment| text.raw(comment));
            }
            output.write_all(separator)?;
            output.write_all(&text.0)?;
            separator = between_lines;
        }
        if !last.0.is_empty() {
            output.write_all(between_lines)?;
            output.write_all(&last.0)?;
        }
        output.write_all(line_end)?;
        self.sign(line, output)
    }

    /// Writes the axes that change; X and Y end exactly where the job put them.
    fn axes(&mut self, text: &mut Text, piece: &Piece<1>, job_end: Option<Position>, modes: &Interpreter) {
        let whole = |um: i32| i64::from(um) * 1000;
        let (x_nm, y_nm) = job_end.map_or((whole(piece.end.x_um), whole(piece.end.y_um)), |end| (end.x_nm, end.y_nm));
        let to_nm = [x_nm, y_nm, whole(piece.end.z_um)];
        let (units, offsets_nm) = (modes.units(), modes.offset_nm());
        for (axis, letter) in (0..3).zip(*b"XYZ") {
            let (from, to) = (millionths(self.at_nm[axis], units), millionths(to_nm[axis], units));
            if from == to {
                continue;
            }
            // Differences of rounded places, so that relative moves never drift.
            let value =
                if modes.is_incremental() { to - from } else { millionths(to_nm[axis] - offsets_nm[axis], units) };
            text.word(letter, &number(value));
        }
        self.at_nm = to_nm;
    }

    /// The signature stands behind the first line, which may be a byte order mark's or a percent sign's own.
    fn sign(&mut self, line: &Line<'_>, output: &mut impl Write) -> io::Result<()> {
        if std::mem::replace(&mut self.is_signed, true) {
            return Ok(());
        }
        let raw = line.raw();
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
    /// `E` before the line as the job counts it, and what the line adds, in millionths of the unit.
    before: i64,
    added: i64,
    /// What has been written of it.
    done: i64,
}

impl<'a> Filament<'a> {
    fn new(line: &Line<'_>, raw: &'a [u8], extruded_nm: i64, modes: &Interpreter) -> Self {
        let units = modes.units();
        let e_nm = modes.extruded_nm() - modes.offset_nm()[3];
        let (after, before) = (millionths(e_nm, units), millionths(e_nm - extruded_nm, units));
        let written = line.word(b'E').map(|word| &raw[word.range()]);
        Self { written, is_relative: modes.is_extruder_relative(), units, before, added: after - before, done: 0 }
    }

    /// Writes `E` at the end of a piece; the last one ends exactly where the job put it.
    fn word(&mut self, text: &mut Text, extruded_nm: i32, is_last: bool) {
        let Some(written) = self.written else { return };
        let reached = if is_last { self.added } else { millionths(extruded_nm.into(), self.units) / E_GRAIN * E_GRAIN };
        if self.is_relative {
            text.word(b'E', &number(reached - self.done));
        } else if is_last {
            text.raw(written);
        } else {
            text.word(b'E', &number(self.before + reached));
        }
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

/// A number in millionths as G-code writes it, without zeros at the end.
fn number(millionths: i64) -> Vec<u8> {
    let sign = if millionths < 0 { "-" } else { "" };
    let (whole, rest) = (millionths.unsigned_abs() / 1_000_000, millionths.unsigned_abs() % 1_000_000);
    let text = format!("{sign}{whole}.{rest:0DECIMALS$}");
    text.trim_end_matches('0').trim_end_matches('.').as_bytes().to_vec()
}

/// Words that the pieces stand for, or bring themselves.
fn is_of_the_motion(word: &Word) -> bool {
    let code = word.number().and_then(crate::gcode::Decimal::to_whole);
    match word.letter() {
        b'X' | b'Y' | b'Z' | b'E' | b'I' | b'J' | b'K' | b'R' | b'F' => true,
        b'G' => matches!(code, Some(0..=3 | 53)),
        _ => false,
    }
}

/// Words that stop the machine, which they do after the motion (NISTIR 6556, Table 8; row G-10).
fn is_stop(word: &Word) -> bool {
    let code = word.number().and_then(crate::gcode::Decimal::to_whole);
    word.letter() == b'M' && matches!(code, Some(0 | 1 | 2 | 30 | 60))
}

fn line_end(raw: &[u8]) -> &[u8] {
    match raw {
        [.., b'\r', b'\n'] => &raw[raw.len() - 2..],
        [.., b'\n'] => &raw[raw.len() - 1..],
        _ => b"",
    }
}

/// Comments of a line that has been read without error.
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
