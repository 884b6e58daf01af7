//! The limit switch: trips once, and stays tripped until somebody has looked.

use core::num::NonZeroU8;

use embedded_hal::digital::InputPin;

use super::ActiveLevel;

/// A limit switch behind a filter of equal polls.
///
/// The switch counts as tripped, or as free again, after as many polls in a row that say so; one that says otherwise
/// begins the row anew. Before the first full row it counts as free. More polls let more noise pass and stop later:
/// at a pace of `p` ms the delay is `polls · p` ms.
///
/// This tells a person's survey that a reading is void. It does not stop a motor in time: the controller's own limit
/// handling does.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LimitSwitch<P> {
    pin: P,
    active: ActiveLevel,
    polls: NonZeroU8,
    tripped: bool,
    latched: bool,
    /// Polls in a row that said otherwise.
    otherwise: u8,
}

impl<P: InputPin> LimitSwitch<P> {
    /// A switch that changes after `polls` equal polls; one makes it believe each poll.
    pub const fn new(pin: P, active: ActiveLevel, polls: NonZeroU8) -> Self {
        Self { pin, active, polls, tripped: false, latched: false, otherwise: 0 }
    }

    /// Reads the pin once; true while the switch is tripped, noise left out.
    ///
    /// # Errors
    /// The error of the pin; the poll then counts as not having happened.
    pub fn poll(&mut self) -> Result<bool, P::Error> {
        if self.active.is_active(&mut self.pin)? == self.tripped {
            self.otherwise = 0;
            return Ok(self.tripped);
        }
        self.otherwise = self.otherwise.saturating_add(1);
        if self.otherwise >= self.polls.get() {
            self.otherwise = 0;
            self.tripped = !self.tripped;
            self.latched |= self.tripped;
        }
        Ok(self.tripped)
    }

    /// Whether the switch is tripped now, as of the last poll.
    pub const fn is_tripped(&self) -> bool {
        self.tripped
    }

    /// Whether the switch has tripped since this was last asked, however short. Each trip is said once.
    pub const fn take_trip(&mut self) -> bool {
        let latched = self.latched;
        self.latched = false;
        latched
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
    use proptest::prelude::*;
    use std::string::String;
    use std::vec::Vec;

    /// What the polls say, `1` for tripped, for both wirings of the switch.
    fn polled(polls: u8, contact: &str) -> String {
        let said = [ActiveLevel::High, ActiveLevel::Low].map(|active| {
            let levels = contact.bytes().map(|byte| (byte == b'1') == (active == ActiveLevel::High));
            let mut switch = LimitSwitch::new(pin(levels), active, NonZeroU8::new(polls).unwrap());
            let said: String = contact.bytes().map(|_| if switch.poll().unwrap() { '1' } else { '0' }).collect();
            assert_eq!(switch.is_tripped(), said.ends_with('1'));
            assert_eq!(switch.take_trip(), said.contains('1'));
            switch.release().done();
            said
        });
        assert_eq!(said[0], said[1]);
        said[0].clone()
    }

    #[test]
    fn as_many_equal_polls_as_asked_for_change_it() {
        assert_eq!(polled(1, "0101100"), "0101100");
        assert_eq!(polled(3, "00111110000"), "00001111100");
        // Tripped from the start.
        assert_eq!(polled(3, "1111"), "0011");
    }

    #[test]
    fn noise_and_bounce_are_left_out() {
        assert_eq!(polled(3, "011011001010"), "000000000000");
        assert_eq!(polled(3, "0110111101001000"), "0000001111111110");
    }

    #[test]
    fn a_trip_is_kept_until_read_and_said_once() {
        let contact = [false, true, true, false, false, false, true, true, true];
        let mut switch = LimitSwitch::new(pin(contact), ActiveLevel::High, NonZeroU8::new(2).unwrap());
        for _ in 0..6 {
            switch.poll().unwrap();
        }
        // Long free again.
        assert!(!switch.is_tripped());
        assert!(switch.take_trip());
        assert!(!switch.take_trip());
        for _ in 0..3 {
            switch.poll().unwrap();
        }
        // The next one, still held: said once, though the switch stays tripped.
        assert!(switch.take_trip());
        assert!(!switch.take_trip());
        assert!(switch.is_tripped());
        switch.release().done();
    }

    #[test]
    fn errors_of_the_pin_are_passed_on_and_change_nothing() {
        let levels = [level(true), level(false).with_error(fault()), level(true)];
        let mut switch = LimitSwitch::new(Mock::new(&levels), ActiveLevel::High, NonZeroU8::new(2).unwrap());
        assert_eq!((switch.poll(), switch.poll(), switch.poll()), (Ok(false), Err(fault()), Ok(true)));
        switch.release().done();
    }

    proptest! {
        /// A change is said where, and only where, the last so many polls were all of the other kind.
        #[test]
        fn a_change_needs_a_full_row(polls in 1..6_u8, contact in prop::collection::vec(any::<bool>(), 0..200)) {
            let text: String = contact.iter().map(|&closed| if closed { '1' } else { '0' }).collect();
            let said: Vec<_> = polled(polls, &text).bytes().map(|byte| byte == b'1').collect();
            for end in 1..=contact.len() {
                let before = end >= 2 && said[end - 2];
                let row = contact[..end].iter().rev().take_while(|&&closed| closed != before).count();
                prop_assert_eq!(said[end - 1] != before, row >= usize::from(polls));
            }
        }
    }
}
