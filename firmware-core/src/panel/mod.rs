//! What a hand turns and presses, and the limit switch, over the input pins of `embedded-hal` 1.0.
//!
//! | part | polled | says |
//! |---|---|---|
//! | [`Knob`] | each millisecond or more often | detents turned |
//! | [`PressButton`] | each few milliseconds, with the time | a short or a long press |
//! | [`LimitSwitch`] | at an even pace | a trip, latched until it is read |
//!
//! None of them has a clock or an interrupt of its own; pins are taken by value, and given back by `release`. An error
//! of a pin is passed on, and leaves the part as it was.

use embedded_hal::digital::InputPin;

mod knob;
mod limit_switch;
mod press;

pub use knob::{DetentsPerCycle, Knob};
pub use limit_switch::LimitSwitch;
pub use press::{Press, PressButton};

/// The level of a pin while its contact is pressed or tripped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ActiveLevel {
    /// A contact to ground, with a pull-up resistor. For a limit switch: normally open.
    Low,
    /// A contact to the supply, or one to ground that opens when it is tripped; a broken wire then trips as well.
    High,
}

impl ActiveLevel {
    fn is_active<P: InputPin>(self, pin: &mut P) -> Result<bool, P::Error> {
        match self {
            Self::Low => pin.is_low(),
            Self::High => pin.is_high(),
        }
    }
}

#[cfg(test)]
mod test_pins {
    //! Pins that play levels from a list.

    use embedded_hal_mock::eh1::MockError;
    use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};
    use std::io::ErrorKind;
    use std::vec::Vec;

    pub(super) fn level(high: bool) -> Transaction {
        Transaction::get(if high { State::High } else { State::Low })
    }

    pub(super) fn pin(levels: impl IntoIterator<Item = bool>) -> Mock {
        Mock::new(&levels.into_iter().map(level).collect::<Vec<_>>())
    }

    pub(super) fn fault() -> MockError {
        MockError::Io(ErrorKind::NotConnected)
    }
}
