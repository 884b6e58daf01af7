//! Cortex-M on the MPS2 boards: semihosting out, `SysTick` to count.

use core::arch::{asm, global_asm};

unsafe extern "C" {
    fn board_main();
    /// From the linker script: the end of all data.
    #[link_name = "stack_lowest"]
    static END_OF_DATA: u8;
}

// The first two vectors are the stack and the start; every fault ends the run.
global_asm!(
    ".section .vectors, \"a\", %progbits",
    ".word stack_top",
    ".word reset",
    ".rept 14",
    ".word {fault}",
    ".endr",
    ".text",
    ".global reset",
    ".thumb_func",
    "reset:",
    "bl {start}",
    fault = sym fault,
    start = sym start,
);

extern "C" fn start() -> ! {
    #[cfg(target_abi = "eabihf")]
    // SAFETY: CPACR, the register that switches the floating-point unit on, before anything uses it.
    unsafe {
        let cpacr = 0xE000_ED88 as *mut u32;
        cpacr.write_volatile(cpacr.read_volatile() | 0xF << 20);
        asm!("dsb", "isb");
    }
    // SAFETY: each image defines it.
    unsafe { board_main() };
    end(true)
}

extern "C" fn fault() -> ! {
    end(false)
}

/// One call of the debugger that QEMU is.
fn semihosting(operation: u32, argument: u32) {
    // SAFETY: the semihosting call of the Arm architecture; it changes r0 only.
    unsafe { asm!("bkpt 0xAB", inout("r0") operation => _, in("r1") argument) };
}

/// Writes one byte of text.
pub fn write_byte(byte: u8) {
    const SYS_WRITEC: u32 = 3;
    semihosting(SYS_WRITEC, (&raw const byte) as u32);
}

/// Where the runner has QEMU load a job, followed by zeros.
const JOB: usize = 0x2100_0000;

/// One byte of the job, if it is so long.
pub fn job_byte(index: u32) -> Option<u8> {
    // SAFETY: memory that nothing else uses, 16 MiB of it.
    let byte = unsafe { ((JOB + index as usize) as *const u8).read_volatile() };
    (byte != 0).then_some(byte)
}

/// Ends the run.
pub fn end(well: bool) -> ! {
    const SYS_EXIT: u32 = 0x18;
    const APPLICATION_EXIT: u32 = 0x2_0026;
    const RUN_TIME_ERROR: u32 = 0x2_0023;
    semihosting(SYS_EXIT, if well { APPLICATION_EXIT } else { RUN_TIME_ERROR });
    loop {}
}

const CONTROL: *mut u32 = 0xE000_E010 as *mut u32;
const RELOAD: *mut u32 = 0xE000_E014 as *mut u32;
const CURRENT: *mut u32 = 0xE000_E018 as *mut u32;

pub(crate) fn begin_count() -> u32 {
    // SAFETY: SysTick, which nothing else uses: 24 bits, downwards, at the processor's 25 MHz.
    unsafe {
        RELOAD.write_volatile(0xFF_FFFF);
        CURRENT.write_volatile(0);
        CONTROL.write_volatile(5);
        CURRENT.read_volatile()
    }
}

/// Instructions: `-icount shift=6` makes one of them 64 ns, and one tick is 40 ns.
pub(crate) fn end_count(begun: u32) -> u32 {
    // SAFETY: as above.
    let ticks = begun.wrapping_sub(unsafe { CURRENT.read_volatile() }) & 0xFF_FFFF;
    (u64::from(ticks) * 40 / 64) as u32
}

#[inline(always)]
pub(crate) fn stack_pointer() -> usize {
    let pointer;
    // SAFETY: reads a register.
    unsafe { asm!("mov {}, sp", out(reg) pointer) };
    pointer
}

pub(crate) fn stack_lowest() -> usize {
    (&raw const END_OF_DATA) as usize
}
