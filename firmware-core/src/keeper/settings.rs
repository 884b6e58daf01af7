//! What a keeper needs to know of the machine.

use core::fmt;

use crate::bank::TemperatureWindows;
use crate::fade::Fade;

/// When a stored grid comes into force.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum GridReturn {
    /// By itself after homing: old job files need no change.
    #[default]
    AfterHoming,
    /// When the job or a person asks for it, by [`Keeper::put_stored_in_force`](super::Keeper::put_stored_in_force).
    WhenAsked,
}

/// What a keeper needs to know of the machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct KeeperSettings {
    /// When a stored grid comes into force.
    pub grid_return: GridReturn,
    /// How far a grid may be from the bed's temperature.
    pub windows: TemperatureWindows,
    /// How far a piece may be off the corrected path.
    pub tolerance_um: u16,
    /// No piece of a corrected move ends below this machine height.
    pub lowest_machine_z_um: i32,
    /// One step of [`Keeper::shift_by`](super::Keeper::shift_by).
    pub shift_step_um: u16,
    /// Where new grids fade out.
    pub fade: Option<Fade>,
}

impl Default for KeeperSettings {
    fn default() -> Self {
        Self {
            grid_return: GridReturn::default(),
            windows: TemperatureWindows::default(),
            tolerance_um: crate::split::DEFAULT_TOLERANCE_UM,
            lowest_machine_z_um: i32::MIN,
            shift_step_um: 10,
            fade: None,
        }
    }
}

impl KeeperSettings {
    pub(super) fn check(&self) -> Result<(), SettingsError> {
        if self.tolerance_um == 0 {
            Err(SettingsError::Tolerance)
        } else if self.shift_step_um == 0 {
            Err(SettingsError::ShiftStep)
        } else {
            Ok(())
        }
    }
}

/// Why a keeper could not keep to its settings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum SettingsError {
    /// No move could be split to a tolerance of nothing.
    Tolerance,
    /// A step of the shift would shift nothing.
    ShiftStep,
}

impl fmt::Display for SettingsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Tolerance => write!(f, "a tolerance of 0 um: set 1 um or more"),
            Self::ShiftStep => write!(f, "a shift step of 0 um: set 1 um or more"),
        }
    }
}

impl core::error::Error for SettingsError {}
