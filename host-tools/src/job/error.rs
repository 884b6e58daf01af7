//! Why a job cannot be followed.

use std::io;

use crate::gcode::GcodeError;

/// Why a job cannot be followed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JobError {
    /// A line cannot be read, or the file cannot.
    #[error(transparent)]
    Unread(#[from] GcodeError),
    /// The job cannot be read a second time: its first layer is looked for beforehand.
    #[error("{file}: it cannot be read twice: {source}")]
    Again {
        /// Name of the job.
        file: String,
        /// What the system said.
        source: io::Error,
    },
    /// A line that reads well asks for a move that cannot be.
    #[error("{file}:{line}: {message}\n{line:>5} | {text}")]
    Move {
        /// Name of the job.
        file: String,
        /// Line of the job, counted from 1.
        line: u64,
        /// What that line says.
        text: String,
        /// What is wrong and what to do.
        message: String,
    },
}
