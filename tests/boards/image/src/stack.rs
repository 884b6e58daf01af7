//! The deepest stack, by painting what lies below it and looking where the paint is gone.

use core::hint::black_box;

use crate::board::{stack_lowest, stack_pointer};

const PAINT: u8 = 0xA5;

/// Stack that is painted; nothing measured here goes deeper, or the answer would be this number.
const PAINTED: usize = 6_000;

/// Kept clear of paint right below the stack pointer, for the painter's own calls.
const MARGIN: usize = 32;

/// Bytes of stack that a piece of work takes, below the frame that calls it.
#[inline(never)]
pub fn deepest(work: fn()) -> u32 {
    let top = stack_pointer();
    let bottom = (top - PAINTED).max(stack_lowest());
    for address in bottom..top - MARGIN {
        // SAFETY: between the end of all data and the stack's present end there is nothing.
        unsafe { (address as *mut u8).write_volatile(PAINT) };
    }
    black_box(work)();
    let mut deepest = bottom;
    // SAFETY: as above.
    while deepest < top && unsafe { (deepest as *const u8).read_volatile() } == PAINT {
        deepest += 1;
    }
    (top - deepest) as u32
}
