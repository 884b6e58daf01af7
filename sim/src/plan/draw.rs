//! One draw: a bed, and a whole survey of it for every way of measuring.

use gapkeeper::{Correction, HeightGrid, Surface};

use super::PlanSettings;
use super::footprint::Spot;
use crate::bed::{BedError, ModelledBed};
use crate::bench::Bench;
use crate::controller::CAPACITY;
use crate::outcome::Place;
use crate::scenario::{Count, Form, NotNegative, Scenario};
use crate::survey::{Happening, survey_on};

/// What one draw of one row came to.
pub(super) struct Drawn {
    pub within: f64,
    pub rms_um: f64,
    pub mean_um: f64,
    pub worst: Place,
    pub minutes: f64,
    pub chosen: bool,
    pub nodes: [u8; 2],
}

/// One survey, its readings as they are and refined; a message where no grid came into force.
pub(super) type BothSurfaces = [Result<Drawn, String>; 2];

/// One draw of every way of measuring: share within the tolerance uncorrected, then bilinear and refined of each way.
pub(super) fn draw(
    scenario: &Scenario,
    spots: &[Spot],
    ways: &[(NotNegative, Count)],
    settings: &PlanSettings,
    number: u32,
) -> Result<(f64, Vec<BothSurfaces>), BedError> {
    let mut scenario = scenario.clone();
    let seed = settings.seed.wrapping_add(number.into());
    if !settings.same_bed {
        for form in &mut scenario.bed.forms {
            if let Form::Random { seed: form_seed, .. } = form {
                *form_seed = form_seed.wrapping_add(seed);
            }
        }
    }
    let printed = ModelledBed::new(&scenario, scenario.warmth_printing())?;
    let measured_bed = ModelledBed::new(&scenario, scenario.warmth_measuring())?;
    let bed_um: Vec<f64> = spots.iter().map(|spot| printed.height_um(spot.x_mm, spot.y_mm)).collect();
    let within = |error_um: f64| error_um.abs() <= settings.tolerance_um;
    let total_mm: f64 = spots.iter().map(|spot| spot.length_mm).sum();
    let uncorrected_mm: f64 =
        spots.iter().zip(&bed_um).filter(|(_, bed_um)| within(**bed_um)).map(|(spot, _)| spot.length_mm).sum();
    let mut found = Vec::with_capacity(ways.len());
    for &(feel_um, count) in ways {
        scenario.measuring.feel_um = feel_um;
        scenario.survey.stations = [count, count];
        let measured = Bench::with_bed(&scenario, measured_bed.clone())
            .and_then(|mut bench| survey_on(&mut bench, &scenario, scenario.stations(), seed));
        found.push(match measured {
            Err(error) => [Err(error.to_string()), Err(error.to_string())],
            Ok(measured) => {
                let raised_um: f64 = measured
                    .happenings
                    .iter()
                    .map(|happening| if let Happening::BedRaised { by_um } = happening { *by_um } else { 0.0 })
                    .sum();
                [false, true].map(|refined| {
                    let grid =
                        if refined { refine(&scenario, &measured.grid.grid)? } else { measured.grid.grid.clone() };
                    let lattice = grid.lattice();
                    let correction = in_force(&scenario, grid)?;
                    let mut drawn = Drawn {
                        within: 0.0,
                        rms_um: 0.0,
                        mean_um: 0.0,
                        worst: Place { job_line: 0, x_mm: 0.0, y_mm: 0.0, z_mm: 0.0, gap_error_um: 0.0 },
                        minutes: measured.seconds / 60.0,
                        chosen: (measured.grid.surface == Surface::Refined) == refined,
                        nodes: [lattice.columns, lattice.rows],
                    };
                    for (spot, bed_um) in spots.iter().zip(&bed_um) {
                        drawn.take_in(spot, error_um(&correction, spot, bed_um + raised_um), within);
                    }
                    drawn.within /= total_mm;
                    drawn.mean_um /= total_mm;
                    drawn.rms_um = (drawn.rms_um / total_mm).sqrt();
                    Ok(drawn)
                })
            }
        });
    }
    Ok((uncorrected_mm / total_mm, found))
}

impl Drawn {
    fn take_in(&mut self, spot: &Spot, error_um: f64, within: impl Fn(f64) -> bool) {
        if within(error_um) {
            self.within += spot.length_mm;
        }
        self.mean_um += error_um * spot.length_mm;
        self.rms_um += error_um * error_um * spot.length_mm;
        if self.worst.job_line == 0 || error_um.abs() > self.worst.gap_error_um.abs() {
            self.worst = Place {
                job_line: spot.job_line,
                x_mm: spot.x_mm,
                y_mm: spot.y_mm,
                z_mm: spot.z_um / 1000.0,
                gap_error_um: error_um,
            };
        }
    }
}

fn error_um(correction: &Correction<CAPACITY>, spot: &Spot, bed_um: f64) -> f64 {
    // Saturates far beyond any bed.
    let um = |mm: f64| (mm * 1000.0).round() as i32;
    let z_um = spot.z_um.round() as i32;
    let nozzle_um = correction.machine_z_um(um(spot.x_mm), um(spot.y_mm), z_um);
    f64::from(nozzle_um) - bed_um - f64::from(z_um)
}

/// The refined grid that a scenario asks for.
pub(crate) fn refine(scenario: &Scenario, grid: &HeightGrid<CAPACITY>) -> Result<HeightGrid<CAPACITY>, String> {
    match scenario.survey.refined {
        Some([Count(columns), Count(rows)]) => grid.refined(columns, rows),
        None => grid.densest(),
    }
    .map_err(|error| format!("refined grid: {error}"))
}

/// A grid in force as a scenario asks.
pub(crate) fn in_force(scenario: &Scenario, grid: HeightGrid<CAPACITY>) -> Result<Correction<CAPACITY>, String> {
    let correction = Correction::new(grid).with_shift(scenario.correction.shift_um);
    match scenario.correction.fade {
        Some(fade) => correction.and_then(|correction| correction.with_fade(fade.0)),
        None => correction,
    }
    .map_err(|error| format!("correction: {error}"))
}
