//! One fixed programme of moves, surveys and records, folded bit by bit into a digest.
//!
//! It stands in a module, and the module's files name nothing but `gapkeeper`, so that the desktop's test takes them
//! in as they are. It has no floats and no way to panic, like the core itself.

#![no_std]
#![forbid(unsafe_code)]

pub mod programme;
