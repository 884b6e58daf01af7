//! What a line of a job does, in integers of machine coordinates.

use gapkeeper::Plane;

use super::cycle::Cycle;
use super::straight::{Position, Straight};

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
