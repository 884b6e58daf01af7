//! Why there is no advice.

use core::fmt;

use crate::axis::MAX_SPAN_UM;
use crate::grid::MAX_HEIGHT_UM;

use super::scatter::{MAX_AMPLIFICATION, MAX_TRAM_READINGS, MIN_SPREAD_UM};
use super::{MAX_SCREW_TRAVEL_UM, MAX_SCREWS, MAX_THREAD_UM, MIN_SCREWS, MIN_THREAD_UM};

/// Why a plane cannot be fitted, or the screws cannot be advised.
///
/// Screws and readings count from 0 in the fields and from 1 in the text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum TramError {
    /// Fewer than 3 or more than [`MAX_TRAM_READINGS`] readings.
    ReadingCount {
        /// Readings given; counting stops at one too many.
        found: usize,
    },
    /// A reading lies more than [`MAX_SPAN_UM`] from the first.
    ReadingTooFar {
        /// The reading.
        reading: u8,
    },
    /// A height beyond [`MAX_HEIGHT_UM`].
    HeightOutOfRange {
        /// The reading.
        reading: u8,
        /// Its height.
        height_um: i32,
    },
    /// The readings lie on one line, within [`MIN_SPREAD_UM`] of it.
    ReadingsInLine,
    /// The readings lie so close together, or so near to one line, that an error of one of them grows by more than
    /// [`MAX_AMPLIFICATION`] at a screw.
    ReadingsTooNarrow {
        /// The screw.
        screw: u8,
    },
    /// Fewer than [`MIN_SCREWS`] or more than [`MAX_SCREWS`] screws.
    ScrewCount {
        /// Screws given.
        found: usize,
    },
    /// A thread finer than [`MIN_THREAD_UM`] or coarser than [`MAX_THREAD_UM`].
    Thread {
        /// The screw.
        screw: u8,
        /// Rise of one turn.
        thread_um_per_turn: u16,
    },
    /// A screw lies more than [`MAX_SPAN_UM`] from the first reading.
    ScrewTooFar {
        /// The screw.
        screw: u8,
    },
    /// Two screws lie within [`MIN_SPREAD_UM`] of each other along X and along Y.
    ScrewsInOnePlace {
        /// One of them.
        first: u8,
        /// The other.
        second: u8,
    },
    /// The screws lie on one line, within [`MIN_SPREAD_UM`] of it.
    ScrewsInLine,
    /// The screws lie so close together, or so near to one line, that a slip of one of them grows by more than
    /// [`MAX_AMPLIFICATION`] at a reading.
    ScrewsTooNarrow {
        /// The reading.
        reading: u8,
    },
    /// The screw to hold is not among the screws.
    NoSuchScrew {
        /// The screw asked for.
        screw: u8,
        /// Screws given.
        screws: usize,
    },
    /// A screw would have to move the bed by more than [`MAX_SCREW_TRAVEL_UM`].
    TooFarToTurn {
        /// The screw.
        screw: u8,
        /// How far the bed would have to rise there.
        raise_um: i32,
    },
}

impl fmt::Display for TramError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = |index: u8| u16::from(index) + 1;
        match *self {
            Self::ReadingCount { found } => write!(f, "{found} readings: take 3 to {MAX_TRAM_READINGS}"),
            Self::ReadingTooFar { reading } => {
                let reading = number(reading);
                write!(f, "reading {reading} is more than {MAX_SPAN_UM} um from the first: check its place")
            }
            Self::HeightOutOfRange { reading, height_um } => {
                let reading = number(reading);
                write!(
                    f,
                    "{height_um} um at reading {reading}: heights reach from -{MAX_HEIGHT_UM} to {MAX_HEIGHT_UM} um"
                )
            }
            Self::ReadingsInLine => {
                write!(f, "all readings lie within {MIN_SPREAD_UM} um of one line: take one away from it")
            }
            Self::ReadingsTooNarrow { screw } => {
                let screw = number(screw);
                write!(
                    f,
                    "an error of one reading grows more than {MAX_AMPLIFICATION} times at screw {screw}: \
                     spread the readings, some of them near that screw"
                )
            }
            Self::ScrewCount { found } => write!(f, "{found} screws: give {MIN_SCREWS} to {MAX_SCREWS}"),
            Self::Thread { screw, thread_um_per_turn } => {
                let screw = number(screw);
                write!(
                    f,
                    "{thread_um_per_turn} um a turn at screw {screw}: threads reach from {MIN_THREAD_UM} to \
                     {MAX_THREAD_UM} um"
                )
            }
            Self::ScrewTooFar { screw } => {
                let screw = number(screw);
                write!(f, "screw {screw} is more than {MAX_SPAN_UM} um from the first reading: check its place")
            }
            Self::ScrewsInOnePlace { first, second } => {
                let (first, second) = (number(first), number(second));
                write!(f, "screws {first} and {second} are in one place: give each screw once")
            }
            Self::ScrewsInLine => {
                write!(f, "all screws lie within {MIN_SPREAD_UM} um of one line and cannot tilt the bed across it")
            }
            Self::ScrewsTooNarrow { reading } => {
                let reading = number(reading);
                write!(
                    f,
                    "a slip of one screw grows more than {MAX_AMPLIFICATION} times at reading {reading}: \
                     check the places of the screws"
                )
            }
            Self::NoSuchScrew { screw, screws } => {
                write!(f, "screw {} cannot be held: there are {screws}", number(screw))
            }
            Self::TooFarToTurn { screw, raise_um } => {
                let screw = number(screw);
                write!(
                    f,
                    "screw {screw} would move the bed by {raise_um} um, more than {MAX_SCREW_TRAVEL_UM} um: \
                     check the readings, or hold another height"
                )
            }
        }
    }
}

impl core::error::Error for TramError {}
