//! Storage that the caller owns: what C sees of it, and what stands in it.
//!
//! It begins with a magic word that tells keepers, pieces, chords, panels and stores apart from one another and from memory that
//! nobody initialised.

use core::ptr::NonNull;

use crate::pointer;
use crate::result::GapkeeperResult;

/// Words of 64 bits in a keeper's storage.
#[cfg(target_pointer_width = "16")]
pub const GAPKEEPER_KEEPER_WORDS: usize = 176;
/// Words of 64 bits in a keeper's storage.
#[cfg(target_pointer_width = "32")]
pub const GAPKEEPER_KEEPER_WORDS: usize = 192;
/// Words of 64 bits in a keeper's storage.
#[cfg(target_pointer_width = "64")]
pub const GAPKEEPER_KEEPER_WORDS: usize = 208;

/// Words of 64 bits in the storage of a move's pieces.
#[cfg(target_pointer_width = "16")]
pub const GAPKEEPER_PIECES_WORDS: usize = 18;
/// Words of 64 bits in the storage of a move's pieces.
#[cfg(target_pointer_width = "32")]
pub const GAPKEEPER_PIECES_WORDS: usize = 20;
/// Words of 64 bits in the storage of a move's pieces.
#[cfg(target_pointer_width = "64")]
pub const GAPKEEPER_PIECES_WORDS: usize = 24;

/// Words of 64 bits in the storage of an arc's chords.
pub const GAPKEEPER_CHORDS_WORDS: usize = 16;

/// Words of 64 bits in a panel's storage.
#[cfg(target_pointer_width = "16")]
pub const GAPKEEPER_PANEL_WORDS: usize = 16;
/// Words of 64 bits in a panel's storage.
#[cfg(target_pointer_width = "32")]
pub const GAPKEEPER_PANEL_WORDS: usize = 20;
/// Words of 64 bits in a panel's storage.
#[cfg(target_pointer_width = "64")]
pub const GAPKEEPER_PANEL_WORDS: usize = 28;

/// Words of 64 bits in a store's storage.
#[cfg(target_pointer_width = "16")]
pub const GAPKEEPER_STORE_WORDS: usize = 44;
/// Words of 64 bits in a store's storage.
#[cfg(target_pointer_width = "32")]
pub const GAPKEEPER_STORE_WORDS: usize = 48;
/// Words of 64 bits in a store's storage.
#[cfg(target_pointer_width = "64")]
pub const GAPKEEPER_STORE_WORDS: usize = 56;

/// Bytes of a keeper's storage.
pub const GAPKEEPER_KEEPER_SIZE: usize = GAPKEEPER_KEEPER_WORDS * 8;

/// Bytes of the storage of a move's pieces.
pub const GAPKEEPER_PIECES_SIZE: usize = GAPKEEPER_PIECES_WORDS * 8;

/// Bytes of the storage of an arc's chords.
pub const GAPKEEPER_CHORDS_SIZE: usize = GAPKEEPER_CHORDS_WORDS * 8;

/// Bytes of a panel's storage.
pub const GAPKEEPER_PANEL_SIZE: usize = GAPKEEPER_PANEL_WORDS * 8;

/// Bytes of a store's storage.
pub const GAPKEEPER_STORE_SIZE: usize = GAPKEEPER_STORE_WORDS * 8;

/// The storage's address is a multiple of this.
#[cfg(target_arch = "avr")]
pub const GAPKEEPER_STORAGE_ALIGNMENT: usize = 1;
/// The storage's address is a multiple of this.
#[cfg(not(target_arch = "avr"))]
pub const GAPKEEPER_STORAGE_ALIGNMENT: usize = 8;

/// Storage of a keeper. What is in it is the library's affair; begin with `gapkeeper_init`.
#[repr(C)]
pub struct GapkeeperKeeper {
    /// Nothing to look at.
    opaque: [u64; GAPKEEPER_KEEPER_WORDS],
}

/// Storage of the pieces of one move; begin with `gapkeeper_line_begin`.
#[repr(C)]
pub struct GapkeeperPieces {
    /// Nothing to look at.
    opaque: [u64; GAPKEEPER_PIECES_WORDS],
}

/// Storage of the chords of one arc; begin with `gapkeeper_arc_begin`.
#[repr(C)]
pub struct GapkeeperChords {
    /// Nothing to look at.
    opaque: [u64; GAPKEEPER_CHORDS_WORDS],
}

/// Storage of a panel; begin with `gapkeeper_panel_init`.
#[repr(C)]
pub struct GapkeeperPanel {
    /// Nothing to look at.
    opaque: [u64; GAPKEEPER_PANEL_WORDS],
}

/// Storage of a store; begin with `gapkeeper_store_begin`.
#[repr(C)]
pub struct GapkeeperStore {
    /// Nothing to look at.
    opaque: [u64; GAPKEEPER_STORE_WORDS],
}

/// What can stand in storage.
pub(crate) trait Content: Sized {
    /// The type that C knows.
    type Opaque;
    /// The word that the storage begins with; no two kinds have the same.
    const MAGIC: u32;
}

/// The magic word of a keeper or store that is at work and may not be called.
const BUSY: u32 = 0x4761_7042;

#[repr(C)]
struct Marked<C> {
    magic: u32,
    content: C,
}

/// Checked storage.
///
/// It holds a raw pointer, for pieces refer to the keeper that they belong to: a reference to the whole of either would
/// claim more than is needed at any time.
pub(crate) struct Storage<C: Content>(NonNull<Marked<C>>);

impl<C: Content> Storage<C> {
    /// Storage that may hold anything yet and is void from now on.
    ///
    /// # Safety
    /// `opaque` is null or points to the type that C knows, writable as long as this lives and used by nobody else
    /// meanwhile, if it is aligned and `size` is that type's.
    pub(crate) unsafe fn fresh(opaque: *mut C::Opaque, size: usize) -> Result<Self, GapkeeperResult> {
        const {
            // How much later it may have to begin, see `place`.
            let shift = align_of::<Marked<C>>() - 1;
            let shift = if shift < align_of::<C::Opaque>() { 0 } else { shift };
            assert!(size_of::<Marked<C>>() + shift <= size_of::<C::Opaque>(), "raise the WORDS of this storage");
            assert!(align_of::<C::Opaque>() == GAPKEEPER_STORAGE_ALIGNMENT);
        }
        pointer::check(opaque)?;
        if size != size_of::<C::Opaque>() {
            return Err(GapkeeperResult::WrongSize);
        }
        let storage = Self(Self::place(opaque)?);
        storage.mark(0);
        Ok(storage)
    }

    /// Storage that was filled before.
    ///
    /// # Safety
    /// `opaque` is null or points to the type that C knows, used by nobody else as long as this lives, if it is
    /// aligned. If it begins with the magic word, [`Self::fill`] filled it. It is written only through
    /// [`Self::content`], [`Self::mark_busy`] and [`Self::mark_filled`], and then it is writable.
    pub(crate) unsafe fn filled(opaque: *const C::Opaque) -> Result<Self, GapkeeperResult> {
        pointer::check(opaque)?;
        let marked = Self::place(opaque.cast_mut())?;
        // Volatile: nothing may be concluded from who wrote it, or whether anybody did.
        // SAFETY: the storage is at least as large and as strictly aligned as `Marked`, see `fresh`.
        match unsafe { (&raw const (*marked.as_ptr()).magic).read_volatile() } {
            magic if magic == C::MAGIC => Ok(Self(marked)),
            BUSY => Err(GapkeeperResult::Busy),
            _ => Err(GapkeeperResult::NotInitialised),
        }
    }

    /// Where it begins: at the beginning, but on an AVR, where C aligns nothing and atomic numbers of Rust are aligned.
    fn place(opaque: *mut C::Opaque) -> Result<NonNull<Marked<C>>, GapkeeperResult> {
        let bytes = opaque.cast::<u8>();
        let over = bytes.addr() & (align_of::<Marked<C>>() - 1);
        let shift = if over == 0 { 0 } else { align_of::<Marked<C>>() - over };
        NonNull::new(bytes.wrapping_add(shift).cast()).ok_or(GapkeeperResult::NullPointer)
    }

    pub(crate) fn fill(&self, content: C) {
        // SAFETY: writable, large enough and aligned, see `fresh`.
        unsafe { (&raw mut (*self.0.as_ptr()).content).write(content) };
        self.mark(C::MAGIC);
    }

    /// Where the content stands; valid for reads if the storage was filled.
    pub(crate) fn content(&self) -> *mut C {
        // SAFETY: the pointer is to the whole storage, and the content stands within it.
        unsafe { &raw mut (*self.0.as_ptr()).content }
    }

    /// Refuses calls from now on.
    pub(crate) fn mark_busy(&self) {
        self.mark(BUSY);
    }

    /// Takes calls again.
    pub(crate) fn mark_filled(&self) {
        self.mark(C::MAGIC);
    }

    fn mark(&self, magic: u32) {
        // SAFETY: writable and aligned, see `fresh` and `filled`.
        unsafe { (&raw mut (*self.0.as_ptr()).magic).write_volatile(magic) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keeper::KeeperContent;
    use crate::motion::{ChordsContent, PiecesContent};
    use crate::panel::PanelContent;
    use crate::persistence::StoreContent;

    /// Some room, so that the core may grow a little without a new header; not much, for memory is dear.
    #[test]
    fn storage_is_little_larger_than_needed() {
        fn sizes<C: Content>() -> (usize, usize) {
            (size_of::<Marked<C>>(), size_of::<C::Opaque>())
        }
        let sizes = [
            sizes::<KeeperContent>(),
            sizes::<PiecesContent>(),
            sizes::<ChordsContent>(),
            sizes::<PanelContent>(),
            sizes::<StoreContent>(),
        ];
        assert!(sizes.iter().all(|(needed, size)| needed <= size && size * 3 < needed * 4), "{sizes:?}");
        let stated = [
            GAPKEEPER_KEEPER_SIZE,
            GAPKEEPER_PIECES_SIZE,
            GAPKEEPER_CHORDS_SIZE,
            GAPKEEPER_PANEL_SIZE,
            GAPKEEPER_STORE_SIZE,
        ];
        assert_eq!(sizes.map(|(_, size)| size), stated);
    }

    #[test]
    fn every_kind_has_its_own_magic_word() {
        let mut words = [
            KeeperContent::MAGIC,
            PiecesContent::MAGIC,
            ChordsContent::MAGIC,
            PanelContent::MAGIC,
            StoreContent::MAGIC,
            BUSY,
            0,
            u32::MAX,
        ];
        words.sort_unstable();
        assert!(words.windows(2).all(|pair| pair[0] != pair[1]));
    }
}
