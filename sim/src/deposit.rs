//! What a job lays down: the top of it as a height field, so that the thickness really laid is known at every place.
//!
//! The nozzle irons what it lays to its own height. So in a cell of the field the thickness laid is the nozzle's height
//! less the top of what lies there, and the thickness asked for is the same in the job's own heights. Their ratio is the
//! *squeeze*: below 1 the nozzle is too close and presses material aside, above 1 it is too far and the line does not
//! stick. What is pressed aside, and what sags, is not modelled.

mod cells;
mod figures;

use std::io::BufRead;

use crate::outcome::{Outcome, Run};
use crate::replay::{Machine, ReplayError, Sample, Settings, replay_watched};
use crate::scenario::Extent;
use cells::Cells;
pub use figures::{Flow, LaidFigures, Spot};
use figures::{LaidTally, Spots};

/// A squeeze below this is too close: 50 µm in a first layer of 200.
pub const TOO_CLOSE_BELOW: f64 = 0.75;
/// A squeeze above this is too far.
pub const TOO_FAR_ABOVE: f64 = 1.25;

/// Less than this above what the job has laid there already is the same layer again, such as the overlap of two lines.
const SAME_LAYER_UM: f64 = 30.0;
/// More than this is a bridge over nothing: no layer is thicker than its line is wide.
const BRIDGE_UM: f64 = 1000.0 * cells::LINE_WIDTH_MM;

/// How close the nozzle was to what it printed on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// Squeeze below [`TOO_CLOSE_BELOW`].
    TooClose,
    /// Between the two.
    Good,
    /// Squeeze above [`TOO_FAR_ABOVE`].
    TooFar,
}

impl Class {
    /// All classes, in the order of every array of classes.
    pub const ALL: [Class; 3] = [Class::TooClose, Class::Good, Class::TooFar];

    /// The class of a squeeze.
    pub fn of(squeeze: f64) -> Self {
        if squeeze < TOO_CLOSE_BELOW {
            Self::TooClose
        } else if squeeze > TOO_FAR_ABOVE {
            Self::TooFar
        } else {
            Self::Good
        }
    }

    /// The word used on screens and in pictures.
    pub const fn label(self) -> &'static str {
        match self {
            Self::TooClose => "too close",
            Self::Good => "good",
            Self::TooFar => "too far",
        }
    }
}

/// The nozzle at one end of a straight stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct End {
    /// Machine X.
    pub x_mm: f64,
    /// Machine Y.
    pub y_mm: f64,
    /// Height of the bed there.
    pub bed_um: f64,
    /// Height of the nozzle.
    pub nozzle_um: f64,
    /// Height that the job asked for.
    pub logical_um: f64,
    /// Factor that flow scaling puts on `E` there ([`gapkeeper::Correction::thickness_q16`]); 1 for none.
    pub flow: f64,
}

/// The deposit of one run under way.
///
/// A cell takes 16 bytes and is 0.4 mm wide; on beds of more than 0.16 m² cells are as much wider as keeps them to about
/// a million, 16 MB. A bed of 230 mm by 200 mm takes 4.6 MB. The length of the job does not matter.
#[derive(Clone, Debug)]
pub struct Deposit {
    cells: Cells,
    first_layer: LaidTally,
    above: LaidTally,
    bridged_cells: u64,
    spots: [Spots; 3],
}

/// What became of one run.
#[derive(Clone, Debug)]
pub struct Squeeze {
    /// Laid on the bed itself.
    pub first_layer: LaidFigures,
    /// Laid on what was laid before.
    pub above: LaidFigures,
    /// Laid over nothing, farther than any layer is thick; not judged.
    pub bridged_mm2: f64,
    /// The worst places of the whole job, too close, worst first, at least 10 mm apart.
    pub closest: Vec<Spot>,
    /// The same, too far.
    pub farthest: Vec<Spot>,
    /// Squeeze of the first layer.
    pub first_layer_map: SqueezeMap,
    /// Of all layers above, the squeeze that is farthest from 1.
    pub above_map: SqueezeMap,
}

/// Squeeze over the bed, on a lattice coarse enough to draw.
#[derive(Clone, Debug, PartialEq)]
pub struct SqueezeMap {
    /// Where the bed lies.
    pub x_mm: Extent,
    /// Where the bed lies.
    pub y_mm: Extent,
    /// Blocks along X.
    pub columns: usize,
    /// Blocks along Y.
    pub rows: usize,
    /// Mean squeeze in each block, rows along X; no number where nothing was laid.
    pub squeeze: Vec<f32>,
}

impl Deposit {
    /// Nothing on a bed yet.
    pub fn new(x_mm: Extent, y_mm: Extent) -> Self {
        Self {
            cells: Cells::new(x_mm, y_mm),
            first_layer: LaidTally::default(),
            above: LaidTally::default(),
            bridged_cells: 0,
            spots: Default::default(),
        }
    }

    /// Takes everything off the bed again.
    pub fn clear(&mut self) {
        self.cells.clear();
        (self.first_layer, self.above, self.bridged_cells) = Default::default();
        self.spots = Default::default();
    }

    /// Bytes that the field takes.
    pub fn field_bytes(&self) -> usize {
        self.cells.bytes()
    }

    /// Lays a straight line; what lies beside the bed is passed over.
    pub fn lay(&mut self, job_line: u64, from: &End, to: &End) {
        let Self { cells, first_layer, above, bridged_cells, spots } = self;
        cells.along([from.x_mm, from.y_mm], [to.x_mm, to.y_mm], |cell, fraction| {
            let between = |from: f64, to: f64| from + (to - from) * fraction;
            let nozzle_um = between(from.nozzle_um, to.nozzle_um);
            let logical_um = between(from.logical_um, to.logical_um);
            let on_bed = cell.is_empty();
            // The job knows of a level bed at 0.
            let (top_um, logical_top_um) = if on_bed {
                (between(from.bed_um, to.bed_um), 0.0)
            } else {
                (f64::from(cell.top_um), f64::from(cell.logical_top_um))
            };
            let asked_um = logical_um - logical_top_um;
            if asked_um < SAME_LAYER_UM {
                return;
            }
            // Where the nozzle is below what lies there, nothing is laid and the top stays.
            cell.top_um = nozzle_um.max(top_um) as f32;
            cell.logical_top_um = logical_um as f32;
            if asked_um > BRIDGE_UM {
                *bridged_cells += 1;
                return;
            }
            let squeeze = (nozzle_um - top_um).max(0.0) / asked_um;
            let flow = between(from.flow, to.flow);
            if on_bed {
                cell.first_squeeze = squeeze as f32;
                first_layer.add(squeeze, flow);
            } else {
                cell.keep_farther(squeeze as f32);
                above.add(squeeze, flow);
            }
            let spot = || Spot {
                job_line,
                x_mm: between(from.x_mm, to.x_mm),
                y_mm: between(from.y_mm, to.y_mm),
                z_mm: logical_um / 1000.0,
                squeeze,
            };
            spots[Class::of(squeeze) as usize].add(squeeze, spot);
        });
    }

    /// What became of it.
    pub fn finish(self) -> Squeeze {
        let cell_mm2 = self.cells.cell_mm2();
        let [closest, _, farthest] = self.spots.map(Spots::into_spots);
        Squeeze {
            first_layer: self.first_layer.figures(cell_mm2),
            above: self.above.figures(cell_mm2),
            bridged_mm2: self.bridged_cells as f64 * cell_mm2,
            closest,
            farthest,
            first_layer_map: self.cells.map(|cell| cell.first_squeeze),
            above_map: self.cells.map(|cell| cell.above_squeeze),
        }
    }
}

/// The deposits of all three runs of a replay, fed with its samples.
struct Deposits {
    machine: Machine,
    runs: [Deposit; 3],
    /// The sample before, as each run saw it.
    last: Option<[Option<End>; 3]>,
}

impl Deposits {
    fn add(&mut self, sample: &Sample) {
        if sample.printing_begins {
            self.runs.iter_mut().for_each(Deposit::clear);
        }
        let &Sample { x_mm, y_mm, bed_um, logical_um, .. } = sample;
        let ends = std::array::from_fn(|run| {
            sample.nozzles_um[run].map(|nozzle_um| {
                let flow = self.machine.flow(run, x_mm, y_mm, logical_um);
                End { x_mm, y_mm, bed_um, nozzle_um, logical_um, flow }
            })
        });
        // A move begins where the one before ended, but nothing is laid between them.
        if sample.fraction > 0.0
            && let Some(last) = &self.last
        {
            for ((run, from), to) in self.runs.iter_mut().zip(last).zip(&ends) {
                if let (Some(from), Some(to)) = (from, to) {
                    run.lay(sample.job_line, from, to);
                }
            }
        }
        self.last = Some(ends);
    }
}

/// Replays a job as [`crate::replay::replay`] does and follows what each run lays down, in the order of [`Run::ALL`].
///
/// # Errors
/// As for [`crate::replay::replay`].
pub fn replay_with_deposit(
    name: &str,
    job: impl BufRead,
    settings: &Settings<'_>,
) -> Result<(Outcome, [Squeeze; 3]), ReplayError> {
    let bed = &settings.scenario.bed;
    let runs = Run::ALL.map(|_| Deposit::new(bed.x_mm, bed.y_mm));
    let mut deposits = Deposits { machine: Machine::new(settings)?, runs, last: None };
    let outcome = replay_watched(name, job, settings, |sample| deposits.add(sample))?;
    Ok((outcome, deposits.runs.map(Deposit::finish)))
}

#[cfg(test)]
mod tests;
