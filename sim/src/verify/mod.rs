//! The gate: limits that every case of a matrix must keep, by our core or by somebody's controller.

mod gate;
mod trace;
mod verdict;

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use gapkeeper::{Correction, DEFAULT_TOLERANCE_UM, HeightGrid};
use gapkeeper_host_tools::grid_file::{GridFormat, read_grid};
use rayon::prelude::*;

use crate::bed::ModelledBed;
use crate::controller::CAPACITY;
use crate::dynamics::{Dynamics, MotionFigures, Peak, ZLimits};
use crate::job::{JobEvent, walk};
use crate::outcome::GapFigures;
use crate::plan::{in_force, refine};
use crate::replay::{ReplayError, Settings, grid_at_stations, replay};
use crate::scenario::{FadeSettings, Positive, Scenario};
use crate::survey::survey;

pub use gate::{Gate, GateSurface, Limits, Matrix, TraceSettings};
pub use verdict::{Case, Check, Outcome, SCHEMA_VERSION, Verdict};

/// One case of the matrix before it is run.
#[derive(Clone, Debug)]
struct Plan {
    scenario: PathBuf,
    job: PathBuf,
    stations: Option<[crate::scenario::Count; 2]>,
    seed: Option<u64>,
    grid: Option<PathBuf>,
    surface: GateSurface,
}

impl Plan {
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
fn plans(matrix: &Matrix) -> Vec<Plan> {
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
                            plans.push(Plan { scenario, job, stations, seed, grid, surface });
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
    scenario: Scenario,
    grid: HeightGrid<CAPACITY>,
    correction: Correction<CAPACITY>,
    tolerance_um: u16,
    job_name: String,
    job: PathBuf,
}

impl Ready {
    fn new(gate: &Gate, plan: &Plan) -> Result<Self, String> {
        let mut scenario = Scenario::read(&gate.folder.join(&plan.scenario)).map_err(|error| error.to_string())?;
        if let Some(stations) = plan.stations {
            scenario.survey.stations = stations;
        }
        let grid = match (&plan.grid, plan.seed) {
            (Some(path), _) => {
                let path = gate.folder.join(path);
                let document = read_grid(&path).map_err(|error| error.to_string())?;
                // A format that holds shift and fade means what it says; the others leave them to the scenario.
                if matches!(GridFormat::of(&path), Ok(GridFormat::Json)) {
                    scenario.correction.shift_um = document.shift_um;
                    scenario.correction.fade = document.fade.map(FadeSettings);
                }
                document.grid
            }
            (None, Some(seed)) => {
                survey(&scenario, scenario.stations(), seed).map_err(|error| format!("survey: {error}"))?.grid.grid
            }
            (None, None) => {
                let bed =
                    ModelledBed::new(&scenario, scenario.warmth_measuring()).map_err(|error| error.to_string())?;
                grid_at_stations(&scenario, &bed).map_err(|error| error.to_string())?
            }
        };
        let in_use = match plan.surface {
            GateSurface::Bilinear => grid.clone(),
            GateSurface::Refined => refine(&scenario, &grid)?,
        };
        let lowest_um = (scenario.machine.limit_switch_trips_at_mm.0 * 1000.0).round() as i32;
        let correction = in_force(&scenario, in_use)?.with_lowest_machine_z(lowest_um);
        let tolerance_um = scenario.correction.tolerance_um.unwrap_or(DEFAULT_TOLERANCE_UM);
        let (job_name, job) = (plan.job.display().to_string(), gate.folder.join(&plan.job));
        Ok(Self { scenario, grid, correction, tolerance_um, job_name, job })
    }

    fn open(&self) -> Result<impl BufRead, String> {
        let file = File::open(&self.job).map_err(|error| format!("{}: {error}", self.job_name))?;
        Ok(BufReader::with_capacity(1 << 16, file))
    }
}

/// Runs all cases with our own core, on all cores; the verdict does not depend on how many there are.
pub fn verify(gate: &Gate) -> Verdict {
    Verdict::new(
        plans(&gate.matrix)
            .par_iter()
            .map(|plan| judge(gate, plan).unwrap_or_else(|error| Case::could_not_run(plan.name(), error)))
            .collect(),
    )
}

/// Judges a recorded trace against the model of one case; `case` is its name, or a part of it that no other has.
///
/// # Errors
/// A message if there is no such case or more than one.
pub fn verify_trace(gate: &Gate, trace: &Path, case: Option<&str>) -> Result<Verdict, String> {
    let plans = plans(&gate.matrix);
    let suits = |plan: &&Plan| case.is_none_or(|case| plan.name() == case);
    let holds = |plan: &&Plan| case.is_some_and(|case| plan.name().contains(case));
    let mut found: Vec<&Plan> = plans.iter().filter(suits).collect();
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
            GateSurface::Bilinear => (true, refine(&ready.scenario, &ready.grid).ok()),
            GateSurface::Refined => (false, Some(ready.grid.clone())),
        };
        let surface = |grid: &HeightGrid<CAPACITY>| match plan.surface {
            GateSurface::Bilinear => Ok(grid.clone()),
            GateSurface::Refined => refine(&ready.scenario, grid),
        };
        let fit = trace::Fit::new(&ready.grid, surface)?;
        let others = trace::Others { stale, fit, other_surface: other.map(|grid| (refined, grid)) };
        trace::judge(&ready.correction, &ready.job_name, ready.open()?, trace, &gate.trace, others)
            .map_err(|error| error.to_string())
    });
    let name = format!("{}, trace {}", plan.name(), trace.display());
    let case = match judged {
        Ok((checks, explanations)) => Case { explanations, ..Case::judged(name, checks) },
        Err(error) => Case::could_not_run(name, error),
    };
    Ok(Verdict::new(vec![case]))
}

fn judge(gate: &Gate, plan: &Plan) -> Result<Case, String> {
    let ready = Ready::new(gate, plan)?;
    let settings = Settings {
        grid: Some((&ready.grid, "gate")),
        // The cases share the cores.
        cores: NonZeroUsize::new(1),
        ..Settings::new(&ready.scenario)
    };
    let mut checks = Vec::new();
    if let Some(limit) = gate.limits.first_layer_gap_error_um {
        let outcome = replay(&ready.job_name, ready.open()?, &settings).map_err(|error| error.to_string())?;
        let run = match plan.surface {
            GateSurface::Bilinear => crate::outcome::Run::Corrected,
            GateSurface::Refined => crate::outcome::Run::Refined,
        };
        checks.push(gap_check(limit, &outcome.runs[run as usize].first_layer));
    }
    let of_machine = ZLimits::of(&ready.scenario.machine);
    let or = |limit: Option<Positive>, of_machine: Option<f64>| limit.map(|limit| limit.0).or(of_machine);
    let limits = ZLimits {
        rate_mm_s: or(gate.limits.z_rate_mm_s, of_machine.rate_mm_s),
        rate_step_mm_s: or(gate.limits.z_rate_step_mm_s, of_machine.rate_step_mm_s),
        acceleration_mm_s2: or(gate.limits.z_acceleration_mm_s2, of_machine.acceleration_mm_s2),
    };
    let figures = motion(&ready, limits)?;
    checks.extend(motion_checks(&gate.limits, limits, &figures));
    Ok(Case { too_fast: figures.too_fast, ..Case::judged(plan.name(), checks) })
}

fn motion(ready: &Ready, limits: ZLimits) -> Result<MotionFigures, String> {
    let mut dynamics = Dynamics::new(&ready.correction, ready.tolerance_um, limits);
    walk::<ReplayError>(&ready.job_name, ready.open()?, |event| match event {
        JobEvent::Move(job_move) => dynamics.take(&job_move).map_err(ReplayError::Tolerance),
        _ => Ok(()),
    })
    .map_err(|error| error.to_string())?;
    Ok(dynamics.figures())
}

fn gap_check(limit: Positive, figures: &GapFigures) -> Check {
    let found = figures.max_um.max(-figures.min_um);
    Check {
        name: "first_layer_gap_error_um",
        allowed: limit.0,
        found,
        // Without a first layer there is nothing that could stick.
        passed: figures.printed_length_mm > 0.0 && found <= limit.0,
        job_line: figures.worst.map(|worst| worst.job_line),
        x_mm: figures.worst.map(|worst| worst.x_mm),
        y_mm: figures.worst.map(|worst| worst.y_mm),
        remark: if figures.printed_length_mm > 0.0 { String::new() } else { "no first layer".to_string() },
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
