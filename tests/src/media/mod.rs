//! Doubles of persistent memories that lose power, forget, wear out and fail.
//!
//! | double | stands for | adapter of the core |
//! |---|---|---|
//! | [`ByteChip`] | EEPROM written byte by byte | `ByteEeprom` |
//! | [`I2cChip`] | I2C EEPROM with pages, wrap-around inside a page, a busy time without acknowledge | `I2cEeprom` |
//! | [`NorChip`] | NOR flash with erase units and program units, each programmed once, unreadable when torn | `NorFlashSlots` |
//!
//! Each is raw [`Cells`] with a [`Bus`] in front. Power is cut at any step of a write or an erase ([`Cut`]), at any
//! place inside it, and leaves the cell under the pen in one of the states of [`Torn`]. Then the chip answers nothing;
//! only its cells go on, into a new chip. A chip also counts the time that a part with its [`PartTimes`] takes.

mod bus;
mod byte_chip;
mod cells;
mod clock;
mod i2c_chip;
mod nor_chip;

pub use bus::{Bus, Counts, Failing, Fault, Lie, Worn};
pub use byte_chip::ByteChip;
pub use cells::{Cells, Cut, Deed, Place, Step, Torn};
pub use clock::{Clock, PartTimes};
pub use i2c_chip::I2cChip;
pub use nor_chip::NorChip;

use core::fmt::Debug;

use gapkeeper::memory::SlotMemory;

/// A memory chip with slots for the setup and one grid of up to 9 nodes.
pub trait Medium: Clone {
    /// One letter, for replay codes.
    const LETTER: char;

    /// A chip with these cells: what a start finds.
    fn with_cells(cells: Cells) -> Self;

    /// A chip as it is delivered.
    fn blank() -> Self;

    /// The chip's bus.
    fn bus(&mut self) -> &mut Bus;

    /// The slots on it, through the core's adapter.
    fn slots(&mut self) -> impl SlotMemory<Error: Debug> + '_;

    /// First address and size of the slots.
    fn region() -> gapkeeper::memory::Region;

    /// States in which this medium may leave a cell.
    fn torn_states() -> &'static [Torn] {
        &Torn::ALL
    }
}

/// A small generator of numbers (splitmix64), the same everywhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Random(pub u64);

impl Random {
    /// The next number.
    pub fn draw(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ mixed >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ mixed >> 31
    }

    /// A number below `end`.
    pub fn below(&mut self, end: usize) -> usize {
        // The remainder's bias does not matter here.
        (self.draw() % end.max(1) as u64) as usize
    }
}
