//! What pictures of height fields are made of: an SVG writer, frames with axes, contour lines with their heights, PNG.
//!
//! Pictures hold neither ids nor style sheets, so several can stand in one page; [`png`] turns any of them into a
//! bitmap. Colour never carries a meaning alone: heights are printed on contour lines.

pub mod contours;
pub mod frame;
pub mod heading;
mod lettering;
pub mod levels;
pub mod line_labels;
pub mod marks;
pub mod palette;
mod png;
pub mod svg;
pub mod vision;

pub use lettering::FontError;
pub use png::{PictureError, png};

/// A regular field of values: rows along X, the first row at the smallest Y.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// X of the first column.
    pub x0_mm: f64,
    /// Y of the first row.
    pub y0_mm: f64,
    /// Distance between columns.
    pub step_x_mm: f64,
    /// Distance between rows.
    pub step_y_mm: f64,
    /// Number of columns, at least 2.
    pub columns: usize,
    /// Number of rows, at least 2.
    pub rows: usize,
    /// `columns * rows` values.
    pub values_um: Vec<f64>,
}
