//! G-code: the reader, the interpreter, and a job corrected by a grid.

use std::num::NonZero;

use gapkeeper::{Correction, Fade, HeightGrid, Lattice};
use gapkeeper_host_tools::apply::{ApplyError, Settings, apply};
use gapkeeper_host_tools::gcode::{Interpreter, Position, Reader};
use gapkeeper_host_tools::grid_file::CAPACITY;

/// Arcs so large or so many that correcting them all takes too long for a fuzzer; no limit of the product.
const LONGEST_JOB_BYTES: usize = 2000;

/// Reads and interprets a job; if that goes well, corrects it and reads the result.
pub fn gcode(bytes: &[u8]) {
    let Some((position, extruded_nm)) = interpret(bytes) else { return };
    if bytes.len() > LONGEST_JOB_BYTES {
        return;
    }
    let correction = correction();
    for scale_flow in [false, true] {
        let mut output = Vec::new();
        // A thread for so short a job is most of the work.
        let settings =
            Settings { tolerance_um: 1000, scale_flow, cores: NonZero::new(1), ..Settings::new(&correction) };
        let report = match apply("job", bytes, &mut output, &settings) {
            Ok(report) => report,
            Err(ApplyError::Output(error)) => panic!("{error}"),
            Err(error) => {
                assert!(error.to_string().starts_with("job:"), "{error}");
                return;
            }
        };
        let Some((there, e_nm)) = interpret(&output) else {
            panic!("the corrected job cannot be read: {}", String::from_utf8_lossy(&output))
        };
        // Inches are written in millionths, 25 nm, and relative ones add up.
        let within_nm = 30 * (report.pieces + report.lines);
        assert!(there.x_nm.abs_diff(position.x_nm) <= within_nm && there.y_nm.abs_diff(position.y_nm) <= within_nm);
        if !scale_flow {
            assert!(e_nm.abs_diff(extruded_nm) <= within_nm, "E {e_nm} nm instead of {extruded_nm}");
        }
        if !bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes).trim_ascii().is_empty() {
            let again = apply("job", output.as_slice(), Vec::new(), &settings);
            assert!(again.is_err_and(|error| error.to_string().contains("corrected already")));
        }
    }
}

/// Where a job ends, and what it extrudes; none if a line of it is refused. All lines together are the job.
fn interpret(bytes: &[u8]) -> Option<(Position, i64)> {
    let (mut reader, mut interpreter) = (Reader::new("job", bytes), Interpreter::new());
    let (mut read, mut is_sound) = (0, true);
    loop {
        let (raw, error) = match reader.next_line() {
            Ok(None) => break,
            Ok(Some(line)) => {
                for word in line.words() {
                    let start = line.raw()[word.range()].first().map(u8::to_ascii_uppercase);
                    assert_eq!(start, Some(word.letter()));
                }
                (line.raw().to_vec(), interpreter.execute(&line).err())
            }
            Err(error) => (reader.raw().to_vec(), Some(error)),
        };
        assert!(bytes[read..].starts_with(&raw));
        read += raw.len();
        if let Some(error) = error {
            is_sound = false;
            assert!(error.to_string().starts_with("job:"), "{error}");
            if !error.is_bad_line() {
                return None;
            }
        }
    }
    assert_eq!(read, bytes.len());
    assert_eq!(reader.bytes_read(), bytes.len() as u64);
    is_sound.then(|| (interpreter.position(), interpreter.extruded_nm()))
}

fn correction() -> Correction<CAPACITY> {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 100_000, pitch_y_um: 90_000, columns: 3, rows: 3 };
    let grid = HeightGrid::new(lattice, &[-120, 40, 210, 60, -80, 0, 150, 260, -90]);
    let fade = Fade::new(400, 8400).unwrap_or_else(|error| panic!("{error}"));
    let correction = Correction::new(grid.unwrap_or_else(|error| panic!("{error}"))).with_fade(fade);
    correction.unwrap_or_else(|error| panic!("{error}"))
}
