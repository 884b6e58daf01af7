//! Doubles of what a hand turns and presses, and of the limit switch, for the input pins of `embedded-hal` 1.0.
//!
//! | double | stands for |
//! |---|---|
//! | [`Encoder`] | a quadrature knob whose contacts bounce, chatter, or read anything while the supply rises |
//! | [`WornButton`] | a button that bounces at both ends and opens for moments while it is held |
//! | [`BrokenWire`] | a wire to any contact that is open for good or from time to time |
//! | [`FailingPin`] | a pin that answers with an error, one on a port expander for example |
//! | [`CountingPin`] | a pin that counts how often it is read |
//!
//! Each contact is a function of time; nothing depends on when it is looked at. A [`Clock`] is the time of all of them,
//! and a [`ContactPin`] puts a contact with its pull-up resistor behind a pin:
//!
//! ```
//! use embedded_hal::digital::InputPin;
//! use gapkeeper_tests::hands::{Clock, ContactPin, WornButton};
//!
//! let clock = Clock::new();
//! // Held from 10 to 60 ms, with 2 ms of bounce.
//! let button = WornButton::new(2_000, 1).press(10_000, 60_000);
//! let mut pin = ContactPin::new(&clock, &button);
//! assert!(pin.is_high()?, "open: the resistor pulls it up");
//! clock.advance_us(30_000);
//! assert!(pin.is_low()?);
//! # Ok::<(), gapkeeper_tests::hands::PinFault>(())
//! ```

mod button;
mod encoder;
mod pins;
mod wire;

pub use button::WornButton;
pub use encoder::{Encoder, EncoderContact};
pub use pins::{ContactPin, CountingPin, FailingPin, PinFault};
pub use wire::BrokenWire;

use core::cell::Cell;

use crate::media::Random;

/// The time of all doubles.
#[derive(Debug, Default)]
pub struct Clock {
    us: Cell<u64>,
}

impl Clock {
    /// A clock at 0.
    pub const fn new() -> Self {
        Self { us: Cell::new(0) }
    }

    /// Microseconds since the start.
    pub fn now_us(&self) -> u64 {
        self.us.get()
    }

    /// Whole milliseconds as a controller counts them; they wrap around.
    pub fn now_ms(&self) -> u32 {
        (self.us.get() / 1_000) as u32
    }

    /// Lets time pass.
    pub fn advance_us(&self, us: u64) {
        self.us.set(self.us.get() + us);
    }
}

/// Something that is open or closed at any time.
pub trait Contact {
    /// Whether it is closed at this time.
    fn is_closed(&self, at_us: u64) -> bool;
}

impl<C: Contact> Contact for &C {
    fn is_closed(&self, at_us: u64) -> bool {
        C::is_closed(self, at_us)
    }
}

/// So long a contact stays open or closed at the least while it bounces.
const SLOT_US: u64 = 50;

/// A level that changes by chance, the same each time it is asked for.
fn flicker(seed: u64, at_us: u64) -> bool {
    Random(seed ^ (at_us / SLOT_US).wrapping_mul(0xD6E8_FEB8_6659_FD93)).draw() & 1 == 1
}
