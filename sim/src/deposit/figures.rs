//! Figures of what was laid: shares by area, flow, worst places.

use serde::Serialize;

use super::Class;

/// Flow error: what is fed less what there is room for, as a share of what the job asked for; positive is too much.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Flow {
    /// Root of the mean square.
    pub rms: f64,
    /// Most negative.
    pub least: f64,
    /// Most positive.
    pub most: f64,
}

/// What was laid, every figure weighted by area.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct LaidFigures {
    /// Area, counted once for each layer.
    pub area_mm2: f64,
    /// Share of the area in each class, in the order of [`Class::ALL`].
    pub shares: [f64; 3],
    /// Mean squeeze.
    pub mean: f64,
    /// Smallest squeeze: thinnest laid.
    pub least: f64,
    /// Largest squeeze: thickest laid.
    pub most: f64,
    /// Flow error with `E` as in the job.
    pub flow_as_in_job: Flow,
    /// Flow error with `E` scaled by the fade's change of thickness.
    pub flow_scaled: Flow,
}

/// A place of a job and its squeeze.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Spot {
    /// Line of the job, counted from 1.
    pub job_line: u64,
    /// Machine X.
    pub x_mm: f64,
    /// Machine Y.
    pub y_mm: f64,
    /// Logical height.
    pub z_mm: f64,
    /// Thickness laid by thickness asked for.
    pub squeeze: f64,
}

#[derive(Clone, Copy, Debug)]
struct FlowTally {
    sum_of_squares: f64,
    least: f64,
    most: f64,
}

impl Default for FlowTally {
    fn default() -> Self {
        Self { sum_of_squares: 0.0, least: f64::INFINITY, most: f64::NEG_INFINITY }
    }
}

impl FlowTally {
    fn add(&mut self, error: f64) {
        self.sum_of_squares += error * error;
        (self.least, self.most) = (self.least.min(error), self.most.max(error));
    }

    fn figures(&self, count: f64) -> Flow {
        Flow { rms: (self.sum_of_squares / count).sqrt(), least: self.least, most: self.most }
    }
}

#[derive(Clone, Copy, Debug, Default)]
pub(super) struct LaidTally {
    cells: [u64; 3],
    sum: f64,
    as_in_job: FlowTally,
    scaled: FlowTally,
}

impl LaidTally {
    /// Takes in one cell of one layer.
    pub(super) fn add(&mut self, squeeze: f64, flow: f64) {
        self.cells[Class::of(squeeze) as usize] += 1;
        self.sum += squeeze;
        self.as_in_job.add(1.0 - squeeze);
        self.scaled.add(flow - squeeze);
    }

    pub(super) fn figures(&self, cell_mm2: f64) -> LaidFigures {
        let count = self.cells.iter().sum::<u64>() as f64;
        if count == 0.0 {
            return LaidFigures::default();
        }
        LaidFigures {
            area_mm2: count * cell_mm2,
            shares: self.cells.map(|cells| cells as f64 / count),
            mean: self.sum / count,
            least: 1.0 - self.as_in_job.most,
            most: 1.0 - self.as_in_job.least,
            flow_as_in_job: self.as_in_job.figures(count),
            flow_scaled: self.scaled.figures(count),
        }
    }
}

/// The places of one class whose squeeze is farthest from 1, no two of them near each other.
#[derive(Clone, Debug, Default)]
pub(super) struct Spots {
    spots: Vec<Spot>,
}

impl Spots {
    const COUNT: usize = 5;
    const APART_MM: f64 = 10.0;

    pub(super) fn add(&mut self, squeeze: f64, spot: impl FnOnce() -> Spot) {
        let badness = |squeeze: f64| (squeeze - 1.0).abs();
        let full = self.spots.len() == Self::COUNT;
        if full && self.spots.last().is_some_and(|last| badness(squeeze) <= badness(last.squeeze)) {
            return;
        }
        let spot = spot();
        let near = |other: &Spot| (other.x_mm - spot.x_mm).hypot(other.y_mm - spot.y_mm) < Self::APART_MM;
        if self.spots.iter().any(|other| near(other) && badness(other.squeeze) >= badness(squeeze)) {
            return;
        }
        self.spots.retain(|other| !near(other));
        let index = self.spots.partition_point(|other| badness(other.squeeze) >= badness(squeeze));
        self.spots.insert(index, spot);
        self.spots.truncate(Self::COUNT);
    }

    pub(super) fn into_spots(self) -> Vec<Spot> {
        self.spots
    }
}
