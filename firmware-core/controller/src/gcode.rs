//! Just enough G-code for a small controller: whole lines of words with exact numbers, no floats.
//!
//! The words are those of RS274/NGC (NISTIR 6556, 3.3) and of additive dialects. Desktop programs read far more, and far
//! more strictly; a controller is fed by them.

use core::fmt;

/// Words on one line at the most.
const WORDS: usize = 16;

/// M words whose line is made of words to its end: those of NISTIR 6556 (table 7), and of additive dialects `E` absolute or
/// relative, motors off, temperatures and the fan.
const KNOWN_M: [i64; 23] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30, 48, 49, 60, 82, 83, 84, 104, 106, 107, 109, 140, 190];

/// A line that cannot be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineError {
    /// Something that is no word, at this column from 1.
    Word {
        /// The column.
        column: usize,
    },
    /// More words than a line may have.
    TooManyWords,
}

impl fmt::Display for LineError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Word { column } => write!(f, "no word at column {column}"),
            Self::TooManyWords => write!(f, "more than {WORDS} words"),
        }
    }
}

/// One letter and its number in millionths.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Word {
    /// Upper case.
    pub letter: u8,
    /// The number in millionths: nanometres of a length in millimetres.
    pub millionths: i64,
}

impl Word {
    /// The number, if it is a whole one.
    pub fn whole(&self) -> Option<i64> {
        (self.millionths % 1_000_000 == 0).then_some(self.millionths / 1_000_000)
    }
}

impl fmt::Display for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.millionths < 0 { "-" } else { "" };
        let millionths = self.millionths.unsigned_abs();
        write!(f, "{}{sign}{}", char::from(self.letter), millionths / 1_000_000)?;
        match millionths % 1_000_000 {
            0 => Ok(()),
            rest => write!(f, ".{rest:06}"),
        }
    }
}

/// The words of one line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Words {
    words: [Word; WORDS],
    count: usize,
}

impl Words {
    /// Reads a line; comments after `;` and in `( )` are passed over, and so is what follows an M word that nobody here
    /// knows: it may be a text.
    ///
    /// # Errors
    /// [`LineError`] at the first thing that is no word.
    pub fn read(line: &[u8]) -> Result<Self, LineError> {
        let mut words = Self::default();
        let mut rest = line;
        loop {
            rest = match rest {
                [] | [b';' | b'\r' | b'\n', ..] => return Ok(words),
                [b' ' | b'\t', behind @ ..] => behind,
                [b'(', behind @ ..] => {
                    let close = behind.iter().position(|&byte| byte == b')').map_or(behind.len(), |at| at + 1);
                    behind.get(close..).unwrap_or(&[])
                }
                [letter, behind @ ..] if letter.is_ascii_alphabetic() => {
                    let (millionths, behind) =
                        number(behind).ok_or(LineError::Word { column: line.len() - rest.len() + 1 })?;
                    let slot = words.words.get_mut(words.count).ok_or(LineError::TooManyWords)?;
                    let word = Word { letter: letter.to_ascii_uppercase(), millionths };
                    *slot = word;
                    words.count += 1;
                    if word.letter == b'M' && !word.whole().is_some_and(|number| KNOWN_M.contains(&number)) {
                        return Ok(words);
                    }
                    behind
                }
                _ => return Err(LineError::Word { column: line.len() - rest.len() + 1 }),
            };
        }
    }

    /// The words in order.
    pub fn iter(&self) -> impl Iterator<Item = &Word> {
        self.words.iter().take(self.count)
    }

    /// The first word with a letter.
    pub fn number(&self, letter: u8) -> Option<&Word> {
        self.iter().find(|word| word.letter == letter)
    }

    /// Its number, in millionths.
    pub fn millionths(&self, letter: u8) -> Option<i64> {
        self.number(letter).map(|word| word.millionths)
    }
}

/// A number with up to six decimals, in millionths, and what stands behind it.
fn number(text: &[u8]) -> Option<(i64, &[u8])> {
    let (is_negative, mut rest) = match text {
        [b'-', behind @ ..] => (true, behind),
        [b'+', behind @ ..] => (false, behind),
        _ => (false, text),
    };
    let (mut value, mut decimals, mut digits) = (0_i64, None, 0);
    while let [byte, behind @ ..] = rest {
        match (byte, decimals) {
            (b'0'..=b'9', _) => {
                value = value.checked_mul(10)?.checked_add(i64::from(byte - b'0'))?;
                decimals = decimals.map(|count: u32| count + 1);
                digits += 1;
            }
            (b'.', None) => decimals = Some(0),
            _ => break,
        }
        rest = behind;
    }
    let scale = 10_i64.checked_pow(6_u32.checked_sub(decimals.unwrap_or(0))?)?;
    let millionths = value.checked_mul(scale)?;
    (digits > 0).then_some((if is_negative { -millionths } else { millionths }, rest))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Row G-3 (NISTIR 6556, 3.3.2.1): signs, points without digits on one side, no exponent.
    #[test]
    fn numbers_are_exact() {
        let of = |text: &str| number(text.as_bytes()).map(|(millionths, _)| millionths);
        assert_eq!(of("1."), Some(1_000_000));
        assert_eq!(of(".5"), Some(500_000));
        assert_eq!(of("-0.8807"), Some(-880_700));
        assert_eq!(of("341"), Some(341_000_000));
        assert_eq!(of("1e3"), Some(1_000_000), "E is a letter");
        assert_eq!((of("."), of("-"), of("X"), of("0.1234567")), (None, None, None, None));
    }

    #[test]
    fn words_and_comments() {
        let words = Words::read(b"g1 X12.5(middle)Y-3 E.00001 ; end\r\n").unwrap();
        let found: [(u8, i64); 4] = [(b'G', 1_000_000), (b'X', 12_500_000), (b'Y', -3_000_000), (b'E', 10)];
        assert!(words.iter().map(|word| (word.letter, word.millionths)).eq(found));
        assert_eq!(words.millionths(b'Y'), Some(-3_000_000));
        let text = Words::read(b"M987 any text: X5").unwrap();
        assert!(text.iter().map(|word| word.letter).eq([b'M']), "what follows an unknown M word may be a text");
        assert_eq!(Words::read(b"M104 any text"), Err(LineError::Word { column: 6 }));
        assert_eq!(Words::read(b"G1 X"), Err(LineError::Word { column: 4 }));
        assert_eq!(Words::read(b"G1 #3"), Err(LineError::Word { column: 4 }));
        assert_eq!(Words::read(b"X1X1X1X1X1X1X1X1X1X1X1X1X1X1X1X1X1"), Err(LineError::TooManyWords));
    }
}
