//! What a life tells: its days, its counts, and what must never happen.

use std::fmt;

/// What must never happen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    /// A grid of a bed that is not there any more came into force.
    StaleApplied,
    /// A grid came into force that was never measured, nor is a blend of two that were.
    Mixture,
    /// A tie left a grid much farther from the bed than its whole survey, or without its mark; or a whole survey counts as
    /// a tie.
    TiedWrongly,
    /// A grid whose save was acknowledged did not come back.
    Lost,
    /// The nozzle would have gone below the lowest height allowed.
    TooLow {
        /// Where it would have gone.
        z_um: i32,
    },
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::StaleApplied => write!(f, "FAULT: a stale grid was applied"),
            Self::Mixture => write!(f, "FAULT: a grid was applied that was never measured"),
            Self::TiedWrongly => {
                write!(f, "FAULT: a tied grid is farther from the bed than its whole survey, or not marked")
            }
            Self::Lost => write!(f, "FAULT: a saved grid was lost"),
            Self::TooLow { z_um } => write!(f, "FAULT: the nozzle at {z_um} um, below the lowest allowed"),
        }
    }
}

/// One day of a life.
#[derive(Clone, Debug, PartialEq)]
pub struct Day {
    /// Its number, from 1.
    pub number: u32,
    /// The power cut that ended it early, if one did: after how many bytes written.
    pub cut_after_bytes: Option<u32>,
    /// What happened, in order.
    pub events: Vec<String>,
    /// What must never happen and did.
    pub faults: Vec<Fault>,
}

/// Counts over a whole life.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LifeCounts {
    /// Starts of the controller.
    pub starts: u32,
    /// Power cuts while bytes were being written.
    pub cuts: u32,
    /// Surveys that came to a grid.
    pub surveys: u32,
    /// Of those, ties.
    pub ties: u32,
    /// Surveys that were aborted.
    pub aborted_surveys: u32,
    /// Times that a screw was turned.
    pub screw_turns: u32,
    /// Jobs run with a grid in force.
    pub corrected_jobs: u32,
    /// Jobs run without one.
    pub uncorrected_jobs: u32,
    /// Bytes written to persistent memory.
    pub bytes_written: u64,
    /// Most writes to any one byte.
    pub most_writes_of_a_byte: u32,
    /// Starts after which the setup was not certain.
    pub uncertain_setups: u32,
}

impl fmt::Display for LifeCounts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} starts, {} power cuts while writing, {} surveys ({} of them ties) and {} aborted, {} turns of screws, \
             {} jobs corrected and {} not, {} uncertain setups, {} bytes written, {} to one place at the most",
            self.starts,
            self.cuts,
            self.surveys,
            self.ties,
            self.aborted_surveys,
            self.screw_turns,
            self.corrected_jobs,
            self.uncorrected_jobs,
            self.uncertain_setups,
            self.bytes_written,
            self.most_writes_of_a_byte
        )
    }
}
