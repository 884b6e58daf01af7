//! How a call went, and why.

use core::fmt;

use gapkeeper::memory::RegionError;
use gapkeeper::{GridError, KeeperError, LoadError, PlanError, SettingsError, SplitError, StoreError, TramError};

use crate::memory::MemoryFailure;

/// How a call went. Everything but `OK`, `END` and `TRUNCATED` means that nothing was done, with two exceptions that say
/// so: `gapkeeper_load` and `gapkeeper_begin_memory`, `gapkeeper_save` and `gapkeeper_save_step`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperResult {
    /// Done.
    Ok = 0,
    /// No more pieces, chords or events; nothing left to save.
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
    /// A number for a kind is not one of those in the header.
    UnknownKind = 9,
    /// Before homing no position means anything.
    NotHomed = 10,
    /// Before the memory was read nothing is measured, taken in or saved.
    NotLoaded = 11,
    /// While a survey moves the axes nothing else may.
    SurveyUnderWay = 12,
    /// No survey is under way.
    NoSurvey = 13,
    /// No grid is in force, or there is none at this place.
    NoGrid = 14,
    /// The tolerance is out of range.
    Tolerance = 15,
    /// A piece would end below the lowest machine height allowed.
    BelowLowest = 16,
    /// There is no such arc.
    Arc = 17,
    /// There is no such grid, or the plan's stations make none.
    Grid = 18,
    /// The grid cannot be put in force.
    Unusable = 19,
    /// There is no such fade.
    Fade = 20,
    /// The keeper's settings: a tolerance of nothing.
    SettingsTolerance = 21,
    /// The keeper's settings: a shift step of nothing.
    SettingsShiftStep = 22,
    /// The panel's settings: a knob that is never steady.
    SettingsSteady = 23,
    /// No survey could keep to its settings.
    SurveySettings = 24,
    /// Loading: something measured or told is not saved yet and would be lost.
    Unsaved = 25,
    /// The keeper was made to work without memory.
    WithoutMemory = 26,
    /// Loading: nothing was ever stored here, or the memory does not answer and reads as if it were erased.
    MemoryBlank = 27,
    /// Loading: there are bytes, but none that say which setup holds.
    MemoryUnexpected = 28,
    /// The memory's slots are too few or too small.
    MemorySize = 29,
    /// The slots of an EEPROM begin at address 0.
    MemoryAddressZero = 30,
    /// First address or slot size is no multiple of the page or erase unit.
    MemoryAlignment = 31,
    /// The slots do not fit the memory.
    MemoryTooShort = 32,
    /// No page, or no unit to program, of this size can be served.
    MemoryUnit = 33,
    /// An I2C part that is not waited for: no polls, or no time between them.
    MemoryNoWait = 34,
    /// An I2C device address of eight bits, or with bits that select a block of the part.
    MemoryDeviceAddress = 35,
    /// One of the memory's functions reported a failure.
    MemoryAccess = 36,
    /// The memory did not keep what was written.
    MemoryNotKept = 37,
    /// A newer program saved here; nothing was written over.
    NewerLayout = 38,
    /// Stored by a program built for other slots; nothing was written over.
    OtherGeometry = 39,
    /// A grid of more nodes than `GAPKEEPER_STATIONS` is stored there.
    StoredTooLarge = 40,
    /// The grid cannot be stored.
    NotStorable = 41,
    /// Something newer than this interface; the text says what.
    Other = 42,
    /// No corner round, tie or advice for these screws; the text says which is badly placed.
    Screws = 43,
    /// No tie can be begun: a whole survey is needed; the text says why.
    Tie = 44,
}

impl GapkeeperResult {
    /// The result with this number.
    pub(crate) fn from_number(number: u8) -> Option<Self> {
        // In the order of their numbers, which a test checks.
        const ALL: [GapkeeperResult; 45] = [
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
            GapkeeperResult::NotLoaded,
            GapkeeperResult::SurveyUnderWay,
            GapkeeperResult::NoSurvey,
            GapkeeperResult::NoGrid,
            GapkeeperResult::Tolerance,
            GapkeeperResult::BelowLowest,
            GapkeeperResult::Arc,
            GapkeeperResult::Grid,
            GapkeeperResult::Unusable,
            GapkeeperResult::Fade,
            GapkeeperResult::SettingsTolerance,
            GapkeeperResult::SettingsShiftStep,
            GapkeeperResult::SettingsSteady,
            GapkeeperResult::SurveySettings,
            GapkeeperResult::Unsaved,
            GapkeeperResult::WithoutMemory,
            GapkeeperResult::MemoryBlank,
            GapkeeperResult::MemoryUnexpected,
            GapkeeperResult::MemorySize,
            GapkeeperResult::MemoryAddressZero,
            GapkeeperResult::MemoryAlignment,
            GapkeeperResult::MemoryTooShort,
            GapkeeperResult::MemoryUnit,
            GapkeeperResult::MemoryNoWait,
            GapkeeperResult::MemoryDeviceAddress,
            GapkeeperResult::MemoryAccess,
            GapkeeperResult::MemoryNotKept,
            GapkeeperResult::NewerLayout,
            GapkeeperResult::OtherGeometry,
            GapkeeperResult::StoredTooLarge,
            GapkeeperResult::NotStorable,
            GapkeeperResult::Other,
            GapkeeperResult::Screws,
            GapkeeperResult::Tie,
        ];
        ALL.get(usize::from(number)).copied()
    }
}

/// What can be said without the numbers of the case at hand, in the core's words where it has any.
impl fmt::Display for GapkeeperResult {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Ok => "done",
            Self::End => "nothing more to do",
            Self::Truncated => "text longer than its buffer: give a larger one",
            Self::NullPointer => "a pointer is null",
            Self::WrongSize => "a size does not fit: pass sizeof, and use the header that came with the library",
            Self::Misaligned => "a pointer is not aligned: use the header's types for storage",
            Self::NotInitialised => "storage not initialised: call init or begin first, and look at its result",
            Self::Busy => "at work: do not call from a memory function",
            Self::Changed => "the keeper was changed since the move began: begin again from the logical position",
            Self::UnknownKind => "a kind is not one of those in the header",
            Self::NotHomed => return KeeperError::NotHomed.fmt(f),
            Self::NotLoaded => return KeeperError::NotLoaded.fmt(f),
            Self::SurveyUnderWay => return KeeperError::SurveyUnderWay.fmt(f),
            Self::NoSurvey => return KeeperError::NoSurvey.fmt(f),
            Self::NoGrid => "no grid: measure, or put one in force",
            Self::Tolerance => "the tolerance is out of range",
            Self::BelowLowest => {
                "a piece would end below the lowest height allowed: raise the bed's screws or the shift"
            }
            Self::Arc => "there is no such arc",
            Self::Grid => "there is no such grid",
            Self::Unusable => "shift or fade do not suit the grid",
            Self::Fade => "zero above must be higher than full below, by 100 um or more",
            Self::SettingsTolerance => return SettingsError::Tolerance.fmt(f),
            Self::SettingsShiftStep => return SettingsError::ShiftStep.fmt(f),
            Self::SettingsSteady => "a steady time of 0 ms: set 1 ms or more",
            Self::SurveySettings => "no survey could keep to these settings",
            Self::Unsaved => return LoadError::<MemoryFailure>::Unsaved.fmt(f),
            Self::WithoutMemory => return LoadError::<MemoryFailure>::WithoutMemory.fmt(f),
            Self::MemoryBlank => return LoadError::<MemoryFailure>::Blank.fmt(f),
            Self::MemoryUnexpected => return LoadError::<MemoryFailure>::Unexpected.fmt(f),
            Self::MemorySize => {
                "too few or too small slots: give GAPKEEPER_SLOT_COUNT of GAPKEEPER_SLOT_SIZE(unit) bytes or more"
            }
            Self::MemoryAddressZero => return RegionError::AddressZero.fmt(f),
            Self::MemoryAlignment => "first address and slot size must be multiples of the page or erase unit",
            Self::MemoryTooShort => "the slots do not fit the memory: use fewer or smaller slots",
            Self::MemoryUnit => "pages and units to program are powers of two, 128 and 256 bytes at most",
            Self::MemoryNoWait => return RegionError::NoWait.fmt(f),
            Self::MemoryDeviceAddress => {
                "a device address has seven bits, and those that select a block of the part are not in it"
            }
            Self::MemoryAccess => "the memory did not do as asked",
            Self::MemoryNotKept => "the memory does not keep what is written: replace it",
            Self::NewerLayout => "stored by a newer program: use that program",
            Self::OtherGeometry => {
                "stored by a program built for other slots: use that program, or begin the memory anew"
            }
            Self::StoredTooLarge => "a larger grid is stored there: use the program that stored it, or measure again",
            Self::NotStorable => "the grid cannot be stored",
            Self::Other => "refused",
            Self::Tie => "no grid to tie to: a whole survey is needed",
            Self::Screws => "these screws will not do: check their number, places and threads",
        })
    }
}

/// Why a call was refused, with the numbers of the case.
#[derive(Clone, Copy)]
pub(crate) enum Failure {
    Code(GapkeeperResult),
    Keeper(KeeperError),
    Grid(GridError),
    Plan(PlanError),
    Tram(TramError),
    Load(StoreError<MemoryFailure>),
    SaveSetup(StoreError<MemoryFailure>),
    /// The first of those that failed; the report names the others.
    SaveGrid {
        place: u8,
        error: StoreError<MemoryFailure>,
    },
}

/// The code of what a store says.
pub(crate) fn store_code(error: &StoreError<MemoryFailure>) -> GapkeeperResult {
    match error {
        StoreError::Access(_) => GapkeeperResult::MemoryAccess,
        StoreError::NotKept { .. } => GapkeeperResult::MemoryNotKept,
        StoreError::NewerLayout { .. } => GapkeeperResult::NewerLayout,
        StoreError::OtherGeometry { .. } => GapkeeperResult::OtherGeometry,
        StoreError::TooLarge { .. } => GapkeeperResult::StoredTooLarge,
        StoreError::Value(_) => GapkeeperResult::NotStorable,
        StoreError::Memory { .. } | StoreError::NoSuchPlace { .. } => GapkeeperResult::MemorySize,
        _ => GapkeeperResult::Other,
    }
}

impl Failure {
    pub(crate) fn code(&self) -> GapkeeperResult {
        match self {
            Self::Code(code) => *code,
            Self::Keeper(error) => match error {
                KeeperError::NotHomed => GapkeeperResult::NotHomed,
                KeeperError::NotLoaded => GapkeeperResult::NotLoaded,
                KeeperError::SurveyUnderWay => GapkeeperResult::SurveyUnderWay,
                KeeperError::NoSurvey => GapkeeperResult::NoSurvey,
                KeeperError::NoGrid => GapkeeperResult::NoGrid,
                KeeperError::Split(SplitError::Tolerance { .. }) => GapkeeperResult::Tolerance,
                KeeperError::Split(SplitError::BelowLowest { .. }) => GapkeeperResult::BelowLowest,
                KeeperError::Arc(_) => GapkeeperResult::Arc,
                KeeperError::Unusable(_) => GapkeeperResult::Unusable,
                KeeperError::Record(_) => GapkeeperResult::NotStorable,
                KeeperError::SurveySettings(_) => GapkeeperResult::SurveySettings,
                KeeperError::Tie(_) => GapkeeperResult::Tie,
                KeeperError::Plan(_) => GapkeeperResult::Screws,
                _ => GapkeeperResult::Other,
            },
            // Margins and orders of visits are not part of this interface.
            Self::Plan(PlanError::Corners) | Self::Tram(_) => GapkeeperResult::Screws,
            Self::Grid(_) | Self::Plan(_) => GapkeeperResult::Grid,
            Self::Load(error) | Self::SaveSetup(error) | Self::SaveGrid { error, .. } => store_code(error),
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Code(code) => code.fmt(f),
            Self::Keeper(error) => error.fmt(f),
            Self::Grid(error) => error.fmt(f),
            Self::Plan(error) => error.fmt(f),
            Self::Tram(error) => error.fmt(f),
            Self::Load(error) => error.fmt(f),
            Self::SaveSetup(error) => write!(f, "the setup: {error}"),
            Self::SaveGrid { place, error } => write!(f, "grid {}: {error}", u16::from(*place) + 1),
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

impl From<GridError> for Failure {
    fn from(error: GridError) -> Self {
        Self::Grid(error)
    }
}

impl From<PlanError> for Failure {
    fn from(error: PlanError) -> Self {
        Self::Plan(error)
    }
}

impl From<LoadError<MemoryFailure>> for Failure {
    fn from(error: LoadError<MemoryFailure>) -> Self {
        Self::Code(match error {
            LoadError::Unsaved => GapkeeperResult::Unsaved,
            LoadError::SurveyUnderWay => GapkeeperResult::SurveyUnderWay,
            LoadError::WithoutMemory => GapkeeperResult::WithoutMemory,
            LoadError::Blank => GapkeeperResult::MemoryBlank,
            LoadError::Unexpected => GapkeeperResult::MemoryUnexpected,
            LoadError::TooFewPlaces { .. } => GapkeeperResult::MemorySize,
            LoadError::Store(error) => return Self::Load(error),
            _ => GapkeeperResult::Other,
        })
    }
}

impl From<SettingsError> for GapkeeperResult {
    fn from(error: SettingsError) -> Self {
        match error {
            SettingsError::Tolerance => Self::SettingsTolerance,
            SettingsError::ShiftStep => Self::SettingsShiftStep,
            _ => Self::Other,
        }
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
        for number in 0..=44 {
            assert_eq!(GapkeeperResult::from_number(number).map(|result| result as u8), Some(number));
        }
        assert_eq!(GapkeeperResult::from_number(45), None);
    }
}
