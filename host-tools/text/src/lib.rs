//! Text for people: what is safe to print ([`printed`]), and the position of a mistake in a text file ([`TextPosition`]).
//!
//! It stands below everything that reads files, and needs nothing but the standard library.
#![forbid(unsafe_code)]
#![deny(missing_docs)]

mod position;
pub mod printed;

pub use position::TextPosition;
