//! What every image needs: start-up, a line of text out, a job in, a counter, the stack, an end.

#![no_std]
#![cfg_attr(target_arch = "avr", feature(asm_experimental_arch))]

#[cfg_attr(target_arch = "arm", path = "board/cortex_m.rs")]
#[cfg_attr(target_arch = "riscv32", path = "board/riscv32.rs")]
#[cfg_attr(target_arch = "avr", path = "board/avr.rs")]
mod board;
pub mod count;
pub mod line;
pub mod stack;
pub mod weigh;

pub use board::{end, job_byte, write_byte};

/// The image's panic handler: it ends the run with a failure.
///
/// The runner looks for it in the image: where it is, something can panic.
#[macro_export]
macro_rules! panics_fail {
    () => {
        #[panic_handler]
        fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
            $crate::line::line("panic", &[]);
            $crate::end(false)
        }
    };
}

/// A panic handler that calls a function which does not exist: the image links only if nothing can panic.
#[macro_export]
macro_rules! panics_do_not_link {
    () => {
        #[panic_handler]
        fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
            unsafe extern "C" {
                safe fn a_panic_can_be_reached() -> !;
            }
            a_panic_can_be_reached()
        }
    };
}
