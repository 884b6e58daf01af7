//! Gapkeeper's core for C and C++: a static library and the header `include/gapkeeper.h`.
//!
//! All state lives in storage that the caller owns and whose size the header says; there are no globals and no heap.
//! Every function says how it went by a [`GapkeeperResult`]. Null pointers, wrong sizes, pointers that are not aligned
//! and storage that was never initialised are refused. What cannot be checked is the caller's part:
//! - a pointer that is not null points to memory of the stated kind and size;
//! - one call at a time for each keeper: not from an interrupt while another call is at work;
//! - storage with the right magic word holds what this library put there. A byte-wise copy is as good as the original.
//!
//! This crate has `unsafe` code and the core has none: pointers become references and values here, and nothing else
//! happens here. It is one fixed instantiation of [`gapkeeper::Keeper`]: a survey of [`GAPKEEPER_STATIONS`] stations,
//! [`GAPKEEPER_NODES`] nodes in force, [`GAPKEEPER_GRIDS`] grids remembered and [`GAPKEEPER_EXTRA_AXES`] axis besides
//! X, Y and Z.
//!
//! With `std` on a desktop, without it on targets that have none; there the panic handler is an endless loop, or, with
//! the feature `panics-do-not-link`, a function that does not exist.

#![cfg_attr(target_os = "none", no_std)]

mod byte_eeprom;
mod convert;
mod corners;
mod grids;
mod i2c_eeprom;
mod keeper;
mod memory;
mod motion;
mod nor_flash;
mod panel;
#[cfg(target_os = "none")]
mod panic;
mod persistence;
mod pointer;
mod prompt;
mod region;
mod result;
mod status;
mod storage;
mod survey;
mod text;
mod tie;
mod types;

pub use byte_eeprom::*;
pub use corners::*;
pub use grids::*;
pub use i2c_eeprom::*;
pub use keeper::*;
pub use memory::*;
pub use motion::*;
pub use nor_flash::*;
pub use panel::*;
pub use persistence::*;
pub use prompt::*;
pub use region::GapkeeperRegion;
pub use result::GapkeeperResult;
pub use status::*;
pub use storage::*;
pub use survey::*;
pub use tie::*;
pub use types::*;

/// Version of this interface: raised when anything in the header changes its meaning, its size or goes away.
pub const GAPKEEPER_ABI_VERSION: u16 = 5;

/// Most stations of a survey, and most nodes of a grid that is set directly.
pub const GAPKEEPER_STATIONS: usize = 25;

/// Most nodes of the grid in force: 16 by 16, the densest.
pub const GAPKEEPER_NODES: usize = 256;

/// Grids that are remembered, for different bed temperatures.
pub const GAPKEEPER_GRIDS: usize = 3;

/// Axes besides X, Y and Z that ride along, such as E.
pub const GAPKEEPER_EXTRA_AXES: usize = 1;

/// The version of the library; compare it with [`GAPKEEPER_ABI_VERSION`] of the header.
#[unsafe(no_mangle)]
pub extern "C" fn gapkeeper_abi_version() -> u16 {
    GAPKEEPER_ABI_VERSION
}
