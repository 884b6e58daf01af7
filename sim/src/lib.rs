//! Modelled beds, a virtual controller that runs the core, replay of jobs, and pictures of the gap.

pub mod outcome;
pub mod picture;
pub mod report;
