//! Straight moves become pieces that follow the corrected surface.

mod crossings;
mod flow;

use core::fmt;

use crate::correction::Correction;
use crate::fixed_point::{between, high_product, low_product, round_q16, scale_q16, wide_product};
use crate::reciprocal::Reciprocal;
use crossings::{Crossings, NEVER};
pub use flow::Flow;

/// Tolerance that suits every usual machine: less than one motor step.
pub const DEFAULT_TOLERANCE_UM: u16 = 2;

/// Largest tolerance that a split accepts.
pub const MAX_TOLERANCE_UM: u16 = 1000;

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
/// It holds the move and is a hundred bytes long, so rather lend it than give it away.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Split<'a, const CAPACITY: usize, const EXTRA: usize> {
    correction: &'a Correction<CAPACITY>,
    motion: Move<EXTRA>,
    x: Crossings,
    y: Crossings,
    /// The two heights where the fade begins and ends.
    z: Crossings,
    /// The end of the last piece, and its fraction of the way; [`NEVER`] when the move is finished.
    here: Point,
    fraction_q32: u32,
    /// The stretch up to the next corner is cut into equal parts: one of them, and how many are still to come.
    part_q32: u32,
    parts_left: u32,
    /// 0 if no stretch bends enough to be cut.
    tolerance_um: u16,
}

impl<'a, const CAPACITY: usize, const EXTRA: usize> Split<'a, CAPACITY, EXTRA> {
    // Not inlined, it writes what it returns to where the caller wants it: that is long.
    #[inline(never)]
    fn new(correction: &'a Correction<CAPACITY>, motion: &Move<EXTRA>, tolerance_um: u16) -> Self {
        let (grid, Move { start, end, .. }) = (correction.grid(), motion);
        let (mut creases_x, mut creases_y, mut z) = (grid.creases_x, grid.creases_y, Crossings::NONE);
        let mut straight = grid.most_bend_um <= most_bend_um(tolerance_um, correction.share_q16(start.z_um));
        if let Some(fade) = correction.fade_in_force() {
            if start.z_um.min(end.z_um) >= fade.zero_above_um() {
                // Above the fade the shape is nowhere felt.
                (creases_x, creases_y) = (0, 0);
            } else if start.z_um != end.z_um && creases_x | creases_y != 0 {
                // A level grid has no shape.
                z = Crossings::new(fade.range(), 0b11, start.z_um, end.z_um);
                straight = false;
            }
        }
        Self {
            correction,
            motion: *motion,
            x: Crossings::new(&grid.x, creases_x, start.x_um, end.x_um),
            y: Crossings::new(&grid.y, creases_y, start.y_um, end.y_um),
            z,
            here: *start,
            fraction_q32: 0,
            part_q32: 0,
            parts_left: 0,
            tolerance_um: if straight { 0 } else { tolerance_um },
        }
    }

    /// Fraction of the way at the next corner of the path; [`NEVER`] if only the end is left.
    #[inline]
    fn corner_q32(&self) -> u32 {
        self.x.next_q32.min(self.y.next_q32).min(self.z.next_q32)
    }

    /// The place at a fraction of the way, at most that of the next corner, and the shape there.
    fn place(&self, fraction_q32: u32) -> (Point, i32) {
        let (grid, Move { start, end, .. }) = (self.correction.grid(), &self.motion);
        let mut at = *end;
        if fraction_q32 != NEVER {
            let on_column = self.x.next_q32 == fraction_q32;
            let on_row = self.y.next_q32 == fraction_q32;
            let along = |start_um, end_um| between(start_um, end_um, fraction_q32);
            at.z_um = along(start.z_um, end.z_um);
            at.x_um = if on_column { grid.x.node_um(self.x.number()) } else { along(start.x_um, end.x_um) };
            at.y_um = if on_row { grid.y.node_um(self.y.number()) } else { along(start.y_um, end.y_um) };
            if on_column {
                return (at, grid.column_shape_q16(self.x.number(), at.y_um));
            }
            if on_row {
                return (at, grid.row_shape_q16(self.y.number(), at.x_um));
            }
        }
        (at, grid.shape_called_q16(at.x_um, at.y_um))
    }

    /// Cuts the stretch up to the next corner into so many parts that none sags by more than the tolerance.
    #[inline(never)]
    fn cut(&mut self) {
        let (grid, begin, corner_q32) = (self.correction.grid(), self.here, self.corner_q32());
        let (end, shape_q16) = self.place(corner_q32);
        let (share0, share1) = (self.correction.share_q16(begin.z_um), self.correction.share_q16(end.z_um));
        let bend_q12 = grid.bend_q16((begin.x_um, begin.y_um), (end.x_um, end.y_um)) >> 4;
        let mut most_q12 = bend_q12.unsigned_abs();
        if share0 & share1 != 65_536 {
            // The share is a line in s, so half of the second derivative, F·K + F′·r′(s), is one as well: it is
            // largest at an end. Every sum is below 2^30.
            let rise_q12 = (shape_q16 >> 4) - (grid.shape_called_q16(begin.x_um, begin.y_um) >> 4);
            let change = |slope: i32| {
                let scaled = scale_q16(slope, share0.abs_diff(share1));
                if share1 < share0 { -scaled } else { scaled }
            };
            let bend0 = scale_q16(bend_q12, share0) + change(rise_q12 - bend_q12);
            let bend1 = scale_q16(bend_q12, share1) + change(rise_q12 + bend_q12);
            most_q12 = bend0.unsigned_abs().max(bend1.unsigned_abs());
        }
        let allowed_q12 = u32::from(most_bend_um(self.tolerance_um, share0.min(share1))) << 12;
        // Parts no shorter than a micrometre.
        let longest_um = end.x_um.abs_diff(begin.x_um).max(end.y_um.abs_diff(begin.y_um));
        // `n` equal parts bend by a part in `n²` each; as long as the product is below 2^30, the next fits 32 bits.
        let mut parts = 1;
        while parts < longest_um && low_product(low_product(parts, parts), allowed_q12) < most_q12 {
            parts += 1;
        }
        self.parts_left = parts;
        let part_q32 = Reciprocal::of(parts).fraction_q32(1);
        self.part_q32 = high_product(corner_q32.wrapping_sub(self.fraction_q32), part_q32);
    }

    /// The piece that ends here; its Z is rounded once, from the height between micrometres.
    #[inline]
    fn piece(&self, shape_q16: i32) -> Piece<EXTRA> {
        let (start_um, end_um) = (self.motion.start.z_um, self.motion.end.z_um);
        let mut z_um = start_um;
        let mut beyond_q16 = scale_q16(shape_q16, self.correction.share_q16(self.here.z_um));
        let mut extra = self.motion.extra_end;
        if self.fraction_q32 == NEVER {
            z_um = end_um;
        } else {
            // Most moves are level.
            if start_um != end_um {
                let risen_q16 = wide_product(start_um.abs_diff(end_um), self.fraction_q32) >> 16;
                let (risen_um, risen_beyond_q16) = ((risen_q16 >> 16) as u32, (risen_q16 & 0xFFFF) as i32);
                if end_um > start_um {
                    z_um = z_um.wrapping_add_unsigned(risen_um);
                    beyond_q16 += risen_beyond_q16;
                } else {
                    z_um = z_um.wrapping_sub_unsigned(risen_um);
                    beyond_q16 -= risen_beyond_q16;
                }
            }
            extra = self.motion.extra_at(self.fraction_q32);
        }
        let z_um = z_um.saturating_add(self.correction.datum_um() + round_q16(beyond_q16));
        Piece { end: Point { z_um, ..self.here }, extra }
    }
}

/// How much a part of the path may bend, as `K` in a parabola `K·s·(1 − s)`, which sags by a quarter of that.
///
/// One micrometre of the tolerance is kept for the rounding of both ends of a piece, and half of the rest for a fading
/// height, which is rounded once more.
#[inline]
fn most_bend_um(tolerance_um: u16, share_q16: u32) -> u16 {
    (tolerance_um - 1) * if share_q16 == 65_536 { 4 } else { 2 }
}

impl<const CAPACITY: usize, const EXTRA: usize> Iterator for Split<'_, CAPACITY, EXTRA> {
    type Item = Piece<EXTRA>;

    fn next(&mut self) -> Option<Self::Item> {
        while self.fraction_q32 != NEVER {
            let mut fraction_q32 = self.corner_q32();
            if self.tolerance_um != 0 {
                if self.parts_left == 0 {
                    self.cut();
                }
                self.parts_left -= 1;
                if self.parts_left > 0 {
                    fraction_q32 = self.fraction_q32.wrapping_add(self.part_q32);
                }
            }
            let (at, shape_q16) = self.place(fraction_q32);
            self.fraction_q32 = fraction_q32;
            // Where a corner is reached, off with it; without any left, nothing happens.
            if self.x.next_q32 == fraction_q32 {
                self.x.take();
            }
            if self.y.next_q32 == fraction_q32 {
                self.y.take();
            }
            if self.z.next_q32 == fraction_q32 {
                self.z.take();
            }
            // Two corners may fall on one micrometre; the end is always said.
            if at != self.here || fraction_q32 == NEVER {
                self.here = at;
                return Some(self.piece(shape_q16));
            }
        }
        None
    }
}

impl<const CAPACITY: usize, const EXTRA: usize> core::iter::FusedIterator for Split<'_, CAPACITY, EXTRA> {}
