//! The card to be shown to others: before and after, one large percentage each, and what to do.

use super::heading::{BOLD, fitted, wrapped};
use super::map::{opened, small_map};
use super::palette::{INK, INK_SOFT};
use super::svg::{Attributes, Path, Svg};
use super::words;
use crate::outcome::{Outcome, Run};

/// A wide card, 1,200 by 630 px, with a title that says what to do.
pub fn card_svg(outcome: &Outcome, title: &str) -> String {
    let layout = Layout { width: 1200.0, height: 630.0, title_size: 38.0, title_lines: 2, is_wide: true };
    layout.draw(outcome, title)
}

/// The same for a phone held upright, 1,080 by 1,350 px.
pub fn phone_card_svg(outcome: &Outcome, title: &str) -> String {
    let layout = Layout { width: 1080.0, height: 1350.0, title_size: 50.0, title_lines: 3, is_wide: false };
    layout.draw(outcome, title)
}

struct Layout {
    width: f64,
    height: f64,
    title_size: f64,
    title_lines: usize,
    is_wide: bool,
}

const MARGIN: f64 = 56.0;
const BETWEEN: f64 = 72.0;
const FOOT: f64 = 74.0;

impl Layout {
    fn draw(&self, outcome: &Outcome, title: &str) -> String {
        let after = opened(outcome);
        let [before_said, after_said] = [Run::Uncorrected, after].map(|run| words::share_good(outcome, run));
        let description = format!("Before: {before_said}. After: {after_said}.");
        let mut svg = Svg::new(self.width, self.height, title, &description);
        let inner = self.width - 2.0 * MARGIN;
        let mut y = 34.0;
        let (size, lines) = self.title(title, inner);
        for line in lines {
            y += size * 1.16;
            svg.text(MARGIN, y, &[("font-size", &size), ("font-weight", &"600")], &line);
        }
        let top = y + 36.0;
        let room = self.height - FOOT - top;
        let (side_width, side_height) =
            if self.is_wide { ((inner - BETWEEN) / 2.0, room) } else { (inner, (room - BETWEEN) / 2.0) };
        let second =
            if self.is_wide { (MARGIN + side_width + BETWEEN, top) } else { (MARGIN, top + side_height + BETWEEN) };
        for (run, word, (left, top)) in [(Run::Uncorrected, "before", (MARGIN, top)), (after, "after", second)] {
            side(&mut svg, outcome, run, word, [left, top, side_width, side_height]);
        }
        if self.is_wide {
            arrow(&mut svg, MARGIN + side_width + BETWEEN / 2.0, top + 70.0, true);
        } else {
            arrow(&mut svg, self.width / 2.0, top + side_height + BETWEEN / 2.0, false);
        }
        self.foot(&mut svg, outcome, inner);
        svg.finish()
    }

    /// As large as fits into the lines there are; the smallest is cut.
    fn title(&self, title: &str, width: f64) -> (f64, Vec<String>) {
        let lines = |size: f64, most: usize| wrapped(title, size * BOLD, width, most);
        let sizes = [1.0, 0.85, 0.72].map(|part| self.title_size * part);
        let fits = sizes.into_iter().find(|size| lines(*size, usize::MAX).len() <= self.title_lines);
        let size = fits.unwrap_or(sizes[2]);
        (size, lines(size, self.title_lines))
    }

    fn foot(&self, svg: &mut Svg, outcome: &Outcome, width: f64) {
        let soft: Attributes<'_> = &[("font-size", &"20"), ("fill", &INK_SOFT)];
        let names = format!("{} · {}", outcome.scenario_name, outcome.job_name);
        svg.text(MARGIN, self.height - 42.0, &[("font-size", &"22")], &fitted(&names, 22.0, width));
        let meaning = format!("simulated on a modelled bed · good: {}", words::good(outcome));
        svg.text(MARGIN, self.height - 15.0, soft, &fitted(&meaning, 20.0, width));
    }
}

/// One half: what it is, the share that is good, and the map.
fn side(svg: &mut Svg, outcome: &Outcome, run: Run, word: &str, [left, top, width, height]: [f64; 4]) {
    let share = words::percent(words::share(outcome, run));
    svg.text(left, top + 18.0, &[("font-size", &"22"), ("fill", &INK_SOFT)], &format!("{word}: {}", run.label()));
    svg.text(left, top + 104.0, &[("font-size", &"92"), ("font-weight", &"700"), ("class", &"share")], &share);
    let beside = left + share_width(&share, 92.0) + 16.0;
    for (line, text) in ["of the first", "layer good"].into_iter().enumerate() {
        svg.text(beside, top + 76.0 + 27.0 * line as f64, &[("font-size", &"22")], text);
    }
    small_map(svg, outcome, run, (left, top + 126.0), width, height - 134.0);
}

/// Width of a share in px: digits and the sign are wider than most characters.
fn share_width(share: &str, size: f64) -> f64 {
    let of = |character| match character {
        '.' | ' ' => 0.34,
        '%' => 0.94,
        '<' | '>' => 0.76,
        _ => 0.64,
    };
    share.chars().map(of).sum::<f64>() * size
}

fn arrow(svg: &mut Svg, x: f64, y: f64, to_the_right: bool) {
    let turned =
        |(along, across): (f64, f64)| if to_the_right { (x + along, y + across) } else { (x + across, y + along) };
    let mut path = Path::default();
    path.add([(-22.0, 0.0), (22.0, 0.0)].map(turned), false);
    path.add([(8.0, -13.0), (22.0, 0.0), (8.0, 13.0)].map(turned), false);
    svg.path(&path, &[("fill", &"none"), ("stroke", &INK), ("stroke-width", &"4"), ("stroke-linejoin", &"round")]);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::{fixture, png};

    /// The shares that stand large on the card are those of the figures, to the letter.
    #[test]
    fn the_card_says_before_and_after() {
        let outcome = fixture::outcome();
        for svg in [card_svg(&outcome, "Refine and print"), phone_card_svg(&outcome, "Refine and print")] {
            let shares: Vec<&str> = svg
                .split("class=\"share\">")
                .skip(1)
                .filter_map(|rest| rest.split('<').next())
                .map(|share| share.trim_start_matches("&gt;"))
                .collect();
            let wanted = [Run::Uncorrected, Run::Refined].map(|run| words::percent(words::share(&outcome, run)));
            assert_eq!(shares, wanted.each_ref().map(|share| share.trim_start_matches('>')));
            for text in ["Refine and print", "bowed bed", "plate-with-hole.gcode", "before: uncorrected", "after: "] {
                assert!(svg.contains(text), "{text}");
            }
        }
    }

    #[test]
    fn cards_have_their_size_whatever_the_bed() {
        let size = |svg: &str| {
            let bytes = png(svg, 1.0).unwrap();
            [16, 20].map(|at| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()))
        };
        for outcome in
            [fixture::outcome(), fixture::rough_outcome(), fixture::empty_outcome(), fixture::hostile_outcome()]
        {
            let title = "An action that is so long that it takes more lines than a card of this size can have, and then some more";
            assert_eq!(size(&card_svg(&outcome, title)), [1200, 630]);
            assert_eq!(size(&phone_card_svg(&outcome, title)), [1080, 1350]);
        }
    }
}
