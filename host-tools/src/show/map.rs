//! The map of a grid: contour lines with their heights, and the stations with theirs.

use gapkeeper::HeightGrid;

use super::ramp::hex;
use super::{colour, levels_um};
use crate::flatness::{Flatness, places};
use crate::picture::Field;
use crate::picture::contours::{self, Xy};
use crate::picture::frame::{Frame, Span, number};
use crate::picture::heading::Heading;
use crate::picture::levels::{self, LineKind, level_label};
use crate::picture::line_labels::LabelPlaces;
use crate::picture::marks::station;
use crate::picture::palette::{INK, INK_SOFT};
use crate::picture::svg::{Attributes, Svg};

/// Samples of the surface along its longer side.
const SAMPLES: f64 = 180.0;
const LEFT: f64 = 70.0;
/// The largest frame.
const WIDEST: f64 = 640.0;
const HIGHEST: f64 = 560.0;
/// Room right of the frame and below it.
const RIGHT: f64 = 40.0;
/// Room for words even above a narrow bed.
const LEAST_WIDTH: f64 = 460.0;
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

/// What the heights of a map are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shown {
    /// Those of a bed.
    Bed,
    /// Changes from one reading of a bed to another.
    Change,
    /// How far a surface may be off, at places that are no stations.
    Band,
}

/// One complete SVG: the surface in bands with contour lines, and the readings at their stations.
///
/// Both axes have one scale. The title says what to do, the name after it what is shown and why; `surface` is what the
/// machine would follow between `stations`.
pub fn map_svg<const STATIONS: usize, const SURFACE: usize>(
    shown: Shown,
    (title, name): (&str, &str),
    stations: &HeightGrid<STATIONS>,
    surface: &HeightGrid<SURFACE>,
) -> String {
    // A computed surface bends between its nodes; that through the stations themselves has creases, and they are shown.
    let is_computed = surface.lattice() != stations.lattice();
    let field = field(surface, if is_computed { curve } else { straight });
    let (x, y) = (contours::span_x(&field), contours::span_y(&field));
    let px_per_mm = (WIDEST / (x.high - x.low)).min(HIGHEST / (y.high - y.low));
    let side = |span: Span| (span.high - span.low) * px_per_mm;
    let width = (LEFT + side(x) + RIGHT).max(LEFT + LEAST_WIDTH + RIGHT);
    let about = about(shown, name, stations);
    let heading = Heading::new(title, &about, width - LEFT - RIGHT);
    let frame = Frame { left: LEFT, top: heading.bottom() + 24.0, width: side(x), height: side(y), x, y };
    let levels_um = levels_um(surface);
    let mut svg = Svg::new(width, frame.bottom() + BELOW, title, &format!("Contour map, Y pointing up. {about}."));
    heading.draw(&mut svg, LEFT);

    let band_colour = |band: usize| hex(colour(&levels_um, band));
    levels::fill(&mut svg, &contours::rings(&field, &levels_um), band_colour, &frame);
    let stations = if shown == Shown::Band { Vec::new() } else { places(stations) };
    let marks: Vec<(Xy, i32)> = stations
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
    let mark = if has_labels { "station with its height" } else { "station" };
    let note = match shown {
        Shown::Bed => format!("{mark}; heights in µm, positive where the bed is high"),
        Shown::Change => format!("{mark}; changes in µm, positive where the bed has risen"),
        Shown::Band => "half the width of the 95 % band, µm".to_owned(),
    };
    legend(
        &mut svg,
        &levels_um,
        (&note, shown != Shown::Band),
        (LEFT, frame.bottom() + 64.0),
        (width - LEFT - RIGHT).min(LEAST_WIDTH),
    );
    svg.finish()
}

/// What is shown: name, stations, heights, flatness.
fn about<const STATIONS: usize>(shown: Shown, name: &str, stations: &HeightGrid<STATIONS>) -> String {
    let lattice = stations.lattice();
    let (lowest_um, highest_um) = stations.shape_range_um();
    let (lowest_um, highest_um) = (lowest_um + stations.mean_um(), highest_um + stations.mean_um());
    let (what, flatness) = match shown {
        Shown::Bed => ("height of the bed", Flatness::of_grid(stations)),
        Shown::Change => ("change of height", None),
        Shown::Band => ("how far the surface may be off", None),
    };
    let flatness = flatness.map_or_else(String::new, |flatness| {
        let [about_plane, zone] = [flatness.least_squares_um, flatness.minimum_zone_um].map(|um| number(um, 1.0));
        format!(" · flatness {about_plane} µm about the least-squares plane, {zone} µm minimum zone")
    });
    let count = match shown {
        Shown::Band => String::new(),
        Shown::Bed | Shown::Change => format!("{} × {} stations, ", lattice.columns, lattice.rows),
    };
    format!(
        "{name}: {what} · {count}from {} to {} µm{flatness}",
        number(lowest_um.into(), 1.0),
        number(highest_um.into(), 1.0)
    )
}

/// Between the second and the third of four heights in a row, a share of the way.
type Between = fn([f64; 4], f64) -> f64;

fn straight([_, from, to, _]: [f64; 4], share: f64) -> f64 {
    from + (to - from) * share
}

/// A cubic whose slope at a node is that from neighbour to neighbour (E. Catmull and R. Rom, "A class of local
/// interpolating splines", 1974). Its distance from the straight line that the machine follows is an eighth of the bend
/// from node to node, a fraction of a micrometre on a computed surface.
fn curve([before, from, to, after]: [f64; 4], share: f64) -> f64 {
    let [first, second, third] =
        [to - before, 2.0 * before - 5.0 * from + 4.0 * to - after, 3.0 * (from - to) + after - before];
    from + 0.5 * share * (first + share * (second + share * third))
}

/// The surface sampled as densely as the eye asks, its own nodes at both ends.
///
/// Whole micrometres would make steps of gentle slopes, and jagged contour lines of steps.
fn field<const CAPACITY: usize>(surface: &HeightGrid<CAPACITY>, between: Between) -> Field {
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
    // Beyond the edges it goes on as straight as it arrives there.
    let beyond = |at: i64, last: i64, value: &dyn Fn(usize) -> f64| -> f64 {
        // Inside after the clamp, and at most one step outside before it.
        let inside = |at: i64| value(at.clamp(0, last) as usize);
        match at {
            _ if at < 0 => 2.0 * inside(0) - inside(1),
            _ if at > last => 2.0 * inside(last) - inside(last - 1),
            _ => inside(at),
        }
    };
    let (last_column, last_row) = (i64::from(lattice.columns) - 1, i64::from(lattice.rows) - 1);
    let values_um = (0..rows)
        .flat_map(|row| (0..columns).map(move |column| (column as f64 / parts_x, row as f64 / parts_y)))
        .map(|(u, v)| {
            let (column, row) = (u.min(cells_x - 1.0).floor(), v.min(cells_y - 1.0).floor());
            let (share_x, share_y) = (u - column, v - row);
            let (column, row) = (column as i64, row as i64);
            let four = |at: i64, last: i64, value: &dyn Fn(usize) -> f64| {
                [-1, 0, 1, 2].map(|step| beyond(at + step, last, value))
            };
            let along = |row: usize| between(four(column, last_column, &|column| node(column, row)), share_x);
            between(four(row, last_row, &along), share_y) - BELOW_LEVEL_UM
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

/// The bands side by side with the heights between them, and what the marks are.
fn legend(svg: &mut Svg, levels_um: &[f64], (note, has_marks): (&str, bool), (left, top): Xy, width: f64) {
    let part = width / (levels_um.len() + 1) as f64;
    for band in 0..=levels_um.len() {
        let fill = hex(colour(levels_um, band));
        svg.rect(left + part * band as f64, top, part, 14.0, &[("fill", &fill)]);
    }
    svg.rect(left, top, width, 14.0, &[("fill", &"none"), ("stroke", &INK)]);
    let small: Attributes<'_> = &[("font-size", &"11"), ("fill", &INK_SOFT), ("text-anchor", &"middle")];
    for (index, level_um) in levels_um.iter().enumerate() {
        let x = left + part * (index + 1) as f64;
        svg.line((x, top), (x, top + 18.0), &[("stroke", &INK), ("stroke-width", &"0.8")]);
        svg.text(x, top + 30.0, small, &level_label(*level_um));
    }
    if has_marks {
        station(svg, (left + 6.0, top + 48.0));
    }
    svg.text(left + if has_marks { 20.0 } else { 0.0 }, top + 52.0, &[], note);
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
            let svg = map_svg(Shown::Bed, ("Measure again: <b>", name), &grid, &grid);
            assert!(usvg::Tree::from_str(&svg, &usvg::Options::default()).is_ok(), "{name}");
            assert!(!svg.contains("NaN") && !svg.contains("<script") && !svg.contains("href"), "{name}");
        }
    }

    /// A bow on a computed lattice: the curve meets the nodes and the bow between them, and has no corner at a node.
    #[test]
    fn a_computed_surface_is_drawn_without_corners() {
        let bow = |u: f64, v: f64| 300.0 - 5.0 * (u - 7.0).powi(2) - 4.0 * (v - 7.0).powi(2);
        let grid = grid(15, 15, 10_000, |u, v| bow(f64::from(u), f64::from(v)) as i32);
        let sharpest = |field: &Field| {
            let bend = |row: &[f64]| row.windows(3).map(|z| (z[0] - 2.0 * z[1] + z[2]).abs()).fold(0.0, f64::max);
            field.values_um.chunks(field.columns).map(bend).fold(0.0, f64::max)
        };
        let [smooth, creased] = [curve, straight].map(|between| field(&grid, between));
        assert!(sharpest(&smooth) < 0.25 * sharpest(&creased), "{} {}", sharpest(&smooth), sharpest(&creased));
        for (index, value_um) in smooth.values_um.iter().enumerate() {
            let at = |index: usize, step_mm: f64| index as f64 * step_mm / 10.0;
            let (u, v) = (at(index % smooth.columns, smooth.step_x_mm), at(index / smooth.columns, smooth.step_y_mm));
            // At the edges the straight continuation costs an eighth of the bend on either axis.
            assert!((value_um + BELOW_LEVEL_UM - bow(u, v)).abs() < 2.3, "{u} {v}: {value_um}");
        }
    }

    #[test]
    fn stations_stand_where_they_are_with_their_readings() {
        let grid = grid(3, 2, 50_000, |u, v| 11 * u - 40 * v);
        let svg = map_svg(Shown::Bed, ("Raise the front", "plate"), &grid, &grid);
        for reading in ["+11", "+22", "−40", "−29", "−18"] {
            assert!(svg.contains(&format!(">{reading}</text>")), "{reading}");
        }
        assert_eq!(svg.matches("class=\"station\"").count(), 4 * 6 + 4, "four strokes each, and the legend's");
        for text in ["3 × 2 stations, from −40 to 22 µm", "Raise the front", "plate: height of the bed", "minimum zone"]
        {
            assert!(svg.contains(text), "{text}: {svg}");
        }
    }
}
