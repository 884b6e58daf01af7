//! A file for a picture, its kind by the file's name.

use std::path::Path;

use crate::picture::{PictureError, png};
use crate::printed::name;
use crate::{FileError, write_atomically};

/// Px of a PNG for each px of the SVG.
const PNG_SCALE: f32 = 2.0;

/// Why a picture is not written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PictureFileError {
    /// The name says neither SVG nor PNG.
    #[error("{0}: pictures are .svg or .png\n  choose one of these extensions")]
    Kind(String),
    /// The picture cannot be made.
    #[error(transparent)]
    Picture(#[from] PictureError),
    /// The file cannot be written.
    #[error(transparent)]
    File(#[from] FileError),
}

/// Where a picture goes.
#[derive(Clone, Copy, Debug)]
pub struct PictureFile<'a> {
    path: &'a Path,
    is_png: bool,
}

impl<'a> PictureFile<'a> {
    /// The file of this path, by its extension.
    ///
    /// # Errors
    /// [`PictureFileError::Kind`] if that is neither `.svg` nor `.png`.
    pub fn of(path: &'a Path) -> Result<Self, PictureFileError> {
        let is = |extension: &str| path.extension().is_some_and(|found| found.eq_ignore_ascii_case(extension));
        if is("svg") || is("png") {
            Ok(Self { path, is_png: is("png") })
        } else {
            Err(PictureFileError::Kind(name(path)))
        }
    }

    /// Writes the picture whole, or not at all.
    ///
    /// # Errors
    /// [`PictureFileError`] if it cannot be made or written.
    pub fn write(&self, svg: String) -> Result<(), PictureFileError> {
        let bytes = if self.is_png { png(&svg, PNG_SCALE)? } else { svg.into_bytes() };
        Ok(write_atomically(self.path, &bytes).map_err(FileError::output(self.path))?)
    }
}
