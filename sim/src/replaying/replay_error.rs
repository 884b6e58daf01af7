//! Why a job cannot be replayed.

use gapkeeper::{CorrectionError, GridError, SplitError};
use gapkeeper_host_tools::job::JobError;

use crate::bed::BedError;

/// Why a job cannot be replayed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReplayError {
    /// The job cannot be followed.
    #[error(transparent)]
    Job(#[from] JobError),
    /// The modelled bed cannot be.
    #[error(transparent)]
    Bed(#[from] BedError),
    /// No grid can be read off the bed or refined.
    #[error("{what}: {source}")]
    Grid {
        /// Which grid.
        what: &'static str,
        /// What is wrong and what to do.
        source: GridError,
    },
    /// The grid cannot be put in force as the scenario asks.
    #[error("correction: {0}")]
    Correction(#[from] CorrectionError),
    /// The scenario's tolerance is out of range.
    #[error("correction.tolerance_um: {0}")]
    Tolerance(SplitError),
    /// The first layer is too long to be planned for.
    #[error(
        "{file}: a first layer of more than four million samples: plan with a smaller job over the same part of the bed"
    )]
    TooLong {
        /// Name of the job.
        file: String,
    },
    /// Nothing was printed, so there is no gap to speak of.
    #[error("{file}: no printing move: nothing with E in a printing job, no G1, G2 or G3 in any other")]
    NothingPrinted {
        /// Name of the job.
        file: String,
    },
}
