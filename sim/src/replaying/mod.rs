//! A job over the bed: its moves, what lies on the bare bed, the gap along it, and what is laid down.

pub(crate) mod action;
pub(crate) mod class;
pub mod deposit;
pub(crate) mod footprint;
pub(crate) mod gap;
pub(crate) mod layer_cells;
pub(crate) mod lines;
pub mod outcome;
pub mod replay;
pub(crate) mod replay_error;
pub(crate) mod settings;
pub mod setup;
pub(crate) mod stretch;
pub(crate) mod surfaces;
pub mod verdict;
