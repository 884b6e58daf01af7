//! Text as outlines of letters, for a rasteriser that knows no fonts.
//!
//! Letters are set one after another with the font's own advances and kerning, which is all that the labels of pictures
//! need. `x`, `y`, `text-anchor`, `font-size` and a `font-weight` of 600 or more count; the last three are inherited.

use std::fmt::Write;

use resvg::usvg::roxmltree::{Document, Error, Node};
use ttf_parser::{Face, GlyphId, OutlineBuilder};

use super::svg::escaped;

pub use ttf_parser::FaceParsingError as FontError;

/// Stands for characters that no font here has.
const REPLACEMENT: char = '·';
const DEFAULT_SIZE: f32 = 12.0;
/// What becomes part of the outline.
const SET_HERE: [&str; 6] = ["x", "y", "text-anchor", "font-size", "font-weight", "font-family"];

/// The embedded font, in two weights, and one of symbols for names that have some.
pub(super) struct Lettering {
    regular: Face<'static>,
    bold: Face<'static>,
    symbols: Face<'static>,
}

impl Lettering {
    pub(super) fn embedded() -> Result<Self, FontError> {
        Ok(Self {
            regular: Face::parse(dejavu::sans_condensed::regular(), 0)?,
            bold: Face::parse(dejavu::sans_condensed::bold(), 0)?,
            symbols: Face::parse(epaint_default_fonts::NOTO_EMOJI_REGULAR, 0)?,
        })
    }

    /// The same picture with a path for each `text`.
    pub(super) fn outlined(&self, svg: &str) -> Result<String, Error> {
        let document = Document::parse(svg)?;
        let mut outlined = String::with_capacity(2 * svg.len());
        let mut copied_to = 0;
        for text in document.descendants().filter(|node| node.tag_name().name() == "text") {
            let range = text.range();
            outlined.push_str(svg.get(copied_to..range.start).unwrap_or_default());
            self.write_path(text, &mut outlined);
            copied_to = range.end;
        }
        outlined.push_str(svg.get(copied_to..).unwrap_or_default());
        Ok(outlined)
    }

    fn write_path(&self, text: Node<'_, '_>, out: &mut String) {
        let number = |name: &str| text.attribute(name).and_then(|value| value.parse().ok()).unwrap_or(0.0);
        let size = inherited(text, "font-size").and_then(|size| size.parse().ok()).unwrap_or(DEFAULT_SIZE);
        let weight = inherited(text, "font-weight").unwrap_or_default();
        let is_bold = weight == "bold" || weight.parse().is_ok_and(|weight: u16| weight >= 600);
        let face = if is_bold { &self.bold } else { &self.regular };
        let line = Line::set([face, &self.symbols], text.text().unwrap_or_default());
        let before_anchor = match inherited(text, "text-anchor") {
            Some("middle") => 0.5,
            Some("end") => 1.0,
            _ => 0.0,
        };
        let x = number("x") - line.width * size * before_anchor;
        let mut outline = Outline { data: String::new(), x, y: number("y"), scale: 0.0 };
        for (face, glyph, at) in line.glyphs {
            outline.x = x + at * size;
            outline.scale = size / f32::from(face.units_per_em());
            face.outline_glyph(glyph, &mut outline);
        }
        if outline.data.is_empty() {
            return;
        }
        // Writing to a String cannot fail.
        let _ = write!(out, "<path d=\"{}\"", outline.data);
        for attribute in text.attributes().filter(|attribute| !SET_HERE.contains(&attribute.name())) {
            let _ = write!(out, " {}=\"{}\"", attribute.name(), escaped(attribute.value()));
        }
        out.push_str("/>");
    }
}

fn inherited<'a>(node: Node<'a, '_>, name: &str) -> Option<&'a str> {
    node.ancestors().find_map(|ancestor| ancestor.attribute(name))
}

/// Glyphs side by side, at size 1.
struct Line<'a> {
    glyphs: Vec<(&'a Face<'static>, GlyphId, f32)>,
    width: f32,
}

impl<'a> Line<'a> {
    /// Each character from the first of the faces that has it.
    fn set(faces: [&'a Face<'static>; 2], text: &str) -> Self {
        let found = |character| faces.iter().find_map(|&face| Some((face, face.glyph_index(character)?)));
        let mut line = Self { glyphs: Vec::new(), width: 0.0 };
        for character in text.chars() {
            let Some((face, glyph)) = found(character).or_else(|| found(REPLACEMENT)) else { continue };
            let size = f32::from(face.units_per_em());
            if let Some(&(before, last, _)) = line.glyphs.last()
                && std::ptr::eq(before, face)
            {
                line.width += kerning(face, last, glyph) / size;
            }
            line.glyphs.push((face, glyph, line.width));
            line.width += f32::from(face.glyph_hor_advance(glyph).unwrap_or(0)) / size;
        }
        line
    }
}

fn kerning(face: &Face<'_>, left: GlyphId, right: GlyphId) -> f32 {
    let tables = face.tables().kern.into_iter().flat_map(|kern| kern.subtables);
    let horizontal = tables.filter(|table| table.horizontal && !table.has_state_machine);
    horizontal.filter_map(|table| table.glyphs_kerning(left, right)).map(f32::from).sum()
}

/// Path data of one glyph after another, in the picture's units.
struct Outline {
    data: String,
    x: f32,
    y: f32,
    scale: f32,
}

impl Outline {
    fn push(&mut self, command: char, points: &[(f32, f32)]) {
        self.data.push(command);
        for (x, y) in points {
            // Y of a font goes up.
            let (x, y) = (self.x + x * self.scale, self.y - y * self.scale);
            let _ = write!(self.data, "{x:.2} {y:.2} ");
        }
    }
}

impl OutlineBuilder for Outline {
    fn move_to(&mut self, x: f32, y: f32) {
        self.push('M', &[(x, y)]);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        self.push('L', &[(x, y)]);
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        self.push('Q', &[(x1, y1), (x, y)]);
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        self.push('C', &[(x1, y1), (x2, y2), (x, y)]);
    }

    fn close(&mut self) {
        self.data.push('Z');
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]
mod tests {
    use super::*;

    fn outlined(inside: &str) -> String {
        let svg = format!("<svg xmlns=\"http://www.w3.org/2000/svg\" font-size=\"20\">{inside}</svg>");
        Lettering::embedded().unwrap().outlined(&svg).unwrap()
    }

    /// Smallest and largest X of all points.
    fn reach(svg: &str) -> [f32; 2] {
        let data = svg.split("d=\"").nth(1).unwrap().split('"').next().unwrap();
        let numbers: Vec<f32> = data
            .split(|letter: char| letter.is_ascii_alphabetic() || letter == ' ')
            .filter_map(|number| number.parse().ok())
            .collect();
        let xs = numbers.chunks(2).map(|point| point[0]);
        [xs.clone().fold(f32::INFINITY, f32::min), xs.fold(f32::NEG_INFINITY, f32::max)]
    }

    #[test]
    fn an_anchor_says_where_a_line_lies() {
        let [left, right] = reach(&outlined("<text x=\"100\" y=\"50\">HHHH</text>"));
        assert!((100.0..103.0).contains(&left) && right > 130.0, "{left} {right}");
        let [left, right] = reach(&outlined("<text x=\"100\" y=\"50\" text-anchor=\"end\">HHHH</text>"));
        assert!(left < 70.0 && (97.0..100.0).contains(&right), "{left} {right}");
        let [left, right] = reach(&outlined("<g text-anchor=\"middle\"><text x=\"100\" y=\"50\">HHHH</text></g>"));
        assert!((left + right - 200.0).abs() < 0.1, "{left} {right}");
    }

    #[test]
    fn size_and_weight_are_inherited() {
        let width = |inside: &str| {
            let [left, right] = reach(&outlined(inside));
            right - left
        };
        let plain = width("<text x=\"0\" y=\"0\">Layer</text>");
        assert!((width("<g font-size=\"40\"><text x=\"0\" y=\"0\">Layer</text></g>") - 2.0 * plain).abs() < 0.1);
        assert!(width("<g font-weight=\"600\"><text x=\"0\" y=\"0\">Layer</text></g>") > 1.02 * plain);
    }

    /// "AV" stands closer than "A" and "V" each.
    #[test]
    fn letters_are_kerned() {
        let lettering = Lettering::embedded().unwrap();
        let width = |text: &str| Line::set([&lettering.regular, &lettering.symbols], text).width;
        assert!(width("AV") < width("A") + width("V"));
        assert!((width("00") - 2.0 * width("0")).abs() < 1e-6, "figures stand in columns");
    }

    /// Of all that the pictures say nothing is missing in the font, and what is becomes a dot.
    #[test]
    fn symbols_have_shapes_and_what_no_font_has_becomes_a_dot() {
        let lettering = Lettering::embedded().unwrap();
        for character in "µ°±×−–≤≥→←↑↓…·äöüßé".chars() {
            assert!(lettering.regular.glyph_index(character).is_some(), "{character}");
            assert!(lettering.bold.glyph_index(character).is_some(), "{character}");
        }
        let dot = outlined("<text x=\"1\" y=\"2\">·</text>");
        assert_eq!(outlined("<text x=\"1\" y=\"2\">\u{10fffd}</text>"), dot);
        for symbol in ["🛠", "🐢", "🙂"] {
            assert_ne!(outlined(&format!("<text x=\"1\" y=\"2\">{symbol}</text>")), dot, "{symbol}");
        }
    }

    #[test]
    fn all_else_stays() {
        let inside =
            "<text x=\"1\" y=\"2\" fill=\"#123456\" transform=\"rotate(-90 1 2)\">a&lt;b</text><rect width=\"3\"/>";
        let svg = outlined(inside);
        assert!(svg.contains(" fill=\"#123456\" transform=\"rotate(-90 1 2)\"/><rect width=\"3\"/></svg>"), "{svg}");
        assert!(!svg.contains("<text"));
        assert_eq!(outlined("<text x=\"1\" y=\"2\"> </text>"), outlined(""));
    }
}
