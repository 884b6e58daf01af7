//! Contacts behind input pins.

use core::cell::Cell;
use core::fmt;

use embedded_hal::digital::{Error, ErrorKind, ErrorType, InputPin};

use super::{Clock, Contact};

/// The error of a [`FailingPin`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PinFault;

impl fmt::Display for PinFault {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("the pin does not answer")
    }
}

impl core::error::Error for PinFault {}

impl Error for PinFault {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

/// A contact to ground with a pull-up resistor: low while it is closed.
#[derive(Clone, Copy, Debug)]
pub struct ContactPin<'a, C> {
    clock: &'a Clock,
    contact: C,
}

impl<'a, C: Contact> ContactPin<'a, C> {
    /// A pin that reads the contact at the time of the clock.
    pub const fn new(clock: &'a Clock, contact: C) -> Self {
        Self { clock, contact }
    }
}

impl<C> ErrorType for ContactPin<'_, C> {
    type Error = PinFault;
}

impl<C: Contact> InputPin for ContactPin<'_, C> {
    fn is_high(&mut self) -> Result<bool, PinFault> {
        Ok(!self.contact.is_closed(self.clock.now_us()))
    }

    fn is_low(&mut self) -> Result<bool, PinFault> {
        self.is_high().map(|is_high| !is_high)
    }
}

/// A pin that answers with an error as long as it is told to.
#[derive(Clone, Debug)]
pub struct FailingPin<'a, P> {
    pin: P,
    is_failing: &'a Cell<bool>,
}

impl<'a, P> FailingPin<'a, P> {
    /// A pin that fails while the cell holds true.
    pub const fn new(pin: P, is_failing: &'a Cell<bool>) -> Self {
        Self { pin, is_failing }
    }

    fn check(&self) -> Result<(), PinFault> {
        if self.is_failing.get() { Err(PinFault) } else { Ok(()) }
    }
}

impl<P> ErrorType for FailingPin<'_, P> {
    type Error = PinFault;
}

impl<P: InputPin<Error = PinFault>> InputPin for FailingPin<'_, P> {
    fn is_high(&mut self) -> Result<bool, PinFault> {
        self.check()?;
        self.pin.is_high()
    }

    fn is_low(&mut self) -> Result<bool, PinFault> {
        self.check()?;
        self.pin.is_low()
    }
}

/// A pin that counts how often it is read.
#[derive(Clone, Debug)]
pub struct CountingPin<'a, P> {
    pin: P,
    reads: &'a Cell<u32>,
}

impl<'a, P> CountingPin<'a, P> {
    /// A pin that adds its reads to the cell.
    pub const fn new(pin: P, reads: &'a Cell<u32>) -> Self {
        Self { pin, reads }
    }
}

impl<P: ErrorType> ErrorType for CountingPin<'_, P> {
    type Error = P::Error;
}

impl<P: InputPin> InputPin for CountingPin<'_, P> {
    fn is_high(&mut self) -> Result<bool, P::Error> {
        self.reads.set(self.reads.get() + 1);
        self.pin.is_high()
    }

    fn is_low(&mut self) -> Result<bool, P::Error> {
        self.reads.set(self.reads.get() + 1);
        self.pin.is_low()
    }
}
