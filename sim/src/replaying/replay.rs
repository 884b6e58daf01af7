//! Replays a job through the core over a modelled bed, three ways side by side.
//!
//! One core reads the job and counts, in the order of the job; moves are evaluated in batches on all of them. So the
//! figures are the same on any number of cores, to the last bit.

mod tally;

use std::convert::Infallible;
use std::io::{BufRead, Seek};
use std::sync::Arc;

use gapkeeper::{Correction, HeightGrid, Move, Point};
use gapkeeper_host_tools::job::{FirstLayer, JobEvent, JobMove, ReadingOptions, Walker};
use gapkeeper_host_tools::pipeline::{self, Pipeline};

use crate::bed::{HeightTable, ModelledBed};
use crate::controller::{CAPACITY, Controller};
use crate::core_settings::{controller, in_force, refine, tolerance_um};
use crate::outcome::{JobCounts, Outcome};
pub use crate::replay_error::ReplayError;
use crate::scenario::Extent;
pub use crate::settings::Settings;
use crate::setup::{grid_at_stations, temperature_note};
use crate::stretch::{Batch, Evaluator, Stretch};
use tally::Tally;

/// More cores than this wait for the one that reads.
const MOST_CORES: usize = 7;

/// Replays a job from its text.
///
/// The first layer is what lies on the bare bed ([`FirstLayer`]); to find it the job is read twice. In a job
/// that extrudes, moves with `E` forwards print; in any other all feed moves do. Memory does not grow with the length
/// of the job.
///
/// # Errors
/// [`ReplayError`] at the first line that cannot be read (unless told to keep going), or if the scenario's facts do
/// not go together.
pub fn replay(name: &str, job: impl BufRead + Seek, settings: &Settings<'_>) -> Result<Outcome, ReplayError> {
    replay_and(name, job, settings, None::<fn(&Sample)>)
}

/// Where the nozzle is at one place of a printing move.
#[derive(Clone, Copy, Debug)]
pub struct Sample {
    /// Line of the job.
    pub job_line: u64,
    /// Fraction of the straight move (or of the chord of an arc): 0 at its start, 1 at its end.
    pub fraction: f64,
    /// Place in the plane.
    pub x_mm: f64,
    /// Place in the plane.
    pub y_mm: f64,
    /// Height that the job asked for.
    pub logical_um: f64,
    /// Height of the bed there.
    pub bed_um: f64,
    /// Height of the nozzle in each run, in the order of [`Run::ALL`](crate::outcome::Run::ALL); none where the move was refused.
    pub nozzles_um: [Option<f64>; 3],
    /// Cross-section of what is fed along the move; 0 in a job that feeds nothing.
    pub strand_mm2: f64,
    /// Whether it is part of the first layer, on the plate or beyond.
    pub first_layer: bool,
    /// Whether it lies over the plate.
    pub on_plate: bool,
}

/// Replays a job and shows samples along all that it prints as they are taken.
///
/// # Errors
/// As [`replay`].
pub fn replay_watched(
    name: &str,
    job: impl BufRead + Seek,
    settings: &Settings<'_>,
    watch: impl FnMut(&Sample),
) -> Result<Outcome, ReplayError> {
    replay_and(name, job, settings, Some(watch))
}

/// Where nobody watches and no maps are made, samples are taken where the first layer may be, and nowhere else.
fn replay_and(
    name: &str,
    mut job: impl BufRead + Seek,
    settings: &Settings<'_>,
    watch: Option<impl FnMut(&Sample)>,
) -> Result<Outcome, ReplayError> {
    let Settings { scenario, first_layer_heights, keep_going, lenient, .. } = *settings;
    let cores = pipeline::cores(settings.cores);
    let reading = ReadingOptions { keep_going, lenient, ..scenario.reading() };
    let mut look = || FirstLayer::of(name, &mut job, scenario.bed.ends_mm(), first_layer_heights, reading);
    let make = || Machine::new(settings).map(|machine| (machine.evaluator(settings), machine));
    let (first_layer, made) = if cores > 1 {
        std::thread::scope(|scope| {
            let made = scope.spawn(make);
            (look(), made.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
        })
    } else {
        let made = make()?;
        (look(), Ok(made))
    };
    let ((own, machine), first_layer) = (made?, first_layer?);
    std::thread::scope(|scope| {
        let others = vec![own.clone(); cores.min(MOST_CORES) - 1];
        let pipeline = Pipeline::new(own, others, scope);
        let reading = ReadingOptions { extrudes: Some(first_layer.extrudes()), ..reading };
        Replay::new(name, settings, (machine, first_layer), pipeline, watch).run(job, reading)
    })
}

/// Bed and corrections, made from a scenario.
pub(crate) struct Machine {
    bed: ModelledBed,
    grid: HeightGrid<CAPACITY>,
    refined: HeightGrid<CAPACITY>,
    controllers: [Controller; 3],
    warnings: Vec<String>,
}

impl Machine {
    pub(crate) fn new(settings: &Settings<'_>) -> Result<Self, ReplayError> {
        let scenario = settings.scenario;
        let bed = ModelledBed::new(scenario, scenario.warmth_printing())?;
        let grid = match settings.grid {
            Some((grid, _)) => grid.clone(),
            None => grid_at_stations(scenario, &ModelledBed::new(scenario, scenario.warmth_measuring())?)?,
        };
        let refined = refine(scenario, &grid).map_err(|source| ReplayError::Grid { what: "refined grid", source })?;
        let mut warnings = Vec::new();
        let grid_c = settings.grid_temperature_c.or(settings.grid.is_none().then(|| scenario.warmth_measuring().bed_c));
        warnings.extend(temperature_note(scenario, grid_c));
        let (corrected, corrected_refined) = (in_force(scenario, grid.clone())?, in_force(scenario, refined.clone())?);
        let permille =
            [&corrected, &corrected_refined].map(Correction::thickness_change_permille).into_iter().max().unwrap_or(0);
        if permille > 100 {
            warnings.push(format!(
                "The fade changes layer thickness by up to {} %: fade over a longer height to keep it below 10 %.",
                permille / 10
            ));
        }
        let tolerance_um = tolerance_um(scenario);
        // So high that nothing but the tolerance can be wrong.
        let high = Point { z_um: 1_000_000, ..Point::default() };
        let at_rest = Move { start: high, end: high, extra_start: [0], extra_end: [0] };
        corrected.split(&at_rest, tolerance_um).map(drop).map_err(ReplayError::Tolerance)?;
        let controllers =
            [None, Some(corrected), Some(corrected_refined)].map(|in_force| controller(scenario, in_force));
        Ok(Self { bed, grid, refined, controllers, warnings })
    }

    /// Factor by which flow scaling multiplies `E` in a run.
    pub(crate) fn flow(&self, run: usize, x_mm: f64, y_mm: f64, logical_um: f64) -> f64 {
        self.controllers[run].flow(point(x_mm, y_mm, logical_um))
    }

    /// Where the nozzle is told to go in a run, motor steps left out.
    pub(crate) fn nozzle_um(&self, run: usize, x_mm: f64, y_mm: f64, logical_um: f64) -> f64 {
        f64::from(self.controllers[run].machine_z_um(point(x_mm, y_mm, logical_um)))
    }

    fn evaluator(&self, settings: &Settings<'_>) -> Evaluator {
        let (bed, machine) = (&settings.scenario.bed, &settings.scenario.machine);
        let table = Arc::new(HeightTable::new(&self.bed, bed.x_mm, bed.y_mm));
        Evaluator::new(self.bed.clone(), table, self.controllers.clone(), machine.z_rate_limit_mm_s.0)
    }
}

fn point(x_mm: f64, y_mm: f64, logical_um: f64) -> Point {
    // Saturates far beyond any machine.
    let um = |mm: f64| (mm * 1000.0).round() as i32;
    Point { x_um: um(x_mm), y_um: um(y_mm), z_um: logical_um.round() as i32 }
}

/// Counting never fails.
fn count<W: FnMut(&Sample)>(tally: &mut Tally<'_, W>, batch: &Batch) -> Result<(), Infallible> {
    tally.count(batch);
    Ok(())
}

/// A replay under way: what reads the job.
struct Replay<'a, W> {
    name: &'a str,
    settings: &'a Settings<'a>,
    sample_step_mm: f64,
    pipeline: Pipeline<Batch, Evaluator>,
    batch: Batch,
    /// Whether `E` moves forwards anywhere in the job.
    extrudes: bool,
    filament_mm2: f64,
    /// The height was moved to: at the start of a job and after homing the nozzle stands where the switches are.
    has_height: bool,
    samples_all: bool,
    /// Where the plate lies.
    bed: [Extent; 2],
    tally: Tally<'a, W>,
}

impl<'a, W: FnMut(&Sample)> Replay<'a, W> {
    fn new(
        name: &'a str,
        settings: &'a Settings<'a>,
        (machine, first_layer): (Machine, FirstLayer),
        pipeline: Pipeline<Batch, Evaluator>,
        watch: Option<W>,
    ) -> Self {
        Self {
            name,
            settings,
            sample_step_mm: settings.sample_step_mm.unwrap_or_else(|| machine.bed.sample_step_mm()),
            batch: Batch::default(),
            pipeline,
            extrudes: first_layer.extrudes(),
            filament_mm2: settings.scenario.machine.filament_mm2(),
            has_height: false,
            samples_all: settings.layer_maps || watch.is_some(),
            bed: [settings.scenario.bed.x_mm, settings.scenario.bed.y_mm],
            tally: Tally::new(settings, machine, first_layer, watch),
        }
    }

    fn run(mut self, job: impl BufRead, reading: ReadingOptions) -> Result<Outcome, ReplayError> {
        let mut walker = Walker::new(self.name, job, reading);
        let mut bad_lines = 0;
        let mut first_bad_line = None;
        let mut tell = |event| {
            match event {
                JobEvent::Move(job_move) => self.stretch(&job_move),
                // Where homing ends is decided by the switches, not by the bed.
                JobEvent::Homed { .. } => self.has_height = false,
                JobEvent::ExtrudesAfterAll => {}
            }
            Ok(())
        };
        while let Some(line) = walker.line(&mut tell) {
            let Err(error) = line else { continue };
            if !reading.goes_on_after(&error) {
                return Err(error.into());
            }
            bad_lines += 1;
            first_bad_line.get_or_insert_with(|| error.to_string().lines().next().unwrap_or_default().to_string());
        }
        self.give();
        let Ok(()) = self.pipeline.finish(|batch| count(&mut self.tally, batch));
        if let Some(words) = walker.odd_words(false) {
            self.tally.warn(format!(
                "Not followed, and may move axes or their zero: {words}. Positions after them may be wrong."
            ));
        }
        self.tally.passed_over = walker.odd_words(true);
        self.tally.finish(self.name, JobCounts { bad_lines, ..walker.counts() }, first_bad_line)
    }

    fn stretch(&mut self, job_move: &JobMove) {
        let &JobMove { line, motion, prints, feed_mm_s, .. } = job_move;
        let mut stretch = Stretch::new(line, motion, prints, feed_mm_s);
        if self.samples_all || self.settings.first_layer_heights.may_hold(&motion) {
            stretch.sample(self.sample_step_mm, self.filament_mm2);
        }
        // A pen or a cutter is meant to touch.
        if self.extrudes && !stretch.prints && self.has_height && self.goes_low(&motion) {
            stretch.guard(self.sample_step_mm);
        }
        self.has_height |= motion.start.z_um != motion.end.z_um;
        loop {
            let is_whole = self.batch.push(&mut stretch);
            if self.batch.is_full() {
                self.give();
            }
            if is_whole {
                return;
            }
        }
    }

    /// Whether a way ends over the plate below the height up to which anything may lie on the bare bed, and not above
    /// where it began.
    fn goes_low(&self, motion: &Move<1>) -> bool {
        let [x_mm, y_mm] = [motion.end.x_um, motion.end.y_um].map(|um| f64::from(um) / 1000.0);
        motion.end.z_um <= motion.start.z_um
            && f64::from(motion.end.z_um) <= self.settings.first_layer_heights.to_mm * 1000.0
            && self.bed[0].contains(x_mm)
            && self.bed[1].contains(y_mm)
    }

    fn give(&mut self) {
        let mut empty = self.pipeline.spare().unwrap_or_default();
        empty.clear();
        let full = std::mem::replace(&mut self.batch, empty);
        let Ok(()) = self.pipeline.give(full, |batch| count(&mut self.tally, batch));
    }
}
