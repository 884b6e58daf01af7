//! From SVG to PNG, with a font that the program brings along.

use std::sync::Arc;

use epaint_default_fonts::{EMOJI_ICON, NOTO_EMOJI_REGULAR, UBUNTU_LIGHT};
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{self, fontdb};

/// Why a picture could not become a PNG.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PictureError {
    /// The SVG is not well formed.
    #[error("the picture is not well-formed SVG: {0}")]
    Malformed(#[from] usvg::Error),
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
/// The text is set in the embedded fonts only, so the result is the same on every machine.
///
/// # Errors
/// If the SVG is not well formed, or the scale leads to a picture without area or beyond 16,384 px.
pub fn png(svg: &str, scale: f32) -> Result<Vec<u8>, PictureError> {
    let tree = usvg::Tree::from_str(svg, &options())?;
    let (width, height) = ((tree.size().width() * scale).ceil(), (tree.size().height() * scale).ceil());
    let can_be_drawn = |side: f32| (1.0..=LONGEST_SIDE_PX).contains(&side);
    // Both are whole numbers within u32 after this check.
    let pixmap =
        if can_be_drawn(width) && can_be_drawn(height) { Pixmap::new(width as u32, height as u32) } else { None };
    let mut pixmap = pixmap.ok_or(PictureError::Size { width, height })?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixmap.as_mut());
    pixmap.encode_png().map_err(|error| PictureError::Encoding(error.to_string()))
}

/// Options with the embedded fonts as the only ones.
pub fn options() -> usvg::Options<'static> {
    let mut fonts = fontdb::Database::new();
    let faces = fonts.load_font_source(fontdb::Source::Binary(Arc::new(UBUNTU_LIGHT)));
    let family = faces
        .first()
        .and_then(|id| fonts.face(*id))
        .and_then(|face| face.families.first())
        .map(|(name, _)| name.clone());
    if let Some(family) = family {
        fonts.set_sans_serif_family(family);
    }
    // For names with symbols that the first has no shapes for.
    for symbols in [NOTO_EMOJI_REGULAR, EMOJI_ICON] {
        fonts.load_font_source(fontdb::Source::Binary(Arc::new(symbols)));
    }
    usvg::Options { fontdb: Arc::new(fonts), ..usvg::Options::default() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What has no shape is drawn as the same box, whatever it is.
    #[test]
    fn symbols_in_names_are_not_boxes() {
        let drawn = |text: &str| {
            let svg = format!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"60\" height=\"40\"><text x=\"5\" y=\"30\" \
                 font-family=\"sans-serif\" font-size=\"24\">{text}</text></svg>"
            );
            png(&svg, 1.0).unwrap()
        };
        // Nothing has a shape for this one.
        let no_shape = drawn("\u{10fffd}");
        for symbol in ["🛠", "🐢", "🙂"] {
            assert_ne!(drawn(symbol), no_shape, "{symbol}");
        }
    }
}
