//! The marks of the map and the legend that explains them.

pub(crate) use gapkeeper_host_tools::picture::marks::station;

use super::bands::Bands;
use super::class_style::{GHOST_FILL, swatch};
use super::contours::Xy;
use super::frame::Frame;
use super::levels::level_label;
use super::palette::{INK, INK_SOFT, WORST};
use super::svg::{Attributes, Path, Px, Svg, shortened};
use crate::outcome::Class;

/// How the outline of the first layer is drawn.
pub(crate) const OUTLINE: [(&str, &dyn std::fmt::Display); 4] =
    [("fill", &"none"), ("stroke", &"#2f4f6f"), ("stroke-width", &"1.6"), ("stroke-dasharray", &"10 3 2 3")];

/// A screw: a bolt's head with six sides.
pub(crate) fn screw(svg: &mut Svg, (x, y): Xy) {
    let corner = |index: u32| (f64::from(index) * std::f64::consts::FRAC_PI_3).sin_cos();
    let mut head = Path::default();
    head.add((0..6).map(corner).map(|(sine, cosine)| (x + 6.0 * cosine, y + 6.0 * sine)), true);
    svg.path(&head, &[("fill", &"#ffffff"), ("stroke", &INK), ("stroke-width", &"1.4")]);
    svg.element("circle", &[("cx", &Px(x)), ("cy", &Px(y)), ("r", &"1.8"), ("fill", &INK)]);
}

/// A worst place: a triangle that stands on its tip.
pub(crate) fn worst(svg: &mut Svg, (x, y): Xy) {
    let mut path = Path::default();
    path.add([(x - 6.5, y - 11.0), (x + 6.5, y - 11.0), (x, y)], true);
    svg.path(&path, &[("fill", &WORST), ("stroke", &"#ffffff"), ("stroke-width", &"1.5")]);
}

/// Where the words of a mark begin or end: beside it and above it, so that lines through the mark leave them free.
pub(crate) fn words_beside(frame: &Frame, (x, y): Xy) -> (&'static str, Xy) {
    let base = if y - frame.top > 26.0 { y - 7.0 } else { y + 17.0 };
    if x <= frame.left + frame.width / 2.0 { ("start", (x + 11.0, base)) } else { ("end", (x - 11.0, base)) }
}

/// The mark of a worst place of the bed, with a few words beside it.
pub(crate) fn worst_place(svg: &mut Svg, frame: &Frame, (x_mm, y_mm): Xy, words: &str) {
    let mark = frame.point(x_mm, y_mm);
    worst(svg, mark);
    let (anchor, (x, base)) = words_beside(frame, mark);
    svg.text(
        x,
        base,
        &[
            ("data-worst", &""),
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

/// What the numbers at the classes' edges are.
pub(crate) const GAP_ERROR: &str = "gap error, µm (gap less the height that the job asked for)";

/// The classes side by side, their edges numbered.
pub(crate) fn class_bar(svg: &mut Svg, (left, top): Xy, width: f64, bands: &Bands, unit: &str) {
    let labels: Vec<String> = bands.edges_um.iter().map(|edge| level_label(*edge)).collect();
    class_fields(svg, (left, top), width, &bands.classes, &labels, unit);
}

/// Fields for some classes with what stands at the edges between them.
pub(crate) fn class_fields(
    svg: &mut Svg,
    (left, top): Xy,
    width: f64,
    classes: &[Class],
    edges: &[String],
    unit: &str,
) {
    let each = width / classes.len() as f64;
    for (index, class) in classes.iter().enumerate() {
        let field_left = left + each * index as f64;
        swatch(svg, [field_left, top, each, 18.0], *class);
        svg.text(field_left + each / 2.0, top - 7.0, &[("text-anchor", &"middle")], class.label());
    }
    let small: Attributes<'_> = &[("font-size", &"11"), ("fill", &INK_SOFT), ("text-anchor", &"middle")];
    for (index, edge) in edges.iter().enumerate() {
        let x = left + each * (index + 1) as f64;
        svg.line((x, top), (x, top + 22.0), &[("stroke", &INK), ("stroke-width", &"0.8")]);
        svg.text(x, top + 34.0, small, edge);
    }
    svg.text(left + width / 2.0, top + 52.0, small, unit);
}

/// The marks with their meaning, so many in a column.
pub(crate) fn marks(svg: &mut Svg, left: f64, top: f64, per_column: usize) {
    type Draw = fn(&mut Svg, Xy);
    let entries: [(Draw, &str); 6] = [
        (|svg, (x, y)| svg.line((x - 13.0, y), (x + 13.0, y), &[("stroke", &INK)]), "contour line with its error, µm"),
        (
            |svg, (x, y)| {
                let mut path = Path::default();
                path.add([(x - 13.0, y), (x + 13.0, y)], false);
                svg.path(&path, &OUTLINE);
            },
            "outline of the first layer",
        ),
        (
            |svg, (x, y)| svg.rect(x - 13.0, y - 7.0, 26.0, 13.0, &[("fill", &GHOST_FILL)]),
            "nothing printed, or refused",
        ),
        (station, "station"),
        (screw, "screw below the bed"),
        (|svg, (x, y)| worst(svg, (x, y + 5.0)), "worst place of the first layer"),
    ];
    for (index, (draw, meaning)) in entries.into_iter().enumerate() {
        let (column, row) = (index / per_column, index % per_column);
        let (x, y) = (left + 14.0 + column as f64 * 260.0, top + row as f64 * 22.0);
        draw(svg, (x, y));
        svg.text(x + 22.0, y + 4.0, &[], meaning);
    }
}
