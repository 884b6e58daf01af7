//! Figures of all runs, counted in the order of the job; memory does not grow with its length.

use super::stretch::{Batch, Driven, Heights, Place as SamplePlace, Stretch};
use super::{Machine, ReplayError, Sample, Settings};
use crate::controller::Controller;
use crate::gap::{GapTally, LayerTally, Layers, Profile, ProfileSample, WorstPlaces};
use crate::outcome::{Field, JobCounts, Outcome, Place, Point as BedPoint, Run, RunOutcome, Surfaces};
use crate::surfaces;

/// Printing this much above the lowest printed height still belongs to the first layer.
pub(crate) const SAME_LAYER_UM: i32 = 10;

/// Gaps of up to twice this many points of the surfaces are no holes in what is printed.
const CLOSED_GAP_POINTS: usize = 1;

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

/// All runs as they go.
pub(super) struct Tally<'a, W> {
    settings: &'a Settings<'a>,
    machine: Machine,
    watch: W,
    runs: [RunTally; 3],
    layers: Layers,
    /// The layer under way: most moves stay in it.
    layer: Option<(i32, [LayerTally; 3])>,
    profile: Profile,
    first_layer_um: Option<i32>,
    surface: Field,
    printed: Vec<bool>,
    outside_travel: Lines,
    /// No sample was shown since.
    printing_begins: bool,
    warnings: Vec<String>,
}

impl<'a, W: FnMut(&Sample)> Tally<'a, W> {
    pub(super) fn new(settings: &'a Settings<'a>, mut machine: Machine, watch: W) -> Self {
        let surface = surfaces::bed_field(&settings.scenario.bed, &machine.bed);
        Self {
            settings,
            watch,
            runs: Run::ALL.map(|run| RunTally::new(run, settings.tolerance_um)),
            layers: Layers::new(),
            layer: None,
            profile: Profile::new(),
            first_layer_um: None,
            printed: vec![false; surface.values_um.len()],
            surface,
            outside_travel: Lines::default(),
            printing_begins: false,
            warnings: std::mem::take(&mut machine.warnings),
            machine,
        }
    }

    pub(super) fn warn(&mut self, warning: String) {
        self.warnings.push(warning);
    }

    /// Takes in what came of a batch.
    pub(super) fn count(&mut self, batch: &Batch) {
        let mut heights = batch.heights.as_slice();
        for (stretch, driven) in batch.stretches.iter().zip(&batch.driven) {
            if stretch.printing_begins {
                self.begin_printing();
            }
            if stretch.first == 0 {
                self.count_drive(stretch, driven);
            }
            if stretch.prints {
                let (these, others) = heights.split_at((stretch.last - stretch.first + 1) as usize);
                self.count_gaps(stretch, driven, these);
                heights = others;
            }
        }
    }

    fn begin_printing(&mut self) {
        self.printing_begins = true;
        self.first_layer_um = None;
        self.layers = Layers::new();
        self.layer = None;
        for run in &mut self.runs {
            run.gaps = Gaps::new(self.settings.tolerance_um);
            run.printing_pieces = 0;
        }
    }

    fn count_drive(&mut self, stretch: &Stretch, driven: &[Driven; 3]) {
        let (end, machine) = (stretch.motion.end, &self.settings.scenario.machine);
        let inside = machine.travel_x_mm.contains(f64::from(end.x_um) / 1000.0)
            && machine.travel_y_mm.contains(f64::from(end.y_um) / 1000.0)
            && machine.travel_z_mm.contains(f64::from(end.z_um) / 1000.0);
        if !inside {
            self.outside_travel.count(stretch.line);
        }
        for (run, driven) in self.runs.iter_mut().zip(driven) {
            run.count(stretch, driven);
        }
    }

    /// Takes in the gap along a printing move.
    fn count_gaps(&mut self, stretch: &Stretch, driven: &[Driven; 3], heights: &[Heights]) {
        let (start, end) = (stretch.motion.start, stretch.motion.end);
        let (lower_um, upper_um) = (start.z_um.min(end.z_um), start.z_um.max(end.z_um));
        if self.first_layer_um.is_none_or(|first_um| lower_um < first_um - SAME_LAYER_UM) {
            self.begin_first_layer(lower_um);
        }
        let in_first_layer = self.first_layer_um.is_some_and(|first_um| upper_um <= first_um + SAME_LAYER_UM);
        let part_mm = stretch.length_mm / stretch.parts as f64;
        if self.layer.as_ref().is_none_or(|(z_um, _)| *z_um != end.z_um) {
            self.end_layer();
        }
        let (_, layer) = self.layer.get_or_insert_with(|| (end.z_um, [LayerTally::default(); 3]));
        for (part, &Heights { bed_um, nozzles_um }) in (stretch.first..).zip(heights) {
            let SamplePlace { fraction, x_mm, y_mm, logical_um } = SamplePlace::of(stretch, part);
            // Both ends of the move stand for half a part only.
            let weight_mm = part_mm * if part == 0 || part == stretch.parts { 0.5 } else { 1.0 };
            let (mut seen_um, mut gap_errors_um) = ([bed_um + logical_um; 3], [0.0; 3]);
            let printing_begins = std::mem::take(&mut self.printing_begins);
            let mut sample = Sample {
                job_line: stretch.line,
                fraction,
                x_mm,
                y_mm,
                logical_um,
                bed_um,
                nozzles_um: [None; 3],
                printing_begins,
            };
            for (index, run) in self.runs.iter_mut().enumerate() {
                if driven[index].refused {
                    continue;
                }
                let nozzle_um = nozzles_um[index];
                let gap_error_um = nozzle_um - bed_um - logical_um;
                (seen_um[index], gap_errors_um[index]) = (nozzle_um, gap_error_um);
                sample.nozzles_um[index] = Some(nozzle_um);
                let place = || Place { job_line: stretch.line, x_mm, y_mm, z_mm: logical_um / 1000.0, gap_error_um };
                run.gaps.whole_job.add(gap_error_um, weight_mm, place);
                layer[index].add(gap_error_um, weight_mm);
                if in_first_layer {
                    run.gaps.first_layer.add(gap_error_um, weight_mm, place);
                    run.gaps.worst_places.add(gap_error_um, place);
                }
            }
            (self.watch)(&sample);
            if in_first_layer {
                let (job_line, place) = (stretch.line, BedPoint { x_mm, y_mm });
                let sample = ProfileSample { job_line, place, bed_um, nozzle_um: seen_um, gap_error_um: gap_errors_um };
                self.profile.add(weight_mm, &sample);
                if let Some(index) = surfaces::nearest(&self.surface, x_mm, y_mm) {
                    self.printed[index] = true;
                }
            }
        }
    }

    fn end_layer(&mut self) {
        if let Some((z_um, layer)) = self.layer.take() {
            self.layers.add(z_um, &layer);
        }
    }

    /// What was the lowest so far is not the first layer.
    fn begin_first_layer(&mut self, lowest_um: i32) {
        self.first_layer_um = Some(lowest_um);
        self.profile = Profile::new();
        self.printed.fill(false);
        for run in &mut self.runs {
            run.gaps.first_layer = GapTally::new(self.settings.tolerance_um);
            run.gaps.worst_places = WorstPlaces::default();
        }
    }

    /// The outcome; `first_bad_line` is what was wrong with it.
    pub(super) fn finish(
        mut self,
        name: &str,
        counts: JobCounts,
        first_bad_line: Option<String>,
    ) -> Result<Outcome, ReplayError> {
        let first_layer_um =
            self.first_layer_um.ok_or_else(|| ReplayError::NothingPrinted { file: name.to_string() })?;
        self.end_layer();
        self.warn_of_all(&counts, first_bad_line);
        let lattice = self.machine.grid.lattice();
        let stations = (0..lattice.rows)
            .flat_map(|row| (0..lattice.columns).map(move |column| lattice.node_um(column, row)))
            .map(|(x_um, y_um)| BedPoint { x_mm: f64::from(x_um) / 1000.0, y_mm: f64::from(y_um) / 1000.0 });
        let screws =
            self.settings.scenario.bed.screws.iter().map(|screw| BedPoint { x_mm: screw.x_mm.0, y_mm: screw.y_mm.0 });
        let refined = self.machine.refined.lattice();
        Ok(Outcome {
            job_name: name.to_string(),
            scenario_name: self.settings.scenario.name.clone(),
            grid_origin: self
                .settings
                .grid
                .map(|(_, origin)| origin)
                .unwrap_or("read off the modelled bed at its stations")
                .to_string(),
            grid_size: [lattice.columns, lattice.rows],
            refined_size: [refined.columns, refined.rows],
            tolerance_um: self.settings.tolerance_um,
            fade_um: self
                .settings
                .scenario
                .correction
                .fade
                .map(|fade| [fade.0.full_below_um(), fade.0.zero_above_um()]),
            z_rate_limit_mm_s: self.settings.scenario.machine.z_rate_limit_mm_s.0,
            screws: screws.collect(),
            stations: stations.collect(),
            counts,
            surfaces: Surfaces {
                first_layer_um: f64::from(first_layer_um),
                nozzle: self
                    .machine
                    .controllers
                    .each_ref()
                    .map(|controller: &Controller| surfaces::nozzle_field(&self.surface, controller, first_layer_um)),
                printed: surfaces::close_gaps(&self.surface, &self.printed, CLOSED_GAP_POINTS),
                bed: self.surface,
            },
            profile: self.profile.stretches(),
            layers: self.layers.figures(),
            warnings: self.warnings,
            runs: self.runs.into_iter().map(RunTally::outcome).collect(),
        })
    }

    fn warn_of_all(&mut self, counts: &JobCounts, first_bad_line: Option<String>) {
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
                    self.settings.scenario.machine.z_rate_limit_mm_s.0,
                    run.largest_z_rate_mm_s,
                    run.largest_z_rate_line
                ));
            }
        }
        if let Some(line) = self.outside_travel.first {
            let count = self.outside_travel.count;
            warnings.push(format!("Moves leave the machine's travel: {count}, the first at line {line}."));
        }
        if counts.unknown_words > 0 {
            warnings.push(format!("Words that are not known here were passed over: {}.", counts.unknown_words));
        }
        if let Some(first) = first_bad_line {
            warnings.push(format!("Lines that could not be read: {}; the first: {first}", counts.bad_lines));
        }
    }
}

impl RunTally {
    fn new(run: Run, tolerance_um: f64) -> Self {
        Self {
            run,
            gaps: Gaps::new(tolerance_um),
            pieces: 0,
            printing_pieces: 0,
            largest_z_rate_mm_s: 0.0,
            largest_z_rate_line: 0,
            pieces_above_z_rate_limit: 0,
            refused: Lines::default(),
        }
    }

    fn count(&mut self, stretch: &Stretch, driven: &Driven) {
        if driven.refused {
            self.refused.count(stretch.line);
            return;
        }
        self.pieces += driven.pieces;
        if !stretch.prints {
            return;
        }
        self.printing_pieces += driven.pieces;
        if driven.fastest_z_mm_s > self.largest_z_rate_mm_s {
            (self.largest_z_rate_mm_s, self.largest_z_rate_line) = (driven.fastest_z_mm_s, stretch.line);
        }
        self.pieces_above_z_rate_limit += driven.pieces_above_z_rate_limit;
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
