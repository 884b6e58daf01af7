//! Why the surface cannot be told.

use gapkeeper::GridAxis;

use super::kernel::{FREE_TERMS, SCREW_TERMS};

/// Fewest readings: one more than the free terms, so that the readings say something of the hand and the roughness.
pub const FEWEST_READINGS: usize = FREE_TERMS + 1;
/// Fewest places of one survey among several: one more than plane and twist, so that it shows whether the shape held.
pub const FEWEST_TIED: usize = SCREW_TERMS + 1;
/// Most readings: the work grows with their cube.
pub const MOST_READINGS: usize = 400;

/// Why readings do not tell the surface and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum EstimateError {
    /// Too few readings.
    #[error(
        "{found} readings: {FEWEST_READINGS} or more are needed to tell tilt, twist and bow and how sure they are\n  \
        read 3 x 3 stations at least"
    )]
    TooFew {
        /// How many there are.
        found: usize,
    },
    /// Too many readings.
    #[error("{found} readings: up to {MOST_READINGS} can be taken\n  leave some out")]
    TooMany {
        /// How many there are.
        found: usize,
    },
    /// Tilt, twist and bow cannot be told apart.
    #[error(
        "the readings do not tell tilt, twist and bow apart: they stand in lines, or on one ring\n  \
        read at three places along X and three along Y at least, and in the middle"
    )]
    Undetermined,
    /// A survey has too few readings to be laid on the shape of the others.
    #[error(
        "{}: readings at {found} places: {FEWEST_TIED} or more are needed to tell what the screws did and whether the shape \
        held\n  read near each screw and in the middle", survey(*age)
    )]
    TooFewToTie {
        /// Surveys that are newer.
        age: usize,
        /// At how many places it has readings.
        found: usize,
    },
    /// A survey does not tell plane and twist.
    #[error(
        "{}: its readings do not tell tilt and twist apart\n  read near each screw and in the middle", survey(*age)
    )]
    UndeterminedTie {
        /// Surveys that are newer.
        age: usize,
    },
    /// The newest readings reach over too little of the plate to tell what the screws did.
    #[error(
        "the newest readings reach over {:.1} mm along {axis:?}, less than half of the {:.1} mm of the shape: they do not tell \
        what the screws did, nor whether the shape held\n  read near each screw and in the middle",
        f64::from(*found_um) / 1e3,
        f64::from(*shape_um) / 1e3
    )]
    Narrow {
        /// Along which axis.
        axis: GridAxis,
        /// How far the readings reach.
        found_um: u32,
        /// How far the shape reaches: the older readings, or the grid.
        shape_um: u32,
    },
    /// A survey that is given twice would count twice.
    #[error("{} has the readings of {} once more\n  give each survey once", survey(*age), survey(*first))]
    Twice {
        /// Surveys that are newer than the one.
        first: usize,
        /// Surveys that are newer than the other.
        age: usize,
    },
    /// A reading beyond the surface that it is compared with.
    #[error("a reading at x {}, y {} mm lies beyond the grid\n  leave it out, or read within the grid", f64::from(*x_um) / 1e3, f64::from(*y_um) / 1e3)]
    Outside {
        /// Where, X.
        x_um: i32,
        /// Where, Y.
        y_um: i32,
    },
    /// A reading would count for more than a program's weights hold.
    #[error(
        "a node lies so far from the stations that one of them counts {largest:.1} times\n  let the nodes reach less far"
    )]
    FarNode {
        /// The largest weight.
        largest: f64,
    },
    /// A spread that no hand has.
    #[error("a spread of {um} um\n  give 1 to 500 um")]
    Spread {
        /// The spread.
        um: f64,
    },
}

/// How a survey is called: the newest one, or the older ones counted back from it.
fn survey(age: usize) -> String {
    if age == 0 { "the newest survey".to_owned() } else { format!("older survey {age}") }
}
