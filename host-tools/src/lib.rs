//! Files for Gapkeeper, exact and strict: G-code jobs as a stream, height grids as documents.
//!
//! ```
//! use gapkeeper_host_tools::gcode::{Action, Interpreter, Reader};
//!
//! let job = "G21 G90 M83\nG28\nG1 X20 Y10 F1800\nG1 X50 E1.25 ; the first line\n";
//! let mut reader = Reader::new("job.gcode", job.as_bytes());
//! let mut interpreter = Interpreter::new();
//! let mut printed_nm = 0;
//! while let Some(line) = reader.next_line()? {
//!     if let Action::Straight(straight) = interpreter.execute(&line)? {
//!         if straight.extruded_nm > 0 {
//!             printed_nm += straight.end.x_nm - straight.start.x_nm;
//!         }
//!     }
//! }
//! assert_eq!(printed_nm, 30_000_000);
//! # Ok::<(), gapkeeper_host_tools::gcode::GcodeError>(())
//! ```
//!
//! | module | what it is for |
//! |---|---|
//! | [`apply`] | corrects a job by a grid, for machines that cannot be flashed |
//! | [`check`] | whether a grid can be trusted and used, as verdicts |
//! | [`compare`] | what changed from one grid to another, and what to do about it |
//! | [`estimate`] | the surface of readings at any places, how sure it is, and where the next reading belongs |
//! | [`flatness`] | how flat a set of points is, by ISO 12781-1 |
//! | [`gcode`] | reads, interprets and writes G-code in integers; memory does not grow with the file |
//! | [`grid_file`] | reads and writes grids in nine formats, and says what a format cannot hold |
//! | [`job`] | a job as straight moves, line by line, and what of it lies on the bare bed |
//! | [`manual`] | completions for shells and manual pages, from the definition of a command line |
//! | [`patches`] | printed patches that tell the gap |
//! | [`picture`] | what pictures of height fields are made of |
//! | [`printed`] | text that is safe to print, wherever it comes from |
//! | [`program`] | what the programs do alike: arguments, errors, exit codes, signals |
//! | [`show`] | a grid as a table, a picture of characters, a map |
//!
//! [`gcode`], [`picture`], [`printed`] and [`TextPosition`] are lent from crates of their own, for programs that need no more.
//!
//! Beside them: [`write_atomically`], by which every output file is written, [`TextPosition`], by which every mistake in a text
//! file is shown, [`FileError`], and [`Watched`], by which a program shows how far it has come.
//!
//! Lengths are integers with their unit in the name. No number passes through a float on its way in, except a JSON
//! number with a fraction or an exponent, which is taken only if it is whole. There is no global state but the list of
//! unfinished files that a signal removes, and no function panics for any input.
#![forbid(unsafe_code)]
#![deny(missing_docs)]

pub mod apply;
mod atomic_file;
pub mod check;
pub mod compare;
pub mod estimate;
mod file_error;
pub mod flatness;
pub mod grid_file;
pub mod job;
pub mod manual;
pub mod odd_words;
pub mod patches;
pub mod pipeline;
pub mod program;
mod progress;
pub mod show;
mod surface_fit;

pub use atomic_file::{AtomicFile, write_all_atomically, write_atomically};
pub use file_error::FileError;
pub use gapkeeper_gcode as gcode;
pub use gapkeeper_picture as picture;
pub use gapkeeper_text::{TextPosition, printed};
pub use progress::{Steps, Watched};
