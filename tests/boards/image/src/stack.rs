//! The deepest stack, by painting what lies below it and looking where the paint is gone.

use core::hint::black_box;

use crate::board::{end, stack_lowest, stack_pointer};
use crate::line::line;

const PAINT: u8 = 0xA5;

/// Stack that is painted, where there is so much.
const PAINTED: usize = 6_000;

/// Kept clear of paint right below the stack pointer, for the painter's own calls.
const MARGIN: usize = 32;

/// Bytes of stack that a piece of work takes, below the frame that calls it. Work that goes through all of the paint, and
/// perhaps into the data below it, ends the run with a failure.
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
    if deepest == bottom {
        line("stack_overrun", &[(top - bottom) as u32]);
        end(false);
    }
    (top - deepest) as u32
}
