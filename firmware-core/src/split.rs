//! Straight moves become pieces that follow the corrected surface.

mod corridor;
mod crossings;
mod flow;
mod walk;

use core::fmt;

use crate::correction::Correction;
use crate::fixed_point::between;
use corridor::Corridor;
use crossings::NEVER;
pub use flow::Flow;
use walk::Walk;

/// Tolerance that suits every usual machine: less than one motor step.
pub const DEFAULT_TOLERANCE_UM: u16 = 2;

/// Largest tolerance that a split accepts.
pub const MAX_TOLERANCE_UM: u16 = 1000;

/// So many places that will not do are passed in search of one behind them that will.
const LOOK_BEYOND: u32 = 3;

/// A place in machine space.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Point {
    /// To the right.
    pub x_um: i32,
    /// To the back.
    pub y_um: i32,
    /// Up.
    pub z_um: i32,
}

/// A straight move at logical height, with any number of further axes (`E` and more) in any unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Move<const EXTRA: usize> {
    /// Where it begins.
    pub start: Point,
    /// Where it ends.
    pub end: Point,
    /// The further axes at the beginning.
    pub extra_start: [i32; EXTRA],
    /// The further axes at the end.
    pub extra_end: [i32; EXTRA],
}

impl<const EXTRA: usize> Move<EXTRA> {
    /// The further axes at a fraction of the way.
    pub(crate) fn extra_at(&self, fraction_q32: u32) -> [i32; EXTRA] {
        let mut extra = self.extra_start;
        for (value, &end) in extra.iter_mut().zip(&self.extra_end) {
            *value = between(*value, end, fraction_q32);
        }
        extra
    }
}

/// The end of one straight part of a split move; it begins where the piece before it ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Piece<const EXTRA: usize> {
    /// Machine position: X and Y as in the move, Z corrected.
    pub end: Point,
    /// The further axes.
    pub extra: [i32; EXTRA],
}

/// Why a move is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
// With a tag of a whole word it is copied by words, not by a call.
#[repr(u32)]
pub enum SplitError {
    /// The tolerance is out of range.
    Tolerance {
        /// Tolerance asked for.
        tolerance_um: u16,
    },
    /// A piece would end below the lowest machine height allowed.
    BelowLowest {
        /// Where that piece would end.
        end: Point,
        /// The lowest height allowed.
        lowest_machine_z_um: i32,
    },
}

impl fmt::Display for SplitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Tolerance { tolerance_um } => {
                write!(f, "a tolerance of {tolerance_um} um: use {DEFAULT_TOLERANCE_UM} to {MAX_TOLERANCE_UM} um")
            }
            Self::BelowLowest { end, lowest_machine_z_um } => write!(
                f,
                "machine Z {} um at X {} Y {} um is below the lowest allowed, {lowest_machine_z_um} um: \
                 raise the bed's screws or the shift",
                end.z_um, end.x_um, end.y_um
            ),
        }
    }
}

impl core::error::Error for SplitError {}

impl<const CAPACITY: usize> Correction<CAPACITY> {
    /// Splits a straight move into pieces.
    ///
    /// The contract, for beds that rise or fall by less than 1 in 10:
    /// - X and Y of every piece end lie within half a micrometre (and 2^-24 of its length) of the move's line, in
    ///   order, and exactly on the line of nodes where the surface has a crease there;
    /// - between piece ends, machine Z stays within `tolerance_um` of the correction's exact value;
    /// - further axes are interpolated from the move's ends, within half a unit and 2^-26 of their change: 8 mm of `E` in
    ///   nanometres are right to 0.62 nm;
    /// - the last piece ends exactly on the move's end, where Z is [`Correction::machine_z_um`];
    /// - no piece but an only one has zero length; a flat grid gives one piece.
    ///
    /// # Errors
    /// [`SplitError::Tolerance`] outside [`DEFAULT_TOLERANCE_UM`] to [`MAX_TOLERANCE_UM`];
    /// [`SplitError::BelowLowest`] before the first piece if any piece would end too low.
    #[inline(never)]
    pub fn split<const EXTRA: usize>(
        &self,
        motion: &Move<EXTRA>,
        tolerance_um: u16,
    ) -> Result<Split<'_, CAPACITY, EXTRA>, SplitError> {
        if !(DEFAULT_TOLERANCE_UM..=MAX_TOLERANCE_UM).contains(&tolerance_um) {
            return Err(SplitError::Tolerance { tolerance_um });
        }
        let lowest_z_um = motion.start.z_um.min(motion.end.z_um);
        // Most moves are so far above it that no place of the bed could be too low.
        if lowest_z_um.saturating_add(self.lowest_correction_um()) < self.lowest_machine_z_um() {
            return self.split_if_high_enough(motion, tolerance_um);
        }
        Ok(Split::new(self, motion, tolerance_um))
    }

    /// The same where a piece may end below the lowest height.
    #[cold]
    #[inline(never)]
    fn split_if_high_enough<const EXTRA: usize>(
        &self,
        motion: &Move<EXTRA>,
        tolerance_um: u16,
    ) -> Result<Split<'_, CAPACITY, EXTRA>, SplitError> {
        let lowest_machine_z_um = self.lowest_machine_z_um();
        for Piece { end: Point { x_um, y_um, z_um }, .. } in &mut Split::new(self, motion, tolerance_um) {
            if z_um < lowest_machine_z_um {
                return Err(SplitError::BelowLowest { end: Point { x_um, y_um, z_um }, lowest_machine_z_um });
            }
        }
        Ok(Split::new(self, motion, tolerance_um))
    }
}

/// The pieces of a split move; see [`Correction::split`].
///
/// It holds the move and is some two hundred bytes long, so rather lend it than give it away.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Split<'a, const CAPACITY: usize, const EXTRA: usize> {
    correction: &'a Correction<CAPACITY>,
    motion: Move<EXTRA>,
    /// The end of the last piece, or the next place behind it.
    ahead: Walk,
    /// The end of the last piece, its fraction of the way, and the rounded shape there; [`NEVER`] when the move is finished.
    here: Point,
    fraction_q32: u32,
    shape_q12: i32,
    tolerance_um: u16,
}

impl<'a, const CAPACITY: usize, const EXTRA: usize> Split<'a, CAPACITY, EXTRA> {
    // Not inlined, it writes what it returns to where the caller wants it: that is long.
    #[inline(never)]
    fn new(correction: &'a Correction<CAPACITY>, motion: &Move<EXTRA>, tolerance_um: u16) -> Self {
        let path = walk::Path { correction, start: motion.start, end: motion.end };
        let mut ahead = Walk::new(&path, tolerance_um);
        let shape_q12 = ahead.shape_q12(&path);
        Self { correction, motion: *motion, ahead, here: motion.start, fraction_q32: 0, shape_q12, tolerance_um }
    }

    fn path(&self) -> walk::Path<'a, CAPACITY> {
        walk::Path { correction: self.correction, start: self.motion.start, end: self.motion.end }
    }
}

impl<const CAPACITY: usize, const EXTRA: usize> Iterator for Split<'_, CAPACITY, EXTRA> {
    type Item = Piece<EXTRA>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.fraction_q32 == NEVER {
            return None;
        }
        let path = self.path();
        let mut corridor = Corridor::new(self.fraction_q32, self.shape_q12, self.tolerance_um, path.fading_error_q12());
        if self.ahead.fraction_q32 == self.fraction_q32 {
            self.ahead.go_on(&path);
        }
        // The furthest end that will do, how many places it lies beyond the first, and how many the walk has come to.
        let first = self.ahead.clone();
        let (mut end, mut is_apart, mut end_number, mut number) = (None, false, 0_u32, 0_u32);
        loop {
            let is_last = self.ahead.fraction_q32 == NEVER;
            let is_far = is_last || self.ahead.is_apart(self.here, self.motion.end);
            if (is_far || !is_apart)
                && let Some((z_um, shape_q12)) = corridor.admits(&self.ahead, &path)
            {
                let at = Point { z_um, ..self.ahead.here };
                let found = (at, self.ahead.here, self.ahead.fraction_q32, shape_q12);
                (end, is_apart, end_number) = (Some(found), is_far, number);
            }
            if is_last || number.wrapping_sub(end_number) >= LOOK_BEYOND || !corridor.narrow(&self.ahead) {
                break;
            }
            self.ahead.go_on(&path);
            number = number.wrapping_add(1);
        }
        let (at, here, fraction_q32, shape_q12) = end?;
        // One place too far is where the next piece begins to look.
        if number.wrapping_sub(end_number) > 1 {
            self.ahead = first;
            for _ in 0..end_number {
                self.ahead.go_on(&path);
            }
        }
        (self.here, self.fraction_q32, self.shape_q12) = (here, fraction_q32, shape_q12);
        let extra = if fraction_q32 == NEVER { self.motion.extra_end } else { self.motion.extra_at(fraction_q32) };
        Some(Piece { end: at, extra })
    }
}

impl<const CAPACITY: usize, const EXTRA: usize> core::iter::FusedIterator for Split<'_, CAPACITY, EXTRA> {}
