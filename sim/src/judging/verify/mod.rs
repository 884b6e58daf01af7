//! The gate: limits that every case of a matrix must keep, by our core or by somebody's controller.

mod gate;
mod trace;
mod verdict;

use std::fs::File;
use std::io::{BufRead, BufReader, Seek};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use gapkeeper::{Correction, HeightGrid};
use gapkeeper_host_tools::Steps;
use gapkeeper_host_tools::grid_file::read_grid;
use gapkeeper_host_tools::pipeline::{self, map_in_order};

use crate::class::judged;
use crate::controller::CAPACITY;
use crate::core_settings::{in_force, refine, tolerance_um};
use crate::dynamics::{Dynamics, MotionFigures, Peak, ZLimits};
use crate::outcome::{Class, RunOutcome};
use crate::replay::{ReplayError, Settings, replay};
use crate::scenario::{Positive, Scenario};
use crate::setup::Setup;
use crate::survey::survey;
use gapkeeper_host_tools::job::{JobEvent, walk};

pub use gate::{Gate, GateSurface, Limits, Matrix, TraceSettings};
pub use verdict::{Case, Check, Outcome, SCHEMA_VERSION, TooFast, Verdict};

/// One case of the matrix before it is run.
#[derive(Clone, Debug)]
struct PlannedCase {
    scenario: PathBuf,
    job: PathBuf,
    stations: Option<[crate::scenario::Count; 2]>,
    seed: Option<u64>,
    grid: Option<PathBuf>,
    surface: GateSurface,
}

impl PlannedCase {
    fn name(&self) -> String {
        let mut name = format!("{}, {}", self.scenario.display(), self.job.display());
        if let Some([columns, rows]) = self.stations {
            name += &format!(", {} x {} stations", columns.0, rows.0);
        }
        if let Some(seed) = self.seed {
            name += &format!(", seed {seed}");
        }
        if let Some(grid) = &self.grid {
            name += &format!(", {}", grid.display());
        }
        name + ", " + self.surface.label()
    }
}

/// The matrix of a gate, in order.
fn plans(matrix: &Matrix) -> Vec<PlannedCase> {
    fn some_or_none<T: Clone>(list: &[T]) -> Vec<Option<T>> {
        if list.is_empty() { vec![None] } else { list.iter().cloned().map(Some).collect() }
    }
    let (stations, seeds, grids) =
        (some_or_none(&matrix.stations), some_or_none(&matrix.seeds), some_or_none(&matrix.grids));
    let mut plans = Vec::new();
    for scenario in &matrix.scenarios {
        for job in &matrix.jobs {
            for &stations in &stations {
                for &seed in &seeds {
                    for grid in &grids {
                        for &surface in &matrix.surfaces {
                            let (scenario, job, grid) = (scenario.clone(), job.clone(), grid.clone());
                            plans.push(PlannedCase { scenario, job, stations, seed, grid, surface });
                        }
                    }
                }
            }
        }
    }
    plans
}

/// A case ready to be run.
struct Ready {
    setup: Setup,
    correction: Correction<CAPACITY>,
    job_name: String,
    job: PathBuf,
}

impl Ready {
    fn new(gate: &Gate, plan: &PlannedCase) -> Result<Self, String> {
        let mut scenario = Scenario::read(&gate.folder.join(&plan.scenario)).map_err(|error| error.to_string())?;
        if let Some(stations) = plan.stations {
            scenario.survey.stations = stations;
        }
        let setup = match (&plan.grid, plan.seed) {
            (Some(path), _) => {
                Setup::saved(&scenario, &gate.folder.join(path)).map_err(|error| format!("{error:#}"))?
            }
            (None, Some(seed)) => {
                let found = survey(&scenario, scenario.stations(), seed).map_err(|error| format!("survey: {error}"))?;
                Setup::surveyed(&scenario, &found)
            }
            (None, None) => Setup::read_off(&scenario).map_err(|error| error.to_string())?,
        };
        let setup = Setup { surface: plan.surface.surface(), ..setup };
        let in_use = setup.surface_grid().map_err(|error| error.to_string())?;
        let correction = in_force(&setup.scenario, in_use).map_err(|error| format!("correction: {error}"))?;
        let (job_name, job) = (plan.job.display().to_string(), gate.folder.join(&plan.job));
        Ok(Self { setup, correction, job_name, job })
    }

    fn open(&self) -> Result<impl BufRead + Seek, String> {
        let file = File::open(&self.job).map_err(|error| format!("{}: {error}", self.job_name))?;
        Ok(BufReader::with_capacity(1 << 16, file))
    }
}

/// Runs all cases with our own core, on so many cores; on all if none. The verdict does not depend on how many there are.
pub fn verify(gate: &Gate, cores: Option<NonZeroUsize>) -> Verdict {
    let cores = pipeline::cores(cores);
    let plans = plans(&gate.matrix);
    let steps = Steps::new(plans.len() as u64, "cases");
    let case = |plan: &PlannedCase| {
        let case = judge(gate, plan).unwrap_or_else(|error| Case::could_not_run(plan.name(), error));
        steps.step();
        case
    };
    Verdict::new(map_in_order(cores, &plans, case))
}

/// Judges a recorded trace against the model of one case; `case` is its name, or parts of it, with commas between them,
/// that no other has.
///
/// # Errors
/// A message if there is no such case or more than one.
pub fn verify_trace(gate: &Gate, trace: &Path, case: Option<&str>) -> Result<Verdict, String> {
    let plans = plans(&gate.matrix);
    let suits = |plan: &&PlannedCase| case.is_none_or(|case| plan.name() == case);
    let holds = |plan: &&PlannedCase| {
        let name = plan.name();
        let mut parts = case.into_iter().flat_map(|case| case.split(", "));
        case.is_some() && parts.all(|part| name.split(", ").any(|of_name| of_name == part))
    };
    let mut found: Vec<&PlannedCase> = plans.iter().filter(suits).collect();
    if found.is_empty() {
        found = plans.iter().filter(holds).collect();
    }
    let [plan] = found[..] else {
        let names: Vec<String> = plans.iter().map(|plan| format!("\n  {}", plan.name())).collect();
        return Err(format!(
            "a trace is judged by one case of the gate, not by {}: name one with --case{}",
            found.len(),
            names.concat()
        ));
    };
    let judged = Ready::new(gate, plan).and_then(|ready| {
        let stale = gate.trace.stale_grids.iter().map(|path| {
            let document = read_grid(&gate.folder.join(path)).map_err(|error| error.to_string())?;
            Ok((path.display().to_string(), document.grid))
        });
        let stale: Vec<_> = stale.collect::<Result<_, String>>()?;
        let (refined, other) = match plan.surface {
            GateSurface::Bilinear => (true, refine(&ready.setup.scenario, &ready.setup.grid).ok()),
            GateSurface::Refined => (false, Some(ready.setup.grid.clone())),
        };
        let surface = |grid: &HeightGrid<CAPACITY>| match plan.surface {
            GateSurface::Bilinear => Ok(grid.clone()),
            GateSurface::Refined => refine(&ready.setup.scenario, grid).map_err(|error| error.to_string()),
        };
        let fit = trace::Fit::new(&ready.setup.grid, surface)?;
        let others = trace::Others { stale, fit, other_surface: other.map(|grid| (refined, grid)) };
        let job = (ready.job_name.as_str(), ready.open()?, ready.setup.scenario.reading());
        trace::judge(&ready.correction, job, trace, &gate.trace, others).map_err(|error| error.to_string())
    });
    let name = format!("{}, trace {}", plan.name(), trace.display());
    let case = match judged {
        Ok((checks, explanations)) => Case { explanations, ..Case::judged(name, checks) },
        Err(error) => Case::could_not_run(name, error),
    };
    Ok(Verdict::new(vec![case]))
}

fn judge(gate: &Gate, plan: &PlannedCase) -> Result<Case, String> {
    let ready = Ready::new(gate, plan)?;
    let settings = Settings {
        first_layer_heights: gate.matrix.first_layer_mm,
        // The cases share the cores.
        cores: NonZeroUsize::new(1),
        ..ready.setup.settings()
    };
    let outcome = replay(&ready.job_name, ready.open()?, &settings).map_err(|error| error.to_string())?;
    let used = &outcome.runs[settings.run_in_use as usize];
    let mut checks = gap_checks(&gate.limits, used);
    checks.push(travel_check(used));
    let of_machine = ZLimits::of(&ready.setup.scenario.machine);
    let or = |limit: Option<Positive>, of_machine: Option<f64>| limit.map(|limit| limit.0).or(of_machine);
    let limits = ZLimits {
        rate_mm_s: or(gate.limits.z_rate_mm_s, of_machine.rate_mm_s),
        rate_step_mm_s: or(gate.limits.z_rate_step_mm_s, of_machine.rate_step_mm_s),
        acceleration_mm_s2: or(gate.limits.z_acceleration_mm_s2, of_machine.acceleration_mm_s2),
    };
    let figures = motion(&ready, limits)?;
    checks.extend(motion_checks(&gate.limits, limits, &figures));
    Ok(Case { too_fast: figures.too_fast, notes: outcome.warnings, ..Case::judged(plan.name(), checks) })
}

fn motion(ready: &Ready, limits: ZLimits) -> Result<MotionFigures, String> {
    let mut dynamics = Dynamics::new(&ready.correction, tolerance_um(&ready.setup.scenario), limits);
    walk::<ReplayError>(&ready.job_name, ready.open()?, ready.setup.scenario.reading(), |event| match event {
        JobEvent::Move(job_move) => dynamics.take(&job_move).map_err(ReplayError::Tolerance),
        _ => Ok(()),
    })
    .map_err(|error| error.to_string())?;
    Ok(dynamics.figures())
}

/// Share of the first layer that may have no gap.
const NOT_JUDGED_PERCENT: f64 = 5.0;

/// The gap error if it is limited; always contact, and how much has a gap at all.
fn gap_checks(limits: &Limits, run: &RunOutcome) -> Vec<Check> {
    let figures = &run.first_layer;
    let worst = figures.errors.map(|errors| errors.worst);
    let check = |name: &'static str, allowed: f64, found: f64, remark: String| Check {
        name,
        allowed,
        found,
        // Without a first layer there is nothing that could stick.
        passed: figures.errors.is_some() && found <= allowed,
        job_line: worst.map(|worst| worst.job_line),
        x_mm: worst.map(|worst| worst.x_mm),
        y_mm: worst.map(|worst| worst.y_mm),
        remark: if figures.errors.is_some() { remark } else { "nothing of the first layer was judged".into() },
    };
    let length_mm = figures.length_mm;
    let not_judged_percent = 100.0 * (1.0 - length_mm.share_judged());
    let allowed_percent = limits.first_layer_not_judged_percent.map_or(NOT_JUDGED_PERCENT, |limit| limit.0);
    let mut checks = Vec::new();
    if let Some(limit) = limits.first_layer_gap_error_um {
        let found = figures.errors.map_or(0.0, |errors| errors.largest_um());
        checks.push(check("first_layer_gap_error_um", limit.0, found, judged(&length_mm)));
    }
    let deepest = run.deepest_contact;
    checks.push(Check {
        job_line: deepest.map(|place| place.job_line),
        x_mm: deepest.map(|place| place.x_mm),
        y_mm: deepest.map(|place| place.y_mm),
        ..check("first_layer_contact_mm", 0.0, length_mm.get(Class::Contact), String::new())
    });
    let nowhere = Check { job_line: None, x_mm: None, y_mm: None, ..checks[checks.len() - 1].clone() };
    let remark = if nowhere.remark.is_empty() { judged(&length_mm) } else { nowhere.remark.clone() };
    checks.push(Check {
        name: "first_layer_not_judged_percent",
        allowed: allowed_percent,
        found: not_judged_percent,
        passed: length_mm.total() > 0.0 && not_judged_percent <= allowed_percent,
        remark,
        ..nowhere
    });
    checks
}

/// The nozzle never touches the bed where it lays nothing down.
fn travel_check(run: &RunOutcome) -> Check {
    let deepest = run.deepest_travel_contact;
    Check {
        name: "travel_contacts",
        allowed: 0.0,
        found: run.travel_contacts as f64,
        passed: run.travel_contacts == 0,
        job_line: deepest.map(|place| place.job_line),
        x_mm: deepest.map(|place| place.x_mm),
        y_mm: deepest.map(|place| place.y_mm),
        remark: if deepest.is_some() { "raise the shift, or let the job travel higher".into() } else { String::new() },
    }
}

fn motion_checks(limits: &Limits, z: ZLimits, figures: &MotionFigures) -> Vec<Check> {
    let given = |limit: Option<Positive>| limit.map(|limit| limit.0);
    let slower = match figures.too_fast.first() {
        Some(worst) => format!("lines too fast for Z: {}, the worst line {}", figures.lines_too_fast, worst.job_line),
        None => String::new(),
    };
    let rows: [(&'static str, Option<f64>, &Peak, &str); 7] = [
        ("chord_error_um", given(limits.chord_error_um), &figures.chord_error_um, ""),
        ("z_rate_mm_s", z.rate_mm_s, &figures.z_rate_mm_s, &slower),
        ("z_rate_step_mm_s", z.rate_step_mm_s, &figures.z_rate_step_mm_s, &slower),
        ("z_acceleration_mm_s2", z.acceleration_mm_s2, &figures.z_acceleration_mm_s2, &slower),
        (
            "thickness_change_percent",
            given(limits.thickness_change_percent),
            &figures.thickness_change_percent,
            "fade over a longer height",
        ),
        ("pieces_per_s", given(limits.pieces_per_s), &figures.pieces_per_s, ""),
        ("refused_moves", Some(0.0), &figures.refused, "raise the bed's screws or the shift"),
    ];
    let check = |(name, allowed, peak, remark): (&'static str, Option<f64>, &Peak, &str)| {
        let allowed = allowed?;
        let passed = peak.value <= allowed;
        let somewhere = (peak.job_line > 0).then_some(*peak);
        Some(Check {
            name,
            allowed,
            found: peak.value,
            passed,
            job_line: somewhere.map(|peak| peak.job_line),
            x_mm: somewhere.map(|peak| peak.x_mm),
            y_mm: somewhere.map(|peak| peak.y_mm),
            remark: if passed { String::new() } else { remark.to_string() },
        })
    };
    rows.into_iter().filter_map(check).collect()
}

#[cfg(test)]
mod tests;
