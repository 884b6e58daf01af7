//! What a line of a job does, in integers of machine coordinates.

use gapkeeper::Plane;

use super::cycle::Cycle;

/// A place in machine coordinates: what the program says, with the shifts of `G92` applied.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Position {
    /// X, to the right.
    pub x_nm: i64,
    /// Y, to the back.
    pub y_nm: i64,
    /// Z, up.
    pub z_nm: i64,
}

impl Position {
    /// X, Y and Z in micrometres, rounded half away from zero; none if one does not fit (beyond 2147 m).
    #[inline]
    pub fn to_um(self) -> Option<[i32; 3]> {
        let um = |nm: i64| {
            let half = if nm < 0 { -500 } else { 500 };
            i32::try_from(nm.saturating_add(half) / 1000).ok()
        };
        Some([um(self.x_nm)?, um(self.y_nm)?, um(self.z_nm)?])
    }
}

/// What one line does. Everything in machine coordinates, nanometres.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// Nothing that moves an axis.
    None,
    /// `G0` or `G1`.
    Straight(Straight),
    /// `G2` or `G3`.
    Arc(ArcMotion),
    /// `G81` to `G89`: several motions.
    Cycle(Cycle),
    /// `G28`.
    Home(Home),
    /// `G92`: the program's coordinates were shifted; nothing moves.
    SetPosition,
    /// `G4`. How long is not read: `P` means seconds in the standard, but milliseconds to some machines.
    Dwell,
    /// `M2` or `M30` on a line that does nothing else.
    End,
}

/// A straight move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Straight {
    /// `G0`: as fast as the machine likes, whatever the feed.
    pub rapid: bool,
    /// Where it starts.
    pub start: Position,
    /// Where it ends; the same place when only `E` changes.
    pub end: Position,
    /// Change of `E`; negative draws back.
    pub extruded_nm: i64,
    /// Feed along the path per minute; none before the first `F`, or under `G93`.
    pub feed_nm_min: Option<u64>,
}

/// An arc, a full circle or a helix.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ArcMotion {
    /// Where it starts.
    pub start: Position,
    /// How many turns there are, the last of which may not be a whole one: 1 without a `P` (common practice, no source).
    pub turns: u32,
    /// Where it ends. With a centre, the same place in the plane means a full circle.
    pub end: Position,
    /// The plane of the circle; along the third axis the motion is even.
    pub plane: Plane,
    /// `G2`: clockwise, seen from the positive end of the axis that is not in the plane.
    pub clockwise: bool,
    /// The circle.
    pub shape: ArcShape,
    /// Change of `E`; negative draws back.
    pub extruded_nm: i64,
    /// Feed along the path (for a helix along the helix) per minute; none before the first `F`, or under `G93`.
    pub feed_nm_min: Option<u64>,
}

/// How an arc's circle is given. The rules of NISTIR 6556, 3.5.3, have been checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ArcShape {
    /// The way from the start to the centre, along the plane's first and second axis.
    Centre {
        /// Along X, Z or Y: see [`Plane`].
        first_nm: i64,
        /// Along Y, X or Z: see [`Plane`].
        second_nm: i64,
    },
    /// The radius. Positive: at most half a turn. Negative: more than half a turn.
    ///
    /// It may fall short of half the chord by up to 0.002 mm (0.0002 inch under `G20`), or as far as rounding to its
    /// decimals explains: then half a turn about the middle is meant.
    Radius {
        /// With the sign as above; never zero unless the chord is shorter than the tolerance.
        radius_nm: i64,
    },
}

/// Axes that went to the machine's zero, or wherever homing ends there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Home {
    /// Whether X, Y and Z were homed.
    pub axes: [bool; 3],
    /// Where the line found the machine.
    pub start: Position,
    /// Zero on the homed axes, unchanged on the others.
    pub end: Position,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn micrometres_round_half_away_from_zero() {
        let position = Position { x_nm: 1_500, y_nm: -1_500, z_nm: 1_499 };
        assert_eq!(position.to_um(), Some([2, -2, 1]));
        let far = Position { x_nm: 2_147_483_647_499, ..Position::default() };
        assert_eq!(far.to_um(), Some([i32::MAX, 0, 0]));
        let too_far = Position { x_nm: 2_147_483_647_500, ..Position::default() };
        assert_eq!(too_far.to_um(), None);
    }
}
