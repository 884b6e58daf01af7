//! Skeleton.
#![forbid(unsafe_code)]
#![deny(missing_docs)]

pub mod gcode;
mod place;

pub use place::Place;
