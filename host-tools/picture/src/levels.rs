//! Contour lines and the bands between them.

use super::Field;
use super::contours::{self, Rings, Xy};
use super::frame::{Frame, signed};
use super::line_labels::{self, LabelPlaces};
use super::palette::INK;
use super::svg::{Attributes, Path, Svg};

/// The value of an edge or a line, with its sign and without decimals that say nothing.
pub fn level_label(level_um: f64) -> String {
    signed(level_um, if level_um.fract() == 0.0 { 1.0 } else { 0.1 })
}

/// Fills the bands between levels, from the lowest up, each painted over the one before; band 0 is below all levels.
pub fn fill(svg: &mut Svg, levels: &[Rings], colour: impl Fn(usize) -> String, frame: &Frame) {
    svg.rect(frame.left, frame.top, frame.width, frame.height, &[("fill", &colour(0))]);
    for (index, level) in levels.iter().enumerate() {
        let mut path = Path::default();
        for ring in level.areas() {
            path.add(ring.map(|(x, y)| frame.point(x, y)), true);
        }
        svg.path(&path, &[("fill", &colour(index + 1)), ("fill-rule", &"evenodd")]);
    }
}

/// How lines of one kind are drawn.
pub struct LineKind {
    /// Width of the line in px.
    pub stroke_width: &'static str,
    /// Shorter lines are left out, in px.
    pub shortest: f64,
}

/// Draws the lines of a field at these levels, with their heights; those below zero are dashed.
pub fn draw(svg: &mut Svg, field: &Field, levels_um: &[f64], frame: &Frame, places: &mut LabelPlaces, kind: &LineKind) {
    for (rings, level_um) in contours::rings(field, levels_um).iter().zip(levels_um) {
        let dashes = if *level_um < 0.0 { "5 3" } else { "none" };
        let style: Attributes<'_> =
            &[("fill", &"none"), ("stroke", &INK), ("stroke-width", &kind.stroke_width), ("stroke-dasharray", &dashes)];
        for line in rings.lines() {
            let points: Vec<Xy> = line.into_iter().map(|(x, y)| frame.point(x, y)).collect();
            if line_labels::length(&points) >= kind.shortest {
                places.draw(svg, &points, &level_label(*level_um), style);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_written_as_they_are() {
        assert_eq!([-40.0, 0.0, 12.5].map(level_label), ["−40", "0", "+12.5"]);
    }
}
