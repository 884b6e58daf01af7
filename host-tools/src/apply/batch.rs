//! A job read in batches, each of which can be corrected by itself.
//!
//! Reading and interpreting go in order, one line after the other; they also know where the corrected machine stands at
//! the beginning of each batch, so that a batch needs nothing of those before it.

use std::io::Read;
use std::mem;

use gapkeeper::Correction;

use super::path::Path;
use super::rewrite::Rewriter;
use super::standing::Standing;
use super::{ApplyError, ApplyReport, LineError, Reach, SIGNATURE, Settings, Stretch, Unplaced, is_further_axis};
use crate::gcode::rewriting::{KeptLines, Modes, Text};
use crate::gcode::{Action, Axes, Cause, Effect, Interpreter, Line, Plane, Reader};
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
    /// A line has a number and a check value.
    pub(super) has_check_values: bool,
    pub(super) reach: Reach,
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
            has_check_values: false,
            reach: Reach::default(),
            error: None,
        }
    }
}

/// What a line does.
struct Step {
    action: Action,
    modes: Modes,
    handling: Handling,
}

/// What becomes of a line.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Handling {
    /// It stays as it is, but for numbers that mean another place of the corrected machine.
    Pass,
    /// Its motion is split and corrected.
    Split,
    /// Its motion is corrected at its end, since its start is not known.
    Whole,
}

/// Reads a job.
pub(super) struct Source<'a, R> {
    reader: Reader<R>,
    interpreter: Interpreter,
    settings: Settings<'a>,
    correction: &'a Correction<CAPACITY>,
    standing: Standing,
    is_signed: bool,
    lines: u64,
    lines_after_end: u64,
    unplaced: Unplaced,
    /// The stretch of motions that goes on while an axis is not known.
    stretch: Option<Stretch>,
    /// Bed and nozzle at the first printing move.
    printing_at_c: Option<[Option<i16>; 2]>,
    bad_lines: u64,
    first_bad_line: Option<String>,
    /// Why reading has ended before the job.
    error: Option<ApplyError>,
}

impl<'a, R: Read> Source<'a, R> {
    pub(super) fn new(name: &str, input: R, settings: &Settings<'a>) -> Self {
        let mut interpreter = Interpreter::new().doubtful().with_origin(settings.origin_nm);
        if settings.lenient {
            interpreter = interpreter.lenient();
        }
        if let Some(follows) = settings.e_follows_g91 {
            interpreter = interpreter.with_e_following_g91(follows);
        }
        Self {
            reader: Reader::new(name, input),
            interpreter,
            settings: *settings,
            correction: settings.correction,
            standing: Standing::default(),
            is_signed: false,
            lines: 0,
            lines_after_end: 0,
            unplaced: Unplaced::default(),
            stretch: None,
            printing_at_c: None,
            bad_lines: 0,
            first_bad_line: None,
            error: None,
        }
    }

    /// Fills a batch with the next lines; false if there are none, at the end and after an error.
    pub(super) fn fill(&mut self, batch: &mut Batch) -> bool {
        batch.lines.clear();
        batch.steps.clear();
        batch.has_check_values = false;
        (batch.at_nm, batch.is_signed) = (self.standing.at_nm(self.correction), self.is_signed);
        while self.error.is_none() && batch.steps.len() < LINES && batch.lines.bytes() < BYTES {
            match self.step(batch) {
                Ok(Next::Line) => {}
                Ok(Next::Batch) => break,
                Err(error) => self.error = Some(error),
            }
        }
        !batch.steps.is_empty()
    }

    fn step(&mut self, batch: &mut Batch) -> Result<Next, ApplyError> {
        let had_ended = self.interpreter.has_ended();
        // Looked at where it is: copies of it are a measurable part of the work.
        let action = match self.reader.next_line() {
            Ok(None) => return Ok(Next::Batch),
            Ok(Some(line)) => self.interpreter.execute(&line).map_err(ApplyError::from),
            Err(error) => Err(error.into()),
        };
        let line = self.reader.line();
        let refusal = match &action {
            Ok(action) => refusal(&self.interpreter, &self.settings, &line, action),
            Err(_) => None,
        };
        let action = match (action, refusal) {
            (Ok(action @ Action::Cycle(_)), None) => {
                self.interpreter.lose(Axes::ALL, Cause::Cycle, line.number());
                action
            }
            (Ok(action), None) => action,
            (Ok(_), Some(refusal)) => self.bad_line(refusal.into())?,
            (Err(error), _) => self.bad_line(error)?,
        };
        let line = self.reader.line();
        let modes = self.interpreter.modes();
        // A line that names an axis without moving it would, as it stands, move the corrected machine.
        let names_axis = line.words().iter().any(|word| matches!(word.letter(), b'X' | b'Y' | b'Z'));
        let handling = handling(&line, &action, &modes, names_axis);
        let mut next = Next::Line;
        match (&action, handling) {
            (Action::Straight(straight), Handling::Split | Handling::Whole) => self.standing.go(straight.end),
            (Action::Arc(arc), Handling::Split | Handling::Whole) => self.standing.go(arc.end),
            (Action::Straight(_) | Action::Arc(_), Handling::Pass) if names_axis => {
                self.standing.pass(&line, &action, &modes, self.correction);
            }
            (Action::SetPosition, _) => {
                let found = modes.lost_before.without(modes.lost);
                let position = self.interpreter.position();
                for (axis, nm) in [position.x_nm, position.y_nm, position.z_nm].into_iter().enumerate() {
                    if found.has(axis) {
                        self.standing.place(axis, nm, self.correction);
                        next = Next::Batch;
                    }
                }
            }
            _ => {}
        }
        self.is_signed = self.is_signed || Rewriter::signs(line.raw());
        self.lines += 1;
        self.lines_after_end += u64::from(had_ended && !line.words().is_empty());
        batch.has_check_values |= !line.is_plain() && line.check_value().is_some();
        let number = line.number();
        batch.lines.push(&line);
        batch.steps.push(Step { action, modes, handling });
        self.watch(&action, handling, names_axis, number);
        Ok(next)
    }

    /// Notes what the report says of the job.
    #[inline]
    fn watch(&mut self, action: &Action, handling: Handling, names_axis: bool, line: u64) {
        if let Action::Straight(straight) = action
            && straight.extruded_nm > 0
            && names_axis
            && self.printing_at_c.is_none()
        {
            self.printing_at_c = Some([self.interpreter.bed_temperature_c(), self.interpreter.nozzle_temperature_c()]);
        }
        if handling != Handling::Pass {
            if self.stretch.is_some() {
                self.end_stretch();
            }
        } else if matches!(action, Action::Straight(_) | Action::Arc(_) | Action::Cycle(_)) && names_axis {
            self.unplaced(line);
        }
    }

    #[cold]
    fn unplaced(&mut self, line: u64) {
        self.unplaced.lines += 1;
        if let Some(stretch) = &mut self.stretch {
            stretch.motions += 1;
            return;
        }
        let axes = self.interpreter.lost_axes().and(Axes::XYZ);
        let since = (0..3).find_map(|axis| self.interpreter.lost_since(axis));
        self.stretch =
            since.map(|(cause, since_line)| Stretch { first_line: line, motions: 1, axes, cause, since_line });
    }

    fn end_stretch(&mut self) {
        let Some(stretch) = self.stretch.take() else { return };
        if self.unplaced.longest.is_none_or(|longest| longest.motions < stretch.motions) {
            self.unplaced.longest = Some(stretch);
        }
    }

    /// Goes on after a line that cannot be read, if that is wanted.
    fn bad_line(&mut self, error: ApplyError) -> Result<Action, ApplyError> {
        let is_bad_line = match &error {
            ApplyError::Job(error) => error.is_bad_line() && !self.reader.raw().is_empty(),
            ApplyError::Line(_) => true,
            ApplyError::Output(_) => false,
        };
        if !self.settings.keep_going || !is_bad_line {
            return Err(error);
        }
        self.interpreter.lose(Axes::ALL, Cause::BadLine, self.reader.line().number());
        self.bad_lines += 1;
        let headline = || error.to_string().lines().next().unwrap_or_default().to_owned();
        self.first_bad_line.get_or_insert_with(headline);
        Ok(Action::None)
    }

    /// Adds what the job as a whole was like.
    ///
    /// # Errors
    /// If reading ended before the job did.
    pub(super) fn finish(mut self, report: &mut ApplyReport) -> Result<(), ApplyError> {
        self.end_stretch();
        report.lines = self.lines;
        report.bytes_read = self.reader.bytes_read();
        report.lines_after_end = self.lines_after_end;
        report.unplaced = self.unplaced;
        let last_c = [self.interpreter.bed_temperature_c(), self.interpreter.nozzle_temperature_c()];
        [report.bed_temperature_c, report.nozzle_temperature_c] = self.printing_at_c.unwrap_or(last_c);
        report.unknown_words = self.interpreter.unknown_words().clone();
        report.unmodelled_words = self.interpreter.unmodelled_words().clone();
        report.bad_lines = self.bad_lines;
        report.first_bad_line = self.first_bad_line;
        self.error.map_or(Ok(()), Err)
    }
}

/// What to do after a line.
enum Next {
    Line,
    /// Begin with another batch.
    Batch,
}

/// Why a line that reads well is not let through.
fn refusal(interpreter: &Interpreter, settings: &Settings<'_>, line: &Line<'_>, action: &Action) -> Option<LineError> {
    let refused = |name: &str, offset: usize, message: String, remedy: &str| LineError {
        place: line.position(offset),
        message,
        remedy: format!("{remedy}, or let it through: --pass {name}; the position is not known after it").into(),
    };
    if let Action::Arc(arc) = action
        && arc.plane != Plane::Xy
        && (line.is_deletable()
            || !interpreter.modes().lost_before.or(interpreter.lost_axes()).and(Axes::XYZ).is_empty())
    {
        let message =
            "an upright arc that cannot be corrected: its start is not known, or it may be left out".to_owned();
        let remedy = "move X, Y and Z to a place before it, and take a / away".into();
        let offset = line.words().first().map_or(0, |word| word.range().start);
        return Some(LineError { place: line.position(offset), message, remedy });
    }
    let passes = |name: &str| settings.pass.iter().any(|word| word == name);
    if let Action::Cycle(cycle) = action {
        let name = format!("G{}", cycle.code);
        let offset = line.words().first().map_or(0, |word| word.range().start);
        let message = format!("the controller itself moves in the cycle {name}, and cannot be corrected there");
        let remedy = "have the post-processor write out the single moves";
        return (!passes(&name)).then(|| refused(&name, offset, message, remedy));
    }
    let odd = interpreter.oddities().iter().find(|odd| odd.effect == Effect::MayShift && !passes(&odd.name))?;
    let message = match odd.name.as_str() {
        "/" => "the modes after this line depend on whether the operator has it left out".to_owned(),
        "G28" => "G28 on an axis that G92 has shifted: controllers differ in what becomes of the shift".to_owned(),
        "G92" => "G92 on an axis whose place is not known".to_owned(),
        name if odd.is_known => format!("{name} shifts the path by what only the controller knows"),
        name => format!("{name} is not known here and may move or shift axes"),
    };
    let remedy = match odd.name.as_str() {
        "/" => "take the / away",
        "G28" => "write G92.1 before it",
        "G92" => "tell where the program's zero lies in the grid (--origin)",
        _ => "take it away",
    };
    Some(refused(&odd.name, odd.offset, message, remedy))
}

#[inline]
fn handling(line: &Line<'_>, action: &Action, modes: &Modes, names_axis: bool) -> Handling {
    let is_arc = matches!(action, Action::Arc(_));
    if !(is_arc || names_axis && matches!(action, Action::Straight(_))) {
        return Handling::Pass;
    }
    let lost = modes.lost_before.or(modes.lost);
    if lost.is_empty() && !line.is_deletable() {
        return Handling::Split;
    }
    let (before, after) = (modes.lost_before.and(Axes::XYZ), modes.lost.and(Axes::XYZ));
    let is_e_lost = modes.lost_before.has(3) && !modes.moved_by_changes[1] && line.word(b'E').is_some();
    if !after.is_empty() || line.is_deletable() || (is_arc && !before.is_empty()) {
        Handling::Pass
    } else if !before.is_empty() || (is_e_lost && !is_arc && !modes.is_e_unsure) {
        Handling::Whole
    } else {
        Handling::Split
    }
}

/// Corrects batches.
pub(super) struct Corrector<'a> {
    path: Path<'a>,
    rewriter: Rewriter,
    lowest_um: i32,
    scale_flow: bool,
}

impl Worker<Batch> for Corrector<'_> {
    fn work(&mut self, batch: &mut Batch) {
        self.rewriter.begin(batch.at_nm, batch.is_signed);
        batch.reach = Reach::default();
        batch.text.clear();
        (batch.corrected_lines, batch.pieces, batch.error) = (0, 0, None);
        mem::swap(&mut batch.text, self.rewriter.text());
        batch.lines.rewind();
        for step in &batch.steps {
            let Some(line) = batch.lines.next_line() else { break };
            match self.line(&line, step, &mut batch.reach) {
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
    pub(super) fn new(settings: &Settings<'a>) -> Self {
        Self {
            path: Path::new(settings),
            rewriter: Rewriter::default(),
            lowest_um: settings.correction.lowest_machine_z_um(),
            scale_flow: settings.scale_flow,
        }
    }

    /// Corrects a line; returns how many pieces it became, none if it stays.
    fn line(&mut self, line: &Line<'_>, step: &Step, reach: &mut Reach) -> Result<usize, LineError> {
        let Step { action, modes, handling } = step;
        let error = |offset, message, remedy: &'static str| LineError {
            place: line.position(offset),
            message,
            remedy: remedy.into(),
        };
        if let Some(offset) = signature(line) {
            return Err(error(offset, "this job was corrected already".to_owned(), "correct the job as it was before"));
        }
        if *handling == Handling::Pass {
            self.rewriter.other(line, action, modes);
            if *action == Action::SetPosition && line.word(b'E').is_some() {
                self.path.set_e_zero(modes.units);
            }
            if modes.is_e_unsure && self.scale_flow {
                return Err(two_readings_of_e(line));
            }
            let z_um = self.rewriter.moved_z_um(line, action, modes);
            if let Some(z_um) = z_um {
                if z_um < self.lowest_um {
                    let message = format!("machine Z {z_um} um is below the lowest allowed, {} um", self.lowest_um);
                    return Err(error(0, message, "raise the move, or allow it (--lowest-mm)"));
                }
                reach.take(z_um, line.number());
            }
            return Ok(0);
        }
        let followed = self.path.follow(action, *handling == Handling::Whole, modes.units);
        followed.map_err(|message| error(0, message, "nothing was written"))?;
        let parts = self.path.parts();
        if parts.len() > 1
            && let Some(word) = line.words().iter().find(|word| is_further_axis(word))
        {
            let letter = char::from(word.letter());
            let message = format!("{letter} moves together with X, Y or Z, and only E is divided among pieces");
            return Err(error(word.range().start, message, "move it on a line of its own"));
        }
        if modes.is_e_unsure && (parts.len() > 1 || self.scale_flow) {
            return Err(two_readings_of_e(line));
        }
        for part in parts {
            reach.take(part.end.z_um, line.number());
        }
        self.rewriter.motion(line, action, parts, modes);
        Ok(parts.len())
    }

    /// `E` of all printing as the job has it, and its change.
    pub(super) fn printed_and_change_nm(&self) -> (i64, i64) {
        self.path.printed_and_change_nm()
    }
}

/// `E` under `G91` and `M82` where the two readings differ.
fn two_readings_of_e(line: &Line<'_>) -> LineError {
    LineError {
        place: line.position(line.word(b'E').map_or(0, |word| word.range().start)),
        message: "E under G91 after M82: some controllers take it as a change, others as a place".to_owned(),
        remedy: "tell which yours does: --e-follows-g91 yes, or no".into(),
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
