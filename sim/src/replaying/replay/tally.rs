//! Figures of all runs, counted in the order of the job; memory does not grow with its length.

use std::collections::BTreeMap;

use gapkeeper::Move;
use gapkeeper_host_tools::printed;

use super::{Machine, ReplayError, Sample, Settings};
use crate::action;
use crate::class::{Measure, length};
use crate::controller::Controller;
use crate::footprint::Footprint;
use crate::gap::{GapTally, LayerTally, Layers, Profile, ProfileSample, WorstPlaces};
use crate::layer_cells::{Laid, LayerCells};
use crate::lines::LineTally;
use crate::outcome::{
    BedPoint, Class, Field, JobCounts, LayerMaps, Outcome, Place, Run, RunOutcome, Surfaces, Verdict,
};
use crate::stretch::{Batch, Driven, Heights, PathPoint, Stretch};
use crate::surfaces;
use crate::verdict;
use gapkeeper_host_tools::job::FirstLayer;

/// Gaps of up to twice this many points of the surfaces are no holes in what is printed.
const CLOSED_GAP_POINTS: usize = 1;

/// Heights of the first layer that are told apart, in classes of 10 µm; further ones are no layer.
const MOST_HEIGHTS: usize = 2000;

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
    first_layer: GapTally,
    worst_places: WorstPlaces,
    /// Height of the nozzle over a layer's own plane is taken from here.
    datum_um: f64,
    pieces: u64,
    printing_pieces: u64,
    largest_z_rate_mm_s: f64,
    largest_z_rate_line: u64,
    pieces_above_z_rate_limit: u64,
    refused: Lines,
    /// Ways on which nothing is laid that touch the bed, and the deepest of them.
    scrapes: Lines,
    deepest_scrape: Option<Place>,
}

/// All runs as they go.
pub(super) struct Tally<'a, W> {
    settings: &'a Settings<'a>,
    machine: Machine,
    first_layer: FirstLayer,
    /// The first layer, to try ways out on; none if nobody asks.
    footprint: Option<Footprint>,
    watch: Option<W>,
    runs: [RunTally; 3],
    layers: Layers,
    /// The layer under way: most moves stay in it.
    layer: Option<(i32, [LayerTally; 3])>,
    cells: LayerCells,
    /// All that is printed is sampled, so that layers have maps.
    maps_layers: bool,
    profile: Profile,
    lines: LineTally,
    /// Length of the first layer, and height times length, by height in steps of 10 µm.
    heights: BTreeMap<i32, [f64; 2]>,
    lowest_um: Option<i32>,
    surface: Field,
    printed: Vec<bool>,
    refused: [Vec<bool>; 3],
    outside_travel: Lines,
    warnings: Vec<String>,
    pub(super) passed_over: Option<String>,
}

impl<'a, W: FnMut(&Sample)> Tally<'a, W> {
    pub(super) fn new(
        settings: &'a Settings<'a>,
        mut machine: Machine,
        first_layer: FirstLayer,
        watch: Option<W>,
    ) -> Self {
        let surface = surfaces::bed_field(&settings.scenario.bed, &machine.bed);
        let measure = Measure { tolerance_um: settings.tolerance_um, lays: first_layer.extrudes() };
        let datum_um = |run: Run| machine.controllers[run as usize].datum_um();
        Self {
            settings,
            runs: Run::ALL.map(|run| RunTally::new(run, measure, datum_um(run))),
            footprint: settings.advise.then(|| Footprint::new(first_layer.extrudes())),
            first_layer,
            layers: Layers::new(),
            layer: None,
            cells: LayerCells::new(settings.scenario.bed.x_mm, settings.scenario.bed.y_mm, measure),
            maps_layers: settings.layer_maps || watch.is_some(),
            profile: Profile::new(),
            lines: LineTally::default(),
            heights: BTreeMap::new(),
            lowest_um: None,
            printed: vec![false; surface.values_um.len()],
            refused: std::array::from_fn(|_| vec![false; surface.values_um.len()]),
            surface,
            outside_travel: Lines::default(),
            warnings: std::mem::take(&mut machine.warnings),
            passed_over: None,
            watch,
            machine,
        }
    }

    pub(super) fn warn(&mut self, warning: String) {
        self.warnings.push(warning);
    }

    /// Takes in what came of a batch.
    pub(super) fn count(&mut self, batch: &Batch) {
        let mut heights = batch.heights.as_slice();
        let mut all_scrapes = batch.scrapes.iter().peekable();
        for (stretch, driven) in batch.stretches.iter().zip(&batch.driven) {
            if stretch.first == 0 {
                self.count_drive(stretch, driven);
                let scrapes = all_scrapes.next_if(|_| stretch.may_scrape);
                if let Some(scrapes) = scrapes {
                    self.runs.iter_mut().zip(scrapes).for_each(|(run, scrape)| run.count_scrape(stretch.line, scrape));
                }
                let in_use = self.settings.run_in_use as usize;
                let refused = driven[in_use].refused;
                if let Some(footprint) = self.footprint.as_mut().filter(|_| refused || !stretch.prints) {
                    footprint.guard(stretch, refused || scrapes.is_some_and(|scrapes| scrapes[in_use].is_some()));
                }
            }
            if stretch.sampled {
                let (these, others) = heights.split_at((stretch.last - stretch.first + 1) as usize);
                self.count_gaps(stretch, driven, these);
                heights = others;
            }
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
        if stretch.prints {
            self.count_layer(&stretch.motion, driven);
        }
    }

    fn count_layer(&mut self, motion: &Move<1>, driven: &[Driven; 3]) {
        let (start, end) = (motion.start, motion.end);
        let lower_um = start.z_um.min(end.z_um);
        self.lowest_um = Some(self.lowest_um.map_or(lower_um, |lowest_um| lowest_um.min(lower_um)));
        if self.layer.as_ref().is_none_or(|(z_um, _)| *z_um != end.z_um) {
            self.end_layer();
        }
        let (_, layer) = self.layer.get_or_insert_with(|| (end.z_um, [LayerTally::default(); 3]));
        for ((layer, run), driven) in layer.iter_mut().zip(&self.runs).zip(driven) {
            layer.merge(&driven.above_logical.over(run.datum_um));
        }
    }

    /// Takes in the gap along a printing move.
    fn count_gaps(&mut self, stretch: &Stretch, driven: &[Driven; 3], heights: &[Heights]) {
        let may_hold = self.first_layer.may_hold(&stretch.motion);
        let slope_um_per_mm = stretch.slope_um_per_mm();
        if let Some(footprint) = &mut self.footprint {
            footprint.take_some(stretch, &self.first_layer);
        }
        for (part, &Heights { bed_um, nozzles_um }) in (stretch.first..).zip(heights) {
            let PathPoint { fraction, x_mm, y_mm, logical_um } = PathPoint::of(stretch, part);
            let weight_mm = stretch.weight_mm(part);
            let in_first_layer = may_hold && self.first_layer.holds(x_mm, y_mm, logical_um, slope_um_per_mm);
            let on_plate = self.first_layer.on_plate(x_mm, y_mm);
            let mut gap_errors_um = [f64::NAN; 3];
            let mut nozzles = [None; 3];
            for (index, run) in self.runs.iter_mut().enumerate() {
                let refused = driven[index].refused;
                if in_first_layer && (refused || !on_plate) {
                    run.first_layer.skip(if on_plate { Class::Refused } else { Class::OffBed }, weight_mm);
                }
                if refused {
                    continue;
                }
                let nozzle_um = nozzles_um[index];
                nozzles[index] = Some(nozzle_um);
                if in_first_layer && on_plate {
                    let gap_error_um = nozzle_um - bed_um - logical_um;
                    gap_errors_um[index] = gap_error_um;
                    let z_mm = logical_um / 1000.0;
                    let place = || Place { job_line: stretch.line, x_mm, y_mm, z_mm, gap_error_um };
                    run.first_layer.add(gap_error_um, logical_um, weight_mm, place);
                    run.worst_places.add(gap_error_um, place);
                }
            }
            let lies_on_bed = in_first_layer && on_plate;
            if self.maps_layers {
                let in_use = self.settings.run_in_use as usize;
                let laid = Laid { x_mm, y_mm, logical_um, bed_um, nozzle_um: nozzles[in_use], on_bed: in_first_layer };
                self.cells.add(&laid, |logical_um| self.machine.nozzle_um(in_use, x_mm, y_mm, logical_um));
            }
            if let Some(watch) = &mut self.watch {
                watch(&Sample {
                    job_line: stretch.line,
                    fraction,
                    x_mm,
                    y_mm,
                    logical_um,
                    bed_um,
                    nozzles_um: nozzles,
                    strand_mm2: stretch.strand_mm2,
                    first_layer: in_first_layer,
                    on_plate,
                });
            }
            if lies_on_bed {
                let (job_line, place) = (stretch.line, BedPoint { x_mm, y_mm });
                let sample =
                    ProfileSample { job_line, place, bed_um, nozzle_um: nozzles_um, gap_error_um: gap_errors_um };
                self.profile.add(weight_mm, &sample);
                self.lines.add(job_line, place, gap_errors_um, self.settings.run_in_use);
                // Whole steps of 10 µm.
                let step = (logical_um / 10.0).round() as i32;
                if self.heights.len() < MOST_HEIGHTS || self.heights.contains_key(&step) {
                    let [length_mm, moment] = self.heights.entry(step).or_default();
                    *length_mm += weight_mm;
                    *moment += logical_um * weight_mm;
                }
                if let Some(index) = surfaces::nearest(&self.surface, x_mm, y_mm) {
                    self.printed[index] = true;
                    for (refused, driven) in self.refused.iter_mut().zip(driven) {
                        refused[index] |= driven.refused;
                    }
                }
            }
        }
    }

    fn end_layer(&mut self) {
        if let Some((z_um, layer)) = self.layer.take() {
            let known = self.layers.add(z_um, &layer);
            if self.maps_layers {
                self.cells.end_layer(known);
            }
        }
    }

    /// The outcome; `first_bad_line` is what was wrong with it.
    pub(super) fn finish(
        mut self,
        name: &str,
        counts: JobCounts,
        first_bad_line: Option<String>,
    ) -> Result<Outcome, ReplayError> {
        let lowest_um = self.lowest_um.ok_or_else(|| ReplayError::NothingPrinted { file: name.to_string() })?;
        // Where most of it lies; heights of a layer fit into 32 bits, as those of the job do.
        let most = self.heights.values().max_by(|a, b| a[0].total_cmp(&b[0]));
        let first_layer_um = most.map_or(lowest_um, |[length_mm, moment]| (moment / length_mm).round() as i32);
        self.end_layer();
        self.warn_of_all(&counts, first_bad_line);
        let faults = self.faults();
        let lattice = self.machine.grid.lattice();
        let stations = (0..lattice.rows)
            .flat_map(|row| (0..lattice.columns).map(move |column| lattice.node_um(column, row)))
            .map(|(x_um, y_um)| BedPoint { x_mm: f64::from(x_um) / 1000.0, y_mm: f64::from(y_um) / 1000.0 });
        let screws =
            self.settings.scenario.bed.screws.iter().map(|screw| BedPoint { x_mm: screw.x_mm.0, y_mm: screw.y_mm.0 });
        let refined = self.machine.refined.lattice();
        let mut outcome =
            Outcome {
                job_name: printed::file_name(name).to_string(),
                scenario_name: self.settings.scenario.name.clone(),
                grid_origin: self
                    .settings
                    .grid
                    .map(|(_, origin)| origin)
                    .unwrap_or("read off the modelled bed at its stations")
                    .to_string(),
                by_hand: self.settings.by_hand,
                band: self.settings.band,
                grid_size: [lattice.columns, lattice.rows],
                refined_size: [refined.columns, refined.rows],
                tolerance_um: self.settings.tolerance_um,
                measure: self.runs[0].first_layer.measure(),
                first_layer_heights: self.settings.first_layer_heights,
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
                    nozzle: self.machine.controllers.each_ref().map(|controller: &Controller| {
                        surfaces::nozzle_field(&self.surface, controller, first_layer_um)
                    }),
                    printed: surfaces::close_gaps(&self.surface, &self.printed, CLOSED_GAP_POINTS),
                    refused: self.refused.map(|mask| surfaces::close_gaps(&self.surface, &mask, CLOSED_GAP_POINTS)),
                    bed: self.surface,
                },
                profile: self.profile.stretches(),
                lines: self.lines.into_lines(),
                layers: self.layers.figures(),
                layer_maps: LayerMaps {
                    grid: self.cells.grid(),
                    layers: if self.maps_layers { self.layers.into_classes() } else { Vec::new() },
                },
                faults,
                warnings: self.warnings,
                passed_over: self.passed_over,
                runs: self.runs.into_iter().map(|run| run.outcome(self.settings.run_in_use)).collect(),
                verdict: Verdict::default(),
            };
        outcome.verdict.headline = verdict::headline(&outcome);
        if let Some(footprint) = &self.footprint {
            let Machine { bed, grid, .. } = &self.machine;
            outcome.verdict.actions = action::actions(&outcome, self.settings, grid, bed, footprint);
        }
        Ok(outcome)
    }

    /// What must not be in the run that would be used.
    fn faults(&self) -> Vec<String> {
        let run = &self.runs[self.settings.run_in_use as usize];
        let (label, found) = (run.run.label(), run.first_layer.figures());
        let mut faults = Vec::new();
        if let Some(deepest) = run.first_layer.deepest() {
            let Place { job_line, x_mm, y_mm, .. } = deepest;
            faults.push(format!(
                "{label}: the nozzle touches the bed over {}, deepest by {:.0} µm at X {x_mm:.1} Y {y_mm:.1}, line {job_line}: \
                 raise the shift, or measure more stations.",
                length(found.length_mm.get(Class::Contact)),
                0.0 - deepest.gap_um(),
            ));
        }
        if let Some(deepest) = run.deepest_scrape {
            let Place { job_line, x_mm, y_mm, .. } = deepest;
            faults.push(format!(
                "{label}: the nozzle touches the bed on moves that lay nothing down, {}, deepest by {:.0} µm at X {x_mm:.1} Y {y_mm:.1}, \
                 line {job_line}: raise the shift, or let the job travel higher.",
                run.scrapes.count,
                0.0 - deepest.gap_um(),
            ));
        }
        if let Some(line) = run.refused.first {
            faults.push(format!(
                "{label}: moves below the limit switch were refused, {}, the first at line {line}: \
                 raise the bed's screws or the shift.",
                run.refused.count
            ));
        }
        if found.length_mm.on_bed() <= 0.0 {
            faults.push(format!(
                "Nothing lies on the bed up to Z {} mm: state the heights of the first layer, or move the job.",
                self.settings.first_layer_heights.to_mm
            ));
        }
        faults
    }

    fn warn_of_all(&mut self, counts: &JobCounts, first_bad_line: Option<String>) {
        let warnings = &mut self.warnings;
        for run in &self.runs {
            let label = run.run.label();
            // Those of the run that would be used are faults.
            if let Some(line) = run.refused.first.filter(|_| run.run != self.settings.run_in_use) {
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
        let off_bed_mm = self.runs[0].first_layer.figures().length_mm.get(Class::OffBed);
        if off_bed_mm > 0.0 {
            warnings.push(format!("{} of the first layer lie beyond the plate.", length(off_bed_mm)));
        }
        if let Some(line) = self.outside_travel.first {
            let count = self.outside_travel.count;
            warnings.push(format!("Moves leave the machine's travel: {count}, the first at line {line}."));
        }
        if let Some(first) = first_bad_line {
            warnings.push(format!("Lines that could not be read: {}; the first: {first}", counts.bad_lines));
        }
    }
}

impl RunTally {
    fn new(run: Run, measure: Measure, datum_um: f64) -> Self {
        Self {
            run,
            first_layer: GapTally::new(measure),
            worst_places: WorstPlaces::default(),
            datum_um,
            pieces: 0,
            printing_pieces: 0,
            largest_z_rate_mm_s: 0.0,
            largest_z_rate_line: 0,
            pieces_above_z_rate_limit: 0,
            refused: Lines::default(),
            scrapes: Lines::default(),
            deepest_scrape: None,
        }
    }

    fn count(&mut self, stretch: &Stretch, driven: &Driven) {
        if driven.refused {
            self.refused.count(stretch.line);
            return;
        }
        self.pieces += u64::from(driven.pieces);
        if !stretch.prints {
            return;
        }
        self.printing_pieces += u64::from(driven.pieces);
        if driven.fastest_z_mm_s > self.largest_z_rate_mm_s {
            (self.largest_z_rate_mm_s, self.largest_z_rate_line) = (driven.fastest_z_mm_s, stretch.line);
        }
        self.pieces_above_z_rate_limit += u64::from(driven.pieces_above_z_rate_limit);
    }

    fn count_scrape(&mut self, line: u64, scrape: &Option<Place>) {
        let Some(scrape) = scrape else { return };
        self.scrapes.count(line);
        if self.deepest_scrape.is_none_or(|deepest| scrape.gap_um() < deepest.gap_um()) {
            self.deepest_scrape = Some(*scrape);
        }
    }

    fn outcome(self, in_use: Run) -> RunOutcome {
        RunOutcome {
            run: self.run,
            first_layer: self.first_layer.figures(),
            in_use: self.run == in_use,
            worst_places: self.worst_places.into_places(),
            printing_pieces: self.printing_pieces,
            pieces: self.pieces,
            largest_z_rate_mm_s: self.largest_z_rate_mm_s,
            largest_z_rate_line: self.largest_z_rate_line,
            pieces_above_z_rate_limit: self.pieces_above_z_rate_limit,
            refused_moves: self.refused.count,
            first_refused_line: self.refused.first,
            deepest_contact: self.first_layer.deepest(),
            travel_contacts: self.scrapes.count,
            deepest_travel_contact: self.deepest_scrape,
        }
    }
}
