//! Where the three runs stand in a picture: side by side, or one above the other on a long bed.

use super::frame::{Frame, Span, number};
use super::heading::wrapped;
use super::palette::INK_SOFT;
use super::svg::Svg;
use crate::outcome::Run;

/// Width of a picture with three panels.
pub(crate) const WIDTH: f64 = 1240.0;
pub(crate) const LEFT: f64 = 66.0;
const RIGHT: f64 = 18.0;
const BETWEEN: f64 = 24.0;
/// Room above a panel for its name and up to two lines of words.
const CAPTION: f64 = 62.0;
/// A bed this many times as long as deep is drawn in rows.
const LONG: f64 = 2.0;
/// Highest panel side by side, and of a row.
const HIGHEST: f64 = 430.0;
const HIGHEST_TALL: f64 = 640.0;
const TALL_COLUMN: f64 = 270.0;
const HIGHEST_ROW: f64 = 250.0;

/// The frames of three panels, all with one scale on both axes.
pub(crate) struct Panels {
    pub(crate) frames: [Frame; 3],
    /// Room for the words of a panel.
    words_width: f64,
    is_rows: bool,
}

/// Frames for a bed below `top`.
pub(crate) fn panels(x: Span, y: Span, top: f64) -> Panels {
    let (width_mm, height_mm) = (x.high - x.low, y.high - y.low);
    let is_rows = width_mm > LONG * height_mm;
    let whole = WIDTH - LEFT - RIGHT;
    let column = if height_mm > LONG * width_mm { TALL_COLUMN } else { (whole - 2.0 * BETWEEN) / 3.0 };
    let (widest, highest) = if is_rows {
        (whole, HIGHEST_ROW)
    } else if height_mm > LONG * width_mm {
        (column, HIGHEST_TALL)
    } else {
        (column, HIGHEST)
    };
    let px_per_mm = (widest / width_mm).min(highest / height_mm);
    let (width, height) = (width_mm * px_per_mm, height_mm * px_per_mm);
    let frames = [0.0, 1.0, 2.0].map(|index| {
        let (right, down) =
            if is_rows { (0.0, index * (height + CAPTION + 20.0)) } else { (index * (column + BETWEEN), 0.0) };
        Frame { left: LEFT + right, top: top + CAPTION + down, width, height, x, y }
    });
    Panels { frames, words_width: if is_rows { whole } else { column }, is_rows }
}

impl Panels {
    /// Lower border of the last panel.
    pub(crate) fn bottom(&self) -> f64 {
        self.frames[2].bottom()
    }

    /// The name of a run and a few words above its panel.
    pub(crate) fn caption(&self, svg: &mut Svg, run: Run, words: &str) {
        let frame = &self.frames[run as usize];
        svg.text(frame.left, frame.top - 41.0, &[("font-size", &"15"), ("font-weight", &"600")], run.label());
        for (line, text) in wrapped(words, 12.0, self.words_width, 2).iter().enumerate() {
            svg.text(frame.left, frame.top - 24.0 + 15.0 * line as f64, &[("fill", &INK_SOFT)], text);
        }
    }

    /// Axes of a run's panel; what a neighbour says is not said again.
    pub(crate) fn axes(&self, svg: &mut Svg, run: Run) {
        let frame = &self.frames[run as usize];
        let step = frame.y.step(6.0).max(frame.x.step(if self.is_rows { 14.0 } else { 6.0 }));
        if !self.is_rows || run == Run::Refined {
            frame.axis_x(svg, step, "X, mm");
        }
        if self.is_rows || run == Run::Uncorrected {
            frame.axis_y(svg, step, "Y, mm", number);
        } else {
            frame.ticks_y(svg, frame.clear_step_y(step));
        }
    }
}
