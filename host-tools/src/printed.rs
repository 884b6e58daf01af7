//! Text that is safe to print: nothing from a file, a name or an argument steers the terminal.
//!
//! Masked are control characters (escape sequences begin with one), the characters that turn the direction of writing
//! (Unicode Standard Annex 9, section 2: embeddings, overrides, isolates and marks), and the separators of lines and
//! paragraphs. All of them lie in the first 65 536 code points.

use std::borrow::Cow;
use std::io::{self, Write};
use std::path::Path;

/// The character that stands for a masked one.
const MASK: char = char::REPLACEMENT_CHARACTER;

/// Whether a terminal shows this character in its place and does nothing else.
fn is_safe(character: char) -> bool {
    let steers = matches!(
        character,
        '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}'
    );
    !steers && !character.is_control()
}

/// The character as it stands in one line of print; a tab is one space.
pub(crate) fn masked_character(character: char) -> char {
    match character {
        '\t' => ' ',
        safe if is_safe(safe) => safe,
        _ => MASK,
    }
}

/// A name, a word or a message in one line of print: line ends are masked as well.
pub fn one_line(text: &str) -> Cow<'_, str> {
    if text.chars().all(is_safe) { text.into() } else { text.chars().map(masked_character).collect() }
}

/// A path as it is named in a message.
pub fn name(path: &Path) -> String {
    one_line(&path.to_string_lossy()).into_owned()
}

/// The name of a file without its folders, for what may be passed on: a folder's name may tell whose it is.
///
/// Both separators count, since a path may come from another system.
pub fn file_name(path: &str) -> &str {
    path.trim_end_matches(['/', '\\']).rsplit(['/', '\\']).next().filter(|name| !name.is_empty()).unwrap_or(path)
}

/// A text of several lines, safe to print.
pub fn masked(text: &str) -> Cow<'_, str> {
    let is_kept = |character: char| character == '\n' || is_safe(character);
    if text.chars().all(is_kept) {
        return text.into();
    }
    text.chars().map(|character| if is_kept(character) { character } else { masked_character(character) }).collect()
}

/// A JSON text that is safe to print and means the same: what [`masked`] hides is written as an escape of JSON.
///
/// Line ends between the values stay; inside strings JSON escapes control characters itself, but for two blocks of them.
pub fn masked_json(json: &str) -> Cow<'_, str> {
    let is_kept = |character: char| character == '\n' || is_safe(character);
    if json.chars().all(is_kept) {
        return json.into();
    }
    let mut text = String::with_capacity(json.len());
    for character in json.chars() {
        match character {
            kept if is_kept(kept) => text.push(kept),
            other => text.push_str(&format!("\\u{:04x}", u32::from(other))),
        }
    }
    text.into()
}

/// Prints a text on standard output, masked.
///
/// # Errors
/// Those of standard output.
pub fn print(text: &str) -> io::Result<()> {
    print_bytes(masked(text).as_bytes())
}

/// Prints a JSON text on standard output, escaped.
///
/// # Errors
/// Those of standard output.
pub fn print_json(json: &str) -> io::Result<()> {
    print_bytes(masked_json(json).as_bytes())
}

/// Prints bytes of our own making on standard output as they are.
///
/// # Errors
/// Those of standard output.
pub fn print_bytes(bytes: &[u8]) -> io::Result<()> {
    let mut out = io::stdout().lock();
    out.write_all(bytes)?;
    out.flush()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Clears the screen, changes a title, turns the writing, rings, goes back to the start of the line.
    const EVIL: &str = "a\u{1b}[2J\u{9d}0;x\u{7}\u{202e}b\u{2066}\u{61c}\u{2028}\r\u{7f}\tc\nµ×°é";

    #[test]
    fn a_file_name_has_no_folders() {
        for (path, name) in [
            ("/home/anna/jobs/lid.gcode", "lid.gcode"),
            ("..\\anna\\lid.gcode", "lid.gcode"),
            ("lid.gcode", "lid.gcode"),
            ("jobs/", "jobs"),
            ("/", "/"),
        ] {
            assert_eq!(file_name(path), name);
        }
    }

    #[test]
    fn nothing_steers_the_terminal_and_the_rest_stays() {
        assert_eq!(one_line(EVIL), "a�[2J�0;x��b����� c�µ×°é");
        assert_eq!(masked(EVIL), "a�[2J�0;x��b����� c\nµ×°é");
        assert!(matches!(masked("plain\ntext"), Cow::Borrowed(_)) && matches!(one_line("name.json"), Cow::Borrowed(_)));
    }

    #[test]
    fn json_means_the_same() {
        let json = serde_json::to_string_pretty(&serde_json::json!({ "name": EVIL })).unwrap();
        let shown = masked_json(&json);
        assert!(shown.chars().all(|character| character == '\n' || is_safe(character)), "{shown:?}");
        let value: serde_json::Value = serde_json::from_str(&shown).unwrap();
        assert_eq!(value["name"], EVIL);
    }
}
