//! Whether the grid can be put in force here and now.

use gapkeeper::{Correction, HeightGrid, Surface};

use super::{CheckSettings, Finding, Found, NodePlace, Unchecked};
use crate::grid_file::{CAPACITY, GridDocument};

/// Change of layer thickness above which layers are no longer sound, in thousandths (common practice, no source).
const LARGEST_CHANGE_PERMILLE: u32 = 100;

/// Whether the core takes the surface with its shift and fade, and what the fade does to layers.
pub(super) fn shift_and_fade(document: &GridDocument, found: &mut Found) {
    let is_bilinear = document.survey.is_some_and(|marks| marks.surface == Surface::Bilinear);
    let surface = if is_bilinear { Ok(document.grid.clone()) } else { document.grid.densest() };
    let surface: HeightGrid<CAPACITY> = match surface {
        Ok(surface) => surface,
        Err(error) => return found.of_all(Finding::NoSurface(error)),
    };
    let correction = match Correction::new(surface).with_shift(document.shift_um) {
        Ok(correction) => correction,
        Err(error) => return found.of_all(Finding::NoCorrection(error)),
    };
    let Some(fade) = document.fade else { return };
    match correction.with_fade(fade) {
        Err(error) => found.of_all(Finding::NoCorrection(error)),
        Ok(correction) => {
            let permille = correction.thickness_change_permille();
            if permille > LARGEST_CHANGE_PERMILLE {
                let (lowest_um, highest_um) = correction.grid().shape_range_um();
                let shape_um = i64::from(lowest_um.unsigned_abs().max(highest_um.unsigned_abs()));
                let zero_above_um = i64::from(fade.full_below_um()) + 10 * shape_um;
                found.of_all(Finding::FadeSteep { permille, zero_above_um });
            }
        }
    }
}

/// Whether the nozzle reaches the bed at its lowest station.
pub(super) fn headroom(document: &GridDocument, settings: &CheckSettings, found: &mut Found) {
    let Some(lowest_um) = settings.lowest_um else {
        found.unchecked.push(Unchecked::Headroom);
        return;
    };
    let nodes = NodePlace::all(&document.grid).zip(document.grid.nodes_um());
    if let Some((place, &height_um)) = nodes.min_by_key(|(_, um)| **um) {
        let above_um = i64::from(lowest_um) - i64::from(height_um) - i64::from(document.shift_um);
        if above_um > 0 {
            found.at(place, Finding::NoHeadroom { above_um });
        }
    }
}

/// What the survey found at its end.
pub(super) fn closure(document: &GridDocument, settings: &CheckSettings, found: &mut Found) {
    let Some(marks) = document.survey else {
        found.unchecked.push(Unchecked::Closure);
        return;
    };
    let is_large = marks.closure_um.unsigned_abs() > settings.closure_limit_um;
    if is_large || marks.closure_accepted {
        found.of_all(Finding::Closure { closure_um: marks.closure_um, accepted: marks.closure_accepted });
    }
}

/// Whether the bed is as warm as it was while it was measured.
pub(super) fn temperature(document: &GridDocument, settings: &CheckSettings, found: &mut Found) {
    let Some(now_c) = settings.bed_temperature_c else {
        found.unchecked.push(Unchecked::Temperature);
        return;
    };
    match document.bed_temperature_c {
        None => found.of_all(Finding::UnknownTemperature),
        Some(measured_c) if measured_c.abs_diff(now_c) > settings.temperature_window_c.into() => {
            found.of_all(Finding::OtherTemperature { measured_c, now_c });
        }
        Some(_) => {}
    }
}
