//! What became of a job.

use std::collections::BTreeMap;

use crate::gcode::{Axes, Cause, WordCount};

/// What came of correcting a job.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
#[non_exhaustive]
pub struct ApplyReport {
    /// Lines read.
    pub lines: u64,
    /// Their bytes, ...
    pub bytes_read: u64,
    /// ... and those written.
    pub bytes_written: u64,
    /// Lines that became pieces.
    pub corrected_lines: u64,
    /// Pieces written.
    pub pieces: u64,
    /// Lowest and highest end of a motion whose machine Z is known.
    pub reach: Reach,
    /// Motions that were passed as they are, since the place of an axis was not known.
    pub unplaced: Unplaced,
    /// Bed temperature, as last ordered before the first printing move, or in all; rounded to whole degrees.
    pub bed_temperature_c: Option<i16>,
    /// The same of the nozzle.
    pub nozzle_temperature_c: Option<i16>,
    /// With flow scaling: how much the job's own `E` prints, ...
    pub printed_e_nm: i64,
    /// ... and by how much that has changed.
    pub e_change_nm: i64,
    /// Words that are not known here, and macros.
    pub unknown_words: BTreeMap<String, WordCount>,
    /// Words of the standard that may move axes or their zero in ways that are not followed.
    pub unmodelled_words: BTreeMap<String, WordCount>,
    /// Lines that could not be read and were passed as they are.
    pub bad_lines: u64,
    /// What was wrong with the first of them.
    pub first_bad_line: Option<String>,
    /// Lines after the end of the program, passed as they are.
    pub lines_after_end: u64,
}

/// Lowest and highest machine Z at the end of a motion, each with its line; none where there was none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reach {
    /// Micrometres and line.
    pub lowest: Option<(i32, u64)>,
    /// Micrometres and line.
    pub highest: Option<(i32, u64)>,
}

impl Reach {
    pub(super) fn take(&mut self, z_um: i32, line: u64) {
        if self.lowest.is_none_or(|(lowest_um, _)| z_um < lowest_um) {
            self.lowest = Some((z_um, line));
        }
        if self.highest.is_none_or(|(highest_um, _)| z_um > highest_um) {
            self.highest = Some((z_um, line));
        }
    }

    pub(super) fn join(&mut self, later: Self) {
        for (z_um, line) in [later.lowest, later.highest].into_iter().flatten() {
            self.take(z_um, line);
        }
    }
}

/// Motions while the place of an axis was not known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Unplaced {
    /// How many lines.
    pub lines: u64,
    /// The longest stretch of such lines: its first line, the axis that was not known (0 is X), why, and since which
    /// line.
    pub longest: Option<Stretch>,
}

/// A run of motions while the place of an axis was not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Line of the first motion.
    pub first_line: u64,
    /// How many motions.
    pub motions: u64,
    /// The axes that were not known at the first motion.
    pub axes: Axes,
    /// Why the first of these axes was not known, ...
    pub cause: Cause,
    /// ... and since which line.
    pub since_line: u64,
}
