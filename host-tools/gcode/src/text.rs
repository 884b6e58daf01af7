//! Lines of G-code being put together.

/// Room that a word of up to eight digits before its point takes at most, with a blank, a sign, a point and all that is
/// written beyond the last digit.
const WORD_ROOM: usize = 32;
const ALL: u64 = 0x0101_0101_0101_0101;

/// Whole lines and the one that is being written, ready to be passed on in one piece.
#[derive(Debug, Default)]
pub struct Text {
    /// What lies behind `end` means nothing: words are written by eight bytes at a time.
    bytes: Vec<u8>,
    end: usize,
    /// Where the present line begins.
    line_start: usize,
}

impl Text {
    /// All lines, and the present one as far as it goes.
    pub fn as_bytes(&self) -> &[u8] {
        &self.bytes[..self.end]
    }

    /// The present line, as far as it goes.
    #[inline]
    pub fn line(&self) -> &[u8] {
        &self.bytes[self.line_start..self.end]
    }

    /// Takes whole lines that are not wanted as they are.
    pub fn replace(&mut self, bytes: &[u8]) {
        self.clear();
        self.pass(bytes);
    }

    /// How many bytes they are.
    #[inline]
    pub fn len(&self) -> usize {
        self.end
    }

    /// Whether nothing is written.
    pub fn is_empty(&self) -> bool {
        self.end == 0
    }

    /// Begins anew, with the memory that there is.
    pub fn clear(&mut self) {
        (self.end, self.line_start) = (0, 0);
    }

    /// Ends the present line, unless nothing is on it.
    #[inline]
    pub fn end_line(&mut self, line_end: &[u8]) {
        if self.end > self.line_start {
            match line_end {
                // One byte is written faster than copied.
                [byte] => {
                    self.make_room(1);
                    self.bytes[self.end] = *byte;
                    self.end += 1;
                }
                bytes => self.append(bytes),
            }
            self.line_start = self.end;
        }
    }

    /// Adds bytes to the present line.
    #[inline]
    pub fn append(&mut self, bytes: &[u8]) {
        self.make_room(bytes.len());
        self.bytes[self.end..self.end + bytes.len()].copy_from_slice(bytes);
        self.end += bytes.len();
    }

    /// Adds bytes as they are: whole lines, or the beginning of one, behind which a word stands without a blank.
    pub fn pass(&mut self, bytes: &[u8]) {
        self.append(bytes);
        self.line_start = self.end;
    }

    /// Adds bytes behind a blank, unless they begin the line.
    #[inline]
    pub fn raw(&mut self, bytes: &[u8]) {
        if self.end > self.line_start {
            self.append(b" ");
        }
        self.append(bytes);
    }

    /// Adds a word behind a blank, unless it begins the line. Its number is in millionths; zeros at the end of the
    /// fraction are not written.
    #[inline]
    pub fn word(&mut self, letter: u8, negative: bool, millionths: u64) {
        self.make_room(WORD_ROOM);
        let Some(room) = self.bytes[self.end..].first_chunk_mut::<WORD_ROOM>() else { return };
        let mut length = usize::from(self.end > self.line_start);
        room[0] = b' ';
        room[length] = letter;
        room[length + 1] = b'-';
        length += 1 + usize::from(negative);
        let (whole, fraction) = (millionths / 1_000_000, millionths % 1_000_000);
        // How many digits there are, left aligned, before and behind the point; all but the last one before it may be
        // left out.
        let (before, behind);
        if whole < 10_000 && fraction % 100 == 0 {
            // Nearly every place is one of whole micrometres: all digits at once.
            let digits = eight_digits(whole | ((fraction / 100) << 32));
            let idle = (digits | 1 << 24).trailing_zeros() / 8;
            (before, behind) = ((digits & 0xFFFF_FFFF) >> (8 * idle), digits >> 32);
            room[length..length + 8].copy_from_slice(&text_of(before));
            length += 4 - idle as usize;
        } else if whole < 100_000_000 {
            let digits = eight_digits((whole / 10_000) | ((whole % 10_000) << 32));
            let idle = (digits | 1 << 56).trailing_zeros() / 8;
            before = digits >> (8 * idle);
            behind = eight_digits((fraction / 100) | ((fraction % 100 * 100) << 32));
            room[length..length + 8].copy_from_slice(&text_of(before));
            length += 8 - idle as usize;
        } else {
            return self.long_word(letter, negative, whole, fraction);
        }
        if behind > 0 {
            room[length] = b'.';
            room[length + 1..length + 9].copy_from_slice(&text_of(behind));
            length += 9 - behind.leading_zeros() as usize / 8;
        }
        self.end += length;
    }

    #[cold]
    fn long_word(&mut self, letter: u8, negative: bool, whole: u64, fraction: u64) {
        let sign = if negative { "-" } else { "" };
        let text = format!("{}{sign}{whole}.{fraction:06}", char::from(letter));
        self.raw(text.trim_end_matches('0').trim_end_matches('.').as_bytes());
    }

    #[inline]
    fn make_room(&mut self, length: usize) {
        if self.bytes.len() - self.end < length {
            self.bytes.resize(2 * (self.end + length).max(WORD_ROOM), 0);
        }
    }
}

/// The digits of two numbers below 10^4, one a byte, the first one lowest; the second number is in the upper half.
#[inline]
fn eight_digits(fours: u64) -> u64 {
    // They are parted into pairs and those into digits, each time all at once. The factors are the reciprocals of 100
    // and 10, good for numbers of four and two digits.
    let hundreds = ((fours * 5243) >> 19) & 0x0000_007F_0000_007F;
    let pairs = hundreds | ((fours - hundreds * 100) << 16);
    let tens = ((pairs * 103) >> 10) & 0x000F_000F_000F_000F;
    tens | ((pairs - tens * 10) << 8)
}

#[inline]
fn text_of(digits: u64) -> [u8; 8] {
    (digits | (ALL * u64::from(b'0'))).to_le_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn word(negative: bool, millionths: u64) -> String {
        let mut text = Text::default();
        text.word(b'X', negative, millionths);
        String::from_utf8(text.as_bytes().to_vec()).unwrap()
    }

    #[test]
    fn numbers_at_the_edges() {
        assert_eq!(word(false, 0), "X0");
        assert_eq!(word(true, 1), "X-0.000001");
        assert_eq!(word(false, 999_999), "X0.999999");
        assert_eq!(word(false, 10_000_000), "X10");
        assert_eq!(word(true, 99_999_999_999_999), "X-99999999.999999");
        assert_eq!(word(false, 100_000_000_000_000), "X100000000");
        assert_eq!(word(true, u64::MAX), "X-18446744073709.551615");
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn words_are_as_the_standard_library_writes_them(negative: bool, digits in 0_u32..16, any: u64, idle in 0_u32..7) {
            let millionths = any % 10_u64.pow(digits) / 10_u64.pow(idle) * 10_u64.pow(idle);
            let plain = format!("X{}{}.{:06}", if negative { "-" } else { "" }, millionths / 1_000_000, millionths % 1_000_000);
            let plain = plain.trim_end_matches('0').trim_end_matches('.');
            prop_assert_eq!(word(negative, millionths), plain);
        }
    }

    #[test]
    fn words_stand_apart_and_lines_end() {
        let mut text = Text::default();
        text.end_line(b"\n");
        assert_eq!(text.len(), 0);
        for _ in 0..100 {
            text.raw(b"G1");
            text.word(b'X', true, 1_500_000);
            text.word(b'Y', false, 20_000_000);
            text.end_line(b"\r\n");
        }
        assert_eq!(text.as_bytes(), b"G1 X-1.5 Y20\r\n".repeat(100));
        text.clear();
        text.pass(b"G1  ");
        text.word(b'Z', false, 300_000);
        text.append(b" ; low");
        assert_eq!(text.as_bytes(), b"G1  Z0.3 ; low");
    }
}
