//! A plan as a picture: what more stations, a denser grid and a steadier hand are worth.

use gapkeeper_host_tools::picture::frame::{Frame, Span, number};
use gapkeeper_host_tools::picture::heading::Heading;
use gapkeeper_host_tools::picture::palette::{INK, INK_SOFT};
use gapkeeper_host_tools::picture::svg::{Attributes, Path, Px, Svg, shortened};

use super::palette::run_style;
use crate::outcome::Run;
use crate::plan::{GOAL, Plan, Row, Spread};

const LEFT: f64 = 78.0;
const RIGHT: f64 = 24.0;
const HEIGHT: f64 = 260.0;
const WIDTH: f64 = 360.0;
const BETWEEN: f64 = 22.0;
const BELOW: f64 = 84.0;
/// Room for what the title says, and for the legend.
const LEAST_WIDTH: f64 = 860.0;

/// What the picture shows.
pub(crate) const SHOWS: &str = "What a survey is worth";

/// One panel for each hand: share of the first layer within the tolerance over the number of stations, the mean as a
/// line and 90 % of the draws as bars; bilinear dotted with crosses, refined drawn through with dots.
///
/// The title says what to do; without one, it is what the picture shows.
pub fn plan_svg(plan: &Plan, title: &str) -> String {
    let mut hands: Vec<f64> = plan.rows.iter().map(|row| row.feel_um).collect();
    hands.dedup();
    let panels = hands.len().max(1) as f64;
    let width = (LEFT + panels * (WIDTH + BETWEEN) - BETWEEN + RIGHT).max(LEAST_WIDTH);
    let worth = format!("{SHOWS}: first layer good within ±{} µm", plan.tolerance_um);
    let origin = format!("{} · {} · {} draws", shortened(&plan.scenario, 40), shortened(&plan.job, 40), plan.draws);
    let title = title.replace(" um", " µm");
    let (name, about) =
        if title.is_empty() { (&worth, origin.clone()) } else { (&title, format!("{worth} · {origin}")) };
    let heading = Heading::new(name, &about, width - LEFT - RIGHT);
    let top = heading.bottom() + 48.0;
    let mut svg = Svg::new(width, top + HEIGHT + BELOW, name, &plan.advice);
    heading.draw(&mut svg, LEFT);
    let stations = plan.rows.iter().map(|row| f64::from(row.stations));
    let lows = plan.rows.iter().filter_map(|row| row.figures.as_ref()).map(|figures| figures.good.low);
    let y = Span::of(lows.chain([plan.uncorrected_good.mean, GOAL, 1.0]).map(|share| share * 100.0));
    let x = Span::of(stations).padded(0.08);
    for (index, feel_um) in hands.iter().enumerate() {
        let left = LEFT + (WIDTH + BETWEEN) * index as f64;
        let frame = Frame { left, top, width: WIDTH, height: HEIGHT, x, y: y.padded(0.04) };
        let hand = format!("a hand of {feel_um} µm");
        svg.text(left, top - 14.0, &[("font-size", &"15"), ("font-weight", &"600")], &hand);
        panel(&mut svg, &frame, plan, *feel_um, index == 0);
    }
    legend(&mut svg, top + HEIGHT + 62.0);
    svg.finish()
}

fn panel(svg: &mut Svg, frame: &Frame, plan: &Plan, feel_um: f64, is_first: bool) {
    let step_y = frame.y.step(6.0);
    frame.rules(svg, 1.0, step_y);
    let uncorrected = frame.py(plan.uncorrected_good.mean * 100.0);
    let style = run_style(Run::Uncorrected);
    svg.line(
        (frame.left, uncorrected),
        (frame.right(), uncorrected),
        &[("stroke", &style.colour), ("stroke-dasharray", &style.dashes), ("stroke-width", &style.width)],
    );
    let goal = frame.py(GOAL * 100.0);
    svg.line((frame.left, goal), (frame.right(), goal), &[("stroke", &INK), ("stroke-dasharray", &"6 3 1 3")]);
    for refined in [false, true] {
        let points: Vec<(f64, Spread)> = plan
            .rows
            .iter()
            .filter(|row| row.feel_um == feel_um && row.refined == refined)
            .filter_map(|row: &Row| Some((f64::from(row.stations), row.figures.as_ref()?.good)))
            .collect();
        draw(svg, frame, &points, refined);
    }
    frame.border(svg);
    frame.axis_x(svg, 1.0, "stations along each axis");
    if is_first {
        frame.axis_y(svg, step_y, "share of the first layer, %", number);
    } else {
        frame.ticks_y(svg, step_y);
    }
}

fn draw(svg: &mut Svg, frame: &Frame, points: &[(f64, Spread)], refined: bool) {
    let style = run_style(if refined { Run::Refined } else { Run::Corrected });
    // Side by side, so that neither bar hides the other.
    let aside = if refined { 4.0 } else { -4.0 };
    let px = |stations: f64| frame.px(stations) + aside;
    for (stations, spread) in points {
        let x = px(*stations);
        let bar: Attributes<'_> = &[("stroke", &style.colour), ("stroke-width", &"4"), ("stroke-opacity", &"0.35")];
        svg.line((x, frame.py(spread.low * 100.0)), (x, frame.py(spread.high * 100.0)), bar);
    }
    let mut line = Path::default();
    line.add(points.iter().map(|(stations, spread)| (px(*stations), frame.py(spread.mean * 100.0))), false);
    svg.path(
        &line,
        &[
            ("fill", &"none"),
            ("stroke", &style.colour),
            ("stroke-width", &style.width),
            ("stroke-dasharray", &style.dashes),
        ],
    );
    for (stations, spread) in points {
        mark(svg, px(*stations), frame.py(spread.mean * 100.0), refined);
    }
}

fn mark(svg: &mut Svg, x: f64, y: f64, refined: bool) {
    let colour = run_style(if refined { Run::Refined } else { Run::Corrected }).colour;
    if refined {
        svg.element("circle", &[("cx", &Px(x)), ("cy", &Px(y)), ("r", &"3.6"), ("fill", &colour)]);
    } else {
        let stroke: Attributes<'_> = &[("stroke", &colour), ("stroke-width", &"1.8")];
        svg.line((x - 4.0, y - 4.0), (x + 4.0, y + 4.0), stroke);
        svg.line((x - 4.0, y + 4.0), (x + 4.0, y - 4.0), stroke);
    }
}

fn legend(svg: &mut Svg, y: f64) {
    let entries = [("bilinear", Run::Corrected), ("refined", Run::Refined), ("uncorrected", Run::Uncorrected)];
    let mut left = LEFT;
    for (text, run) in entries {
        let style = run_style(run);
        let stroke: Attributes<'_> =
            &[("stroke", &style.colour), ("stroke-width", &style.width), ("stroke-dasharray", &style.dashes)];
        svg.line((left, y - 4.0), (left + 34.0, y - 4.0), stroke);
        if run != Run::Uncorrected {
            mark(svg, left + 17.0, y - 4.0, run == Run::Refined);
        }
        svg.text(left + 42.0, y, &[], text);
        left += 120.0;
    }
    svg.line((left, y - 4.0), (left + 34.0, y - 4.0), &[("stroke", &INK), ("stroke-dasharray", &"6 3 1 3")]);
    svg.text(left + 42.0, y, &[], "good enough");
    let bar: Attributes<'_> = &[("stroke", &INK_SOFT), ("stroke-width", &"4"), ("stroke-opacity", &"0.35")];
    svg.line((left + 150.0, y - 12.0), (left + 150.0, y + 3.0), bar);
    svg.text(left + 162.0, y, &[], "90 % of the draws");
}
