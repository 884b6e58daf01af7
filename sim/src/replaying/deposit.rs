//! What a job lays down: the top of it as a height field, so that the thickness really laid is known at every place.
//!
//! The nozzle irons what it lays to its own height. So in a cell of the field the thickness laid is the nozzle's height
//! less the top of what lies there, and the thickness asked for is the same in the job's own heights. Their ratio is the
//! *squeeze*: below 1 the nozzle is too close and presses material aside, above 1 it is too far and the line does not
//! stick. A line is as wide as what is fed for it makes it at the thickness asked for; areas are width times length. What
//! is pressed aside, and what sags, is not modelled.

mod cells;
mod figures;

use std::f64::consts::FRAC_PI_4;
use std::io::{BufRead, Seek};

use crate::class::Measure;
use crate::outcome::{Class, Outcome, Run};
use crate::replay::{Machine, ReplayError, Sample, Settings, replay_watched};
use crate::scenario::{Extent, FILAMENT_MM, LINE_WIDTH_MM};
use cells::Cells;
pub use figures::{FlowError, LaidFigures, LaidPlace, LineFigures};
use figures::{LaidPlaces, LaidTally, Line};
use gapkeeper_host_tools::job::SAME_LAYER_UM;

/// What is farther above what lies there than its own strand is thick is a bridge over nothing; this where nothing is fed.
const BRIDGE_UM: f64 = 400.0;
/// What is asked to be thinner than this has no width of its own.
const THINNEST_UM: f64 = 10.0;

/// The nozzle at one end of a straight stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct End {
    /// Machine X.
    pub x_mm: f64,
    /// Machine Y.
    pub y_mm: f64,
    /// Height of the bed there.
    pub bed_um: f64,
    /// Height of the nozzle; none where the move was refused.
    pub nozzle_um: Option<f64>,
    /// Height that the job asked for.
    pub logical_um: f64,
    /// Factor that flow scaling puts on `E` there ([`gapkeeper::Correction::thickness_q16`]); 1 for none.
    pub flow: f64,
}

/// What a stretch lays.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Strand {
    /// Line of the job.
    pub job_line: u64,
    /// Cross-section of what is fed; 0 where the job feeds nothing.
    pub strand_mm2: f64,
    /// Whether it is part of the first layer, on the plate or beyond.
    pub first_layer: bool,
}

/// The deposit of one run under way.
///
/// A cell takes 24 bytes and is 0.4 mm wide; on beds of more than 0.16 m² cells are as much wider as keeps them to about
/// a million, 24 MB. A bed of 230 mm by 200 mm takes 6.9 MB. The length of the job does not matter.
#[derive(Clone, Debug)]
pub(crate) struct Deposit {
    cells: Cells,
    measure: Measure,
    meant_width_mm: f64,
    first_layer: LaidTally,
    above: LaidTally,
    bridged_mm2: f64,
    closest: LaidPlaces,
    farthest: LaidPlaces,
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
    pub closest: Vec<LaidPlace>,
    /// The same, too far.
    pub farthest: Vec<LaidPlace>,
    /// Squeeze of the first layer.
    pub first_layer_map: SqueezeMap,
    /// Of all layers above, the squeeze that is farthest from 1.
    pub above_map: SqueezeMap,
}

impl Squeeze {
    /// The same with maps whose blocks are `every` times as wide.
    #[must_use]
    pub(crate) fn coarser(&self, every: usize) -> Self {
        Self {
            first_layer_map: self.first_layer_map.coarser(every),
            above_map: self.above_map.coarser(every),
            ..self.clone()
        }
    }
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

impl SqueezeMap {
    /// The same with blocks `every` times as wide.
    #[must_use]
    pub(crate) fn coarser(&self, every: usize) -> Self {
        let (columns, rows) = (self.columns.div_ceil(every.max(1)).max(1), self.rows.div_ceil(every.max(1)).max(1));
        let mut sums = vec![(0.0_f32, 0.0_f32); columns * rows];
        for (index, squeeze) in self.squeeze.iter().enumerate().filter(|(_, squeeze)| !squeeze.is_nan()) {
            let (column, row) =
                (index % self.columns * columns / self.columns, index / self.columns * rows / self.rows);
            if let Some((sum, count)) = sums.get_mut(row * columns + column) {
                (*sum, *count) = (*sum + squeeze, *count + 1.0);
            }
        }
        // No number where nothing was laid.
        Self { columns, rows, squeeze: sums.into_iter().map(|(sum, count)| sum / count).collect(), ..*self }
    }
}

impl Deposit {
    /// Nothing on a bed yet. What counts as good lies within the tolerance; lines are meant to be `meant_width_mm` wide.
    pub fn new(x_mm: Extent, y_mm: Extent, tolerance_um: f64, meant_width_mm: f64) -> Self {
        Self {
            cells: Cells::new(x_mm, y_mm),
            measure: Measure { tolerance_um, lays: true },
            meant_width_mm,
            first_layer: LaidTally::default(),
            above: LaidTally::default(),
            bridged_mm2: 0.0,
            closest: LaidPlaces::default(),
            farthest: LaidPlaces::default(),
        }
    }

    /// Lays a straight line; what was refused, and what of the first layer lies beside the bed, is counted as that.
    pub fn lay(&mut self, strand: &Strand, from: &End, to: &End) {
        let &Strand { job_line, strand_mm2, first_layer: on_bed } = strand;
        let Self { cells, measure, meant_width_mm, first_layer, above, bridged_mm2, closest, farthest } = self;
        let length_mm = (to.x_mm - from.x_mm).hypot(to.y_mm - from.y_mm);
        let width_mm = |asked_um: f64| {
            if strand_mm2 > 0.0 && asked_um >= THINNEST_UM { 1000.0 * strand_mm2 / asked_um } else { *meant_width_mm }
        };
        let (Some(from_nozzle_um), Some(to_nozzle_um)) = (from.nozzle_um, to.nozzle_um) else {
            let laid = if on_bed { first_layer } else { above };
            let asked_um = if on_bed { (from.logical_um + to.logical_um) / 2.0 } else { 0.0 };
            laid.skip(Class::Refused, length_mm * width_mm(asked_um));
            return;
        };
        let free_um = 1000.0 * (strand_mm2 / FRAC_PI_4).sqrt();
        let mut over_bed = 0.0;
        cells.along([from.x_mm, from.y_mm], [to.x_mm, to.y_mm], |cell, entered, left| {
            over_bed += left - entered;
            let middle = (entered + left) / 2.0;
            let between = |from: f64, to: f64| from + (to - from) * middle;
            let nozzle_um = between(from_nozzle_um, to_nozzle_um);
            let logical_um = between(from.logical_um, to.logical_um);
            let way_mm = (left - entered) * length_mm;
            let above_top_um = logical_um - f64::from(cell.logical_top_um);
            // What lies there becomes what the new layer rests on.
            if above_top_um > SAME_LAYER_UM {
                (cell.below_um, cell.logical_below_um) = (cell.top_um, cell.logical_top_um);
            }
            // The job knows of a level bed at 0.
            let (below_um, asked_um) = if on_bed {
                (between(from.bed_um, to.bed_um), logical_um)
            } else {
                // No number over an empty cell.
                (f64::from(cell.below_um), logical_um - f64::from(cell.logical_below_um))
            };
            // A later line below the top of an earlier one leaves that top.
            if above_top_um.is_nan() || above_top_um >= -SAME_LAYER_UM {
                let top_um = if below_um.is_nan() { nozzle_um } else { nozzle_um.max(below_um) };
                (cell.top_um, cell.logical_top_um) = (top_um as f32, logical_um as f32);
            }
            let bridge_um = if free_um > 0.0 { free_um } else { BRIDGE_UM };
            if !on_bed && (asked_um.is_nan() || asked_um > bridge_um) {
                *bridged_mm2 += way_mm * if free_um > 0.0 { free_um / 1000.0 } else { *meant_width_mm };
                return;
            }
            if !on_bed && asked_um < SAME_LAYER_UM {
                return;
            }
            let gap_um = nozzle_um - below_um;
            let starved = strand_mm2 > 0.0 && free_um < gap_um;
            let class = if starved { Class::Loose } else { measure.class(gap_um - asked_um, asked_um) };
            let squeeze = if asked_um > 0.0 { gap_um.max(0.0) / asked_um } else { 0.0 };
            // What is asked to fill nothing is judged by its class alone.
            let room_mm2 = *meant_width_mm * asked_um.max(THINNEST_UM) / 1000.0;
            let fed_mm2 = if strand_mm2 > 0.0 { strand_mm2 } else { room_mm2 };
            let line = Line {
                class,
                squeeze,
                way_mm,
                width_mm: width_mm(asked_um),
                fed: fed_mm2 / room_mm2,
                fed_scaled: fed_mm2 * between(from.flow, to.flow) / room_mm2,
            };
            if on_bed {
                cell.first_squeeze = squeeze as f32;
                first_layer.add(&line);
            } else {
                cell.keep_farther(squeeze as f32);
                above.add(&line);
            }
            let spot = || LaidPlace {
                job_line,
                x_mm: between(from.x_mm, to.x_mm),
                y_mm: between(from.y_mm, to.y_mm),
                z_mm: logical_um / 1000.0,
                squeeze,
                class,
            };
            match class {
                Class::Contact | Class::TooClose => closest.add(squeeze, spot),
                Class::TooFar | Class::Loose => farthest.add(squeeze, spot),
                _ => {}
            }
        });
        // Rounding may leave a hair of a line that lies on the bed.
        if on_bed && over_bed < 1.0 - 1e-9 {
            let asked_um = (from.logical_um + to.logical_um) / 2.0;
            first_layer.skip(Class::OffBed, length_mm * (1.0 - over_bed) * width_mm(asked_um));
        }
    }

    /// What became of it.
    pub fn finish(self) -> Squeeze {
        Squeeze {
            first_layer: self.first_layer.figures(),
            above: self.above.figures(),
            bridged_mm2: self.bridged_mm2,
            closest: self.closest.into_spots(),
            farthest: self.farthest.into_spots(),
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
    last: Option<[End; 3]>,
}

impl Deposits {
    fn add(&mut self, sample: &Sample) {
        let &Sample { x_mm, y_mm, bed_um, logical_um, .. } = sample;
        let ends = std::array::from_fn(|run| {
            let flow = self.machine.flow(run, x_mm, y_mm, logical_um);
            End { x_mm, y_mm, bed_um, nozzle_um: sample.nozzles_um[run], logical_um, flow }
        });
        // A move begins where the one before ended, but nothing is laid between them.
        if sample.fraction > 0.0
            && let Some(last) = &self.last
        {
            let &Sample { job_line, strand_mm2, first_layer, .. } = sample;
            let strand = Strand { job_line, strand_mm2, first_layer };
            for ((run, from), to) in self.runs.iter_mut().zip(last).zip(&ends) {
                run.lay(&strand, from, to);
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
    job: impl BufRead + Seek,
    settings: &Settings<'_>,
) -> Result<(Outcome, [Squeeze; 3]), ReplayError> {
    let (bed, machine) = (&settings.scenario.bed, &settings.scenario.machine);
    let deposit = || Deposit::new(bed.x_mm, bed.y_mm, settings.tolerance_um, machine.meant_width_mm());
    let runs = Run::ALL.map(|_| deposit());
    let mut deposits = Deposits { machine: Machine::new(settings)?, runs, last: None };
    let mut outcome = replay_watched(name, job, settings, |sample| deposits.add(sample))?;
    let guessed = [
        ("machine.filament_mm", machine.filament_mm.is_none(), FILAMENT_MM),
        ("machine.line_width_mm", machine.line_width_mm.is_none(), LINE_WIDTH_MM),
    ];
    for (key, _, mm) in guessed.into_iter().filter(|(_, guessed, _)| *guessed) {
        outcome.warnings.push(format!("{key} is not stated: widths and flow are for a guess of {mm} mm."));
    }
    Ok((outcome, deposits.runs.map(Deposit::finish)))
}

#[cfg(test)]
mod tests;
