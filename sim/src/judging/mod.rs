//! Whether it is good enough: a verdict and what to do about it, a plan before measuring, a gate for a machine.

pub(crate) mod action;
pub mod dynamics;
pub mod plan;
pub mod verdict;
pub mod verify;
