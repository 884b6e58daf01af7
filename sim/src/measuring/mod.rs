//! Measuring the bed: a bench, somebody at the knob, whole surveys, and years of them.

pub mod bench;
pub mod life;
pub(crate) mod operator;
pub mod rehearse;
pub mod survey;
