//! Where the first layer of a job lies: its moves, with the very samples at which a replay takes the gap.

use std::collections::BTreeMap;
use std::io::{BufRead, Seek};
use std::ops::Range;

use crate::bed::{HeightTable, ModelledBed};
use crate::class::Measure;
use crate::controller::{Controller, Corner};
use crate::gap::GapTally;
use crate::outcome::{Class, GapFigures, Place};
use crate::replay_error::ReplayError;
use crate::scenario::{Bed, Scenario};
use crate::stretch::{PathPoint, Stretch, nozzle_at};
use gapkeeper_host_tools::job::{FirstLayer, FirstLayerHeights, JobEvent, JobMove, ReadingOptions, walk};

/// More samples than this would make every draw of a plan a matter of minutes.
const MOST_SAMPLES: usize = 4_000_000;
/// Of a first layer that is kept aside so many are enough, 20 MB with their moves.
const MOST_KEPT: usize = 200_000;
/// Ways that are watched, and how low they begin to be.
const MOST_GUARDS: usize = 50_000;
const GUARDED_BELOW_UM: i32 = 400;

/// A place that stands for a length of printed path.
#[derive(Clone, Copy, Debug)]
struct PathSample {
    fraction: f64,
    x_mm: f64,
    y_mm: f64,
    logical_um: f64,
    length_mm: f64,
}

/// The first layer of a job.
pub(crate) struct Footprint {
    moves: Vec<(Stretch, Range<usize>)>,
    spots: Vec<PathSample>,
    off_bed_mm: f64,
    lays: bool,
    /// Low ways on which nothing is laid, and what is refused: they must neither be refused nor touch the bed.
    guards: Vec<(Stretch, Range<usize>)>,
    guard_spots: Vec<PathSample>,
    /// Of so many moves one is kept.
    every: u64,
    seen: u64,
}

impl Footprint {
    /// Nothing yet, of a job that lays something down or of one that does not.
    pub(crate) fn new(lays: bool) -> Self {
        let (moves, spots, guards, guard_spots) = Default::default();
        Self { moves, spots, off_bed_mm: 0.0, lays, guards, guard_spots, every: 1, seen: 0 }
    }

    /// Reads a job from its text, twice, and takes samples `step_mm` apart.
    pub(crate) fn of(
        name: &str,
        mut job: impl BufRead + Seek,
        scenario: &Scenario,
        heights: FirstLayerHeights,
        step_mm: f64,
    ) -> Result<Self, ReplayError> {
        let reading = scenario.reading();
        let first_layer = FirstLayer::of(name, &mut job, scenario.bed.ends_mm(), heights, reading)?;
        let mut found = Self::new(first_layer.extrudes());
        let reading = ReadingOptions { extrudes: Some(found.lays), ..reading };
        walk::<ReplayError>(name, job, reading, |event| {
            let JobEvent::Move(JobMove { line, motion, prints: true, .. }) = event else { return Ok(()) };
            let mut stretch = Stretch::new(line, motion, true, None);
            stretch.sample(step_mm, 0.0);
            found.take(&stretch, &first_layer);
            if found.spots.len() > MOST_SAMPLES {
                return Err(ReplayError::TooLong { file: name.to_string() });
            }
            Ok(())
        })?;
        if found.spots.is_empty() { Err(ReplayError::NothingPrinted { file: name.to_string() }) } else { Ok(found) }
    }

    /// Takes in what of a printing stretch lies on the bare bed.
    pub(crate) fn take(&mut self, stretch: &Stretch, first: &FirstLayer) {
        if !first.may_hold(&stretch.motion) {
            return;
        }
        let start = self.spots.len();
        for part in stretch.first..=stretch.last {
            let PathPoint { fraction, x_mm, y_mm, logical_um } = PathPoint::of(stretch, part);
            if !first.holds(x_mm, y_mm, logical_um, stretch.slope_um_per_mm()) {
                continue;
            }
            let length_mm = stretch.weight_mm(part);
            if first.on_plate(x_mm, y_mm) {
                self.spots.push(PathSample { fraction, x_mm, y_mm, logical_um, length_mm });
            } else {
                self.off_bed_mm += length_mm;
            }
        }
        if self.spots.len() > start {
            self.moves.push((stretch.clone(), start..self.spots.len()));
        }
    }

    /// The same of a first layer of any length: of a long one every n-th move is kept, so that memory is bounded.
    pub(crate) fn take_some(&mut self, stretch: &Stretch, first: &FirstLayer) {
        if !first.may_hold(&stretch.motion) {
            return;
        }
        self.seen += 1;
        if !self.seen.is_multiple_of(self.every) {
            return;
        }
        self.take(stretch, first);
        if self.spots.len() > MOST_KEPT || self.moves.len() > MOST_KEPT / 2 {
            self.every *= 2;
            self.off_bed_mm /= 2.0;
            let (moves, spots) = (std::mem::take(&mut self.moves), std::mem::take(&mut self.spots));
            for (stretch, range) in moves.into_iter().step_by(2) {
                let start = self.spots.len();
                self.spots.extend_from_slice(&spots[range]);
                self.moves.push((stretch, start..self.spots.len()));
            }
        }
    }

    /// Keeps a stretch on which nothing is judged, if it is low or has gone wrong in the run that would be used.
    pub(crate) fn guard(&mut self, stretch: &Stretch, is_wrong: bool) {
        let lowest_um = stretch.motion.start.z_um.min(stretch.motion.end.z_um);
        if self.guards.len() >= MOST_GUARDS || !(is_wrong || stretch.may_scrape && lowest_um <= GUARDED_BELOW_UM) {
            return;
        }
        let start = self.guard_spots.len();
        let parts = 0..if stretch.may_scrape { stretch.parts + 1 } else { 0 };
        self.guard_spots.extend(parts.map(|part| {
            let PathPoint { fraction, x_mm, y_mm, logical_um } = PathPoint::of(stretch, part);
            PathSample { fraction, x_mm, y_mm, logical_um, length_mm: 0.0 }
        }));
        self.guards.push((stretch.clone(), start..self.guard_spots.len()));
    }

    /// Whether no watched move touches a bed of these heights, raised by `raised_um`.
    pub(crate) fn is_clear(&self, controller: &mut Controller, bed_um: &[f64], raised_um: f64) -> bool {
        let mut is_clear = true;
        let bed_um = bed_um.get(self.spots.len()..).unwrap_or_default();
        drive(controller, &self.guards, &self.guard_spots, bed_um, |_, spot, gap_error_um| {
            is_clear &= gap_error_um.is_some_and(|um| um - raised_um + spot.logical_um > 0.0);
        });
        let mut path: Vec<Corner> = Vec::new();
        is_clear && self.guards.iter().all(|(stretch, _)| controller.drive(&stretch.motion, &mut path).is_ok())
    }

    /// Number of places.
    pub(crate) fn count(&self) -> usize {
        self.spots.len()
    }

    /// Length on the bed.
    pub(crate) fn length_mm(&self) -> f64 {
        self.spots.iter().map(|spot| spot.length_mm).sum()
    }

    /// The height at which most of it lies, to 10 µm.
    pub(crate) fn most_um(&self) -> f64 {
        let mut by_height: BTreeMap<i32, f64> = BTreeMap::new();
        for spot in &self.spots {
            *by_height.entry((spot.logical_um / 10.0).round() as i32).or_default() += spot.length_mm;
        }
        by_height.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0.0, |(step, _)| f64::from(step) * 10.0)
    }

    /// What counts as good on it.
    pub(crate) fn measure(&self, tolerance_um: f64) -> Measure {
        Measure { tolerance_um, lays: self.lays }
    }

    /// Heights of a bed at all places, as a replay looks them up.
    pub(crate) fn heights_of(&self, bed: &ModelledBed, plate: &Bed) -> Vec<f64> {
        let table = HeightTable::new(bed, plate.x_mm, plate.y_mm);
        let all = self.spots.iter().chain(&self.guard_spots);
        all.map(|spot| table.height_um(bed, spot.x_mm, spot.y_mm)).collect()
    }

    /// What a replay with this controller finds over a bed of these heights, raised by so much.
    pub(crate) fn judge(
        &self,
        controller: &mut Controller,
        bed_um: &[f64],
        raised_um: f64,
        tolerance_um: f64,
    ) -> GapFigures {
        let mut tally = GapTally::new(self.measure(tolerance_um));
        tally.skip(Class::OffBed, self.off_bed_mm);
        drive(controller, &self.moves, &self.spots, bed_um, |stretch, spot, gap_error_um| match gap_error_um {
            None => tally.skip(Class::Refused, spot.length_mm),
            Some(gap_error_um) => {
                let gap_error_um = gap_error_um - raised_um;
                let (x_mm, y_mm, z_mm) = (spot.x_mm, spot.y_mm, spot.logical_um / 1000.0);
                let place = || Place { job_line: stretch.line, x_mm, y_mm, z_mm, gap_error_um };
                tally.add(gap_error_um, spot.logical_um, spot.length_mm, place);
            }
        });
        tally.figures()
    }

    /// Gap error, height asked for and length at every place, or at every n-th so that there are at most so many; those
    /// of moves that are refused are left out.
    pub(crate) fn errors(&self, controller: &mut Controller, bed_um: &[f64], most: usize) -> Vec<(f64, f64, f64)> {
        let every = self.spots.len().div_ceil(most).max(1);
        let (mut index, mut errors) = (0, Vec::new());
        drive(controller, &self.moves, &self.spots, bed_um, |_, spot, gap_error_um| {
            if index % every == 0 {
                errors.extend(gap_error_um.map(|gap_error_um| (gap_error_um, spot.logical_um, spot.length_mm)));
            }
            index += 1;
        });
        errors
    }
}

/// Tells the gap error at every place, none where the move is refused.
fn drive(
    controller: &mut Controller,
    moves: &[(Stretch, Range<usize>)],
    spots: &[PathSample],
    bed_um: &[f64],
    mut tell: impl FnMut(&Stretch, &PathSample, Option<f64>),
) {
    let mut path: Vec<Corner> = Vec::new();
    for (stretch, range) in moves {
        let driven = controller.drive(&stretch.motion, &mut path).is_ok();
        let mut corner = 0;
        for (spot, bed_um) in spots[range.clone()].iter().zip(&bed_um[range.clone()]) {
            let nozzle_um = driven.then(|| nozzle_at(&path, spot.fraction, &mut corner));
            tell(stretch, spot, nozzle_um.map(|nozzle_um| nozzle_um - bed_um - spot.logical_um));
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;
    use crate::demo;

    fn of(job: &str) -> Result<Footprint, ReplayError> {
        let scenario = demo::scenario().unwrap();
        Footprint::of("job", Cursor::new(job), &scenario, FirstLayerHeights::default(), 0.5)
    }

    #[test]
    fn only_what_lies_on_the_bed_counts_and_no_length_is_lost() {
        let job = "G1 Z0.6 F600\nG1 X10\nG1 X50 E1\nG1 Z0.2\nG1 X60 Y30 E2\nG1 X50 Y0 E3\nG1 X10 Z0.2 E4\nG1 X-20 E5\n";
        let found = of(job).unwrap();
        // From X 10 to 50 it lies at 0.2; so what is printed at 0.6 there does not lie on the bed.
        let wanted_mm = 2.0 * 10_f64.hypot(30.0) + 40.0 + 10.0;
        assert!((found.length_mm() - wanted_mm).abs() < 0.5, "{} {wanted_mm}", found.length_mm());
        assert!((found.off_bed_mm - 20.0).abs() < 0.5 && found.most_um() == 200.0, "{}", found.off_bed_mm);
    }

    #[test]
    fn nothing_printed_is_said() {
        let error = of("G0 X5\nG1 E3\nG1 X9\n").err().unwrap();
        assert!(matches!(error, ReplayError::NothingPrinted { .. }), "{error}");
    }
}
