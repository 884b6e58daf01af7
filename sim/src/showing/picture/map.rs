//! The map: gap error over the bed, coloured by class where something is printed, with contour lines and their heights.

use super::bands::Bands;
use super::class_style::{GHOST_FILL, GHOST_LINE, class_style, draw_patterns};
use super::contours::{self, Rings, Xy};
use super::field_view::FieldView;
use super::frame::{Frame, Span, number, signed};
use super::legend;
use super::levels::{self, LineKind};
use super::line_labels::LabelPlaces;
use super::palette::INK;
use super::panels::{LEFT, WIDTH, panels};
use super::svg::{Path, Svg};
use super::words;
use crate::outcome::{Class, Field, Outcome, Place, Run};

/// White around text and marks, so that they stay legible on any band.
const HALO: &str = "#ffffff";
/// Room below the panels for axis and legend.
const BELOW: f64 = 150.0;
/// Px between the lines of a pattern.
const SPACING: f64 = 7.0;

/// What the picture shows.
pub(crate) const SHOWS: &str = "Gap error over the bed, first layer";

/// Contour maps of the gap error over the bed at the first layer's height: the three runs side by side.
///
/// Both axes have one scale, Y points up, and the classes are the same in all three. The group of a run carries
/// `data-panel`, and left, top, width and height of the bed in `data-frame`.
pub fn map_svg(outcome: &Outcome, title: &str) -> String {
    let (name, heading) = words::head(outcome, title, SHOWS, WIDTH - LEFT - 18.0);
    let bed = &outcome.surfaces.bed;
    let panels = panels(contours::span_x(bed), contours::span_y(bed), heading.bottom() + 8.0);
    let mut svg = Svg::new(WIDTH, panels.bottom() + BELOW, name, &description(outcome));
    heading.draw(&mut svg, LEFT);
    let bands = bands(outcome);
    for run in Run::ALL {
        panels.caption(&mut svg, run, &words::share_good(outcome, run));
        let frame = &panels.frames[run as usize];
        let at = format!("{:.1} {:.1} {:.1} {:.1}", frame.left, frame.top, frame.width, frame.height);
        svg.open("g", &[("data-panel", &(run as usize)), ("data-frame", &at)]);
        surface(&mut svg, outcome, run, &bands, frame);
        svg.close("g");
        panels.axes(&mut svg, run);
    }
    let legend_top = panels.bottom() + 76.0;
    legend::class_bar(&mut svg, (LEFT, legend_top), 560.0, &bands, legend::GAP_ERROR);
    legend::marks(&mut svg, LEFT + 640.0, legend_top - 12.0, 3);
    svg.finish()
}

/// The map that the page explores: one large panel, all runs on top of each other, the one in use shown.
///
/// The group of a run carries `data-run`; the frame tells where the bed lies in the picture.
pub(crate) fn explorer_svg(outcome: &Outcome) -> (String, Frame) {
    let frame = bed_frame(outcome, (58.0, 12.0), 570.0, 600.0);
    let mut svg = Svg::without_tooltip(
        640.0,
        frame.bottom() + 210.0,
        "Map of the gap error for the run that is chosen",
        &description(outcome),
    );
    let bands = bands(outcome);
    for run in Run::ALL {
        let display = if run == opened(outcome) { "inline" } else { "none" };
        svg.open("g", &[("data-run", &(run as usize)), ("display", &display)]);
        surface(&mut svg, outcome, run, &bands, &frame);
        svg.close("g");
    }
    let step = frame.y.step(8.0).max(frame.x.step(8.0));
    frame.axis_x(&mut svg, step, "X, mm");
    frame.axis_y(&mut svg, step, "Y, mm", number);
    legend::class_bar(&mut svg, (frame.left, frame.bottom() + 74.0), 560.0, &bands, legend::GAP_ERROR);
    legend::marks(&mut svg, frame.left, frame.bottom() + 150.0, 3);
    (svg.finish(), frame)
}

/// The run that a page opens on: the one that would be used.
pub(crate) fn opened(outcome: &Outcome) -> Run {
    outcome.runs.iter().find(|run| run.in_use).map_or(Run::Refined, |run| run.run)
}

/// A map of one run without axes and words, as large as fits into a rectangle.
pub(super) fn small_map(svg: &mut Svg, outcome: &Outcome, run: Run, left_top: Xy, widest: f64, highest: f64) -> Frame {
    let fits = bed_frame(outcome, left_top, widest, highest);
    let frame =
        Frame { left: fits.left + (widest - fits.width) / 2.0, top: fits.top + (highest - fits.height) / 2.0, ..fits };
    let bands = bands(outcome);
    let surfaces = &outcome.surfaces;
    areas(svg, &surfaces.gap_error(run), &surfaces.laid(run), &bands, &frame);
    draw_outline(svg, &outline(&surfaces.bed, &surfaces.printed, &frame));
    frame.border(svg);
    frame
}

/// The largest frame for the bed inside a rectangle, with the same scale on both axes.
fn bed_frame(outcome: &Outcome, (left, top): Xy, widest: f64, highest: f64) -> Frame {
    let (x, y) = (contours::span_x(&outcome.surfaces.bed), contours::span_y(&outcome.surfaces.bed));
    let (width_mm, height_mm) = (x.high - x.low, y.high - y.low);
    let px_per_mm = (widest / width_mm).min(highest / height_mm);
    Frame { left, top, width: width_mm * px_per_mm, height: height_mm * px_per_mm, x, y }
}

/// Lines reach as far as the errors of what is printed: what no line lies on has no say in the scale.
fn bands(outcome: &Outcome) -> Bands {
    let surfaces = &outcome.surfaces;
    let laid = |run: &Run| {
        let errors = surfaces.gap_error(*run).values_um.into_iter().zip(surfaces.laid(*run));
        errors.filter(|(_, laid)| *laid).map(|(error, _)| error).collect::<Vec<_>>()
    };
    let errors_um = Span::of(Run::ALL.iter().flat_map(laid));
    Bands::new(outcome.tolerance_um, outcome.measure.lays.then_some(surfaces.first_layer_um), errors_um)
}

fn description(outcome: &Outcome) -> String {
    let shares: Vec<_> =
        Run::ALL.iter().map(|run| format!("{}: {}", run.label(), words::share_good(outcome, *run))).collect();
    format!("Contour map with Y pointing up. {}.", shares.join("; "))
}

/// Bands, lines, marks and border of one run.
fn surface(svg: &mut Svg, outcome: &Outcome, run: Run, bands: &Bands, frame: &Frame) {
    let (field, laid) = (outcome.surfaces.gap_error(run), outcome.surfaces.laid(run));
    areas(svg, &field, &laid, bands, frame);

    let worst = words::worst(outcome, run);
    let marks = outcome.stations.iter().chain(&outcome.screws).map(|point| frame.point(point.x_mm, point.y_mm));
    let worst_marks = worst.iter().flat_map(|place| worst_marks(place, frame));
    let edge = outline(&field, &outcome.surfaces.printed, frame);
    let mut places = LabelPlaces::new(
        marks.chain(worst_marks).chain(edge.iter().flatten().copied()),
        (frame.left, frame.top),
        (frame.right(), frame.bottom()),
    );
    let view = FieldView { field: &field, frame };
    let is_laid = |point: Xy| laid.get(view.nearest(point)) == Some(&true);
    levels::draw_bare(svg, &field, &bands.edges_um, frame, &GHOST_LINES, |point| !is_laid(point));
    svg.open("g", &[("font-size", &"10.5"), ("text-anchor", &"middle")]);
    levels::draw(svg, &field, &bands.edges_um, frame, &mut places, &EDGE_LINES, is_laid);
    levels::draw(svg, &field, &bands.lines_um, frame, &mut places, &INNER_LINES, is_laid);
    svg.close("g");
    draw_outline(svg, &edge);

    for screw in &outcome.screws {
        legend::screw(svg, frame.point(screw.x_mm, screw.y_mm));
    }
    for station in &outcome.stations {
        legend::station(svg, frame.point(station.x_mm, station.y_mm));
    }
    frame.border(svg);
    if let Some(place) = worst {
        let touches = outcome.measure.class(place.gap_error_um, place.z_mm * 1000.0) == Class::Contact;
        let words = format!("{} {} µm", if touches { "touches" } else { "worst" }, signed(place.gap_error_um, 1.0));
        legend::worst_place(svg, frame, (place.x_mm, place.y_mm), &words);
    }
}

/// At the edges of classes: the fill tells of islands too small for a line.
const EDGE_LINES: LineKind = LineKind { colour: INK, stroke_width: "1.1", shortest: 12.0 };
/// Within a class: a line too short to bear its height says nothing, and a rough bed has thousands.
const INNER_LINES: LineKind = LineKind { colour: INK, stroke_width: "0.5", shortest: 60.0 };
/// Where nothing is printed.
const GHOST_LINES: LineKind = LineKind { colour: GHOST_LINE, stroke_width: "0.9", shortest: 24.0 };

/// Colours and patterns of the classes where something is laid down; the rest of the bed is plain.
fn areas(svg: &mut Svg, field: &Field, laid: &[bool], bands: &Bands, frame: &Frame) {
    let colour = |band: usize| class_style(bands.classes[band]).fill.to_owned();
    levels::fill(svg, &contours::rings(field, &bands.edges_um), colour, frame);
    let view = FieldView { field, frame };
    // What reaches out of the outline is hidden by the ghost.
    draw_patterns(svg, [frame.left, frame.top, frame.width, frame.height], SPACING, |x, y| {
        view.touches(laid, (x, y)).then(|| bands.class(view.value((x, y))))
    });
    let mut ghost = Path::default();
    let (left, top, right, bottom) = (frame.left, frame.top, frame.right(), frame.bottom());
    ghost.add([(left, top), (right, top), (right, bottom), (left, bottom)], true);
    for ring in outline(field, laid, frame) {
        ghost.add(ring, true);
    }
    svg.path(&ghost, &[("fill", &GHOST_FILL), ("fill-rule", &"evenodd")]);
}

/// Around a mask on a field's lattice, in px.
fn outline(field: &Field, mask: &[bool], frame: &Frame) -> Vec<Vec<Xy>> {
    let mask = mask.iter().map(|is_set| f64::from(u8::from(*is_set))).collect();
    let levels = contours::rings(&Field { values_um: mask, ..field.clone() }, &[0.5]);
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
    let mark = frame.point(place.x_mm, place.y_mm);
    let (anchor, (x, y)) = legend::words_beside(frame, mark);
    let side = if anchor == "end" { -1.0 } else { 1.0 };
    [mark, (x + side * 20.0, y - 4.0), (x + side * 60.0, y - 4.0)]
}
