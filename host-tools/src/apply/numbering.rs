//! Numbers of the lines of a job whose controller checks them.

use crate::gcode::rewriting::{Numbered, Text};

/// Follows the numbers of the job's lines, and gives those to be written: without gaps where the job has none, however
/// many lines one line has become.
#[derive(Debug, Default)]
pub(super) struct Numbering {
    last: Option<Last>,
}

#[derive(Debug)]
struct Last {
    of_job: u32,
    written: u32,
}

impl Numbering {
    /// Renews the numbers of lines with check values, and these.
    pub(super) fn renew(&mut self, text: &mut Text) {
        let mut renewed = Vec::with_capacity(text.len());
        for line in text.as_bytes().split_inclusive(|byte| *byte == b'\n') {
            let Some(Numbered { number, digits, check_value }) = Numbered::read(line) else {
                renewed.extend_from_slice(line);
                continue;
            };
            let start = renewed.len();
            renewed.extend_from_slice(&line[..digits.start]);
            renewed.extend_from_slice(self.next(number).to_string().as_bytes());
            renewed.extend_from_slice(&line[digits.end..check_value.start]);
            let value = check_value_of(&renewed[start..]);
            renewed.extend_from_slice(format!("*{value}").as_bytes());
            renewed.extend_from_slice(&line[check_value.end..]);
        }
        text.replace(&renewed);
    }

    fn next(&mut self, of_job: u32) -> u32 {
        let written = match &self.last {
            // A further piece of the same line.
            Some(last) if last.of_job == of_job => last.written.saturating_add(1),
            Some(last) if last.of_job < of_job => last.written.saturating_add(of_job - last.of_job),
            // The job has begun to count anew.
            _ => of_job,
        };
        self.last = Some(Last { of_job, written });
        written
    }
}

/// The exclusive or of all bytes (common practice).
pub(super) fn check_value_of(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |value, byte| value ^ byte)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(words: &str) -> String {
        format!("{words}*{}\n", check_value_of(words.as_bytes()))
    }

    #[test]
    fn numbers_go_on_without_gaps_and_begin_anew_with_the_job() {
        let numbered = |numbers: &[u32]| -> String {
            numbers.iter().map(|number| line(&format!("N{number} G1 X1"))).collect::<String>() + "; no number\n"
        };
        let mut numbering = Numbering::default();
        let mut text = Text::default();
        text.pass(numbered(&[1, 2, 2, 2, 3, 5]).as_bytes());
        numbering.renew(&mut text);
        assert_eq!(String::from_utf8_lossy(text.as_bytes()), numbered(&[1, 2, 3, 4, 5, 7]));
        text.replace(numbered(&[6, 6, 0, 1, 1]).as_bytes());
        numbering.renew(&mut text);
        assert_eq!(String::from_utf8_lossy(text.as_bytes()), numbered(&[8, 9, 0, 1, 2]));
    }
}
