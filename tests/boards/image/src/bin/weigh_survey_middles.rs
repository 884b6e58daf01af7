//! Linked to be weighed, and to show that nothing in it can panic: see `weigh::survey_middles`.

#![no_std]
#![no_main]

gapkeeper_board_image::panics_do_not_link!();

#[unsafe(no_mangle)]
extern "C" fn board_main() {
    gapkeeper_board_image::weigh::survey_middles();
}
