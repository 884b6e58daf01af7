//! Why nothing was loaded, or not saved.

use core::fmt;

#[cfg(doc)]
use super::Store;
use crate::record::{Binding, LAYOUT_VERSION, RecordError};

/// Why nothing was loaded, or not saved. The value in memory is the caller's and stays as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum StoreError<E> {
    /// Nothing was ever saved here: measure the bed, or begin this memory.
    Empty,
    /// A setup is saved only beside another one, and none is found: save again; if it stays so, check the wiring, or
    /// [`Store::begin`] this memory. Nothing was written.
    NotBegun,
    /// There are bytes, but no whole record: go on without a correction and measure again.
    Damaged,
    /// A newer program saved here. Neither loaded nor written over; [`Store::forget_grid`] frees the place.
    NewerLayout {
        /// The layout of its record.
        version: u8,
    },
    /// The record belongs to another slot, or to slots of another size or unit: the memory was used by a program built
    /// otherwise, and no setup or grid of it is known to be the current one. Use that program, or
    /// [`Store::begin`] the memory anew; a grid's place is free for the next grid saved there.
    OtherGeometry {
        /// What the record belongs to.
        binding: Binding,
    },
    /// A grid of more nodes than this store takes: use the program that stored it, or measure again. The next grid
    /// saved in this place counts from then on.
    TooLarge {
        /// Nodes of the grid.
        nodes: usize,
        /// Nodes that fit.
        capacity: usize,
    },
    /// Read back, the memory did not hold what was written. The value before is still stored. Once may be chance: save
    /// again; if it happens again the memory is worn.
    NotKept {
        /// The slot concerned.
        slot: usize,
    },
    /// The value cannot be stored; nothing was written.
    Value(RecordError),
    /// There is no such place for a grid.
    NoSuchPlace {
        /// The place asked for, counted from 0.
        place: usize,
        /// Number of places.
        places: usize,
    },
    /// The memory's slots are too few or too small for this store.
    Memory {
        /// Bytes needed in a slot.
        slot_size: usize,
        /// Slots needed at least.
        slot_count: usize,
    },
    /// Nothing was loaded that could be handed over: start to load, and step until it is loaded.
    NotLoaded,
    /// The memory did not do as asked. Loading and saving may be tried again.
    Access(E),
}

impl<E: fmt::Display> fmt::Display for StoreError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => write!(f, "nothing stored here: measure the bed and save"),
            Self::NotBegun => {
                write!(
                    f,
                    "no setup found to save beside: save again; if it stays so, check the wiring or begin this memory"
                )
            }
            Self::Damaged => write!(f, "what is stored here is damaged: measure the bed again"),
            Self::NewerLayout { version } => write!(
                f,
                "stored by a newer program in layout {version}, this one knows up to {LAYOUT_VERSION}: \
                 use that program, or forget what it stored"
            ),
            Self::OtherGeometry { binding: Binding { slot, unit, slot_size } } => write!(
                f,
                "stored for slot {slot} of {slot_size} bytes in units of {unit}, by a program built otherwise: \
                 use that program, or begin this memory anew"
            ),
            Self::TooLarge { nodes, capacity } => {
                write!(f, "stored with {nodes} nodes, this program takes {capacity}: use that program or measure again")
            }
            Self::NotKept { slot } => {
                write!(f, "slot {slot} did not keep what was written: save again, and replace the memory if that fails")
            }
            Self::Value(error) => write!(f, "cannot be stored: {error}"),
            Self::NoSuchPlace { place, places } => write!(f, "place {place} of {places}: count from 0"),
            Self::Memory { slot_size, slot_count } => {
                write!(f, "give the memory at least {slot_count} slots of at least {slot_size} bytes")
            }
            Self::NotLoaded => write!(f, "nothing loaded yet: start to load and step until it is"),
            Self::Access(error) => write!(f, "{error}"),
        }
    }
}

impl<E: fmt::Debug + fmt::Display> core::error::Error for StoreError<E> {}
