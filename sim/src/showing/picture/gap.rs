//! The path of the first layer unrolled: heights in a close-up, gap error over its whole length.

use std::ops::Range as Indices;

use super::contours;
use super::frame::{Frame, Span, number, signed};
use super::palette::{BED_FILL, BED_LINE, INK, INK_SOFT, STICKS_FILL, STICKS_LINE, run_style};
use super::svg::{Attributes, Path, Svg};
use super::words;
use crate::outcome::{Outcome, ProfileStretch, Range, Run};

const WIDTH: f64 = 1240.0;
const LEFT: f64 = 78.0;
const RIGHT: f64 = 24.0;
const CLOSE_UP_TOP: f64 = 148.0;
const CLOSE_UP_HEIGHT: f64 = 250.0;
const LANES_TOP: f64 = 496.0;
const LANE_HEIGHT: f64 = 112.0;
const LANE_PITCH: f64 = LANE_HEIGHT + 32.0;
/// Length of the close-up in widths of the bed: so short that the path's way to and fro shows as single waves.
const CLOSE_UP_BED_WIDTHS: f64 = 7.0;
/// However long the stretches are, the close-up has at least so many.
const CLOSE_UP_LEAST_STRETCHES: usize = 24;

/// What the picture shows.
pub(crate) const SHOWS: &str = "Nozzle and bed along the first layer’s path";

/// Nozzle and bed along the first layer's path.
///
/// The whole path goes to and fro over the bed too often for heights to be read, so heights are shown in a close-up
/// around the uncorrected job's worst place, and the whole path as gap error, one lane for each run on one scale.
pub fn gap_svg(outcome: &Outcome, title: &str) -> String {
    let bottom = LANES_TOP + 2.0 * LANE_PITCH + LANE_HEIGHT;
    let shares: Vec<_> =
        Run::ALL.iter().map(|run| format!("{}: {}", run.label(), words::share_good(outcome, *run))).collect();
    let (name, heading) = words::head(outcome, title, SHOWS, WIDTH - LEFT - RIGHT);
    let mut svg = Svg::new(WIDTH, bottom + 52.0, name, &format!("{}.", shares.join("; ")));
    heading.draw(&mut svg, LEFT);

    let (Some(first), Some(last)) = (outcome.profile.first(), outcome.profile.last()) else {
        svg.text(LEFT, CLOSE_UP_TOP, &[], "The job’s first layer lays nothing down.");
        return svg.finish();
    };
    let unit = LengthUnit::for_length(last.end_mm - first.start_mm);
    let x = Span::of([unit.of(first.start_mm), unit.of(last.end_mm)]);
    let shown = close_up(outcome);
    draw_close_up(&mut svg, outcome, shown.clone(), unit);
    draw_lanes(&mut svg, outcome, x, shown, unit);
    svg.finish()
}

/// Millimetres for short paths, metres for long ones.
#[derive(Clone, Copy)]
struct LengthUnit {
    mm: f64,
    name: &'static str,
}

impl LengthUnit {
    fn for_length(length_mm: f64) -> Self {
        if length_mm < 2000.0 { Self { mm: 1.0, name: "mm" } } else { Self { mm: 1000.0, name: "m" } }
    }

    fn of(self, length_mm: f64) -> f64 {
        length_mm / self.mm
    }

    fn middle(self, stretch: &ProfileStretch) -> f64 {
        self.of((stretch.start_mm + stretch.end_mm) / 2.0)
    }
}

fn largest_abs(range: Range) -> f64 {
    range.min_um.abs().max(range.max_um.abs())
}

/// Index of the stretch with the largest gap error of the uncorrected job.
fn worst_stretch(profile: &[ProfileStretch]) -> usize {
    let errors = profile.iter().map(|stretch| largest_abs(stretch.gap_error[Run::Uncorrected as usize]));
    errors.enumerate().filter(|(_, um)| um.is_finite()).max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(index, _)| index)
}

fn close_up(outcome: &Outcome) -> Indices<usize> {
    let profile = &outcome.profile;
    let middle = worst_stretch(profile);
    let bed_width = contours::span_x(&outcome.surfaces.bed);
    let half_mm = (bed_width.high - bed_width.low) * CLOSE_UP_BED_WIDTHS / 2.0;
    let near = |stretch: &&ProfileStretch| (stretch.start_mm - profile[middle].start_mm).abs() <= half_mm;
    let count = profile.iter().filter(near).count().max(CLOSE_UP_LEAST_STRETCHES).min(profile.len());
    let start = middle.saturating_sub(count / 2).min(profile.len() - count);
    start..start + count
}

fn draw_close_up(svg: &mut Svg, outcome: &Outcome, shown: Indices<usize>, unit: LengthUnit) {
    let part = &outcome.profile[shown];
    let heights = part.iter().flat_map(|stretch| stretch.nozzle.into_iter().chain([stretch.bed]));
    let y = Span::of(heights.flat_map(|range| [range.min_um, range.max_um]));
    let y = Span { low: y.low - (y.high - y.low) * 0.12, high: y.high + (y.high - y.low) * 0.1 };
    // Lines run through the middles of stretches, so the frame does too.
    let x = Span::of(part.iter().map(|stretch| unit.middle(stretch)));
    let frame = Frame { left: LEFT, top: CLOSE_UP_TOP, width: WIDTH - LEFT - RIGHT, height: CLOSE_UP_HEIGHT, x, y };

    let whole = part.len() == outcome.profile.len();
    let heading = if whole {
        "Heights along the whole path"
    } else {
        "Heights, close-up around the uncorrected job’s worst place (bracketed below)"
    };
    svg.text(LEFT, CLOSE_UP_TOP - 36.0, &[("font-size", &"15"), ("font-weight", &"600")], heading);
    draw_key(svg, LEFT, CLOSE_UP_TOP - 14.0);

    frame.rules(svg, x.step(10.0), y.step(6.0));
    let middles = || part.iter().map(|stretch| unit.middle(stretch));
    let bed: Vec<_> = middles().zip(part.iter().map(|stretch| stretch.bed)).collect();
    draw_bed(svg, &frame, &bed);
    for run in Run::ALL {
        let nozzle: Vec<_> = middles().zip(part.iter().map(|stretch| stretch.nozzle[run as usize])).collect();
        // A run that refused a move goes nowhere there.
        for gone in nozzle.split(|(_, range)| range.min_um.is_nan()).filter(|gone| !gone.is_empty()) {
            draw_nozzle(svg, &frame, run, gone);
        }
    }
    frame.border(svg);
    frame.axis_x(svg, x.step(10.0), &format!("printed length, {}", unit.name));
    frame.axis_y(svg, y.step(6.0), "height above machine zero, µm", number);
    draw_gap_arrow(svg, outcome, &frame, unit);
}

/// Stretches shorter than a px are drawn as one.
fn thinned(frame: &Frame, points: &[(f64, Range)]) -> Vec<(f64, Range)> {
    let mut thinned: Vec<(f64, Range)> = Vec::new();
    for &(x, range) in points {
        match thinned.last_mut() {
            Some((first, merged)) if frame.px(x) - frame.px(*first) < 1.0 => {
                let (min_um, max_um) = (merged.min_um.min(range.min_um), merged.max_um.max(range.max_um));
                *merged = Range { min_um, max_um };
            }
            _ => thinned.push((x, range)),
        }
    }
    thinned
}

fn middle_um(range: Range) -> f64 {
    (range.min_um + range.max_um) / 2.0
}

/// The area between lowest and highest.
fn envelope(frame: &Frame, points: &[(f64, Range)]) -> Path {
    let upper = points.iter().map(|(x, range)| frame.point(*x, range.max_um));
    let lower = points.iter().rev().map(|(x, range)| frame.point(*x, range.min_um));
    let mut path = Path::default();
    path.add(upper.chain(lower), true);
    path
}

fn middle_line(frame: &Frame, points: &[(f64, Range)]) -> Path {
    let mut path = Path::default();
    path.add(points.iter().map(|(x, range)| frame.point(*x, middle_um(*range))), false);
    path
}

fn draw_bed(svg: &mut Svg, frame: &Frame, points: &[(f64, Range)]) {
    let points = &thinned(frame, points);
    let mut ground = Path::default();
    let surface = points.iter().map(|(x, range)| frame.point(*x, middle_um(*range)));
    ground.add(surface.chain([(frame.right(), frame.bottom()), (frame.left, frame.bottom())]), true);
    svg.path(&ground, &[("fill", &BED_FILL)]);
    svg.path(&envelope(frame, points), &[("fill", &BED_LINE), ("fill-opacity", &"0.3")]);
    svg.path(&middle_line(frame, points), &[("fill", &"none"), ("stroke", &BED_LINE), ("stroke-width", &"1.5")]);
}

fn draw_nozzle(svg: &mut Svg, frame: &Frame, run: Run, points: &[(f64, Range)]) {
    let style = run_style(run);
    let points = &thinned(frame, points);
    svg.path(&envelope(frame, points), &[("fill", &style.colour), ("fill-opacity", &"0.16")]);
    svg.path(
        &middle_line(frame, points),
        &[
            ("fill", &"none"),
            ("stroke", &style.colour),
            ("stroke-width", &style.width),
            ("stroke-dasharray", &style.dashes),
            ("stroke-linejoin", &"round"),
        ],
    );
}

/// The lines of the close-up and what they stand for.
fn draw_key(svg: &mut Svg, left: f64, base: f64) {
    let mut x = left;
    svg.rect(x, base - 9.0, 28.0, 10.0, &[("fill", &BED_FILL)]);
    svg.line((x, base - 9.0), (x + 28.0, base - 9.0), &[("stroke", &BED_LINE), ("stroke-width", &"1.5")]);
    svg.text(x + 35.0, base, &[], "bed");
    x += 84.0;
    for (run, room) in Run::ALL.into_iter().zip([178.0, 165.0, 215.0]) {
        let style = run_style(run);
        svg.line(
            (x, base - 4.0),
            (x + 28.0, base - 4.0),
            &[("stroke", &style.colour), ("stroke-width", &style.width), ("stroke-dasharray", &style.dashes)],
        );
        svg.text(x + 35.0, base, &[], &format!("nozzle, {}", run.label()));
        x += room;
    }
    svg.text(x, base, &[("fill", &INK_SOFT)], "line: middle of each stretch; tint: its lowest to highest");
}

/// The gap at the uncorrected job's worst stretch, with what was asked for.
fn draw_gap_arrow(svg: &mut Svg, outcome: &Outcome, frame: &Frame, unit: LengthUnit) {
    let Some(stretch) = outcome.profile.get(worst_stretch(&outcome.profile)) else { return };
    let error = stretch.gap_error[Run::Uncorrected as usize];
    if error.min_um.is_nan() {
        return;
    }
    let nozzle = stretch.nozzle[Run::Uncorrected as usize];
    // An uncorrected nozzle keeps its height, so the worst gap is where the bed is highest or lowest.
    let (error_um, nozzle_um, bed_um) = if error.max_um.abs() >= error.min_um.abs() {
        (error.max_um, nozzle.max_um, stretch.bed.min_um)
    } else {
        (error.min_um, nozzle.min_um, stretch.bed.max_um)
    };
    let x = frame.px(unit.middle(stretch));
    let (nozzle_y, bed_y) = (frame.py(nozzle_um), frame.py(bed_um));
    svg.line((x, nozzle_y), (x, bed_y), &[("stroke", &INK), ("stroke-width", &"1.4")]);
    for y in [nozzle_y, bed_y] {
        svg.line((x - 5.0, y), (x + 5.0, y), &[("stroke", &INK), ("stroke-width", &"1.4")]);
    }
    let asked_um = outcome.surfaces.first_layer_um;
    let label =
        format!("uncorrected gap here {} µm, asked for {} µm", number(asked_um + error_um, 1.0), number(asked_um, 1.0));
    let right_half = x > frame.left + frame.width / 2.0;
    let (anchor, shift) = if right_half { ("end", -8.0) } else { ("start", 8.0) };
    let halo: Attributes<'_> = &[
        ("text-anchor", &anchor),
        ("font-weight", &"600"),
        ("stroke", &"#ffffff"),
        ("stroke-width", &"3.5"),
        ("paint-order", &"stroke"),
        ("stroke-linejoin", &"round"),
    ];
    svg.text(x + shift, frame.bottom() - 9.0, halo, &label);
    svg.line(
        (x, bed_y),
        (x, frame.bottom() - 9.0),
        &[("stroke", &INK), ("stroke-width", &"0.8"), ("stroke-dasharray", &"1 3")],
    );
}

/// Gap error over the whole path, one lane below the other.
fn draw_lanes(svg: &mut Svg, outcome: &Outcome, x: Span, shown: Indices<usize>, unit: LengthUnit) {
    let errors =
        outcome.profile.iter().flat_map(|stretch| stretch.gap_error).flat_map(|range| [range.min_um, range.max_um]);
    let y = Span::of(errors.chain([-outcome.tolerance_um * 1.5, outcome.tolerance_um * 1.5])).padded(0.06);
    let step_y = y.step(6.0);
    svg.text(
        LEFT,
        LANES_TOP - 34.0,
        &[("font-size", &"15"), ("font-weight", &"600")],
        "Gap error over the whole path, lowest to highest in each stretch",
    );
    for (index, run) in Run::ALL.into_iter().enumerate() {
        let frame = Frame {
            left: LEFT,
            top: LANES_TOP + LANE_PITCH * index as f64,
            width: WIDTH - LEFT - RIGHT,
            height: LANE_HEIGHT,
            x,
            y,
        };
        svg.text(LEFT, frame.top - 8.0, &[], &format!("{}: {}", run.label(), words::share_good(outcome, run)));
        frame.rules(svg, x.step(12.0), step_y);
        draw_sticks(svg, &frame, outcome.tolerance_um);

        let style = run_style(run);
        svg.path(
            &steps(&frame, &outcome.profile, run, unit),
            &[
                ("fill", &style.colour),
                ("stroke", &style.colour),
                ("stroke-width", &"0.8"),
                ("stroke-linejoin", &"round"),
            ],
        );
        svg.line(
            (frame.left, frame.py(0.0)),
            (frame.right(), frame.py(0.0)),
            &[("stroke", &INK), ("stroke-width", &"0.8"), ("stroke-opacity", &"0.6")],
        );
        frame.border(svg);
        let is_last = index + 1 == Run::ALL.len();
        if is_last {
            frame.axis_x(svg, x.step(12.0), &format!("printed length, {}", unit.name));
        }
        frame.axis_y(svg, step_y, if index == 1 { "gap error, µm" } else { "" }, signed);
        let label: Attributes<'_> = &[
            ("fill", &"#35593f"),
            ("font-size", &"11"),
            ("stroke", &"#ffffff"),
            ("stroke-width", &"3"),
            ("paint-order", &"stroke"),
            ("stroke-linejoin", &"round"),
        ];
        svg.text(
            frame.left + 6.0,
            (frame.py(outcome.tolerance_um) - 4.0).max(frame.top + 12.0),
            label,
            &format!("good within {}", words::tolerance(outcome)),
        );
        if shown.len() < outcome.profile.len() {
            let (from, to) = (outcome.profile[shown.start].start_mm, outcome.profile[shown.end - 1].end_mm);
            draw_bracket(svg, &frame, unit.of(from), unit.of(to));
        }
    }
    let last_lane = LANES_TOP + 2.0 * LANE_PITCH + LANE_HEIGHT;
    svg.text(
        WIDTH - RIGHT,
        last_lane + 33.0,
        &[("fill", &INK_SOFT), ("text-anchor", &"end")],
        "positive: too far from the bed; negative: too close",
    );
}

/// The band in which the first layer sticks.
pub(super) fn draw_sticks(svg: &mut Svg, frame: &Frame, tolerance_um: f64) {
    let (top, bottom) = (frame.py(tolerance_um), frame.py(-tolerance_um));
    svg.rect(frame.left, top, frame.width, bottom - top, &[("fill", &STICKS_FILL)]);
    for y in [top, bottom] {
        svg.line(
            (frame.left, y),
            (frame.right(), y),
            &[("stroke", &STICKS_LINE), ("stroke-width", &"0.8"), ("stroke-dasharray", &"4 3")],
        );
    }
}

/// Lowest to highest as steps: of each stretch, or of each px where stretches are shorter than that.
fn steps(frame: &Frame, profile: &[ProfileStretch], run: Run, unit: LengthUnit) -> Path {
    let mut path = Path::default();
    for judged in profile.split(|stretch| stretch.gap_error[run as usize].min_um.is_nan()) {
        let mut columns: Vec<(f64, f64, Range)> = Vec::new();
        for stretch in judged {
            let (start, end) = (frame.px(unit.of(stretch.start_mm)), frame.px(unit.of(stretch.end_mm)));
            let range = stretch.gap_error[run as usize];
            match columns.last_mut() {
                Some((first, last, merged)) if end - *first <= 1.0 => {
                    *last = end;
                    let (min_um, max_um) = (merged.min_um.min(range.min_um), merged.max_um.max(range.max_um));
                    *merged = Range { min_um, max_um };
                }
                _ => columns.push((start, end, range)),
            }
        }
        let upper = columns.iter().flat_map(|(start, end, range)| [*start, *end].map(|x| (x, frame.py(range.max_um))));
        let lower =
            columns.iter().rev().flat_map(|(start, end, range)| [*end, *start].map(|x| (x, frame.py(range.min_um))));
        if !columns.is_empty() {
            path.add(upper.chain(lower), true);
        }
    }
    path
}

/// Marks on a lane which part the close-up shows.
fn draw_bracket(svg: &mut Svg, frame: &Frame, from: f64, to: f64) {
    let (left, right, top) = (frame.px(from), frame.px(to), frame.top - 4.0);
    let mut path = Path::default();
    path.add([(left, top + 5.0), (left, top), (right, top), (right, top + 5.0)], false);
    svg.path(&path, &[("fill", &"none"), ("stroke", &INK), ("stroke-width", &"1.8")]);
    // Beside the bracket, on the side that has room.
    let (x, anchor) = if right < frame.right() - 70.0 { (right + 6.0, "start") } else { (left - 6.0, "end") };
    svg.text(x, top + 1.0, &[("font-size", &"11"), ("fill", &INK_SOFT), ("text-anchor", &anchor)], "close-up");
}
