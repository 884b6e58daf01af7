//! What a hand turns and presses, and the limit switch, over the input pins of `embedded-hal` 1.0.
//!
//! | part | polled | reports | pin reads a poll |
//! |---|---|---|---|
//! | [`Knob`] | each millisecond | detents turned, and when some were lost | 2 |
//! | [`PressButton`] | each 10 ms or more often | a short or a long press | 1 |
//! | [`LimitSwitch`] | each 10 ms or more often | its level: at the first poll and at each change | 1 |
//! | [`Panel`] | each millisecond | all of them, and the error of each pin | 4 |
//! | [`EventQueue`] | by the main loop, whenever it has time | the same as events, the switch first | none |
//!
//! None of them has a clock or an interrupt of its own. Pins are taken by value and given back by `release`. Each poll
//! takes the time in milliseconds, which may wrap around. The pins are read within the millisecond that it names.
//! It must be a clock that goes on while nothing polls: a count of timer interrupts stands still while interrupts are
//! off, and hides the very stall that a part has to know of.
//!
//! # In a loop
//! ```
//! use core::num::NonZeroU8;
//! use embedded_hal::digital::InputPin;
//! use gapkeeper::panel::{
//!     ActiveLevel, DetentsPerCycle, EventQueue, Knob, LimitSwitch, Panel, PanelEvent, Press, PressButton,
//! };
//!
//! fn run<P: InputPin>(pins: [P; 4], mut milliseconds: impl Iterator<Item = u32>) {
//!     let [a, b, button, switch] = pins;
//!     let mut panel = Panel::new(
//!         Knob::new(a, b, DetentsPerCycle::One, NonZeroU8::MIN.saturating_add(1)),
//!         PressButton::new(button, ActiveLevel::Low, 20).with_long_press(800),
//!         LimitSwitch::new(switch, ActiveLevel::High, 20),
//!     );
//!     let events = EventQueue::new();
//!     for now_ms in milliseconds {
//!         events.put(&panel.poll(now_ms));
//!         while let Some(event) = events.take() {
//!             match event {
//!                 PanelEvent::LimitSwitch { is_tripped } => { /* stop first, then tell the survey */ }
//!                 PanelEvent::Pressed(Press::Long) => { /* abort */ }
//!                 PanelEvent::Pressed(Press::Short) => { /* yes */ }
//!                 PanelEvent::Pressed(Press::HeldBackwards) => { /* back, or no */ }
//!                 PanelEvent::Pressed(Press::HeldForwards) => { /* enough */ }
//!                 PanelEvent::Turned { detents } => { /* detents, up if positive */ }
//!                 PanelEvent::Lost => { /* show that not every click was counted */ }
//!                 PanelEvent::PinFailed => { /* show which: the errors stand in what `poll` returned */ }
//!             }
//!         }
//!     }
//! }
//! ```
//!
//! # In a timer interrupt
//! The queue is a `static`; the interrupt owns the panel, the main loop takes the events. Whatever keeps the main loop
//! busy, a save for example, knob, button and switch are read meanwhile. See [`EventQueue`].

use embedded_hal::digital::InputPin;

mod event_queue;
mod front;
mod knob;
mod limit_switch;
mod press;

pub use event_queue::{EventQueue, PanelEvent};
pub use front::{Panel, PanelPoll, PinErrors};
pub use knob::{DetentsPerCycle, Knob};
pub use limit_switch::LimitSwitch;
pub use press::{Press, PressButton};

/// Of the time between two polls, no more than this counts as watched by button and switch, in milliseconds.
///
/// What happened in the rest of a longer pause is not known: it makes no press long and no switch free.
pub const WATCHED_MS: u16 = 10;

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

/// Measures how long a contact was watched.
#[derive(Clone, Debug, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Watch {
    last_ms: Option<u32>,
}

impl Watch {
    /// Watched time since the last call: none at the first, [`WATCHED_MS`] at the most.
    fn since_last_ms(&mut self, now_ms: u32) -> u16 {
        let elapsed_ms = self.last_ms.replace(now_ms).map_or(0, |last_ms| now_ms.wrapping_sub(last_ms));
        u16::try_from(elapsed_ms).unwrap_or(u16::MAX).min(WATCHED_MS)
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
