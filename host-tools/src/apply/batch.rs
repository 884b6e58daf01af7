//! A job read in batches, each of which can be corrected by itself.
//!
//! Reading and interpreting go in order, one line after the other; they also know where the corrected machine stands at
//! the beginning of each batch, so that a batch needs nothing of those before it.

use std::io::Read;
use std::mem;

use gapkeeper::Correction;

use super::path::Path;
use super::rewrite::Rewriter;
use super::{ApplyReport, LineError, SIGNATURE, Settings, is_further_axis};
use crate::gcode::{Action, GcodeError, Interpreter, KeptLines, Line, Modes, Position, Reader, Text};
use crate::grid_file::CAPACITY;
use crate::pipeline::Worker;

/// A batch ends with so many lines, ...
const LINES: usize = 256;
/// ... or with so many bytes.
const BYTES: usize = 1 << 16;

/// Lines of a job, and what becomes of them.
pub(super) struct Batch {
    lines: KeptLines,
    steps: Vec<Step>,
    at_nm: [i64; 3],
    is_signed: bool,
    /// The corrected lines.
    pub(super) text: Text,
    pub(super) corrected_lines: u64,
    pub(super) pieces: u64,
    /// Why one of them cannot be corrected.
    pub(super) error: Option<LineError>,
}

impl Batch {
    /// An empty one, of the job `name`.
    pub(super) fn new(name: &str) -> Self {
        Self {
            lines: KeptLines::new(name.to_owned()),
            steps: Vec::new(),
            at_nm: [0; 3],
            is_signed: false,
            text: Text::default(),
            corrected_lines: 0,
            pieces: 0,
            error: None,
        }
    }
}

/// What a line does.
struct Step {
    action: Action,
    modes: Modes,
    names_axis: bool,
}

/// Reads a job.
pub(super) struct Source<'a, R> {
    reader: Reader<R>,
    interpreter: Interpreter,
    correction: &'a Correction<CAPACITY>,
    standing: Standing,
    is_signed: bool,
    lines: u64,
    /// Why reading has ended before the job.
    error: Option<GcodeError>,
}

/// Where the corrected machine stands.
#[derive(Default)]
struct Standing {
    at_nm: [i64; 3],
    /// Where the last motion ended as the job has it, if it has not been corrected yet.
    end: Option<Position>,
}

impl<'a, R: Read> Source<'a, R> {
    pub(super) fn new(name: &str, input: R, correction: &'a Correction<CAPACITY>) -> Self {
        Self {
            reader: Reader::new(name, input),
            interpreter: Interpreter::new(),
            correction,
            standing: Standing::default(),
            is_signed: false,
            lines: 0,
            error: None,
        }
    }

    /// Fills a batch with the next lines; says no if there are none, at the end and behind an error.
    pub(super) fn fill(&mut self, batch: &mut Batch) -> bool {
        batch.lines.clear();
        batch.steps.clear();
        (batch.at_nm, batch.is_signed) = (self.standing.at_nm(self.correction), self.is_signed);
        while self.error.is_none() && batch.steps.len() < LINES && batch.lines.bytes() < BYTES {
            match self.step(batch) {
                Ok(true) => {}
                Ok(false) => break,
                Err(error) => self.error = Some(error),
            }
        }
        !batch.steps.is_empty()
    }

    fn step(&mut self, batch: &mut Batch) -> Result<bool, GcodeError> {
        let Some(line) = self.reader.next_line()? else { return Ok(false) };
        // Looked at where it is: copies of it are a measurable part of the work.
        let action = self.interpreter.execute(&line);
        let action = match &action {
            Ok(action) => action,
            Err(_) => return action.map(|_| false),
        };
        // A line that names an axis without moving it would, as it stands, move the corrected machine.
        let names_axis = line.words().iter().any(|word| matches!(word.letter(), b'X' | b'Y' | b'Z'));
        match action {
            Action::Straight(straight) if names_axis => self.standing.end = Some(straight.end),
            Action::Arc(arc) => self.standing.end = Some(arc.end),
            Action::Home(home) => self.standing.go_home(home.axes, home.end, self.correction),
            _ => {}
        }
        self.is_signed = self.is_signed || Rewriter::signs(line.raw());
        self.lines += 1;
        batch.lines.push(&line);
        batch.steps.push(Step { action: *action, modes: self.interpreter.modes(), names_axis });
        Ok(true)
    }

    /// Adds what the job as a whole was like.
    ///
    /// # Errors
    /// If reading ended before the job did.
    pub(super) fn finish(self, report: &mut ApplyReport) -> Result<(), GcodeError> {
        report.lines = self.lines;
        report.unknown_words = self.interpreter.unknown_words().values().sum();
        report.unmodelled_words = self.interpreter.unmodelled_words().values().sum();
        self.error.map_or(Ok(()), Err)
    }
}

impl Standing {
    fn at_nm(&mut self, correction: &Correction<CAPACITY>) -> [i64; 3] {
        if let Some(end) = self.end.take()
            && let Some([x_um, y_um, z_um]) = end.to_um()
        {
            // A split's last piece ends exactly there.
            self.at_nm = [end.x_nm, end.y_nm, i64::from(correction.machine_z_um(x_um, y_um, z_um)) * 1000];
        }
        self.at_nm
    }

    fn go_home(&mut self, axes: [bool; 3], end: Position, correction: &Correction<CAPACITY>) {
        let zeros_nm = [end.x_nm, end.y_nm, end.z_nm];
        self.at_nm(correction);
        for (axis, at_nm) in self.at_nm.iter_mut().enumerate().filter(|(axis, _)| axes[*axis]) {
            *at_nm = zeros_nm[axis];
        }
    }
}

/// Corrects batches.
pub(super) struct Corrector<'a> {
    path: Path<'a>,
    rewriter: Rewriter,
    /// Gets all batches in order, and so carries what adds up along the job.
    gets_all: bool,
}

impl Worker<Batch> for Corrector<'_> {
    fn work(&mut self, batch: &mut Batch) {
        if !self.gets_all {
            self.rewriter.begin(batch.at_nm, batch.is_signed);
        }
        batch.text.clear();
        (batch.corrected_lines, batch.pieces, batch.error) = (0, 0, None);
        mem::swap(&mut batch.text, self.rewriter.text());
        batch.lines.rewind();
        for step in &batch.steps {
            let Some(line) = batch.lines.next_line() else { break };
            match self.line(&line, step) {
                Ok(pieces) => {
                    batch.corrected_lines += u64::from(pieces > 0);
                    batch.pieces += pieces as u64;
                }
                Err(error) => {
                    batch.error = Some(error);
                    break;
                }
            }
        }
        mem::swap(&mut batch.text, self.rewriter.text());
    }
}

impl<'a> Corrector<'a> {
    pub(super) fn new(settings: &Settings<'a>, gets_all: bool) -> Self {
        Self { path: Path::new(settings), rewriter: Rewriter::default(), gets_all }
    }

    /// Corrects a line; gives how many pieces it became, none if it stays.
    fn line(&mut self, line: &Line<'_>, Step { action, modes, names_axis }: &Step) -> Result<usize, LineError> {
        let error = |offset, message, remedy| LineError { place: line.place(offset), message, remedy };
        if let Some(offset) = signature(line) {
            return Err(error(offset, "this job was corrected already".to_owned(), "correct the job as it was before"));
        }
        let is_corrected = self.path.follow(action, *names_axis, modes.units);
        if !is_corrected.map_err(|message| error(0, message, "nothing was written"))? {
            self.rewriter.other(line, action, modes);
            if *action == Action::SetPosition && line.word(b'E').is_some() {
                self.path.set_e_zero(modes.units);
            }
            return Ok(0);
        }
        let parts = self.path.parts();
        if parts.len() > 1
            && let Some(word) = line.words().iter().find(|word| is_further_axis(word))
        {
            let letter = char::from(word.letter());
            let message = format!("{letter} moves together with X, Y or Z, and only E is divided among pieces");
            return Err(error(word.range().start, message, "move it on a line of its own"));
        }
        self.rewriter.motion(line, action, parts, modes);
        Ok(parts.len())
    }

    /// `E` of all printing as the job has it, and its change.
    pub(super) fn printed_and_change_nm(&self) -> (i64, i64) {
        self.path.printed_and_change_nm()
    }
}

fn signature(line: &Line<'_>) -> Option<usize> {
    if line.is_plain() {
        return None;
    }
    // It stands in a comment.
    let comment = memchr::memchr2(b';', b'(', line.raw())?;
    memchr::memmem::find(&line.raw()[comment..], SIGNATURE).map(|offset| comment + offset)
}
