//! Writes G-code from integers, exactly.

use std::io::{self, Write};

use super::text::Text;

/// A straight move as it is written: only the words that are there.
///
/// Whether the numbers are places or changes depends on the modes that the job has set; the writer sets none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MoveWords {
    /// `G0` instead of `G1`.
    pub rapid: bool,
    /// `X`.
    pub x_um: Option<i32>,
    /// `Y`.
    pub y_um: Option<i32>,
    /// `Z`.
    pub z_um: Option<i32>,
    /// `E`.
    pub e_nm: Option<i64>,
    /// `F`, per minute.
    pub feed_nm_min: Option<u64>,
}

/// Writes lines in millimetres (`G21`) to any [`Write`]; give it a buffered one.
///
/// Zeros at the end of a fraction are left out, so X, Y and Z have at most three decimals, E and F at most six
/// (five if they are multiples of 10 nm). Reading a line gives the very integers that it was written from.
pub struct Writer<W> {
    output: W,
    line: Text,
}

impl<W: Write> Writer<W> {
    /// A writer to `output`.
    pub fn new(output: W) -> Self {
        Self { output, line: Text::default() }
    }

    /// Passes bytes through: a line as it was read, with its line end.
    ///
    /// # Errors
    /// Those of the output.
    pub fn raw(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.output.write_all(bytes)
    }

    /// Writes a straight move and a line feed.
    ///
    /// # Errors
    /// Those of the output.
    pub fn straight(&mut self, words: &MoveWords) -> io::Result<()> {
        self.line.clear();
        self.line.raw(if words.rapid { b"G0" } else { b"G1" });
        let nm = |um: Option<i32>| um.map(|um| i64::from(um) * 1000);
        for (letter, nm) in [(b'X', nm(words.x_um)), (b'Y', nm(words.y_um)), (b'Z', nm(words.z_um)), (b'E', words.e_nm)]
        {
            if let Some(nm) = nm {
                self.line.word(letter, nm < 0, nm.unsigned_abs());
            }
        }
        if let Some(feed_nm_min) = words.feed_nm_min {
            self.line.word(b'F', false, feed_nm_min);
        }
        self.line.end_line(b"\n");
        self.output.write_all(self.line.as_bytes())
    }

    /// Gives the output back.
    pub fn into_inner(self) -> W {
        self.output
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(words: MoveWords) -> String {
        let mut writer = Writer::new(Vec::new());
        writer.straight(&words).unwrap();
        String::from_utf8(writer.into_inner()).unwrap()
    }

    #[test]
    fn only_the_words_that_are_there_without_idle_zeros() {
        assert_eq!(written(MoveWords::default()), "G1\n");
        let all = MoveWords {
            rapid: true,
            x_um: Some(123_456),
            y_um: Some(-900),
            z_um: Some(200),
            e_nm: Some(-45_120),
            feed_nm_min: Some(1_800_000_000),
        };
        assert_eq!(written(all), "G0 X123.456 Y-0.9 Z0.2 E-0.04512 F1800\n");
        let small =
            MoveWords { x_um: Some(0), y_um: Some(1), z_um: Some(-10_000), e_nm: Some(1), ..MoveWords::default() };
        assert_eq!(written(small), "G1 X0 Y0.001 Z-10 E0.000001\n");
    }

    #[test]
    fn the_largest_numbers_fit() {
        let largest = MoveWords {
            x_um: Some(i32::MIN),
            e_nm: Some(i64::MIN),
            feed_nm_min: Some(u64::MAX),
            ..MoveWords::default()
        };
        assert_eq!(written(largest), "G1 X-2147483.648 E-9223372036854.775808 F18446744073709.551615\n");
    }
}
