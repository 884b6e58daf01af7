//! What turned screws have done to the bed: a plane, and a twist on four or more screws.

use crate::fixed_point::hold_i32;

use super::error::TramError;
use super::plane::{BedHeight, BedPlane, round};
use super::residual::Residual;
use super::twist::Twist;

/// The change of a bed by its screws, from how far places have risen.
pub(crate) struct ScrewChange {
    plane: BedPlane,
    twist: Option<Twist>,
    residual: Residual,
}

impl ScrewChange {
    /// Least squares through the rises; `is_twisted` where four or more screws hold the plate.
    // Never inlined, here and below: sums of 64 bits stand on the stack, and callers shall not carry them as well.
    #[inline(never)]
    pub(crate) fn fit(rises: impl Iterator<Item = BedHeight> + Clone, is_twisted: bool) -> Result<Self, TramError> {
        let plane = BedPlane::fit(rises.clone())?;
        let twist = if is_twisted { Self::twist(rises.clone(), &plane) } else { None };
        let residual = Residual::of(rises, &plane, twist.as_ref());
        Ok(Self { plane, twist, residual })
    }

    #[inline(never)]
    fn twist(rises: impl Iterator<Item = BedHeight> + Clone, plane: &BedPlane) -> Option<Twist> {
        let places = rises.clone().map(|rise| (rise.x_um, rise.y_um));
        Twist::fit(rises, plane, places)
    }

    /// How far the bed has risen at a place, rounded once.
    #[inline(never)]
    pub(crate) fn height_um(&self, x_um: i32, y_um: i32) -> i32 {
        let twist = self.twist.as_ref().map_or(0, |twist| twist.height_fine(x_um, y_um));
        hold_i32(round(self.plane.height_fine(x_um, y_um).saturating_add(twist)))
    }

    /// What no screw can have done.
    pub(crate) fn residual(&self) -> Residual {
        self.residual
    }
}
