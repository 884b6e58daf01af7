//! What a slot was found to hold, and which one of two is current.

use super::OtherSlot;
use crate::record::Binding;

#[derive(Clone, Copy, Debug)]
pub(super) enum Slot {
    Empty,
    Damaged,
    /// A whole record of a newer layout.
    Newer(u8),
    /// A whole record that belongs to another slot, or to slots of another size or unit.
    Foreign(Binding),
    Record(Found),
}

/// A whole record of this slot.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub(super) version: u8,
    pub(super) sequence: u32,
    /// How many of its seals are right, up to the first that is not.
    pub(super) seals: u8,
    /// Its nodes, if they are more than this store takes.
    pub(super) too_many_nodes: Option<usize>,
    /// It says what is to be saved, in the newest layout.
    pub(super) is_wanted: bool,
}

impl Found {
    pub(super) fn is_finished(&self) -> bool {
        self.seals > 0 || self.version == 1
    }
}

impl Slot {
    pub(super) fn record(&self) -> Option<&Found> {
        match self {
            Self::Record(found) => Some(found),
            _ => None,
        }
    }
}

/// The number of the next save: 0 is that of the first one alone.
pub(super) fn next_sequence(sequence: u32) -> u32 {
    sequence.checked_add(1).unwrap_or(1)
}

/// Index of the current one of two slots.
pub(super) fn current(slots: &[Slot; 2]) -> Option<usize> {
    let [first, second] = slots;
    match (first.record(), second.record()) {
        (None, None) => None,
        (Some(_), None) => Some(0),
        (None, Some(_)) => Some(1),
        (Some(first), Some(second)) => {
            // Further on by 1 to 2^31 - 1.
            let second_is_newer = (second.sequence.wrapping_sub(first.sequence) as i32) > 0;
            let newer_is_finished = if second_is_newer { second.is_finished() } else { first.is_finished() };
            Some(usize::from(second_is_newer == newer_is_finished))
        }
    }
}

/// What the slot beside the current one says about it.
pub(super) fn beside(index: usize, current: &Found, other: &Slot) -> OtherSlot {
    match other {
        Slot::Record(other)
            if other.is_finished()
                && (next_sequence(other.sequence) == current.sequence
                    // An older program counted through 0.
                    || other.sequence.wrapping_add(1) == current.sequence) =>
        {
            OtherSlot::Earlier
        }
        // Only the first save of all has nothing of ours beside it, and that one goes to the first slot. Layout 1 had
        // nothing by which a slot of another size could be told.
        Slot::Empty | Slot::Foreign(_) if index == 0 && current.sequence == 0 && current.version > 1 => {
            OtherSlot::Empty
        }
        _ => OtherSlot::Damaged,
    }
}
