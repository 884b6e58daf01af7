//! Text for people: what is safe to print ([`printed`]), and the place of a mistake in a text file ([`Place`]).
//!
//! It stands below everything that reads files, and needs nothing but the standard library.
#![forbid(unsafe_code)]
#![deny(missing_docs)]

mod place;
pub mod printed;

pub use place::Place;
