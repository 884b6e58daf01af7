//! Time as the doubles count it.

use std::cell::Cell;
use std::rc::Rc;

use embedded_hal::delay::DelayNs;

/// A clock that only accesses and waits move on; its clones show the same time.
#[derive(Clone, Debug, Default)]
pub struct Clock(Rc<Cell<u64>>);

impl Clock {
    /// Time since power came.
    pub fn now_ns(&self) -> u64 {
        self.0.get()
    }

    /// Time passes.
    pub fn pass_ns(&self, ns: u64) {
        self.0.set(self.0.get() + ns);
    }
}

impl DelayNs for Clock {
    fn delay_ns(&mut self, ns: u32) {
        self.pass_ns(ns.into());
    }
}

/// How long a part takes, as its data sheet says; not every part does everything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PartTimes {
    /// One bit on an I2C bus.
    pub bit_ns: u64,
    /// Writing a page, or a byte where bytes are written.
    pub write_ns: u64,
    /// Erasing one unit.
    pub erase_ns: u64,
    /// Programming, for each order.
    pub program_order_ns: u64,
    /// Programming, for each unit besides.
    pub program_unit_ns: u64,
}

impl PartTimes {
    /// EEPROM on a bus of 100 kHz, write cycle of 5 ms, the usual maximum.
    pub const I2C_100_KHZ: Self = Self { bit_ns: 10_000, write_ns: 5_000_000, ..Self::NONE };
    /// The same at 400 kHz.
    pub const I2C_400_KHZ: Self = Self { bit_ns: 2_500, ..Self::I2C_100_KHZ };
    /// EEPROM inside a controller of 8 bits, erase and write of one byte. From memory: check the part's data sheet.
    pub const BYTE_EEPROM: Self = Self { write_ns: 3_400_000, ..Self::NONE };
    /// Flash inside a controller with small pages: 40 ms to erase one, 0.1 ms for 8 bytes. From memory: check the part's
    /// data sheet.
    pub const SMALL_PAGES: Self = Self { erase_ns: 40_000_000, program_unit_ns: 100_000, ..Self::NONE };
    /// Flash on a serial bus: 400 ms at worst to erase 4 KiB, 3 ms to program up to 256 bytes. From memory: check the
    /// part's data sheet.
    pub const SERIAL_FLASH: Self = Self { erase_ns: 400_000_000, program_order_ns: 3_000_000, ..Self::NONE };
    /// Flash inside a controller with sectors of 128 KiB: 4 s at worst to erase one, 0.1 ms for a unit. From memory:
    /// check the part's data sheet.
    pub const LARGE_SECTORS: Self = Self { erase_ns: 4_000_000_000, program_unit_ns: 100_000, ..Self::NONE };

    const NONE: Self = Self { bit_ns: 0, write_ns: 0, erase_ns: 0, program_order_ns: 0, program_unit_ns: 0 };
}
