//! The position of a mistake in a text file, shown with the line and a caret.

use std::fmt;

use crate::printed::{masked_character, one_line};

/// Most characters of a line that are shown; longer ones are cut on both sides of the place.
const SHOWN_CHARACTERS: usize = 72;
const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

/// A position in a text file, with the text around it.
///
/// Columns are counted in characters from 1. Bytes that are no UTF-8 and what is not safe to print are shown as
/// replacement characters and tabs as one space, so that the caret stands under its place in any terminal
/// (except after characters that a terminal draws two cells wide).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TextPosition {
    file: String,
    line: u64,
    column: usize,
    text: String,
    caret: usize,
}

impl TextPosition {
    /// The place of byte `offset` (from 0) in `raw_line`, which is line `line` (from 1) of `file`.
    ///
    /// `raw_line` may carry its line end, and a byte order mark if it is the first; neither is shown or counted.
    /// An offset behind the text means its end.
    pub fn new(file: impl Into<String>, line: u64, raw_line: &[u8], offset: usize) -> Self {
        let (text, offset) = match raw_line.strip_prefix(BYTE_ORDER_MARK) {
            Some(rest) if line == 1 => (rest, offset.saturating_sub(BYTE_ORDER_MARK.len())),
            _ => (raw_line, offset),
        };
        let text = text.strip_suffix(b"\n").unwrap_or(text);
        let text = text.strip_suffix(b"\r").unwrap_or(text);
        let before = String::from_utf8_lossy(&text[..offset.min(text.len())]).chars().count();
        let characters: Vec<char> = String::from_utf8_lossy(text).chars().map(masked_character).collect();

        let mut first = 0;
        if characters.len() > SHOWN_CHARACTERS {
            first = before.saturating_sub(SHOWN_CHARACTERS / 2).min(characters.len() - SHOWN_CHARACTERS);
        }
        let last = characters.len().min(first + SHOWN_CHARACTERS);
        let lead = if first > 0 { "..." } else { "" };
        let trail = if last < characters.len() { "..." } else { "" };
        let middle: String = characters[first..last].iter().collect();
        Self {
            file: file.into(),
            line,
            column: before + 1,
            text: format!("{lead}{middle}{trail}"),
            caret: lead.len() + before - first,
        }
    }

    /// The file's name, as it was given to the reader.
    pub fn file(&self) -> &str {
        &self.file
    }

    /// Line, counted from 1.
    pub fn line(&self) -> u64 {
        self.line
    }

    /// Column in characters, counted from 1.
    pub fn column(&self) -> usize {
        self.column
    }

    /// The line as shown: lossy, without its line end, cut around the column if it is long.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Writes `file:line:column: message`, the line, a caret under the place, and the remedy.
    ///
    /// # Errors
    /// Only those of `out`.
    pub fn write_report(&self, out: &mut fmt::Formatter<'_>, message: &dyn fmt::Display, remedy: &str) -> fmt::Result {
        let Self { file, line, column, text, caret } = self;
        writeln!(out, "{}:{line}:{column}: {message}", one_line(file))?;
        writeln!(out, "  {text}")?;
        writeln!(out, "  {:caret$}^", "")?;
        write!(out, "  {remedy}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Report<'a>(&'a TextPosition);

    impl fmt::Display for Report<'_> {
        fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
            self.0.write_report(out, &"message", "remedy")
        }
    }

    fn report(line: u64, raw_line: &[u8], offset: usize) -> String {
        Report(&TextPosition::new("job", line, raw_line, offset)).to_string()
    }

    #[test]
    fn the_caret_stands_under_its_place_behind_tabs_umlauts_and_broken_bytes() {
        let expected = "job:7:9: message\n  G1 \u{fffd}ü\u{fffd} X\n          ^\n  remedy";
        assert_eq!(report(7, b"G1\t\xB0\xC3\xBC\x07  X\r\n", 9), expected.replace(" X", "  X"));
    }

    #[test]
    fn a_byte_order_mark_takes_no_column() {
        assert_eq!(report(1, b"\xEF\xBB\xBFG1\n", 4), "job:1:2: message\n  G1\n   ^\n  remedy");
    }

    #[test]
    fn a_long_line_is_cut_around_its_place() {
        let line = [b"a".repeat(100), b"X".to_vec(), b"b".repeat(100)].concat();
        let expected = format!(
            "job:2:101: message\n  ...{}X{}...\n  {}^\n  remedy",
            "a".repeat(36),
            "b".repeat(35),
            " ".repeat(39)
        );
        assert_eq!(report(2, &line, 100), expected);
    }

    #[test]
    fn a_long_line_is_shown_up_to_its_end() {
        let expected = format!("job:2:101: message\n  ...{}\n  {}^\n  remedy", "a".repeat(72), " ".repeat(75));
        assert_eq!(report(2, &b"a".repeat(100), 100), expected);
    }

    #[test]
    fn an_offset_behind_the_text_is_its_end() {
        assert_eq!(report(2, b"ab\n", 99), "job:2:3: message\n  ab\n    ^\n  remedy");
    }
}
