//! A press button, free of bounce.

use embedded_hal::digital::InputPin;

use super::ActiveLevel;

/// What a finger did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Press {
    /// Pressed; with long presses asked for, pressed and let go again before it became a long one.
    Short,
    /// Held for the time of a long press. Said once, while it is still held.
    Long,
}

/// A button, polled with the time.
///
/// A change of the contact counts once it has been seen at every poll for the debounce time. A button that is held
/// at the first poll says nothing until it was let go. Times are milliseconds of any counter; it may wrap around.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PressButton<P> {
    pin: P,
    active: ActiveLevel,
    debounce_ms: u16,
    long_ms: Option<u16>,
    state: State,
    /// Since when the contact has been seen otherwise than the state says.
    differs_since_ms: Option<u32>,
}

/// What the button is known to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum State {
    /// Never polled.
    Unknown,
    Open,
    /// Held, and what there was to say about it is not yet said.
    Held {
        since_ms: u32,
    },
    /// Held, and everything is said.
    Spent,
}

impl<P: InputPin> PressButton<P> {
    /// A button that says [`Press::Short`] as soon as it is held for the debounce time; 10 to 30 ms suit most.
    pub const fn new(pin: P, active: ActiveLevel, debounce_ms: u16) -> Self {
        Self { pin, active, debounce_ms, long_ms: None, state: State::Unknown, differs_since_ms: None }
    }

    /// Asks for [`Press::Long`] as well, counted from the first contact. [`Press::Short`] is then said when the
    /// button is let go, because it may become a long one until then.
    #[must_use]
    pub const fn with_long_press(mut self, long_ms: u16) -> Self {
        self.long_ms = Some(long_ms);
        self
    }

    /// Reads the pin once, at the time given.
    ///
    /// # Errors
    /// The error of the pin; the poll then counts as not having happened.
    pub fn poll(&mut self, now_ms: u32) -> Result<Option<Press>, P::Error> {
        let pressed = self.active.is_active(&mut self.pin)?;
        let was_pressed = match self.state {
            State::Unknown => {
                self.state = if pressed { State::Spent } else { State::Open };
                return Ok(None);
            }
            State::Open => false,
            State::Held { .. } | State::Spent => true,
        };
        if pressed == was_pressed {
            self.differs_since_ms = None;
            return Ok(self.became_long(now_ms));
        }
        let since_ms = *self.differs_since_ms.get_or_insert(now_ms);
        if now_ms.wrapping_sub(since_ms) < self.debounce_ms.into() {
            return Ok(None);
        }
        self.differs_since_ms = None;
        if !pressed {
            // Held until the contact opened, however late that is seen.
            let said = match self.state {
                State::Held { .. } => self.became_long(since_ms).or(Some(Press::Short)),
                _ => None,
            };
            self.state = State::Open;
            return Ok(said);
        }
        if self.long_ms.is_none() {
            self.state = State::Spent;
            return Ok(Some(Press::Short));
        }
        self.state = State::Held { since_ms };
        Ok(self.became_long(now_ms))
    }

    /// Says a long press, once, when its time has come.
    fn became_long(&mut self, now_ms: u32) -> Option<Press> {
        match (self.state, self.long_ms) {
            (State::Held { since_ms }, Some(long_ms)) if now_ms.wrapping_sub(since_ms) >= long_ms.into() => {
                self.state = State::Spent;
                Some(Press::Long)
            }
            _ => None,
        }
    }

    /// Gives the pin back.
    pub fn release(self) -> P {
        self.pin
    }
}

#[cfg(test)]
mod tests {
    use super::super::test_pins::{fault, level, pin};
    use super::*;
    use embedded_hal_mock::eh1::digital::Mock;
    use std::vec::Vec;

    const DEBOUNCE_MS: u16 = 20;
    const LONG_MS: u16 = 800;

    /// Presses said, with the time since the first poll; polled each 5 ms, `1` is a closed contact.
    fn said(long_ms: Option<u16>, contact: &str) -> Vec<(u32, Press)> {
        let closed = || contact.bytes().map(|byte| byte == b'1');
        let mut all = Vec::new();
        // Both wirings and a counter that wraps around give the same.
        for (active, start_ms) in [(ActiveLevel::High, 0), (ActiveLevel::Low, u32::MAX - 12)] {
            let pin = pin(closed().map(|closed| closed == (active == ActiveLevel::High)));
            let mut button = PressButton::new(pin, active, DEBOUNCE_MS);
            if let Some(long_ms) = long_ms {
                button = button.with_long_press(long_ms);
            }
            let times_ms = (0..contact.len() as u32).map(|poll| 5 * poll);
            let said: Vec<_> =
                times_ms.filter_map(|ms| Some((ms, button.poll(start_ms.wrapping_add(ms)).unwrap()?))).collect();
            button.release().done();
            all.push(said);
        }
        assert_eq!(all[0], all[1]);
        all.swap_remove(0)
    }

    #[test]
    fn a_press_is_said_once_after_the_debounce_time() {
        assert_eq!(said(None, "0011111111110000000000"), [(30, Press::Short)]);
        assert_eq!(said(None, "0011111100000011111100000"), [(30, Press::Short), (90, Press::Short)]);
    }

    #[test]
    fn bounce_is_waited_out_at_both_ends() {
        // It closes for good at 35 ms; bounce while it is let go is no second press.
        assert_eq!(said(None, "001011011111111110100100000000"), [(55, Press::Short)]);
        // Shorter than the debounce time: a disturbance.
        assert_eq!(said(None, "00111100000111100000"), []);
        assert_eq!(said(None, &"01".repeat(100)), []);
        // A contact that opens for a moment is still held.
        assert_eq!(said(None, "01111111100111110011111111"), [(25, Press::Short)]);
    }

    #[test]
    fn a_long_press_is_said_while_held_and_a_short_one_when_let_go() {
        let held = |polls: usize| ["0", &"1".repeat(polls), "0000000"].concat();
        // Contact from 5 ms on. Let go at 55 ms, seen 20 ms later.
        assert_eq!(said(Some(LONG_MS), &held(10)), [(75, Press::Short)]);
        // 800 ms later is 805 ms, and nothing more is said then.
        assert_eq!(said(Some(LONG_MS), &held(400)), [(805, Press::Long)]);
        // Let go at 800 ms, before its time; and at 805 ms, where the contact was open at the poll that would say so.
        assert_eq!(said(Some(LONG_MS), &held(159)), [(820, Press::Short)]);
        assert_eq!(said(Some(LONG_MS), &held(160)), [(825, Press::Long)]);
        // A time no longer than the debounce time makes every press a long one.
        assert_eq!(said(Some(0), &held(10)), [(25, Press::Long)]);
    }

    #[test]
    fn a_button_held_at_the_start_says_nothing() {
        for long_ms in [None, Some(10)] {
            assert_eq!(said(long_ms, "111111111111111111110000000000"), []);
        }
        assert_eq!(said(None, "1111111000000011111111"), [(90, Press::Short)]);
    }

    #[test]
    fn without_debounce_time_every_change_counts_at_once() {
        let mut button = PressButton::new(pin([false, true, false, true]), ActiveLevel::High, 0);
        let said = [0, 1, 2, 3].map(|now_ms| button.poll(now_ms).unwrap());
        assert_eq!(said, [None, Some(Press::Short), None, Some(Press::Short)]);
        button.release().done();
    }

    #[test]
    fn errors_of_the_pin_are_passed_on_and_change_nothing() {
        let levels = [level(false), level(true), level(false).with_error(fault()), level(true)];
        let mut button = PressButton::new(Mock::new(&levels), ActiveLevel::High, DEBOUNCE_MS);
        assert_eq!(button.poll(0), Ok(None));
        assert_eq!(button.poll(10), Ok(None));
        assert_eq!(button.poll(20), Err(fault()));
        assert_eq!(button.poll(30), Ok(Some(Press::Short)));
        button.release().done();
    }
}
