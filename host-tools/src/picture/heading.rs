//! The head of a picture: a title that may take two lines, and below it what the picture is about.

use super::palette::INK_SOFT;
use super::svg::{Svg, shortened};

/// Mean width of a character by its height, in the usual fonts without serifs.
const CHARACTER_WIDTH: f64 = 0.52;
const TITLE_SIZE: f64 = 20.0;
const ABOUT_SIZE: f64 = 12.0;
const LINE: f64 = 25.0;
const FIRST_LINE: f64 = 34.0;

/// Width of a text in px, wide enough for the usual fonts without serifs.
pub fn text_width(text: &str, size: f64) -> f64 {
    text.chars().count() as f64 * size * CHARACTER_WIDTH
}

/// As much of a text as fits, cut in the middle.
pub fn fitted(text: &str, size: f64, width: f64) -> String {
    shortened(text, (width / (size * CHARACTER_WIDTH)).max(1.0) as usize)
}

/// Words, each with the unit that follows it: a number never stands without its own.
fn words(text: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let is_unit =
            ["%", "µm", "mm", "m", "°C"].contains(&word.trim_end_matches(|mark: char| ",;.:)".contains(mark)));
        match words.last_mut() {
            Some(last) if is_unit => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    words
}

/// Lines of at most this width, broken between words; the last one is cut if there are more than `most`.
pub fn wrapped(text: &str, size: f64, width: f64, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words(text) {
        let word = word.as_str();
        match lines.last_mut() {
            Some(line) if text_width(line, size) + text_width(word, size) + size * CHARACTER_WIDTH <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    if lines.len() > most.max(1) {
        let rest = lines.split_off(most.max(1) - 1).join(" ");
        lines.push(rest);
    }
    lines.iter().map(|line| fitted(line, size, width)).collect()
}

/// Title and subtitle, broken into lines.
pub struct Heading {
    title: Vec<String>,
    about: Vec<String>,
}

impl Heading {
    /// A heading for this width.
    pub fn new(title: &str, about: &str, width: f64) -> Self {
        Self { title: wrapped(title, TITLE_SIZE, width, 2), about: wrapped(about, ABOUT_SIZE, width, 2) }
    }

    /// Px from the upper border of the picture to the last base line.
    pub fn bottom(&self) -> f64 {
        FIRST_LINE + LINE * (self.title.len().max(1) - 1) as f64 + 5.0 + 16.0 * self.about.len() as f64
    }

    /// Draws it from the upper border down.
    pub fn draw(&self, svg: &mut Svg, left: f64) {
        let mut y = FIRST_LINE - LINE;
        for line in &self.title {
            y += LINE;
            svg.text(left, y, &[("font-size", &TITLE_SIZE), ("font-weight", &"600")], line);
        }
        y += 5.0;
        for line in &self.about {
            y += 16.0;
            svg.text(left, y, &[("fill", &INK_SOFT)], line);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_between_words_and_are_never_too_wide() {
        let lines = wrapped("Raise the bed by a quarter turn of screw 2, then print", 20.0, 300.0, 3);
        assert_eq!(lines, ["Raise the bed by a quarter", "turn of screw 2, then print"]);
        for text in ["Donaudampfschifffahrtsgesellschaftskapitänsmützenhalter", "a b c d e f g h i j k l m n o p"] {
            for most in 1..3 {
                let lines = wrapped(text, 20.0, 120.0, most);
                assert!(lines.len() <= most && lines.iter().all(|line| text_width(line, 20.0) <= 120.0), "{lines:?}");
            }
        }
        assert!(wrapped("", 20.0, 100.0, 2).is_empty());
        assert_eq!(wrapped("good 0.5 %, loose", 20.0, 84.0, 3), ["good", "0.5 %,", "loose"]);
    }

    #[test]
    fn a_second_line_moves_what_is_below() {
        let of = |title: &str| Heading::new(title, "about", 400.0).bottom();
        assert_eq!(of("short"), 55.0);
        assert_eq!(of("a title that is too long for a single line of this picture"), 80.0);
    }
}
