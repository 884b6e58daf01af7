//! Knob, button and limit switch of one machine, polled together.

use embedded_hal::digital::InputPin;

use super::{Knob, LimitSwitch, Press, PressButton};

/// Knob, button and limit switch of one machine.
///
/// Where the button has long presses, it can be held and the knob turned: the second detent reports
/// [`Press::HeldForwards`] or [`Press::HeldBackwards`], and that press is then neither a short nor a long one. What is turned
/// while it is held moves nothing.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Panel<A, B, P, L> {
    knob: Knob<A, B>,
    button: PressButton<P>,
    limit_switch: LimitSwitch<L>,
    /// Detents turned while the button is held.
    held_detents: i16,
}

/// So many detents while the button is held are meant so: one may come of the pressing itself.
const HELD_DETENTS: u16 = 2;

/// What one poll found. Nothing hides anything else; [`EventQueue::put`](super::EventQueue::put) puts it in order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PanelPoll<E> {
    /// The level of the limit switch, if it is to be told: at the first poll and at each change; true for tripped.
    pub limit_switch: Option<bool>,
    /// Detents turned, negative for backwards; while a button with long presses is held, none.
    pub detents: i16,
    /// Detents were lost: the knob was turned faster than it was polled.
    pub is_lost: bool,
    /// The knob was not watched: this poll came too late after the one before.
    pub is_stalled: bool,
    /// What the button reports.
    pub press: Option<Press>,
    /// Errors of the pins.
    pub errors: PinErrors<E>,
}

/// Errors of pins, each beside what the other parts found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PinErrors<E> {
    /// Of the knob, which then counts nothing.
    pub knob: Option<E>,
    /// Of the button, which then reports nothing.
    pub button: Option<E>,
    /// Of the limit switch, which then counts as tripped.
    pub limit_switch: Option<E>,
}

impl<E> PinErrors<E> {
    /// Whether any pin failed.
    pub const fn any(&self) -> bool {
        self.knob.is_some() || self.button.is_some() || self.limit_switch.is_some()
    }
}

impl<E, A, B, P, L> Panel<A, B, P, L>
where
    A: InputPin<Error = E>,
    B: InputPin<Error = E>,
    P: InputPin<Error = E>,
    L: InputPin<Error = E>,
{
    /// A panel from its parts.
    pub const fn new(knob: Knob<A, B>, button: PressButton<P>, limit_switch: LimitSwitch<L>) -> Self {
        Self { knob, button, limit_switch, held_detents: 0 }
    }

    /// Polls all three parts at the time given, whatever errors their pins have. Reads four pins.
    pub fn poll(&mut self, now_ms: u32) -> PanelPoll<E> {
        let limit_switch = self.limit_switch.poll(now_ms);
        let (lost, stalls) = (self.knob.lost(), self.knob.stalls());
        let (detents, knob_error) = match self.knob.poll(now_ms) {
            Ok(detents) => (detents, None),
            Err(error) => (0, Some(error)),
        };
        let (press, button_error) = match self.button.poll(now_ms) {
            Ok(press) => (press, None),
            Err(error) => (None, Some(error)),
        };
        let (detents, held) = self.while_held(detents);
        let press = press.or(held);
        PanelPoll {
            limit_switch: self.limit_switch.take_change(),
            detents,
            is_lost: self.knob.lost() != lost,
            is_stalled: self.knob.stalls() != stalls,
            press,
            errors: PinErrors { knob: knob_error, button: button_error, limit_switch: limit_switch.err() },
        }
    }

    /// Detents that count, and what those say that were turned while the button is held.
    fn while_held(&mut self, detents: i16) -> (i16, Option<Press>) {
        let is_enough = |detents: i16| detents.unsigned_abs() >= HELD_DETENTS;
        if is_enough(self.held_detents) && self.button.is_held() {
            // Said already.
            return (0, None);
        }
        if !self.button.is_open() {
            self.held_detents = 0;
            return (detents, None);
        }
        self.held_detents = self.held_detents.saturating_add(detents);
        if !is_enough(self.held_detents) {
            return (0, None);
        }
        self.button.close();
        (0, Some(if self.held_detents > 0 { Press::HeldForwards } else { Press::HeldBackwards }))
    }

    /// The knob, and what it has lost so far.
    pub const fn knob(&self) -> &Knob<A, B> {
        &self.knob
    }

    /// Whether the limit switch counts as tripped: so it does before the first poll.
    pub const fn is_tripped(&self) -> bool {
        self.limit_switch.is_tripped()
    }

    /// Gives the parts back.
    pub fn release(self) -> (Knob<A, B>, PressButton<P>, LimitSwitch<L>) {
        (self.knob, self.button, self.limit_switch)
    }
}
