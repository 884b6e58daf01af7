//! Contour lines and the bands between them.

use std::fmt::Display;

use super::Field;
use super::contours::{self, Rings, Xy};
use super::frame::{Frame, signed};
use super::line_labels::{self, LabelPlaces};
use super::svg::{Path, Svg};

/// The value of an edge or a line, with its sign and without decimals that say nothing.
pub fn level_label(level_um: f64) -> String {
    let is_whole = (level_um - level_um.round()).abs() < 0.05;
    signed(level_um, if is_whole { 1.0 } else { 0.1 })
}

/// Points closer to a line than this are left out of it, in px.
const TOLERANCE: f64 = 0.25;

/// Fills the bands between levels, from the lowest up, each painted over the one before; band 0 is below all levels.
pub fn fill(svg: &mut Svg, levels: &[Rings], colour: impl Fn(usize) -> String, frame: &Frame) {
    svg.rect(frame.left, frame.top, frame.width, frame.height, &[("fill", &colour(0))]);
    for (index, level) in levels.iter().enumerate() {
        let mut path = Path::default();
        for ring in level.areas() {
            let points: Vec<Xy> = ring.map(|(x, y)| frame.point(x, y)).collect();
            path.add(contours::simplified(&points, TOLERANCE), true);
        }
        svg.path(&path, &[("fill", &colour(index + 1)), ("fill-rule", &"evenodd")]);
    }
}

/// How lines of one kind are drawn.
pub struct LineKind {
    /// Colour of the line.
    pub colour: &'static str,
    /// Width of the line in px.
    pub stroke_width: &'static str,
    /// Shorter lines are left out, in px.
    pub shortest: f64,
}

/// Draws the lines of a field at these levels where they are to be seen, given in px, with their heights.
pub fn draw(
    svg: &mut Svg,
    field: &Field,
    levels_um: &[f64],
    frame: &Frame,
    places: &mut LabelPlaces,
    kind: &LineKind,
    is_seen: impl Fn(Xy) -> bool,
) {
    for (rings, level_um) in contours::rings(field, levels_um).iter().zip(levels_um) {
        for points in seen_lines(rings, frame, &is_seen) {
            if line_labels::length(&points) >= kind.shortest {
                places.draw(svg, &points, &level_label(*level_um), &kind.style());
            }
        }
    }
}

/// The same as one path without heights.
pub fn draw_bare(
    svg: &mut Svg,
    field: &Field,
    levels_um: &[f64],
    frame: &Frame,
    kind: &LineKind,
    is_seen: impl Fn(Xy) -> bool,
) {
    let mut path = Path::default();
    for rings in contours::rings(field, levels_um) {
        for points in seen_lines(&rings, frame, &is_seen) {
            if line_labels::length(&points) >= kind.shortest {
                path.add(points, false);
            }
        }
    }
    svg.path(&path, &kind.style());
}

impl LineKind {
    fn style(&self) -> [(&'static str, &dyn Display); 4] {
        [
            ("fill", &"none"),
            ("stroke", &self.colour),
            ("stroke-width", &self.stroke_width),
            ("stroke-linejoin", &"round"),
        ]
    }
}

/// The parts of lines that are to be seen, in px.
fn seen_lines(rings: &Rings, frame: &Frame, is_seen: impl Fn(Xy) -> bool) -> Vec<Vec<Xy>> {
    let mut seen = Vec::new();
    for line in rings.lines() {
        let points: Vec<Xy> = line.into_iter().map(|(x, y)| frame.point(x, y)).collect();
        let parts = points.split(|point| !is_seen(*point)).filter(|part| part.len() > 1);
        seen.extend(parts.map(|part| contours::simplified(part, TOLERANCE)));
    }
    seen
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_written_as_they_are() {
        assert_eq!([-40.0, 0.0, 12.5, 200.0 * (1.6 - 1.0)].map(level_label), ["−40", "0", "+12.5", "+120"]);
    }
}
