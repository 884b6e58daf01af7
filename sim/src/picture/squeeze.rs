//! The squeeze map: how thick each place of the first layer, and of all above, is laid by what the job asked for.

use colorous::PURPLE_ORANGE;

use super::frame::{Frame, Span, number};
use super::legend;
use super::palette::{INK, INK_SOFT};
use super::svg::{Path, Svg};
use super::words;
use crate::class::{LOOSE_ABOVE, TOO_CLOSE_BELOW, TOO_FAR_ABOVE};
use crate::deposit::{Spot, Squeeze, SqueezeMap};
use crate::outcome::{Class, Outcome, PerClass, Run};

const WIDTH: f64 = 1240.0;
const LEFT: f64 = 66.0;
const RIGHT: f64 = 18.0;
const TOP: f64 = 114.0;
const BETWEEN: f64 = 24.0;
/// From the axis of the upper row to the lower row.
const BETWEEN_ROWS: f64 = 44.0;
const BELOW: f64 = 142.0;
const HIGHEST: f64 = 340.0;

/// Edges of the bands, the limits of the classes among them.
const EDGES: [f64; 7] = [0.5, TOO_CLOSE_BELOW, 0.9, 0.95, 1.05, 1.1, TOO_FAR_ABOVE];
const EDGE_ABOVE_ALL: f64 = LOOSE_ABOVE;

/// What is too far is striped, so that colour does not say it alone: a stripe on every so many rows of blocks.
const STRIPED_ROWS: usize = 3;
const STRIPES: [(&str, &dyn std::fmt::Display); 3] =
    [("fill", &"none"), ("stroke", &"#ffffff"), ("stroke-width", &"0.9")];

/// Maps of the squeeze: the three runs side by side, the first layer above, the worst of all further layers below.
pub fn squeeze_svg(outcome: &Outcome, runs: &[Squeeze; 3]) -> String {
    let panel_width = (WIDTH - LEFT - RIGHT - 2.0 * BETWEEN) / 3.0;
    let map = &runs[0].first_layer_map;
    let (width_mm, height_mm) = (map.x_mm.length(), map.y_mm.length());
    let px_per_mm = (panel_width / width_mm).min(HIGHEST / height_mm);
    let first = Frame {
        left: LEFT,
        top: TOP,
        width: width_mm * px_per_mm,
        height: height_mm * px_per_mm,
        x: Span { low: map.x_mm.from, high: map.x_mm.to },
        y: Span { low: map.y_mm.from, high: map.y_mm.to },
    };
    let second_top = first.bottom() + BETWEEN_ROWS;
    let bottom = second_top + first.height;
    let title = "Squeeze: thickness laid by thickness asked for";
    let mut svg = Svg::new(WIDTH, bottom + BELOW, title, &description(runs));
    svg.text(LEFT, 34.0, &[("font-size", &"20"), ("font-weight", &"600")], title);
    svg.text(LEFT, 55.0, &[("fill", &INK_SOFT)], &words::origin(outcome));
    for (index, (run, squeeze)) in Run::ALL.into_iter().zip(runs).enumerate() {
        let frame = Frame { left: LEFT + (panel_width + BETWEEN) * index as f64, ..first };
        svg.text(frame.left, TOP - 28.0, &[("font-size", &"15"), ("font-weight", &"600")], run.label());
        let small: super::svg::Attributes<'_> = &[("fill", &INK_SOFT)];
        svg.text(frame.left, TOP - 11.0, small, &format!("first layer: {}", shares(&squeeze.first_layer.area_mm2)));
        panel(&mut svg, &squeeze.first_layer_map, &frame, index == 0);
        let worst = [&squeeze.closest, &squeeze.farthest].into_iter().filter_map(|spots| spots.first());
        for spot in worst.filter(|spot| spot.z_mm * 1000.0 <= outcome.surfaces.first_layer_um + 10.0) {
            worst_spot(&mut svg, spot, &frame);
        }
        let frame = Frame { top: second_top, ..frame };
        let said = if squeeze.above.area_mm2.total() > 0.0 {
            format!("all layers above: {}", shares(&squeeze.above.area_mm2))
        } else {
            "no layers above".to_owned()
        };
        svg.text(frame.left, second_top - 11.0, small, &said);
        panel(&mut svg, &squeeze.above_map, &frame, index == 0);
        frame.axis_x(&mut svg, frame.y.step(6.0), "X, mm");
    }
    colour_bar(&mut svg, bottom + 72.0);
    svg.finish()
}

/// Good, and what there is of the other classes.
fn shares(area_mm2: &PerClass) -> String {
    let found = Class::ALL.into_iter().filter(|class| *class != Class::Good && area_mm2.get(*class) > 0.0);
    let each: Vec<String> = [Class::Good]
        .into_iter()
        .chain(found)
        .map(|class| format!("{} {}", words::percent(area_mm2.share(class)), class.label()))
        .collect();
    each.join(", ")
}

fn description(runs: &[Squeeze; 3]) -> String {
    let of = |(run, squeeze): (Run, &Squeeze)| format!("{}: {}", run.label(), shares(&squeeze.first_layer.area_mm2));
    let each: Vec<_> = Run::ALL.into_iter().zip(runs).map(of).collect();
    format!("Maps with Y pointing up. First layer, {}.", each.join("; "))
}

/// Blocks of one map, border and Y axis.
fn panel(svg: &mut Svg, map: &SqueezeMap, frame: &Frame, labelled: bool) {
    let (block_x_mm, block_y_mm) = (map.x_mm.length() / map.columns as f64, map.y_mm.length() / map.rows as f64);
    let mut stripes = Path::default();
    let mut bands: Vec<Path> = (0..=EDGES.len() + 1).map(|_| Path::default()).collect();
    for row in 0..map.rows {
        let y_mm = map.y_mm.from + row as f64 * block_y_mm;
        let blocks = &map.squeeze[row * map.columns..][..map.columns];
        let mut column = 0;
        // Neighbours of one band are one rectangle.
        while column < map.columns {
            let band = band(blocks[column]);
            let length = blocks[column..].iter().take_while(|squeeze| self::band(**squeeze) == band).count();
            if let Some(band) = band {
                let x_mm = map.x_mm.from + column as f64 * block_x_mm;
                let ((left, bottom), (right, top)) =
                    (frame.point(x_mm, y_mm), frame.point(x_mm + length as f64 * block_x_mm, y_mm + block_y_mm));
                if row % STRIPED_ROWS == 0 && f64::from(blocks[column]) > TOO_FAR_ABOVE {
                    let middle = (bottom + top) / 2.0;
                    stripes.add([(left, middle), (right, middle)], false);
                }
                bands[band].add([(left, bottom), (right, bottom), (right, top), (left, top)], true);
            }
            column += length;
        }
    }
    svg.rect(frame.left, frame.top, frame.width, frame.height, &[("fill", &"#ffffff")]);
    for (band, path) in bands.iter().enumerate() {
        let colour = colour(band);
        // A thin line of the same colour closes the seams between blocks.
        svg.path(path, &[("fill", &colour), ("stroke", &colour), ("stroke-width", &"0.4")]);
    }
    svg.path(&stripes, &STRIPES);
    frame.border(svg);
    let step = frame.y.step(6.0);
    if labelled {
        frame.axis_y(svg, step, "Y, mm", number);
    } else {
        frame.ticks_y(svg, step);
    }
}

/// Which band a squeeze lies in; none if nothing was laid.
fn band(squeeze: f32) -> Option<usize> {
    let squeeze = f64::from(squeeze);
    let edges = || EDGES.into_iter().chain([EDGE_ABOVE_ALL]);
    (!squeeze.is_nan()).then(|| edges().filter(|edge| squeeze >= *edge).count())
}

/// Violet is too close, orange too far, as on the map of the gap; what is good is pale and never white.
fn colour(band: usize) -> String {
    let share = [0.06, 0.16, 0.36, 0.43, 0.0, 0.57, 0.64, 0.80, 0.92][band];
    if band == 4 { "#dfe9dc".to_owned() } else { format!("#{:x}", PURPLE_ORANGE.eval_continuous(share)) }
}

fn worst_spot(svg: &mut Svg, spot: &Spot, frame: &Frame) {
    let words = format!("{:.2}, line {}", spot.squeeze, spot.job_line);
    legend::worst_place(svg, frame, (spot.x_mm, spot.y_mm), &words);
}

fn colour_bar(svg: &mut Svg, top: f64) {
    let bands = EDGES.len() + 2;
    let (width, height) = (640.0, 16.0);
    let band_width = width / bands as f64;
    for band in 0..bands {
        svg.rect(LEFT + band_width * band as f64, top, band_width, height, &[("fill", &colour(band))]);
    }
    let mut stripes = Path::default();
    for y in [top + 4.0, top + 8.0, top + 12.0] {
        stripes.add([(LEFT + width - 2.0 * band_width, y), (LEFT + width, y)], false);
    }
    svg.path(&stripes, &STRIPES);
    svg.rect(LEFT, top, width, height, &[("fill", &"none"), ("stroke", &INK)]);
    for (index, edge) in EDGES.into_iter().chain([EDGE_ABOVE_ALL]).enumerate() {
        let x = LEFT + band_width * (index + 1) as f64;
        let is_limit = edge == TOO_CLOSE_BELOW || edge == TOO_FAR_ABOVE;
        let rise = if is_limit { 20.0 } else { 0.0 };
        svg.line((x, top - rise), (x, top + 20.0), &[("stroke", &INK), ("stroke-width", &"0.8")]);
        svg.text(x, top + 32.0, &[("font-size", &"11"), ("text-anchor", &"middle")], &number(edge, 0.01));
    }
    svg.text(LEFT, top - 7.0, &[], "too close");
    svg.text(LEFT + width / 2.0, top - 7.0, &[("text-anchor", &"middle")], "good");
    svg.text(LEFT + width, top - 7.0, &[("text-anchor", &"end")], "too far");
    legend::worst(svg, (LEFT + 700.0, top + 8.0));
    svg.text(LEFT + 716.0, top + 12.0, &[], "closest and farthest, if in the first layer");
    svg.text(LEFT + 693.0, top + 34.0, &[("fill", &INK_SOFT)], "blank: nothing was laid there");
    svg.text(
        LEFT + 693.0,
        top + 54.0,
        &[("fill", &INK_SOFT)],
        "lower row: of all layers above, the one farthest from 1",
    );
}

#[cfg(test)]
mod tests {
    use resvg::usvg;

    use super::*;
    use crate::deposit::{Deposit, End, Strand};
    use crate::picture::fixture;
    use crate::scenario::Extent;

    /// A ramp from far too far to far too close, one line high, and an empty bed.
    fn squeezes(ramp: bool) -> [Squeeze; 3] {
        Run::ALL.map(|_| {
            let extent = |to: f64| Extent { from: 0.0, to };
            let mut deposit = Deposit::new(extent(100.0), extent(60.0), 50.0, 0.4);
            let end = |x_mm: f64, y_mm: f64, bed_um: f64| End {
                x_mm,
                y_mm,
                bed_um,
                nozzle_um: Some(200.0),
                logical_um: 200.0,
                flow: 1.0,
            };
            for row in (0..150).filter(|_| ramp) {
                let y_mm = 0.2 + 0.4 * f64::from(row);
                let strand = Strand { job_line: 5, strand_mm2: 0.0, first_layer: true };
                deposit.lay(&strand, &end(0.0, y_mm, -200.0), &end(100.0, y_mm, 200.0));
            }
            deposit.finish()
        })
    }

    #[test]
    fn well_formed_whatever_was_laid() {
        for (outcome, ramp) in
            [(fixture::outcome(), true), (fixture::empty_outcome(), false), (fixture::hostile_outcome(), true)]
        {
            let svg = squeeze_svg(&outcome, &squeezes(ramp));
            assert!(!svg.contains("NaN") && !svg.contains("inf\"") && !svg.contains("<script"));
            assert!(!svg.contains(" id=") && !svg.contains("href"));
            assert!(usvg::Tree::from_str(&svg, &usvg::Options::default()).is_ok());
        }
    }

    #[test]
    fn every_band_is_drawn_and_what_is_too_far_is_striped() {
        let svg = squeeze_svg(&fixture::outcome(), &squeezes(true));
        for band in 0..EDGES.len() + 2 {
            // Three panels and the legend.
            assert!(svg.matches(&format!("fill=\"{}\"", colour(band))).count() >= 4, "{band}");
        }
        let stripes = |svg: &str| svg.matches("stroke-width=\"0.9\"").count();
        assert_eq!(stripes(&svg), 3 + 1, "three panels of the first layer and the legend");
        assert_eq!(stripes(&squeeze_svg(&fixture::outcome(), &squeezes(false))), 1);
        for text in ["too close", "good", "too far", "37.", "X, mm", "no layers above", "line 5"] {
            assert!(svg.contains(text), "{text}");
        }
    }

    #[test]
    fn bands_are_those_of_the_classes() {
        for (squeeze, wanted) in [(0.0, 0), (0.6, 1), (0.75, 2), (1.0, 4), (1.2, 6), (1.26, 7), (9.0, 8)] {
            assert_eq!(band(squeeze), Some(wanted), "{squeeze}");
        }
        assert_eq!(band(f32::NAN), None);
    }
}
