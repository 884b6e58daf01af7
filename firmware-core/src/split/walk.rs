//! Along a move, from one place where a piece might end to the next.

use super::Point;
use super::crossings::{Crossings, NEVER};
use crate::correction::Correction;
use crate::fixed_point::{between, high_product, low_product, round_q16, scale_q16, wide_product};
use crate::reciprocal::Reciprocal;

/// No piece is shorter than this along its longer axis, unless the move is or the bed is too steep for it.
const SHORTEST_UM: u32 = 20;

/// A straight way over a corrected surface.
pub(super) struct Path<'a, const CAPACITY: usize> {
    pub(super) correction: &'a Correction<CAPACITY>,
    pub(super) start: Point,
    pub(super) end: Point,
}

impl<const CAPACITY: usize> Path<'_, CAPACITY> {
    /// What a fading shape may be off by on this way.
    pub(super) fn fading_error_q12(&self) -> u16 {
        let highest_um = self.start.z_um.max(self.end.z_um);
        if self.correction.share_q16(highest_um) == 65_536 { 0 } else { self.correction.fading_error_q12() }
    }
}

/// A place on the way, and the corners still to come.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Walk {
    x: Crossings,
    y: Crossings,
    /// The two heights where the fade begins and ends.
    z: Crossings,
    /// The place, logical.
    pub(super) here: Point,
    pub(super) fraction_q32: u32,
    /// The shape there as it is corrected.
    shape_q16: i32,
    /// The stretch up to the next corner is cut into equal parts: one of them, and how many are still to come.
    part_q32: u32,
    parts_left: u32,
    /// What one of these parts sags by.
    pub(super) sag_q12: u32,
    /// So many parts, from wherever one begins, sag by no more than a piece may.
    pub(super) parts_at_once: u8,
    /// By how much the whole way would bend in one cell, at the most; all of it if the fade bends it too.
    most_bend_q12: u32,
    /// 0 if no stretch bends enough to be cut.
    tolerance_um: u16,
}

impl Walk {
    /// At the beginning.
    pub(super) fn new<const CAPACITY: usize>(path: &Path<'_, CAPACITY>, tolerance_um: u16) -> Self {
        let (correction, start, end) = (path.correction, path.start, path.end);
        let grid = correction.grid();
        let (mut creases_x, mut creases_y, mut z) = (grid.creases_x, grid.creases_y, Crossings::NONE);
        // Where no stretch bends by more than a quarter of what is allowed, none is cut, nor looked at for that.
        let allowed_um = most_bend_um(tolerance_um, correction.share_q16(start.z_um));
        let (mut straight, mut bend_um) = (grid.most_bend_um <= allowed_um / 4, grid.most_bend_um);
        if let Some(fade) = correction.fade_in_force() {
            if start.z_um.min(end.z_um) >= fade.zero_above_um() {
                // Above the fade the shape is nowhere felt.
                (creases_x, creases_y, straight, bend_um) = (0, 0, true, 0);
            } else if start.z_um != end.z_um && creases_x | creases_y != 0 {
                // A level grid has no shape.
                z = Crossings::new(fade.range(), 0b11, start.z_um, end.z_um);
                straight = false;
            }
        }
        let most_bend_q12 = if straight { 0 } else { most_of_way_q12(path) };
        Self {
            x: Crossings::new(&grid.x, creases_x, start.x_um, end.x_um),
            y: Crossings::new(&grid.y, creases_y, start.y_um, end.y_um),
            z,
            here: start,
            fraction_q32: 0,
            shape_q16: 0,
            part_q32: 0,
            parts_left: 0,
            sag_q12: u32::from(bend_um) << 10,
            parts_at_once: 1,
            most_bend_q12,
            tolerance_um: if straight { 0 } else { tolerance_um },
        }
    }

    /// The rounded shape at the beginning of the move.
    pub(super) fn shape_q12<const CAPACITY: usize>(&mut self, path: &Path<'_, CAPACITY>) -> i32 {
        let shape_q16 = path.correction.grid().shape_called_q16(self.here.x_um, self.here.y_um);
        self.shape_q16 = scale_q16(shape_q16, path.correction.share_q16(self.here.z_um));
        self.rounded(path).1
    }

    /// Whether the stretch goes on behind this place.
    pub(super) fn is_within(&self) -> bool {
        self.parts_left > 0
    }

    /// What the shape comes to here, as it is corrected.
    pub(super) fn corrected_q12(&self) -> i32 {
        self.shape_q16 >> 4
    }

    /// Whether this place is far enough from both for a piece to end.
    pub(super) fn is_apart(&self, from: Point, to: Point) -> bool {
        let apart =
            |other: Point| self.here.x_um.abs_diff(other.x_um).max(self.here.y_um.abs_diff(other.y_um)) >= SHORTEST_UM;
        apart(from) && apart(to)
    }

    /// Machine height of this place, rounded once, and what the shape would have to be for that.
    pub(super) fn rounded<const CAPACITY: usize>(&self, path: &Path<'_, CAPACITY>) -> (i32, i32) {
        let (start_um, end_um) = (path.start.z_um, path.end.z_um);
        let (mut z_um, mut beyond_q16) = (start_um, self.shape_q16);
        if self.fraction_q32 == NEVER {
            z_um = end_um;
        } else if start_um != end_um {
            // Most moves are level.
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
        let rounded_um = round_q16(beyond_q16);
        let off_q12 = (rounded_um << 12) - (beyond_q16 >> 4);
        (z_um.saturating_add(path.correction.datum_um() + rounded_um), self.corrected_q12() + off_q12)
    }

    /// Fraction of the way at the next corner of the path; [`NEVER`] if only the end is left.
    #[inline]
    fn corner_q32(&self) -> u32 {
        self.x.next_q32.min(self.y.next_q32).min(self.z.next_q32)
    }

    /// On to the next place. There is one.
    #[inline(never)]
    pub(super) fn go_on<const CAPACITY: usize>(&mut self, path: &Path<'_, CAPACITY>) {
        loop {
            let mut fraction_q32 = self.corner_q32();
            let mut there = None;
            if self.tolerance_um != 0 {
                if self.parts_left == 0 && !self.hardly_bends() {
                    there = Some(self.cut(path));
                }
                self.parts_left -= 1;
                if self.parts_left > 0 {
                    fraction_q32 = self.fraction_q32.wrapping_add(self.part_q32);
                    there = None;
                }
            }
            let (at, shape_q16) = match there {
                Some(corner) => corner,
                None => self.place(path, fraction_q32),
            };
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
                self.shape_q16 = scale_q16(shape_q16, path.correction.share_q16(at.z_um));
                return;
            }
        }
    }

    /// The place at a fraction of the way, at most that of the next corner, and the shape there.
    fn place<const CAPACITY: usize>(&self, path: &Path<'_, CAPACITY>, fraction_q32: u32) -> (Point, i32) {
        let (grid, start, end) = (path.correction.grid(), path.start, path.end);
        let mut at = end;
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

    /// Whether the stretch up to the next corner bends so little, whatever cell it lies in, that it need not be looked at.
    fn hardly_bends(&mut self) -> bool {
        let share_q32 = self.corner_q32().wrapping_sub(self.fraction_q32);
        // What a part of the way bends by goes with its square.
        let bend_q12 = high_product(high_product(self.most_bend_q12, share_q32), share_q32);
        let hardly = bend_q12 <= u32::from(self.tolerance_um - 1) << 12;
        if hardly {
            (self.parts_left, self.parts_at_once, self.sag_q12) = (1, 1, bend_q12 / 4 + 1);
        }
        hardly
    }

    /// Cuts the stretch up to the next corner into parts that sag by a quarter of the tolerance at most, and into twice as
    /// many as the tolerance itself asks for; the corner and the shape there.
    #[inline(never)]
    fn cut<const CAPACITY: usize>(&mut self, path: &Path<'_, CAPACITY>) -> (Point, i32) {
        let (correction, begin, corner_q32) = (path.correction, self.here, self.corner_q32());
        let grid = correction.grid();
        let (end, shape_q16) = self.place(path, corner_q32);
        let (share0, share1) = (correction.share_q16(begin.z_um), correction.share_q16(end.z_um));
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
        // A quarter of what is allowed, and parts of parts.
        let is_cut = 2 * parts < longest_um && (parts > 1 || most_q12 > allowed_q12 / 4);
        self.parts_at_once = if is_cut { 2 } else { 1 };
        parts *= u32::from(self.parts_at_once);
        self.parts_left = parts;
        self.sag_q12 = most_q12 / 4;
        self.part_q32 = corner_q32.wrapping_sub(self.fraction_q32);
        if parts > 1 {
            let share_q32 = Reciprocal::of(parts).fraction_q32(1);
            self.part_q32 = high_product(self.part_q32, share_q32);
            self.sag_q12 = high_product(high_product(self.sag_q12, share_q32), share_q32) + 1;
        }
        (end, shape_q16)
    }
}

/// How much the whole way would bend if one cell went on for ever, the one that bends most.
#[inline(never)]
fn most_of_way_q12<const CAPACITY: usize>(path: &Path<'_, CAPACITY>) -> u32 {
    let (grid, start, end) = (path.correction.grid(), path.start, path.end);
    if start.z_um != end.z_um && path.fading_error_q12() != 0 {
        // The fade bends it as well, and only a closer look tells.
        return u32::MAX - 1;
    }
    let across = grid.x.pitches_q16(end.x_um.abs_diff(start.x_um)).min(1 << 22);
    let along = grid.y.pitches_q16(end.y_um.abs_diff(start.y_um)).min(1 << 22);
    // At most 2^28 cells with 16 fractional bits.
    let cells_q4 = (wide_product(across, along) >> 28) as u32 + 1;
    (wide_product(cells_q4, grid.most_bend_um.into()) << 8).min(u64::from(u32::MAX) - 1) as u32
}

/// How much a part of the path may bend, as `K` in a parabola `K·s·(1 − s)`, which sags by a quarter of that.
///
/// One micrometre of the tolerance is kept for the rounding of both ends of a piece, and half of the rest for a fading
/// height, which is rounded once more.
#[inline]
fn most_bend_um(tolerance_um: u16, share_q16: u32) -> u16 {
    (tolerance_um - 1) * if share_q16 == 65_536 { 4 } else { 2 }
}
