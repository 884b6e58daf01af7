//! Memories of which nothing is known: every call ends where the hardware would begin.

use core::hint::black_box;

use embedded_hal::delay::DelayNs;
use embedded_hal::i2c::{ErrorKind, ErrorType, I2c, Operation};
use embedded_storage::nor_flash::{self, NorFlash, NorFlashErrorKind, ReadNorFlash};
use gapkeeper::memory::ByteMemory;

/// Where the hardware would begin.
pub struct Wires;

impl ByteMemory for Wires {
    type Error = u8;

    fn capacity(&self) -> u32 {
        black_box(4096)
    }

    fn read_byte(&mut self, address: u32) -> Result<u8, u8> {
        black_box(Ok(address as u8))
    }

    fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), u8> {
        black_box((address, byte));
        black_box(Ok(()))
    }
}

impl ErrorType for Wires {
    type Error = ErrorKind;
}

impl I2c for Wires {
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), ErrorKind> {
        black_box((address, operations));
        black_box(Ok(()))
    }
}

impl DelayNs for Wires {
    fn delay_ns(&mut self, ns: u32) {
        black_box(ns);
    }
}

impl nor_flash::ErrorType for Wires {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for Wires {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        black_box((offset, bytes));
        black_box(Ok(()))
    }

    fn capacity(&self) -> usize {
        black_box(16_384)
    }
}

impl NorFlash for Wires {
    const WRITE_SIZE: usize = 8;
    const ERASE_SIZE: usize = 2048;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        black_box((from, to));
        black_box(Ok(()))
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        black_box((offset, bytes));
        black_box(Ok(()))
    }
}
