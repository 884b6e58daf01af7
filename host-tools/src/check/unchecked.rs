//! What could not be checked, because nobody said what is needed.

use std::fmt;

use gapkeeper::GridAxis;

use crate::estimate::EstimateError;

/// Something that could not be checked; as text, the reason and what is needed.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Unchecked {
    /// Too few stations to predict one from the others.
    Neighbours,
    /// Too few stations along an axis to see a bend, or how it changes.
    Stations {
        /// The axis.
        axis: GridAxis,
        /// Fewest stations that would tell.
        fewest: u8,
    },
    /// The file has not kept the readings, and the nodes of a surface are none.
    NoReadings,
    /// The readings do not tell how sure the surface is.
    Unsure(EstimateError),
    /// Nobody said how low the nozzle may go.
    Headroom,
    /// The grid comes from no survey that is known.
    Closure,
    /// Nobody said how warm the bed is.
    Temperature,
    /// The grid does not say its setup, or nobody said that of the machine.
    Setup {
        /// Whether the grid says its own.
        is_known: bool,
    },
    /// It is not known when the file was written.
    Age,
}

impl Unchecked {
    /// What was to be checked, as one word with hyphens; stable, for scripts.
    pub fn word(self) -> &'static str {
        match self {
            Unchecked::Neighbours => "off-neighbours",
            Unchecked::Stations { .. } => "too-few-stations",
            Unchecked::NoReadings | Unchecked::Unsure(_) => "unsure",
            Unchecked::Headroom => "no-headroom",
            Unchecked::Closure => "closure",
            Unchecked::Temperature => "other-temperature",
            Unchecked::Setup { .. } => "other-setup",
            Unchecked::Age => "old",
        }
    }
}

impl fmt::Display for Unchecked {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Unchecked::Neighbours => write!(out, "neighbours: too few stations to predict one from the others"),
            Unchecked::Stations { axis, fewest } => write!(
                out,
                "bend along {axis:?}: it takes {fewest} stations along that axis to see what lies between them; check \
                 stations tell it too"
            ),
            Unchecked::NoReadings => write!(out, "how sure the surface is: the file holds no readings (--readings)"),
            // The first line is the reason, the next one the remedy.
            Unchecked::Unsure(error) => {
                write!(
                    out,
                    "how sure the surface is: {}",
                    error.to_string().split('\n').map(str::trim).collect::<Vec<_>>().join("; ")
                )
            }
            Unchecked::Headroom => write!(out, "headroom: say how low the nozzle can go (--lowest-mm)"),
            Unchecked::Closure => write!(out, "closure: the grid comes from no survey"),
            Unchecked::Temperature => write!(out, "temperature: say how warm the bed is (--bed-temperature)"),
            Unchecked::Setup { is_known: true } => write!(out, "setup: say which one the machine is in (--setup)"),
            Unchecked::Setup { is_known: false } => {
                write!(out, "setup: the file has none (.gkr and .hex do); measure again if a screw was turned")
            }
            Unchecked::Age => write!(out, "age: nobody knows when the file was written"),
        }
    }
}
