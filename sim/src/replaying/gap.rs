//! Gap error along a path: figures, worst places, layers and profile, in memory that does not grow with the job.

use std::collections::BTreeMap;

use crate::class::Measure;
use crate::layer_cells::{CellClasses, worse};
use crate::outcome::{
    BedPoint, Class, GapErrors, GapFigures, LayerFigures, LayerRun, PerClass, Place, ProfileStretch, Range,
};

/// Sizes of absolute error, a tenth of a micrometre each, for the 95th percentile; the last holds all beyond.
const SIZES: usize = 20_001;
const SIZES_PER_UM: f64 = 10.0;

/// Figures of one run over the first layer, as it goes.
#[derive(Clone, Debug)]
pub(crate) struct GapTally {
    measure: Measure,
    length_mm: PerClass,
    sum: f64,
    sum_of_squares: f64,
    min_um: f64,
    max_um: f64,
    length_by_size_mm: Vec<f64>,
    nearest: Option<Place>,
    farthest: Option<Place>,
    /// Where the nozzle is deepest in what is below it.
    deepest: Option<Place>,
}

impl GapTally {
    pub(crate) fn new(measure: Measure) -> Self {
        Self {
            measure,
            length_mm: PerClass::default(),
            sum: 0.0,
            sum_of_squares: 0.0,
            min_um: f64::INFINITY,
            max_um: f64::NEG_INFINITY,
            length_by_size_mm: vec![0.0; SIZES],
            nearest: None,
            farthest: None,
            deepest: None,
        }
    }

    /// What counts as good.
    pub(crate) fn measure(&self) -> Measure {
        self.measure
    }

    /// Takes in length that has no gap.
    pub(crate) fn skip(&mut self, class: Class, length_mm: f64) {
        self.length_mm.add(class, length_mm);
    }

    /// Takes in a place that stands for a length of path; `place` is only asked for at a new extreme.
    pub(crate) fn add(&mut self, error_um: f64, asked_um: f64, length_mm: f64, place: impl Fn() -> Place) {
        let class = self.measure.class(error_um, asked_um);
        self.length_mm.add(class, length_mm);
        self.sum += error_um * length_mm;
        self.sum_of_squares += error_um * error_um * length_mm;
        if class == Class::Contact && self.deepest.is_none_or(|deepest| error_um + asked_um < deepest.gap_um()) {
            self.deepest = Some(place());
        }
        if error_um < self.min_um {
            self.min_um = error_um;
            self.nearest = Some(place());
        }
        if error_um > self.max_um {
            self.max_um = error_um;
            self.farthest = Some(place());
        }
        let size_um = error_um.abs();
        // Saturates for what is beyond the last size.
        let size = ((size_um * SIZES_PER_UM) as usize).min(SIZES - 1);
        self.length_by_size_mm[size] += length_mm;
    }

    /// Where the nozzle is deepest in the bed, if it touches it.
    pub(crate) fn deepest(&self) -> Option<Place> {
        self.deepest
    }

    pub(crate) fn figures(&self) -> GapFigures {
        let judged_mm = self.length_mm.judged();
        let errors = self.nearest.zip(self.farthest).filter(|_| judged_mm > 0.0).map(|(nearest, farthest)| {
            let mut beyond_mm = judged_mm * 0.05;
            let p95_size = self.length_by_size_mm.iter().rposition(|&length_mm| {
                beyond_mm -= length_mm;
                beyond_mm < 0.0
            });
            GapErrors {
                min_um: self.min_um,
                max_um: self.max_um,
                mean_um: self.sum / judged_mm,
                rms_um: (self.sum_of_squares / judged_mm).sqrt(),
                // The middle of the size, unless the largest error of all is nearer.
                p95_abs_um: ((p95_size.unwrap_or(0) as f64 + 0.5) / SIZES_PER_UM)
                    .min(self.min_um.abs().max(self.max_um.abs())),
                // Of equals the nearer one is the more dangerous.
                worst: if -self.min_um >= self.max_um { nearest } else { farthest },
                nearest,
                farthest,
            }
        });
        GapFigures { length_mm: self.length_mm, errors }
    }
}

/// The worst places of one run, worst first, no two of them near each other.
#[derive(Clone, Debug, Default)]
pub(crate) struct WorstPlaces {
    places: Vec<Place>,
}

impl WorstPlaces {
    const COUNT: usize = 10;
    const APART_MM: f64 = 10.0;

    pub(crate) fn add(&mut self, error_um: f64, place: impl FnOnce() -> Place) {
        let smallest_um = self.places.last().map_or(0.0, |place| place.gap_error_um.abs());
        if self.places.len() == Self::COUNT && error_um.abs() <= smallest_um {
            return;
        }
        let place = place();
        let near = |other: &Place| (other.x_mm - place.x_mm).hypot(other.y_mm - place.y_mm) < Self::APART_MM;
        if self.places.iter().any(|other| near(other) && other.gap_error_um.abs() >= error_um.abs()) {
            return;
        }
        self.places.retain(|other| !near(other));
        let index = self.places.partition_point(|other| other.gap_error_um.abs() >= error_um.abs());
        self.places.insert(index, place);
        self.places.truncate(Self::COUNT);
    }

    pub(crate) fn into_places(self) -> Vec<Place> {
        self.places
    }
}

/// Shape of the top by layer; layers are told apart to 10 µm, more coarsely if there are very many of them.
#[derive(Clone, Debug)]
pub(crate) struct Layers {
    thickness_um: i32,
    layers: BTreeMap<i32, Layer>,
}

#[derive(Clone, Debug, Default)]
struct Layer {
    tallies: [LayerTally; 3],
    classes: CellClasses,
}

impl Layer {
    fn merge(&mut self, tallies: &[LayerTally; 3]) {
        self.tallies.iter_mut().zip(tallies).for_each(|(tally, other)| tally.merge(other));
    }

    fn merge_classes(&mut self, classes: &[Option<Class>]) {
        self.classes.resize(classes.len().max(self.classes.len()), None);
        self.classes.iter_mut().zip(classes).for_each(|(known, class)| *known = worse(*known, *class));
    }
}

/// Shape of the top of one run over a stretch of one layer.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LayerTally {
    length_mm: f64,
    sum: f64,
    min_um: f64,
    max_um: f64,
}

impl Default for LayerTally {
    fn default() -> Self {
        Self { length_mm: 0.0, sum: 0.0, min_um: f64::INFINITY, max_um: f64::NEG_INFINITY }
    }
}

impl LayerTally {
    /// Takes in a straight way between two heights.
    #[inline]
    pub(crate) fn add(&mut self, ends_um: [f64; 2], length_mm: f64) {
        let [from_um, to_um] = ends_um;
        let sum = (from_um + to_um) / 2.0 * length_mm;
        self.merge(&Self { length_mm, sum, min_um: from_um.min(to_um), max_um: from_um.max(to_um) });
    }

    /// The same over another datum.
    pub(crate) fn over(self, datum_um: f64) -> Self {
        let Self { length_mm, sum, min_um, max_um } = self;
        Self { length_mm, sum: sum - datum_um * length_mm, min_um: min_um - datum_um, max_um: max_um - datum_um }
    }

    pub(crate) fn merge(&mut self, other: &Self) {
        self.length_mm += other.length_mm;
        self.sum += other.sum;
        self.min_um = self.min_um.min(other.min_um);
        self.max_um = self.max_um.max(other.max_um);
    }
}

impl Layers {
    const MOST: usize = 2000;

    pub(crate) fn new() -> Self {
        Self { thickness_um: 10, layers: BTreeMap::new() }
    }

    /// Takes in a stretch of a layer; what is known of its cells is lent to be added to.
    pub(crate) fn add(&mut self, z_um: i32, tallies: &[LayerTally; 3]) -> &mut CellClasses {
        while self.layers.len() >= Self::MOST && !self.layers.contains_key(&z_um.div_euclid(self.thickness_um)) {
            self.thickness_um *= 2;
            for (index, layer) in std::mem::take(&mut self.layers) {
                let merged = self.layers.entry(index.div_euclid(2)).or_default();
                merged.merge(&layer.tallies);
                merged.merge_classes(&layer.classes);
            }
        }
        let layer = self.layers.entry(z_um.div_euclid(self.thickness_um)).or_default();
        layer.merge(tallies);
        &mut layer.classes
    }

    pub(crate) fn figures(&self) -> Vec<LayerFigures> {
        let run = |tally: &LayerTally| match tally.length_mm {
            0.0 => None,
            length_mm => Some(LayerRun { min_um: tally.min_um, mean_um: tally.sum / length_mm, max_um: tally.max_um }),
        };
        let figures = |(index, layer): (&i32, &Layer)| LayerFigures {
            z_mm: f64::from(*index) * f64::from(self.thickness_um) / 1000.0,
            runs: layer.tallies.each_ref().map(run),
        };
        self.layers.iter().map(figures).collect()
    }

    /// The cells of each layer, in the order of [`Self::figures`].
    pub(crate) fn into_classes(self) -> Vec<CellClasses> {
        self.layers.into_values().map(|layer| layer.classes).collect()
    }
}

/// The first layer's path in stretches of equal length, which grow with it so that there are never too many.
#[derive(Clone, Debug)]
pub(crate) struct Profile {
    stretch_mm: f64,
    length_mm: f64,
    stretches: Vec<ProfilePart>,
}

#[derive(Clone, Copy, Debug)]
struct ProfilePart {
    job_lines: [u64; 2],
    starts_at: BedPoint,
    /// Bed, nozzle of each run, gap error of each run.
    ranges: [Range; 7],
}

/// A place of the path, for the profile.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ProfileSample {
    pub(crate) job_line: u64,
    pub(crate) place: BedPoint,
    pub(crate) bed_um: f64,
    pub(crate) nozzle_um: [f64; 3],
    /// No number where it was not judged.
    pub(crate) gap_error_um: [f64; 3],
}

impl ProfilePart {
    const NOTHING: Self = Self {
        job_lines: [0; 2],
        starts_at: BedPoint { x_mm: 0.0, y_mm: 0.0 },
        ranges: [Range { min_um: f64::INFINITY, max_um: f64::NEG_INFINITY }; 7],
    };

    fn is_empty(&self) -> bool {
        self.ranges[0].min_um > self.ranges[0].max_um
    }

    /// Takes in what follows on the path.
    fn append(&mut self, next: &Self) {
        if next.is_empty() {
            return;
        }
        if self.is_empty() {
            *self = *next;
            return;
        }
        self.job_lines[1] = next.job_lines[1];
        self.ranges.iter_mut().zip(next.ranges).for_each(|(range, other)| widen(range, other));
    }
}

impl Profile {
    const MOST: usize = 16_384;
    const FINEST_MM: f64 = 0.5;

    pub(crate) fn new() -> Self {
        Self { stretch_mm: Self::FINEST_MM, length_mm: 0.0, stretches: Vec::new() }
    }

    /// Takes in a place that stands for a length of path.
    pub(crate) fn add(&mut self, length_mm: f64, sample: &ProfileSample) {
        // Positive and below the most that there may be.
        let index = (self.length_mm / self.stretch_mm) as usize;
        self.length_mm += length_mm;
        if index >= Self::MOST {
            self.stretch_mm *= 2.0;
            self.stretches = self
                .stretches
                .chunks(2)
                .map(|pair| {
                    let mut merged = pair[0];
                    if let Some(second) = pair.get(1) {
                        merged.append(second);
                    }
                    merged
                })
                .collect();
        }
        let index = ((self.length_mm - length_mm) / self.stretch_mm) as usize;
        if self.stretches.len() <= index {
            self.stretches.resize(index + 1, ProfilePart::NOTHING);
        }
        let [n0, n1, n2] = sample.nozzle_um;
        let [g0, g1, g2] = sample.gap_error_um;
        self.stretches[index].append(&ProfilePart {
            job_lines: [sample.job_line; 2],
            starts_at: sample.place,
            ranges: [sample.bed_um, n0, n1, n2, g0, g1, g2].map(|um| Range { min_um: um, max_um: um }),
        });
    }

    pub(crate) fn stretches(&self) -> Vec<ProfileStretch> {
        let stretch = |(index, stretch): (usize, &ProfilePart)| ProfileStretch {
            start_mm: index as f64 * self.stretch_mm,
            end_mm: ((index + 1) as f64 * self.stretch_mm).min(self.length_mm),
            job_lines: stretch.job_lines,
            starts_at: stretch.starts_at,
            bed: stretch.ranges[0],
            nozzle: std::array::from_fn(|run| stretch.ranges[1 + run]),
            gap_error: std::array::from_fn(|run| stretch.ranges[4 + run]),
        };
        // A stretch that one long sample stepped over holds nothing.
        self.stretches.iter().enumerate().filter(|(_, stretch)| !stretch.is_empty()).map(stretch).collect()
    }
}

fn widen(range: &mut Range, other: Range) {
    range.min_um = range.min_um.min(other.min_um);
    range.max_um = range.max_um.max(other.max_um);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(gap_error_um: f64, x_mm: f64) -> Place {
        Place { job_line: 1, x_mm, y_mm: 0.0, z_mm: 0.2, gap_error_um }
    }

    const MEASURE: Measure = Measure { tolerance_um: 50.0, lays: true };

    #[test]
    fn figures_are_weighted_by_length_and_refusal_is_never_good() {
        let mut tally = GapTally::new(MEASURE);
        tally.add(-40.0, 200.0, 1.0, || place(-40.0, 0.0));
        tally.add(80.0, 200.0, 3.0, || place(80.0, 1.0));
        tally.skip(Class::Refused, 4.0);
        tally.skip(Class::OffBed, 2.0);
        let figures = tally.figures();
        let errors = figures.errors.unwrap();
        assert_eq!((errors.min_um, errors.max_um, errors.mean_um), (-40.0, 80.0, 50.0));
        assert!((errors.rms_um - (5200.0_f64).sqrt()).abs() < 1e-9);
        assert_eq!((figures.good(), errors.worst), (0.1, place(80.0, 1.0)));
        let lengths_mm = figures.length_mm;
        assert_eq!((lengths_mm.judged(), lengths_mm.on_bed(), lengths_mm.share_judged()), (4.0, 8.0, 0.4));
        assert_eq!(GapTally::new(MEASURE).figures(), GapFigures::default());
        let mut refused = GapTally::new(MEASURE);
        refused.skip(Class::Refused, 4.0);
        assert_eq!((refused.figures().errors, refused.figures().good()), (None, 0.0));
    }

    #[test]
    fn contact_is_remembered_where_it_is_deepest() {
        let mut tally = GapTally::new(MEASURE);
        for (index, error_um) in [-150.0, -210.0, -300.0, -250.0].into_iter().enumerate() {
            tally.add(error_um, 200.0, 1.0, || place(error_um, index as f64));
        }
        assert_eq!(tally.deepest(), Some(place(-300.0, 2.0)));
        assert_eq!(tally.figures().length_mm.0, [3.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
        let mut pen = GapTally::new(Measure { lays: false, ..MEASURE });
        pen.add(-40.0, 0.0, 1.0, || place(-40.0, 0.0));
        assert_eq!((pen.deepest(), pen.figures().good()), (None, 1.0));
    }

    #[test]
    fn the_95th_percentile_of_a_uniform_error() {
        let p95_um = |tally: &GapTally| tally.figures().errors.unwrap().p95_abs_um;
        let mut tally = GapTally::new(MEASURE);
        for index in 0..10_000 {
            let error_um = f64::from(index) / 50.0 * if index % 2 == 0 { 1.0 } else { -1.0 };
            tally.add(error_um, 300.0, 0.7, || place(error_um, 0.0));
        }
        assert!((p95_um(&tally) - 190.0).abs() <= 0.1, "{}", p95_um(&tally));
        let mut huge = GapTally::new(MEASURE);
        huge.add(9000.0, 200.0, 1.0, || place(9000.0, 0.0));
        assert!(p95_um(&huge) <= 9000.0);
    }

    #[test]
    fn worst_places_are_sorted_and_apart() {
        let mut worst = WorstPlaces::default();
        for index in 0..400 {
            let error_um = f64::from((index * 37) % 400);
            worst.add(error_um, || place(error_um, f64::from(index)));
        }
        let places = worst.into_places();
        assert_eq!((places.len(), places[0].gap_error_um), (10, 399.0));
        for (index, one) in places.iter().enumerate() {
            assert!(places[..index].iter().all(|other| (one.x_mm - other.x_mm).abs() >= 10.0));
            assert!(places[..index].iter().all(|other| other.gap_error_um >= one.gap_error_um));
        }
    }

    #[test]
    fn memory_does_not_grow_with_the_job() {
        let (mut layers, mut profile) = (Layers::new(), Profile::new());
        for index in 0..100_000 {
            let mut tally = LayerTally::default();
            tally.add([1.0; 2], 1.0);
            layers.add(index * 20, &[tally; 3]);
            let place = BedPoint { x_mm: f64::from(index), y_mm: 0.0 };
            let (job_line, nozzle_um) = (index as u64, [1.0, 2.0, 3.0]);
            profile.add(0.9, &ProfileSample { job_line, place, bed_um: 5.0, nozzle_um, gap_error_um: [0.0; 3] });
        }
        assert!(layers.layers.len() <= Layers::MOST && layers.figures().len() > Layers::MOST / 3);
        let stretches = profile.stretches();
        assert!(stretches.len() <= Profile::MOST && stretches.len() > Profile::MOST / 3, "{}", stretches.len());
        let end_mm = stretches[stretches.len() - 1].end_mm;
        assert!((end_mm - 90_000.0).abs() < 1e-3, "{end_mm}");
        // Every line is in one stretch, and a stretch starts where its first line is.
        let mut next_line = 0;
        for stretch in &stretches {
            assert_eq!((stretch.job_lines[0], stretch.starts_at.x_mm), (next_line, next_line as f64));
            next_line = stretch.job_lines[1] + 1;
        }
        assert_eq!(next_line, 100_000);
        let total_mm: f64 = layers.layers.values().map(|layer| layer.tallies[0].length_mm).sum();
        assert_eq!(total_mm, 100_000.0);
    }
}
