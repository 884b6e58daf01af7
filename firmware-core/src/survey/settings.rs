//! What a survey needs to know besides its stations.

use core::fmt;

use crate::grid::MAX_HEIGHT_UM;
use crate::record::BED_TEMPERATURE_RANGE_C;

/// What a survey needs to know besides its stations. Heights are machine heights.
///
/// # How high the nozzle stays
/// No reading says how high the bed is anywhere else, so nothing but `start_um` keeps the nozzle off it: whatever has
/// been read, and however wrongly, the nozzle waits at the higher of `start_um` and the highest reading plus
/// `clearance_um`, and travels `lift_um` above that. If screws may be turned by more, let `start_um` hold after that
/// too. A bed that the survey itself wants raised may have come up by `headroom_um`, and `start_um` with it.
///
/// # How far a detent moves
/// From `start_um` down to the bed is a long way in fine steps. Once there is a reading, a detent downwards moves
/// `coarse_um` until the nozzle is `clearance_um` above the highest one, where it stops; from there on, and in any case
/// once the knob was turned back up at that visit, a detent moves `detent_um`. Upwards it always does.
///
/// A coarse step is at most as thick as the feeler: somebody who feels nothing before it cannot meet the bed with it.
///
/// # What is refused
/// [`Self::check`] says so when a survey is made, not when a setting bites.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SurveySettings {
    /// Bed temperature at which the grid shall hold.
    pub bed_temperature_c: i16,
    /// Nozzle temperature while measuring; a hot nozzle is longer.
    pub nozzle_temperature_c: i16,
    /// How far either may be off.
    pub temperature_window_c: u8,
    /// How long both must have been right before the first reading.
    pub soak_s: u16,
    /// Thickness of the paper or blade in the gap.
    pub feeler_um: u16,
    /// One detent of the knob.
    pub detent_um: u16,
    /// One detent downwards where no bed is expected yet; held to the feeler, see below. 0: always `detent_um`.
    pub coarse_um: u16,
    /// Surely above the bed everywhere, by more than the feeler is thick; the nozzle never waits lower.
    pub start_um: i32,
    /// The bed is expected from this much above the highest reading so far on downwards; the nozzle never waits lower.
    pub clearance_um: u16,
    /// Further height for travelling, and the highest that the knob goes above where the nozzle waits.
    pub lift_um: u16,
    /// No order goes below this.
    pub lowest_um: i32,
    /// Change at the first station that is still no reason to doubt the round.
    pub closure_limit_um: u16,
    /// A reading farther than this from what all others predict is offered for one more look.
    pub outlier_limit_um: u16,
    /// How far the bed must be raised when the limit switch was in the way.
    pub headroom_um: u16,
    /// A corner round ends once the heights of its stations lie within this of each other.
    pub corner_limit_um: u16,
}

impl Default for SurveySettings {
    /// Cold, with office paper (100 µm; rows U-1 to U-3), a knob of 10 µm and careful limits.
    ///
    /// A bed that has been trammed, or nearly so, stays well below 2 mm above the zero (common practice, no source). Four
    /// corners within 0.1 mm are what a careful hand reaches by turning the screws once (figures in the guide), and the
    /// correction takes the rest.
    fn default() -> Self {
        Self {
            bed_temperature_c: 20,
            nozzle_temperature_c: 20,
            temperature_window_c: 3,
            soak_s: 300,
            feeler_um: 100,
            detent_um: 10,
            coarse_um: 50,
            start_um: 2000,
            clearance_um: 300,
            lift_um: 2000,
            lowest_um: -1000,
            closure_limit_um: 40,
            outlier_limit_um: 150,
            headroom_um: 500,
            corner_limit_um: 100,
        }
    }
}

impl SurveySettings {
    /// Whether a survey could keep to these settings.
    ///
    /// # Errors
    /// The first setting that it could not.
    pub fn check(&self) -> Result<(), SurveySettingsError> {
        let (lowest_c, highest_c) = BED_TEMPERATURE_RANGE_C;
        let start_um = self.start_um;
        // The reading of a station at which the nozzle waits would have to fit a grid, and there must be a way down.
        let lowest_um = self.lowest_um.max(-i32::from(MAX_HEIGHT_UM));
        if self.bed_temperature_c < lowest_c || self.bed_temperature_c > highest_c {
            Err(SurveySettingsError::BedTemperature { bed_temperature_c: self.bed_temperature_c })
        } else if self.detent_um == 0 {
            Err(SurveySettingsError::Detent)
        } else if start_um > MAX_HEIGHT_UM.into() || start_um <= lowest_um.saturating_add(self.feeler_um.into()) {
            Err(SurveySettingsError::Start { start_um, lowest_um })
        } else if self.headroom_um == 0 {
            Err(SurveySettingsError::Headroom)
        } else {
            Ok(())
        }
    }
}

/// Why a survey could not keep to its settings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum SurveySettingsError {
    /// A bed temperature that no grid can be kept for.
    BedTemperature {
        /// The temperature.
        bed_temperature_c: i16,
    },
    /// A detent of the knob would move nothing.
    Detent,
    /// The start height is not above the lowest by more than the feeler, or no height that a grid can hold.
    Start {
        /// The start height.
        start_um: i32,
        /// The lowest height.
        lowest_um: i32,
    },
    /// A bed that is in the way would be raised by nothing.
    Headroom,
}

impl fmt::Display for SurveySettingsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::BedTemperature { bed_temperature_c } => {
                let (lowest_c, highest_c) = BED_TEMPERATURE_RANGE_C;
                write!(f, "bed at {bed_temperature_c} C: set {lowest_c} to {highest_c} C")
            }
            Self::Detent => write!(f, "a detent of 0 um moves nothing: set 1 um or more"),
            Self::Start { start_um, lowest_um } => {
                write!(
                    f,
                    "start height {start_um} um: set it above the lowest height ({lowest_um} um) and the feeler, \
                     {MAX_HEIGHT_UM} um at the most"
                )
            }
            Self::Headroom => {
                write!(f, "a headroom of 0 um: say how far the bed is raised if the switch is in the way")
            }
        }
    }
}

impl core::error::Error for SurveySettingsError {}
