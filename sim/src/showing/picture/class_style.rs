//! How each class looks: one colour and one pattern, the same on every picture.
//!
//! Warm is near the bed, cool is far from it, and each class has its own lightness, so that they stay apart for eyes
//! that see fewer colours and on grey paper; the patterns say the same once more.

use super::svg::{Path, Svg};
use crate::outcome::Class;

/// What is drawn over the colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Pattern {
    /// Nothing.
    Plain,
    /// Lines that rise to the right.
    Rising,
    /// Lines both ways.
    Crossed,
    /// Dots.
    Dotted,
    /// Level lines.
    Level,
}

/// Colour and pattern of a class.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ClassStyle {
    /// The area.
    pub(crate) fill: &'static str,
    pub(crate) pattern: Pattern,
    /// Lines and dots of the pattern.
    pub(crate) ink: &'static str,
}

/// The look of a class.
pub(crate) const fn class_style(class: Class) -> ClassStyle {
    let (fill, pattern, ink) = match class {
        Class::Contact => ("#9c1131", Pattern::Crossed, "#ffd9de"),
        Class::TooClose => ("#e58a3c", Pattern::Rising, "#7a3b05"),
        Class::Good => ("#e6f2dc", Pattern::Plain, "#e6f2dc"),
        Class::TooFar => ("#a9d3ee", Pattern::Dotted, "#1f5f8c"),
        Class::Loose => ("#3b6fa8", Pattern::Level, "#dcecff"),
        Class::Refused | Class::OffBed => ("#c9ccd1", Pattern::Plain, "#c9ccd1"),
    };
    ClassStyle { fill, pattern, ink }
}

/// Where nothing is printed.
pub(crate) const GHOST_FILL: &str = "#e9eaec";
/// Lines where nothing is printed.
pub(crate) const GHOST_LINE: &str = "#c6cace";

/// The classes that have an area on a map, nearest first.
pub(crate) const JUDGED: [Class; 5] = [Class::Contact, Class::TooClose, Class::Good, Class::TooFar, Class::Loose];

/// The rectangle of a pattern: left, top, width and height in px.
pub(crate) type Area = [f64; 4];

/// Draws the patterns of all classes over an area, `class_at` telling the class of each px of it.
///
/// Lines are sampled rather than clipped, since pictures hold no ids that a clip could be called by.
pub(crate) fn draw_patterns(svg: &mut Svg, area: Area, spacing: f64, class_at: impl Fn(f64, f64) -> Option<Class>) {
    for class in JUDGED {
        let style = class_style(class);
        let mut path = Path::default();
        let is_class = |x: f64, y: f64| class_at(x, y) == Some(class);
        match style.pattern {
            Pattern::Plain => {}
            Pattern::Rising => diagonals(&mut path, area, spacing, true, is_class),
            Pattern::Crossed => {
                diagonals(&mut path, area, spacing, true, is_class);
                diagonals(&mut path, area, spacing, false, is_class);
            }
            Pattern::Level => levels(&mut path, area, spacing * 0.8, is_class),
            Pattern::Dotted => dots(&mut path, area, spacing, is_class),
        }
        let width = if style.pattern == Pattern::Dotted { "1.8" } else { "0.9" };
        let stroke: super::svg::Attributes<'_> = &[
            ("fill", &"none"),
            ("stroke", &style.ink),
            ("stroke-width", &width),
            ("stroke-linecap", &"round"),
            ("stroke-opacity", &"0.75"),
        ];
        svg.path(&path, stroke);
    }
}

/// Px between two samples of a line.
const SAMPLE: f64 = 1.5;

/// The parts of a straight line, a sample after the other, that are inside.
fn add_inside(path: &mut Path, points: impl Iterator<Item = (f64, f64)>, is_inside: impl Fn(f64, f64) -> bool) {
    let mut part: Option<[(f64, f64); 2]> = None;
    for point in points {
        if is_inside(point.0, point.1) {
            part = Some([part.map_or(point, |[first, _]| first), point]);
        } else if let Some(ends) = part.take() {
            path.add(ends, false);
        }
    }
    if let Some(ends) = part {
        path.add(ends, false);
    }
}

fn diagonals(
    path: &mut Path,
    [left, top, width, height]: Area,
    spacing: f64,
    rising: bool,
    is: impl Fn(f64, f64) -> bool,
) {
    let apart = spacing * std::f64::consts::SQRT_2;
    for index in 0..=((width + height) / apart) as u32 {
        // Where the line leaves the upper border, or would.
        let across = f64::from(index) * apart;
        let steps = (height / SAMPLE) as u32;
        let points = (0..=steps).map(|step| f64::from(step) * SAMPLE).filter_map(|down| {
            let along = across - down;
            let x = if rising { left + along } else { left + width - along };
            (0.0..=width).contains(&along).then_some((x, top + down))
        });
        add_inside(path, points, &is);
    }
}

fn levels(path: &mut Path, [left, top, width, height]: Area, spacing: f64, is: impl Fn(f64, f64) -> bool) {
    for row in 0..(height / spacing) as u32 {
        let y = top + (f64::from(row) + 0.5) * spacing;
        let points = (0..=(width / SAMPLE) as u32).map(|step| (left + f64::from(step) * SAMPLE, y));
        add_inside(path, points, &is);
    }
}

fn dots(path: &mut Path, [left, top, width, height]: Area, spacing: f64, is: impl Fn(f64, f64) -> bool) {
    for row in 0..(height / spacing) as u32 {
        let y = top + (f64::from(row) + 0.5) * spacing;
        let shift = if row % 2 == 0 { 0.25 } else { 0.75 };
        for column in 0..(width / spacing) as u32 {
            let x = left + (f64::from(column) + shift) * spacing;
            if is(x, y) {
                path.add([(x, y)], false);
            }
        }
    }
}

/// One field of a legend: colour, pattern and border.
pub(crate) fn swatch(svg: &mut Svg, area: Area, class: Class) {
    let [left, top, width, height] = area;
    svg.rect(left, top, width, height, &[("fill", &class_style(class).fill)]);
    draw_patterns(svg, area, 6.0, |_, _| Some(class));
    svg.rect(
        left,
        top,
        width,
        height,
        &[("fill", &"none"), ("stroke", &super::palette::INK), ("stroke-width", &"0.8")],
    );
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use gapkeeper_host_tools::picture::vision::{Vision, difference, lightness};

    use super::*;

    /// Ground and ink stay as they are; any two classes that touch on a map differ for every eye.
    #[test]
    fn classes_differ_for_every_eye_and_on_grey_paper() {
        for (index, first) in JUDGED.into_iter().enumerate() {
            for second in &JUDGED[index + 1..] {
                let fills = [first, *second].map(|class| class_style(class).fill);
                for vision in Vision::ALL {
                    let difference = difference(fills[0], fills[1], vision);
                    assert!(difference >= 20.0, "{first:?} and {second:?} for {vision:?}: {difference:.1}");
                }
                let apart = (lightness(fills[0]) - lightness(fills[1])).abs();
                assert!(apart >= 10.0, "{first:?} and {second:?} in grey: {apart:.1}");
            }
        }
    }

    #[test]
    fn what_is_not_printed_looks_like_no_class() {
        for class in JUDGED {
            let difference = difference(class_style(class).fill, GHOST_FILL, Vision::Full);
            assert!(difference >= 6.0, "{class:?}: {difference:.1}");
        }
    }

    #[test]
    fn every_class_has_its_own_pattern() {
        let patterns: BTreeSet<String> =
            JUDGED.iter().map(|class| format!("{:?}", class_style(*class).pattern)).collect();
        assert_eq!(patterns.len(), JUDGED.len());
    }

    #[test]
    fn a_pattern_stays_where_its_class_is() {
        for class in JUDGED.into_iter().filter(|class| *class != Class::Good) {
            let mut svg = Svg::new(100.0, 60.0, "t", "d");
            draw_patterns(&mut svg, [0.0, 0.0, 100.0, 60.0], 7.0, |x, _| (x < 50.0).then_some(class));
            let drawn = gapkeeper_host_tools::picture::png(&svg.finish(), 1.0).unwrap();
            let pixels = resvg::tiny_skia::Pixmap::decode_png(&drawn).unwrap();
            let inked = |from: u32, to: u32| {
                (from..to)
                    .flat_map(|x| (0..60).map(move |y| (x, y)))
                    .filter(|(x, y)| pixels.pixel(*x, *y).unwrap().red() < 255)
                    .count()
            };
            let is_light = class_style(class).ink == "#dcecff" || class_style(class).ink == "#ffd9de";
            assert!(is_light || inked(0, 50) > 40, "{class:?}");
            assert_eq!(inked(53, 100), 0, "{class:?}");
        }
    }
}
