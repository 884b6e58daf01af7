//! Which axes stand where the program says, and why the others may not.

use std::fmt;

/// A set of the axes X, Y, Z and `E`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Axes(u8);

impl Axes {
    /// No axis.
    pub const NONE: Self = Self(0);
    /// X and Y.
    pub const XY: Self = Self(0b0011);
    /// Z.
    pub const Z: Self = Self(0b0100);
    /// X, Y and Z.
    pub const XYZ: Self = Self(0b0111);
    /// `E`.
    pub const E: Self = Self(0b1000);
    /// X, Y, Z and `E`.
    pub const ALL: Self = Self(0b1111);

    /// One axis: 0 is X, 3 is `E`; none beyond.
    #[inline]
    pub const fn one(axis: usize) -> Self {
        Self(if axis < 4 { 1 << axis } else { 0 })
    }

    /// Those of either.
    #[inline]
    #[must_use]
    pub const fn or(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Those of both.
    #[inline]
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// Those that are not of the other.
    #[inline]
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Whether the set is empty.
    #[inline]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Whether an axis is among them: 0 is X, 3 is `E`.
    #[inline]
    pub const fn has(self, axis: usize) -> bool {
        !self.and(Self::one(axis)).is_empty()
    }
}

impl fmt::Display for Axes {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let letters = (0..4).zip(["X", "Y", "Z", "E"]).filter(|(axis, _)| self.has(*axis)).map(|(_, letter)| letter);
        out.write_str(&letters.collect::<Vec<_>>().join(", "))
    }
}

/// Why it is not known where an axis stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// No line has named a place for it yet.
    Start,
    /// `G28`, which may end lifted, at a switch or at the top.
    Homing,
    /// `G30`: only the controller knows that place.
    Reference,
    /// `G53`: only the controller knows how its own coordinates lie to the program's.
    MachineCoordinates,
    /// `G54` to `G59.3` with an origin that only the controller knows.
    CoordinateSystem,
    /// `G92` where the axis was not known, or without axis words.
    SetPosition,
    /// A tool was called or changed.
    ToolChange,
    /// `G43` or `G49`: the tool's length is the controller's.
    ToolLength,
    /// `G41` or `G42`: the path is shifted by a radius that is the controller's; and `G40` after them.
    RadiusCompensation,
    /// `G38.2`: it stops where it touches.
    Probing,
    /// `M84`: the axis can be moved by hand.
    MotorsOff,
    /// `E` under `G91` and `M82`, which controllers read in two ways.
    MixedModes,
    /// A word that is not known here.
    UnknownWord,
    /// A macro of the host.
    Macro,
    /// A line that the operator may have left out (`/`).
    Deletable,
    /// A canned cycle that the controller corrects in no way.
    Cycle,
    /// A line that could not be read.
    BadLine,
}

impl fmt::Display for Cause {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Cause::Start => "the start of the job",
            Cause::Homing => "homing",
            Cause::Reference => "a move to the reference point",
            Cause::MachineCoordinates => "a move in machine coordinates",
            Cause::CoordinateSystem => "a coordinate system whose origin the job does not set",
            Cause::SetPosition => "G92 where the position was not known",
            Cause::ToolChange => "a tool change",
            Cause::ToolLength => "a tool length offset",
            Cause::RadiusCompensation => "cutter radius compensation",
            Cause::Probing => "probing",
            Cause::MotorsOff => "motors switched off",
            Cause::MixedModes => "E under G91 with M82",
            Cause::UnknownWord => "an unknown word",
            Cause::Macro => "a macro of the host",
            Cause::Deletable => "a line with block delete",
            Cause::Cycle => "a canned cycle",
            Cause::BadLine => "a line that cannot be read",
        })
    }
}

/// A word that is counted, since its effect is not or not wholly followed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Oddity {
    /// Its plain name: `G987`, `M117`, `U`, `START_JOB`.
    pub name: String,
    /// Where it stands in the line's bytes.
    pub offset: usize,
    /// What it may do to the axes.
    pub effect: Effect,
    /// Whether it may switch on a correction in the controller itself.
    pub may_switch: bool,
    /// Valid words of the standard are known, but not modelled.
    pub is_known: bool,
}

/// What an odd word may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Effect {
    /// Nothing on the line is of an axis.
    Harmless,
    /// It may move axes; the next places named on the job's lines hold all the same.
    MayMove,
    /// It may move axes and change what their places mean.
    MayShift,
}

/// How often a word was met, and where first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WordCount {
    /// How often.
    pub count: u64,
    /// Line of the first.
    pub first_line: u64,
    /// The strongest effect that any of them may have had.
    pub effect: Effect,
    /// Line of the first that may switch on a correction in the controller itself.
    pub may_switch_on_line: Option<u64>,
}
