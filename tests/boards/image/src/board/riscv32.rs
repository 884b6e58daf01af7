//! RV32IMC on QEMU's virt board: a UART out, `minstret` to count.

use core::arch::{asm, global_asm};

unsafe extern "C" {
    fn board_main();
    /// From the linker script: the end of all data.
    #[link_name = "stack_lowest"]
    static END_OF_DATA: u8;
}

global_asm!(
    ".section .reset, \"ax\"",
    ".global reset",
    "reset:",
    "la sp, stack_top",
    "la t0, {fault}",
    "csrw mtvec, t0",
    "call {start}",
    fault = sym fault,
    start = sym start,
);

extern "C" fn start() -> ! {
    // SAFETY: each image defines it.
    unsafe { board_main() };
    end(true)
}

extern "C" fn fault() -> ! {
    end(false)
}

/// Writes one byte of text.
pub fn write_byte(byte: u8) {
    // SAFETY: the board's UART, which QEMU never lets wait.
    unsafe { (0x1000_0000 as *mut u8).write_volatile(byte) };
}

/// Where the runner has QEMU load a job, followed by zeros.
const JOB: usize = 0x8100_0000;

/// One byte of the job, if it is so long.
pub fn job_byte(index: u32) -> Option<u8> {
    // SAFETY: memory that nothing else uses, 16 MiB of it.
    let byte = unsafe { ((JOB + index as usize) as *const u8).read_volatile() };
    (byte != 0).then_some(byte)
}

/// Ends the run.
pub fn end(well: bool) -> ! {
    // SAFETY: the board's test device; either word ends QEMU, the second with exit code 1.
    unsafe { (0x10_0000 as *mut u32).write_volatile(if well { 0x5555 } else { 0x1_3333 }) };
    loop {}
}

pub(crate) fn begin_count() -> u32 {
    let retired;
    // SAFETY: reads a counter.
    unsafe { asm!("csrr {}, minstret", out(reg) retired) };
    retired
}

pub(crate) fn end_count(begun: u32) -> u32 {
    begin_count().wrapping_sub(begun)
}

#[inline(always)]
pub(crate) fn stack_pointer() -> usize {
    let pointer;
    // SAFETY: reads a register.
    unsafe { asm!("mv {}, sp", out(reg) pointer) };
    pointer
}

pub(crate) fn stack_lowest() -> usize {
    (&raw const END_OF_DATA) as usize
}
