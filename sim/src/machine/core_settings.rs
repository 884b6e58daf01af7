//! A scenario in the core's terms: what its machine, its measuring and its correction are to the core.

use gapkeeper::{
    Correction, CorrectionError, DEFAULT_TOLERANCE_UM, GridError, HeightGrid, KeeperSettings, Lattice, PlanError,
    SurveyPlan, SurveySettings,
};

use crate::controller::{CAPACITY, Controller};
use crate::scenario::{Bounded, Count, Scenario};

/// The refined grid that a scenario asks for.
pub(crate) fn refine(scenario: &Scenario, grid: &HeightGrid<CAPACITY>) -> Result<HeightGrid<CAPACITY>, GridError> {
    match scenario.survey.refined {
        Some([Count(columns), Count(rows)]) => grid.refined(columns, rows),
        None => grid.densest(),
    }
}

/// A grid in force as a scenario asks, never below its limit switch.
pub(crate) fn in_force(
    scenario: &Scenario,
    grid: HeightGrid<CAPACITY>,
) -> Result<Correction<CAPACITY>, CorrectionError> {
    let correction = Correction::new(grid).with_shift(scenario.correction.shift_um)?;
    let correction = match scenario.correction.fade {
        Some(fade) => correction.with_fade(fade.0)?,
        None => correction,
    };
    Ok(correction.with_lowest_machine_z(lowest_um(scenario)))
}

/// The lowest machine height, where the limit switch trips.
pub(crate) fn lowest_um(scenario: &Scenario) -> i32 {
    // Within ±100 m.
    (scenario.machine.limit_switch_trips_at_mm.0 * 1000.0).round() as i32
}

/// The keeper of the scenario's machine.
pub(crate) fn keeper_settings(scenario: &Scenario) -> KeeperSettings {
    KeeperSettings {
        lowest_machine_z_um: lowest_um(scenario),
        tolerance_um: tolerance_um(scenario),
        fade: scenario.correction.fade.map(|fade| fade.0),
        ..KeeperSettings::default()
    }
}

/// A survey as the scenario is measured.
pub(crate) fn survey_settings(scenario: &Scenario) -> SurveySettings {
    let measuring = &scenario.measuring;
    SurveySettings {
        bed_temperature_c: measuring.bed_temperature_c,
        nozzle_temperature_c: measuring.nozzle_temperature_c,
        soak_s: measuring.soak_s,
        feeler_um: measuring.feeler_um,
        detent_um: measuring.detent_um.max(1),
        closure_limit_um: measuring.closure_limit_um,
        lowest_um: lowest_um(scenario),
        corner_limit_um: measuring.corner_limit_um.unwrap_or_default(),
        ..SurveySettings::default()
    }
}

/// A length of the scenario for the core.
pub(crate) fn um(mm: f64) -> i32 {
    (mm * 1000.0).round() as i32
}

/// The stations as the scenario is measured: those of a tie, if there is a grid to tie; else with the middles of cells, if
/// it asks for them and there are weights for them. A corner round comes first, if it asks for one.
pub(crate) fn survey_plan<const STATIONS: usize>(
    scenario: &Scenario,
    stations: Lattice,
) -> Result<SurveyPlan<STATIONS>, PlanError> {
    let screws = || scenario.bed.screws.iter().map(|screw| (um(screw.x_mm.0), um(screw.y_mm.0)));
    let plan = match &scenario.tie {
        Some(old) => SurveyPlan::tie(old.grid.grid.lattice(), screws())?,
        None => SurveyPlan::new(stations)?,
    };
    let plan = if scenario.measuring.middles { plan.with_middles().unwrap_or(plan) } else { plan };
    match scenario.measuring.corner_limit_um {
        Some(_) => plan.with_corner_round(screws()),
        None => Ok(plan),
    }
}

/// How far pieces may be off the corrected path.
pub(crate) fn tolerance_um(scenario: &Scenario) -> u16 {
    scenario.correction.tolerance_um.unwrap_or(DEFAULT_TOLERANCE_UM)
}

/// A controller of the scenario's machine.
pub(crate) fn controller(scenario: &Scenario, in_force: Option<Correction<CAPACITY>>) -> Controller {
    let z_steps_per_mm = scenario.machine.steps_per_mm.z.0;
    Controller::new(in_force, tolerance_um(scenario), z_steps_per_mm, lowest_um(scenario))
}

/// A scenario whose screws have been raised by so much each.
pub(crate) fn with_screws(mut scenario: Scenario, raised_um: &[f64]) -> Scenario {
    for (screw, um) in scenario.bed.screws.iter_mut().zip(raised_um) {
        screw.height_um = Bounded(screw.height_um.0 + um);
    }
    scenario
}

/// A scenario whose screws have been raised further.
pub(crate) fn raised(scenario: &Scenario, by_um: f64) -> Scenario {
    let mut scenario = scenario.clone();
    scenario.bed.raised_um = Bounded(scenario.bed.raised_um.0 + by_um);
    scenario
}

/// Adds up how far screws were raised, by number.
pub(crate) fn add_screws(sums_um: &mut Vec<f64>, um: &[f64]) {
    sums_um.resize(sums_um.len().max(um.len()), 0.0);
    for (sum_um, um) in sums_um.iter_mut().zip(um) {
        *sum_um += um;
    }
}
