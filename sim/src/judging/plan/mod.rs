//! What to do before measuring: how many stations, which surface, how careful a hand.
//!
//! The job's first layer is sampled once, as a replay samples it. Then the whole survey is run with many seeds, for every
//! number of stations and every hand, and the first layer is driven and judged as in a replay of what was measured. The
//! first draw is the operator of the plan's own seed, the others are drawn from it; the same draw stands in every row, and
//! results do not depend on how many threads share the work.

mod advice;
mod bound;
mod draw;
mod table;

use std::io::{BufRead, Seek};
use std::num::NonZeroUsize;

use gapkeeper::{Correction, record};
use gapkeeper_host_tools::pipeline::{cores, map_in_order};
use gapkeeper_host_tools::{Steps, printed};
use serde::Serialize;

use crate::bed::{BedError, ModelledBed};
use crate::controller::CAPACITY;
use crate::core_settings::survey_plan;
use crate::footprint::Footprint;
use crate::outcome::Place;
use crate::replay::ReplayError;
use crate::scenario::{Count, Form, NotNegative, Scenario};
pub(crate) use advice::GOAL;
use draw::{BothSurfaces, Drawn, draw};
use gapkeeper_host_tools::job::FirstLayerHeights;

/// Version of the JSON plan; it rises when a key changes its meaning or goes away.
pub const SCHEMA_VERSION: u32 = 3;

/// Share of all draws that the printed range covers.
pub(crate) const INTERVAL: f64 = 0.9;

/// Why there is no plan.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PlanningError {
    /// The job cannot be read.
    #[error(transparent)]
    Job(#[from] ReplayError),
    /// The bed cannot be modelled.
    #[error(transparent)]
    Bed(#[from] BedError),
}

/// What a plan needs besides scenario and job.
#[derive(Clone, Debug)]
pub struct PlanSettings {
    /// Gap errors up to this are good, as far as the squeeze is.
    pub tolerance_um: f64,
    /// Heights at which the first layer is looked for.
    pub first_layer_heights: FirstLayerHeights,
    /// Standard deviations of a reading, one for each hand; the scenario's own is added to them.
    pub feels_um: Vec<NotNegative>,
    /// Numbers of stations along each axis.
    pub stations: Vec<Count>,
    /// How many surveys there are in every row.
    pub draws: u32,
    /// Which of the draws.
    pub seed: u64,
    /// Keep the scenario's random forms; otherwise each draw is another bed of the same roughness.
    pub same_bed: bool,
    /// How many cores to use; all if none. The plan is the same.
    pub cores: Option<NonZeroUsize>,
}

impl Default for PlanSettings {
    fn default() -> Self {
        Self {
            tolerance_um: 50.0,
            first_layer_heights: FirstLayerHeights::default(),
            feels_um: [10.0, 20.0, 40.0].map(NotNegative).to_vec(),
            stations: (3..=9).map(Count).collect(),
            draws: 200,
            seed: 1,
            same_bed: false,
            cores: None,
        }
    }
}

/// Mean of a figure over all draws, and the ends between which 90 % of them lie.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Spread {
    /// Mean.
    pub mean: f64,
    /// 5 % of the draws are below.
    pub low: f64,
    /// 5 % of the draws are above.
    pub high: f64,
}

impl Spread {
    fn of(mut values: Vec<f64>) -> Self {
        values.sort_by(f64::total_cmp);
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        Self { mean, low: quantile(&values, (1.0 - INTERVAL) / 2.0), high: quantile(&values, (1.0 + INTERVAL) / 2.0) }
    }
}

/// Quantile of sorted values: definition 7 of R. J. Hyndman and Y. Fan, *Sample Quantiles in Statistical Packages*,
/// The American Statistician 50(4), 1996. NaN without values.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let position = (sorted.len().max(1) - 1) as f64 * share;
    // Not negative, and below the count.
    let (index, rest) = (position as usize, position.fract());
    let from = sorted.get(index).copied().unwrap_or(f64::NAN);
    sorted.get(index + 1).map_or(from, |to| from + (to - from) * rest)
}

/// What one way of measuring comes to.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    /// Standard deviation of a reading.
    pub feel_um: f64,
    /// Stations along each axis.
    pub stations: u8,
    /// Readings of a survey: the stations, and the middles of their cells where those are read too.
    pub readings: usize,
    /// Whether a denser grid is computed from what was measured, as the machine does; else bilinear between its nodes.
    pub refined: bool,
    /// Nodes of the grid in force, columns and rows.
    pub nodes: [u8; 2],
    /// Bytes of the grid's record in one slot of the persistent memory; two slots a grid are needed.
    pub record_bytes: usize,
    /// Bytes of the grid in force in working memory.
    pub memory_bytes: usize,
    /// Draws in which no grid came into force, and why the first of them did not.
    pub refused: Option<(u32, String)>,
    /// Over all other draws; none if there are none.
    pub figures: Option<Figures>,
}

/// Figures over the draws of a row.
#[derive(Clone, Debug, Serialize)]
pub struct Figures {
    /// Share of the first layer that is good, 0 to 1.
    pub good: Spread,
    /// What 19 of 20 surveys reach, as sure as 95 %: refused draws count as 0. None from too few draws.
    pub good_at_least: Option<f64>,
    /// Root mean square of the gap error over the first layer.
    pub rms_um: Spread,
    /// Mean of the gap error over the first layer.
    pub mean_um: Spread,
    /// Largest absolute gap error.
    pub worst_um: Spread,
    /// Where it is largest in the worst draw.
    pub worst: Place,
    /// Minutes of measuring, heating through included.
    pub minutes: Spread,
}

/// A plan: one row for each hand, number of stations and surface.
#[derive(Clone, Debug, Serialize)]
pub struct Plan {
    format: &'static str,
    schema_version: u32,
    /// Name of the job as the user gave it.
    pub job: String,
    /// Name of the scenario.
    pub scenario: String,
    /// Gap errors up to this are good, as far as the squeeze is.
    pub tolerance_um: f64,
    /// The hand that the scenario names.
    pub scenario_feel_um: f64,
    /// The first layer's logical height.
    pub first_layer_z_mm: f64,
    /// Printed length of the first layer.
    pub printed_length_mm: f64,
    /// Places at which the gap was taken in every draw.
    pub spots: usize,
    /// Surveys in every row.
    pub draws: u32,
    /// Which of the draws.
    pub seed: u64,
    /// Whether random forms of the bed were drawn anew in each draw.
    pub other_beds: bool,
    /// Share of the first layer that is good without any correction.
    pub uncorrected_good: Spread,
    /// What 19 of 20 beds reach without any correction, as sure as 95 %; none from too few draws.
    pub uncorrected_good_at_least: Option<f64>,
    /// The rows: by hand, then by stations, bilinear before refined.
    pub rows: Vec<Row>,
    /// What to do, in one sentence.
    pub advice: String,
}

/// Plans the measuring of a scenario's bed for a job, under a progress bar if it takes its time.
///
/// # Errors
/// [`PlanningError`] if the job cannot be read or the bed cannot be modelled. A way of measuring that fails is a row
/// that says so.
pub fn plan(
    scenario: &Scenario,
    name: &str,
    job: impl BufRead + Seek,
    settings: &PlanSettings,
) -> Result<Plan, PlanningError> {
    let beds = [
        ModelledBed::new(scenario, scenario.warmth_printing())?,
        ModelledBed::new(scenario, scenario.warmth_measuring())?,
    ];
    let step_mm = beds[0].sample_step_mm();
    let footprint = Footprint::of(name, job, scenario, settings.first_layer_heights, step_mm)?;
    let mut feels_um = settings.feels_um.clone();
    feels_um.push(scenario.measuring.feel_um);
    feels_um.sort_by(|a, b| a.0.total_cmp(&b.0));
    feels_um.dedup();
    let ways: Vec<(NotNegative, Count)> =
        feels_um.iter().flat_map(|&feel_um| settings.stations.iter().map(move |&count| (feel_um, count))).collect();
    let steps = Steps::new(settings.draws.into(), "surveys");
    let draws = map_in_order(cores(settings.cores), 0..settings.draws, |number| {
        let drawn = draw(scenario, &footprint, &beds, &ways, settings, number);
        steps.step();
        drawn
    });
    let draws: Vec<(f64, Vec<BothSurfaces>)> = draws.into_iter().collect::<Result<_, BedError>>()?;
    drop(steps);
    let uncorrected: Vec<f64> = draws.iter().map(|(good, _)| *good).collect();
    let mut columns: Vec<[Vec<Result<Drawn, String>>; 2]> = ways.iter().map(|_| Default::default()).collect();
    for (_, ways) in draws {
        for (column, surfaces) in columns.iter_mut().zip(ways) {
            column.iter_mut().zip(surfaces).for_each(|(column, drawn)| column.push(drawn));
        }
    }
    let rows = ways.iter().zip(columns).flat_map(|(&(feel_um, count), surfaces)| {
        let readings = readings(scenario, count);
        let row = move |(drawn, refined)| row(feel_um, (count, readings), refined, drawn);
        surfaces.into_iter().zip([false, true]).map(row)
    });
    let mut plan = Plan {
        format: "gapkeeper-plan",
        schema_version: SCHEMA_VERSION,
        job: printed::file_name(name).to_string(),
        scenario: scenario.name.clone(),
        tolerance_um: settings.tolerance_um,
        scenario_feel_um: scenario.measuring.feel_um.0,
        first_layer_z_mm: footprint.most_um() / 1000.0,
        printed_length_mm: footprint.length_mm(),
        spots: footprint.count(),
        draws: settings.draws,
        seed: settings.seed,
        other_beds: !settings.same_bed && scenario.bed.forms.iter().any(|form| matches!(form, Form::Random { .. })),
        uncorrected_good: Spread::of(uncorrected.clone()),
        uncorrected_good_at_least: bound::low_end(uncorrected),
        rows: rows.collect(),
        advice: String::new(),
    };
    plan.advice = advice::advice(&plan);
    Ok(plan)
}

impl Plan {
    /// The plan as JSON, with units in the names of its keys.
    pub fn json(&self) -> String {
        // Plain data with names as keys: there is nothing in it that JSON cannot hold.
        serde_json::to_string_pretty(self).map_or_else(|error| error.to_string(), |text| text + "\n")
    }

    /// The plan for a terminal: the advice, then the table.
    pub fn text(&self) -> String {
        table::text(self)
    }
}

/// Readings of a survey with so many stations along each axis.
fn readings(scenario: &Scenario, count: Count) -> usize {
    let mut scenario = scenario.clone();
    scenario.survey.stations = [count, count];
    let plan = survey_plan::<CAPACITY>(&scenario, scenario.stations());
    plan.map_or(usize::from(count.0).pow(2), |plan| plan.order().len())
}

/// Gathers the draws of one row.
fn row(
    feel_um: NotNegative,
    (Count(stations), readings): (Count, usize),
    refined: bool,
    drawn: Vec<Result<Drawn, String>>,
) -> Row {
    let refused = drawn.iter().filter(|drawn| drawn.is_err()).count();
    let why = drawn.iter().find_map(|drawn| drawn.as_ref().err().cloned());
    let good_at_least =
        bound::low_end(drawn.iter().map(|drawn| drawn.as_ref().map_or(0.0, |drawn| drawn.good)).collect());
    let drawn: Vec<Drawn> = drawn.into_iter().flatten().collect();
    let spread = |figure: fn(&Drawn) -> f64| Spread::of(drawn.iter().map(figure).collect());
    let worst = |drawn: &&Drawn| drawn.errors.largest_um();
    let worst = drawn.iter().max_by(|a, b| worst(a).total_cmp(&worst(b))).map(|drawn| drawn.errors.worst);
    let nodes = drawn.first().map_or([stations; 2], |drawn| drawn.nodes);
    Row {
        feel_um: feel_um.0,
        stations,
        readings,
        refined,
        nodes,
        record_bytes: record::max_record_size(
            drawn.first().map_or(usize::from(stations) * usize::from(stations), |drawn| drawn.stored_nodes),
        ),
        memory_bytes: memory_bytes(usize::from(nodes[0]) * usize::from(nodes[1])),
        // At most as many as there are draws.
        refused: why.map(|why| (refused as u32, why)),
        figures: worst.map(|worst| Figures {
            good: spread(|drawn| drawn.good),
            good_at_least,
            rms_um: spread(|drawn| drawn.errors.rms_um),
            mean_um: spread(|drawn| drawn.errors.mean_um),
            worst_um: spread(|drawn| drawn.errors.largest_um()),
            worst,
            minutes: spread(|drawn| drawn.minutes),
        }),
    }
}

/// Bytes of a correction whose grid has room for just so many nodes.
fn memory_bytes(nodes: usize) -> usize {
    // With nine nodes it is full to the last byte.
    (size_of::<Correction<9>>() + 2 * nodes - 18).next_multiple_of(align_of::<Correction<9>>())
}

#[cfg(test)]
mod tests;
