//! Moves become pieces, arcs become chords, machine positions become logical ones.

use gapkeeper::{Correction, Flow, Piece, Pieces};

use crate::keeper::KeeperStorage;
use crate::pointer::{self, Answer};
use crate::result::{GapkeeperResult, answer};
use crate::storage::{Content, GapkeeperChords, GapkeeperKeeper, GapkeeperPieces, Storage};
use crate::types::*;
use crate::{GAPKEEPER_EXTRA_AXES, GAPKEEPER_NODES};

/// What stands in the storage of a move's pieces.
pub(crate) struct PiecesContent {
    /// The keeper that the move was begun with, to be compared only.
    keeper: *const GapkeeperKeeper,
    /// Its [`KeeperStorage::changes`] then.
    changes: u32,
    /// The correction that the pieces refer to, to be compared only; null without one.
    correction: *const Correction<GAPKEEPER_NODES>,
    /// They refer to the keeper and are not looked at unless all of the above still holds.
    pieces: KeeperPieces,
}

type KeeperPieces = Pieces<'static, GAPKEEPER_NODES, GAPKEEPER_EXTRA_AXES>;

impl Content for PiecesContent {
    type Opaque = GapkeeperPieces;
    const MAGIC: u32 = 0x4761_7050;
}

/// What stands in the storage of an arc's chords.
pub(crate) struct ChordsContent {
    chords: gapkeeper::Chords<GAPKEEPER_EXTRA_AXES>,
}

impl Content for ChordsContent {
    type Opaque = GapkeeperChords;
    const MAGIC: u32 = 0x4761_7043;
}

/// Where the keeper's correction stands; null without one.
fn correction_of(storage: &KeeperStorage) -> *const Correction<GAPKEEPER_NODES> {
    storage.keeper().correction_in_force().map_or(core::ptr::null(), core::ptr::from_ref)
}

/// Begins a straight move: fetch its pieces with `gapkeeper_piece_next`. Pass `sizeof(GapkeeperPieces)`.
///
/// # Safety
/// `pieces` is null or may be written for `size` bytes, `keeper` is null or storage for a keeper, `motion` is null or
/// may be read.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_line_begin(
    pieces: *mut GapkeeperPieces,
    size: usize,
    keeper: *mut GapkeeperKeeper,
    motion: *const GapkeeperMove,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let place = unsafe { Storage::<PiecesContent>::fresh(pieces, size) }?;
        // SAFETY: as the caller promises.
        let (storage, motion) = unsafe { (KeeperStorage::filled(keeper)?, pointer::read(motion)?) };
        // SAFETY: `gapkeeper_piece_next` uses it only while `changes` is the same.
        let lasting = unsafe { storage.lasting_keeper() };
        let pieces = storage.note(lasting.line(&motion.into()))?;
        place.fill(PiecesContent { keeper, changes: storage.changes(), correction: correction_of(&storage), pieces });
        Ok(())
    })
}

/// The next piece of a move, or `GAPKEEPER_RESULT_END`. Pass the keeper that the move was begun with.
///
/// # Safety
/// `pieces` is null or storage for pieces, `keeper` is null or storage for a keeper, `piece` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_piece_next(
    pieces: *mut GapkeeperPieces,
    keeper: *const GapkeeperKeeper,
    piece: *mut GapkeeperPiece,
) -> GapkeeperResult {
    // SAFETY: as the caller promises.
    answer(|| unsafe { give_next(pieces, keeper, piece, Iterator::next) })
}

/// As `gapkeeper_piece_next`, with the further axis, `E`, scaled by the thickness that is laid while the shape fades. `E`
/// begins where the move's begins and ends elsewhere than in the move: take the differences from piece to piece. Only
/// what prints is scaled, forwards while X or Y travels.
///
/// # Safety
/// As for `gapkeeper_piece_next`, and `flow` is null or may be read and written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_piece_next_scaled(
    pieces: *mut GapkeeperPieces,
    keeper: *const GapkeeperKeeper,
    flow: *mut GapkeeperFlow,
    piece: *mut GapkeeperPiece,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (before, after) = unsafe { (pointer::read(flow)?, Answer::at(flow)?) };
        let mut scaling = Flow::with_remainder_q17(before.remainder_q17);
        // SAFETY: as the caller promises.
        unsafe { give_next(pieces, keeper, piece, |pieces| pieces.next_scaled(&mut scaling)) }?;
        after.give(GapkeeperFlow { remainder_q17: scaling.remainder_q17() });
        Ok(())
    })
}

/// Gives the next piece, by whichever way it is asked for.
///
/// # Safety
/// As for `gapkeeper_piece_next`.
unsafe fn give_next(
    pieces: *mut GapkeeperPieces,
    keeper: *const GapkeeperKeeper,
    piece: *mut GapkeeperPiece,
    next: impl FnOnce(&mut KeeperPieces) -> Option<Piece<GAPKEEPER_EXTRA_AXES>>,
) -> Result<(), GapkeeperResult> {
    // SAFETY: as the caller promises.
    let place = unsafe { Storage::<PiecesContent>::filled(pieces) }?;
    // SAFETY: as the caller promises.
    let (storage, piece) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(piece)?) };
    let content = place.content();
    // SAFETY: filled; these fields are numbers and pointers that are only compared.
    let (begun_with, changes, correction) = unsafe { ((*content).keeper, (*content).changes, (*content).correction) };
    if begun_with != keeper || changes != storage.changes() || correction != correction_of(&storage) {
        return Err(GapkeeperResult::Changed);
    }
    // SAFETY: filled and writable; the keeper that the pieces refer to is where it was and was not changed.
    let next = next(unsafe { &mut (*content).pieces });
    piece.give(next.ok_or(GapkeeperResult::End)?.into());
    Ok(())
}

/// Begins an arc: fetch its chords with `gapkeeper_chord_next` and give each to `gapkeeper_line_begin`. Pass
/// `sizeof(GapkeeperChords)`.
///
/// # Safety
/// `chords` is null or may be written for `size` bytes, `keeper` is null or storage for a keeper, `arc` is null or may
/// be read.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_arc_begin(
    chords: *mut GapkeeperChords,
    size: usize,
    keeper: *mut GapkeeperKeeper,
    arc: *const GapkeeperArc,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let place = unsafe { Storage::<ChordsContent>::fresh(chords, size) }?;
        // SAFETY: as the caller promises.
        let (storage, arc) = unsafe { (KeeperStorage::filled(keeper)?, pointer::read(arc)?) };
        let chords = storage.note(storage.keeper().arc(arc.arc()?, arc.tolerance_um))?;
        place.fill(ChordsContent { chords });
        Ok(())
    })
}

/// The next chord of an arc, a straight move at logical height, or `GAPKEEPER_RESULT_END`.
///
/// # Safety
/// `chords` is null or storage for chords, `motion` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_chord_next(
    chords: *mut GapkeeperChords,
    motion: *mut GapkeeperMove,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (place, motion) = unsafe { (Storage::<ChordsContent>::filled(chords)?, Answer::at(motion)?) };
        // SAFETY: filled and writable, and nobody else uses it now.
        let next = unsafe { (*place.content()).chords.next() };
        motion.give(next.ok_or(GapkeeperResult::End)?.into());
        Ok(())
    })
}

/// Logical position for a machine position, for reports and for stopping in mid-move. Both may be the same variable.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `machine` is null or may be read, `logical` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_logical(
    keeper: *const GapkeeperKeeper,
    machine: *const GapkeeperPoint,
    logical: *mut GapkeeperPoint,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, machine) = unsafe { (KeeperStorage::filled(keeper)?, pointer::read(machine)?) };
        // SAFETY: as the caller promises.
        let logical = unsafe { Answer::at(logical) }?;
        logical.give(storage.keeper().logical(machine.into()).into());
        Ok(())
    })
}
