//! Commands with a file of their own: their arguments and their work.

pub mod job_file;
pub mod plan;
pub mod verify;
