//! `E` that follows the thickness really laid while the shape fades out.

use super::crossings::NEVER;
use super::{Move, Piece, Point, Split};
use crate::correction::Correction;
use crate::fixed_point::{between, hold_i32, wide_product};

/// Where along a piece to look for its mean thickness: Gauss's rule of two points, `(1 ∓ 1/√3)/2` of the way, which is
/// exact for every cubic (Abramowitz and Stegun, 25.4.30, from memory). Along a piece the shape is a parabola.
const GAUSS_Q32: [u32; 2] = [907_633_386, 3_387_333_910];

/// A mean thickness as it was asked for.
const UNCHANGED_Q17: u32 = 131_072;

/// What scaling `E` leaves over from one piece to the next, so that no sum of pieces drifts.
///
/// While the shape fades, layers are thinner where the bed is high and thicker where it is low. A controller that scales
/// `E` by that lays neither too much nor too little; one that does not is off by at most
/// [`Correction::thickness_change_permille`]. It has one `Flow` for each axis of `E`, begun once and used for every move
/// with [`Split::next_scaled`] or [`Pieces::next_scaled`](crate::Pieces::next_scaled) in the place of `next`.
///
/// ```
/// # use gapkeeper::{Correction, Fade, Flow, HeightGrid, Lattice, Move, Point, DEFAULT_TOLERANCE_UM};
/// # let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };
/// # let grid = HeightGrid::<9>::new(lattice, &[0, 150, 0, 150, 300, 150, 0, 150, 0])?;
/// # let correction = Correction::new(grid).with_fade(Fade::new(400, 8000)?)?;
/// # fn queue(_: Point, _: i32) {}
/// let mut flow = Flow::new();
/// // 4 mm of E, in nanometres, over the middle of a bed that is high there.
/// let motion = Move {
///     start: Point { x_um: 50_000, y_um: 80_000, z_um: 1000 },
///     end: Point { x_um: 130_000, y_um: 80_000, z_um: 1000 },
///     extra_start: [0],
///     extra_end: [4_000_000],
/// };
/// let (mut pieces, mut before) = (correction.split(&motion, DEFAULT_TOLERANCE_UM)?, 0);
/// while let Some(piece) = pieces.next_scaled(&mut flow) {
///     queue(piece.end, piece.extra[0] - before);
///     before = piece.extra[0];
/// }
/// assert!((3_900_000..3_960_000).contains(&before));
/// # Ok::<(), Box<dyn core::error::Error>>(())
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Flow {
    /// From minus half a unit up to less than half of one.
    remainder_q17: i32,
}

impl Flow {
    /// Nothing is left over yet.
    pub const fn new() -> Self {
        Self { remainder_q17: 0 }
    }

    /// Goes on from what [`Self::remainder_q17`] said; from nothing if it is beyond half a unit.
    pub fn with_remainder_q17(remainder_q17: i32) -> Self {
        let is_one = (-0x1_0000..0x1_0000).contains(&remainder_q17);
        Self { remainder_q17: if is_one { remainder_q17 } else { 0 } }
    }

    /// What is left over, in 131072ths of a unit of `E`: from -65536 to 65535.
    pub fn remainder_q17(self) -> i32 {
        self.remainder_q17
    }

    /// By how much a scaled change is beyond the change itself.
    fn beyond(&mut self, change: u32, factor_q17: u32) -> i64 {
        // Below 2^49, for a factor is at most 2.
        let product_q17 = wide_product(change, factor_q17.abs_diff(UNCHANGED_Q17)).cast_signed();
        let product_q17 = if factor_q17 < UNCHANGED_Q17 { -product_q17 } else { product_q17 };
        let exact_q17 = product_q17 + i64::from(self.remainder_q17);
        let whole = (exact_q17 + 0x1_0000) >> 17;
        // Within half a unit.
        self.remainder_q17 = (exact_q17 - (whole << 17)) as i32;
        whole
    }
}

impl<const CAPACITY: usize> Correction<CAPACITY> {
    /// Mean of [`Self::thickness_q16`] along a piece between two logical places, [`UNCHANGED_Q17`] for none.
    fn mean_thickness_q17(&self, start: Point, end: Point) -> u32 {
        // Wholly inside the fade or outside: its upper end says which.
        let z_um = start.z_um.max(end.z_um);
        if !self.is_fading(z_um) {
            return UNCHANGED_Q17;
        }
        let [near_q16, far_q16] = GAUSS_Q32.map(|fraction_q32| {
            let along = |start_um, end_um| between(start_um, end_um, fraction_q32);
            self.thickness_q16(along(start.x_um, end.x_um), along(start.y_um, end.y_um), z_um)
        });
        near_q16 + far_q16
    }
}

impl<const CAPACITY: usize, const EXTRA: usize> Split<'_, CAPACITY, EXTRA> {
    /// The next piece, with the first further axis, `E`, scaled by the thickness that is laid.
    ///
    /// `E` begins where the move's begins, and every change of it is the job's times the mean of
    /// [`Correction::thickness_q16`] along the piece; what is less than a unit waits in `flow`. So `E` ends elsewhere
    /// than in the move: take the differences, or begin the next move where this one ended. The unit should be a
    /// micrometre or finer. Beyond the `i32` range `E` is held.
    ///
    /// Only what prints is scaled, forwards while X or Y travels: drawing back, priming and lifting keep their length. So
    /// does everything without a fade, below it and above, to the bit.
    #[inline(never)]
    pub fn next_scaled(&mut self, flow: &mut Flow) -> Option<Piece<EXTRA>> {
        let Move { start, end, extra_start, extra_end } = &self.motion;
        let travels = (start.x_um, start.y_um) != (end.x_um, end.y_um);
        let (Some(&e_start), Some(&e_end)) = (extra_start.first(), extra_end.first()) else { return self.next() };
        if !travels || e_end <= e_start {
            return self.next();
        }
        let (mut begin, mut e_begin) = (self.here, between(e_start, e_end, self.fraction_q32));
        let (path, mut beyond) = (self.path(), 0);
        let mut walk = self.ahead.clone();
        if walk.fraction_q32 == self.fraction_q32 && walk.fraction_q32 != NEVER {
            walk.go_on(&path);
        }
        let mut piece = self.next()?;
        let e = piece.extra.first_mut()?;
        // From place to place the shape is a parabola; a piece may pass several.
        loop {
            let is_there = walk.fraction_q32 == self.fraction_q32;
            let e_there = if is_there { *e } else { between(e_start, e_end, walk.fraction_q32) };
            let factor_q17 = self.correction.mean_thickness_q17(begin, walk.here);
            beyond += flow.beyond(e_there.abs_diff(e_begin), factor_q17);
            if is_there {
                break;
            }
            (begin, e_begin) = (walk.here, e_there);
            walk.go_on(&path);
        }
        *e = hold_i32(i64::from(*e) + beyond);
        // The rest of the move begins from there.
        let Move { extra_start, extra_end, .. } = &mut self.motion;
        for end in extra_start.first_mut().into_iter().chain(extra_end.first_mut()) {
            *end = hold_i32(i64::from(*end) + beyond);
        }
        Some(piece)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fade::Fade;
    use crate::grid::{HeightGrid, Lattice};
    use crate::split::walk::Walk;
    use std::vec::Vec;

    /// Twisted: +400, -400, -400, +400 µm at the corners, full up to 0.4 mm and gone at 4.4 mm.
    fn twisted() -> Correction<4> {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 100_000, pitch_y_um: 100_000, columns: 2, rows: 2 };
        let grid = HeightGrid::new(lattice, &[400, -400, -400, 400]).unwrap();
        Correction::new(grid).with_fade(Fade::new(400, 4400).unwrap()).unwrap()
    }

    fn motion(from: (i32, i32, i32), to: (i32, i32, i32), e: [i32; 2]) -> Move<2> {
        let point = |(x_um, y_um, z_um)| Point { x_um, y_um, z_um };
        Move { start: point(from), end: point(to), extra_start: [e[0], 7], extra_end: [e[1], 1007] }
    }

    fn scaled(motion: &Move<2>, flow: &mut Flow) -> Vec<Piece<2>> {
        let (correction, mut pieces) = (twisted(), Vec::new());
        let mut split = correction.split(motion, 2).unwrap();
        while let Some(piece) = split.next_scaled(flow) {
            pieces.push(piece);
        }
        assert_eq!(split.next_scaled(flow), None);
        pieces
    }

    /// Along the edge the bed falls evenly, so the mean factor of all of it is 1, and of the first half 1 - 0.2/4; along
    /// the diagonal `r = 400·(1 - 2s)²`, whose mean is a third of 400: 1 - 0.4/12. Own identities.
    #[test]
    fn e_is_the_integral_of_the_thickness() {
        for (to, z_um, wanted) in [
            ((100_000, 0), 2000, 10_000_000.0),
            ((50_000, 0), 2000, 10_000_000.0 * (1.0 - 0.2 / 4.0)),
            ((100_000, 100_000), 4400, 10_000_000.0 * (1.0 - 0.4 / 12.0)),
        ] {
            let pieces = scaled(&motion((0, 0, z_um), (to.0, to.1, z_um), [5, 10_000_005]), &mut Flow::new());
            let last = pieces.last().unwrap();
            // Half a 65536th for the factor's rounding; places are rounded to half a micrometre of 50 mm.
            assert!((f64::from(last.extra[0]) - 5.0 - wanted).abs() < 10_000_000.0 / 65_536.0, "{last:?} {wanted}");
            assert_eq!(last.extra[1], 1007, "another axis is left alone");
        }
    }

    /// Everything but `E` is as without scaling; where nothing fades and where nothing is printed, `E` is as well.
    #[test]
    fn what_is_not_laid_in_the_fade_keeps_its_length() {
        let correction = twisted();
        let high = 4401;
        for (motion, is_scaled) in [
            (motion((0, 0, 2000), (100_000, 90_000, 2000), [0, 9999]), true),
            (motion((0, 0, 400), (100_000, 90_000, 400), [0, 9999]), false),
            (motion((0, 0, high), (100_000, 90_000, high), [0, 9999]), false),
            (motion((0, 0, 2000), (100_000, 90_000, 2000), [0, -9999]), false),
            (motion((0, 0, 2000), (100_000, 90_000, 2000), [5, 5]), false),
            (motion((0, 0, 2000), (0, 0, 2000), [0, 9999]), false),
            (motion((0, 0, 2000), (0, 0, 3000), [0, 9999]), false),
        ] {
            let mut flow = Flow::with_remainder_q17(30_000);
            let found = scaled(&motion, &mut flow);
            let plain: Vec<_> = correction.split(&motion, 2).unwrap().collect();
            assert_eq!(found != plain, is_scaled, "{motion:?}");
            assert_eq!(flow.remainder_q17() != 30_000, is_scaled);
            assert!(
                found.iter().map(|piece| (piece.end, piece.extra[1])).eq(plain.iter().map(|p| (p.end, p.extra[1])))
            );
        }
    }

    /// A piece that ends at either height of the fade belongs to the layers below it.
    #[test]
    fn a_climb_changes_within_the_fade_only() {
        // Along the line where the shape is highest: 400 µm at the corner, in one place but for a thousandth.
        let climb = motion((0, 0, 0), (100, 0, 10_000), [0, 10_000_000]);
        let wanted = 10_000_000.0 - 4_000_000.0 * 0.4 / 4.0;
        let last = *scaled(&climb, &mut Flow::new()).last().unwrap();
        assert!((f64::from(last.extra[0]) - wanted).abs() < 1500.0, "{last:?} {wanted}");
    }

    /// A thousand hairs of one unit each at a factor of 0.9: none is lost, and none is ever drawn back.
    #[test]
    fn units_are_carried_from_move_to_move() {
        let (mut flow, mut sum) = (Flow::new(), 0);
        for _ in 0..1000 {
            let pieces = scaled(&motion((0, 0, 2000), (40, 0, 2000), [i32::MIN, i32::MIN + 1]), &mut flow);
            let change = pieces.last().unwrap().extra[0] - i32::MIN;
            assert!((0..=1).contains(&change));
            sum += change;
        }
        assert_eq!(sum, 900);
        assert_eq!(Flow::with_remainder_q17(flow.remainder_q17()), flow);
        for (given, kept) in [(-65_536, -65_536), (65_535, 65_535), (65_536, 0), (i32::MIN, 0), (i32::MAX, 0)] {
            assert_eq!(Flow::with_remainder_q17(given).remainder_q17(), kept);
        }
    }

    /// Move after move, `E` stands where the sum over all places passed, rounded once, has it: never off by more than half a
    /// unit, however many there were.
    #[test]
    fn sums_are_exact() {
        let correction = twisted();
        let (mut flow, mut sum_q17, mut e) = (Flow::new(), 0_i128, 0);
        let mut at = (3_000, 5_000, 300);
        for step in 1..400_i32 {
            let to = (step * 7919 % 100_000, step * 6007 % 100_000, step * 37 % 5_000);
            let motion = motion(at, to, [-7, step * 1009 % 5_000_000 - 7]);
            let path = correction.split(&motion, 2).unwrap().path();
            let mut walk = Walk::new(&path, 2);
            while walk.fraction_q32 != NEVER {
                let (begin, before) = (walk.here, between(-7, motion.extra_end[0], walk.fraction_q32));
                walk.go_on(&path);
                let there = match walk.fraction_q32 {
                    NEVER => motion.extra_end[0],
                    fraction_q32 => between(-7, motion.extra_end[0], fraction_q32),
                };
                sum_q17 += i128::from(there - before) * i128::from(correction.mean_thickness_q17(begin, walk.here));
            }
            e += i128::from(scaled(&motion, &mut flow).last().unwrap().extra[0] + 7);
            assert_eq!(e, (sum_q17 + 0x1_0000) >> 17, "after {step} moves");
            at = to;
        }
        assert!(e > 0);
    }

    #[test]
    fn beyond_the_range_e_is_held() {
        let thick = motion((100_000, 0, 2000), (0, 100_000, 2000), [i32::MIN, i32::MAX]);
        let pieces = scaled(&thick, &mut Flow::new());
        assert!(pieces.is_sorted_by_key(|piece| piece.extra[0]));
        assert_eq!(pieces.last().unwrap().extra[0], i32::MAX);
    }

    #[test]
    fn without_a_further_axis_pieces_are_as_ever() {
        let (correction, mut flow) = (twisted(), Flow::new());
        let Move { start, end, .. } = motion((0, 0, 2000), (100_000, 90_000, 2000), [0, 0]);
        let motion = Move { start, end, extra_start: [], extra_end: [] };
        let mut split = correction.split(&motion, 2).unwrap();
        assert!(correction.split(&motion, 2).unwrap().all(|piece| split.next_scaled(&mut flow) == Some(piece)));
        assert_eq!(split.next_scaled(&mut flow), None);
    }
}
