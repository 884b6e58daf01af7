//! Lines as nearly all of a job are: letters with short numbers, one blank between two words at most, LF or CRLF.
//!
//! Reading such a line costs a few instructions a byte, since nothing in it is looked at byte by byte: where its words
//! begin is found for many bytes at once, and so is the value of a number. Whatever is not plain is left to the lexer,
//! which knows all rules and all mistakes; of a plain line it would say the same.

use wide::i8x16;

use super::block::Letters;
use super::digits;
use super::word::Word;

/// Bytes in which a plain line begins and ends.
const WINDOW: usize = 48;
/// Bytes to be handed over: a number that begins in the window is read in one piece.
pub(super) const AHEAD: usize = WINDOW + digits::MOST;
/// Most words of a plain line.
pub(super) const WORDS: usize = 16;

/// What was found.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plain {
    /// How many words.
    pub(super) words: usize,
    /// How many bytes, with the line feed.
    pub(super) length: usize,
}

/// Letters of plain lines: a line number may come with a check value, and an unknown `M` word with free text.
const LETTERS: Letters = Letters::ALL.without(Letters::of(b"MN"));

/// Splits the line that `bytes` begin with into words; none if it is not plain.
#[inline]
pub(super) fn split(bytes: &[u8; AHEAD], words: &mut [Word; WORDS]) -> Option<Plain> {
    let mut starts = starts(bytes.first_chunk()?);
    let mut count = 0;
    // Nearly every line begins with a code of one digit, which then needs no more looking at.
    if let [b'G', digit @ b'0'..=b'9', b' ', ..] = bytes
        && starts & 0b1111 == 0b1001
    {
        words[0] = Word::new(b'G', i64::from(digit - b'0'), 0, 0..2);
        count = 1;
        starts &= starts - 1;
    } else if starts & 1 == 0 {
        return None;
    }
    let mut at = starts.trailing_zeros() as usize;
    loop {
        let byte = *bytes.get(at)?;
        if byte == b'\n' {
            return Some(Plain { words: count, length: at + 1 });
        }
        let letter = byte & !0x20;
        starts &= starts - 1;
        if !LETTERS.has_byte(letter) || starts == 0 || count == WORDS {
            return None;
        }
        // Without a blank before it, it may be an exponent.
        if letter == b'E' && at > 0 && bytes[at - 1] != b' ' {
            return None;
        }
        let next = starts.trailing_zeros() as usize;
        let last = bytes[next - 1];
        let end = next - usize::from(last == b' ' || last == b'\r' && bytes[next] == b'\n');
        let negative = bytes[at + 1] == b'-';
        let from = at + 1 + usize::from(negative);
        let (mantissa, scale) = digits::read(bytes[from..].first_chunk()?, end.wrapping_sub(from))?;
        words[count] = Word::new(letter, if negative { -mantissa } else { mantissa }, scale, at..end);
        count += 1;
        at = next;
    }
}

/// Which bytes are letters, or others from `@` up, or line feeds; the first one in the lowest bit.
#[inline]
fn starts(window: &[u8; WINDOW]) -> u64 {
    let mut starts = 0;
    for (index, bytes) in window.as_chunks().0.iter().enumerate() {
        let bytes = i8x16::new(bytes.map(u8::cast_signed));
        let found = bytes.simd_gt(i8x16::splat(0x3F)) | bytes.simd_eq(i8x16::splat(0x0A));
        starts |= u64::from(found.to_bitmask()) << (16 * index);
    }
    starts
}

/// A line that can do nothing but set a feed and move X, Y and `E` straight, if it does not even fail.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Level {
    /// How many bytes, with the line feed.
    pub(super) length: usize,
    /// It has its own `G0` or `G1` and names X, Y and `E`: nothing but it says where it leads.
    pub(super) is_whole: bool,
}

/// Finds out whether the line that `bytes` begin with is a level one, without reading its numbers; none if it may not be.
#[inline]
pub(super) fn level(bytes: &[u8; AHEAD]) -> Option<Level> {
    let window: &[u8; WINDOW] = bytes.first_chunk()?;
    let (mut ends, mut others, mut axes) = (0_u64, 0_u64, [0_u64; 3]);
    for (index, bytes) in window.as_chunks().0.iter().enumerate() {
        let bytes = i8x16::new(bytes.map(u8::cast_signed));
        let is = |byte: u8| bytes.simd_eq(i8x16::splat(byte.cast_signed()));
        let number = bytes.simd_gt(i8x16::splat(0x2C)) & bytes.simd_lt(i8x16::splat(0x3A)) & !is(b'/');
        let line_end = is(b'\n');
        let named = [is(b'X'), is(b'Y'), is(b'E')];
        let allowed = number | line_end | is(b' ') | is(b'\r') | is(b'F') | named[0] | named[1] | named[2];
        let mask = |found: i8x16| u64::from(found.to_bitmask()) << (16 * index);
        ends |= mask(line_end);
        others |= mask(!allowed);
        for (axis, found) in axes.iter_mut().zip(named) {
            *axis |= mask(found);
        }
    }
    let has_code = matches!(bytes, [b'G', b'0' | b'1', b' ', ..]);
    let line = ends ^ ends.wrapping_sub(1);
    if ends == 0 || others & line & !u64::from(has_code) != 0 {
        return None;
    }
    let is_whole = has_code && axes.iter().all(|axis| axis & line != 0);
    Some(Level { length: ends.trailing_zeros() as usize + 1, is_whole })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::lexer::{self, Frame};
    use super::*;

    /// Words and length of a plain line, with whatever may stand behind it in memory.
    fn plain(text: &[u8]) -> Option<(Vec<Word>, usize)> {
        let mut bytes = [b'5'; AHEAD];
        bytes[..text.len().min(AHEAD)].copy_from_slice(&text[..text.len().min(AHEAD)]);
        let mut words = [Word::of(b'A', None, 0..0); WORDS];
        split(&bytes, &mut words).map(|plain| (words[..plain.words].to_vec(), plain.length))
    }

    #[test]
    fn lines_of_jobs_are_plain() {
        for line in [
            "\n",
            "G1 X120.165 Y38.613 E0.00613\n",
            "G1 X120.165 Y38.613 E0.00613\r\n",
            "g2 x183. y-35.325 i-6.675 j0 e12345.67891\n",
            "X1Y2 Z.5 E-.25\n",
            "G28\n",
            "G92.1 \n",
            "T0\n",
        ] {
            let (words, length) = plain(line.as_bytes()).unwrap();
            let mut expected = Vec::new();
            assert_eq!(lexer::split(line.as_bytes(), 0, &mut expected).unwrap(), Frame::default());
            assert_eq!((words, length), (expected, line.len()), "{line:?}");
        }
    }

    #[test]
    fn whatever_may_be_more_than_words_is_not_plain() {
        for line in [
            "N1 G1\n",
            "M104 S2\n",
            "G1 X1 ; far\n",
            "G1 (x)\n",
            "X1*41\n",
            "G28 X\n",
            "X1 2\n",
            "X 1\n",
            "X+1\n",
            "X1-2\n",
            "X1.2E5\n",
            "XY\n",
            "X1.2.3\n",
            "X.\n",
            "X-\n",
            " G1\n",
            "G1  X2\n",
            "/G1\n",
            "%\n",
            "X1\r \n",
            "X1\t\n",
            "[X]\n",
            "X1\u{e9}\n",
            "X1",
            "X12345678901234567\n",
            "X1 X1 X1 X1 X1 X1 X1 X1 X1 X1 X1 X1 X1 X1 X1 X1 X1\n",
        ] {
            assert_eq!(plain(line.as_bytes()), None, "{line:?}");
        }
    }

    fn job_like() -> impl Strategy<Value = String> {
        let piece = prop_oneof![
            8 => "[GXYZEFIJgxyzeAMN]-?[0-9]{1,6}(\\.[0-9]{0,6})?",
            4 => Just(" ".to_owned()),
            1 => "[();*#/\t%+.\r-]|\\PC",
        ];
        (proptest::collection::vec(piece, 0..9), "\r?\n").prop_map(|(pieces, end)| pieces.concat() + &end)
    }

    fn level_line(text: &str) -> Option<(usize, bool)> {
        let mut bytes = [b'Z'; AHEAD];
        bytes[..text.len().min(AHEAD)].copy_from_slice(&text.as_bytes()[..text.len().min(AHEAD)]);
        level(&bytes).map(|level| (level.length, level.is_whole))
    }

    #[test]
    fn level_lines_and_whole_ones() {
        for (line, is_whole) in [
            ("G1 X120.165 Y38.613 E0.00613\n", true),
            ("G0 X1 Y-2 E3 F9000\r\n", true),
            ("X1 Y2 E3\n", false),
            ("G1 X1 E3\n", false),
            ("G1 F1200\n", false),
            ("\n", false),
        ] {
            assert_eq!(level_line(line), Some((line.len(), is_whole)), "{line:?}");
        }
        for line in [
            "G1 Z1\n", "G2 X1\n", "G10 X1\n", "G1X1\n", " G1 X1\n", "X1 G1\n", "g1 x1\n", "M83\n", "/X1\n", "%\n",
            "#1=2\n", "X1 ;\n", "X1 (Z)\n", "X1 Y2 E3",
        ] {
            assert_eq!(level_line(line), None, "{line:?}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// The lexer is the other opinion.
        #[test]
        fn a_level_line_has_no_other_words(line in "(G[012] ?)?([XYEFZxM;#/]-?[0-9]{0,3}[.]?[0-9]{0,2} ?){0,4}\r?\n") {
            let Some((length, is_whole)) = level_line(&line) else { return Ok(()) };
            prop_assert_eq!(length, line.len());
            let mut words = Vec::new();
            let Ok(frame) = lexer::split(line.as_bytes(), 0, &mut words) else { return Ok(()) };
            prop_assert_eq!(frame, Frame::default());
            let has = |letter: u8| words.iter().any(|word| word.letter() == letter);
            prop_assert!(words.iter().all(|word| b"GXYEF".contains(&word.letter())), "{}", line);
            prop_assert_eq!(is_whole, b"GXYE".iter().all(|letter| has(*letter)));
        }

        #[test]
        fn of_a_plain_line_the_lexer_says_the_same(line in job_like()) {
            let line = line.as_bytes();
            if let Some((words, length)) = plain(line) {
                let mut expected = Vec::new();
                prop_assert_eq!(lexer::split(line, 0, &mut expected).ok(), Some(Frame::default()));
                prop_assert_eq!((words, length), (expected, line.len()));
            }
        }
    }
}
