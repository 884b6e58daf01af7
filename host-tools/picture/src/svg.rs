//! A small writer of SVG: it escapes what it is given and keeps numbers short.
//!
//! Everything is styled with attributes, never with a style sheet or an id, so any number of pictures can share a page.

use std::fmt::{self, Display, Write};

/// Fonts of every picture; the last one is what the PNG is drawn with.
const FONT_FAMILY: &str = "system-ui, -apple-system, 'Segoe UI', 'Helvetica Neue', Arial, sans-serif";

/// A list of attributes: name and value.
pub type Attributes<'a> = &'a [(&'a str, &'a dyn Display)];

/// A picture that is being written.
pub struct Svg {
    out: String,
}

impl Svg {
    /// Starts a picture with a white ground, a name and a description for those who cannot see it.
    pub fn new(width: f64, height: f64, title: &str, description: &str) -> Self {
        let mut svg = Self::start_picture(width, height, &[]);
        svg.leaf("title", title);
        svg.describe(width, height, description);
        svg
    }

    /// The same with a name that browsers do not show under a resting pointer, for a picture that is pointed at.
    pub fn without_tooltip(width: f64, height: f64, title: &str, description: &str) -> Self {
        let mut svg = Self::start_picture(width, height, &[("aria-label", &title)]);
        svg.describe(width, height, description);
        svg
    }

    fn start_picture(width: f64, height: f64, more: Attributes<'_>) -> Self {
        let mut svg = Self { out: String::with_capacity(1 << 16) };
        svg.start(
            "svg",
            &[
                ("xmlns", &"http://www.w3.org/2000/svg"),
                ("viewBox", &format_args!("0 0 {} {}", Px(width), Px(height))),
                ("width", &Px(width)),
                ("height", &Px(height)),
                ("role", &"img"),
                ("font-family", &FONT_FAMILY),
                ("font-size", &"12"),
                ("fill", &super::palette::INK),
            ],
        );
        svg.attributes(more);
        svg.out.push_str(">\n");
        svg
    }

    /// Writes an element without content.
    pub fn element(&mut self, name: &str, attributes: Attributes<'_>) {
        self.start(name, attributes);
        self.out.push_str("/>\n");
    }

    /// Opens an element; [`Self::close`] ends it.
    pub fn open(&mut self, name: &str, attributes: Attributes<'_>) {
        self.start(name, attributes);
        self.out.push_str(">\n");
    }

    /// Ends an element that was opened.
    pub fn close(&mut self, name: &str) {
        self.out.push_str("</");
        self.out.push_str(name);
        self.out.push_str(">\n");
    }

    /// Writes a line of text with its base line at (x, y).
    pub fn text(&mut self, x: f64, y: f64, attributes: Attributes<'_>, content: &str) {
        self.start("text", &[("x", &Px(x)), ("y", &Px(y))]);
        self.attributes(attributes);
        self.out.push('>');
        self.out.push_str(&escaped(content));
        self.out.push_str("</text>\n");
    }

    /// Writes a straight line.
    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), attributes: Attributes<'_>) {
        self.start("line", &[("x1", &Px(from.0)), ("y1", &Px(from.1)), ("x2", &Px(to.0)), ("y2", &Px(to.1))]);
        self.attributes(attributes);
        self.out.push_str("/>\n");
    }

    /// Writes a rectangle.
    pub fn rect(&mut self, left: f64, top: f64, width: f64, height: f64, attributes: Attributes<'_>) {
        self.start("rect", &[("x", &Px(left)), ("y", &Px(top)), ("width", &Px(width)), ("height", &Px(height))]);
        self.attributes(attributes);
        self.out.push_str("/>\n");
    }

    /// Writes a path, unless it is empty.
    pub fn path(&mut self, path: &Path, attributes: Attributes<'_>) {
        if path.data.is_empty() {
            return;
        }
        self.start("path", &[("d", &path.data)]);
        self.attributes(attributes);
        self.out.push_str("/>\n");
    }

    /// Ends the picture.
    pub fn finish(mut self) -> String {
        self.close("svg");
        self.out
    }

    fn describe(&mut self, width: f64, height: f64, description: &str) {
        self.leaf("desc", description);
        self.rect(0.0, 0.0, width, height, &[("fill", &"#ffffff")]);
    }

    fn leaf(&mut self, name: &str, content: &str) {
        self.start(name, &[]);
        self.out.push('>');
        self.out.push_str(&escaped(content));
        self.close(name);
    }

    fn start(&mut self, name: &str, attributes: Attributes<'_>) {
        self.out.push('<');
        self.out.push_str(name);
        self.attributes(attributes);
    }

    fn attributes(&mut self, attributes: Attributes<'_>) {
        for (name, value) in attributes {
            self.out.push(' ');
            self.out.push_str(name);
            self.out.push_str("=\"");
            self.out.push_str(&escaped(&value.to_string()));
            self.out.push('"');
        }
    }
}

/// A path made of straight parts.
#[derive(Default)]
pub struct Path {
    data: String,
    /// Where the last part ended, or began if it was closed, in 0.1 px.
    at: Option<Tenths>,
}

/// A point in 0.1 px.
type Tenths = (i32, i32);

impl Path {
    /// Adds a run of points joined by straight lines; `closed` joins the last to the first.
    ///
    /// Points are rounded to 0.1 px and written relative to the one before, which halves the size of a map; rounding
    /// comes first, so it does not add up. Points that fall together are written once.
    pub fn add(&mut self, points: impl IntoIterator<Item = (f64, f64)>, closed: bool) {
        let mut first: Option<Tenths> = None;
        let mut last: Option<Tenths> = None;
        for (x, y) in points {
            let (x, y) = (tenths(x), tenths(y));
            match last {
                None => {
                    self.move_to((x, y));
                    self.data.push('l');
                    first = Some((x, y));
                }
                Some(point) if point == (x, y) => continue,
                Some((last_x, last_y)) => {
                    self.push_tenths(x.saturating_sub(last_x));
                    self.push_tenths(y.saturating_sub(last_y));
                }
            }
            last = Some((x, y));
        }
        if self.data.ends_with('l') {
            // All in one place; a dot is still seen with round ends, and a lone `l` would be malformed.
            self.data.push_str("0 0");
        }
        if closed && last.is_some() {
            self.data.push('Z');
        }
        self.at = if closed { first } else { last }.or(self.at);
    }

    fn move_to(&mut self, (x, y): Tenths) {
        let from = self.at.filter(|(from_x, from_y)| x.checked_sub(*from_x).and(y.checked_sub(*from_y)).is_some());
        self.data.push(if from.is_some() { 'm' } else { 'M' });
        let (from_x, from_y) = from.unwrap_or((0, 0));
        self.push_tenths(x.saturating_sub(from_x));
        self.push_tenths(y.saturating_sub(from_y));
    }

    /// Adds a rectangle with sides along the axes, in fewer characters than its corners take.
    pub fn add_rect(&mut self, left: f64, top: f64, right: f64, bottom: f64) {
        let (left, top) = (tenths(left), tenths(top));
        let (across, down) = (tenths(right).saturating_sub(left), tenths(bottom).saturating_sub(top));
        self.move_to((left, top));
        self.at = Some((left, top));
        for (command, length) in [('h', across), ('v', down), ('h', across.saturating_neg())] {
            self.data.push(command);
            self.push_tenths(length);
        }
        self.data.push('Z');
    }

    /// Writes tenths as a decimal in as few characters as the syntax of paths allows.
    fn push_tenths(&mut self, tenths: i32) {
        if tenths >= 0 && self.data.ends_with(|last: char| last.is_ascii_digit()) {
            self.data.push(' ');
        }
        if tenths < 0 {
            self.data.push('-');
        }
        let (whole, tenth) = (tenths.unsigned_abs() / 10, tenths.unsigned_abs() % 10);
        // Writing to a String cannot fail.
        let _ = match (whole, tenth) {
            (_, 0) => write!(self.data, "{whole}"),
            (0, _) => write!(self.data, ".{tenth}"),
            _ => write!(self.data, "{whole}.{tenth}"),
        };
    }
}

/// A length in 0.1 px; 0 for what is not a number, and the ends of i32 for what is beyond them.
fn tenths(length: f64) -> i32 {
    (length * 10.0).round() as i32
}

/// A length in the picture, written with at most one decimal.
///
/// What is not a number is written as 0: a picture with one wrong point beats no picture.
pub struct Px(pub f64);

impl Display for Px {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let rounded = (self.0 * 10.0).round() / 10.0;
        // Adding zero turns -0 into 0.
        if rounded.is_finite() { write!(f, "{}", rounded + 0.0) } else { f.write_str("0") }
    }
}

/// Text in which nothing can be taken for markup, and no character is outside of what XML allows.
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '&' => safe.push_str("&amp;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            '\t' | '\n' | '\r' => safe.push(' '),
            '\u{fffe}' | '\u{ffff}' => safe.push('\u{fffd}'),
            control if control.is_control() => safe.push('\u{fffd}'),
            other => safe.push(other),
        }
    }
    safe
}

/// The first and the last characters of a long text, with a mark where it was cut: names often differ at their ends.
pub fn shortened(text: &str, longest: usize) -> String {
    let count = text.chars().count();
    if count <= longest {
        return text.to_owned();
    }
    let kept = longest.saturating_sub(1);
    let last = kept / 2;
    text.chars().take(kept - last).chain(['…']).chain(text.chars().skip(count - last)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_short_and_always_numbers() {
        let written: Vec<_> =
            [1.0, 1.26, -0.01, f64::NAN, f64::INFINITY].iter().map(|&value| Px(value).to_string()).collect();
        assert_eq!(written, ["1", "1.3", "0", "0", "0"]);
    }

    #[test]
    fn paths_are_relative_and_do_not_drift() {
        let mut path = Path::default();
        path.add([(1.0, 2.04), (1.33, 1.0), (1.66, 1.0), (1.67, 1.0)], true);
        path.add([(5.0, 5.0)], false);
        assert_eq!(path.data, "M1 2l.3-1 .4 0Zm4 3l0 0");
    }

    #[test]
    fn a_rectangle_takes_few_characters() {
        let mut path = Path::default();
        path.add_rect(1.0, 2.0, 4.5, 8.0);
        assert_eq!(path.data, "M1 2h3.5v6h-3.5Z");
    }

    #[test]
    fn markup_and_control_characters_are_made_harmless() {
        assert_eq!(escaped("<a b='\"'>&\u{1b}\n"), "&lt;a b=&#39;&quot;&#39;&gt;&amp;\u{fffd} ");
    }

    #[test]
    fn long_text_is_cut_in_the_middle() {
        assert_eq!(shortened("größer", 4), "gr…r");
        assert_eq!(shortened("groß", 4), "groß");
        assert_eq!(shortened("groß", 1), "…");
        assert_eq!(shortened("left-of-two-lids.gcode", 14), "left-of….gcode");
    }
}
