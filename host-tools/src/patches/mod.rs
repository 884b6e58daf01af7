//! Patches of one layer that are printed to be measured: their thickness tells the gap where they lie.
//!
//! A nozzle irons what it lays to its own height, so a solid patch is as thick as the gap, as long as plastic flows and
//! the strands lie on the bed (the deposit model of the simulator has the same limits).

mod error;
mod form;
mod job;
mod told;

pub use error::PatchError;
pub use form::{PatchForm, PatchRow};
pub use job::PatchSettings;
pub use told::{PatchReadings, Untold};
