//! The worst place of each run in section, at the scale of a sheet of paper: nozzle, bed, and what is laid between them.

use super::class_style::{class_style, draw_patterns};
use super::frame::{number, signed};
use super::heading::fitted;
use super::palette::{BED_FILL, BED_LINE, INK, INK_SOFT};
use super::panels::{LEFT, WIDTH};
use super::svg::{Attributes, Path, Px, Svg};
use super::words;
use crate::outcome::{Class, Outcome, Place, Run};

/// Office paper, as a feeler (common practice, no source).
const PAPER_UM: f64 = 100.0;
/// Widths at the tip of a nozzle: of its face and of its hole (common practice, no source).
const FACE_UM: f64 = 900.0;
const HOLE_UM: f64 = 400.0;
const BETWEEN: f64 = 24.0;
const HEIGHT: f64 = 270.0;
/// Of the height, at most this for the largest of gap, layer and paper.
const TALLEST: f64 = 150.0;
/// Bed below its surface; a nozzle may be deeper in it.
const BED_LEAST: f64 = 46.0;

/// What stands at one place.
struct Gap {
    run: Run,
    place: Place,
    gap_um: f64,
    asked_um: f64,
    class: Class,
}

/// What the picture shows.
pub(crate) const SHOWS: &str = "The worst place of each run in section";

/// Sections of the worst places, all at one scale, the same across and upright.
pub fn section_svg(outcome: &Outcome, title: &str) -> String {
    let (name, heading) = words::head(outcome, title, SHOWS, WIDTH - LEFT - 18.0);
    let top = heading.bottom() + 72.0;
    let gaps: Vec<Gap> = Run::ALL.into_iter().filter_map(|run| gap(outcome, run)).collect();
    let said: Vec<String> = gaps.iter().map(|gap| format!("{}: {}", gap.run.label(), in_words(gap))).collect();
    let mut svg = Svg::new(WIDTH, top + HEIGHT + 48.0, name, &said.join("; "));
    heading.draw(&mut svg, LEFT);
    if gaps.is_empty() {
        svg.text(LEFT, top, &[], "Nothing was judged, so there is no worst place.");
        return svg.finish();
    }
    let tallest_um = gaps.iter().flat_map(|gap| [gap.gap_um, gap.asked_um, PAPER_UM]).fold(0.0, f64::max);
    let deepest_um = gaps.iter().map(|gap| -gap.gap_um).fold(0.0, f64::max);
    let width = (WIDTH - 2.0 * LEFT - 2.0 * BETWEEN) / 3.0;
    let px_per_um = (TALLEST / tallest_um).min((HEIGHT - 40.0) / (tallest_um + deepest_um)).min(0.58 * width / FACE_UM);
    let bed_y = top + HEIGHT - (deepest_um * px_per_um + 14.0).max(BED_LEAST);
    for gap in &gaps {
        let left = LEFT + (width + BETWEEN) * gap.run as usize as f64;
        svg.text(left, top - 42.0, &[("font-size", &"15"), ("font-weight", &"600")], gap.run.label());
        svg.text(left, top - 26.0, &[], &fitted(&height_in_words(gap), 12.0, width));
        svg.text(left, top - 11.0, &[("fill", &INK_SOFT)], &place_in_words(&gap.place));
        Section { left, top, width, bed_y, px_per_um }.draw(&mut svg, gap);
    }
    let note = format!(
        "Across and upright in one scale. A sheet of office paper, {PAPER_UM} µm thick, lies beside the nozzle."
    );
    svg.text(LEFT, top + HEIGHT + 24.0, &[("fill", &INK_SOFT)], &note);
    svg.finish()
}

fn gap(outcome: &Outcome, run: Run) -> Option<Gap> {
    let place = words::worst(outcome, run)?;
    let asked_um = place.z_mm * 1000.0;
    let gap_um = place.gap_um();
    let class = outcome.measure.class(place.gap_error_um, asked_um);
    gap_um.is_finite().then_some(Gap { run, place, gap_um, asked_um, class })
}

fn in_words(gap: &Gap) -> String {
    format!("{}, {}", height_in_words(gap), place_in_words(&gap.place))
}

fn height_in_words(gap: &Gap) -> String {
    let left = if gap.gap_um > 0.0 {
        format!("gap {} µm of {} asked for", number(gap.gap_um, 1.0), number(gap.asked_um, 1.0))
    } else {
        format!("{} µm into the plate", number(-gap.gap_um, 1.0))
    };
    format!("{}: {left} ({})", gap.class.label(), signed(gap.place.gap_error_um, 1.0))
}

fn place_in_words(place: &Place) -> String {
    format!("line {}, X {} Y {} mm", place.job_line, number(place.x_mm, 0.1), number(place.y_mm, 0.1))
}

/// Where one section is drawn.
struct Section {
    left: f64,
    top: f64,
    width: f64,
    bed_y: f64,
    px_per_um: f64,
}

impl Section {
    fn draw(&self, svg: &mut Svg, gap: &Gap) {
        let &Self { left, top, width, bed_y, px_per_um } = self;
        let bottom = top + HEIGHT;
        svg.rect(left, top, width, HEIGHT, &[("fill", &"#ffffff")]);
        svg.rect(left, bed_y, width, bottom - bed_y, &[("fill", &BED_FILL)]);
        svg.line((left, bed_y), (left + width, bed_y), &[("stroke", &BED_LINE), ("stroke-width", &"1.6")]);
        let middle = left + width * 0.41;
        let tip_y = bed_y - gap.gap_um * px_per_um;
        self.paper(svg);
        self.laid(svg, gap, middle, tip_y);
        self.nozzle(svg, middle, tip_y);
        if gap.gap_um <= 0.0 {
            let half = FACE_UM * px_per_um / 2.0;
            let area = [middle - half, bed_y, 2.0 * half, (tip_y - bed_y).max(2.0)];
            class_area(svg, area, Class::Contact);
        }
        self.asked(svg, gap);
        svg.text(left + 8.0, bottom - 8.0, &[("fill", &"#4f4128")], "bed");
        svg.rect(left, top, width, HEIGHT, &[("fill", &"none"), ("stroke", &INK)]);
    }

    /// The height that the job asked for.
    fn asked(&self, svg: &mut Svg, gap: &Gap) {
        if gap.asked_um <= 0.0 {
            return;
        }
        let y = self.bed_y - gap.asked_um * self.px_per_um;
        let line: Attributes<'_> = &[("stroke", &INK), ("stroke-dasharray", &"5 3"), ("stroke-width", &"1")];
        svg.line((self.left, y), (self.left + self.width, y), line);
        let halo: Attributes<'_> = &[
            ("font-size", &"11"),
            ("stroke", &"#ffffff"),
            ("stroke-width", &"3"),
            ("paint-order", &"stroke"),
            ("text-anchor", &"end"),
        ];
        svg.text(self.left + self.width - 6.0, y - 5.0, halo, "asked for");
    }

    /// What comes out of the nozzle: pressed between it and the bed, or fallen as a round strand.
    fn laid(&self, svg: &mut Svg, gap: &Gap, middle: f64, tip_y: f64) {
        let (height, asked) = (self.bed_y - tip_y, gap.asked_um * self.px_per_um);
        if height <= 0.0 || asked <= 0.0 {
            return;
        }
        let hole = HOLE_UM * self.px_per_um;
        if gap.class == Class::Loose {
            // As thick as the line would be if it were let go.
            let radius = (hole * asked / std::f64::consts::PI).sqrt();
            let style = class_style(Class::Loose);
            let (cx, cy) = (middle, self.bed_y - radius);
            svg.element(
                "circle",
                &[("cx", &Px(cx)), ("cy", &Px(cy)), ("r", &Px(radius)), ("fill", &style.fill), ("stroke", &INK)],
            );
            return;
        }
        // What is fed stays the same: the lower the nozzle, the wider the line, as far as the face reaches.
        let width = (hole * asked / height).max(hole).min(FACE_UM * self.px_per_um);
        class_area(svg, [middle - width / 2.0, tip_y, width, height], gap.class);
    }

    fn nozzle(&self, svg: &mut Svg, middle: f64, tip_y: f64) {
        let (face, hole) = (FACE_UM * self.px_per_um / 2.0, HOLE_UM * self.px_per_um / 2.0);
        let rise = (tip_y - self.top).max(0.0);
        // As wide as there is room for, and steeper where it is high.
        let out = (face + rise * 0.5).min(self.width * 0.40);
        for side in [-1.0, 1.0] {
            let mut metal = Path::default();
            metal.add(
                [
                    (middle + side * hole, tip_y),
                    (middle + side * face, tip_y),
                    (middle + side * out, self.top),
                    (middle + side * hole, self.top),
                ],
                true,
            );
            svg.path(&metal, &[("fill", &"#c3a95b"), ("stroke", &INK), ("stroke-width", &"1")]);
        }
        if rise > 20.0 {
            let label: Attributes<'_> = &[("text-anchor", &"middle")];
            svg.text(middle - (face + hole) / 2.0, self.top + 16.0, label, "nozzle");
        }
    }

    /// A sheet of paper on the bed, a little away from the nozzle.
    fn paper(&self, svg: &mut Svg) {
        let thick = PAPER_UM * self.px_per_um;
        let left = self.left + self.width * 0.84;
        let right = self.left + self.width;
        svg.rect(left, self.bed_y - thick, right - left, thick, &[("fill", &"#ffffff"), ("stroke", &INK)]);
        svg.text(right - 6.0, self.bed_y + 13.0, &[("text-anchor", &"end"), ("font-size", &"11")], "paper");
    }
}

fn class_area(svg: &mut Svg, [left, top, width, height]: [f64; 4], class: Class) {
    let style = class_style(class);
    svg.rect(left, top, width, height, &[("fill", &style.fill)]);
    draw_patterns(svg, [left, top, width, height], 7.0, |_, _| Some(class));
    svg.rect(left, top, width, height, &[("fill", &"none"), ("stroke", &INK), ("stroke-width", &"0.8")]);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::fixture;

    #[test]
    fn contact_is_drawn_in_its_own_colour_and_said() {
        let mut outcome = fixture::outcome();
        let svg = section_svg(&outcome, "t");
        assert!(!svg.contains(class_style(Class::Contact).fill) && svg.contains("paper"));
        for run in &mut outcome.runs {
            if let Some(errors) = &mut run.first_layer.errors {
                errors.worst.gap_error_um = -383.0;
            }
        }
        let svg = section_svg(&outcome, "Raise the bed");
        let style = class_style(Class::Contact);
        assert_eq!(svg.matches(&format!("fill=\"{}\"", style.fill)).count(), 3);
        assert_eq!(svg.matches(&format!("stroke=\"{}\"", style.ink)).count(), 3);
        assert!(svg.contains("touches: 183 µm into the plate (−383)") && svg.contains("Raise the bed"));
    }

    #[test]
    fn every_class_has_its_section() {
        let mut outcome = fixture::outcome();
        for (error_um, class) in
            [(-60.0, Class::TooClose), (0.0, Class::Good), (45.0, Class::TooFar), (900.0, Class::Loose)]
        {
            for run in &mut outcome.runs {
                if let Some(errors) = &mut run.first_layer.errors {
                    errors.worst.gap_error_um = error_um;
                }
            }
            let svg = section_svg(&outcome, "t");
            assert_eq!(svg.matches(&format!("fill=\"{}\"", class_style(class).fill)).count(), 3, "{class:?}");
        }
    }
}
