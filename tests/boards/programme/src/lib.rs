//! What chips and desktop run alike, folded bit by bit into digests: a fixed programme of moves, surveys and records,
//! and the example controller among doubles of its peripherals.
//!
//! Both stand in modules whose files name no other crate but the core, the controller and `embedded-hal`, so that the
//! desktop's test takes them in as they are. They have no floats and no way to panic, like the core itself.

#![no_std]
#![forbid(unsafe_code)]

pub mod machine;
pub mod programme;
