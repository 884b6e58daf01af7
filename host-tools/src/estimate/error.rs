//! Why the surface cannot be told.

use super::kernel::FREE_TERMS;

/// Fewest readings: one more than the free terms, so that the readings say something of the hand and the roughness.
pub const FEWEST_READINGS: usize = FREE_TERMS + 1;
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
