//! What survives power: loading, beginning a memory, saving.

use gapkeeper::{LoadError, LoadReport, SaveError};

use crate::GAPKEEPER_GRIDS;
use crate::keeper::{Keeper, KeeperStorage};
use crate::memory::{CallerMemory, CallerStore, GapkeeperMemory, MemoryFailure};
use crate::pointer::{self, Answer, Plain};
use crate::result::{Failure, GapkeeperResult, answer, store_code};
use crate::storage::GapkeeperKeeper;

/// What loading found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperLoadReport {
    /// Grids loaded.
    pub grids: u8,
    /// Places whose record is damaged or of a newer layout.
    pub unreadable: u8,
    /// Grids loaded that may be the ones before the last: a save was cut short there, or a slot is damaged.
    pub doubtful: u8,
    /// 1: the setup could not be told for certain, so a new one was begun and no grid holds.
    pub setup_uncertain: u8,
}

/// What became of each thing that was unsaved: a GapkeeperResult, `GAPKEEPER_RESULT_OK` also where there was nothing to do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperSaveReport {
    /// Of the setup. If it is not stored no grid is tried, and all have its result.
    pub setup: u8,
    /// Of the grid in each place.
    pub grids: [u8; GAPKEEPER_GRIDS],
}

// SAFETY: integers only, so any bytes are a value.
unsafe impl Plain for GapkeeperLoadReport {}
// SAFETY: as above.
unsafe impl Plain for GapkeeperSaveReport {}

/// Loads all that is stored; nothing comes into force before homing. How much stack it takes is in README.md.
///
/// `GAPKEEPER_RESULT_MEMORY_BLANK`: show the result's text and let a person say whether this memory is new; if it is,
/// call `gapkeeper_begin_memory`. After any other failure show the text and go on uncorrected. A failed load leaves no
/// grid, an unknown setup and a keeper that saves nothing until a load has succeeded; only after `UNSAVED`,
/// `SURVEY_UNDER_WAY` and `WITHOUT_MEMORY` everything is as it was.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `memory` is null or has functions that do what [`GapkeeperMemory`] says,
/// `report` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_load(
    keeper: *mut GapkeeperKeeper,
    memory: *const GapkeeperMemory,
    report: *mut GapkeeperLoadReport,
) -> GapkeeperResult {
    // SAFETY: as the caller promises.
    answer(|| unsafe { load(keeper, memory, report, Keeper::load) })
}

/// As `gapkeeper_load`, after a person or the build has confirmed that this memory is to be used from now on, whatever it
/// holds: where no setup can be read, one is stored that no grid there was measured in. Where one can be read this is a
/// plain load.
///
/// # Safety
/// As for `gapkeeper_load`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_begin_memory(
    keeper: *mut GapkeeperKeeper,
    memory: *const GapkeeperMemory,
    report: *mut GapkeeperLoadReport,
) -> GapkeeperResult {
    // SAFETY: as the caller promises.
    answer(|| unsafe { load(keeper, memory, report, Keeper::begin_memory) })
}

/// # Safety
/// As for `gapkeeper_load`.
unsafe fn load(
    keeper: *mut GapkeeperKeeper,
    memory: *const GapkeeperMemory,
    report: *mut GapkeeperLoadReport,
    load: impl FnOnce(&mut Keeper, &mut CallerStore) -> Result<LoadReport, LoadError<MemoryFailure>>,
) -> Result<(), GapkeeperResult> {
    // SAFETY: as the caller promises.
    let (storage, report) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(report)?) };
    // SAFETY: as the caller promises.
    let memory = unsafe { CallerMemory::new(pointer::read(memory)?) }?;
    let found = storage.try_change_alone(|keeper| {
        let mut store = CallerStore::new(memory).map_err(Failure::Load)?;
        load(keeper, &mut store).map_err(Failure::from)
    })?;
    report.give(GapkeeperLoadReport {
        grids: found.grids,
        unreadable: found.unreadable,
        doubtful: found.doubtful,
        setup_uncertain: found.setup_uncertain.into(),
    });
    Ok(())
}

/// Stores whatever is not saved yet and can be stored: the setup first, then each grid by itself. When it returns
/// `GAPKEEPER_RESULT_OK`, all of it survives power loss. Else it returns the first failure, the report says what else was
/// stored, and calling again is safe. The report is written unless a pointer or the memory's sizes are refused.
///
/// # Safety
/// As for `gapkeeper_load`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_save(
    keeper: *mut GapkeeperKeeper,
    memory: *const GapkeeperMemory,
    report: *mut GapkeeperSaveReport,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, report) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(report)?) };
        // SAFETY: as the caller promises.
        let memory = unsafe { CallerMemory::new(pointer::read(memory)?) }?;
        let store = storage.note(CallerStore::new(memory).map_err(Failure::Load))?;
        let mut results = GapkeeperSaveReport::default();
        let saved = storage.try_change_alone(|keeper| save(keeper, store, &mut results));
        report.give(results);
        saved
    })
}

/// The first failure, and all of them in the report.
fn save(keeper: &mut Keeper, mut store: CallerStore, report: &mut GapkeeperSaveReport) -> Result<(), Failure> {
    let Err(error) = keeper.save(&mut store) else { return Ok(()) };
    let for_all = |failure: Failure| {
        let result = failure.code() as u8;
        (GapkeeperSaveReport { setup: result, grids: [result; GAPKEEPER_GRIDS] }, failure)
    };
    let failure;
    (*report, failure) = match error {
        SaveError::NotLoaded => for_all(GapkeeperResult::NotLoaded.into()),
        SaveError::WithoutMemory => for_all(GapkeeperResult::WithoutMemory.into()),
        SaveError::Setup(error) => for_all(Failure::SaveSetup(error)),
        SaveError::Grids(errors) => {
            let mut first = None;
            for ((place, result), error) in (0..).zip(&mut report.grids).zip(errors) {
                if let Some(error) = error {
                    *result = store_code(&error) as u8;
                    first = first.or(Some(Failure::SaveGrid { place, error }));
                }
            }
            (*report, first.unwrap_or(GapkeeperResult::Other.into()))
        }
        _ => for_all(GapkeeperResult::Other.into()),
    };
    Err(failure)
}
