//! `E` scaled while the shape fades, in exact fractions, as the reference for the core's own sums.

use gapkeeper::{Correction, Move, Point};

/// `(1 - 1/√3)/2` in 2^-32: where Gauss's rule of two points looks (Abramowitz and Stegun, 25.4.30, from memory).
const NEAR_Q32: i128 = 907_633_386;

/// The sum of all that was printed, never rounded.
#[derive(Clone, Copy, Debug, Default)]
pub struct ExactFlow {
    /// In 131072ths of a unit.
    sum_q17: i128,
    /// The nearest whole number to it, which is where the machine's `E` stands.
    e: i128,
}

impl ExactFlow {
    /// Every piece of a move: where it ends in the machine, and its scaled change of `E`.
    ///
    /// # Panics
    /// If the move cannot be split.
    #[allow(clippy::unwrap_used, reason = "a reference for moves that can be split")]
    pub fn pieces<const NODES: usize>(
        &mut self,
        correction: &Correction<NODES>,
        motion: &Move<1>,
        tolerance_um: u16,
    ) -> Vec<(Point, i32)> {
        let Move { start, end, extra_start: [from], extra_end: [to] } = *motion;
        let prints = to > from && (start.x_um, start.y_um) != (end.x_um, end.y_um);
        // Logical height goes along as an axis of its own: the pieces tell only the machine's.
        let motion = Move { start, end, extra_start: [from, start.z_um], extra_end: [to, end.z_um] };
        let (mut at, mut before) = (start, from);
        let piece = |piece: gapkeeper::Piece<2>| {
            let [e, z_um] = piece.extra;
            let next = Point { z_um, ..piece.end };
            let change = i128::from(e) - i128::from(before);
            let change = if prints { self.printed(correction, at, next, change) } else { change };
            (at, before) = (next, e);
            (piece.end, i32::try_from(change).unwrap())
        };
        correction.split(&motion, tolerance_um).unwrap().map(piece).collect()
    }

    fn printed<const NODES: usize>(
        &mut self,
        correction: &Correction<NODES>,
        from: Point,
        to: Point,
        change: i128,
    ) -> i128 {
        let along = |from: i32, to: i32, fraction_q32: i128| {
            let distance = i128::from(to) - i128::from(from);
            // To the nearest, seen from where the piece begins.
            let whole = (distance.abs() * fraction_q32 + (1 << 31)) >> 32;
            (i128::from(from) + whole * distance.signum()) as i32
        };
        for fraction_q32 in [NEAR_Q32, (1 << 32) - NEAR_Q32] {
            let (x_um, y_um) = (along(from.x_um, to.x_um, fraction_q32), along(from.y_um, to.y_um, fraction_q32));
            // A piece is wholly inside the fade or outside, and what is laid lies below the nozzle.
            self.sum_q17 += change * i128::from(correction.thickness_q16(x_um, y_um, from.z_um.max(to.z_um)));
        }
        let before = self.e;
        self.e = (self.sum_q17 + 0x1_0000) >> 17;
        self.e - before
    }
}
