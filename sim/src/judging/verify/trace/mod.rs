//! A recorded trace of somebody's controller against the model, line by line of the job.

mod fit;
mod read;
mod suspects;

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;

use gapkeeper::{Correction, HeightGrid};
use gapkeeper_host_tools::Watched;

use super::gate::TraceSettings;
use super::verdict::Check;
use crate::controller::CAPACITY;
use crate::dynamics::model::Model;
use crate::dynamics::{between, ends};
pub(super) use fit::Fit;
use gapkeeper_host_tools::job::{JobError, JobEvent, JobMove, ReadingOptions, walk};
use read::TraceError;
use read::{Row, Trace};
use suspects::Suspects;

/// Grids that might be in force instead of the right one.
pub(super) struct Others {
    /// Other grids, with their names.
    pub stale: Vec<(String, HeightGrid<CAPACITY>)>,
    /// What other readings would do.
    pub fit: Fit,
    /// The other surface of the same readings, and whether it is the refined one.
    pub other_surface: Option<(bool, HeightGrid<CAPACITY>)>,
}

/// Why a trace cannot be judged.
#[derive(Debug, thiserror::Error)]
pub(super) enum JudgeError {
    #[error(transparent)]
    Job(#[from] JobError),
    #[error("{0}")]
    Trace(#[from] TraceError),
}

/// Places where a trace is not as it should be.
#[derive(Default)]
struct Tally {
    looked_at: u64,
    departing: u64,
    first: Option<Departure>,
    worst: Option<Departure>,
}

#[derive(Clone, Copy)]
struct Departure {
    job_line: u64,
    trace_line: u64,
    x_um: f64,
    y_um: f64,
    off_um: f64,
}

impl Tally {
    fn take(&mut self, off_um: f64, allowed_um: f64, job_line: u64, row: &Row) {
        self.looked_at += 1;
        let [x_um, y_um, _] = row.end_um;
        let departure = Departure { job_line, trace_line: row.line, x_um, y_um, off_um };
        if self.worst.is_none_or(|worst| off_um.abs() > worst.off_um.abs()) {
            self.worst = Some(departure);
        }
        if off_um.abs() > allowed_um {
            self.departing += 1;
            self.first.get_or_insert(departure);
        }
    }

    /// The largest distance against what is allowed.
    fn check(&self, name: &'static str, allowed: f64) -> Check {
        Check { found: self.worst.map_or(0.0, |worst| worst.off_um.abs()), ..self.counted(name, allowed) }
    }

    /// How many there are; none is allowed.
    fn count(&self, name: &'static str) -> Check {
        Check { found: self.departing as f64, ..self.counted(name, 0.0) }
    }

    fn counted(&self, name: &'static str, allowed: f64) -> Check {
        let remark = self.first.map(|first| {
            let worst = self.worst.unwrap_or(first);
            format!(
                "{} of {} depart, the first at job line {} (line {} of the trace), the worst at line {} of the trace",
                self.departing, self.looked_at, first.job_line, first.trace_line, worst.trace_line
            )
        });
        Check {
            name,
            allowed,
            found: 0.0,
            passed: self.departing == 0,
            job_line: self.worst.map(|worst| worst.job_line),
            x_mm: self.worst.map(|worst| worst.x_um / 1000.0),
            y_mm: self.worst.map(|worst| worst.y_um / 1000.0),
            remark: remark.unwrap_or_default(),
        }
    }
}

struct Judge<'a> {
    model: Model,
    settings: &'a TraceSettings,
    suspects: Suspects,
    fit: Fit,
    z: Tally,
    xy: Tally,
    path: Tally,
    e: Tally,
    missing: Tally,
    short: Tally,
    unexpected: Tally,
    /// Rows off the path that lie on it once X and Y are exchanged.
    exchanged: u64,
    /// Moves over the bed that are more than one piece in the trace.
    split_moves: u64,
    /// Where the last piece ended, and where on the path; none if that is not known or not right.
    before: Option<Row>,
    extruded_um: f64,
    last_row: Option<Row>,
}

/// Judges a trace; checks, and what explains the departures.
pub(super) fn judge(
    correction: &Correction<CAPACITY>,
    job: (&str, impl BufRead, ReadingOptions),
    trace: &Path,
    settings: &TraceSettings,
    others: Others,
) -> Result<(Vec<Check>, Vec<String>), JudgeError> {
    let file = gapkeeper_host_tools::printed::name(trace);
    let input = File::open(trace).map_err(|error| TraceError::opening(&file, &error))?;
    judge_rows(correction, job, (file, BufReader::new(Watched::new(input))), settings, others)
}

pub(super) fn judge_rows(
    correction: &Correction<CAPACITY>,
    (job_name, job, reading): (&str, impl BufRead, ReadingOptions),
    (file, input): (String, impl BufRead),
    settings: &TraceSettings,
    others: Others,
) -> Result<(Vec<Check>, Vec<String>), JudgeError> {
    let mut trace = Trace::new(file, input)?;
    let model = Model::of(correction);
    let mut judge = Judge {
        suspects: Suspects::new(correction, &others, settings.z_um.0),
        fit: others.fit,
        model,
        settings,
        z: Tally::default(),
        xy: Tally::default(),
        path: Tally::default(),
        e: Tally::default(),
        missing: Tally::default(),
        short: Tally::default(),
        unexpected: Tally::default(),
        exchanged: 0,
        split_moves: 0,
        before: None,
        extruded_um: 0.0,
        last_row: None,
    };
    let mut moves: Vec<JobMove> = Vec::new();
    walk::<JudgeError>(job_name, job, reading, |event| {
        match event {
            JobEvent::Move(job_move) => {
                if moves.last().is_some_and(|last| last.line != job_move.line) {
                    judge.line(&moves, &mut trace)?;
                    moves.clear();
                }
                moves.push(job_move);
            }
            JobEvent::Homed { line } => {
                judge.line(&moves, &mut trace)?;
                moves.clear();
                judge.before(line, &mut trace)?;
                // How a controller goes home is its own affair.
                while trace.take_up_to(line)?.is_some() {}
                judge.before = None;
            }
            JobEvent::ExtrudesAfterAll => {}
        }
        Ok(())
    })?;
    judge.line(&moves, &mut trace)?;
    judge.before(u64::MAX, &mut trace)?;
    Ok(judge.finish(trace.has_e()))
}

impl Judge<'_> {
    /// Rows of lines before this one that have not been asked for.
    fn before(&mut self, line: u64, trace: &mut Trace<impl BufRead>) -> Result<(), TraceError> {
        while let Some(row) = trace.take_up_to(line - 1)? {
            self.unexpected.take(f64::INFINITY, 0.0, row.job_line, &row);
        }
        Ok(())
    }

    /// All moves of one line of the job, and the rows that belong to it.
    fn line(&mut self, moves: &[JobMove], trace: &mut Trace<impl BufRead>) -> Result<(), TraceError> {
        let (Some(first), Some(last)) = (moves.first(), moves.last()) else { return Ok(()) };
        self.before(first.line, trace)?;
        let moves_axes = moves.iter().any(|job_move| job_move.motion.start != job_move.motion.end);
        let (mut at, mut rows) = ((0, 0.0), 0_u64);
        let mut last_row = None;
        while let Some(row) = trace.take_up_to(first.line)? {
            let is_last = trace.peek().is_none_or(|next| next.job_line != first.line);
            at = self.row(moves, at, &row, is_last);
            last_row = Some(row);
            rows += 1;
        }
        self.extruded_um += self.fed_um(moves, (moves.len() - 1, 1.0));
        let Some(row) = last_row else {
            if moves_axes {
                let (_, end_um) = ends(last);
                let missing =
                    Row { line: trace.peek().map_or(0, |row| row.line), job_line: first.line, end_um, e_um: None };
                self.missing.take(f64::INFINITY, 0.0, first.line, &missing);
                self.before = None;
            }
            return Ok(());
        };
        self.last_row = Some(row);
        self.split_moves += u64::from(rows > 1 && !first.chord);
        let (_, end_um) = ends(last);
        let short_um = (row.end_um[0] - end_um[0]).hypot(row.end_um[1] - end_um[1]);
        let short_z_um = (row.end_um[2] - self.model.machine_z(end_um[0], end_um[1], end_um[2])).abs();
        // Off the line is said elsewhere; here only a place on it that is not its end.
        let vertical = first.length_mm() == 0.0 && !first.chord;
        let allowed_um = self.allowed_um(first);
        if self.before.is_some() {
            self.short.take(short_um, allowed_um, first.line, &row);
        }
        if short_um > allowed_um || (vertical && short_z_um > self.settings.z_um.0) {
            self.before = None;
        }
        Ok(())
    }

    fn allowed_um(&self, job_move: &JobMove) -> f64 {
        if job_move.chord { self.settings.arc_xy_um.0 } else { self.settings.xy_um.0 }
    }

    /// One row against the path of its line, at or after a place on it; the place where it is.
    fn row(&mut self, moves: &[JobMove], at: (usize, f64), row: &Row, is_last: bool) -> (usize, f64) {
        let line = row.job_line;
        let [x_um, y_um, z_um] = row.end_um;
        let (off_um, here) = nearest(moves, at, [x_um, y_um], |start_um, end_um| {
            // Straight up or down, height says how far it has come; it rises all the way, though not evenly in a fade.
            let height = |share: f64| {
                let [x_um, y_um, z_um] = between(start_um, end_um, share);
                self.model.machine_z(x_um, y_um, z_um)
            };
            let (mut low, mut high) = if end_um[2] > start_um[2] { (0.0, 1.0) } else { (1.0, 0.0) };
            for _ in 0..40 {
                let middle = (low + high) / 2.0;
                *(if height(middle) < z_um { &mut low } else { &mut high }) = middle;
            }
            if is_last || start_um[2] == end_um[2] { 1.0 } else { (low + high) / 2.0 }
        });
        let Some(job_move) = moves.get(here.0) else { return at };
        let allowed_um = self.allowed_um(job_move);
        self.xy.take(off_um, allowed_um, line, row);
        if off_um > allowed_um {
            let (exchanged_um, _) = nearest(moves, (0, 0.0), [y_um, x_um], |_, _| 1.0);
            self.exchanged += u64::from(exchanged_um <= allowed_um);
            self.before = None;
            return at;
        }
        let (start_um, end_um) = ends(job_move);
        let logical_um = between(start_um, end_um, here.1)[2];
        let off_um = z_um - self.model.machine_z(x_um, y_um, logical_um);
        self.z.take(off_um, self.settings.z_um.0, line, row);
        // On the way up or down, it was the right model that said how far it has come.
        if job_move.length_mm() > 0.0 || is_last {
            self.suspects.take(row.end_um, logical_um, off_um, line);
            self.fit.take(x_um, y_um, self.model.share(logical_um), off_um);
        }
        if let Some(e_um) = row.e_um {
            let expected_um = self.extruded_um + self.fed_um(moves, here);
            self.e.take(e_um - expected_um, self.settings.e_um.0, line, row);
        }
        let is_right = off_um.abs() <= self.settings.z_um.0;
        if let Some(before) = self.before.filter(|_| is_right) {
            // Logical height changes evenly from the place before to this one, on one straight move.
            let from_um = if at.0 == here.0 { between(start_um, end_um, at.1)[2] } else { start_um[2] };
            let worst_um = [0.25, 0.5, 0.75]
                .map(|part| {
                    let [x_um, y_um, z_um] = between(before.end_um, row.end_um, part);
                    z_um - self.model.machine_z(x_um, y_um, from_um + (logical_um - from_um) * part)
                })
                .into_iter()
                .fold(0.0, |worst: f64, off_um| if off_um.abs() > worst.abs() { off_um } else { worst });
            let flat = job_move.length_mm() > 0.0;
            if flat {
                self.path.take(worst_um, self.settings.chord_error_um.0, line, row);
            }
        }
        self.before = is_right.then_some(*row);
        here
    }

    /// What is fed from the start of a line to a place on its moves; scaled by the thickness really laid if the gate says
    /// that the controller does so.
    fn fed_um(&self, moves: &[JobMove], (index, fraction): (usize, f64)) -> f64 {
        let fed_um = |job_move: &JobMove, to: f64| {
            let [from_nm, to_nm] = [job_move.motion.extra_start[0], job_move.motion.extra_end[0]].map(f64::from);
            (from_nm, (to_nm - from_nm) * to)
        };
        let Some(here) = moves.get(index) else { return 0.0 };
        if !self.settings.e_scaled {
            let (before_nm, here_nm) = fed_um(here, fraction);
            return (before_nm + here_nm) / 1000.0;
        }
        let part = |job_move: &JobMove, to: f64| {
            let (_, whole_nm) = fed_um(job_move, 1.0);
            // What is drawn back, or fed on the spot, stays.
            let prints = whole_nm > 0.0 && job_move.length_mm() > 0.0;
            whole_nm * if prints { self.scaled_share(job_move, to) } else { to }
        };
        let before: f64 = moves[..index].iter().map(|job_move| part(job_move, 1.0)).sum();
        (before + part(here, fraction)) / 1000.0
    }

    /// Integral of the thickness along a move, from its start to a fraction of it. Within a cell the shape is quadratic
    /// along a straight way, which Simpson's rule takes exactly (Abramowitz & Stegun 25.4.5).
    fn scaled_share(&self, job_move: &JobMove, to: f64) -> f64 {
        let (start_um, end_um) = ends(job_move);
        let mut corners = Vec::new();
        self.model.corners(start_um, end_um, &mut corners);
        let thickness = |fraction: f64| {
            let [x_um, y_um, z_um] = between(start_um, end_um, fraction);
            self.model.thickness(x_um, y_um, z_um)
        };
        let mut sum = 0.0;
        for pair in corners.windows(2) {
            let [from, until] = [pair[0].min(to), pair[1].min(to)];
            let middle = (from + until) / 2.0;
            // A hair inside, where an end of the fade is met.
            let inside = |fraction: f64| middle + (fraction - middle) * (1.0 - 1e-9);
            sum +=
                (until - from) / 6.0 * (thickness(inside(from)) + 4.0 * thickness(middle) + thickness(inside(until)));
        }
        sum
    }

    fn finish(self, has_e: bool) -> (Vec<Check>, Vec<String>) {
        let settings = self.settings;
        let mut checks = vec![
            self.xy.check("trace_xy_um", settings.xy_um.0),
            self.z.check("trace_z_um", settings.z_um.0),
            self.path.check("trace_between_ends_um", settings.chord_error_um.0),
            self.missing.count("trace_missing_moves"),
            self.short.count("trace_moves_not_ended"),
            self.unexpected.count("trace_rows_of_no_move"),
        ];
        if has_e {
            checks.push(self.e.check("trace_e_um", settings.e_um.0));
        }
        let mut explanations = self.suspects.explanations(|| self.fit.sentence(settings.z_um.0));
        if self.xy.departing > 0 && self.exchanged * 100 >= self.xy.departing * 99 {
            explanations.push("X and Y are exchanged: the pieces lie on the job's lines once they are swapped".into());
        }
        let place = |tally: &Tally| tally.first.map_or(0, |first| first.job_line);
        if self.path.departing > 0 && self.split_moves == 0 {
            explanations.push("moves are not split: their ends are right and the way between them is straight".into());
        } else if self.path.departing > 0 {
            explanations.push(format!(
                "pieces are missing or too long: places {}, the first in job line {}",
                self.path.departing,
                place(&self.path)
            ));
        }
        if self.short.departing > 0 {
            explanations.push(format!(
                "the last piece is missing: moves {}, the first in job line {}",
                self.short.departing,
                place(&self.short)
            ));
        }
        let after_the_end = |first: Departure| self.last_row.is_none_or(|last| last.job_line < first.job_line);
        match self.missing.first {
            Some(first) if after_the_end(first) => explanations.push(format!(
                "the trace ends before the job: nothing from job line {} on, moves {}",
                first.job_line, self.missing.departing
            )),
            Some(first) => explanations.push(format!(
                "whole moves are missing: {}, the first of job line {}",
                self.missing.departing, first.job_line
            )),
            None => {}
        }
        (checks, explanations)
    }
}

/// The place nearest to a point on a path of straight moves, not before a place on it: distance, then move and fraction.
fn nearest(
    moves: &[JobMove],
    (first, fraction): (usize, f64),
    [x_um, y_um]: [f64; 2],
    upright: impl Fn([f64; 3], [f64; 3]) -> f64,
) -> (f64, (usize, f64)) {
    let mut best = (f64::INFINITY, (first, fraction));
    for (index, job_move) in moves.iter().enumerate().skip(first) {
        let (start_um, end_um) = ends(job_move);
        let (dx_um, dy_um) = (end_um[0] - start_um[0], end_um[1] - start_um[1]);
        let square = dx_um * dx_um + dy_um * dy_um;
        let least = if index == first { fraction } else { 0.0 };
        let along = if square == 0.0 {
            upright(start_um, end_um)
        } else {
            (((x_um - start_um[0]) * dx_um + (y_um - start_um[1]) * dy_um) / square).clamp(least, 1.0)
        };
        let off_um = (x_um - start_um[0] - dx_um * along).hypot(y_um - start_um[1] - dy_um * along);
        // Only nearer by something that counts: at the joint of two chords the first is meant.
        if off_um < best.0 - 1e-6 {
            best = (off_um, (index, along));
        }
    }
    best
}

#[cfg(test)]
mod tests;
