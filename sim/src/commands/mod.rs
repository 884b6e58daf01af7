//! The commands, each with its arguments, its help and its work; `output.rs` and `measured.rs` hold what several share.

pub mod demo;
mod job_file;
pub mod life;
mod measured;
mod output;
pub mod plan;
pub mod rehearse;
pub mod replay;
pub mod survey;
pub mod verify;

/// Exit code where the input was sound and what it was to show did not hold, or a person ended it before that.
const FAULTS: u8 = 1;
