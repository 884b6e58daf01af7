//! The limit switch: a level, told at the first poll and at each change.

use embedded_hal::digital::InputPin;

use super::{ActiveLevel, Watch};

/// A limit switch that trips at once and is free again only after a while.
///
/// - It counts as tripped from the first poll that finds it so, and from one that the pin answers with an error: the delay
///   is the time between two polls, plus whatever keeps the loop from polling.
/// - It counts as free again once each poll found it free for `release_ms`; of the time between two polls no more than
///   [`WATCHED_MS`](super::WATCHED_MS) counts. Polled at least that often, the delay is less than `release_ms` and the
///   time between two polls, twice.
/// - The first poll decides at once, either way, and is told. So a switch whose wire is broken when the machine is
///   switched on is told as tripped, if it is wired as [`ActiveLevel::High`]: normally closed, to ground.
///
/// A spike on the line is a trip. Keep it off the pin by a low-pass filter of a resistor and a capacitor.
///
/// This tells a person's survey that a reading is void. It does not stop a motor in time: the controller's own limit
/// handling does.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LimitSwitch<P> {
    pin: P,
    active: ActiveLevel,
    release_ms: u16,
    watch: Watch,
    /// None before the first poll.
    level: Option<bool>,
    /// What was told last.
    told: Option<bool>,
    /// It tripped since it was last asked, however short.
    has_tripped: bool,
    /// For how long it was watched to be free, while it counts as tripped.
    free_ms: Option<u16>,
}

impl<P: InputPin> LimitSwitch<P> {
    /// A switch that counts as free after `release_ms`; 20 ms outlast the bounce of most (common practice, no source).
    pub const fn new(pin: P, active: ActiveLevel, release_ms: u16) -> Self {
        Self {
            pin,
            active,
            release_ms,
            watch: Watch { last_ms: None },
            level: None,
            told: None,
            has_tripped: false,
            free_ms: None,
        }
    }

    /// Reads the pin once, at the time given; [`Self::take_change`] tells what has changed.
    ///
    /// # Errors
    /// The error of the pin; the switch then counts as tripped.
    pub fn poll(&mut self, now_ms: u32) -> Result<(), P::Error> {
        let found = self.active.is_active(&mut self.pin);
        let watched_ms = self.watch.since_last_ms(now_ms);
        if *found.as_ref().unwrap_or(&true) {
            self.free_ms = None;
            self.has_tripped |= self.level != Some(true);
            self.level = Some(true);
        } else if self.level == Some(true) {
            let free_ms = self.free_ms.map_or(0, |before_ms| before_ms.saturating_add(watched_ms));
            self.free_ms = Some(free_ms);
            if free_ms >= self.release_ms {
                self.level = Some(false);
            }
        } else {
            self.level = Some(false);
        }
        found.map(drop)
    }

    /// Whether the switch counts as tripped: so it does before the first poll.
    pub const fn is_tripped(&self) -> bool {
        !matches!(self.level, Some(false))
    }

    /// The level, if it was not yet told: true for tripped. A trip that is over is told first, its end by the next call.
    pub fn take_change(&mut self) -> Option<bool> {
        let level = if core::mem::take(&mut self.has_tripped) { Some(true) } else { self.level };
        if level == self.told {
            return None;
        }
        self.told = level;
        level
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
    use std::vec;
    use std::vec::Vec;

    /// What a switch tells at each poll: `1` for tripped, `0` for free, `-` for nothing. Polled each 5 ms, `1` is
    /// tripped, for both wirings.
    fn told(release_ms: u16, contact: &str) -> String {
        let told = [ActiveLevel::High, ActiveLevel::Low].map(|active| {
            let levels = contact.bytes().map(|byte| (byte == b'1') == (active == ActiveLevel::High));
            let mut switch = LimitSwitch::new(pin(levels), active, release_ms);
            assert!(switch.is_tripped(), "not known to be free");
            let polls = (0..contact.len() as u32).map(|poll| {
                switch.poll((5 * poll).wrapping_sub(12)).unwrap();
                match switch.take_change() {
                    Some(is_tripped) => {
                        assert_eq!(is_tripped, switch.is_tripped());
                        if is_tripped { '1' } else { '0' }
                    }
                    None => '-',
                }
            });
            let told: String = polls.collect();
            switch.release().done();
            told
        });
        assert_eq!(told[0], told[1]);
        told[0].clone()
    }

    #[test]
    fn it_trips_at_once_and_is_free_after_a_while() {
        assert_eq!(told(20, "0001000000011"), "0--1----0--1-");
        assert_eq!(told(0, "00101"), "0-101");
        // Bounce, while it is let go.
        assert_eq!(told(20, "00110010001000000"), "0-1------------0-");
    }

    #[test]
    fn the_first_poll_is_told_either_way() {
        assert_eq!(told(20, "0"), "0");
        assert_eq!(told(20, "11111"), "1----");
        assert_eq!(told(20, "10000000"), "1----0--");
    }

    #[test]
    fn a_trip_that_is_over_is_told_before_its_end() {
        let mut switch = LimitSwitch::new(pin([false, true, false, false, false]), ActiveLevel::High, 10);
        switch.poll(0).unwrap();
        assert_eq!(switch.take_change(), Some(false));
        for poll in 1..5 {
            switch.poll(10 * poll).unwrap();
        }
        assert!(!switch.is_tripped());
        assert_eq!([(); 3].map(|()| switch.take_change()), [Some(true), Some(false), None]);
        switch.release().done();
    }

    #[test]
    fn of_a_stall_little_counts_as_free() {
        let mut switch = LimitSwitch::new(pin([true, false, false, false]), ActiveLevel::High, 20);
        let tripped = [0, 1_000, 2_000, 3_000].map(|now_ms| {
            switch.poll(now_ms).unwrap();
            switch.is_tripped()
        });
        assert_eq!(tripped, [true, true, true, false]);
        switch.release().done();
    }

    #[test]
    fn a_pin_that_fails_is_a_trip() {
        let levels = [level(false).with_error(fault()), level(false), level(false), level(false).with_error(fault())];
        let mut switch = LimitSwitch::new(Mock::new(&levels), ActiveLevel::High, 10);
        let polls: Vec<_> = (0..4).map(|poll| (switch.poll(10 * poll), switch.take_change())).collect();
        let failed = (Err(fault()), Some(true));
        assert_eq!(polls, vec![failed.clone(), (Ok(()), None), (Ok(()), Some(false)), failed]);
        switch.release().done();
    }

    proptest! {
        /// It is tripped where, and only where, it was found so at the poll or less than the time before it.
        #[test]
        fn tripped_until_free_for_so_long(release in 0..6_u16, contact in prop::collection::vec(any::<bool>(), 1..200)) {
            let text: String = contact.iter().map(|&closed| if closed { '1' } else { '0' }).collect();
            let mut is_tripped = contact[0];
            for (poll, said) in told(5 * release, &text).bytes().enumerate() {
                match said {
                    b'1' => is_tripped = true,
                    b'0' => is_tripped = false,
                    _ => {}
                }
                let recent = poll.saturating_sub(release.into());
                prop_assert_eq!(is_tripped, contact[recent..=poll].contains(&true));
            }
        }
    }
}
