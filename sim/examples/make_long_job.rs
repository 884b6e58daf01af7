//! Writes a job of a stated size to standard output, to see how long jobs fare: layer upon layer of short printing
//! moves in rising and falling zigzags over a square of 160 mm, 29 bytes a line.
//!
//! `cargo run --release -p gapkeeper-sim --example make_long_job -- 1000 > long.gcode` writes 1000 MB.

use std::io::{self, BufWriter, Write};

/// Moves of one layer, a millimetre and a half each or a little more.
const MOVES: u64 = 17_000;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let megabytes: u64 = std::env::args().nth(1).ok_or("give a size in MB")?.parse()?;
    let mut out = BufWriter::with_capacity(1 << 20, io::stdout().lock());
    let mut written = 0;
    write!(out, "G21\nG90\nM83\nG28\n")?;
    let mut layer = 0_u64;
    while written < megabytes * 1_000_000 {
        layer += 1;
        let z_um = layer * 50 + 150;
        let head = format!("G0 X20 Y20 Z{}.{:03} F9000\nG1 X20.000 Y20.000 E0.00001 F3000\n", z_um / 1000, z_um % 1000);
        out.write_all(head.as_bytes())?;
        written += head.len() as u64;
        for index in 0..MOVES {
            // A zigzag across, one line of it after the other, the whole slowly upwards.
            let (line, step) = (index / 107, index % 107);
            let along = if line % 2 == 0 { step } else { 107 - step };
            let (x_um, y_um) = (20_000 + along * 1_495, 20_000 + line * 1_000 + step % 2 * 600 + layer % 7 * 13);
            let row = format!(
                "G1 X{:03}.{:03} Y{:03}.{:03} E0.0{:04}\n",
                x_um / 1000,
                x_um % 1000,
                y_um / 1000,
                y_um % 1000,
                560 + index % 97
            );
            out.write_all(row.as_bytes())?;
            written += row.len() as u64;
        }
    }
    Ok(out.flush()?)
}
