//! A file that cannot be read or written, with its name and a remedy.

use std::io;
use std::path::Path;

use crate::printed::name;

/// What helps where a file cannot be read.
pub(crate) const INPUT_REMEDY: &str = "check the name and the rights to the file";
/// What helps where a file cannot be written.
pub(crate) const OUTPUT_REMEDY: &str =
    "check the folder, its free space and the rights to it; an old file is as it was";

/// A file or folder that the system does not let us read or write.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    /// It cannot be read.
    #[error("{name}: cannot be read: {cause}\n  {INPUT_REMEDY}")]
    Input {
        /// Its name, safe to print.
        name: String,
        /// The system's error.
        #[source]
        cause: io::Error,
    },
    /// It cannot be written.
    #[error("{name}: cannot be written: {cause}\n  {OUTPUT_REMEDY}")]
    Output {
        /// Its name, safe to print.
        name: String,
        /// The system's error.
        #[source]
        cause: io::Error,
    },
}

impl FileError {
    /// For a file that was to be read.
    pub fn input(path: &Path) -> impl FnOnce(io::Error) -> Self {
        let name = name(path);
        move |cause| Self::Input { name, cause }
    }

    /// For a file that was to be written.
    pub fn output(path: &Path) -> impl FnOnce(io::Error) -> Self {
        let name = name(path);
        move |cause| Self::Output { name, cause }
    }
}
