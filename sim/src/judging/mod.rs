//! Whether it is good enough: a plan before measuring, what is asked of Z, a gate for a machine.

pub(crate) mod dynamics;
pub mod plan;
pub mod verify;
