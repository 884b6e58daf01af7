//! Where the first layer of a job lies: its moves, with the very samples at which a replay takes the gap.

use std::collections::BTreeMap;
use std::io::{BufRead, Seek};
use std::ops::Range;

use crate::bed::{HeightTable, ModelledBed};
use crate::controller::{Controller, Corner};
use crate::first_layer::{FirstLayer, FirstLayerHeights};
use crate::gap::{GapTally, Measure};
use crate::job::{JobEvent, JobMove, Reading, walk_with};
use crate::outcome::{Class, GapFigures, Place};
use crate::replay::{ReplayError, SamplePlace, Stretch, nozzle_at};
use crate::scenario::{ArcTolerance, Bed};

/// More samples than this would make every draw a matter of minutes.
const MOST_SAMPLES: usize = 4_000_000;

/// A place that stands for a length of printed path.
#[derive(Clone, Copy, Debug)]
struct Spot {
    fraction: f64,
    x_mm: f64,
    y_mm: f64,
    logical_um: f64,
    length_mm: f64,
}

/// The first layer of a job.
pub(super) struct Footprint {
    moves: Vec<(Stretch, Range<usize>)>,
    spots: Vec<Spot>,
    off_bed_mm: f64,
    lays: bool,
    /// The height at which most of it lies.
    pub z_um: f64,
}

impl Footprint {
    /// Reads a job from its text, twice, and takes samples `step_mm` apart.
    pub(super) fn of(
        name: &str,
        mut job: impl BufRead + Seek,
        (bed, arc_tolerance): (&Bed, ArcTolerance),
        heights: FirstLayerHeights,
        step_mm: f64,
    ) -> Result<Self, ReplayError> {
        let reading = Reading { arc_tolerance, ..Reading::default() };
        let first_layer = FirstLayer::of(name, &mut job, bed, heights, reading);
        job.rewind().map_err(|source| ReplayError::Again { file: name.to_string(), source })?;
        let lays = first_layer.extrudes();
        let mut found = Self { moves: Vec::new(), spots: Vec::new(), off_bed_mm: 0.0, lays, z_um: 0.0 };
        let mut by_height: BTreeMap<i32, f64> = BTreeMap::new();
        let reading = Reading { extrudes: Some(lays), ..reading };
        walk_with::<ReplayError>(name, job, reading, |event| {
            let JobEvent::Move(job_move) = event else { return Ok(()) };
            if job_move.prints && first_layer.may_hold(&job_move.motion) {
                found.print(&job_move, &first_layer, step_mm, &mut by_height);
            }
            if found.spots.len() > MOST_SAMPLES {
                return Err(ReplayError::TooLong { file: name.to_string() });
            }
            Ok(())
        })?;
        let nothing = || ReplayError::NothingPrinted { file: name.to_string() };
        let most = by_height.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).ok_or_else(nothing)?;
        found.z_um = f64::from(most.0) * 10.0;
        Ok(found)
    }

    fn print(&mut self, job_move: &JobMove, first: &FirstLayer, step_mm: f64, by_height: &mut BTreeMap<i32, f64>) {
        let stretch = Stretch::new(job_move.line, job_move.motion, true, None, step_mm, 0.0);
        let start = self.spots.len();
        for part in 0..=stretch.parts {
            let SamplePlace { fraction, x_mm, y_mm, logical_um } = SamplePlace::of(&stretch, part);
            if !first.holds(x_mm, y_mm, logical_um, stretch.slope_um_per_mm()) {
                continue;
            }
            let length_mm = stretch.weight_mm(part);
            if first.on_plate(x_mm, y_mm) {
                self.spots.push(Spot { fraction, x_mm, y_mm, logical_um, length_mm });
                // Whole steps of 10 µm.
                *by_height.entry((logical_um / 10.0).round() as i32).or_default() += length_mm;
            } else {
                self.off_bed_mm += length_mm;
            }
        }
        if self.spots.len() > start {
            self.moves.push((stretch, start..self.spots.len()));
        }
    }

    /// Number of places.
    pub(super) fn count(&self) -> usize {
        self.spots.len()
    }

    /// Length on the bed.
    pub(super) fn length_mm(&self) -> f64 {
        self.spots.iter().map(|spot| spot.length_mm).sum()
    }

    /// Heights of a bed at all places, as a replay looks them up.
    pub(super) fn heights_of(&self, bed: &ModelledBed, plate: &Bed) -> Vec<f64> {
        let mut table = HeightTable::new(bed, plate.x_mm, plate.y_mm);
        self.spots.iter().map(|spot| table.height_um(bed, spot.x_mm, spot.y_mm)).collect()
    }

    /// What a replay with this controller finds over a bed of these heights, raised by so much.
    pub(super) fn judge(
        &self,
        controller: &mut Controller,
        bed_um: &[f64],
        raised_um: f64,
        tolerance_um: f64,
    ) -> GapFigures {
        let mut tally = GapTally::new(Measure { tolerance_um, lays: self.lays });
        tally.skip(Class::OffBed, self.off_bed_mm);
        let mut path: Vec<Corner> = Vec::new();
        for (stretch, spots) in &self.moves {
            let driven = controller.drive(&stretch.motion, &mut path).is_ok();
            let mut corner = 0;
            for (spot, bed_um) in self.spots[spots.clone()].iter().zip(&bed_um[spots.clone()]) {
                if !driven {
                    tally.skip(Class::Refused, spot.length_mm);
                    continue;
                }
                let nozzle_um = nozzle_at(&path, spot.fraction, &mut corner);
                let gap_error_um = nozzle_um - (bed_um + raised_um) - spot.logical_um;
                let (x_mm, y_mm, z_mm) = (spot.x_mm, spot.y_mm, spot.logical_um / 1000.0);
                let place = || Place { job_line: stretch.line, x_mm, y_mm, z_mm, gap_error_um };
                tally.add(gap_error_um, spot.logical_um, spot.length_mm, place);
            }
        }
        tally.figures()
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;
    use crate::demo;

    fn of(job: &str) -> Result<Footprint, ReplayError> {
        let scenario = demo::scenario().unwrap();
        Footprint::of(
            "job",
            Cursor::new(job),
            (&scenario.bed, ArcTolerance::default()),
            FirstLayerHeights::default(),
            0.5,
        )
    }

    #[test]
    fn only_what_lies_on_the_bed_counts_and_no_length_is_lost() {
        let job = "G1 Z0.6 F600\nG1 X10\nG1 X50 E1\nG1 Z0.2\nG1 X60 Y30 E2\nG1 X50 Y0 E3\nG1 X10 Z0.2 E4\nG1 X-20 E5\n";
        let found = of(job).unwrap();
        // From X 10 to 50 it lies at 0.2; so what is printed at 0.6 there does not lie on the bed.
        let wanted_mm = 2.0 * 10_f64.hypot(30.0) + 40.0 + 10.0;
        assert!((found.length_mm() - wanted_mm).abs() < 0.5, "{} {wanted_mm}", found.length_mm());
        assert!((found.off_bed_mm - 20.0).abs() < 0.5 && found.z_um == 200.0, "{}", found.off_bed_mm);
    }

    #[test]
    fn nothing_printed_is_said() {
        let error = of("G0 X5\nG1 E3\nG1 X9\n").err().unwrap();
        assert!(matches!(error, ReplayError::NothingPrinted { .. }), "{error}");
    }
}
