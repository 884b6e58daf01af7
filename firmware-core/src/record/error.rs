//! Why bytes are no record.

use core::fmt;

use super::{BED_TEMPERATURE_RANGE_C, LAYOUT_VERSION, MAX_CLOSURE_UM};
use crate::correction::CorrectionError;
use crate::fade::FadeError;
use crate::grid::GridError;
use crate::tie::{MAX_TIES, TIE_LIMIT_UM};

/// Why bytes are no record, or a value cannot become one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum RecordError {
    /// The memory given is too short for the record.
    Memory {
        /// Bytes needed.
        needed: usize,
        /// Bytes given.
        found: usize,
    },
    /// The bytes do not begin as a record does.
    NotARecord,
    /// The length does not suit what the record says it holds.
    Length {
        /// The length that the record states.
        length: u16,
    },
    /// The check value is another one: the record is torn or damaged.
    Checksum,
    /// Written by a newer program.
    NewerLayout {
        /// Its layout version.
        version: u8,
    },
    /// A layout version that never was.
    NoSuchLayout {
        /// The version.
        version: u8,
    },
    /// A record, but not of the kind asked for.
    OtherKind {
        /// Its kind.
        kind: u8,
    },
    /// No such grid can be.
    Grid(GridError),
    /// No such fade can be.
    Fade(FadeError),
    /// The shift cannot be applied; or fade and shape together, before layout 3.
    Correction(CorrectionError),
    /// The bed temperature is beyond [`BED_TEMPERATURE_RANGE_C`].
    BedTemperature {
        /// The temperature.
        bed_temperature_c: i16,
    },
    /// The closure is beyond [`MAX_CLOSURE_UM`].
    Closure {
        /// The closure.
        closure_um: i16,
    },
    /// More ties than [`MAX_TIES`], or a residual beyond [`TIE_LIMIT_UM`].
    Tie {
        /// Ties since the last whole survey.
        count: u8,
        /// Residual of the last one.
        residual_um: u8,
    },
    /// Flags without a meaning, or that contradict the fields.
    Flags {
        /// The flags.
        flags: u16,
    },
}

impl fmt::Display for RecordError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Memory { needed, found } => write!(f, "{found} bytes for a record of {needed}: give more memory"),
            Self::NotARecord => write!(f, "no record begins here: save one first"),
            Self::Length { length } => write!(f, "a record of {length} bytes cannot hold what it says: save it again"),
            Self::Checksum => write!(f, "the record is damaged: save it again"),
            Self::NewerLayout { version } => write!(
                f,
                "the record has layout {version}, this program knows up to {LAYOUT_VERSION}: use the newer program"
            ),
            Self::NoSuchLayout { version } => write!(f, "there is no record layout {version}: save it again"),
            Self::OtherKind { kind } => write!(f, "the record is of kind {kind}: look in another place"),
            Self::Grid(error) => write!(f, "the record's grid: {error}"),
            Self::Fade(error) => write!(f, "the record's fade: {error}"),
            Self::Correction(error) => write!(f, "the record's correction: {error}"),
            Self::BedTemperature { bed_temperature_c } => {
                let (lowest_c, highest_c) = BED_TEMPERATURE_RANGE_C;
                write!(f, "a bed of {bed_temperature_c} C: temperatures reach from {lowest_c} to {highest_c} C")
            }
            Self::Closure { closure_um } => {
                write!(f, "a closure of {closure_um} um: closures reach from -{MAX_CLOSURE_UM} to {MAX_CLOSURE_UM} um")
            }
            Self::Tie { count, residual_um } => write!(
                f,
                "tied {count} times, {residual_um} um off: grids are tied up to {MAX_TIES} times, {TIE_LIMIT_UM} um off"
            ),
            Self::Flags { flags } => write!(f, "flags {flags:#06x} have no meaning: save the record again"),
        }
    }
}

impl core::error::Error for RecordError {}
