//! What the thicknesses of patches tell of the bed.

use gapkeeper::{BedHeight, MAX_HEIGHT_UM};

use super::error::PatchError;
use super::form::{PatchForm, PatchRow};
use crate::estimate::{Estimate, Hand};
use crate::grid_file::{GridDocument, StationReading};

/// Below this share of the thickness asked for a nozzle so near the bed feeds less than it should (own limit, no
/// source).
const CLOSEST_PERCENT: i64 = 40;
/// Above this one strands begin to lie loose, and are as thick as they are: a free round strand has 160 % (class
/// loose).
const FARTHEST_PERCENT: i64 = 150;

/// A patch whose thickness does not tell the gap.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Untold {
    /// Its number.
    pub number: u32,
    /// How thick it is.
    pub thickness_um: i32,
    /// Whether the nozzle was too close for plastic to flow; else its strands lie loose.
    pub is_thin: bool,
}

/// What patches tell.
#[derive(Clone, Debug, PartialEq)]
pub struct PatchReadings {
    /// Readings of the bed, each with the spread of the measuring.
    pub readings: Vec<StationReading>,
    /// By how much the whole grid should be shifted.
    pub shift_um: f64,
    /// Its standard deviation, as the patches scatter.
    pub shift_deviation_um: f64,
    /// Patches that do not tell the gap.
    pub untold: Vec<Untold>,
    /// Patches that were not measured.
    pub unmeasured: usize,
}

impl PatchReadings {
    /// The readings of a form that is filled in; thicknesses are measured with this spread.
    ///
    /// # Errors
    /// [`PatchError::Nothing`] if no patch tells the gap.
    pub fn of(form: &PatchForm, spread_um: u16) -> Result<Self, PatchError> {
        let mut found =
            Self { readings: Vec::new(), shift_um: 0.0, shift_deviation_um: 0.0, untold: Vec::new(), unmeasured: 0 };
        let mut off_um = Vec::new();
        for &PatchRow { number, x_um, y_um, asked_um, nozzle_um, thickness_um } in &form.rows {
            let Some(thickness_um) = thickness_um else {
                found.unmeasured += 1;
                continue;
            };
            let percent = |share: i64| i64::from(asked_um) * share / 100;
            let height_um = nozzle_um.saturating_sub(thickness_um);
            let is_thin = i64::from(thickness_um) < percent(CLOSEST_PERCENT);
            let is_held = height_um.unsigned_abs() <= MAX_HEIGHT_UM.unsigned_abs().into();
            if is_thin || i64::from(thickness_um) > percent(FARTHEST_PERCENT) || !is_held {
                found.untold.push(Untold { number, thickness_um, is_thin });
                continue;
            }
            found.readings.push(StationReading { at: BedHeight { x_um, y_um, height_um }, spread_um: Some(spread_um) });
            off_um.push(f64::from(asked_um) - f64::from(thickness_um));
        }
        if off_um.is_empty() {
            return Err(PatchError::Nothing { unmeasured: found.unmeasured, untold: found.untold.len() });
        }
        let count = off_um.len() as f64;
        found.shift_um = off_um.iter().sum::<f64>() / count;
        let squares: f64 = off_um.iter().map(|um| (um - found.shift_um).powi(2)).sum();
        let scatter_um = (squares / (count - 1.0).max(1.0)).sqrt();
        found.shift_deviation_um = scatter_um.max(spread_um.into()) / count.sqrt();
        Ok(found)
    }

    /// Refuses a grid that was made with these patches: they would count twice.
    ///
    /// # Errors
    /// [`PatchError::Again`] if all of them are among its readings.
    pub fn are_new_to(&self, document: &GridDocument) -> Result<(), PatchError> {
        let is_held = |reading: &StationReading| {
            document.readings.iter().any(|held| held.spread_um.is_some() && held.at == reading.at)
        };
        if self.readings.iter().all(is_held) { Err(PatchError::Again) } else { Ok(()) }
    }

    /// The patches with the readings that the grid has kept, brought to the height that the patches tell: paper that drags
    /// and plastic that lies need not mean the same gap, but they mean the same shape.
    ///
    /// Readings that tell no surface are left out.
    pub fn with_older(&self, document: &GridDocument, hand: Hand) -> Vec<StationReading> {
        let Ok(estimate) = Estimate::of(document, hand) else { return self.readings.clone() };
        let off_um = |reading: &StationReading| {
            let BedHeight { x_um, y_um, height_um } = reading.at;
            f64::from(height_um) - estimate.at(x_um.into(), y_um.into()).mean_um
        };
        let by_um = self.readings.iter().map(off_um).sum::<f64>() / self.readings.len() as f64;
        // A difference of heights.
        let by_um = by_um.round() as i32;
        let highest = i32::from(MAX_HEIGHT_UM);
        let brought = document.readings.iter().map(|reading| {
            let height_um = (reading.at.height_um + by_um).clamp(-highest, highest);
            StationReading { at: BedHeight { height_um, ..reading.at }, ..*reading }
        });
        self.readings.iter().copied().chain(brought).collect()
    }
}
