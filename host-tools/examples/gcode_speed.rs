//! Measures how fast G-code is read and interpreted:
//! `cargo run --release -p gapkeeper-host-tools --example gcode_speed [FILE]`.
//!
//! Without a file, 200 MB of lines like those of a printing job are made up in memory first.

use std::error::Error;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::time::Instant;

use gapkeeper_host_tools::gcode::{Action, Interpreter, Move, Reader, Writer};

const BYTES: usize = 200_000_000;

fn main() -> Result<(), Box<dyn Error>> {
    match std::env::args().nth(1) {
        Some(path) => measure(&path, BufReader::with_capacity(1 << 16, File::open(&path)?)),
        None => measure("made up", made_up()?.as_slice()),
    }
}

fn made_up() -> std::io::Result<Vec<u8>> {
    let mut job = Vec::with_capacity(BYTES + 100);
    job.extend_from_slice(b"G21\nG90\nM83\nG28\nG1 F1800\n");
    let mut writer = Writer::new(job);
    let mut step = 0_i32;
    let mut bytes = 0;
    while bytes < BYTES {
        // Two strides without a common divisor: digits vary from line to line.
        let words = Move {
            x_um: Some(100_001 + step * 7_919 % 100_000),
            y_um: Some(10_001 + step * 104_729 % 90_000),
            e_nm: Some(45_120 + i64::from(step % 1_000) * 10),
            ..Move::default()
        };
        writer.straight(&words)?;
        bytes += 30;
        step = (step + 1) % 20_000;
    }
    Ok(writer.into_inner())
}

fn measure(name: &str, input: impl BufRead) -> Result<(), Box<dyn Error>> {
    let started = Instant::now();
    let mut reader = Reader::new(name, input);
    let mut interpreter = Interpreter::new();
    let mut moves = 0_u64;
    while let Some(line) = reader.next_line()? {
        if let Action::Straight(_) | Action::Arc(_) = interpreter.execute(&line)? {
            moves += 1;
        }
    }
    let seconds = started.elapsed().as_secs_f64();
    let bytes = reader.bytes_read();
    println!("{bytes} bytes, {moves} moves, E {} nm", interpreter.extruded_nm());
    println!("{:.0} MB/s, {:.0} ns a move", bytes as f64 / seconds / 1e6, seconds / moves as f64 * 1e9);
    Ok(())
}
