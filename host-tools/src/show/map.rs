//! The map of a grid: contour lines with their heights, and the stations with theirs.

use gapkeeper::HeightGrid;

use super::{colour, levels_um};
use crate::flatness::places;
use crate::picture::Field;
use crate::picture::contours::{self, Xy};
use crate::picture::frame::{Frame, Span, number};
use crate::picture::levels::{self, LineKind, level_label};
use crate::picture::line_labels::LabelPlaces;
use crate::picture::marks::station;
use crate::picture::palette::{INK, INK_SOFT};
use crate::picture::svg::{Attributes, Svg, shortened};

/// Samples of the surface along its longer side.
const SAMPLES: f64 = 180.0;
const LEFT: f64 = 70.0;
const TOP: f64 = 84.0;
/// The largest frame.
const WIDEST: f64 = 640.0;
const HIGHEST: f64 = 560.0;
/// Room right of the frame and below it.
const RIGHT: f64 = 40.0;
const BELOW: f64 = 128.0;
/// Most stations whose heights can be told apart in the picture.
const MOST_LABELS: usize = 81;
/// Nodes are whole micrometres, and levels too: where both are one, a line would run along the border of a cell.
const BELOW_LEVEL_UM: f64 = 0.25;
/// Half the width of a reading, and some room.
const LABEL_HALF: f64 = 22.0;
const LINES: LineKind = LineKind { colour: INK, stroke_width: "0.9", shortest: 8.0 };
const HALO: Attributes<'_> =
    &[("stroke", &"#ffffff"), ("stroke-width", &"3"), ("paint-order", &"stroke"), ("stroke-linejoin", &"round")];

/// One complete SVG: the surface in bands with contour lines, and the readings at their stations.
///
/// Both axes have one scale. `name` tells what is shown, `surface` is what the machine would follow between `stations`.
pub fn map_svg<const STATIONS: usize, const SURFACE: usize>(
    name: &str,
    stations: &HeightGrid<STATIONS>,
    surface: &HeightGrid<SURFACE>,
) -> String {
    let field = field(surface);
    let (x, y) = (contours::span_x(&field), contours::span_y(&field));
    let px_per_mm = (WIDEST / (x.high - x.low)).min(HIGHEST / (y.high - y.low));
    let side = |span: Span| (span.high - span.low) * px_per_mm;
    let frame = Frame { left: LEFT, top: TOP, width: side(x), height: side(y), x, y };
    let levels_um = levels_um(surface);

    let lattice = stations.lattice();
    let (lowest_um, highest_um) = stations.shape_range_um();
    let (lowest_um, highest_um) = (lowest_um + stations.mean_um(), highest_um + stations.mean_um());
    let about = format!(
        "{} · {} × {} stations, from {} to {} µm",
        shortened(name, 40),
        lattice.columns,
        lattice.rows,
        number(lowest_um.into(), 1.0),
        number(highest_um.into(), 1.0)
    );
    let title = "Height of the bed";
    let width = (frame.right() + RIGHT).max(LEFT + 460.0);
    let mut svg = Svg::new(width, frame.bottom() + BELOW, title, &format!("Contour map, Y pointing up. {about}."));
    svg.text(LEFT, 34.0, &[("font-size", &"20"), ("font-weight", &"600")], title);
    svg.text(LEFT, 55.0, &[("fill", &INK_SOFT)], &about);

    let band_colour = |band: usize| pale(colour(&levels_um, band));
    levels::fill(&mut svg, &contours::rings(&field, &levels_um), band_colour, &frame);
    let marks: Vec<(Xy, i32)> = places(stations)
        .into_iter()
        .map(|node| (frame.point(f64::from(node.x_um) / 1000.0, f64::from(node.y_um) / 1000.0), node.height_um))
        .collect();
    let has_labels = marks.len() <= MOST_LABELS;
    // Inside the frame even at its border.
    let label_at = |(x, y): Xy| {
        let x = x.min(frame.right() - LABEL_HALF).max(frame.left + LABEL_HALF);
        (x, if y - frame.top < 24.0 { y + 18.0 } else { y - 9.0 })
    };
    let taken = marks.iter().flat_map(|(mark, _)| [*mark, label_at(*mark)]);
    let mut places = LabelPlaces::new(taken, (frame.left, frame.top), (frame.right(), frame.bottom()));
    svg.open("g", &[("font-size", &"10.5"), ("text-anchor", &"middle"), ("stroke-linejoin", &"round")]);
    levels::draw(&mut svg, &field, &levels_um, &frame, &mut places, &LINES, |_| true);
    svg.close("g");
    frame.border(&mut svg);
    svg.open("g", &[("font-size", &"11"), ("font-weight", &"600"), ("text-anchor", &"middle")]);
    for (mark, height_um) in &marks {
        station(&mut svg, *mark);
        if has_labels {
            let (x, y) = label_at(*mark);
            svg.text(x, y, HALO, &level_label(f64::from(*height_um)));
        }
    }
    svg.close("g");
    let step = frame.y.step(8.0).max(frame.x.step(8.0));
    frame.axis_x(&mut svg, step, "X, mm");
    frame.axis_y(&mut svg, step, "Y, mm", number);
    let mark = if has_labels { "station with its reading" } else { "station" };
    legend(&mut svg, &levels_um, mark, (LEFT, frame.bottom() + 64.0), (width - LEFT - RIGHT).min(460.0));
    svg.finish()
}

/// The surface sampled as densely as the eye asks, its own nodes at both ends.
///
/// Whole micrometres would make steps of gentle slopes, and jagged contour lines of steps.
fn field<const CAPACITY: usize>(surface: &HeightGrid<CAPACITY>) -> Field {
    let lattice = surface.lattice();
    let (cells_x, cells_y) = (f64::from(lattice.columns - 1), f64::from(lattice.rows - 1));
    let (pitch_x_mm, pitch_y_mm) = (f64::from(lattice.pitch_x_um) / 1000.0, f64::from(lattice.pitch_y_um) / 1000.0);
    let sample_mm = (pitch_x_mm * cells_x).max(pitch_y_mm * cells_y) / SAMPLES;
    // Whole parts of each cell, so that creases are met.
    let parts = |pitch_mm: f64| (pitch_mm / sample_mm).ceil().clamp(1.0, SAMPLES);
    let (parts_x, parts_y) = (parts(pitch_x_mm), parts(pitch_y_mm));
    let (columns, rows) = ((parts_x * cells_x) as usize + 1, (parts_y * cells_y) as usize + 1);
    let stride = usize::from(lattice.columns);
    let node =
        |column: usize, row: usize| surface.nodes_um().get(row * stride + column).map_or(0.0, |um| f64::from(*um));
    let between = |from: f64, to: f64, share: f64| from + (to - from) * share;
    let values_um = (0..rows)
        .flat_map(|row| (0..columns).map(move |column| (column as f64 / parts_x, row as f64 / parts_y)))
        .map(|(u, v)| {
            let (column, row) = (u.min(cells_x - 1.0).floor(), v.min(cells_y - 1.0).floor());
            let (share_x, share_y) = (u - column, v - row);
            let (column, row) = (column as usize, row as usize);
            let along = |row: usize| between(node(column, row), node(column + 1, row), share_x);
            between(along(row), along(row + 1), share_y) - BELOW_LEVEL_UM
        })
        .collect();
    Field {
        x0_mm: f64::from(lattice.x0_um) / 1000.0,
        y0_mm: f64::from(lattice.y0_um) / 1000.0,
        step_x_mm: pitch_x_mm / parts_x,
        step_y_mm: pitch_y_mm / parts_y,
        columns,
        rows,
        values_um,
    }
}

/// Nearer to white, so that ink stays legible on it.
fn pale(colorous::Color { r, g, b }: colorous::Color) -> String {
    let [r, g, b] = [r, g, b].map(|part| 115 + (u16::from(part) * 140 + 127) / 255);
    format!("#{r:02x}{g:02x}{b:02x}")
}

/// The bands side by side with the heights between them, and what the marks are.
fn legend(svg: &mut Svg, levels_um: &[f64], mark: &str, (left, top): Xy, width: f64) {
    let part = width / (levels_um.len() + 1) as f64;
    for band in 0..=levels_um.len() {
        let fill = pale(colour(levels_um, band));
        svg.rect(left + part * band as f64, top, part, 14.0, &[("fill", &fill)]);
    }
    svg.rect(left, top, width, 14.0, &[("fill", &"none"), ("stroke", &INK)]);
    let small: Attributes<'_> = &[("font-size", &"11"), ("fill", &INK_SOFT), ("text-anchor", &"middle")];
    for (index, level_um) in levels_um.iter().enumerate() {
        let x = left + part * (index + 1) as f64;
        svg.line((x, top), (x, top + 18.0), &[("stroke", &INK), ("stroke-width", &"0.8")]);
        svg.text(x, top + 30.0, small, &level_label(*level_um));
    }
    station(svg, (left + 6.0, top + 48.0));
    let note = format!("{mark}; heights in µm, positive where the bed is high");
    svg.text(left + 20.0, top + 52.0, &[], &note);
}

#[cfg(test)]
mod tests {
    use gapkeeper::Lattice;
    use resvg::usvg;

    use super::*;

    fn grid(columns: u8, rows: u8, pitch_um: u32, height: impl Fn(i32, i32) -> i32) -> HeightGrid<225> {
        let lattice =
            Lattice { x0_um: -20_000, y0_um: 30_000, pitch_x_um: pitch_um, pitch_y_um: pitch_um, columns, rows };
        HeightGrid::from_fn(lattice, |column, row| height(column.into(), row.into())).unwrap()
    }

    #[test]
    fn every_grid_makes_a_well_formed_picture() {
        for (grid, name) in [
            (grid(3, 3, 50_000, |u, v| 100 - 70 * (u - 1).pow(2) + 9 * v), "bow"),
            (grid(2, 15, 20_000, |u, v| (u * 7919 + v * 104_729) % 8192 - 4096), "rough"),
            (grid(15, 2, 100, |_, _| 0), "flat"),
            (grid(15, 15, 74_000, |u, v| if (u + v) % 2 == 0 { 8191 } else { -8191 }), "<script>&\"\u{1b}"),
        ] {
            let svg = map_svg(name, &grid, &grid);
            assert!(usvg::Tree::from_str(&svg, &usvg::Options::default()).is_ok(), "{name}");
            assert!(!svg.contains("NaN") && !svg.contains("<script") && !svg.contains("href"), "{name}");
        }
    }

    #[test]
    fn stations_stand_where_they_are_with_their_readings() {
        let grid = grid(3, 2, 50_000, |u, v| 11 * u - 40 * v);
        let svg = map_svg("plate", &grid, &grid);
        for reading in ["+11", "+22", "−40", "−29", "−18"] {
            assert!(svg.contains(&format!(">{reading}</text>")), "{reading}");
        }
        assert_eq!(svg.matches("class=\"station\"").count(), 4 * 6 + 4, "four strokes each, and the legend's");
        assert!(svg.contains("3 × 2 stations, from −40 to 22 µm"), "{svg}");
    }
}
