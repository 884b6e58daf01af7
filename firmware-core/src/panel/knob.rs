//! A quadrature knob: two contacts that open and close a quarter cycle apart.

use core::num::NonZeroU8;

use embedded_hal::digital::InputPin;

/// Clicks that a hand feels while the contacts go through one cycle of four phases.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum DetentsPerCycle {
    /// A click each four phases.
    One,
    /// A click each two phases.
    Two,
    /// A click each phase.
    Four,
}

impl DetentsPerCycle {
    const fn phases_per_detent(self) -> u8 {
        match self {
            Self::One => 4,
            Self::Two => 2,
            Self::Four => 1,
        }
    }
}

/// A knob that stands still for this long stands at a click.
const STANDS_MS: u32 = 1_000;

/// Counts the detents of a knob, forward where contact A changes before contact B. Where it counts backwards, exchange
/// the two pins.
///
/// A detent counts when the knob goes straight through the phase in the middle between two clicks: it enters it from one
/// side and leaves it on the other, each phase seen. A knob with a click each phase has no phase between its clicks;
/// there, each phase counts that the knob goes straight through.
///
/// # What it promises
/// *Steady time*: how long, at the fastest turn, a phase stays steady between the bounce at its one end and the
/// bounce at its other. `steady_ms` states it; the knob cannot check it. One contact at a time may bounce or chatter,
/// and the clock of the polls does not stand still (see [the module](super)). Then, whenever it is polled:
///
/// 1. **Polled each `steady_ms` or more often, it loses nothing.** From click to click the count is the net rotation; in
///    between, and always for [`DetentsPerCycle::Four`], it is off by one detent at the most.
/// 2. **It never turns direction, whatever the times of its polls.** A knob that is only turned forward never counts
///    backwards. Up to two phases may pass between two polls that are less than twice the steady time apart, and two are
///    told from one. Three would look like one backwards; so polls farther apart than that are never compared.
/// 3. **It tells what it could not follow.** [`Self::lost`] counts the polls at which both contacts had changed, or at
///    which a contact had changed during a stall; [`Self::stalls`] counts the polls that came too late to be compared.
///    Where both stand still, 1 holds. Where only the second does, the count is off by one detent and, for each poll
///    that lost some, by one more (two for [`DetentsPerCycle::Two`], three for [`DetentsPerCycle::Four`]).
/// 4. **Chatter is nothing.** A contact that opens and closes without end, however fast or slowly, goes forth and back
///    between two phases. At a click nothing is counted. Between two clicks, and for [`DetentsPerCycle::Four`], one
///    detent at the most, however long it lasts, and never a pair of them.
/// 5. **It finds its clicks by itself.** It counts nothing until it has stood still for a second, watched; there is a
///    click. A wrong first sample is nothing. A hand that holds it between two clicks for a second may mislead it;
///    then up to a detent is lost at each reversal until it has again stood at a click for a second.
///
/// The price for 4 with [`DetentsPerCycle::Four`] is a click of play: the first one after a start and after each reversal
/// is not counted.
///
/// # Which steady time
/// A cycle of four phases at `n` cycles a second takes `1000 / n` ms, its shortest phase half of a quarter where
/// contacts are uneven, less the time that they bounce (data sheet). At 20 cycles a second and 3 ms of bounce: 3 ms.
/// The smaller it is stated, the faster a hand it holds for, but the polls must keep up: polled each millisecond, state 2.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Knob<A, B> {
    pin_a: A,
    pin_b: B,
    detents_per_cycle: DetentsPerCycle,
    steady_ms: NonZeroU8,
    /// None before the first poll.
    sample: Option<Sample>,
    /// A phase with a click; none before the knob has stood still.
    click: Option<u8>,
    lost: u16,
    stalls: u16,
}

/// What the last poll saw.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Sample {
    /// 0 to 3, rising forward.
    phase: u8,
    /// The way by which the knob came into the phase, 1 or -1; 0 where that is not known.
    came: i8,
    at_ms: u32,
    /// Seen in this phase, at each poll, since then.
    stands_since_ms: u32,
}

impl<A: InputPin, B: InputPin<Error = A::Error>> Knob<A, B> {
    /// A knob on two pins, with its steady time; whether their levels rise or fall makes no difference.
    pub const fn new(pin_a: A, pin_b: B, detents_per_cycle: DetentsPerCycle, steady_ms: NonZeroU8) -> Self {
        Self { pin_a, pin_b, detents_per_cycle, steady_ms, sample: None, click: None, lost: 0, stalls: 0 }
    }

    /// Reads both pins once, at the time given, and returns the detent turned since the last poll: 1, 0 or -1.
    ///
    /// # Errors
    /// The error of either pin; the poll then counts as not having happened.
    pub fn poll(&mut self, now_ms: u32) -> Result<i16, A::Error> {
        let (a, b) = (self.pin_a.is_high()?, self.pin_b.is_high()?);
        // Forward, A and B go through 00, 10, 11, 01.
        let phase = u8::from(b) << 1 | u8::from(a != b);
        let mut sample = Sample { phase, came: 0, at_ms: now_ms, stands_since_ms: now_ms };
        let Some(before) = self.sample else {
            self.sample = Some(sample);
            return Ok(0);
        };
        let turned = phase.wrapping_sub(before.phase) & 3;
        let mut detent = 0;
        if now_ms.wrapping_sub(before.at_ms) >= 2 * u32::from(self.steady_ms.get()) {
            self.stalls = self.stalls.wrapping_add(1);
            self.lost = self.lost.wrapping_add(u16::from(turned != 0));
        } else if turned == 0 {
            sample.came = before.came;
            sample.stands_since_ms = before.stands_since_ms;
            if now_ms.wrapping_sub(before.stands_since_ms) >= STANDS_MS {
                self.stands_at(phase);
            }
        } else if turned == 2 {
            self.lost = self.lost.wrapping_add(1);
        } else {
            sample.came = if turned == 1 { 1 } else { -1 };
            if before.came == sample.came && self.is_between_clicks(before.phase) {
                detent = sample.came.into();
            }
        }
        self.sample = Some(sample);
        Ok(detent)
    }

    /// How often it was seen that the knob could not be followed; wraps around.
    pub const fn lost(&self) -> u16 {
        self.lost
    }

    /// How often a poll came too late to be compared with the one before; wraps around.
    pub const fn stalls(&self) -> u16 {
        self.stalls
    }

    /// Gives the pins back.
    pub fn release(self) -> (A, B) {
        (self.pin_a, self.pin_b)
    }

    fn is_between_clicks(&self, phase: u8) -> bool {
        let per_detent = self.detents_per_cycle.phases_per_detent();
        // The number of phases is a power of two.
        self.click.is_some_and(|click| phase.wrapping_sub(click) & (per_detent - 1) == per_detent / 2)
    }

    fn stands_at(&mut self, phase: u8) {
        // It clicks elsewhere than believed: the detent on the way here was not counted.
        let is_misled = self.detents_per_cycle != DetentsPerCycle::Four && self.is_between_clicks(phase);
        self.lost = self.lost.wrapping_add(u16::from(is_misled));
        self.click = Some(phase);
    }
}

#[cfg(test)]
mod tests {
    //! With bounce, speed and stalls: `tests/tests/panel_knob.rs`.

    use super::super::test_pins::{fault, level, pin};
    use super::*;
    use embedded_hal_mock::eh1::digital::Mock;
    use std::vec;
    use std::vec::Vec;

    const STEADY_MS: NonZeroU8 = NonZeroU8::MIN.saturating_add(1);

    /// Levels of A and B at a number of phases forward from both low.
    fn levels(phase: i32) -> (bool, bool) {
        [(false, false), (true, false), (true, true), (false, true)][phase.rem_euclid(4) as usize]
    }

    /// Detents counted at each of these phases, after the knob has stood in the first one; and whether any were lost.
    fn counted(per_cycle: DetentsPerCycle, phases: &[i32]) -> (Vec<i16>, u16) {
        let stands = vec![phases[0]; STANDS_MS as usize];
        let seen = [&stands, phases].concat();
        let played = |choose: fn((bool, bool)) -> bool| pin(seen.iter().map(move |&phase| choose(levels(phase))));
        let mut knob = Knob::new(played(|both| both.0), played(|both| both.1), per_cycle, STEADY_MS);
        // The counter wraps around on the way.
        let counted = (0..seen.len() as u32).map(|ms| knob.poll(ms.wrapping_sub(500)).unwrap()).collect::<Vec<_>>();
        let lost = knob.lost();
        let (mut a, mut b): (Mock, Mock) = knob.release();
        a.done();
        b.done();
        (counted[stands.len()..].to_vec(), lost)
    }

    #[test]
    fn a_detent_counts_behind_the_middle_between_two_clicks() {
        let two_cycles: Vec<_> = (0..=8).collect();
        assert_eq!(counted(DetentsPerCycle::One, &two_cycles).0, [0, 0, 0, 1, 0, 0, 0, 1, 0]);
        assert_eq!(counted(DetentsPerCycle::Two, &two_cycles).0, [0, 0, 1, 0, 1, 0, 1, 0, 1]);
        assert_eq!(counted(DetentsPerCycle::Four, &two_cycles).0, [0, 0, 1, 1, 1, 1, 1, 1, 1]);
        // Contacts that rest high, as with pull-up resistors, and backwards.
        assert_eq!(counted(DetentsPerCycle::One, &[2, 1, 0, -1, -2]).0, [0, 0, 0, -1, 0]);
    }

    #[test]
    fn a_skipped_phase_is_lost_and_not_guessed() {
        assert_eq!(counted(DetentsPerCycle::One, &[0, 1, 3, 4, 5, 6, 7, 8]), (vec![0, 0, 0, 0, 0, 0, 1, 0], 1));
        assert_eq!(counted(DetentsPerCycle::Two, &[0, 2, 3, 4]), (vec![0, 0, 0, 1], 1));
    }

    #[test]
    fn errors_of_pins_are_passed_on_and_count_nothing() {
        let stands = vec![level(false); STANDS_MS as usize + 1];
        let a = [&stands[..], &[level(true), level(true).with_error(fault()), level(true), level(true)]].concat();
        let b = [&stands[..], &[level(false), level(true).with_error(fault()), level(true)]].concat();
        let mut knob = Knob::new(Mock::new(&a), Mock::new(&b), DetentsPerCycle::Two, STEADY_MS);
        let polls: Vec<_> = (0..a.len() as u32).map(|ms| knob.poll(ms)).collect();
        let last = polls.len() - 4;
        assert!(polls[..last].iter().all(|poll| *poll == Ok(0)));
        assert_eq!(polls[last..], [Ok(0), Err(fault()), Err(fault()), Ok(1)]);
        let (mut a, mut b) = knob.release();
        a.done();
        b.done();
    }
}
