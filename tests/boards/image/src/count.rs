//! Exact counts: instructions where QEMU counts them, cycles on the AVR.

use core::hint::black_box;

use crate::board::{begin_count, end_count};

/// Cost of a piece of work from its beginning to its end, in the board's unit.
#[inline(never)]
pub fn count(work: &mut dyn FnMut()) -> u32 {
    let begun = begin_count();
    black_box(work)();
    end_count(begun)
}
