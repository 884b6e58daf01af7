//! EEPROM with pages on an I2C bus, over the caller's transfers.

use core::ffi::c_void;

use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{Error, ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation, SevenBitAddress};
use gapkeeper::memory::{AddressBytes, I2cEeprom, I2cEepromError, I2cEepromPart, SlotMemory};

use crate::memory::{GapkeeperMemory, GapkeeperMemoryAnswer, MemoryFailure, done};
use crate::pointer::Plain;
use crate::region::{Described, GapkeeperRegion, describe};
use crate::result::{GapkeeperResult, answer};

/// EEPROM with pages on an I2C bus, as its data sheet describes it. Its unit is a page.
///
/// The transfers answer `GAPKEEPER_MEMORY_ANSWER_DONE`, `GAPKEEPER_MEMORY_ANSWER_NO_ANSWER` where the part did not
/// acknowledge, as it does while it writes, or a number of their own from 16 on for another failure. Whatever it is, the
/// transfer is tried again, `polls` times.
#[derive(Clone, Copy)]
#[repr(C)]
pub struct GapkeeperI2cEeprom {
    /// Given to every function; may be null.
    pub context: *mut c_void,
    /// Start, device address for writing, `length` bytes, stop.
    pub write:
        Option<unsafe extern "C" fn(context: *mut c_void, device_address: u8, bytes: *const u8, length: usize) -> u8>,
    /// Start, device address for writing, `sent_length` bytes, start again, device address for reading, `length` bytes,
    /// stop.
    pub write_read: Option<
        unsafe extern "C" fn(
            context: *mut c_void,
            device_address: u8,
            sent: *const u8,
            sent_length: usize,
            bytes: *mut u8,
            length: usize,
        ) -> u8,
    >,
    /// Waits so long at least.
    pub delay_us: Option<unsafe extern "C" fn(context: *mut c_void, us: u32)>,
    /// Number of bytes.
    pub capacity: u32,
    /// Bytes written in one write cycle, a power of two up to 128.
    pub page_size: u32,
    /// Time before each further try of a transfer. Polls times this must exceed the longest write cycle.
    pub poll_interval_us: u32,
    /// Where the slots lie; a slot is whole pages, and the first page of the part is not available.
    pub region: GapkeeperRegion,
    /// How often a transfer that the part did not take is tried again, once or more.
    pub polls: u16,
    /// Seven-bit device address of the first block.
    pub device_address: u8,
    /// How many bytes of address the part takes, 1 or 2; the bits above stand in the lowest of the device address.
    pub address_bytes: u8,
}

// SAFETY: pointers, and functions that may be null, of which this crate trusts none before it is asked to; and integers.
unsafe impl Plain for GapkeeperI2cEeprom {}

/// The caller's bus, both functions there.
struct CallerBus {
    context: *mut c_void,
    write: unsafe extern "C" fn(*mut c_void, u8, *const u8, usize) -> u8,
    write_read: unsafe extern "C" fn(*mut c_void, u8, *const u8, usize, *mut u8, usize) -> u8,
}

/// The caller's delay.
struct CallerDelay {
    context: *mut c_void,
    delay_us: unsafe extern "C" fn(*mut c_void, u32),
}

impl Error for MemoryFailure {
    fn kind(&self) -> ErrorKind {
        if self.number() == GapkeeperMemoryAnswer::NoAnswer as u8 {
            ErrorKind::NoAcknowledge(NoAcknowledgeSource::Unknown)
        } else {
            ErrorKind::Other
        }
    }
}

impl ErrorType for CallerBus {
    type Error = MemoryFailure;
}

impl I2c for CallerBus {
    fn transaction(&mut self, address: SevenBitAddress, operations: &mut [Operation<'_>]) -> Result<(), MemoryFailure> {
        done(match operations {
            // SAFETY: the functions do what the header says, see `Described::with`; the bytes are there.
            [Operation::Write(bytes)] => unsafe { (self.write)(self.context, address, bytes.as_ptr(), bytes.len()) },
            // SAFETY: as above.
            [Operation::Write(sent), Operation::Read(bytes)] => unsafe {
                (self.write_read)(self.context, address, sent.as_ptr(), sent.len(), bytes.as_mut_ptr(), bytes.len())
            },
            // The core's adapter makes no other transfers.
            _ => GapkeeperMemoryAnswer::Misused as u8,
        })
    }
}

impl DelayNs for CallerDelay {
    fn delay_ns(&mut self, ns: u32) {
        self.delay_us(ns.div_ceil(1000));
    }

    fn delay_us(&mut self, us: u32) {
        // SAFETY: the function does what the header says, see `Described::with`.
        unsafe { (self.delay_us)(self.context, us) }
    }
}

impl From<I2cEepromError<MemoryFailure>> for MemoryFailure {
    fn from(error: I2cEepromError<MemoryFailure>) -> Self {
        match error {
            I2cEepromError::Bus(failure) => failure,
            _ => GapkeeperMemoryAnswer::Misused.into(),
        }
    }
}

impl Described for GapkeeperI2cEeprom {
    type Error = I2cEepromError<MemoryFailure>;

    unsafe fn with<T>(
        self,
        work: impl FnOnce(&mut dyn SlotMemory<Error = Self::Error>) -> T,
    ) -> Result<T, GapkeeperResult> {
        let (context, missing) = (self.context, GapkeeperResult::NullPointer);
        let (write, write_read) = (self.write.ok_or(missing)?, self.write_read.ok_or(missing)?);
        let delay_us = self.delay_us.ok_or(missing)?;
        let part = I2cEepromPart {
            device_address: self.device_address,
            capacity: self.capacity,
            page_size: self.page_size,
            address_bytes: match self.address_bytes {
                1 => AddressBytes::One,
                2 => AddressBytes::Two,
                _ => return Err(GapkeeperResult::UnknownKind),
            },
            polls: self.polls,
            poll_interval_us: self.poll_interval_us,
        };
        let (bus, delay) = (CallerBus { context, write, write_read }, CallerDelay { context, delay_us });
        Ok(work(&mut I2cEeprom::new(bus, delay, part, self.region.into())?))
    }
}

/// Makes a memory for `gapkeeper_load` and `gapkeeper_save` of an I2C EEPROM. The memory refers to `*eeprom`, which stays
/// where it is and as it is.
///
/// # Safety
/// `eeprom` is null or may be read, as long as the memory is used; its functions do what [`GapkeeperI2cEeprom`] says.
/// `memory` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_i2c_eeprom(
    eeprom: *const GapkeeperI2cEeprom,
    memory: *mut GapkeeperMemory,
) -> GapkeeperResult {
    // SAFETY: as the caller promises.
    answer(|| unsafe { describe(eeprom, memory) })
}
