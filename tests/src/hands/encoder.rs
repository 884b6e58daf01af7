//! A knob with two contacts that bounce.

use core::ops::Range;

use super::{Contact, flicker};

/// A quadrature knob and the hand that turns it: the times at which it goes from phase to phase.
///
/// Forward, contact A changes before contact B: from a phase that is a multiple of four, both open, A closes, B closes, A
/// opens, B opens.
#[derive(Clone, Debug)]
pub struct Encoder {
    bounce_us: u64,
    seed: u64,
    first_phase: i32,
    /// When a phase was left, and the phase that it was left for.
    steps: Vec<(u64, i32)>,
    end_us: u64,
    chatter: Option<(Range<u64>, u64, bool)>,
    noise_until_us: u64,
}

impl Encoder {
    /// A knob that stands in a phase; a contact reads anything for `bounce_us` after each change.
    pub const fn new(phase: i32, bounce_us: u64, seed: u64) -> Self {
        Self { bounce_us, seed, first_phase: phase, steps: Vec::new(), end_us: 0, chatter: None, noise_until_us: 0 }
    }

    /// Lets it stand.
    #[must_use]
    pub fn stand(mut self, for_us: u64) -> Self {
        self.end_us += for_us;
        self
    }

    /// Turns it by a number of phases, negative for backwards, each of them left after this time.
    #[must_use]
    pub fn turn(mut self, phases: i32, each_us: u64) -> Self {
        for _ in 0..phases.abs() {
            self.end_us += each_us;
            self.steps.push((self.end_us, self.phase() + phases.signum()));
        }
        self
    }

    /// One contact (B or A) opens and closes without end during a time, each time for `half_us`.
    #[must_use]
    pub fn chatter(mut self, during_us: Range<u64>, half_us: u64, is_b: bool) -> Self {
        self.chatter = Some((during_us, half_us, is_b));
        self
    }

    /// Both contacts read anything until then, as while the supply rises.
    #[must_use]
    pub const fn noise_until(mut self, until_us: u64) -> Self {
        self.noise_until_us = until_us;
        self
    }

    /// The phase at the end.
    pub fn phase(&self) -> i32 {
        self.steps.last().map_or(self.first_phase, |step| step.1)
    }

    /// When the last movement or stand ends.
    pub const fn end_us(&self) -> u64 {
        self.end_us
    }

    /// Contact A.
    pub const fn a(&self) -> EncoderContact<'_> {
        EncoderContact { encoder: self, is_b: false }
    }

    /// Contact B.
    pub const fn b(&self) -> EncoderContact<'_> {
        EncoderContact { encoder: self, is_b: true }
    }
}

/// One of the contacts of an [`Encoder`].
#[derive(Clone, Copy, Debug)]
pub struct EncoderContact<'a> {
    encoder: &'a Encoder,
    is_b: bool,
}

impl Contact for EncoderContact<'_> {
    fn is_closed(&self, at_us: u64) -> bool {
        let Encoder { bounce_us, first_phase, steps, chatter, noise_until_us, .. } = self.encoder;
        // Each contact has its own chance.
        let seed = self.encoder.seed ^ u64::from(self.is_b);
        if at_us < *noise_until_us {
            return flicker(seed, at_us);
        }
        let closed_in = |phase: i32| (1..=2).contains(&(phase - i32::from(self.is_b)).rem_euclid(4));
        let done = steps.partition_point(|step| step.0 <= at_us);
        let phase_after = |steps_done: usize| steps_done.checked_sub(1).map_or(*first_phase, |last| steps[last].1);
        let is_closed = closed_in(phase_after(done));
        // The last step that changed this contact.
        let changed = (1..=done).rev().find(|&step| closed_in(phase_after(step)) != closed_in(phase_after(step - 1)));
        if changed.is_some_and(|step| at_us - steps[step - 1].0 < *bounce_us) {
            return flicker(seed, at_us);
        }
        match chatter {
            Some((during_us, half_us, is_b)) if *is_b == self.is_b && during_us.contains(&at_us) => {
                is_closed != (at_us / half_us % 2 == 1)
            }
            _ => is_closed,
        }
    }
}
