//! ATmega2560 in simavr: UART 0 out, timers 1 and 3 to count. Start-up is avr-gcc's.

use core::arch::asm;

unsafe extern "C" {
    fn board_main();
    /// Where avr-libc's memory allocation would begin: the end of all data.
    #[link_name = "__heap_start"]
    static END_OF_DATA: u8;
}

const UCSR0A: *mut u8 = 0xC0 as *mut u8;
const UCSR0B: *mut u8 = 0xC1 as *mut u8;
const UDR0: *mut u8 = 0xC6 as *mut u8;
const TCCR1B: *mut u8 = 0x81 as *mut u8;
const TCNT1: *mut u16 = 0x84 as *mut u16;
const TCCR3B: *mut u8 = 0x91 as *mut u8;
const TCNT3: *mut u16 = 0x94 as *mut u16;
const STACK_POINTER: *const u16 = 0x5D as *const u16;

/// Where avr-gcc's start-up code goes on.
#[unsafe(no_mangle)]
extern "C" fn main() -> ! {
    // SAFETY: each image defines it.
    unsafe {
        UCSR0B.write_volatile(1 << 3);
        board_main();
    }
    end(true)
}

/// Writes one byte of text.
pub fn write_byte(byte: u8) {
    // SAFETY: UART 0, which nothing else uses; bit 5 says that it takes the next byte.
    unsafe {
        while UCSR0A.read_volatile() & 1 << 5 == 0 {}
        UDR0.write_volatile(byte);
    }
}

/// The job in flash memory, as the build script left it.
#[unsafe(link_section = ".progmem.data")]
static JOB: [u8; include_bytes!(concat!(env!("OUT_DIR"), "/job.gcode")).len()] =
    *include_bytes!(concat!(env!("OUT_DIR"), "/job.gcode"));

// `lpm` reaches the lower 64 KiB, where the linker puts such data behind little else.
const _: () = assert!(JOB.len() < 48 * 1024, "the job is too long for the lower flash memory");

/// One byte of the job, if it is so long.
pub fn job_byte(index: u32) -> Option<u8> {
    if index >= JOB.len() as u32 {
        return None;
    }
    let address = (&raw const JOB) as u16 + index as u16;
    let byte;
    // SAFETY: reads flash memory, which nothing changes.
    unsafe { asm!("lpm {}, Z", out(reg) byte, in("Z") address, options(nostack, readonly)) };
    Some(byte)
}

/// Ends the run: without interrupts nothing wakes the chip again.
pub fn end(well: bool) -> ! {
    crate::line::line(if well { "end" } else { "failed" }, &[]);
    // SAFETY: stops the processor.
    unsafe { asm!("cli", "sleep") };
    loop {}
}

/// Timer 1 counts cycles and timer 3 every 64th; both run for ever, for stopped timers read 0 in simavr.
fn timers() -> (u16, u16) {
    // SAFETY: two timers that nothing else uses.
    unsafe { (TCNT1.read_volatile(), TCNT3.read_volatile()) }
}

pub(crate) fn begin_count() -> u32 {
    // SAFETY: as above.
    unsafe {
        TCCR3B.write_volatile(3);
        TCCR1B.write_volatile(1);
    }
    let (fine, coarse) = timers();
    u32::from(fine) << 16 | u32::from(coarse)
}

pub(crate) fn end_count(begun: u32) -> u32 {
    let (fine, coarse) = timers();
    let fine = u32::from(fine.wrapping_sub((begun >> 16) as u16));
    let coarse = u32::from(coarse.wrapping_sub(begun as u16));
    // The number of times that timer 1 went round is what brings it nearest to timer 3.
    let rounds = (coarse * 64).wrapping_sub(fine).wrapping_add(0x8000) >> 16;
    rounds << 16 | fine
}

#[inline(always)]
pub(crate) fn stack_pointer() -> usize {
    // SAFETY: reads a register, which no interrupt changes.
    unsafe { STACK_POINTER.read_volatile() as usize }
}

pub(crate) fn stack_lowest() -> usize {
    (&raw const END_OF_DATA) as usize
}
