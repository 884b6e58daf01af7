//! Marks of places on a map.

use super::contours::Xy;
use super::palette::INK;
use super::svg::{Attributes, Svg};

/// A station: a cross.
pub fn station(svg: &mut Svg, (x, y): Xy) {
    for (colour, width, arm) in [("#ffffff", "3.6", 6.0), (INK, "1.4", 5.0)] {
        let style: Attributes<'_> = &[("stroke", &colour), ("stroke-width", &width), ("class", &"station")];
        svg.line((x - arm, y), (x + arm, y), style);
        svg.line((x, y - arm), (x, y + arm), style);
    }
}
