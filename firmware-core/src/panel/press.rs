//! A press button, free of bounce.

use embedded_hal::digital::InputPin;

use super::{ActiveLevel, Watch};

/// What a finger did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Press {
    /// Pressed; with long presses asked for, pressed and let go again before it became a long one.
    Short,
    /// Held for the time of a long press. Reported once, while it is still held.
    Long,
    /// Held, and the knob turned forwards meanwhile: of a [`Panel`](super::Panel) only, once for each time it is held.
    HeldForwards,
    /// The same backwards.
    HeldBackwards,
}

/// A button, polled with the time.
///
/// - A change of the contact counts once it was seen at each poll for the debounce time; 0 believes each poll.
/// - Nothing counts before the button was seen released for the debounce time: a button that is held when the machine
///   is switched on reports nothing until it was let go and pressed again.
/// - A long press is watched. Of the time between two polls no more than [`WATCHED_MS`](super::WATCHED_MS) counts, for
///   it as for the debounce time, and only if the contact is closed at both. However long the loop stalls, a long press
///   of `long_ms` takes `long_ms / WATCHED_MS` polls that find it closed, and no stable release in between. Polled
///   more seldom than that, both times take accordingly longer; a short press may be missed.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PressButton<P> {
    pin: P,
    active: ActiveLevel,
    debounce_ms: u16,
    long_ms: Option<u16>,
    watch: Watch,
    is_pressed: bool,
    /// There is nothing more to report of the press that lasts.
    is_reported: bool,
    /// For how long the press was watched.
    held_ms: u16,
    /// For how long the contact was watched to be otherwise than `is_pressed`.
    differs_ms: Option<u16>,
}

impl<P: InputPin> PressButton<P> {
    /// A button that reports [`Press::Short`] as soon as it is held for the debounce time; 10 to 30 ms suit most
    /// (common practice, no source).
    pub const fn new(pin: P, active: ActiveLevel, debounce_ms: u16) -> Self {
        Self {
            pin,
            active,
            debounce_ms,
            long_ms: None,
            watch: Watch { last_ms: None },
            // Held until seen released.
            is_pressed: true,
            is_reported: true,
            held_ms: 0,
            differs_ms: None,
        }
    }

    /// Asks for [`Press::Long`] as well, counted from the first contact. [`Press::Short`] is then reported when the
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
        let is_closed = self.active.is_active(&mut self.pin)?;
        let watched_ms = self.watch.since_last_ms(now_ms);
        if is_closed == self.is_pressed {
            // Time that began with an open contact is not held.
            if self.differs_ms.take().is_none() {
                self.held_ms = self.held_ms.saturating_add(watched_ms);
            }
            return Ok(self.became_long());
        }
        let differs_ms = self.differs_ms.map_or(0, |before_ms| before_ms.saturating_add(watched_ms));
        self.differs_ms = Some(differs_ms);
        if differs_ms < self.debounce_ms {
            return Ok(None);
        }
        self.differs_ms = None;
        self.is_pressed = is_closed;
        let is_short = if is_closed {
            self.held_ms = differs_ms;
            self.is_reported = self.long_ms.is_none();
            self.is_reported
        } else {
            !core::mem::replace(&mut self.is_reported, true)
        };
        Ok(if is_short { Some(Press::Short) } else { self.became_long() })
    }

    /// Reports a long press, once, when its time has come.
    fn became_long(&mut self) -> Option<Press> {
        if self.is_reported || self.held_ms < self.long_ms? {
            return None;
        }
        self.is_reported = true;
        Some(Press::Long)
    }

    /// Whether it is held, and may still become a short or a long press.
    pub(super) const fn is_open(&self) -> bool {
        self.is_pressed && !self.is_reported
    }

    /// Whether it counts as pressed.
    pub(super) const fn is_held(&self) -> bool {
        self.is_pressed
    }

    /// There is nothing more to report of the press that lasts.
    pub(super) const fn close(&mut self) {
        self.is_reported = true;
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

    /// Presses reported, with the time since the first poll; polled each 5 ms, `1` is a closed contact.
    fn reported_from_start(long_ms: Option<u16>, contact: &str) -> Vec<(u32, Press)> {
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
            let reported: Vec<_> =
                times_ms.filter_map(|ms| Some((ms, button.poll(start_ms.wrapping_add(ms)).unwrap()?))).collect();
            button.release().done();
            all.push(reported);
        }
        assert_eq!(all[0], all[1]);
        all.swap_remove(0)
    }

    /// The same of a button that was seen released before the time 0.
    fn reported(long_ms: Option<u16>, contact: &str) -> Vec<(u32, Press)> {
        let released = "0".repeat(10);
        let all = reported_from_start(long_ms, &[&released, contact].concat());
        all.into_iter().map(|(ms, press)| (ms - 50, press)).collect()
    }

    #[test]
    fn a_press_is_reported_once_after_the_debounce_time() {
        assert_eq!(reported(None, "0011111111110000000000"), [(30, Press::Short)]);
        assert_eq!(reported(None, "0011111100000011111100000"), [(30, Press::Short), (90, Press::Short)]);
    }

    #[test]
    fn bounce_is_waited_out_at_both_ends() {
        // It closes for good at 35 ms; bounce while it is let go is no second press.
        assert_eq!(reported(None, "001011011111111110100100000000"), [(55, Press::Short)]);
        // Shorter than the debounce time: a disturbance.
        assert_eq!(reported(None, "00111100000111100000"), []);
        assert_eq!(reported(None, &"01".repeat(100)), []);
        // A contact that opens for a moment is still held.
        assert_eq!(reported(None, "01111111100111110011111111"), [(25, Press::Short)]);
    }

    #[test]
    fn a_long_press_is_reported_while_held_and_a_short_one_when_let_go() {
        let held = |polls: usize| ["0", &"1".repeat(polls), "0000000"].concat();
        // Contact from 5 ms on. Let go at 55 ms, seen 20 ms later.
        assert_eq!(reported(Some(LONG_MS), &held(10)), [(75, Press::Short)]);
        // 800 ms later is 805 ms, and nothing more is reported then.
        assert_eq!(reported(Some(LONG_MS), &held(400)), [(805, Press::Long)]);
        // The contact was seen closed until 800 ms, and at 805 ms.
        assert_eq!(reported(Some(LONG_MS), &held(160)), [(825, Press::Short)]);
        assert_eq!(reported(Some(LONG_MS), &held(161)), [(805, Press::Long)]);
        // A time no longer than the debounce time makes every press a long one.
        assert_eq!(reported(Some(0), &held(10)), [(25, Press::Long)]);
    }

    #[test]
    fn a_button_held_at_the_start_reports_nothing_until_it_was_let_go() {
        for long_ms in [None, Some(10)] {
            assert_eq!(reported_from_start(long_ms, "111111111111111111110000000000"), []);
            // Open for less than the debounce time: not let go.
            for open in 0..5 {
                let contact = [&"0".repeat(open), "11111111", &"0".repeat(open), "11111111"].concat();
                assert_eq!(reported_from_start(long_ms, &contact), [], "{contact}");
            }
        }
        assert_eq!(reported_from_start(None, "1111111000000011111111"), [(90, Press::Short)]);
    }

    #[test]
    fn of_a_stall_little_counts() {
        // Released, then held for 100 ms; the loop stalls for 800 ms and finds the contact open, or touched again.
        for closed_after in [false, true] {
            let levels = [&[false; 5][..], &[true; 21], &[closed_after], &[false; 5]].concat();
            let mut button = PressButton::new(pin(levels), ActiveLevel::High, DEBOUNCE_MS).with_long_press(LONG_MS);
            let times_ms = (0..26).map(|poll| 5 * poll).chain((0..6).map(|poll| 925 + 5 * poll));
            let reported: Vec<_> = times_ms.filter_map(|ms| button.poll(ms).unwrap()).collect();
            assert_eq!(reported, [Press::Short]);
            button.release().done();
        }
    }

    #[test]
    fn without_debounce_time_every_change_counts_at_once() {
        let mut button = PressButton::new(pin([false, true, false, true]), ActiveLevel::High, 0);
        let reported = [0, 1, 2, 3].map(|now_ms| button.poll(now_ms).unwrap());
        assert_eq!(reported, [None, Some(Press::Short), None, Some(Press::Short)]);
        button.release().done();
    }

    #[test]
    fn errors_of_the_pin_are_passed_on_and_change_nothing() {
        let released = [level(false), level(false), level(false)];
        let pressed = [level(true), level(false).with_error(fault()), level(true), level(true)];
        let mut button =
            PressButton::new(Mock::new(&[&released[..], &pressed].concat()), ActiveLevel::High, DEBOUNCE_MS);
        let polls: Vec<_> = (0..7).map(|poll| button.poll(10 * poll)).collect();
        // Twenty milliseconds between two polls, of which ten count.
        let expected = [Ok(None), Ok(None), Ok(None), Ok(None), Err(fault()), Ok(None), Ok(Some(Press::Short))];
        assert_eq!(polls, expected);
        button.release().done();
    }
}
