//! Runs the programme and prints its digests; the runner compares them with the desktop's.

#![no_std]
#![no_main]

use gapkeeper_board_image::line::digest_line;
use gapkeeper_board_programme::programme::{ALL_BLOCKS, FIRST_BLOCKS, MOVES_PER_BLOCK, Programme, SCALED_BLOCKS, scaled_moves};

gapkeeper_board_image::panics_fail!();

#[unsafe(no_mangle)]
extern "C" fn board_main() {
    let mut programme = Programme::new();
    let first = programme.run_to(FIRST_BLOCKS);
    digest_line("digest", FIRST_BLOCKS * MOVES_PER_BLOCK, first);
    digest_line("scaled", SCALED_BLOCKS * MOVES_PER_BLOCK, scaled_moves(SCALED_BLOCKS));
    // Twenty times the work is too much for simavr.
    if cfg!(not(target_arch = "avr")) {
        let all = programme.run_to(ALL_BLOCKS);
        digest_line("digest", ALL_BLOCKS * MOVES_PER_BLOCK, all);
    }
}
