//! Files as bytes: what the reader lends, what it refuses, and what the messages look like.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::io::{self, BufRead, BufReader, Read};

use gapkeeper_gcode::{GcodeErrorKind, Interpreter, LONGEST_LINE_BYTES, MoveWords, Reader, Writer};
use proptest::prelude::*;

/// All lines one behind the other, and all messages, interpreting as one goes.
fn keep_going(file: &str, job: &[u8]) -> (Vec<u8>, Vec<String>) {
    let mut reader = Reader::new(file, job);
    let mut interpreter = Interpreter::new();
    let (mut bytes, mut messages) = (Vec::new(), Vec::new());
    loop {
        match reader.next_line() {
            Ok(None) => return (bytes, messages),
            Ok(Some(line)) => {
                bytes.extend_from_slice(line.raw());
                messages.extend(interpreter.execute(&line).err().map(|error| error.to_string()));
            }
            Err(error) => {
                messages.push(error.to_string());
                bytes.extend_from_slice(reader.raw());
            }
        }
    }
}

fn message(job: &[u8]) -> String {
    keep_going("job.gcode", job).1.join("\n")
}

#[test]
fn messages_show_the_place() {
    let job = b"G21 ; start\r\n\tg1 x10 \xB0 y\r\nG1 X1 G0\nG1 (\xC3\xBC) X[1+]\nG1 X5 F9\n";
    let expected = "\
job.gcode:2:9: '\u{fffd}' begins no word
   g1 x10 \u{fffd} y
          ^
  take it away, or put it into a comment
job.gcode:3:7: G1 and G0 on one line: both are of the group \"motion\"
  G1 X1 G0
        ^
  keep one of the two, write them on two lines, or allow it (--lenient): the later one counts
job.gcode:4:12: no expression of numbers, parameters, functions and operators in brackets
  G1 (\u{fc}) X[1+]
             ^
  see NISTIR 6556, 3.3.2, or have the post-processor write plain numbers";
    assert_eq!(message(job), expected);
}

#[test]
fn messages_of_the_interpreter_point_at_the_word() {
    let expected = "\
job.gcode:2:15: the arc starts 10 mm from its centre and ends 10.0021 mm from it, more than 0.002 mm apart
  G3 X0 Y10.0021 I-10
                 ^
  correct the end or the centre; I, J and K count from the start";
    let expected = expected.replace(":2:15:", ":2:16:");
    assert_eq!(message(b"G1 X10 F9\nG3 X0 Y10.0021 I-10\n"), expected);
    let damaged = "\
job.gcode:1:14: the line's check value is 65, but 66 is written
  N1 G1 X10 Y10*66
               ^
  the line was changed after it was checked: fetch the file again";
    let value = b"N1 G1 X10 Y10".iter().fold(0, |value, byte| value ^ byte);
    let damaged = damaged.replace("is 65", &format!("is {value}"));
    assert_eq!(message(b"N1 G1 X10 Y10*66\n"), damaged);
}

/// Row G-20 (NISTIR 6556, 3.1).
#[test]
fn g20_a_file_opened_by_a_percent_line() {
    let job = b"\xEF\xBB\xBF\n % \t\r\nN7 G0 X1\n%\nthis is [not] read\n%\n";
    let mut reader = Reader::new("job", &job[..]);
    let mut words = Vec::new();
    while let Some(line) = reader.next_line().unwrap() {
        words.push((line.words().len(), line.sequence_number()));
    }
    let none = (0, None);
    assert_eq!(words, [none, none, (2, Some(7)), none, none, none]);
    let (bytes, messages) = keep_going("job", job);
    assert_eq!((bytes.as_slice(), messages), (&job[..], Vec::new()));

    let expected = "\
job.gcode:1:2: the file is opened by a % line and not closed by another
   %
   ^
  the file may be cut short: fetch it again, or add a line with % at its end";
    assert_eq!(message(b" %\nG0 X1\n"), expected);
    assert!(message(b"G0 X1\n%\n").starts_with("job.gcode:2:1: '%' begins no word"));
}

#[test]
fn a_line_lends_its_number_words_and_text() {
    let mut reader = Reader::new("job", &b"; first\r\n/N12g1x+0. 5(a)M987 free\r"[..]);
    assert_eq!(reader.next_line().unwrap().unwrap().raw(), b"; first\r\n");
    assert_eq!(reader.bytes_read(), 9);
    let line = reader.next_line().unwrap().unwrap();
    assert_eq!((line.number(), line.sequence_number()), (2, Some(12)));
    assert_eq!(line.free_text(), Some(&b" free"[..]));
    let x = line.word(b'X').unwrap();
    assert_eq!(&line.raw()[x.range()], b"x+0. 5");
    assert_eq!(x.number().map(|number| (number.mantissa(), number.scale())), Some((5, 1)));
    assert!(reader.next_line().unwrap().is_none());
    assert!(reader.raw().is_empty());
}

#[test]
fn the_longest_line_is_read_and_a_longer_one_ends_the_reading() {
    let mut job = vec![b' '; LONGEST_LINE_BYTES - 1];
    job.push(b'\n');
    // A small buffer: the line comes in many parts.
    let mut reader = Reader::new("job", BufReader::with_capacity(64, job.as_slice()));
    assert_eq!(reader.next_line().unwrap().unwrap().raw().len(), LONGEST_LINE_BYTES);

    job.insert(0, b' ');
    let mut reader = Reader::new("job", BufReader::with_capacity(64, job.as_slice()));
    let error = reader.next_line().unwrap_err();
    assert!(matches!(error.kind(), GcodeErrorKind::LineTooLong { limit_bytes: LONGEST_LINE_BYTES }));
    assert!(!error.is_bad_line());
    assert_eq!((error.position().line(), error.position().column()), (1, LONGEST_LINE_BYTES));
    assert!(reader.next_line().unwrap().is_none());
}

/// Plain lines, others and bad ones, several times more than the reader holds, in parts that begin anywhere.
#[test]
fn lines_are_whole_wherever_a_part_of_the_file_ends() {
    let line = |index: usize| match index % 7 {
        0 => format!("N{index} G1 X{index}.5 ; said\r\n"),
        1 => "G1 X1 X2\n".to_owned(),
        2 => "(open\n".to_owned(),
        3 => format!("; {}\n", "-".repeat(index % 500)),
        _ => format!("G1 X{index}.25 Y-{index} E0.{index:05}\n"),
    };
    let lines: Vec<String> = (0..20_000).map(line).collect();
    let job = lines.concat();
    assert!(job.len() > 500_000);
    for part in [997, 65_536, 1 << 20] {
        let mut reader = Reader::new("job", BufReader::with_capacity(part, job.as_bytes()));
        for (index, text) in lines.iter().enumerate() {
            match reader.next_line() {
                Ok(line) => {
                    let line = line.unwrap();
                    assert_eq!((line.number(), line.raw()), (index as u64 + 1, text.as_bytes()));
                    let x = line.word(b'X').map(|word| String::from_utf8_lossy(&line.raw()[word.range()]).into_owned());
                    let expected = text.find('X').map(|at| text[at..].split([' ', '\n']).next().unwrap().to_owned());
                    assert_eq!(x, expected);
                }
                Err(error) => {
                    assert_eq!((index % 7, error.position().line()), (2, index as u64 + 1));
                    assert_eq!(reader.raw(), text.as_bytes());
                }
            }
        }
        assert!(reader.next_line().unwrap().is_none());
        assert_eq!(reader.bytes_read(), job.len() as u64);
    }
}

/// Gives some bytes, then fails.
struct Failing<'a>(&'a [u8]);

impl Read for Failing<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let taken = self.fill_buf()?.read(buffer)?;
        self.consume(taken);
        Ok(taken)
    }
}

impl BufRead for Failing<'_> {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.0.is_empty() { Err(io::Error::other("the card was pulled")) } else { Ok(self.0) }
    }

    fn consume(&mut self, count: usize) {
        self.0 = &self.0[count..];
    }
}

#[test]
fn a_failing_medium_is_no_bad_line() {
    let mut reader = Reader::new("job", Failing(b"G1\nX1"));
    assert_eq!(reader.next_line().unwrap().unwrap().raw(), b"G1\n");
    let error = reader.next_line().unwrap_err();
    assert!(!error.is_bad_line());
    assert!(error.to_string().starts_with("job:2:3: the file cannot be read: the card was pulled\n"));
    assert!(reader.next_line().unwrap().is_none());
}

/// Bytes that look like G-code often enough to reach deep.
fn job_like() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        8 => "[GMXYZEFIJKRSNgxyze]-?[0-9]{1,3}(\\.[0-9]{0,4})?".prop_map(String::into_bytes),
        3 => "G(0|1|2|3|4|17|18|19|20|21|28|53|80|81|90|91|92|987)".prop_map(String::into_bytes),
        2 => "M(2|82|83|84|104|140|987)".prop_map(String::into_bytes),
        4 => Just(b" ".to_vec()),
        4 => Just(b"\n".to_vec()),
        1 => Just(b"\r\n".to_vec()),
        1 => Just(b"%\n".to_vec()),
        1 => "[();*#/\t%]".prop_map(String::into_bytes),
        1 => proptest::collection::vec(any::<u8>(), 0..4),
    ];
    proptest::collection::vec(piece, 0..60).prop_map(|pieces| pieces.concat())
}

fn cases(count: u32) -> ProptestConfig {
    let asked = std::env::var("PROPTEST_CASES").ok().and_then(|text| text.parse().ok());
    ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(asked.unwrap_or(count)) }
}

proptest! {
    #![proptest_config(cases(64))]

    #[test]
    fn every_byte_is_passed_on_and_every_error_has_a_place(
        job in prop_oneof![job_like(), proptest::collection::vec(any::<u8>(), 0..400)],
        capacity in 1_usize..40,
    ) {
        let mut reader = Reader::new("job", BufReader::with_capacity(capacity, job.as_slice()));
        let mut interpreter = Interpreter::new();
        let mut bytes = Vec::new();
        loop {
            let (error, number) = match reader.next_line() {
                Ok(None) => break,
                Ok(Some(line)) => {
                    bytes.extend_from_slice(line.raw());
                    (interpreter.execute(&line).err(), Some(line.number()))
                }
                Err(error) => (Some(error), None),
            };
            if let Some(error) = error {
                prop_assert!(error.is_bad_line());
                let lines: Vec<&[u8]> = job.split_inclusive(|byte| *byte == b'\n').collect();
                let line = lines[error.position().line() as usize - 1];
                prop_assert!(error.position().column() <= String::from_utf8_lossy(line).trim_end_matches('\n').chars().count());
                prop_assert!(number.is_none_or(|number| number == error.position().line()));
                if number.is_none() {
                    bytes.extend_from_slice(reader.raw());
                }
            }
        }
        prop_assert_eq!(reader.bytes_read(), job.len() as u64);
        prop_assert_eq!(bytes, job);
    }

    #[test]
    fn what_is_written_reads_back_as_the_same_integers(
        rapid: bool,
        x_um in proptest::option::of(any::<i32>()),
        y_um in proptest::option::of(-300_000..300_000),
        z_um in proptest::option::of(any::<i32>()),
        e_nm in proptest::option::of(-100_000_000_000_000_i64..=100_000_000_000_000),
        feed_nm_min in proptest::option::of(1..100_000_000_000_000_u64),
    ) {
        let mut writer = Writer::new(b"M82\n".to_vec());
        writer.straight(&MoveWords { rapid, x_um, y_um, z_um, e_nm, feed_nm_min }).unwrap();
        let job = writer.into_inner();
        let mut reader = Reader::new("job", job.as_slice());
        let mut interpreter = Interpreter::new();
        while let Some(line) = reader.next_line().unwrap() {
            interpreter.execute(&line).unwrap();
        }
        let expected = [x_um, y_um, z_um].map(Option::unwrap_or_default);
        prop_assert_eq!(interpreter.position().to_um(), Some(expected));
        prop_assert_eq!(interpreter.extruded_nm(), e_nm.unwrap_or_default());
        prop_assert_eq!(interpreter.feed_nm_min(), feed_nm_min);
    }
}
