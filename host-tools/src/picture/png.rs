//! From SVG to PNG, with a font that the program brings along.

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{self, roxmltree};

use super::lettering::{FontError, Lettering};

/// Why a picture could not become a PNG.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PictureError {
    /// The SVG is not well formed.
    #[error("the picture is not well-formed SVG: {0}")]
    Malformed(#[from] usvg::Error),
    /// The SVG is not well-formed XML.
    #[error("the picture is not well-formed XML: {0}")]
    MalformedXml(#[from] roxmltree::Error),
    /// The embedded font cannot be read.
    #[error("the embedded font cannot be read: {0}")]
    Font(#[from] FontError),
    /// The picture has no area, or more than memory can hold; choose another scale.
    #[error("a picture of {width} by {height} px cannot be drawn; choose another scale")]
    Size {
        /// Width that was asked for.
        width: f32,
        /// Height that was asked for.
        height: f32,
    },
    /// The drawn picture could not be encoded.
    #[error("the picture could not be encoded as PNG: {0}")]
    Encoding(String),
}

/// The longest side of a PNG: beyond it, viewers give up.
const LONGEST_SIDE_PX: f32 = 16_384.0;

/// Draws one of this module's pictures as PNG, `scale` px for each px of the SVG.
///
/// Text is set in the embedded font, so the result is the same on every machine.
///
/// # Errors
/// If the SVG is not well formed, or the scale leads to a picture without area or beyond 16,384 px.
pub fn png(svg: &str, scale: f32) -> Result<Vec<u8>, PictureError> {
    let outlined = Lettering::embedded()?.outlined(svg)?;
    let tree = usvg::Tree::from_str(&outlined, &usvg::Options::default())?;
    let (width, height) = ((tree.size().width() * scale).ceil(), (tree.size().height() * scale).ceil());
    let can_be_drawn = |side: f32| (1.0..=LONGEST_SIDE_PX).contains(&side);
    // Both are whole numbers within u32 after this check.
    let pixmap =
        if can_be_drawn(width) && can_be_drawn(height) { Pixmap::new(width as u32, height as u32) } else { None };
    let mut pixmap = pixmap.ok_or(PictureError::Size { width, height })?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixmap.as_mut());
    pixmap.encode_png().map_err(|error| PictureError::Encoding(error.to_string()))
}
