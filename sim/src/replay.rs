//! Replays a job through the core over a modelled bed, three ways side by side.

use std::io::BufRead;

use gapkeeper::{Correction, CorrectionError, DEFAULT_TOLERANCE_UM, GridError, HeightGrid, Move, Point, SplitError};
use gapkeeper_host_tools::gcode::{Action, GcodeError, Interpreter, Reader, moves};

use crate::bed::{BedError, ModelledBed};
use crate::controller::{CAPACITY, Controller, Corner};
use crate::gap::{GapTally, LayerTally, Layers, Profile, WorstPlaces};
use crate::outcome::{Field, JobCounts, Outcome, Place, Point as BedPoint, Run, RunOutcome, Surfaces};
use crate::scenario::{Count, Scenario};
use crate::surfaces;

/// Printing this much above the lowest printed height still belongs to the first layer.
pub(crate) const SAME_LAYER_UM: i32 = 10;

/// Gaps of up to twice this many points of the surfaces are no holes in what is printed.
const CLOSED_GAP_POINTS: usize = 1;

/// Why a job cannot be replayed.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// A line of the job cannot be read, or the file cannot.
    #[error(transparent)]
    Job(#[from] GcodeError),
    /// A line that reads well asks for a move that cannot be.
    #[error("{file}:{line}: {message}\n{line:>5} | {text}")]
    Move {
        /// Name of the job.
        file: String,
        /// Line of the job.
        line: u64,
        /// What that line says.
        text: String,
        /// What is wrong and what to do.
        message: String,
    },
    /// The modelled bed cannot be.
    #[error(transparent)]
    Bed(#[from] BedError),
    /// No grid can be read off the bed or refined.
    #[error("{what}: {source}")]
    Grid {
        /// Which grid.
        what: &'static str,
        /// What is wrong and what to do.
        source: GridError,
    },
    /// The grid cannot be put in force as the scenario asks.
    #[error("correction: {0}")]
    Correction(#[from] CorrectionError),
    /// The scenario's tolerance is out of range.
    #[error("correction.tolerance_um: {0}")]
    Tolerance(SplitError),
    /// Nothing was printed, so there is no gap to speak of.
    #[error("{file}: no printing move: nothing with E in a printing job, no G1, G2 or G3 in any other")]
    NothingPrinted {
        /// Name of the job.
        file: String,
    },
}

/// What a replay needs besides the job.
#[derive(Clone, Copy, Debug)]
pub struct Settings<'a> {
    /// Machine and bed.
    pub scenario: &'a Scenario,
    /// The grid in force and where it came from; none: it is read off the bed at the scenario's stations.
    pub grid: Option<(&'a HeightGrid<CAPACITY>, &'a str)>,
    /// Gap errors up to this stick.
    pub tolerance_um: f64,
    /// Distance between samples along the path; none: fine enough for the bed.
    pub sample_step_mm: Option<f64>,
    /// Count lines that cannot be read instead of stopping at the first.
    pub keep_going: bool,
}

/// Replays a job from its text.
///
/// The first layer is what is printed at the lowest height. In a job that extrudes, moves with `E` forwards print; in
/// any other all feed moves do. Memory does not grow with the length of the job.
///
/// # Errors
/// [`ReplayError`] at the first line that cannot be read (unless told to keep going), or if the scenario's facts do
/// not go together.
pub fn replay(name: &str, job: impl BufRead, settings: &Settings<'_>) -> Result<Outcome, ReplayError> {
    replay_watched(name, job, settings, |_| {})
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
    /// Height of the bed there.
    pub bed_um: f64,
    /// Height of the nozzle in each run, in the order of [`Run::ALL`]; none where the move was refused.
    pub nozzles_um: [Option<f64>; 3],
}

/// Replays a job and shows every sample as it is taken.
///
/// # Errors
/// As [`replay`].
pub fn replay_watched(
    name: &str,
    job: impl BufRead,
    settings: &Settings<'_>,
    watch: impl FnMut(&Sample),
) -> Result<Outcome, ReplayError> {
    let mut replay = Replay::new(settings, watch)?;
    let mut reader = Reader::new(name, job);
    let mut interpreter = Interpreter::new();
    loop {
        let step = match reader.next_line() {
            Ok(None) => break,
            Ok(Some(line)) => interpreter.execute(&line).map_err(ReplayError::from).and_then(|action| {
                replay.act(action, line.number()).map_err(|message| ReplayError::Move {
                    file: name.to_string(),
                    line: line.number(),
                    text: String::from_utf8_lossy(line.raw()).trim_end().to_string(),
                    message,
                })
            }),
            Err(error) => Err(error.into()),
        };
        match step {
            Ok(()) => {}
            Err(ReplayError::Job(error)) if !error.is_bad_line() => return Err(error.into()),
            Err(error) if !settings.keep_going => return Err(error),
            Err(error) => replay.bad_line(&error),
        }
        replay.counts.lines += 1;
    }
    replay.counts.bytes = reader.bytes_read();
    replay.counts.unknown_words = interpreter.unknown_words().values().sum();
    if !interpreter.unmodelled_words().is_empty() {
        let words: Vec<_> = interpreter.unmodelled_words().keys().map(String::as_str).collect();
        replay.warnings.push(format!(
            "{} may move the axes or their zero in ways not modelled here: positions after it may be wrong.",
            words.join(", ")
        ));
    }
    replay.finish(name, settings.grid.map(|(_, origin)| origin))
}

/// The grid that faultless readings at the scenario's stations give.
///
/// # Errors
/// [`ReplayError::Grid`] if the stations make no grid.
pub fn grid_at_stations(scenario: &Scenario, bed: &ModelledBed) -> Result<HeightGrid<CAPACITY>, ReplayError> {
    bed.read_off(scenario.stations()).map_err(|source| ReplayError::Grid { what: "survey", source })
}

/// Lines of the job to which something happened; the chords of one arc are one line.
#[derive(Clone, Copy, Default)]
struct Lines {
    count: u64,
    first: Option<u64>,
    last: Option<u64>,
}

impl Lines {
    fn count(&mut self, line: u64) {
        self.count += u64::from(self.last != Some(line));
        self.first.get_or_insert(line);
        self.last = Some(line);
    }
}

/// One run as it goes.
struct RunTally {
    run: Run,
    controller: Controller,
    /// Corners of the move under way; kept for its memory.
    path: Vec<Corner>,
    gaps: Gaps,
    pieces: u64,
    printing_pieces: u64,
    largest_z_rate_mm_s: f64,
    largest_z_rate_line: u64,
    pieces_above_z_rate_limit: u64,
    refused: Lines,
}

/// The gap figures of one run.
struct Gaps {
    first_layer: GapTally,
    whole_job: GapTally,
    worst_places: WorstPlaces,
}

impl Gaps {
    fn new(tolerance_um: f64) -> Self {
        Self {
            first_layer: GapTally::new(tolerance_um),
            whole_job: GapTally::new(tolerance_um),
            worst_places: WorstPlaces::default(),
        }
    }
}

/// A straight move of the job, or a chord of an arc.
struct Stretch {
    line: u64,
    motion: Move<1>,
    prints: bool,
    feed_mm_s: Option<f64>,
}

struct Replay<'a, W> {
    scenario: &'a Scenario,
    watch: W,
    bed: ModelledBed,
    sample_step_mm: f64,
    tolerance_um: f64,
    grid: HeightGrid<CAPACITY>,
    refined: HeightGrid<CAPACITY>,
    runs: [RunTally; 3],
    counts: JobCounts,
    first_bad_line: Option<String>,
    layers: Layers,
    profile: Profile,
    first_layer_um: Option<i32>,
    /// Whether `E` has ever moved forwards.
    extrudes: bool,
    surface: Field,
    printed: Vec<bool>,
    outside_travel: Lines,
    warnings: Vec<String>,
}

impl<'a, W: FnMut(&Sample)> Replay<'a, W> {
    fn new(settings: &Settings<'a>, watch: W) -> Result<Self, ReplayError> {
        let scenario = settings.scenario;
        let bed = ModelledBed::new(&scenario.bed, &scenario.folder)?;
        let grid = match settings.grid {
            Some((grid, _)) => grid.clone(),
            None => grid_at_stations(scenario, &bed)?,
        };
        let refined = match scenario.survey.refined {
            Some([Count(columns), Count(rows)]) => grid.refined(columns, rows),
            None => grid.densest(),
        }
        .map_err(|source| ReplayError::Grid { what: "refined grid", source })?;
        let mut warnings = Vec::new();
        let mut in_force = |grid: &HeightGrid<CAPACITY>| {
            let mut correction = Correction::new(grid.clone()).with_shift(scenario.correction.shift_um)?;
            if let Some(fade) = scenario.correction.fade {
                correction = correction.with_fade(fade.0)?;
            }
            let permille = correction.thickness_change_permille();
            if permille > 100 && warnings.is_empty() {
                warnings.push(format!(
                    "The fade changes layer thickness by up to {} %: fade over a longer height to keep it below 10 %.",
                    permille / 10
                ));
            }
            Ok::<_, CorrectionError>(correction)
        };
        let (corrected, corrected_refined) = (in_force(&grid)?, in_force(&refined)?);
        let tolerance_um = scenario.correction.tolerance_um.unwrap_or(DEFAULT_TOLERANCE_UM);
        let at_rest = Move { start: Point::default(), end: Point::default(), extra_start: [0], extra_end: [0] };
        corrected.split(&at_rest, tolerance_um).map(drop).map_err(ReplayError::Tolerance)?;
        let machine = &scenario.machine;
        let lowest_um = (machine.limit_switch_trips_at_mm.0 * 1000.0).round() as i32;
        let tally = |run, correction| RunTally {
            run,
            controller: Controller::new(correction, tolerance_um, machine.steps_per_mm.z.0, lowest_um),
            path: Vec::new(),
            gaps: Gaps::new(settings.tolerance_um),
            pieces: 0,
            printing_pieces: 0,
            largest_z_rate_mm_s: 0.0,
            largest_z_rate_line: 0,
            pieces_above_z_rate_limit: 0,
            refused: Lines::default(),
        };
        let surface = surfaces::bed_field(&scenario.bed, &bed);
        Ok(Self {
            scenario,
            watch,
            sample_step_mm: settings.sample_step_mm.unwrap_or_else(|| bed.sample_step_mm()),
            bed,
            tolerance_um: settings.tolerance_um,
            grid,
            refined,
            runs: [
                tally(Run::Uncorrected, None),
                tally(Run::Corrected, Some(corrected)),
                tally(Run::Refined, Some(corrected_refined)),
            ],
            counts: JobCounts::default(),
            first_bad_line: None,
            layers: Layers::new(),
            profile: Profile::new(),
            first_layer_um: None,
            extrudes: false,
            printed: vec![false; surface.values_um.len()],
            surface,
            outside_travel: Lines::default(),
            warnings,
        })
    }

    fn bad_line(&mut self, error: &ReplayError) {
        self.counts.bad_lines += 1;
        let headline = || error.to_string().lines().next().unwrap_or_default().to_string();
        self.first_bad_line.get_or_insert_with(headline);
    }

    /// Does what a line of the job says; the error is a message about a move that cannot be.
    fn act(&mut self, action: Action, line: u64) -> Result<(), String> {
        match action {
            Action::Straight(straight) => {
                let motion = moves::straight(straight.start, straight.end, straight.extruded_nm)?;
                let travels = (motion.start.x_um, motion.start.y_um) != (motion.end.x_um, motion.end.y_um);
                let prints = self.prints(straight.rapid, straight.extruded_nm) && travels;
                self.counts.printing_moves += u64::from(prints);
                self.stretch(&Stretch { line, motion, prints, feed_mm_s: moves::feed_mm_s(straight.feed_nm_min) });
            }
            Action::Arc(arc) => {
                let chords = moves::chords(&arc)?;
                let prints = self.prints(false, arc.extruded_nm);
                self.counts.arcs += 1;
                self.counts.printing_moves += u64::from(prints);
                let feed_mm_s = moves::feed_mm_s(arc.feed_nm_min);
                for motion in chords {
                    self.stretch(&Stretch { line, motion, prints, feed_mm_s });
                }
            }
            // Where homing ends is decided by the switches, not by the bed.
            Action::Home(_) | Action::None | Action::SetPosition | Action::Dwell | Action::End => return Ok(()),
        }
        self.counts.moves += 1;
        Ok(())
    }

    fn prints(&mut self, rapid: bool, extruded_nm: i64) -> bool {
        if extruded_nm > 0 && !self.extrudes {
            // A printing job after all: what looked like cutting was travel.
            self.extrudes = true;
            self.counts.printing_moves = 0;
            self.first_layer_um = None;
            self.layers = Layers::new();
            for run in &mut self.runs {
                run.gaps = Gaps::new(self.tolerance_um);
                run.printing_pieces = 0;
            }
        }
        !rapid && (extruded_nm > 0 || !self.extrudes)
    }

    fn stretch(&mut self, stretch: &Stretch) {
        let Move { start, end, .. } = stretch.motion;
        let machine = &self.scenario.machine;
        let inside = machine.travel_x_mm.contains(f64::from(end.x_um) / 1000.0)
            && machine.travel_y_mm.contains(f64::from(end.y_um) / 1000.0)
            && machine.travel_z_mm.contains(f64::from(end.z_um) / 1000.0);
        if !inside {
            self.outside_travel.count(stretch.line);
        }
        let length_mm =
            f64::from(end.x_um.abs_diff(start.x_um)).hypot(f64::from(end.y_um.abs_diff(start.y_um))) / 1000.0;
        for run in &mut self.runs {
            run.drive(stretch, length_mm, machine.z_rate_limit_mm_s.0);
        }
        if stretch.prints && length_mm > 0.0 {
            self.sample(stretch, length_mm);
        }
    }

    /// Takes the gap along a printing move, the same places in all runs.
    fn sample(&mut self, stretch: &Stretch, length_mm: f64) {
        let Move { start, end, .. } = stretch.motion;
        let (lower_um, upper_um) = (start.z_um.min(end.z_um), start.z_um.max(end.z_um));
        if self.first_layer_um.is_none_or(|first_um| lower_um < first_um - SAME_LAYER_UM) {
            self.first_layer_um = Some(lower_um);
            self.profile = Profile::new();
            self.printed.fill(false);
            for run in &mut self.runs {
                run.gaps.first_layer = GapTally::new(self.tolerance_um);
                run.gaps.worst_places = WorstPlaces::default();
            }
        }
        let in_first_layer = self.first_layer_um.is_some_and(|first_um| upper_um <= first_um + SAME_LAYER_UM);
        let parts = (length_mm / self.sample_step_mm).ceil().max(1.0);
        let mut layer = [LayerTally::default(); 3];
        let mut corners = [0; 3];
        let between =
            |from: i32, to: i32, fraction: f64| f64::from(from) + (f64::from(to) - f64::from(from)) * fraction;
        let mut part = 0.0;
        while part <= parts {
            let fraction = part / parts;
            let x_mm = between(start.x_um, end.x_um, fraction) / 1000.0;
            let y_mm = between(start.y_um, end.y_um, fraction) / 1000.0;
            let logical_um = between(start.z_um, end.z_um, fraction);
            let bed_um = self.bed.height_um(x_mm, y_mm);
            // Both ends of the move stand for half a part only.
            let weight_mm = length_mm / parts * if part == 0.0 || part == parts { 0.5 } else { 1.0 };
            let (mut nozzles_um, mut gap_errors_um) = ([bed_um + logical_um; 3], [0.0; 3]);
            let mut seen = Sample { job_line: stretch.line, fraction, x_mm, y_mm, bed_um, nozzles_um: [None; 3] };
            for (index, run) in self.runs.iter_mut().enumerate() {
                let Some(nozzle_um) = nozzle_at(&run.path, fraction, &mut corners[index]) else { continue };
                let gap_error_um = nozzle_um - bed_um - logical_um;
                (nozzles_um[index], gap_errors_um[index]) = (nozzle_um, gap_error_um);
                seen.nozzles_um[index] = Some(nozzle_um);
                let place = || Place { job_line: stretch.line, x_mm, y_mm, z_mm: logical_um / 1000.0, gap_error_um };
                run.gaps.whole_job.add(gap_error_um, weight_mm, place);
                layer[index].add(gap_error_um, weight_mm);
                if in_first_layer {
                    run.gaps.first_layer.add(gap_error_um, weight_mm, place);
                    run.gaps.worst_places.add(gap_error_um, place);
                }
            }
            (self.watch)(&seen);
            if in_first_layer {
                self.profile.add(weight_mm, bed_um, nozzles_um, gap_errors_um);
                if let Some(index) = surfaces::nearest(&self.surface, x_mm, y_mm) {
                    self.printed[index] = true;
                }
            }
            part += 1.0;
        }
        self.layers.add(end.z_um, &layer);
    }

    fn finish(mut self, name: &str, grid_origin: Option<&str>) -> Result<Outcome, ReplayError> {
        let first_layer_um =
            self.first_layer_um.ok_or_else(|| ReplayError::NothingPrinted { file: name.to_string() })?;
        self.warn();
        let lattice = self.grid.lattice();
        let stations = (0..lattice.rows)
            .flat_map(|row| (0..lattice.columns).map(move |column| lattice.node_um(column, row)))
            .map(|(x_um, y_um)| BedPoint { x_mm: f64::from(x_um) / 1000.0, y_mm: f64::from(y_um) / 1000.0 });
        let screws = self.scenario.bed.screws.iter().map(|screw| BedPoint { x_mm: screw.x_mm.0, y_mm: screw.y_mm.0 });
        let refined = self.refined.lattice();
        Ok(Outcome {
            job_name: name.to_string(),
            scenario_name: self.scenario.name.clone(),
            grid_origin: grid_origin.unwrap_or("read off the modelled bed at its stations").to_string(),
            grid_size: [lattice.columns, lattice.rows],
            refined_size: [refined.columns, refined.rows],
            tolerance_um: self.tolerance_um,
            fade_um: self.scenario.correction.fade.map(|fade| [fade.0.full_below_um(), fade.0.zero_above_um()]),
            z_rate_limit_mm_s: self.scenario.machine.z_rate_limit_mm_s.0,
            screws: screws.collect(),
            stations: stations.collect(),
            counts: self.counts,
            surfaces: Surfaces {
                first_layer_um: f64::from(first_layer_um),
                nozzle: self
                    .runs
                    .each_ref()
                    .map(|run| surfaces::nozzle_field(&self.surface, &run.controller, first_layer_um)),
                printed: surfaces::close_gaps(&self.surface, &self.printed, CLOSED_GAP_POINTS),
                bed: self.surface,
            },
            profile: self.profile.stretches(),
            layers: self.layers.figures(),
            warnings: self.warnings,
            runs: self.runs.into_iter().map(RunTally::outcome).collect(),
        })
    }

    fn warn(&mut self) {
        let warnings = &mut self.warnings;
        for run in &self.runs {
            let label = run.run.label();
            if let Some(line) = run.refused.first {
                warnings.push(format!(
                    "{label}: moves below the limit switch were refused, {}, the first at line {line}: \
                     raise the bed's screws or the shift.",
                    run.refused.count
                ));
            }
            if run.pieces_above_z_rate_limit > 0 {
                warnings.push(format!(
                    "{label}: pieces that ask for a faster Z than the machine's {1} mm/s: {0}; the fastest, {2:.1} mm/s, at line {3}.",
                    run.pieces_above_z_rate_limit,
                    self.scenario.machine.z_rate_limit_mm_s.0,
                    run.largest_z_rate_mm_s,
                    run.largest_z_rate_line
                ));
            }
        }
        if let Some(line) = self.outside_travel.first {
            let count = self.outside_travel.count;
            warnings.push(format!("Moves leave the machine's travel: {count}, the first at line {line}."));
        }
        if self.counts.unknown_words > 0 {
            warnings.push(format!("Words that are not known here were passed over: {}.", self.counts.unknown_words));
        }
        if let Some(first) = &self.first_bad_line {
            warnings.push(format!("Lines that could not be read: {}; the first: {first}", self.counts.bad_lines));
        }
    }
}

impl RunTally {
    fn drive(&mut self, stretch: &Stretch, length_mm: f64, z_rate_limit_mm_s: f64) {
        if self.controller.drive(&stretch.motion, &mut self.path).is_err() {
            self.path.clear();
            self.refused.count(stretch.line);
            return;
        }
        let pieces = self.path.len() as u64 - 1;
        self.pieces += pieces;
        if !stretch.prints {
            return;
        }
        self.printing_pieces += pieces;
        let Some(feed_mm_s) = stretch.feed_mm_s else { return };
        for (from, to) in self.path.iter().zip(&self.path[1..]) {
            let part_mm = (to.fraction - from.fraction) * length_mm;
            // Each end is rounded to a whole micrometre, which on a very short piece would pass for a climb.
            let rise_mm = f64::from(to.commanded_um.abs_diff(from.commanded_um).saturating_sub(1)) / 1000.0;
            // The feed holds along the path, so on a steep piece it is not all in the plane.
            let z_rate_mm_s = feed_mm_s * rise_mm / part_mm.hypot(rise_mm);
            if z_rate_mm_s > self.largest_z_rate_mm_s {
                (self.largest_z_rate_mm_s, self.largest_z_rate_line) = (z_rate_mm_s, stretch.line);
            }
            self.pieces_above_z_rate_limit += u64::from(z_rate_mm_s > z_rate_limit_mm_s);
        }
    }

    fn outcome(self) -> RunOutcome {
        RunOutcome {
            run: self.run,
            first_layer: self.gaps.first_layer.figures(),
            whole_job: self.gaps.whole_job.figures(),
            worst_places: self.gaps.worst_places.into_places(),
            printing_pieces: self.printing_pieces,
            pieces: self.pieces,
            largest_z_rate_mm_s: self.largest_z_rate_mm_s,
            largest_z_rate_line: self.largest_z_rate_line,
            pieces_above_z_rate_limit: self.pieces_above_z_rate_limit,
            refused_moves: self.refused.count,
            first_refused_line: self.refused.first,
        }
    }
}

/// Height of the nozzle at a fraction of a move; `corner` is where the search went on last time. None: it did not go.
fn nozzle_at(path: &[Corner], fraction: f64, corner: &mut usize) -> Option<f64> {
    while path.get(*corner + 2).is_some() && path[*corner + 1].fraction < fraction {
        *corner += 1;
    }
    let (from, to) = (path.get(*corner)?, path.get(*corner + 1)?);
    let part = ((fraction - from.fraction) / (to.fraction - from.fraction)).clamp(0.0, 1.0);
    Some(from.z_um + (to.z_um - from.z_um) * part)
}
