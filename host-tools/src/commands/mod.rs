//! The commands of `gapgrid`, one file each: its arguments and what it does with them.

pub mod apply;
pub mod check;
pub mod convert;
mod input;
pub mod show;
pub mod source;
mod surface;
