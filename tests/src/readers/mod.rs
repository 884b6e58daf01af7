//! What every reader must do with any bytes: give a value that holds together, or an error, and never panic.
//!
//! Each function of [`ALL`] takes the bytes of one file and panics where a promise is broken. They are run on a corpus
//! and on damaged files of it by `cargo test`, and by the fuzz targets of the same names in `tests/fuzz`.

mod gcode;
mod grids;
mod memory;
mod scenario;

pub use gcode::gcode;
pub use grids::{csv, hex, json, matrix, npy, pairs, ply, points, record};
pub use memory::memory;
pub use scenario::scenario;

/// Takes the bytes of one file.
pub type Check = fn(&[u8]);

/// Every reader, by the name of its target.
pub const ALL: [(&str, Check); 12] = [
    ("csv", csv),
    ("gcode", gcode),
    ("hex", hex),
    ("json", json),
    ("matrix", matrix),
    ("memory", memory),
    ("npy", npy),
    ("pairs", pairs),
    ("ply", ply),
    ("points", points),
    ("record", record),
    ("scenario", scenario),
];
