//! The lines of a pasted text: what on them is a number, and what stands around it.

use super::{LengthUnit, MatrixFault, MissingFacts, heading};
use crate::grid_file::number::length;
use crate::grid_file::xyz::words;

/// Words for a node without a height.
const NO_HEIGHT: [&str; 8] = ["nan", "inf", "-inf", "+inf", "null", "none", "na", "n/a"];

/// A number as it stands, and its unit if there is one behind it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Number<'a> {
    pub text: &'a str,
    pub unit: Option<LengthUnit>,
    pub offset: usize,
}

impl Number<'_> {
    /// The value of a label: whole, without unit, point or exponent.
    pub fn whole(&self) -> Option<i64> {
        self.text.parse().ok().filter(|_| self.unit.is_none())
    }
}

/// A line with numbers.
#[derive(Debug)]
pub(super) struct Line<'a> {
    pub numbers: Vec<Number<'a>>,
    /// The first number cannot be a height, for how it is written: `3:`, `row 3`, `3 |`.
    pub is_labelled: bool,
    pub offset: usize,
}

type Fault = (usize, MatrixFault);

/// The lines with numbers, in their order, and what a heading of ours says; nothing but blank lines may stand between them, and then everywhere.
pub(super) fn lines<'a>(text: &'a [u8], own: &mut MissingFacts) -> Result<Vec<Line<'a>>, Fault> {
    let mut found: Vec<Line<'a>> = Vec::new();
    // Blank lines before each line; text counts as the end of the table.
    let (mut blanks, mut blanks_between, mut is_over) = (0_usize, None, false);
    let mut blanks_after_first = 0;
    let mut start = 0;
    for raw_line in text.split_inclusive(|byte| *byte == b'\n') {
        let offset = start;
        start += raw_line.len();
        if found.is_empty() && heading::take(raw_line, own) {
            continue;
        }
        if raw_line.iter().any(u8::is_ascii_digit) {
            let line = line(raw_line, offset)?;
            // Labels of columns may stand apart from the rows, never nearer than the rows to each other.
            let is_uneven = match found.len() {
                0 => false,
                1 => {
                    blanks_after_first = blanks;
                    false
                }
                _ => *blanks_between.get_or_insert(blanks) != blanks || blanks > blanks_after_first,
            };
            if is_over || is_uneven {
                return Err((offset, MatrixFault::Interrupted));
            }
            found.push(line);
            blanks = 0;
        } else if raw_line.trim_ascii().is_empty() {
            blanks += 1;
        } else {
            refuse_row_of_nothing(raw_line, offset)?;
            is_over |= raw_line.iter().any(u8::is_ascii_alphabetic) && !found.is_empty();
        }
    }
    Ok(found)
}

/// A row whose nodes were not measured has no digit, and must not pass for a heading.
fn refuse_row_of_nothing(line: &[u8], start: usize) -> Result<(), Fault> {
    let mut marks = 0;
    for (offset, word) in words(line, start) {
        let text = String::from_utf8_lossy(word);
        let bare = text.trim_matches(|character: char| "[](){},;|\"'".contains(character)).to_lowercase();
        marks += usize::from(!bare.is_empty() && bare.len() <= 3 && bare.bytes().all(|byte| b"-.?*=_".contains(&byte)));
        if NO_HEIGHT.contains(&bare.as_str()) || marks > 1 {
            return Err((offset, MatrixFault::NoHeight(text.into_owned())));
        }
    }
    Ok(())
}

/// Whether a byte only parts numbers; a comma does unless it stands between digits.
fn parts(line: &[u8], index: usize) -> bool {
    let is_digit = |index: Option<usize>| index.and_then(|index| line.get(index)).is_some_and(u8::is_ascii_digit);
    match line[index] {
        b'[' | b']' | b'{' | b'}' | b'(' | b')' | b'|' | b';' | b'"' | b'\'' => true,
        b',' => {
            let before = index.checked_sub(1);
            // `0.1mm,0.2mm` and `.1,.2` have no decimal comma either.
            !(is_digit(before) && is_digit(Some(index + 1)))
        }
        byte => byte.is_ascii_whitespace(),
    }
}

/// The words of a line between what only parts them.
fn pieces(line: &[u8], start: usize) -> Vec<(usize, &[u8])> {
    let mut found = Vec::new();
    let mut first = None;
    for index in 0..=line.len() {
        let is_end = index == line.len() || parts(line, index);
        match (first, is_end) {
            (None, false) => first = Some(index),
            (Some(from), true) => {
                found.push((start + from, &line[from..index]));
                first = None;
            }
            _ => {}
        }
    }
    found
}

fn line(raw_line: &[u8], start: usize) -> Result<Line<'_>, Fault> {
    let mut line = Line { numbers: Vec::new(), is_labelled: false, offset: start };
    // A single bar parts labels from heights; more of them are a drawn table.
    let has_bar = raw_line.iter().filter(|byte| **byte == b'|').count() == 1;
    let bar = raw_line.iter().position(|byte| *byte == b'|').filter(|_| has_bar).map(|index| start + index);
    let mut follows_word = false;
    for (mut offset, word) in pieces(raw_line, start) {
        let mut text = std::str::from_utf8(word)
            .map_err(|_| (offset, MatrixFault::Stray(String::from_utf8_lossy(word).into_owned())))?;
        if line.numbers.is_empty() {
            // Prompts stand before everything else, and may touch what follows.
            if let Some(end) = text.rfind(['>', '$']) {
                if number(&text[..end], offset).is_some() {
                    return Err((offset, MatrixFault::Stray(text.to_owned())));
                }
                offset += end + 1;
                text = &text[end + 1..];
                if text.is_empty() {
                    continue;
                }
            }
            let stem = text.strip_suffix(':').unwrap_or(text);
            let digits = stem.trim_start_matches(|character: char| character.is_alphabetic() || character == '_');
            let is_numbered = !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit());
            if is_numbered && (digits.len() < stem.len() || stem.len() < text.len()) {
                offset += stem.len() - digits.len();
                line.numbers.push(Number { text: digits, unit: None, offset });
                line.is_labelled = true;
                continue;
            }
            if digits.is_empty() && !NO_HEIGHT.contains(&stem.to_lowercase().as_str()) {
                follows_word = stem.len() == text.len();
                continue;
            }
        }
        if text == ":" && line.numbers.len() == 1 {
            line.is_labelled = true;
            continue;
        }
        if let (Some(unit), Some(last)) = (unit_of(text), line.numbers.last_mut()) {
            // A unit that stands by itself belongs to the number before it.
            if last.unit.replace(unit).is_none() {
                continue;
            }
            return Err((offset, MatrixFault::Stray(text.to_owned())));
        }
        let number = number(text, offset).ok_or_else(|| match text.to_lowercase() {
            word if NO_HEIGHT.contains(&word.as_str()) || text.bytes().all(|byte| b"-.?*=_".contains(&byte)) => {
                (offset, MatrixFault::NoHeight(text.to_owned()))
            }
            _ => (offset, MatrixFault::Stray(text.to_owned())),
        })?;
        if line.numbers.is_empty() && number.whole().is_some() {
            line.is_labelled |= follows_word;
        }
        if line.numbers.len() == 1 && bar.is_some_and(|bar| line.numbers[0].offset < bar && bar < offset) {
            line.is_labelled |= line.numbers[0].whole().is_some();
        }
        line.numbers.push(number);
    }
    Ok(line)
}

fn unit_of(text: &str) -> Option<LengthUnit> {
    match text {
        "mm" => Some(LengthUnit::Millimetre),
        // The micro sign and the Greek letter look the same.
        "um" | "\u{b5}m" | "\u{3bc}m" => Some(LengthUnit::Micrometre),
        _ => None,
    }
}

/// A word that may be a number, with its unit; commas in it are understood later.
fn number(text: &str, offset: usize) -> Option<Number<'_>> {
    let end = text.find(|character: char| !(character.is_ascii_digit() || "+-.,eE".contains(character)));
    let (digits, unit) = text.split_at(end.unwrap_or(text.len()));
    let unit = if unit.is_empty() { None } else { Some(unit_of(unit)?) };
    // The unit does not matter for what is a number at all.
    let is_number = |text: &str, point| length(text, point, LengthUnit::Micrometre).is_some();
    let is_any = digits.split(',').all(|part| is_number(part, '.')) || is_number(digits, ',');
    is_any.then_some(Number { text: digits, unit, offset })
}
