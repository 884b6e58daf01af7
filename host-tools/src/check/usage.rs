//! Whether the grid can be put in force here and now.

use gapkeeper::{Correction, Surface};

use super::{CheckSettings, Finding, Found, NodePlace, Unchecked};
use crate::grid_file::GridDocument;

/// Change of layer thickness above which layers are no longer sound, in thousandths (common practice, no source).
const LARGEST_CHANGE_PERMILLE: u32 = 100;
/// Lowest height that a bed beside its limit switch has, where nobody says how low the nozzle can go; own limit, no
/// source.
const LOWEST_UNASKED_UM: i64 = -1000;
/// Temperatures that beds of hobby machines have (common practice, no source).
const BED_TEMPERATURES_C: std::ops::RangeInclusive<i16> = 0..=150;

/// Whether the core takes the surface with its shift and fade, and what the fade does to layers.
pub(super) fn shift_and_fade(document: &GridDocument, surface: Surface, settings: &CheckSettings, found: &mut Found) {
    let surface = match document.surface_grid(surface) {
        Ok(surface) => surface,
        Err(error) => return found.of_all(Finding::NoSurface(error)),
    };
    let correction = match Correction::new(surface).with_shift(document.shift_um) {
        Ok(correction) => correction,
        Err(error) => return found.of_all(Finding::NoCorrection(error)),
    };
    if document.shift_um.unsigned_abs() > settings.shift_limit_um.into() {
        found.of_all(Finding::Shift { shift_um: document.shift_um });
    }
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
    let nodes = NodePlace::all(&document.grid).zip(document.grid.nodes_um());
    let Some((place, &height_um)) = nodes.min_by_key(|(_, um)| **um) else { return };
    let needed_um = i64::from(height_um) + i64::from(document.shift_um);
    let Some(lowest_um) = settings.lowest_um.or(document.lowest_machine_z_um) else {
        found.unchecked.push(Unchecked::Headroom);
        if needed_um < LOWEST_UNASKED_UM {
            found.at(place, Finding::Low { lowest_um: needed_um });
        }
        return;
    };
    let above_um = i64::from(lowest_um) - needed_um;
    if above_um > 0 {
        found.at(place, Finding::NoHeadroom { above_um, shift_um: document.shift_um });
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

/// Whether the bed is as warm as it was while it was measured, and whether a bed can be.
pub(super) fn temperature(document: &GridDocument, settings: &CheckSettings, found: &mut Found) {
    if let Some(measured_c) = document.bed_temperature_c.filter(|degrees| !BED_TEMPERATURES_C.contains(degrees)) {
        found.of_all(Finding::StrangeTemperature { measured_c });
    }
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

/// Whether a screw was turned since the grid was measured.
pub(super) fn setup(settings: &CheckSettings, found: &mut Found) {
    match (settings.grid_setup, settings.setup) {
        (Some(measured), Some(now)) if measured != now => found.of_all(Finding::OtherSetup { measured, now }),
        (Some(_), Some(_)) => {}
        (measured, _) => found.unchecked.push(Unchecked::Setup { is_known: measured.is_some() }),
    }
}

/// Whether the grid is so old that the bed may be another one by now. A file may be younger than its readings, which
/// nobody can see; it is never older.
pub(super) fn age(settings: &CheckSettings, found: &mut Found) {
    match settings.age_days {
        None => found.unchecked.push(Unchecked::Age),
        Some(days) if days > settings.oldest_days => found.of_all(Finding::Old { days }),
        Some(_) => {}
    }
}
