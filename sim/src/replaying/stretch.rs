//! Moves in batches: what one evaluation of them needs and gives. It depends on nothing before it, so that batches
//! can be evaluated on any core.

use std::sync::Arc;

use gapkeeper::Move;
use gapkeeper_host_tools::pipeline::Worker;

use crate::bed::{HeightTable, ModelledBed};
use crate::controller::{Controller, Corner};
use crate::gap::LayerTally;
use crate::outcome::Place;

/// Batches are about this long.
const MOST_STRETCHES: usize = 1024;
const MOST_SAMPLES: u64 = 8192;

/// A straight move of the job, a chord of an arc, or a part of a very long one.
#[derive(Clone)]
pub(crate) struct Stretch {
    pub line: u64,
    pub motion: Move<1>,
    pub prints: bool,
    /// Whether samples are taken along it.
    pub sampled: bool,
    /// Whether the nozzle might touch the bed on a way on which it lays nothing down.
    pub may_scrape: bool,
    pub feed_mm_s: Option<f64>,
    /// Cross-section of what is fed along it; 0 where nothing is.
    pub strand_mm2: f64,
    /// Length in the plane, and the parts between samples.
    pub length_mm: f64,
    pub parts: u64,
    /// The samples to take: every end of a part from the first to the last.
    pub first: u64,
    pub last: u64,
}

impl Stretch {
    pub(crate) fn new(line: u64, motion: Move<1>, prints: bool, feed_mm_s: Option<f64>) -> Self {
        let along = |start: i32, end: i32| f64::from(end.abs_diff(start));
        let (start, end) = (motion.start, motion.end);
        // `hypot` guards against squares that no coordinate of 32 bits has, at a twentieth of a replay's time.
        let length_mm = (along(start.x_um, end.x_um).powi(2) + along(start.y_um, end.y_um).powi(2)).sqrt() / 1000.0;
        let prints = prints && length_mm > 0.0;
        let (sampled, may_scrape, strand_mm2) = (false, false, 0.0);
        Self {
            line,
            motion,
            prints,
            sampled,
            may_scrape,
            feed_mm_s,
            strand_mm2,
            length_mm,
            parts: 1,
            first: 0,
            last: 1,
        }
    }

    /// Samples are taken along it where it prints. `filament_mm2` is the cross-section of what is fed.
    pub(crate) fn sample(&mut self, step_mm: f64, filament_mm2: f64) {
        if self.prints {
            self.sampled = true;
            self.divide(step_mm);
            let fed_mm = (f64::from(self.motion.extra_end[0]) - f64::from(self.motion.extra_start[0])) / 1e6;
            self.strand_mm2 = fed_mm.max(0.0) * filament_mm2 / self.length_mm;
        }
    }

    /// The bed is looked for along it.
    pub(crate) fn guard(&mut self, step_mm: f64) {
        self.may_scrape = true;
        self.divide(step_mm);
    }

    fn divide(&mut self, step_mm: f64) {
        // At least 1; saturates far beyond what any job has.
        self.parts = (self.length_mm / step_mm).ceil().max(1.0) as u64;
        self.last = self.parts;
    }

    /// The length that a sample stands for: both ends of the move for half a part only.
    pub(crate) fn weight_mm(&self, part: u64) -> f64 {
        self.length_mm / self.parts as f64 * if part == 0 || part == self.parts { 0.5 } else { 1.0 }
    }

    /// How fast it rises or falls along its way.
    pub(crate) fn slope_um_per_mm(&self) -> f64 {
        f64::from(self.motion.end.z_um.abs_diff(self.motion.start.z_um)) / self.length_mm
    }
}

/// What one run made of a stretch.
#[derive(Clone, Copy, Default)]
pub(super) struct Driven {
    pub refused: bool,
    pub pieces: u32,
    pub pieces_above_z_rate_limit: u32,
    pub fastest_z_mm_s: f64,
    /// Height of the nozzle over the logical height, where it prints.
    pub above_logical: LayerTally,
}

/// Where a way on which nothing is laid goes deepest into the bed, in each run.
pub(super) type Scrapes = [Option<Place>; 3];

/// Heights at one sample; without a number where the move was refused.
#[derive(Clone, Copy)]
pub(super) struct Heights {
    pub bed_um: f64,
    pub nozzles_um: [f64; 3],
}

/// Stretches, and what came of them.
#[derive(Default)]
pub(super) struct Batch {
    pub stretches: Vec<Stretch>,
    pub driven: Vec<[Driven; 3]>,
    /// The samples of all sampled stretches, one after another.
    pub heights: Vec<Heights>,
    /// Of all stretches that may scrape, one after another.
    pub scrapes: Vec<Scrapes>,
    samples: u64,
}

impl Batch {
    pub(super) fn is_full(&self) -> bool {
        self.stretches.len() >= MOST_STRETCHES || self.samples >= MOST_SAMPLES
    }

    /// Takes in as much of a stretch as fits; false if a rest of it is left.
    #[inline]
    pub(super) fn push(&mut self, stretch: &mut Stretch) -> bool {
        let last = stretch.last;
        if stretch.sampled && stretch.last - stretch.first >= MOST_SAMPLES {
            stretch.last = stretch.first + MOST_SAMPLES - 1;
        }
        self.samples += if stretch.sampled { stretch.last - stretch.first + 1 } else { 0 };
        self.stretches.push(stretch.clone());
        let is_whole = stretch.last == last;
        (stretch.first, stretch.last) = (stretch.last + 1, last);
        is_whole
    }

    pub(super) fn clear(&mut self) {
        self.stretches.clear();
        self.driven.clear();
        self.heights.clear();
        self.scrapes.clear();
        self.samples = 0;
    }
}

/// The machine over its bed: everything that a stretch is evaluated with.
#[derive(Clone)]
pub(super) struct Evaluator {
    bed: ModelledBed,
    table: Arc<HeightTable>,
    controllers: [Controller; 3],
    z_rate_limit_mm_s: f64,
    /// Corners of the move under way; kept for their memory.
    paths: [Vec<Corner>; 3],
}

impl Worker<Batch> for Evaluator {
    fn work(&mut self, batch: &mut Batch) {
        for stretch in &batch.stretches {
            let mut driven = [Driven::default(); 3];
            for (run, driven) in driven.iter_mut().enumerate() {
                *driven = self.drive(run, stretch);
            }
            if stretch.sampled {
                self.sample(stretch, &mut batch.heights);
            } else if stretch.may_scrape {
                batch.scrapes.push(self.scrape(stretch));
            }
            batch.driven.push(driven);
        }
    }
}

impl Evaluator {
    pub(super) fn new(
        bed: ModelledBed,
        table: Arc<HeightTable>,
        controllers: [Controller; 3],
        z_rate_limit_mm_s: f64,
    ) -> Self {
        Self { bed, table, controllers, z_rate_limit_mm_s, paths: Default::default() }
    }

    fn drive(&mut self, run: usize, stretch: &Stretch) -> Driven {
        let path = &mut self.paths[run];
        if self.controllers[run].drive(&stretch.motion, path).is_err() {
            path.clear();
            return Driven { refused: true, ..Driven::default() };
        }
        // A move is split into a few hundred pieces at most.
        let mut driven = Driven { pieces: path.len() as u32 - 1, ..Driven::default() };
        if stretch.prints {
            driven.above_logical = above_logical(stretch, path);
        }
        let Some(feed_mm_s) = stretch.feed_mm_s.filter(|_| stretch.prints) else { return driven };
        for (from, to) in path.iter().zip(&path[1..]) {
            let part_mm = (to.fraction - from.fraction) * stretch.length_mm;
            // Each end is rounded to a whole micrometre, which on a very short piece would pass for a climb.
            let rise_mm = f64::from(to.commanded_um.abs_diff(from.commanded_um).saturating_sub(1)) / 1000.0;
            // The feed holds along the path, so on a steep piece it is not all in the plane.
            let z_mm_s = feed_mm_s * rise_mm / (part_mm * part_mm + rise_mm * rise_mm).sqrt();
            // A piece without length has no rate.
            if z_mm_s > driven.fastest_z_mm_s {
                driven.fastest_z_mm_s = z_mm_s;
            }
            driven.pieces_above_z_rate_limit += u32::from(z_mm_s > self.z_rate_limit_mm_s);
        }
        driven
    }

    /// Looks for the bed along a way on which nothing is laid.
    fn scrape(&mut self, stretch: &Stretch) -> Scrapes {
        let mut scrapes = Scrapes::default();
        let mut corners = [0; 3];
        for part in 0..=stretch.parts {
            let PathPoint { fraction, x_mm, y_mm, logical_um } = PathPoint::of(stretch, part);
            let bed_um = self.table.height_um(&self.bed, x_mm, y_mm);
            for (run, scrape) in scrapes.iter_mut().enumerate() {
                let gap_um = nozzle_at(&self.paths[run], fraction, &mut corners[run]) - bed_um;
                // No number where it was refused.
                if gap_um <= 0.0 && scrape.is_none_or(|deepest| gap_um < deepest.gap_um()) {
                    let (job_line, z_mm) = (stretch.line, logical_um / 1000.0);
                    *scrape = Some(Place { job_line, x_mm, y_mm, z_mm, gap_error_um: gap_um - logical_um });
                }
            }
        }
        scrapes
    }

    /// Takes the heights along a printing move, at the same places in all runs.
    fn sample(&mut self, stretch: &Stretch, heights: &mut Vec<Heights>) {
        let mut corners = [0; 3];
        for part in stretch.first..=stretch.last {
            let place = PathPoint::of(stretch, part);
            let nozzles_um = std::array::from_fn(|run| nozzle_at(&self.paths[run], place.fraction, &mut corners[run]));
            let bed_um = self.table.height_um(&self.bed, place.x_mm, place.y_mm);
            heights.push(Heights { bed_um, nozzles_um });
        }
    }
}

/// Straight from corner to corner, so corners and their means are all there is to know.
fn above_logical(stretch: &Stretch, path: &[Corner]) -> LayerTally {
    let (start_um, end_um) = (f64::from(stretch.motion.start.z_um), f64::from(stretch.motion.end.z_um));
    let above_um = |corner: &Corner| corner.z_um - (start_um + (end_um - start_um) * corner.fraction);
    let mut tally = LayerTally::default();
    let mut corners = path.iter().map(|corner| (corner.fraction, above_um(corner)));
    let Some(mut from) = corners.next() else { return tally };
    for to in corners {
        tally.add([from.1, to.1], (to.0 - from.0) * stretch.length_mm);
        from = to;
    }
    tally
}

/// A place on a stretch.
pub(crate) struct PathPoint {
    pub fraction: f64,
    pub x_mm: f64,
    pub y_mm: f64,
    pub logical_um: f64,
}

impl PathPoint {
    /// At the end of a part, counted from the stretch's start.
    pub(crate) fn of(stretch: &Stretch, part: u64) -> Self {
        let (start, end) = (stretch.motion.start, stretch.motion.end);
        let fraction = part as f64 / stretch.parts as f64;
        let between = |from: i32, to: i32| f64::from(from) + (f64::from(to) - f64::from(from)) * fraction;
        Self {
            fraction,
            x_mm: between(start.x_um, end.x_um) / 1000.0,
            y_mm: between(start.y_um, end.y_um) / 1000.0,
            logical_um: between(start.z_um, end.z_um),
        }
    }
}

/// Height of the nozzle at a fraction of a move; `corner` is where the search went on last time. No number: it did
/// not go.
pub(crate) fn nozzle_at(path: &[Corner], fraction: f64, corner: &mut usize) -> f64 {
    while path.get(*corner + 2).is_some() && path[*corner + 1].fraction < fraction {
        *corner += 1;
    }
    let (Some(from), Some(to)) = (path.get(*corner), path.get(*corner + 1)) else { return f64::NAN };
    let part = ((fraction - from.fraction) / (to.fraction - from.fraction)).clamp(0.0, 1.0);
    from.z_um + (to.z_um - from.z_um) * part
}
