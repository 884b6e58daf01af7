//! The machine and its bed, as a scenario states them, and the core in front of its Z motor.

pub mod bed;
pub(crate) mod controller;
pub(crate) mod core_settings;
pub mod demo;
pub mod scenario;
