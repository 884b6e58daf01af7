//! The ground of a map of one layer, which the page's script fills with the cells of the layer that is chosen.

use super::class_style::{GHOST_FILL, JUDGED, swatch};
use super::frame::{Frame, Span, number};
use super::svg::Svg;
use crate::outcome::{Class, LayerMaps};

/// Axes, legend, and an empty group that carries `data-cells`; the frame tells where the bed lies in the picture.
pub(crate) fn layer_map_svg(maps: &LayerMaps) -> (String, Frame) {
    let span = |extent: crate::scenario::Extent| Span { low: extent.from, high: extent.to };
    let (x, y) = (span(maps.grid.x_mm), span(maps.grid.y_mm));
    let px_per_mm = (570.0 / (x.high - x.low)).min(460.0 / (y.high - y.low));
    let (width, height) = ((x.high - x.low) * px_per_mm, (y.high - y.low) * px_per_mm);
    let frame = Frame { left: 58.0, top: 12.0, width, height, x, y };
    let mut svg = Svg::without_tooltip(640.0, frame.bottom() + 132.0, "Map of the chosen layer", "");
    svg.rect(frame.left, frame.top, frame.width, frame.height, &[("fill", &GHOST_FILL)]);
    svg.open("g", &[("data-cells", &"")]);
    svg.close("g");
    frame.border(&mut svg);
    let step = frame.y.step(8.0).max(frame.x.step(8.0));
    frame.axis_x(&mut svg, step, "X, mm");
    frame.axis_y(&mut svg, step, "Y, mm", number);
    for (index, class) in JUDGED.into_iter().chain([Class::Refused]).enumerate() {
        let (left, top) = (frame.left + (index % 3) as f64 * 180.0, frame.bottom() + 66.0 + (index / 3) as f64 * 28.0);
        swatch(&mut svg, [left, top, 30.0, 18.0], class);
        svg.text(left + 38.0, top + 14.0, &[], class.label());
    }
    (svg.finish(), frame)
}
