//! What a panic does on a target without `std`. The core has none that can be reached.

use core::panic::PanicInfo;

#[cfg(not(feature = "panics-do-not-link"))]
#[panic_handler]
fn panic(_info: &PanicInfo<'_>) -> ! {
    // Nothing is known of this machine: stand still and leave the rest to its watchdog.
    loop {
        core::hint::spin_loop();
    }
}

#[cfg(feature = "panics-do-not-link")]
#[panic_handler]
fn panic(_info: &PanicInfo<'_>) -> ! {
    unsafe extern "C" {
        fn gapkeeper_a_panic_can_be_reached() -> !;
    }
    // SAFETY: the function does not exist, so this never becomes part of a program.
    unsafe { gapkeeper_a_panic_can_be_reached() }
}
