//! The marks of the map and the legend that explains them.

pub(crate) use gapkeeper_host_tools::picture::marks::station;

use super::bands::Bands;
use super::contours::Xy;
use super::frame::Frame;
use super::levels::level_label;
use super::palette::{INK, INK_SOFT, WORST};
use super::svg::{Attributes, Path, Svg, shortened};

/// How the outline of the first layer is drawn.
pub(crate) const OUTLINE: [(&str, &dyn std::fmt::Display); 4] =
    [("fill", &"none"), ("stroke", &"#2f4f6f"), ("stroke-width", &"1.6"), ("stroke-dasharray", &"10 3 2 3")];

/// A screw: the slotted head.
pub(crate) fn screw(svg: &mut Svg, (x, y): Xy) {
    svg.element(
        "circle",
        &[
            ("cx", &super::svg::Px(x)),
            ("cy", &super::svg::Px(y)),
            ("r", &"5.5"),
            ("fill", &"#ffffff"),
            ("stroke", &INK),
            ("stroke-width", &"1.4"),
        ],
    );
    svg.line((x - 3.9, y + 3.9), (x + 3.9, y - 3.9), &[("stroke", &INK), ("stroke-width", &"2")]);
}

/// A worst place: a triangle that stands on its tip.
pub(crate) fn worst(svg: &mut Svg, (x, y): Xy) {
    let mut path = Path::default();
    path.add([(x - 6.5, y - 6.0), (x + 6.5, y - 6.0), (x, y + 5.5)], true);
    svg.path(&path, &[("fill", &WORST), ("stroke", &"#ffffff"), ("stroke-width", &"1.5")]);
}

/// The mark of a worst place of the bed, with a few words beside it.
pub(crate) fn worst_place(svg: &mut Svg, frame: &Frame, (x_mm, y_mm): Xy, words: &str) {
    let (x, y) = frame.point(x_mm, y_mm);
    worst(svg, (x, y));
    let (anchor, shift) = if x <= frame.left + frame.width / 2.0 { ("start", 10.0) } else { ("end", -10.0) };
    // Inside the frame even when the mark sits on its upper or lower border.
    let base = (y + 4.0).clamp(frame.top + 12.0, frame.bottom() - 5.0);
    svg.text(
        x + shift,
        base,
        &[
            ("text-anchor", &anchor),
            ("fill", &WORST),
            ("font-weight", &"600"),
            ("stroke", &"#ffffff"),
            ("stroke-width", &"3.5"),
            ("paint-order", &"stroke"),
            ("stroke-linejoin", &"round"),
        ],
        &shortened(words, 30),
    );
}

/// The bands side by side, their edges numbered.
pub(crate) fn colour_bar(svg: &mut Svg, left: f64, top: f64, width: f64, bands: &Bands) {
    let count = bands.edges_um.len() + 1;
    let band_width = width / count as f64;
    let middle = left + width / 2.0;
    let small: Attributes<'_> = &[("font-size", &"11"), ("fill", &INK_SOFT), ("text-anchor", &"middle")];
    svg.text(left, top - 7.0, &[], "nozzle too near");
    svg.text(middle, top - 7.0, &[("text-anchor", &"middle")], "sticks");
    svg.text(left + width, top - 7.0, &[("text-anchor", &"end")], "nozzle too far");
    for index in 0..count {
        svg.rect(left + band_width * index as f64, top, band_width, 16.0, &[("fill", &bands.colour(index))]);
    }
    svg.rect(left, top, width, 16.0, &[("fill", &"none"), ("stroke", &INK)]);
    for (index, edge) in bands.edges_um.iter().enumerate() {
        let x = left + band_width * (index + 1) as f64;
        svg.line((x, top), (x, top + 20.0), &[("stroke", &INK), ("stroke-width", &"0.8")]);
        svg.text(x, top + 32.0, small, &level_label(*edge));
    }
    svg.text(middle, top + 50.0, small, "gap error, µm (gap less the height that the job asked for)");
}

/// The marks with their meaning, so many in a column.
pub(crate) fn marks(svg: &mut Svg, left: f64, top: f64, per_column: usize) {
    type Draw = fn(&mut Svg, Xy);
    let entries: [(Draw, &str); 6] = [
        (|svg, (x, y)| solid(svg, (x, y)), "contour line, zero or too far, µm"),
        (
            |svg, (x, y)| svg.line((x - 13.0, y), (x + 13.0, y), &[("stroke", &INK), ("stroke-dasharray", &"5 3")]),
            "contour line, too near, µm",
        ),
        (
            |svg, (x, y)| {
                let mut path = Path::default();
                path.add([(x - 13.0, y), (x + 13.0, y)], false);
                svg.path(&path, &OUTLINE);
            },
            "outline of the first layer",
        ),
        (station, "station"),
        (screw, "screw below the bed"),
        (worst, "worst place of the first layer"),
    ];
    for (index, (draw, meaning)) in entries.into_iter().enumerate() {
        let (column, row) = (index / per_column, index % per_column);
        let (x, y) = (left + 14.0 + column as f64 * 260.0, top + row as f64 * 22.0);
        draw(svg, (x, y));
        svg.text(x + 22.0, y + 4.0, &[], meaning);
    }
}

fn solid(svg: &mut Svg, (x, y): Xy) {
    svg.line((x - 13.0, y), (x + 13.0, y), &[("stroke", &INK)]);
}
