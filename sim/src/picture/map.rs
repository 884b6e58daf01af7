//! The map: gap error over the bed as a surveyor would draw it, contour lines with their heights.

use super::bands::Bands;
use super::contours::{self, Rings, Xy};
use super::frame::{Frame, number, signed};
use super::legend;
use super::levels::{self, LineKind};
use super::line_labels::LabelPlaces;
use super::palette::INK_SOFT;
use super::svg::{Path, Svg};
use super::words;
use crate::outcome::{Field, Outcome, Place, Run};

/// White around text and marks, so that they stay legible on any band.
const HALO: &str = "#ffffff";

const WIDTH: f64 = 1240.0;
const LEFT: f64 = 66.0;
const RIGHT: f64 = 18.0;
const TOP: f64 = 114.0;
const BETWEEN: f64 = 24.0;
/// Room below the panels for axis and legend.
const BELOW: f64 = 130.0;

/// Contour maps of the gap error over the bed at the first layer's height: the three runs side by side.
///
/// Both axes have one scale, Y points up, and the bands are the same in all three.
pub fn map_svg(outcome: &Outcome) -> String {
    let panel_width = (WIDTH - LEFT - RIGHT - 2.0 * BETWEEN) / 3.0;
    let first = bed_frame(outcome, LEFT, TOP, panel_width, 430.0);
    let height = first.bottom() + BELOW;
    let mut svg = Svg::new(WIDTH, height, "Gap error over the bed, first layer", &description(outcome));
    svg.text(LEFT, 34.0, &[("font-size", &"20"), ("font-weight", &"600")], "Gap error over the bed, first layer");
    svg.text(LEFT, 55.0, &[("fill", &INK_SOFT)], &words::origin(outcome));

    let bands = bands(outcome);
    for (index, run) in Run::ALL.into_iter().enumerate() {
        // Panels keep their columns even when the bed is narrow.
        let frame = Frame { left: LEFT + (panel_width + BETWEEN) * index as f64, ..first };
        svg.text(frame.left, TOP - 28.0, &[("font-size", &"15"), ("font-weight", &"600")], run.label());
        svg.text(frame.left, TOP - 11.0, &[("fill", &INK_SOFT)], &words::share_good(outcome, run));
        surface(&mut svg, outcome, run, &bands, &frame);
        let step = frame.y.step(6.0);
        frame.axis_x(&mut svg, step, "X, mm");
        if index == 0 {
            frame.axis_y(&mut svg, step, "Y, mm", number);
        } else {
            frame.ticks_y(&mut svg, step);
        }
    }
    let legend_top = first.bottom() + 62.0;
    legend::colour_bar(&mut svg, LEFT, legend_top, 560.0, &bands);
    legend::marks(&mut svg, LEFT + 640.0, legend_top, 3);
    svg.finish()
}

/// The map that the page explores: one large panel, all runs on top of each other, the first one shown.
///
/// The group of a run carries `data-run`; the frame tells where the bed lies in the picture.
pub(crate) fn explorer_svg(outcome: &Outcome) -> (String, Frame) {
    let frame = bed_frame(outcome, 58.0, 12.0, 570.0, 600.0);
    let mut svg = Svg::without_tooltip(
        640.0,
        frame.bottom() + 196.0,
        "Map of the gap error for the run that is chosen",
        &description(outcome),
    );
    let bands = bands(outcome);
    for run in Run::ALL {
        let display = if run == Run::Uncorrected { "inline" } else { "none" };
        svg.open("g", &[("data-run", &(run as usize)), ("display", &display)]);
        surface(&mut svg, outcome, run, &bands, &frame);
        svg.close("g");
    }
    let step = frame.y.step(8.0);
    frame.axis_x(&mut svg, step, "X, mm");
    frame.axis_y(&mut svg, step, "Y, mm", number);
    legend::colour_bar(&mut svg, frame.left, frame.bottom() + 60.0, 560.0, &bands);
    legend::marks(&mut svg, frame.left, frame.bottom() + 130.0, 3);
    (svg.finish(), frame)
}

/// The largest frame for the bed inside a rectangle, with the same scale on both axes.
fn bed_frame(outcome: &Outcome, left: f64, top: f64, widest: f64, highest: f64) -> Frame {
    let (x, y) = (contours::span_x(&outcome.surfaces.bed), contours::span_y(&outcome.surfaces.bed));
    let (width_mm, height_mm) = (x.high - x.low, y.high - y.low);
    let px_per_mm = (widest / width_mm).min(highest / height_mm);
    Frame { left, top, width: width_mm * px_per_mm, height: height_mm * px_per_mm, x, y }
}

fn bands(outcome: &Outcome) -> Bands {
    let errors = Run::ALL.iter().flat_map(|run| outcome.surfaces.gap_error(*run).values_um);
    let largest_um = errors.map(f64::abs).filter(|error| error.is_finite()).fold(0.0, f64::max);
    Bands::new(outcome.tolerance_um, largest_um)
}

fn description(outcome: &Outcome) -> String {
    let shares: Vec<_> =
        Run::ALL.iter().map(|run| format!("{}: {}", run.label(), words::share_good(outcome, *run))).collect();
    format!("Contour map with Y pointing up. {}.", shares.join("; "))
}

/// Bands, lines, marks and border of one run.
fn surface(svg: &mut Svg, outcome: &Outcome, run: Run, bands: &Bands, frame: &Frame) {
    let field = outcome.surfaces.gap_error(run);
    levels::fill(svg, &contours::rings(&field, &bands.edges_um), |band| bands.colour(band), frame);

    let worst = outcome.runs.get(run as usize).and_then(|found| found.first_layer.errors).map(|errors| errors.worst);
    let marks = outcome.stations.iter().chain(&outcome.screws).map(|point| frame.point(point.x_mm, point.y_mm));
    let worst_marks = worst.iter().flat_map(|place| worst_marks(place, frame));
    let outline = printed_outline(outcome, frame);
    let mut places = LabelPlaces::new(
        marks.chain(worst_marks).chain(outline.iter().flatten().copied()),
        (frame.left, frame.top),
        (frame.right(), frame.bottom()),
    );
    draw_lines(svg, &field, bands, frame, &mut places);
    draw_outline(svg, &outline);

    for screw in &outcome.screws {
        legend::screw(svg, frame.point(screw.x_mm, screw.y_mm));
    }
    for station in &outcome.stations {
        legend::station(svg, frame.point(station.x_mm, station.y_mm));
    }
    frame.border(svg);
    if let Some(place) = worst {
        draw_worst(svg, &place, frame);
    }
}

fn draw_lines(svg: &mut Svg, field: &Field, bands: &Bands, frame: &Frame, places: &mut LabelPlaces) {
    svg.open("g", &[("font-size", &"10.5"), ("text-anchor", &"middle"), ("stroke-linejoin", &"round")]);
    levels::draw(svg, field, &bands.edges_um, frame, places, &EDGE_LINES);
    levels::draw(svg, field, &bands.inner_lines_um, frame, places, &INNER_LINES);
    svg.close("g");
}

/// At the edges of bands: the fill tells of islands too small for a line.
const EDGE_LINES: LineKind = LineKind { stroke_width: "0.9", shortest: 8.0 };
/// Within a band: a line too short to bear its height says nothing, and a rough bed has thousands.
const INNER_LINES: LineKind = LineKind { stroke_width: "0.5", shortest: 60.0 };

/// Around what the first layer printed, in px.
fn printed_outline(outcome: &Outcome, frame: &Frame) -> Vec<Vec<Xy>> {
    let printed = outcome.surfaces.printed.iter().map(|printed| f64::from(u8::from(*printed))).collect();
    let printed = Field { values_um: printed, ..outcome.surfaces.bed.clone() };
    let levels = contours::rings(&printed, &[0.5]);
    levels.iter().flat_map(Rings::areas).map(|ring| ring.map(|(x, y)| frame.point(x, y)).collect()).collect()
}

fn draw_outline(svg: &mut Svg, outline: &[Vec<Xy>]) {
    let mut path = Path::default();
    for ring in outline {
        path.add(ring.iter().copied(), true);
    }
    svg.path(&path, &[("fill", &"none"), ("stroke", &HALO), ("stroke-width", &"4"), ("stroke-opacity", &"0.85")]);
    svg.path(&path, &legend::OUTLINE);
}

/// Where the mark of the worst place and its words are.
fn worst_marks(place: &Place, frame: &Frame) -> [Xy; 3] {
    let (x, y) = frame.point(place.x_mm, place.y_mm);
    let side = if x > frame.left + frame.width / 2.0 { -1.0 } else { 1.0 };
    [(x, y), (x + side * 30.0, y), (x + side * 60.0, y)]
}

fn draw_worst(svg: &mut Svg, place: &Place, frame: &Frame) {
    let words = format!("worst {} µm", signed(place.gap_error_um, 1.0));
    legend::worst_place(svg, frame, (place.x_mm, place.y_mm), &words);
}
