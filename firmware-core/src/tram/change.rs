//! What turned screws have done to the bed: a plane, and a twist on four or more screws; and how its bow has changed.

use crate::fixed_point::hold_i32;

use super::error::TramError;
use super::plane::{BedHeight, BedPlane, FRACTION_BITS, round};
use super::residual::Residual;
use super::scatter::multiply_divide;
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
    pub(crate) fn fit(rises: &[BedHeight], is_twisted: bool) -> Result<Self, TramError> {
        let plane = BedPlane::fit(rises.iter().copied())?;
        let twist = if is_twisted { Self::twist(rises, &plane) } else { None };
        let residual = Residual::of(rises.iter().copied(), &plane, twist.as_ref());
        Ok(Self { plane, twist, residual })
    }

    #[inline(never)]
    fn twist(rises: &[BedHeight], plane: &BedPlane) -> Option<Twist> {
        Twist::fit(rises.iter().copied(), plane, rises.iter().map(|rise| (rise.x_um, rise.y_um)))
    }

    /// How far the bed has risen at a place, with [`FRACTION_BITS`].
    #[inline(never)]
    fn height_fine(&self, x_um: i32, y_um: i32) -> i64 {
        let twist = self.twist.as_ref().map_or(0, |twist| twist.height_fine(x_um, y_um));
        self.plane.height_fine(x_um, y_um).saturating_add(twist)
    }

    /// What of a rise no screw has done, with [`FRACTION_BITS`].
    fn rest_fine(&self, rise: BedHeight) -> i64 {
        (i64::from(rise.height_um) << FRACTION_BITS).saturating_sub(self.height_fine(rise.x_um, rise.y_um))
    }

    /// What no screw can have done.
    pub(crate) fn residual(&self) -> Residual {
        self.residual
    }
}

/// The change by the screws, and the bow that the rises have besides.
pub(crate) struct PlateChange<'a> {
    screws: &'a ScrewChange,
    /// Plane and twist of a bow.
    bow: ScrewChange,
    /// Sum of products of what no screw has done and a bow without its plane and twist; below 2^55.
    along: i64,
    /// Sum of squares of that bow; below 2^55.
    squares: u64,
}

impl<'a> PlateChange<'a> {
    /// Least squares in two steps (Frisch and Waugh's theorem, as for the [`Twist`]). `bows` has a bow of any size at the places
    /// of the rises, in their order.
    #[inline(never)]
    pub(crate) fn fit(screws: &'a ScrewChange, rises: &[BedHeight], bows: &[BedHeight]) -> Result<Self, TramError> {
        let bow = ScrewChange::fit(bows, screws.twist.is_some())?;
        let (mut along, mut squares) = (0_i64, 0_u64);
        for (&rise, &own) in rises.iter().zip(bows) {
            // Heights are within 14 bits and those of a plane through them too: 27 bits with the fraction, at most nine times.
            let own_fine = bow.rest_fine(own);
            along = along.saturating_add(own_fine.saturating_mul(screws.rest_fine(rise)));
            squares = squares.saturating_add(own_fine.unsigned_abs().saturating_pow(2));
        }
        Ok(Self { screws, bow, along, squares })
    }

    /// How far the bed has risen at a place where the bow has this height, rounded once: by the screws, and by
    /// half of the bow
    /// that the rises have besides.
    #[inline(never)]
    pub(crate) fn height_um(&self, bow: BedHeight) -> i32 {
        let share = multiply_divide(self.bow.rest_fine(bow), self.along, self.squares.saturating_mul(2)).unwrap_or(0);
        hold_i32(round(self.screws.height_fine(bow.x_um, bow.y_um).saturating_add(share)))
    }
}
