//! A wire that does not always conduct.

use core::ops::Range;

use super::{Contact, flicker};

/// A contact at the end of a broken wire: where the wire is open, so is the contact.
#[derive(Clone, Debug)]
pub struct BrokenWire<C> {
    contact: C,
    open_us: Vec<Range<u64>>,
    loose: Option<(Range<u64>, u64)>,
}

impl<C: Contact> BrokenWire<C> {
    /// A sound wire to a contact.
    pub const fn new(contact: C) -> Self {
        Self { contact, open_us: Vec::new(), loose: None }
    }

    /// Open for this time; to `u64::MAX` for good.
    #[must_use]
    pub fn open(mut self, during_us: Range<u64>) -> Self {
        self.open_us.push(during_us);
        self
    }

    /// Loose for this time: it conducts and does not, by chance.
    #[must_use]
    pub fn loose(mut self, during_us: Range<u64>, seed: u64) -> Self {
        self.loose = Some((during_us, seed));
        self
    }
}

impl<C: Contact> Contact for BrokenWire<C> {
    fn is_closed(&self, at_us: u64) -> bool {
        let is_open = self.open_us.iter().any(|during_us| during_us.contains(&at_us))
            || self.loose.as_ref().is_some_and(|(during_us, seed)| during_us.contains(&at_us) && flicker(*seed, at_us));
        !is_open && self.contact.is_closed(at_us)
    }
}

/// Closed for ever, a jumper for example or a normally closed switch that nobody touches.
impl Contact for bool {
    fn is_closed(&self, _at_us: u64) -> bool {
        *self
    }
}
