//! How a call went, and why.

use core::fmt;

use gapkeeper::{KeeperError, PlanError, SplitError, StoreError};

use crate::memory::MemoryFailure;

/// How a call went. Everything but `OK`, `END` and `TRUNCATED` means that nothing was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperResult {
    /// Done.
    Ok = 0,
    /// No more pieces or chords.
    End = 1,
    /// The text is longer than the buffer; as much as fits is there, with a terminating zero.
    Truncated = 2,
    /// A pointer is null.
    NullPointer = 3,
    /// A size or count does not fit: another header than the library's, a text buffer of no bytes, an array too small.
    WrongSize = 4,
    /// A pointer is not aligned as its type is.
    Misaligned = 5,
    /// The storage was not initialised, or its beginning failed.
    NotInitialised = 6,
    /// The keeper is at work: a memory function called it.
    Busy = 7,
    /// The keeper was changed or is another one than at the beginning of the move: begin it again from where it stands.
    Changed = 8,
    /// A number that stands for a kind is none of those in the header.
    UnknownKind = 9,
    /// Before homing no position means anything.
    NotHomed = 10,
    /// While a survey moves the axes nothing else may.
    SurveyUnderWay = 11,
    /// No survey is under way.
    NoSurvey = 12,
    /// No grid is in force, or there is none at this place.
    NoGrid = 13,
    /// The tolerance is out of range.
    Tolerance = 14,
    /// A piece would end below the lowest machine height allowed.
    BelowLowest = 15,
    /// There is no such arc.
    Arc = 16,
    /// There is no such grid, or the plan's stations make none.
    Grid = 17,
    /// The grid cannot be put in force with its shift and fade.
    Correction = 18,
    /// There is no such fade.
    Fade = 19,
    /// The memory's slots are too few or too small.
    MemorySize = 20,
    /// One of the memory's functions reported a failure.
    MemoryAccess = 21,
    /// The memory did not keep what was written.
    MemoryNotKept = 22,
    /// A newer program saved here; nothing was written over.
    NewerLayout = 23,
    /// The grid cannot be stored.
    NotStorable = 24,
    /// Something newer than this interface; the text says what.
    Other = 25,
}

impl GapkeeperResult {
    /// The result with this number.
    pub(crate) fn from_number(number: u8) -> Option<Self> {
        // In the order of their numbers, which a test checks.
        const ALL: [GapkeeperResult; 26] = [
            GapkeeperResult::Ok,
            GapkeeperResult::End,
            GapkeeperResult::Truncated,
            GapkeeperResult::NullPointer,
            GapkeeperResult::WrongSize,
            GapkeeperResult::Misaligned,
            GapkeeperResult::NotInitialised,
            GapkeeperResult::Busy,
            GapkeeperResult::Changed,
            GapkeeperResult::UnknownKind,
            GapkeeperResult::NotHomed,
            GapkeeperResult::SurveyUnderWay,
            GapkeeperResult::NoSurvey,
            GapkeeperResult::NoGrid,
            GapkeeperResult::Tolerance,
            GapkeeperResult::BelowLowest,
            GapkeeperResult::Arc,
            GapkeeperResult::Grid,
            GapkeeperResult::Correction,
            GapkeeperResult::Fade,
            GapkeeperResult::MemorySize,
            GapkeeperResult::MemoryAccess,
            GapkeeperResult::MemoryNotKept,
            GapkeeperResult::NewerLayout,
            GapkeeperResult::NotStorable,
            GapkeeperResult::Other,
        ];
        ALL.get(usize::from(number)).copied()
    }
}

/// What can be said without the numbers of the case at hand.
impl fmt::Display for GapkeeperResult {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Ok => "done",
            Self::End => "no more pieces",
            Self::Truncated => "text longer than its buffer: give a larger one",
            Self::NullPointer => "a pointer is null",
            Self::WrongSize => "a size does not fit: pass sizeof, and use the header that came with the library",
            Self::Misaligned => "a pointer is not aligned: use the header's types for storage",
            Self::NotInitialised => "storage not initialised: call init or begin first, and look at its result",
            Self::Busy => "the keeper is at work: do not call it from a memory function",
            Self::Changed => "the keeper was changed since the move began: begin again from the logical position",
            Self::UnknownKind => "a kind is none of those in the header",
            Self::NotHomed => "not homed: home all axes first",
            Self::SurveyUnderWay => "a survey is under way: finish or abort it first",
            Self::NoSurvey => "no survey is under way: begin one",
            Self::NoGrid => "no grid: measure or restore one",
            Self::Tolerance => "the tolerance is out of range",
            Self::BelowLowest => {
                "a piece would end below the lowest height allowed: raise the bed's screws or the shift"
            }
            Self::Arc => "there is no such arc",
            Self::Grid => "there is no such grid",
            Self::Correction => "shift or fade do not suit the grid",
            Self::Fade => "zero above must be higher than full below, by 100 um or more",
            Self::MemorySize => "the memory's slots are too few or too small",
            Self::MemoryAccess => "the memory did not do as asked",
            Self::MemoryNotKept => "the memory does not keep what is written: replace it",
            Self::NewerLayout => "stored by a newer program: use that program",
            Self::NotStorable => "the grid cannot be stored",
            Self::Other => "refused",
        })
    }
}

/// Why a call was refused, with the numbers of the case.
#[derive(Clone, Copy)]
pub(crate) enum Failure {
    Code(GapkeeperResult),
    Keeper(KeeperError),
    Plan(PlanError),
    Store(StoreError<MemoryFailure>),
}

impl Failure {
    pub(crate) fn code(&self) -> GapkeeperResult {
        match self {
            Self::Code(code) => *code,
            Self::Keeper(error) => match error {
                KeeperError::NotHomed => GapkeeperResult::NotHomed,
                KeeperError::SurveyUnderWay => GapkeeperResult::SurveyUnderWay,
                KeeperError::NoSurvey => GapkeeperResult::NoSurvey,
                KeeperError::NoGrid => GapkeeperResult::NoGrid,
                KeeperError::Split(SplitError::Tolerance { .. }) => GapkeeperResult::Tolerance,
                KeeperError::Split(SplitError::BelowLowest { .. }) => GapkeeperResult::BelowLowest,
                KeeperError::Arc(_) => GapkeeperResult::Arc,
                KeeperError::Grid(_) => GapkeeperResult::Grid,
                KeeperError::Correction(_) => GapkeeperResult::Correction,
                _ => GapkeeperResult::Other,
            },
            // Margins and orders of visits are not part of this interface.
            Self::Plan(_) => GapkeeperResult::Grid,
            Self::Store(error) => match error {
                StoreError::Access(_) => GapkeeperResult::MemoryAccess,
                StoreError::NotKept { .. } => GapkeeperResult::MemoryNotKept,
                StoreError::NewerLayout { .. } => GapkeeperResult::NewerLayout,
                StoreError::Value(_) => GapkeeperResult::NotStorable,
                StoreError::Memory { .. } | StoreError::NoSuchPlace { .. } => GapkeeperResult::MemorySize,
                _ => GapkeeperResult::Other,
            },
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Code(code) => code.fmt(f),
            Self::Keeper(error) => error.fmt(f),
            Self::Plan(error) => error.fmt(f),
            Self::Store(error) => error.fmt(f),
        }
    }
}

impl From<GapkeeperResult> for Failure {
    fn from(code: GapkeeperResult) -> Self {
        Self::Code(code)
    }
}

impl From<KeeperError> for Failure {
    fn from(error: KeeperError) -> Self {
        Self::Keeper(error)
    }
}

impl From<PlanError> for Failure {
    fn from(error: PlanError) -> Self {
        Self::Plan(error)
    }
}

impl From<StoreError<MemoryFailure>> for Failure {
    fn from(error: StoreError<MemoryFailure>) -> Self {
        Self::Store(error)
    }
}

/// Runs a call's body and hands its result to C.
#[inline(always)]
pub(crate) fn answer(body: impl FnOnce() -> Result<(), GapkeeperResult>) -> GapkeeperResult {
    body().err().unwrap_or(GapkeeperResult::Ok)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_results_are_one_to_one() {
        for number in 0..=25 {
            assert_eq!(GapkeeperResult::from_number(number).map(|result| result as u8), Some(number));
        }
        assert_eq!(GapkeeperResult::from_number(26), None);
    }
}
