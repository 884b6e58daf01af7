//! How sure the surface is, computed from the readings.

use gapkeeper::Surface;

use super::{CheckSettings, Finding, Found, Unchecked};
use crate::estimate::{Band, Estimate};
use crate::grid_file::GridDocument;

/// Share of the places that is to be sure.
const ENOUGH: f64 = 0.95;

/// The surface that the readings tell.
pub(super) fn estimate(document: &GridDocument, settings: &CheckSettings, found: &mut Found) -> Option<Estimate> {
    if document.readings.is_empty() {
        found.unchecked.push(Unchecked::NoReadings);
        return None;
    }
    let estimate = Estimate::of(document, settings.hand);
    estimate.map_err(|error| found.unchecked.push(Unchecked::Unsure(error))).ok()
}

/// The band of the surface; a finding if too much of it is not sure to be within the tolerance.
pub(super) fn sureness(
    estimate: &Estimate,
    document: &GridDocument,
    surface: Surface,
    settings: &CheckSettings,
    found: &mut Found,
) -> Option<Band> {
    // A surface that cannot be made is a finding of its own.
    let surface = document.surface_grid(surface).ok()?;
    let band = Band::over(estimate, &surface, settings.tolerance_um.into())?;
    if band.sure_share < ENOUGH {
        found.of_all(Finding::Unsure(band));
    }
    Some(band)
}
