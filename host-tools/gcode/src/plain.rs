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

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

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
