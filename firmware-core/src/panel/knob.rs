//! A quadrature knob: two contacts that open and close a quarter cycle apart.

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
    const fn phases_per_detent(self) -> i8 {
        match self {
            Self::One => 4,
            Self::Two => 2,
            Self::Four => 1,
        }
    }
}

/// Both contacts changed between two polls: two phases, either way.
const SKIP: i8 = 2;

/// Phases turned, by the phase before (row) and now (column). A phase is twice the level of A plus that of B; forward
/// they follow each other as 0, 2, 3, 1.
const TURNED: [[i8; 4]; 4] = [[0, -1, 1, SKIP], [1, 0, SKIP, -1], [-1, SKIP, 0, 1], [SKIP, 1, -1, 0]];

/// Counts the detents of a knob, forward where contact A changes before contact B.
///
/// - A detent counts once the knob is a whole detent away from the last one counted, never before. So a contact that
///   bounces, or chatters wherever the knob stands, goes forth and back between two neighbouring phases and counts
///   nothing.
/// - Where both contacts changed between two polls, one phase was missed; the next single phase tells which way the
///   knob was going, and the missed ones are then counted with it. Forth and back at once is no turn.
/// - Two or three phases missed at once cannot be told from others; poll often enough to see each phase. Even then
///   the count is off by whole cycles, so the knob still counts at its clicks.
/// - The first poll is taken for a detent, where a knob stands that is not being turned.
///
/// A knob that counts backwards has its two pins exchanged.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Knob<A, B> {
    pin_a: A,
    pin_b: B,
    phases_per_detent: i8,
    /// Phase at the last poll; none before the first.
    phase: Option<u8>,
    /// Phases turned since the last detent counted; less than a detent.
    turned: i8,
    /// Two phases were turned, not known which way.
    skipped: bool,
}

impl<A: InputPin, B: InputPin<Error = A::Error>> Knob<A, B> {
    /// A knob on two pins; whether their levels rise or fall makes no difference.
    pub const fn new(pin_a: A, pin_b: B, detents_per_cycle: DetentsPerCycle) -> Self {
        Self {
            pin_a,
            pin_b,
            phases_per_detent: detents_per_cycle.phases_per_detent(),
            phase: None,
            turned: 0,
            skipped: false,
        }
    }

    /// Reads both pins once and gives the detents turned since the last poll, negative for backwards.
    ///
    /// # Errors
    /// The error of either pin; the poll then counts as not having happened.
    pub fn poll(&mut self) -> Result<i16, A::Error> {
        let phase = u8::from(self.pin_a.is_high()?) << 1 | u8::from(self.pin_b.is_high()?);
        let before = self.phase.replace(phase).unwrap_or(phase);
        let turned = TURNED.get(usize::from(before)).and_then(|row| row.get(usize::from(phase)));
        match turned.copied().unwrap_or(0) {
            0 => {}
            SKIP => self.skipped = !self.skipped,
            step => {
                // At most three phases on top of less than four.
                self.turned += if self.skipped { step + 2 * step } else { step };
                self.skipped = false;
            }
        }
        let mut detents = 0;
        while self.turned >= self.phases_per_detent {
            self.turned -= self.phases_per_detent;
            detents += 1;
        }
        while self.turned <= -self.phases_per_detent {
            self.turned += self.phases_per_detent;
            detents -= 1;
        }
        Ok(detents)
    }

    /// Gives the pins back.
    pub fn release(self) -> (A, B) {
        (self.pin_a, self.pin_b)
    }
}

#[cfg(test)]
mod tests {
    use super::super::test_pins::{fault, level, pin};
    use super::*;
    use embedded_hal_mock::eh1::digital::Mock;
    use proptest::prelude::*;
    use std::vec::Vec;
    use std::{format, vec};

    /// Levels of A and B at a number of phases forward from both low.
    fn levels(phase: i32) -> (bool, bool) {
        [(false, false), (true, false), (true, true), (false, true)][phase.rem_euclid(4) as usize]
    }

    /// Detents counted at each poll of a knob that stands at these phases one after the other.
    fn counted(per_cycle: DetentsPerCycle, phases: &[i32]) -> Vec<i16> {
        let played = |choose: fn((bool, bool)) -> bool| pin(phases.iter().map(move |&phase| choose(levels(phase))));
        let mut knob = Knob::new(played(|both| both.0), played(|both| both.1), per_cycle);
        let counted = phases.iter().map(|_| knob.poll().unwrap()).collect();
        let (mut a, mut b): (Mock, Mock) = knob.release();
        a.done();
        b.done();
        counted
    }

    fn total(per_cycle: DetentsPerCycle, phases: &[i32]) -> i16 {
        counted(per_cycle, phases).iter().sum()
    }

    #[test]
    fn a_detent_counts_where_it_is_reached() {
        let two_cycles: Vec<_> = (0..=8).collect();
        assert_eq!(counted(DetentsPerCycle::One, &two_cycles), [0, 0, 0, 0, 1, 0, 0, 0, 1]);
        assert_eq!(counted(DetentsPerCycle::Two, &two_cycles), [0, 0, 1, 0, 1, 0, 1, 0, 1]);
        assert_eq!(counted(DetentsPerCycle::Four, &two_cycles), [0, 1, 1, 1, 1, 1, 1, 1, 1]);
        // Contacts that rest high, as with pull-up resistors.
        assert_eq!(counted(DetentsPerCycle::One, &[2, 3, 4, 5, 6]), [0, 0, 0, 0, 1]);
    }

    #[test]
    fn reversed_rotation_counts_down_from_where_it_turned() {
        assert_eq!(counted(DetentsPerCycle::One, &[0, -1, -2, -3, -4]), [0, 0, 0, 0, -1]);
        // One detent forward, half of the next, and back over two.
        assert_eq!(
            counted(DetentsPerCycle::One, &[0, 1, 2, 3, 4, 5, 6, 5, 4, 3, 2, 1, 0, -1, -2, -3, -4]),
            [0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, -1, 0, 0, 0, -1]
        );
        // Half a detent forth and back is nothing.
        assert_eq!(total(DetentsPerCycle::One, &[0, 1, 2, 3, 2, 1, 0, -1, -2, -3, -2, -1, 0]), 0);
    }

    #[test]
    fn bouncing_contacts_count_once() {
        // Each change of a contact shows four times before it stays.
        let bouncing: Vec<_> =
            (0..8).flat_map(|phase| [phase, phase + 1, phase, phase + 1, phase, phase + 1]).collect();
        assert_eq!(total(DetentsPerCycle::One, &bouncing), 2);
        assert_eq!(total(DetentsPerCycle::Two, &bouncing), 4);
        assert_eq!(total(DetentsPerCycle::Four, &bouncing), 8);
    }

    #[test]
    fn a_contact_that_chatters_in_one_place_counts_nothing() {
        // A broken or dirty contact: one of the two changes without end, the other never. For each of the phases.
        for phase in 0..4 {
            for neighbour in [phase - 1, phase + 1] {
                let chatter = [phase, neighbour].repeat(50);
                assert!(counted(DetentsPerCycle::One, &chatter).iter().all(|&detents| detents == 0), "{phase}");
                assert!(counted(DetentsPerCycle::Two, &chatter).iter().all(|&detents| detents == 0), "{phase}");
            }
        }
        // After a detent was counted, around the place where it was.
        let chatter = [vec![0, 1, 2, 3], [4, 3, 4, 5].repeat(50)].concat();
        assert_eq!(total(DetentsPerCycle::One, &chatter), 1);
        // Both contacts at once, as a disturbance on the cable does.
        assert_eq!(total(DetentsPerCycle::One, &[0, 2].repeat(50)), 0);
    }

    #[test]
    fn a_missed_phase_is_made_good_by_the_next() {
        for missed in 1..=7 {
            let seen: Vec<_> = (0..=9).filter(|&phase| phase != missed).collect();
            let backwards: Vec<_> = seen.iter().map(|&phase| -phase).collect();
            assert_eq!(total(DetentsPerCycle::One, &seen), 2, "{missed}");
            assert_eq!(total(DetentsPerCycle::One, &backwards), -2, "{missed}");
            assert_eq!(total(DetentsPerCycle::Two, &seen), 4, "{missed}");
            assert_eq!(total(DetentsPerCycle::Four, &seen), 9, "{missed}");
        }
        // Turned on its heel while not looked at: there is nothing to be made good.
        assert_eq!(counted(DetentsPerCycle::One, &[0, 1, 3, 1, 2, 3, 4]), [0, 0, 0, 0, 0, 0, 1]);
    }

    #[test]
    fn errors_of_pins_are_passed_on_and_count_nothing() {
        let mut knob = Knob::new(
            Mock::new(&[level(false), level(true), level(true).with_error(fault()), level(true)]),
            Mock::new(&[level(false), level(true).with_error(fault()), level(false)]),
            DetentsPerCycle::Four,
        );
        assert_eq!(knob.poll(), Ok(0));
        assert_eq!(knob.poll(), Err(fault()));
        assert_eq!(knob.poll(), Err(fault()));
        assert_eq!(knob.poll(), Ok(1));
        let (mut a, mut b) = knob.release();
        a.done();
        b.done();
    }

    fn per_cycle() -> impl Strategy<Value = DetentsPerCycle> {
        prop::sample::select(vec![DetentsPerCycle::One, DetentsPerCycle::Two, DetentsPerCycle::Four])
    }

    proptest! {
        /// No phase is skipped: wherever the knob ends on a click, the count is the net rotation.
        #[test]
        fn detents_are_the_net_rotation(per_cycle in per_cycle(), start in 0..4, steps in prop::collection::vec(-1..=1, 0..300)) {
            let mut phases = vec![start];
            for step in steps {
                phases.push(phases[phases.len() - 1] + step);
            }
            let per_detent = i32::from(per_cycle.phases_per_detent());
            let mut detents = 0;
            for (count, phase) in counted(per_cycle, &phases).iter().zip(&phases) {
                detents += i32::from(*count);
                let turned = phase - start;
                if turned % per_detent == 0 {
                    prop_assert_eq!(detents, turned / per_detent);
                }
                prop_assert!((detents * per_detent - turned).abs() < per_detent);
            }
        }

        /// Turned one way with every now and then a phase missed, never two in a row: nothing is lost.
        #[test]
        fn missed_phases_cost_nothing(per_cycle in per_cycle(), forward: bool, gaps in prop::collection::vec(1..=2, 0..100)) {
            let mut phases = vec![0];
            for gap in gaps {
                phases.push(phases[phases.len() - 1] + gap);
                // The next phase is seen, so the gap's way is known.
                phases.push(phases[phases.len() - 1] + 1);
            }
            let way = if forward { 1 } else { -1 };
            let net = phases[phases.len() - 1] / i32::from(per_cycle.phases_per_detent());
            let phases: Vec<_> = phases.iter().map(|phase| way * phase).collect();
            prop_assert_eq!(i32::from(total(per_cycle, &phases)), way * net, "{}", format!("{phases:?}"));
        }
    }
}
