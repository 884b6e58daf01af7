//! The squeeze map: how thick each place of the first layer, and of all above, is laid by what the job asked for.

use super::class_style::{JUDGED, class_style, draw_patterns};
use super::contours::Xy;
use super::frame::{Frame, Span, number};
use super::legend;
use super::palette::INK_SOFT;
use super::panels::{LEFT, Panels, WIDTH, panels};
use super::svg::{Path, Svg};
use super::words;
use crate::class::{LOOSE_ABOVE, TOO_CLOSE_BELOW, TOO_FAR_ABOVE};
use crate::deposit::{LaidPlace, Squeeze, SqueezeMap};
use crate::outcome::{Class, Outcome, PerClass, Run};

const BELOW: f64 = 150.0;
/// Between the axis of the upper row and the lower row, or the words that stand for it.
const BETWEEN_ROWS: f64 = 52.0;
/// Px between the lines of a pattern.
const SPACING: f64 = 7.0;

/// What the picture shows.
pub(crate) const SHOWS: &str = "Squeeze: thickness laid by thickness asked for";

/// Maps of the squeeze: the three runs side by side, the first layer above, the worst of all further layers below.
///
/// Where every place of every layer above is good, one sentence says so in place of three plain maps.
pub fn squeeze_svg(outcome: &Outcome, runs: &[Squeeze; 3], title: &str) -> String {
    let map = &runs[0].first_layer_map;
    let (name, heading) = words::head(outcome, title, SHOWS, WIDTH - LEFT - 18.0);
    let span = |extent: crate::scenario::Extent| Span { low: extent.from, high: extent.to };
    let first = panels(span(map.x_mm), span(map.y_mm), heading.bottom() + 8.0);
    let above = above_in_words(runs);
    let second = panels(span(map.x_mm), span(map.y_mm), first.bottom() + BETWEEN_ROWS);
    let bottom = if above.is_some() { first.bottom() + BETWEEN_ROWS + 8.0 } else { second.bottom() };

    let mut svg = Svg::new(WIDTH, bottom + BELOW, name, &description(runs));
    heading.draw(&mut svg, LEFT);
    for (run, squeeze) in Run::ALL.into_iter().zip(runs) {
        first.caption(&mut svg, run, &format!("first layer by area: {}", shares(&squeeze.first_layer.area_mm2)));
        let class = |squeeze| first_layer_class(outcome, squeeze);
        panel(&mut svg, &squeeze.first_layer_map, &first.frames[run as usize], class);
        first.axes(&mut svg, run);
        let worst = [&squeeze.closest, &squeeze.farthest].into_iter().filter_map(|spots| spots.first());
        for spot in worst.filter(|spot| spot.z_mm * 1000.0 <= outcome.surfaces.first_layer_um + 10.0) {
            worst_spot(&mut svg, spot, &first.frames[run as usize]);
        }
        if above.is_none() {
            draw_above(&mut svg, &second, run, squeeze);
        }
    }
    if let Some(words) = above {
        svg.text(LEFT, first.bottom() + BETWEEN_ROWS + 4.0, &[], &words);
    }
    legend(&mut svg, bottom + 78.0);
    svg.finish()
}

/// What the lower row would show, where it would show nothing: no layers above, or good ones only.
fn above_in_words(runs: &[Squeeze; 3]) -> Option<String> {
    if runs.iter().all(|squeeze| squeeze.above.area_mm2.total() <= 0.0) {
        return Some("There are no layers above the first.".to_owned());
    }
    let is_good = |squeeze: &Squeeze| {
        let mut drawn = squeeze.above_map.squeeze.iter().filter_map(|squeeze| class(*squeeze));
        drawn.all(|class| class == Class::Good)
    };
    runs.iter().all(is_good).then(|| {
        let each: Vec<_> = Run::ALL
            .into_iter()
            .zip(runs)
            .map(|(run, squeeze)| format!("{} {}", run.label(), shares(&squeeze.above.area_mm2)))
            .collect();
        format!("Above the first layer every place is good even in its worst layer (by area: {}).", each.join("; "))
    })
}

/// The lower row: drawn is the worst layer of each place, and the words say that first.
fn draw_above(svg: &mut Svg, panels: &Panels, run: Run, squeeze: &Squeeze) {
    let frame = &panels.frames[run as usize];
    let mut drawn = PerClass::default();
    for class in squeeze.above_map.squeeze.iter().filter_map(|squeeze| class(*squeeze)) {
        drawn.add(class, 1.0);
    }
    let words = format!("worst layer of each place above the first: {}", shares(&drawn));
    panels.caption(svg, run, &words);
    panel(svg, &squeeze.above_map, frame, class);
    panels.axes(svg, run);
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

/// The class of a squeeze; none if nothing was laid.
fn class(squeeze: f32) -> Option<Class> {
    (!squeeze.is_nan()).then(|| Class::of(f64::from(squeeze), 1.0, f64::INFINITY))
}

/// The class in the first layer, whose thickness is known, so that the tolerance counts as well.
fn first_layer_class(outcome: &Outcome, squeeze: f32) -> Option<Class> {
    let asked_um = outcome.surfaces.first_layer_um;
    if asked_um > 0.0 && !squeeze.is_nan() {
        Some(Class::of(f64::from(squeeze) * asked_um, asked_um, outcome.tolerance_um))
    } else {
        class(squeeze)
    }
}

/// Blocks of one map, patterns and border.
fn panel(svg: &mut Svg, map: &SqueezeMap, frame: &Frame, class: impl Fn(f32) -> Option<Class>) {
    let (block_x_mm, block_y_mm) = (map.x_mm.length() / map.columns as f64, map.y_mm.length() / map.rows as f64);
    let mut areas: Vec<Path> = JUDGED.iter().map(|_| Path::default()).collect();
    for row in 0..map.rows {
        let y_mm = map.y_mm.from + row as f64 * block_y_mm;
        let blocks = &map.squeeze[row * map.columns..][..map.columns];
        let mut column = 0;
        // Neighbours of one class are one rectangle.
        while column < map.columns {
            let here = class(blocks[column]);
            let length = blocks[column..].iter().take_while(|squeeze| class(**squeeze) == here).count();
            if let Some(area) = here.and_then(|here| areas.get_mut(here as usize)) {
                let x_mm = map.x_mm.from + column as f64 * block_x_mm;
                let ((left, bottom), (right, top)) =
                    (frame.point(x_mm, y_mm), frame.point(x_mm + length as f64 * block_x_mm, y_mm + block_y_mm));
                area.add_rect(left, top, right, bottom);
            }
            column += length;
        }
    }
    svg.rect(frame.left, frame.top, frame.width, frame.height, &[("fill", &super::class_style::GHOST_FILL)]);
    for (class, path) in JUDGED.into_iter().zip(&areas) {
        let colour = class_style(class).fill;
        // A thin line of the same colour closes the seams between blocks.
        svg.path(path, &[("fill", &colour), ("stroke", &colour), ("stroke-width", &"0.4")]);
    }
    let block = |(x, y): Xy| {
        let share =
            |part: f64, whole: f64, count: usize| ((part / whole * count as f64).max(0.0) as usize).min(count - 1);
        let column = share(x - frame.left, frame.width, map.columns);
        let row = share(frame.bottom() - y, frame.height, map.rows);
        map.squeeze.get(row * map.columns + column).copied()
    };
    let area = [frame.left, frame.top, frame.width, frame.height];
    draw_patterns(svg, area, SPACING, |x, y| class(block((x, y))?));
    frame.border(svg);
}

fn worst_spot(svg: &mut Svg, spot: &LaidPlace, frame: &Frame) {
    let words = format!("{:.2}, line {}", spot.squeeze, spot.job_line);
    legend::worst_place(svg, frame, (spot.x_mm, spot.y_mm), &words);
}

fn legend(svg: &mut Svg, top: f64) {
    let edges = [0.0, TOO_CLOSE_BELOW, TOO_FAR_ABOVE, LOOSE_ABOVE].map(|edge| number(edge, 0.01));
    let unit = "squeeze: thickness laid by thickness asked for; the tolerance may ask for less";
    legend::class_fields(svg, (LEFT, top), 640.0, &JUDGED, &edges, unit);
    legend::worst(svg, (LEFT + 700.0, top + 14.0));
    svg.text(LEFT + 716.0, top + 12.0, &[], "closest and farthest, if in the first layer");
    svg.text(LEFT + 693.0, top + 34.0, &[("fill", &INK_SOFT)], "grey: nothing was laid there");
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
                deposit.lay(&strand, &end(0.0, y_mm, -200.0), &end(100.0, y_mm, 300.0));
            }
            deposit.finish()
        })
    }

    #[test]
    fn well_formed_whatever_was_laid() {
        for (outcome, ramp) in
            [(fixture::outcome(), true), (fixture::empty_outcome(), false), (fixture::hostile_outcome(), true)]
        {
            let svg = squeeze_svg(&outcome, &squeezes(ramp), "t");
            assert!(!svg.contains("NaN") && !svg.contains("inf\"") && !svg.contains("<script"));
            assert!(!svg.contains(" id=") && !svg.contains("href"));
            assert!(usvg::Tree::from_str(&svg, &usvg::Options::default()).is_ok());
        }
    }

    #[test]
    fn every_class_is_drawn_with_its_pattern() {
        let svg = squeeze_svg(&fixture::outcome(), &squeezes(true), "A title that says what to do");
        for class in JUDGED {
            let style = class_style(class);
            // Three panels and the legend.
            assert!(svg.matches(&format!("fill=\"{}\"", style.fill)).count() >= 4, "{class:?}");
            if class != Class::Good {
                assert!(svg.matches(&format!("stroke=\"{}\"", style.ink)).count() >= 4, "{class:?}");
            }
        }
        for text in
            ["touches", "too close", "good", "too far", "loose", "X, mm", "no layers above", "line 5", "what to do"]
        {
            assert!(svg.contains(text), "{text}");
        }
    }

    /// A second layer that asks for more than is left of the room over a too thick first one.
    #[test]
    fn the_lower_row_says_what_it_draws() {
        let mut runs = squeezes(true);
        let map = &mut runs[0].above_map;
        map.squeeze.fill(1.0);
        let quarter = map.squeeze.len() / 4;
        map.squeeze[..quarter].fill(0.5);
        let share = words::percent(quarter as f64 / map.squeeze.len() as f64);
        for run in &mut runs {
            run.above.area_mm2.add(Class::Good, 1000.0);
        }
        let svg = squeeze_svg(&fixture::outcome(), &runs, "t");
        assert!(svg.contains(&format!("{share} too close")), "{share}");
        assert!(!svg.contains("even in its worst layer"));
        // All good: a sentence, and only the upper row.
        runs[0].above_map.squeeze.fill(1.0);
        let plain = squeeze_svg(&fixture::outcome(), &runs, "t");
        assert!(plain.contains("even in its worst layer"));
        assert!(plain.matches("X, mm").count() < svg.matches("X, mm").count());
    }

    #[test]
    fn classes_are_those_of_the_first_layer() {
        let outcome = fixture::outcome();
        for (squeeze, wanted) in [
            (0.0, Class::Contact),
            (0.74, Class::TooClose),
            // 40 µm of 200 either way.
            (0.79, Class::TooClose),
            (0.81, Class::Good),
            (1.19, Class::Good),
            (1.21, Class::TooFar),
            (9.0, Class::Loose),
        ] {
            assert_eq!(first_layer_class(&outcome, squeeze), Some(wanted), "{squeeze}");
        }
        assert_eq!(class(1.21), Some(Class::Good));
        assert_eq!(class(f32::NAN), None);
    }
}
