//! The commands of `gapgrid`, one file each: its arguments and what it does with them.

pub mod apply;
pub mod blend;
pub mod check;
pub mod completions;
pub mod convert;
pub mod diff;
pub mod estimate;
mod input;
mod lattice;
mod length;
pub mod man;
pub mod next;
mod older;
mod output;
pub mod patches;
pub mod readings;
pub mod refine;
pub mod shift;
pub mod show;
pub mod source;
mod surface;
pub mod tram;
