//! The top of each layer: how the shape of the bed fades out of it as the job grows.

use super::frame::{Frame, Span, number, signed};
use super::palette::{INK, INK_SOFT, run_style};
use super::svg::{Path, Svg};
use super::words;
use crate::outcome::{LayerRun, Outcome, Run};

const WIDTH: f64 = 1240.0;
const LEFT: f64 = 78.0;
const RIGHT: f64 = 24.0;
const TOP: f64 = 178.0;
const HEIGHT: f64 = 280.0;
const BETWEEN: f64 = 22.0;

/// What the picture shows.
pub(crate) const SHOWS: &str = "Shape of the top by layer";

/// Shape of the top of every layer, one panel for each run on one scale: lowest to highest as a band, the mean as a line.
pub fn layers_svg(outcome: &Outcome, title: &str) -> String {
    let (name, heading) = words::head(outcome, title, SHOWS, WIDTH - LEFT - RIGHT);
    let mut svg = Svg::new(WIDTH, TOP + HEIGHT + 82.0, name, &description(outcome));
    heading.draw(&mut svg, LEFT);
    if outcome.layers.is_empty() {
        svg.text(LEFT, TOP, &[], "The job lays nothing down, so it has no layers.");
        return svg.finish();
    }

    let width = (WIDTH - LEFT - RIGHT - 2.0 * BETWEEN) / 3.0;
    let x = Span::of(outcome.layers.iter().map(|layer| layer.z_mm).chain([0.0]));
    let tops = outcome.layers.iter().flat_map(|layer| layer.runs).flatten().flat_map(|run| [run.min_um, run.max_um]);
    let y = Span::of(tops.chain([0.0])).padded(0.08);
    let (step_x, step_y) = (x.step(6.0), y.step(7.0));
    for (index, run) in Run::ALL.into_iter().enumerate() {
        let frame = Frame { left: LEFT + (width + BETWEEN) * index as f64, top: TOP, width, height: HEIGHT, x, y };
        svg.text(frame.left, TOP - 44.0, &[("font-size", &"15"), ("font-weight", &"600")], run.label());
        frame.rules(&mut svg, step_x, step_y);
        svg.line(
            (frame.left, frame.py(0.0)),
            (frame.right(), frame.py(0.0)),
            &[("stroke", &INK), ("stroke-width", &"0.8"), ("stroke-opacity", &"0.6")],
        );
        draw_run(&mut svg, &frame, outcome, run);
        // Without a correction there is nothing that could fade.
        if run != Run::Uncorrected {
            draw_fade(&mut svg, &frame, outcome);
        }
        frame.border(&mut svg);
        frame.axis_x(&mut svg, step_x, "layer height z, mm");
        if index == 0 {
            frame.axis_y(&mut svg, step_y, "nozzle above the layer’s plane, µm", signed);
        } else {
            frame.ticks_y(&mut svg, step_y);
        }
    }
    let note = "Tint: lowest to highest of the layer; line: mean. The first layer follows the bed; where the correction has faded, the top is flat.";
    svg.text(LEFT, TOP + HEIGHT + 64.0, &[("fill", &INK_SOFT)], note);
    svg.finish()
}

fn description(outcome: &Outcome) -> String {
    let fade = outcome.fade_um.map_or_else(
        || "The correction does not fade.".to_owned(),
        |[full_below, zero_above]| {
            format!(
                "The correction is full below {} mm and zero above {} mm.",
                millimetres(full_below),
                millimetres(zero_above)
            )
        },
    );
    format!("{} layers. {fade}", outcome.layers.len())
}

fn draw_run(svg: &mut Svg, frame: &Frame, outcome: &Outcome, run: Run) {
    let style = run_style(run);
    let points = |value: fn(&LayerRun) -> f64| {
        let laid = outcome.layers.iter().filter_map(move |layer| Some((layer.z_mm, layer.runs[run as usize]?)));
        laid.map(move |(z_mm, run)| frame.point(z_mm, value(&run)))
    };
    let mut band = Path::default();
    let lower: Vec<_> = points(|layer| layer.min_um).collect();
    band.add(points(|layer| layer.max_um).chain(lower.into_iter().rev()), true);
    svg.path(
        &band,
        &[("fill", &style.colour), ("fill-opacity", &"0.22"), ("stroke", &style.colour), ("stroke-width", &"0.8")],
    );
    let mut mean = Path::default();
    mean.add(points(|layer| layer.mean_um), false);
    svg.path(
        &mean,
        &[("fill", &"none"), ("stroke", &style.colour), ("stroke-width", &"2"), ("stroke-dasharray", &style.dashes)],
    );
    // A job of one layer has neither area nor line: the bar and the dot still show it.
    if let Some((z_mm, figures)) = outcome.layers.iter().find_map(|layer| Some((layer.z_mm, layer.runs[run as usize]?)))
    {
        let x = frame.px(z_mm);
        svg.line(
            (x, frame.py(figures.min_um)),
            (x, frame.py(figures.max_um)),
            &[("stroke", &style.colour), ("stroke-width", &"3")],
        );
        svg.element(
            "circle",
            &[
                ("cx", &super::svg::Px(x)),
                ("cy", &super::svg::Px(frame.py(figures.mean_um))),
                ("r", &"3.4"),
                ("fill", &"#ffffff"),
                ("stroke", &style.colour),
                ("stroke-width", &"1.6"),
            ],
        );
    }
}

fn draw_fade(svg: &mut Svg, frame: &Frame, outcome: &Outcome) {
    let Some(heights_um) = outcome.fade_um else { return };
    for ((height_um, words), above) in heights_um.into_iter().zip(["full below", "zero above"]).zip([30.0, 16.0]) {
        let z_mm = f64::from(height_um) / 1000.0;
        if z_mm < frame.x.low || z_mm > frame.x.high {
            continue;
        }
        let x = frame.px(z_mm);
        svg.line(
            (x, frame.top - above),
            (x, frame.bottom()),
            &[("stroke", &INK), ("stroke-width", &"1"), ("stroke-dasharray", &"6 3 1 3")],
        );
        let (anchor, shift) = if x > frame.left + frame.width / 2.0 { ("end", -5.0) } else { ("start", 5.0) };
        svg.text(
            x + shift,
            frame.top - above + 10.0,
            &[("text-anchor", &anchor), ("font-size", &"11")],
            &format!("{words} {} mm", millimetres(height_um)),
        );
    }
}

fn millimetres(height_um: i32) -> String {
    let mm = f64::from(height_um) / 1000.0;
    number(mm, if height_um % 1000 == 0 { 1.0 } else { 0.01 })
}
