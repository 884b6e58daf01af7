//! What a screen should show, and what results mean.

use core::ffi::c_char;
use core::fmt;

use gapkeeper::Choice;

use crate::keeper::KeeperStorage;
use crate::pointer::Answer;
use crate::result::{Failure, GapkeeperResult, answer};
use crate::storage::GapkeeperKeeper;
use crate::text;
use crate::types::GapkeeperStatus;

/// Bytes for any status or prompt: four lines of twenty characters.
pub const GAPKEEPER_SCREEN_TEXT_SIZE: usize = 84;

/// Bytes for the text of any result or choice.
pub const GAPKEEPER_RESULT_TEXT_SIZE: usize = 192;

/// What a screen should know.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `status` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_status(
    keeper: *const GapkeeperKeeper,
    status: *mut GapkeeperStatus,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, status) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(status)?) };
        status.give(GapkeeperStatus::new(&storage.status(), storage.keeper().setup()));
        Ok(())
    })
}

/// The status as up to four lines of twenty characters, or the survey's prompt while one is under way.
/// `GAPKEEPER_SCREEN_TEXT_SIZE` bytes are enough.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `text` is null or may be written for `size` bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_status_text(
    keeper: *const GapkeeperKeeper,
    text: *mut c_char,
    size: usize,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { KeeperStorage::filled(keeper) }?;
        // SAFETY: as the caller promises.
        unsafe { text::copy(storage.status(), text, size) }
    })
}

/// Which grid was chosen last, or why none. Of a grid that would be right and cannot be put in force it says why, and what
/// to do. `GAPKEEPER_RESULT_TEXT_SIZE` bytes are enough.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `text` is null or may be written for `size` bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_choice_text(
    keeper: *const GapkeeperKeeper,
    text: *mut c_char,
    size: usize,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { KeeperStorage::filled(keeper) }?;
        // SAFETY: as the caller promises.
        unsafe { text::copy(Reason(storage.keeper().choice()), text, size) }
    })
}

/// A choice with the whole reason of a grid that cannot be put in force.
struct Reason(Choice);

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            Choice::Unusable { place, why } => write!(f, "grid {}: {why}", place + 1),
            choice => choice.fmt(f),
        }
    }
}

/// What a result means and what to do. With the keeper that refused, the text has the numbers of the last refusal; with
/// a null pointer it is general. `GAPKEEPER_RESULT_TEXT_SIZE` bytes are enough.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `text` is null or may be written for `size` bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_result_text(
    keeper: *const GapkeeperKeeper,
    result: u8,
    text: *mut c_char,
    size: usize,
) -> GapkeeperResult {
    answer(|| {
        let general = GapkeeperResult::from_number(result).ok_or(GapkeeperResult::UnknownKind)?;
        // A keeper that cannot be asked is no reason to say nothing.
        // SAFETY: as the caller promises.
        let last = unsafe { KeeperStorage::filled(keeper) }.ok().map(|storage| storage.last_failure());
        let failure = last.filter(|failure| failure.code() == general).unwrap_or(Failure::Code(general));
        // SAFETY: as the caller promises.
        unsafe { text::copy(failure, text, size) }
    })
}
