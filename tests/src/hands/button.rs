//! A button that has been pressed too often.

use super::{Contact, flicker};

/// A button that bounces at both ends of a press, and opens for moments while it is held.
#[derive(Clone, Debug)]
pub struct WornButton {
    bounce_us: u64,
    seed: u64,
    presses_us: Vec<(u64, u64)>,
    /// Every so often while held, and for how long.
    opens_us: Option<(u64, u64)>,
}

impl WornButton {
    /// A button that is not pressed, and reads anything for `bounce_us` after each change.
    pub const fn new(bounce_us: u64, seed: u64) -> Self {
        Self { bounce_us, seed, presses_us: Vec::new(), opens_us: None }
    }

    /// Holds it from one time to another.
    #[must_use]
    pub fn press(mut self, from_us: u64, until_us: u64) -> Self {
        self.presses_us.push((from_us, until_us));
        self
    }

    /// While it is held, the contact opens each `every_us` for `for_us`.
    #[must_use]
    pub const fn opening(mut self, every_us: u64, for_us: u64) -> Self {
        self.opens_us = Some((every_us, for_us));
        self
    }
}

impl Contact for WornButton {
    fn is_closed(&self, at_us: u64) -> bool {
        let begun = self.presses_us.iter().rev().find(|(from_us, _)| *from_us <= at_us);
        let Some(&(from_us, until_us)) = begun else { return false };
        let is_held = at_us < until_us;
        let changed_us = if is_held { from_us } else { until_us };
        // Held since before the start: it does not bounce there.
        if changed_us > 0 && at_us - changed_us < self.bounce_us {
            return flicker(self.seed, at_us);
        }
        let is_open = self.opens_us.is_some_and(|(every_us, for_us)| (at_us - from_us) % every_us < for_us);
        is_held && !is_open
    }
}
