//! What the correction asks of the Z axis at the job's feed rates, and of whatever plans its pieces.
//!
//! Speeds come from the correction in real numbers, not from its whole micrometres: over short pieces rounding alone
//! would pass for a climb. A straight move over one cell of the grid rises along a parabola, over a line of nodes it has
//! a corner; so Z speed changes evenly within cells and by steps at their borders. Feed holds along the path.

pub(crate) mod model;

use std::collections::VecDeque;

use gapkeeper::{Correction, SplitError};
use serde::Serialize;

use crate::controller::CAPACITY;
use crate::scenario::Machine;
use gapkeeper_host_tools::job::JobMove;
use model::Model;

/// Pieces are counted over stretches of at least this time.
const PIECES_WINDOW_S: f64 = 0.1;
/// So many of the moves that ask for too much are listed.
const LISTED: usize = 10;

/// What the machine's Z axis allows; none: no limit is known.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct ZLimits {
    /// Fastest Z.
    pub rate_mm_s: Option<f64>,
    /// Largest sudden change of the Z speed.
    pub rate_step_mm_s: Option<f64>,
    /// Largest Z acceleration.
    pub acceleration_mm_s2: Option<f64>,
}

impl ZLimits {
    /// The limits that a scenario's machine states.
    pub fn of(machine: &Machine) -> Self {
        Self {
            rate_mm_s: Some(machine.z_rate_limit_mm_s.0),
            rate_step_mm_s: machine.z_rate_step_limit_mm_s.map(|limit| limit.0),
            acceleration_mm_s2: machine.z_acceleration_limit_mm_s2.map(|limit| limit.0),
        }
    }
}

/// The largest value of something, and where it was met.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub(crate) struct Peak {
    /// The value.
    pub value: f64,
    /// Line of the job; 0 if there was nothing to look at.
    pub job_line: u64,
    /// Machine X.
    pub x_mm: f64,
    /// Machine Y.
    pub y_mm: f64,
}

impl Peak {
    fn raise(&mut self, value: f64, job_line: u64, x_um: f64, y_um: f64) {
        if value > self.value || self.job_line == 0 {
            *self = Self { value, job_line, x_mm: x_um / 1000.0, y_mm: y_um / 1000.0 };
        }
    }
}

/// A move that asks for more than the machine's Z allows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TooFast {
    /// Line of the job.
    pub job_line: u64,
    /// Its feed.
    pub feed_mm_s: f64,
    /// The highest feed that asks for no more than is allowed.
    pub feed_would_do_mm_s: f64,
}

/// What a job asks for with one correction in force.
#[derive(Clone, Debug, Default, Serialize)]
pub(crate) struct MotionFigures {
    /// Largest distance between the pieces and the exact corrected path, along Z, in micrometres.
    pub chord_error_um: Peak,
    /// Largest Z speed of a feed move.
    pub z_rate_mm_s: Peak,
    /// Largest step of the Z speed within a feed move, at a border of cells.
    pub z_rate_step_mm_s: Peak,
    /// Largest Z acceleration within a cell.
    pub z_acceleration_mm_s2: Peak,
    /// Largest change of layer thickness that the fade causes where something is printed, in per cent.
    pub thickness_change_percent: Peak,
    /// Most pieces a second, over at least a tenth of a second.
    pub pieces_per_s: Peak,
    /// Lines of the job whose moves ask for more than Z allows.
    pub lines_too_fast: u64,
    /// The worst of them, worst first.
    pub too_fast: Vec<TooFast>,
    /// Moves that the core refused, since they would go below the lowest height allowed.
    pub refused: Peak,
}

/// Goes along with a job, move by move; memory does not grow with it.
pub(crate) struct Dynamics<'a> {
    correction: &'a Correction<CAPACITY>,
    tolerance_um: u16,
    limits: ZLimits,
    model: Model,
    figures: MotionFigures,
    corners: Vec<f64>,
    /// Durations of the last pieces, and their sum.
    window_s: VecDeque<f64>,
    window_sum_s: f64,
    last_too_fast: u64,
}

impl<'a> Dynamics<'a> {
    /// For a correction in force, with the tolerance of its pieces.
    pub fn new(correction: &'a Correction<CAPACITY>, tolerance_um: u16, limits: ZLimits) -> Self {
        Self {
            correction,
            tolerance_um,
            limits,
            model: Model::of(correction),
            figures: MotionFigures::default(),
            corners: Vec::new(),
            window_s: VecDeque::new(),
            window_sum_s: 0.0,
            last_too_fast: 0,
        }
    }

    /// Takes in the next move.
    ///
    /// # Errors
    /// [`SplitError::Tolerance`] if the tolerance is out of range.
    pub fn take(&mut self, job_move: &JobMove) -> Result<(), SplitError> {
        self.pieces(job_move)?;
        if job_move.length_mm() > 0.0 {
            self.along(job_move);
        }
        Ok(())
    }

    /// What was found.
    pub fn figures(self) -> MotionFigures {
        self.figures
    }

    /// Splits the move as a controller would, measures the pieces against the model and counts them.
    fn pieces(&mut self, job_move: &JobMove) -> Result<(), SplitError> {
        let (start_um, end_um) = ends(job_move);
        let at = |fraction: f64| between(start_um, end_um, fraction);
        let pieces = match self.correction.split(&job_move.motion, self.tolerance_um) {
            Ok(pieces) => pieces,
            Err(SplitError::BelowLowest { end, .. }) => {
                let refused = &mut self.figures.refused;
                refused.raise(refused.value + 1.0, job_move.line, end.x_um.into(), end.y_um.into());
                return Ok(());
            }
            Err(error) => return Err(error),
        };
        let start = job_move.motion.start;
        let mut from = (0.0, f64::from(self.correction.machine_z_um(start.x_um, start.y_um, start.z_um)));
        let length_mm = job_move.length_mm();
        let axis = usize::from((end_um[1] - start_um[1]).abs() > (end_um[0] - start_um[0]).abs());
        for piece in pieces {
            let end = [f64::from(piece.end.x_um), f64::from(piece.end.y_um)];
            let along_um = end_um[axis] - start_um[axis];
            let fraction = if along_um == 0.0 { 1.0 } else { (end[axis] - start_um[axis]) / along_um };
            let to = (fraction, f64::from(piece.end.z_um));
            if length_mm > 0.0 {
                for part in [0.25, 0.5, 0.75, 1.0] {
                    let [x_um, y_um, z_um] = at(from.0 + (to.0 - from.0) * part);
                    let error_um = from.1 + (to.1 - from.1) * part - self.model.machine_z(x_um, y_um, z_um);
                    self.figures.chord_error_um.raise(error_um.abs(), job_move.line, x_um, y_um);
                }
            }
            let piece_mm = (length_mm * (to.0 - from.0)).hypot((to.1 - from.1) / 1000.0);
            // Nothing but E: its own length is what the feed goes along.
            let extruded_mm = f64::from(job_move.motion.extra_end[0].abs_diff(job_move.motion.extra_start[0])) / 1e6;
            self.count(job_move, if piece_mm > 0.0 { piece_mm } else { extruded_mm }, end);
            from = to;
        }
        Ok(())
    }

    fn count(&mut self, job_move: &JobMove, length_mm: f64, [x_um, y_um]: [f64; 2]) {
        let Some(feed_mm_s) = job_move.feed_mm_s.filter(|_| length_mm > 0.0) else {
            // How fast a rapid move is, nobody has said.
            self.window_s.clear();
            self.window_sum_s = 0.0;
            return;
        };
        self.window_s.push_back(length_mm / feed_mm_s);
        self.window_sum_s += length_mm / feed_mm_s;
        while let Some(first_s) =
            self.window_s.front().filter(|&first_s| self.window_sum_s - first_s >= PIECES_WINDOW_S)
        {
            self.window_sum_s -= first_s;
            self.window_s.pop_front();
        }
        if self.window_sum_s >= PIECES_WINDOW_S {
            let pieces_per_s = self.window_s.len() as f64 / self.window_sum_s;
            self.figures.pieces_per_s.raise(pieces_per_s, job_move.line, x_um, y_um);
        }
    }

    /// Speeds, steps and accelerations along the exact corrected path.
    fn along(&mut self, job_move: &JobMove) {
        let (start_um, end_um) = ends(job_move);
        let length_mm = job_move.length_mm();
        let logical_slope = (end_um[2] - start_um[2]) / 1000.0 / length_mm;
        self.model.corners(start_um, end_um, &mut self.corners);
        let mut most = ZRates::default();
        let mut slope_before = None;
        for ends in self.corners.windows(2) {
            let [from, to] = [ends[0], ends[1]];
            let stretch_mm = length_mm * (to - from);
            let places = [from, (from + to) / 2.0, to].map(|fraction| between(start_um, end_um, fraction));
            let [r0, rm, r1] = places.map(|[x_um, y_um, _]| self.model.shape(x_um, y_um));
            let [f0, _, f1] = places.map(|[_, _, z_um]| self.model.share(z_um));
            // Within a cell r is a + b·u + c·u² along the way, and within the fade F is a straight line.
            let c = 2.0 * (r0 + r1 - 2.0 * rm);
            let b = r1 - r0 - c;
            let df = f1 - f0;
            let slope = |rise_um: f64| rise_um / 1000.0 / stretch_mm + logical_slope;
            let slopes = [slope(df * r0 + f0 * b), slope(df * r1 + f1 * (b + 2.0 * c))];
            let curvature = |bend_um: f64| bend_um.abs() / 1000.0 / (stretch_mm * stretch_mm);
            let bends = [curvature(2.0 * (df * b + f0 * c)), curvature(2.0 * (df * (b + 2.0 * c) + f1 * c))];
            if let Some(feed_mm_s) = job_move.feed_mm_s {
                for (end, [x_um, y_um, _]) in [places[0], places[2]].into_iter().enumerate() {
                    let rate_mm_s = feed_mm_s * slopes[end].abs() / 1.0_f64.hypot(slopes[end]);
                    let acceleration_mm_s2 = feed_mm_s * feed_mm_s * bends[end];
                    self.figures.z_rate_mm_s.raise(rate_mm_s, job_move.line, x_um, y_um);
                    self.figures.z_acceleration_mm_s2.raise(acceleration_mm_s2, job_move.line, x_um, y_um);
                    most.rate_mm_s = most.rate_mm_s.max(rate_mm_s);
                    most.acceleration_mm_s2 = most.acceleration_mm_s2.max(acceleration_mm_s2);
                }
                if let Some(before) = slope_before {
                    let rate = |slope: f64| feed_mm_s * slope / 1.0_f64.hypot(slope);
                    let step_mm_s = (rate(slopes[0]) - rate(before)).abs();
                    self.figures.z_rate_step_mm_s.raise(step_mm_s, job_move.line, places[0][0], places[0][1]);
                    most.rate_step_mm_s = most.rate_step_mm_s.max(step_mm_s);
                }
                slope_before = Some(slopes[1]);
            }
            if let Some([full_below_um, zero_above_um]) = self.model.fade_um.filter(|_| job_move.prints) {
                let [x_um, y_um, z_um] = places[1];
                if z_um > full_below_um && z_um < zero_above_um {
                    let most_um = [r0, rm, r1].map(f64::abs).into_iter().fold(0.0, f64::max);
                    let percent = most_um / (zero_above_um - full_below_um) * 100.0;
                    self.figures.thickness_change_percent.raise(percent, job_move.line, x_um, y_um);
                }
            }
        }
        if let Some(feed_mm_s) = job_move.feed_mm_s {
            self.judge(job_move.line, feed_mm_s, most);
        }
    }

    /// Speeds grow with the feed, accelerations with its square.
    fn judge(&mut self, job_line: u64, feed_mm_s: f64, most: ZRates) {
        let over = |value: f64, limit: Option<f64>| limit.map_or(0.0, |limit| value / limit);
        let over = over(most.rate_mm_s, self.limits.rate_mm_s)
            .max(over(most.rate_step_mm_s, self.limits.rate_step_mm_s))
            .max(over(most.acceleration_mm_s2, self.limits.acceleration_mm_s2).sqrt());
        if over <= 1.0 {
            return;
        }
        self.figures.lines_too_fast += u64::from(self.last_too_fast != job_line);
        self.last_too_fast = job_line;
        let found = TooFast { job_line, feed_mm_s, feed_would_do_mm_s: feed_mm_s / over };
        let list = &mut self.figures.too_fast;
        let share = |found: &TooFast| found.feed_would_do_mm_s / found.feed_mm_s;
        // The chords of an arc are one line: its slowest counts.
        if let Some(same) = list.iter().position(|other| other.job_line == job_line) {
            if share(&list[same]) <= share(&found) {
                return;
            }
            list.remove(same);
        }
        let index = list.partition_point(|other| share(other) <= share(&found));
        list.insert(index, found);
        list.truncate(LISTED);
    }
}

/// The most that one move asks for.
#[derive(Clone, Copy, Default)]
struct ZRates {
    rate_mm_s: f64,
    rate_step_mm_s: f64,
    acceleration_mm_s2: f64,
}

pub(crate) fn ends(job_move: &JobMove) -> ([f64; 3], [f64; 3]) {
    let um = |point: gapkeeper::Point| [point.x_um.into(), point.y_um.into(), point.z_um.into()];
    (um(job_move.motion.start), um(job_move.motion.end))
}

pub(crate) fn between(start_um: [f64; 3], end_um: [f64; 3], fraction: f64) -> [f64; 3] {
    std::array::from_fn(|axis| start_um[axis] + (end_um[axis] - start_um[axis]) * fraction)
}

#[cfg(test)]
mod tests;
