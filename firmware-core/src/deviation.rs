//! One reading against what all others predict.

/// One reading against a surface through all that is linear in them.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Deviation {
    /// Reading less surface, with 8 fractional bits.
    residual_q8: i64,
    /// 1 less the leverage, with 16 fractional bits: above 0.
    free_q16: i64,
}

impl Deviation {
    /// From the residual, and from 1 less the leverage (above 0).
    pub(crate) fn new(residual_q8: i64, free_q16: i64) -> Self {
        Self { residual_q8, free_q16 }
    }

    /// Reading less surface, with 8 fractional bits.
    pub(crate) fn residual_q8(self) -> i64 {
        self.residual_q8
    }

    /// Reading less what all others predict.
    ///
    /// With the residual `r` of the fit through all readings and the leverage `h` of one of them, the fit without it
    /// misses it by `r / (1 − h)` (the leave-one-out identity of linear least squares).
    pub fn off_um(self) -> i32 {
        // At most a few times the largest reading over a fiftieth.
        (self.residual_q8 * 256).checked_div(self.free_q16).unwrap_or(0) as i32
    }

    /// Grows with how far a reading stands out of what its place lets through: the largest is the likeliest slip.
    ///
    /// The square of the studentised residual, `r² / (1 − h)`.
    pub fn rank(self) -> i64 {
        (self.residual_q8 * self.residual_q8).checked_div(self.free_q16).unwrap_or(0)
    }
}
