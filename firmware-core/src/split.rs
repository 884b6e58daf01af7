//! Straight moves become pieces that follow the corrected surface.

use core::fmt;
use core::num::NonZeroU32;

use crate::axis::Axis;
use crate::correction::Correction;
use crate::fixed_point::{between, fraction_q32, hold_i32, part_q16, round_q16, scale_q16};

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
    /// - X and Y of every piece end lie within half a micrometre of the move's line, in order, and exactly on the
    ///   line of nodes where the surface has a crease there;
    /// - between piece ends, machine Z stays within `tolerance_um` of the correction's exact value;
    /// - further axes are interpolated from the move's ends, rounded to the nearest unit;
    /// - the last piece ends exactly on the move's end, where Z is [`Correction::machine_z_um`];
    /// - no piece but an only one has zero length; a flat grid gives one piece.
    ///
    /// # Errors
    /// [`SplitError::Tolerance`] outside [`DEFAULT_TOLERANCE_UM`] to [`MAX_TOLERANCE_UM`];
    /// [`SplitError::BelowLowest`] before the first piece if any piece would end too low.
    pub fn split<const EXTRA: usize>(
        &self,
        motion: &Move<EXTRA>,
        tolerance_um: u16,
    ) -> Result<Split<'_, CAPACITY, EXTRA>, SplitError> {
        if !(DEFAULT_TOLERANCE_UM..=MAX_TOLERANCE_UM).contains(&tolerance_um) {
            return Err(SplitError::Tolerance { tolerance_um });
        }
        let split = Split::new(self, *motion, tolerance_um);
        let lowest_machine_z_um = self.lowest_machine_z_um();
        if lowest_machine_z_um > i32::MIN
            && let Some(piece) = split.clone().find(|piece| piece.end.z_um < lowest_machine_z_um)
        {
            return Err(SplitError::BelowLowest { end: piece.end, lowest_machine_z_um });
        }
        Ok(split)
    }
}

/// The next crossing of node lines along one axis.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Crossings {
    /// Line to look at next; beyond either end of the axis when there is none.
    index: i32,
    upwards: bool,
    /// Fraction of the way at the next crossing.
    next_q32: Option<u32>,
}

impl Crossings {
    fn new(axis: &Axis, creases: u16, start_um: i32, end_um: i32) -> Self {
        let upwards = end_um > start_um;
        let index = if creases == 0 || start_um == end_um {
            -1
        } else if upwards {
            axis.first_above(start_um)
        } else {
            axis.first_below(start_um)
        };
        let mut crossings = Self { index, upwards, next_q32: None };
        crossings.advance(axis, creases, start_um, end_um);
        crossings
    }

    /// Finds the next crossing strictly before the end.
    fn advance(&mut self, axis: &Axis, creases: u16, start_um: i32, end_um: i32) {
        self.next_q32 = None;
        while (0..i32::from(axis.nodes())).contains(&self.index) {
            // Not negative, as the loop's condition says.
            let index = self.index as u32;
            let line_um = axis.node_um(index);
            if if self.upwards { line_um >= end_um } else { line_um <= end_um } {
                return;
            }
            self.index += if self.upwards { 1 } else { -1 };
            if creases >> index & 1 != 0 {
                self.next_q32 = Some(fraction_q32(line_um.abs_diff(start_um), end_um.abs_diff(start_um)));
                return;
            }
        }
    }
}

/// The pieces of a split move; see [`Correction::split`].
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Split<'a, const CAPACITY: usize, const EXTRA: usize> {
    correction: &'a Correction<CAPACITY>,
    motion: Move<EXTRA>,
    /// Largest sag of the path below a piece's chord, with 12 fractional bits.
    sag_q12: u32,
    x: Crossings,
    y: Crossings,
    /// Fractions of the way where the fade begins and ends, in the order in which they are met.
    fade_q32: [Option<u32>; 2],
    /// Fraction of the way reached, and the shape there.
    fraction_q32: u32,
    shape_q16: i32,
    here: Point,
    /// The stretch without corners that is being cut into equal parts: its end (`None`: the end of the move), ...
    stretch_end_q32: Option<u32>,
    /// ... one part of it, ...
    part_q32: u32,
    /// ... and how many parts are still to come.
    parts_left: u32,
    finished: bool,
}

impl<'a, const CAPACITY: usize, const EXTRA: usize> Split<'a, CAPACITY, EXTRA> {
    fn new(correction: &'a Correction<CAPACITY>, motion: Move<EXTRA>, tolerance_um: u16) -> Self {
        let grid = correction.grid();
        let Move { start, end, .. } = motion;
        // Above the fade the shape is nowhere felt, and a level grid has none.
        let uncorrected = correction.share_q16(start.z_um) == 0 && correction.share_q16(end.z_um) == 0;
        let (creases_x, creases_y) = if uncorrected { (0, 0) } else { (grid.creases_x, grid.creases_y) };
        let mut fade_q32 = [None; 2];
        if let Some(fade) = correction.fade().filter(|_| creases_x | creases_y != 0) {
            let along = |z_um: i32| {
                let inside = (z_um > start.z_um && z_um < end.z_um) || (z_um < start.z_um && z_um > end.z_um);
                inside.then(|| fraction_q32(z_um.abs_diff(start.z_um), end.z_um.abs_diff(start.z_um)))
            };
            fade_q32 = [along(fade.full_below_um()), along(fade.zero_above_um())];
            if end.z_um < start.z_um {
                fade_q32.swap(0, 1);
            }
        }
        Self {
            correction,
            motion,
            // One micrometre is kept for the rounding of both ends of a piece.
            sag_q12: u32::from(tolerance_um - 1) << 12,
            x: Crossings::new(&grid.x, creases_x, start.x_um, end.x_um),
            y: Crossings::new(&grid.y, creases_y, start.y_um, end.y_um),
            fade_q32,
            fraction_q32: 0,
            shape_q16: grid.shape_q16(start.x_um, start.y_um),
            here: start,
            stretch_end_q32: None,
            part_q32: 0,
            parts_left: 0,
            finished: false,
        }
    }

    fn point_at(&self, fraction_q32: u32) -> Point {
        let Move { start, end, .. } = &self.motion;
        Point {
            x_um: between(start.x_um, end.x_um, fraction_q32),
            y_um: between(start.y_um, end.y_um, fraction_q32),
            z_um: between(start.z_um, end.z_um, fraction_q32),
        }
    }

    /// Takes the next corner of the path off the lists; `None`: there is none before the end.
    fn next_corner(&mut self) -> Option<u32> {
        let Move { start, end, .. } = &self.motion;
        let grid = self.correction.grid();
        let mut corner_q32 = None;
        for candidate in [self.x.next_q32, self.y.next_q32, self.fade_q32[0], self.fade_q32[1]] {
            if let Some(fraction_q32) = candidate
                && corner_q32.is_none_or(|nearest_q32| fraction_q32 < nearest_q32)
            {
                corner_q32 = Some(fraction_q32);
            }
        }
        let corner_q32 = corner_q32?;
        if self.x.next_q32 == Some(corner_q32) {
            self.x.advance(&grid.x, grid.creases_x, start.x_um, end.x_um);
        }
        if self.y.next_q32 == Some(corner_q32) {
            self.y.advance(&grid.y, grid.creases_y, start.y_um, end.y_um);
        }
        for fade_q32 in &mut self.fade_q32 {
            fade_q32.take_if(|fade_q32| *fade_q32 == corner_q32);
        }
        Some(corner_q32)
    }

    /// Takes the stretch up to the next corner and decides into how many parts its curvature asks to cut it.
    fn enter_stretch(&mut self) {
        let grid = self.correction.grid();
        let (begin_q32, begin, begin_shape_q16) = (self.fraction_q32, self.here, self.shape_q16);
        loop {
            self.stretch_end_q32 = self.next_corner();
            self.here = self.stretch_end_q32.map_or(self.motion.end, |fraction_q32| self.point_at(fraction_q32));
            // Two corners may fall on one micrometre; the end is always said.
            if self.here != begin || self.stretch_end_q32.is_none() {
                break;
            }
        }
        self.shape_q16 = grid.shape_q16(self.here.x_um, self.here.y_um);
        let length_q32 = self.stretch_end_q32.unwrap_or(u32::MAX).wrapping_sub(begin_q32);
        let Move { start, end, .. } = &self.motion;
        let middle_q32 = begin_q32.wrapping_add(length_q32 / 2);
        let middle_shape_q16 =
            grid.shape_q16(between(start.x_um, end.x_um, middle_q32), between(start.y_um, end.y_um, middle_q32));
        // The shape is a parabola here, r(s) = r0 + (r1 − r0)·s − K·s·(1 − s), and so twice the sum of its ends
        // less four times its middle is K. Every term is below 2^29 with 12 fractional bits.
        let (r0, r1) = (begin_shape_q16 >> 4, self.shape_q16 >> 4);
        let k = 2 * (r0 + r1) - 4 * (middle_shape_q16 >> 4);
        let (share0, share1) = (self.correction.share_q16(begin.z_um), self.correction.share_q16(self.here.z_um));
        let (bend_q12, sag_q12) = if share0 == 65_536 && share1 == 65_536 {
            (k.unsigned_abs().saturating_mul(2), self.sag_q12)
        } else {
            // The share is a line in s, so the second derivative, F·2K + 2·F′·r′(s), is one as well: it is largest at
            // an end. A fading height is rounded once more, so half of the sag is kept for that.
            let change = |slope: i32| {
                let scaled = scale_q16(slope, share0.abs_diff(share1));
                if share1 < share0 { -scaled } else { scaled }
            };
            let bend0 = scale_q16(k, share0).saturating_add(change(r1 - r0 - k));
            let bend1 = scale_q16(k, share1).saturating_add(change(r1 - r0 + k));
            (bend0.unsigned_abs().max(bend1.unsigned_abs()).saturating_mul(2), self.sag_q12 / 2)
        };
        // Parts no shorter than a micrometre.
        let longest_um = self.here.x_um.abs_diff(begin.x_um).max(self.here.y_um.abs_diff(begin.y_um));
        let mut parts = NonZeroU32::MIN;
        while parts.get() < longest_um && parts.get().saturating_mul(parts.get()).saturating_mul(8 * sag_q12) < bend_q12
        {
            parts = parts.saturating_add(1);
        }
        self.part_q32 = length_q32 / parts;
        self.parts_left = parts.get();
    }

    /// The piece that ends at a fraction of the way; its Z is rounded once, from the height between micrometres.
    fn piece(&self, fraction_q32: u32, at: Point, shape_q16: i32) -> Piece<EXTRA> {
        let (start_um, end_um) = (self.motion.start.z_um, self.motion.end.z_um);
        let risen_q16 = part_q16(start_um.abs_diff(end_um), fraction_q32) as i64;
        let z_q16 = (i64::from(start_um) << 16) + if end_um < start_um { -risen_q16 } else { risen_q16 };
        let offset_q16 = scale_q16(shape_q16, self.correction.share_q16(at.z_um));
        let machine_q16 = z_q16 + (i64::from(self.correction.datum_um()) << 16) + i64::from(offset_q16);
        let machine_z_um = hold_i32((machine_q16 + 0x8000) >> 16);
        Piece { end: Point { z_um: machine_z_um, ..at }, extra: self.motion.extra_at(fraction_q32) }
    }
}

impl<const CAPACITY: usize, const EXTRA: usize> Iterator for Split<'_, CAPACITY, EXTRA> {
    type Item = Piece<EXTRA>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.finished {
            return None;
        }
        if self.parts_left == 0 {
            self.enter_stretch();
        }
        self.parts_left -= 1;
        if self.parts_left > 0 {
            self.fraction_q32 = self.fraction_q32.wrapping_add(self.part_q32);
            let at = self.point_at(self.fraction_q32);
            let shape_q16 = self.correction.grid().shape_q16(at.x_um, at.y_um);
            return Some(self.piece(self.fraction_q32, at, shape_q16));
        }
        if let Some(fraction_q32) = self.stretch_end_q32 {
            self.fraction_q32 = fraction_q32;
            return Some(self.piece(fraction_q32, self.here, self.shape_q16));
        }
        self.finished = true;
        let end = self.motion.end;
        let offset_um = round_q16(scale_q16(self.shape_q16, self.correction.share_q16(end.z_um)));
        let z_um = end.z_um.saturating_add(self.correction.datum_um() + offset_um);
        Some(Piece { end: Point { z_um, ..end }, extra: self.motion.extra_end })
    }
}

impl<const CAPACITY: usize, const EXTRA: usize> core::iter::FusedIterator for Split<'_, CAPACITY, EXTRA> {}
