//! One draw: a bed, and a whole survey of it for every way of measuring.

use gapkeeper::Surface;

use super::PlanSettings;
use crate::bed::{BedError, ModelledBed};
use crate::bench::Bench;
use crate::controller::Controller;
use crate::core_settings::{controller, in_force, refine, with_screws};
use crate::footprint::Footprint;
use crate::outcome::{GapErrors, GapFigures};
use crate::scenario::{Count, Form, NotNegative, Scenario};
use crate::survey::survey_on;

/// What one draw of one row came to.
pub(super) struct Drawn {
    pub good: f64,
    pub errors: GapErrors,
    pub minutes: f64,
    /// Nodes of the grid that is remembered.
    pub stored_nodes: usize,
    pub nodes: [u8; 2],
}

/// One survey, its readings as they are and refined; a message where no grid came into force.
pub(super) type BothSurfaces = [Result<Drawn, String>; 2];

/// The seed of a draw's operator: the first is the plan's own, so that a survey with that seed is that draw; the others
/// are mixed, so that plans of neighbouring seeds share none.
///
/// The mixing is SplitMix64's (G. L. Steele, D. Lea, C. H. Flood, *Fast Splittable Pseudorandom Number Generators*,
/// OOPSLA 2014; constants from memory).
pub(super) fn seed_of(plan_seed: u64, number: u32) -> u64 {
    if number == 0 { plan_seed } else { mix(mix(plan_seed).wrapping_add(u64::from(number))) }
}

fn mix(seed: u64) -> u64 {
    let mut mixed = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    mixed ^ (mixed >> 31)
}

/// One draw of every way of measuring, over the bed as it is printed on and as it is measured: share that is good uncorrected, then bilinear and refined of each way.
pub(super) fn draw(
    scenario: &Scenario,
    footprint: &Footprint,
    [printed, measured]: &[ModelledBed; 2],
    ways: &[(NotNegative, Count)],
    settings: &PlanSettings,
    number: u32,
) -> Result<(f64, Vec<BothSurfaces>), BedError> {
    let mut scenario = scenario.clone();
    let seed = seed_of(settings.seed, number);
    if !settings.same_bed {
        for form in &mut scenario.bed.forms {
            if let Form::Random { seed: form_seed, .. } = form {
                // Another bed than any operator's stream of numbers.
                *form_seed = mix(form_seed.wrapping_add(mix(seed)));
            }
        }
    }
    let [printed, measured_bed] = [printed.with_forms_of(&scenario)?, measured.with_forms_of(&scenario)?];
    let bed_um = footprint.heights_of(&printed, &scenario.bed);
    let judge = |controller: &mut Controller, bed_um: &[f64], raised_um: f64| {
        footprint.judge(controller, bed_um, raised_um, settings.tolerance_um)
    };
    let uncorrected = judge(&mut controller(&scenario, None), &bed_um, 0.0);
    let mut found = Vec::with_capacity(ways.len());
    for &(feel_um, count) in ways {
        scenario.measuring.feel_um = feel_um;
        scenario.survey.stations = [count, count];
        let measured = Bench::with_bed(&scenario, measured_bed.clone())
            .and_then(|mut bench| survey_on(&mut bench, &scenario, scenario.stations(), seed));
        let measured = match measured {
            Ok(measured) => measured,
            Err(error) => {
                found.push([Err(error.to_string()), Err(error.to_string())]);
                continue;
            }
        };
        let screws_um = measured.screws_raised_um();
        let turned_bed_um = if screws_um.is_empty() {
            None
        } else {
            let turned = with_screws(scenario.clone(), &screws_um);
            Some(footprint.heights_of(&ModelledBed::new(&turned, turned.warmth_printing())?, &turned.bed))
        };
        let bed_um = turned_bed_um.as_deref().unwrap_or(&bed_um);
        found.push([Surface::Bilinear, Surface::Refined].map(|surface| {
            let grid = match surface {
                Surface::Bilinear => measured.grid.grid.clone(),
                Surface::Refined => refine(&scenario, &measured.grid.grid).map_err(|error| error.to_string())?,
            };
            let lattice = grid.lattice();
            let correction = in_force(&scenario, grid).map_err(|error| format!("correction: {error}"))?;
            let figures: GapFigures = judge(&mut controller(&scenario, Some(correction)), bed_um, measured.raised_um());
            Ok(Drawn {
                good: figures.good(),
                errors: figures.errors.ok_or("every move of the first layer was refused")?,
                minutes: measured.seconds / 60.0,
                stored_nodes: measured.grid.grid.nodes_um().len(),
                nodes: [lattice.columns, lattice.rows],
            })
        }));
    }
    Ok((uncorrected.good(), found))
}

#[cfg(test)]
mod tests {
    use super::seed_of;

    /// The first numbers of SplitMix64 from 0 (published with the algorithm's reference code, from memory), and no draw
    /// shared between neighbouring plans.
    #[test]
    fn plans_share_no_draw() {
        assert_eq!(super::mix(0), 0xE220_A839_7B1D_CDAF);
        let draws: std::collections::BTreeSet<u64> =
            (1..=20).flat_map(|seed| (0..500).map(move |number| seed_of(seed, number))).collect();
        assert_eq!(draws.len(), 20 * 500);
        assert_eq!(seed_of(7, 0), 7);
    }
}
