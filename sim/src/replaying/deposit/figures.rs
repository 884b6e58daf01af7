//! Figures of what was laid: shares by area, flow, worst places.

use serde::{Serialize, Serializer};

use crate::outcome::{Class, PerClass};

/// Flow error: what is fed less what there is room for between nozzle and what is below, as a share of the room that the
/// job asked for (meant width times thickness); positive is too much.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct FlowError {
    /// Root of the mean square.
    pub rms: f64,
    /// Most negative.
    pub least: f64,
    /// Most positive.
    pub most: f64,
}

/// What was laid, every figure weighted by area: width times length of each line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct LaidFigures {
    /// Area of each class; what was refused, and of the first layer what lies beyond the plate, is part of the whole.
    pub area_mm2: PerClass,
    /// Squeeze, width and flow of what was judged; none where nothing was.
    pub lines: Option<LineFigures>,
}

/// Figures of lines, weighted by area.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LineFigures {
    /// Mean squeeze.
    pub mean: f64,
    /// Smallest squeeze: thinnest laid.
    pub least: f64,
    /// Largest squeeze: thickest laid.
    pub most: f64,
    /// Mean width, by length: what is fed by the thickness asked for.
    pub width_mm: f64,
    /// Flow error with `E` as in the job.
    pub flow_as_in_job: FlowError,
    /// Flow error with `E` scaled by the fade's change of thickness.
    pub flow_scaled: FlowError,
}

/// A place of a job and its squeeze.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LaidPlace {
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
    /// How it lies.
    #[serde(serialize_with = "by_key")]
    pub class: Class,
}

fn by_key<S: Serializer>(class: &Class, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(class.key())
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
    fn add(&mut self, error: f64, area_mm2: f64) {
        self.sum_of_squares += error * error * area_mm2;
        (self.least, self.most) = (self.least.min(error), self.most.max(error));
    }

    fn figures(&self, area_mm2: f64) -> FlowError {
        FlowError { rms: (self.sum_of_squares / area_mm2).sqrt(), least: self.least, most: self.most }
    }
}

/// A line over one cell.
pub(super) struct Line {
    pub(super) class: Class,
    pub(super) squeeze: f64,
    pub(super) way_mm: f64,
    pub(super) width_mm: f64,
    /// What is fed by the room that the job asked for: meant width times thickness.
    pub(super) fed: f64,
    pub(super) fed_scaled: f64,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct LaidTally {
    area_mm2: PerClass,
    way_mm: f64,
    sum: f64,
    least: f64,
    most: f64,
    as_in_job: FlowTally,
    scaled: FlowTally,
}

impl Default for LaidTally {
    fn default() -> Self {
        Self {
            area_mm2: PerClass::default(),
            way_mm: 0.0,
            sum: 0.0,
            least: f64::INFINITY,
            most: f64::NEG_INFINITY,
            as_in_job: FlowTally::default(),
            scaled: FlowTally::default(),
        }
    }
}

impl LaidTally {
    /// Takes in what was not laid on the bed.
    pub(super) fn skip(&mut self, class: Class, area_mm2: f64) {
        self.area_mm2.add(class, area_mm2);
    }

    /// Takes in one line over one cell.
    pub(super) fn add(&mut self, line: &Line) {
        let area_mm2 = line.way_mm * line.width_mm;
        self.area_mm2.add(line.class, area_mm2);
        self.way_mm += line.way_mm;
        self.sum += line.squeeze * area_mm2;
        (self.least, self.most) = (self.least.min(line.squeeze), self.most.max(line.squeeze));
        self.as_in_job.add(line.fed - line.squeeze, area_mm2);
        self.scaled.add(line.fed_scaled - line.squeeze, area_mm2);
    }

    pub(super) fn figures(&self) -> LaidFigures {
        let judged_mm2 = self.area_mm2.judged();
        let lines = (judged_mm2 > 0.0).then(|| LineFigures {
            mean: self.sum / judged_mm2,
            least: self.least,
            most: self.most,
            width_mm: judged_mm2 / self.way_mm,
            flow_as_in_job: self.as_in_job.figures(judged_mm2),
            flow_scaled: self.scaled.figures(judged_mm2),
        });
        LaidFigures { area_mm2: self.area_mm2, lines }
    }
}

/// The places whose squeeze is farthest from 1, no two of them near each other.
#[derive(Clone, Debug, Default)]
pub(super) struct LaidPlaces {
    spots: Vec<LaidPlace>,
}

impl LaidPlaces {
    const COUNT: usize = 5;
    const APART_MM: f64 = 10.0;

    pub(super) fn add(&mut self, squeeze: f64, spot: impl FnOnce() -> LaidPlace) {
        let badness = |squeeze: f64| (squeeze - 1.0).abs();
        let full = self.spots.len() == Self::COUNT;
        if full && self.spots.last().is_some_and(|last| badness(squeeze) <= badness(last.squeeze)) {
            return;
        }
        let spot = spot();
        let near = |other: &LaidPlace| (other.x_mm - spot.x_mm).hypot(other.y_mm - spot.y_mm) < Self::APART_MM;
        if self.spots.iter().any(|other| near(other) && badness(other.squeeze) >= badness(squeeze)) {
            return;
        }
        self.spots.retain(|other| !near(other));
        let index = self.spots.partition_point(|other| badness(other.squeeze) >= badness(squeeze));
        self.spots.insert(index, spot);
        self.spots.truncate(Self::COUNT);
    }

    pub(super) fn into_spots(self) -> Vec<LaidPlace> {
        self.spots
    }
}
