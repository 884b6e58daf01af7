//! Splits the bytes of one line into words.

use std::ops::Range;

use super::decimal::{Decimal, DecimalError};
use super::error::{Fault, GcodeErrorKind as Kind};
use super::expression;
use super::vocabulary;
use super::word::{SETTING, Word};

/// Most digits of a line number on a line without a check value (NISTIR 6556, 3.3.1).
const LINE_NUMBER_DIGITS: usize = 5;

/// Words stand among the first so many bytes of a line; a comment may go on after them.
const WORDS_END: usize = u16::MAX as usize;

/// What a line holds beside its words.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Frame {
    pub(super) sequence_number: Option<u32>,
    pub(super) free_text: Option<(u32, u32)>,
    /// The `*` and the number behind it.
    pub(super) check_value: Option<(u32, u32)>,
    /// There are words on the line, single blanks between them, a line end, and nothing else.
    pub(super) is_plain: bool,
    /// The free text is a macro of the host.
    pub(super) is_macro: bool,
    pub(super) is_deletable: bool,
}

impl Frame {
    pub(super) const PLAIN: Self = Self {
        sequence_number: None,
        free_text: None,
        check_value: None,
        is_plain: true,
        is_macro: false,
        is_deletable: false,
    };
}

/// Splits `line[start..]` into words; offsets in the result and in a fault count from `line[0]`.
///
/// Rules of NISTIR 6556, 3.3: blanks mean nothing, even inside a number; case does not matter; comments stand in
/// `( )`; a `/` and then an `N` may come first; values may be expressions, and parameters be set. Common practice beside
/// it: `;` opens a comment up to the line's end; `*` and a number close a line with the exclusive or of all bytes before
/// the `*`; free text may follow an `M` word that is not in the tables, and one that stops for a message; a line may be
/// a macro of the host.
pub(super) fn split(line: &[u8], start: usize, words: &mut Vec<Word>) -> Result<Frame, Fault> {
    words.clear();
    let mut frame = Frame::default();
    let mut at = skip_blanks(line, start);
    if line.get(at) == Some(&b'/') {
        frame.is_deletable = true;
        at = skip_blanks(line, at + 1);
    }
    let line_number = at;
    let mut line_number_digits = 0;
    if let Some(b'n' | b'N') = line.get(at)
        && !begins_macro(line, at)
    {
        let number;
        (number, line_number_digits, at) = read_integer(line, at + 1);
        let number = number.and_then(|number| u32::try_from(number).ok());
        frame.sequence_number = Some(number.ok_or_else(|| Fault::new(line_number, Kind::LineNumber))?);
    }
    let may_have_checksum = frame.sequence_number.is_some();
    at = skip_blanks(line, at);
    if begins_macro(line, at) {
        let end = free_text_end(line, at, may_have_checksum);
        (frame.free_text, frame.is_macro) = (Some((at as u32, end as u32)), true);
        at = end;
    }
    while let Some(&byte) = line.get(at) {
        match byte {
            b' ' | b'\t' => at += 1,
            b';' | b'\n' => break,
            b'\r' if matches!(line.get(at + 1), None | Some(b'\n')) => break,
            b'(' => at = comment_end(line, at)?,
            _ if at >= WORDS_END => return Err(Fault::new(at, Kind::WordTooFar)),
            b'n' | b'N' => return Err(Fault::new(at, Kind::LineNumberNotFirst)),
            b'a'..=b'z' | b'A'..=b'Z' => {
                at = read_word(line, at, words)?;
                if byte | 0x20 == b'm' && words.last().is_some_and(|word| has_free_text(word, line, at)) {
                    let end = free_text_end(line, at, may_have_checksum);
                    // A line is far shorter than 2^32 bytes.
                    frame.free_text = Some((at as u32, end as u32));
                    at = end;
                }
            }
            b'#' => {
                let setting = at;
                at = expression::skip_setting(line, at)?;
                words.push(Word::of_expression(SETTING, place(setting, at)?));
            }
            b'*' if frame.check_value.is_none() => {
                let star = at;
                at = check(line, start, star)?;
                frame.check_value = Some((star as u32, line[..at].trim_ascii_end().len() as u32));
            }
            b'*' => return Err(Fault::new(at, Kind::ChecksumForm)),
            b'[' | b']' => return Err(Fault::new(at, Kind::Expression)),
            _ => return Err(Fault::new(at, Kind::UnexpectedCharacter(character_at(line, at)))),
        }
    }
    if line_number_digits > LINE_NUMBER_DIGITS && frame.check_value.is_none() {
        return Err(Fault::new(line_number, Kind::LineNumber));
    }
    match bare_carriage_return(line) {
        Some(offset) => Err(Fault::new(offset, Kind::BareCarriageReturn)),
        None => Ok(frame),
    }
}

/// A place that a word can hold.
fn place(start: usize, end: usize) -> Result<Range<usize>, Fault> {
    if end > WORDS_END { Err(Fault::new(start, Kind::WordTooFar)) } else { Ok(start..end) }
}

/// A carriage return with more of the line after it: some controllers end the line there, and others do not.
fn bare_carriage_return(line: &[u8]) -> Option<usize> {
    memchr::memchr_iter(b'\r', line).find(|offset| !matches!(line.get(offset + 1), None | Some(b'\n')))
}

/// Whether a name of two letters or more stands here that no value follows, or a `T?` (common practice of hosts, no
/// source).
fn begins_macro(line: &[u8], at: usize) -> bool {
    let is_of_name = |byte: &u8| byte.is_ascii_alphanumeric() || *byte == b'_';
    match line.get(at..).unwrap_or_default() {
        [b't' | b'T', rest @ ..] if rest.trim_ascii_start().first() == Some(&b'?') => true,
        [b'a'..=b'z' | b'A'..=b'Z' | b'_', b'a'..=b'z' | b'A'..=b'Z' | b'_', rest @ ..] => {
            let after = rest.iter().find(|byte| !is_of_name(byte));
            // A name of the standard's functions is part of a value.
            matches!(after, None | Some(b' ' | b'\t' | b'\r' | b'\n' | b';' | b'*' | b'='))
        }
        _ => false,
    }
}

/// The number of a line that carries one and a check value, and where the two stand.
pub struct Numbered {
    /// The number.
    pub number: u32,
    /// The digits of the number.
    pub digits: Range<usize>,
    /// The check value with its `*`.
    pub check_value: Range<usize>,
}

impl Numbered {
    /// Reads a line; none if it has no number, no check value, or cannot be read.
    pub fn read(line: &[u8]) -> Option<Self> {
        let first = line.iter().position(|byte| !matches!(byte, b' ' | b'\t' | b'/'))?;
        if !matches!(line[first], b'n' | b'N') {
            return None;
        }
        let frame = split(line, 0, &mut Vec::new()).ok()?;
        let (star, end) = frame.check_value?;
        let (_, _, behind) = read_integer(line, first + 1);
        let length = line[first + 1..behind].trim_ascii_end().len();
        let digits = first + 1..first + 1 + length;
        Some(Self { number: frame.sequence_number?, digits, check_value: star as usize..end as usize })
    }
}

/// Whether a line holds a percent sign and blanks alone (NISTIR 6556, 3.1).
pub(super) fn is_percent_line(line: &[u8]) -> bool {
    let at = skip_blanks(line, 0);
    line.get(at) == Some(&b'%') && is_blank(&line[at + 1..])
}

/// Whether a line holds blanks alone.
pub(super) fn is_blank(line: &[u8]) -> bool {
    line.iter().all(|byte| matches!(byte, b' ' | b'\t' | b'\r' | b'\n'))
}

fn skip_blanks(line: &[u8], mut at: usize) -> usize {
    while let Some(b' ' | b'\t') = line.get(at) {
        at += 1;
    }
    at
}

/// Appends the word that starts at `start`; returns the offset of the byte after it.
fn read_word(line: &[u8], start: usize, words: &mut Vec<Word>) -> Result<usize, Fault> {
    let letter = line[start].to_ascii_uppercase();
    let (mut number, mut end) = (None, start + 1);
    let at = skip_blanks(line, end);
    match line.get(at) {
        Some(b'0'..=b'9' | b'.' | b'+' | b'-') if !is_signed_value(line, at) => {
            let fault = |error| Fault::new(start, Kind::Number(error));
            let (read, after) = match Decimal::scan(line, at) {
                // The text of a message may begin with a digit.
                Ok((read, after)) if letter == b'M' && is_followed_by_text(read) => (read, after),
                Ok((read, after)) if !goes_on_behind_blanks(line, after) => (read, after),
                _ => read_scattered_number(line, at).map_err(fault)?,
            };
            if is_exponent(line, start, after) {
                return Err(Fault::new(start, Kind::Exponent));
            }
            (number, end) = (Some(read), after);
        }
        Some(_) if begins_value(line, at) => {
            let after = expression::skip_value(line, at)?;
            words.push(Word::of_expression(letter, place(start, after)?));
            return Ok(after);
        }
        _ => {}
    }
    words.push(Word::of(letter, number, place(start, end)?));
    Ok(end)
}

/// Whether a parameter, an expression or a function stands here.
fn begins_value(line: &[u8], at: usize) -> bool {
    match line.get(at) {
        Some(b'[' | b'#') => true,
        Some(b'+' | b'-') => is_signed_value(line, at),
        Some(b'a'..=b'z' | b'A'..=b'Z') => {
            let rest = line[at..].iter().skip_while(|byte| byte.is_ascii_alphabetic() || matches!(byte, b' ' | b'\t'));
            rest.clone().next() == Some(&b'[')
        }
        _ => false,
    }
}

fn is_signed_value(line: &[u8], at: usize) -> bool {
    matches!(line.get(at), Some(b'+' | b'-')) && matches!(line.get(skip_blanks(line, at + 1)), Some(b'[' | b'#'))
}

/// Whether what follows the number of a word looks like an exponent rather than the next word, an `E`: in another case
/// than the word's own letter, or with a plus or a zero before its digits, as programming languages print exponents.
fn is_exponent(line: &[u8], word: usize, number_end: usize) -> bool {
    let Some([e @ (b'e' | b'E'), rest @ ..]) = line.get(number_end..) else { return false };
    let digits = rest.strip_prefix(b"+").or(rest.strip_prefix(b"-")).unwrap_or(rest);
    let count = digits.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let is_whole = count > 0 && digits.get(count) != Some(&b'.');
    let is_of_other_case = e.is_ascii_lowercase() != line[word].is_ascii_lowercase();
    is_whole && (is_of_other_case || rest[0] == b'+' || (count == 2 && rest.len() > digits.len() && digits[0] == b'0'))
}

fn goes_on_behind_blanks(line: &[u8], end: usize) -> bool {
    matches!(line.get(end), Some(b' ' | b'\t')) && matches!(line.get(skip_blanks(line, end)), Some(b'0'..=b'9' | b'.'))
}

/// A number with blanks inside, such as `+0. 12 34`; also gives the offset of the byte behind it.
fn read_scattered_number(line: &[u8], start: usize) -> Result<(Decimal, usize), DecimalError> {
    let mut digits = Vec::new();
    let mut end = start;
    for (offset, byte) in line[start..].iter().enumerate() {
        match byte {
            b' ' | b'\t' => continue,
            b'0'..=b'9' | b'.' => digits.push(*byte),
            b'+' | b'-' if digits.is_empty() => digits.push(*byte),
            _ => break,
        }
        end = start + offset + 1;
    }
    Ok((Decimal::parse(&digits)?, end))
}

/// An integer without a sign, with how many digits it has and the offset of the byte behind it; blanks are skipped.
fn read_integer(line: &[u8], start: usize) -> (Option<u64>, usize, usize) {
    let mut number = Some(0_u64);
    let (mut digits, mut at) = (0, start);
    while let Some(byte @ (b'0'..=b'9' | b' ' | b'\t')) = line.get(at) {
        if byte.is_ascii_digit() {
            number = number
                .and_then(|number| number.checked_mul(10))
                .and_then(|number| number.checked_add(u64::from(byte - b'0')));
            digits += 1;
        }
        at += 1;
    }
    (number.filter(|_| digits > 0), digits, at)
}

/// Whether what follows an `M` word up to the line's end is text: after a word that is not in the tables, and after a stop
/// with a message.
fn has_free_text(word: &Word, line: &[u8], end: usize) -> bool {
    word.number_as_written().is_some_and(|number| match vocabulary::m_number(number) {
        // A number that is no code is refused later, with a better word for it.
        None => vocabulary::is_decimal_m(number),
        Some(number @ (0 | 1)) => number < 2 && !holds_words(line, end),
        Some(number) => vocabulary::m_word(number).is_none(),
    })
}

/// Whether an `M` word with this number ends with it, whatever follows after a blank.
fn is_followed_by_text(number: Decimal) -> bool {
    match vocabulary::m_number(number) {
        None => vocabulary::is_decimal_m(number),
        Some(number) => number < 2 || vocabulary::m_word(number).is_none(),
    }
}

/// Whether a line goes on with words and comments alone.
fn holds_words(line: &[u8], mut at: usize) -> bool {
    loop {
        at = skip_blanks(line, at);
        match line.get(at) {
            None | Some(b';' | b'\n' | b'\r' | b'*' | b'#') => return true,
            Some(b'(') => match comment_end(line, at) {
                Ok(end) => at = end,
                Err(_) => return false,
            },
            Some(b'a'..=b'z' | b'A'..=b'Z') => {
                at = skip_blanks(line, at + 1);
                if begins_value(line, at) {
                    return true;
                }
                match Decimal::scan(line, at) {
                    Ok((_, end)) => at = end,
                    Err(_) => return false,
                }
            }
            Some(_) => return false,
        }
    }
}

/// Where free text ends: at `;`, at the line's end, or on a numbered line at a check value that closes it.
fn free_text_end(line: &[u8], start: usize, may_have_checksum: bool) -> usize {
    let rest = &line[start..];
    let text = &rest[..memchr::memchr3(b';', b'\n', b'\r', rest).unwrap_or(rest.len())];
    let star = memchr::memrchr(b'*', text).filter(|star| {
        let behind = text[star + 1..].trim_ascii();
        may_have_checksum && !behind.is_empty() && behind.iter().all(u8::is_ascii_digit)
    });
    start + star.unwrap_or(text.len())
}

/// The offset of the byte behind a comment that opens at `open`.
fn comment_end(line: &[u8], open: usize) -> Result<usize, Fault> {
    let behind = open + 1;
    match memchr::memchr2(b'(', b')', &line[behind..]).map(|offset| behind + offset) {
        Some(at) if line[at] == b')' => Ok(at + 1),
        Some(at) => Err(Fault::new(at, Kind::NestedComment)),
        None => Err(Fault::new(open, Kind::UnclosedComment)),
    }
}

/// Compares the check value behind the `*` at `star`; gives the offset of the byte behind it.
fn check(line: &[u8], start: usize, star: usize) -> Result<usize, Fault> {
    let (written, _, at) = read_integer(line, star + 1);
    let written = written.ok_or_else(|| Fault::new(star, Kind::ChecksumForm))?;
    if !matches!(line.get(at), None | Some(b'\r' | b'\n' | b';' | b'(')) {
        return Err(Fault::new(at, Kind::ChecksumForm));
    }
    let computed = line[start..star].iter().fold(0, |value, byte| value ^ byte);
    if u64::from(computed) != written {
        return Err(Fault::new(star, Kind::Checksum { computed, written }));
    }
    Ok(at)
}

fn character_at(line: &[u8], at: usize) -> char {
    let text = &line[at..line.len().min(at + 4)];
    String::from_utf8_lossy(text).chars().next().unwrap_or(char::REPLACEMENT_CHARACTER)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(line: &str) -> Vec<(char, Option<Decimal>)> {
        let mut words = Vec::new();
        split(line.as_bytes(), 0, &mut words).unwrap();
        words.iter().map(|word| (char::from(word.letter()), word.number())).collect()
    }

    fn frame(line: &str) -> Frame {
        split(line.as_bytes(), 0, &mut Vec::new()).unwrap()
    }

    fn fault(line: &str) -> (usize, String) {
        let fault = split(line.as_bytes(), 0, &mut Vec::new()).unwrap_err();
        (fault.offset, fault.kind.to_string())
    }

    fn number(text: &str) -> Option<Decimal> {
        Some(Decimal::parse(text.as_bytes()).unwrap())
    }

    /// SOURCES row G-1 (NISTIR 6556, 3.3).
    #[test]
    fn g1_blanks_and_case_mean_nothing() {
        let expected = [('G', number("0")), ('X', number("0.1234")), ('Y', number("7"))];
        assert_eq!(words("g0x +0. 12 34y 7"), expected);
        assert_eq!(words("g0 x+0.1234 y7"), expected);
        assert_eq!(words("\tG 0X+\t0.1 234Y7 \r\n"), expected);
        assert_eq!(words(" \t\r\n"), []);
        assert_eq!(words("X - 5"), [('X', number("-5"))]);
    }

    /// SOURCES row G-2 (NISTIR 6556, 3.3.1), and the wider numbers of lines with a check value.
    #[test]
    fn g2_line_numbers() {
        assert_eq!(frame("N0 G1").sequence_number, Some(0));
        assert_eq!(frame("/ n 99 999G1").sequence_number, Some(99_999));
        let message = "a line number has one to five digits, or is below 2^32 on a line with a check value";
        for line in ["N000009", "N100000 G1", "N", "N-1", "N4294967296*0"] {
            assert_eq!(fault(line), (0, message.to_owned()), "{line}");
        }
        assert_eq!(fault("G1 N5").0, 3);
        assert_eq!(fault("N1 N5"), (3, "a line number behind the start of the line".to_owned()));
        let checked = "N4294967295 G1";
        let value = checked.bytes().fold(0, |value, byte| value ^ byte);
        assert_eq!(frame(&format!("{checked}*{value}")).sequence_number, Some(u32::MAX));
    }

    /// SOURCES row G-3: `E` is a letter, never an exponent.
    #[test]
    fn g3_no_exponent() {
        assert_eq!(words("x1e3"), [('X', number("1")), ('E', number("3"))]);
        assert_eq!(fault("G1 X. Y1").0, 3);
        assert_eq!(fault("G1 X-").0, 3);
        assert_eq!(fault("X1-2"), (2, "'-' begins no word".to_owned()));
        assert_eq!(fault("X 1. 2.3").0, 0);
    }

    /// SOURCES row G-7 (NISTIR 6556, 3.3.4).
    #[test]
    fn g7_comments() {
        assert_eq!(words("(MSG, hello) G1(x2)X3(y) ; (open"), [('G', number("1")), ('X', number("3"))]);
        assert_eq!(fault("G1 (open"), (3, "the comment is not closed on its line".to_owned()));
        assert_eq!(fault("G1 (a (b) c)"), (6, "a comment inside a comment".to_owned()));
        assert_eq!(fault("G1 )"), (3, "')' begins no word".to_owned()));
    }

    #[test]
    fn check_values_are_the_exclusive_or_of_the_bytes_before() {
        // 'A' ^ '1' = 0x41 ^ 0x31 = 0x70 = 112
        assert_eq!(words("A1*112"), [('A', number("1"))]);
        assert_eq!(words("A1*112 ; fine\r\n"), [('A', number("1"))]);
        assert_eq!(fault("A1*113"), (2, "the line's check value is 112, but 113 is written".to_owned()));
        assert_eq!(fault("A1*368").1, "the line's check value is 112, but 368 is written");
        for (line, offset) in [("A1*", 2), ("A1*x", 2), ("A1*112 X1", 7), ("A1*112*112", 6), ("A1*112(c)*112", 9)] {
            assert_eq!(fault(line), (offset, "`*` is not followed by a check value alone".to_owned()), "{line}");
        }
        assert_eq!(words("A1 (*5)"), [('A', number("1"))]);
    }

    #[test]
    fn free_text_follows_unknown_m_words_only() {
        let line = "G1 M987 hello, [world] #1 * 2 ; comment";
        assert_eq!(words(line), [('G', number("1")), ('M', number("987"))]);
        assert_eq!(frame(line).free_text, Some((7, 30)));
        assert_eq!(&line[7..30], " hello, [world] #1 * 2 ");
        assert_eq!(fault("M104 hello, [world]").1, "',' begins no word");
        let numbered = "N7 M987 a*b";
        let value = numbered.bytes().fold(0, |value, byte| value ^ byte);
        assert_eq!(frame(&format!("{numbered}*{value}")).free_text, Some((7, 11)));
        assert_eq!(fault(&format!("{numbered}*{}", value ^ 1)).0, 11);
    }

    #[test]
    fn values_and_settings_are_words() {
        let line = "G1 X[1+2]y sin[30] #3=[15 mod 4] Z-#4";
        let mut words = Vec::new();
        split(line.as_bytes(), 0, &mut words).unwrap();
        let texts: Vec<_> = words.iter().map(|word| (char::from(word.letter()), &line[word.range()])).collect();
        assert_eq!(texts, [('G', "G1"), ('X', "X[1+2]"), ('Y', "y sin[30]"), ('#', "#3=[15 mod 4]"), ('Z', "Z-#4")]);
        assert!(words.iter().all(|word| word.is_expression() == (word.letter() != b'G')));
        let message = "no expression of numbers, parameters, functions and operators in brackets";
        assert_eq!(fault("X[1+"), (3, message.to_owned()));
        assert_eq!(fault("#3"), (1, message.to_owned()));
        assert_eq!(fault("G1 N5 ; [1]"), (3, "a line number behind the start of the line".to_owned()));
        assert_eq!(fault("G1 \u{fc}"), (3, "'\u{fc}' begins no word".to_owned()));
    }

    #[test]
    fn macros_and_messages_are_text() {
        for line in ["START_JOB BED=60 NOZZLE=210.5", "_hidden", "T?0", "t ? ", "next"] {
            let frame = frame(line);
            assert!(
                frame.is_macro && frame.free_text == Some((0, line.len() as u32)) && words(line).is_empty(),
                "{line}"
            );
        }
        for line in ["M0 Press to go on", "M1 0.2 mm (", "M987 0.2 mm layers", "M987.1 P \"x\""] {
            assert!(frame(line).free_text.is_some_and(|(_, end)| end == line.len() as u32), "{line}");
            assert_eq!(words(line).len(), 1, "{line}");
        }
        assert_eq!(words("M0 P5 (wait) S1").len(), 3);
        assert_eq!(words("m 3 0"), [('M', number("30"))]);
        assert_eq!(words("xsin[30]").len(), 1);
        assert!(!frame("x").is_macro);
    }

    #[test]
    fn an_exponent_is_no_word() {
        for line in ["G1 X1.2e-05", "G1 X1.2e-5 Y3", "g1 x1E5", "G1 X1.2E+1", "G1 X1E-05"] {
            assert_eq!(fault(line), (3, "a number with an exponent, or an E that begins a word?".to_owned()), "{line}");
        }
        for line in ["G1X1.2E5", "g1x1.2e-5", "G1X1E-0.5", "G1 X1 e-05", "G1X1E-5"] {
            assert_eq!(words(line).len(), 3, "{line}");
        }
    }

    #[test]
    fn a_carriage_return_ends_a_line_or_nothing() {
        for (line, offset) in [("; text\rG1 X5\n", 6), ("G1 (a\rb)", 5), ("M987 a\rG1", 6), ("G1\rX5\r\n", 2)] {
            assert_eq!(fault(line).0, offset, "{line:?}");
        }
        assert_eq!(words("G1 ; x\r\n").len(), 1);
        assert_eq!(words("G1 ; x\r").len(), 1);
    }
}
