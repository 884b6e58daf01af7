//! What survives power: loading, beginning a memory, saving.

use gapkeeper::{LoadError, LoadReport, SaveError, Saving};

use crate::GAPKEEPER_GRIDS;
use crate::keeper::{Keeper, KeeperStorage};
use crate::memory::{CallerMemory, CallerStore, GapkeeperMemory, MemoryFailure};
use crate::pointer::{self, Answer, Plain};
use crate::result::{Failure, GapkeeperResult, answer, store_code};
use crate::storage::{Content, GapkeeperKeeper, GapkeeperStore, Storage};

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
/// It waits for the memory all the while; `gapkeeper_save_step` does the same in pieces.
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

/// What a step of a save works with, in the caller's storage: a job goes on where the step before left it.
pub(crate) struct StoreContent {
    store: CallerStore,
}

impl Content for StoreContent {
    type Opaque = GapkeeperStore;
    const MAGIC: u32 = 0x4761_7053;
}

/// Makes a store for `gapkeeper_save_step`, whatever the storage held; nothing is read or written yet. Pass
/// `sizeof(GapkeeperStore)`. If it fails, the storage holds no store. What a save before had begun there ends as a power cut
/// would end it, and is still unsaved.
///
/// # Safety
/// `store` is null or may be written for `size` bytes; `memory` is null or has functions that do what [`GapkeeperMemory`]
/// says, as long as the store is used.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_store_begin(
    store: *mut GapkeeperStore,
    size: usize,
    memory: *const GapkeeperMemory,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { Storage::<StoreContent>::fresh(store, size) }?;
        // SAFETY: as the caller promises.
        let memory = unsafe { CallerMemory::new(pointer::read(memory)?) }?;
        let store = CallerStore::new(memory).map_err(|error| store_code(&error))?;
        storage.fill(StoreContent { store });
        Ok(())
    })
}

/// One step of a save: one access to the memory at most, and the main loop goes on in between. After
/// `GAPKEEPER_RESULT_OK` there is more to do, after `GAPKEEPER_RESULT_END` nothing is left. Whatever changes between two
/// steps is saved too, and a turned screw before all else.
///
/// Any other result names one thing that could not be stored; further calls go on with the others. What failed is tried
/// again after `END`, so `END` with `unsaved` in the status means that something failed.
///
/// A step is a change of the keeper: take all pieces of a move before the next step. A step that is not called leaves what a
/// power cut would leave there.
///
/// # Safety
/// `keeper` is null or storage for a keeper; `store` is null or storage for a store, whose memory is still there.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_save_step(
    keeper: *mut GapkeeperKeeper,
    store: *mut GapkeeperStore,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, place) = unsafe { (KeeperStorage::filled(keeper)?, Storage::<StoreContent>::filled(store)?) };
        place.mark_busy();
        // SAFETY: filled and writable; nobody else looks at it while it is marked.
        let store = unsafe { &mut (*place.content()).store };
        let step = storage.try_change_alone(|keeper| keeper.save_step(store).map_err(failure));
        place.mark_filled();
        match step? {
            Saving::Working => Ok(()),
            Saving::Done => Err(GapkeeperResult::End),
        }
    })
}

/// The first failure, and all of them in the report.
fn save(keeper: &mut Keeper, mut store: CallerStore, report: &mut GapkeeperSaveReport) -> Result<(), Failure> {
    let Err(error) = keeper.save(&mut store) else { return Ok(()) };
    if let SaveError::Grids(errors) = &error {
        for (result, error) in report.grids.iter_mut().zip(errors) {
            *result = error.as_ref().map_or(GapkeeperResult::Ok, store_code) as u8;
        }
        return Err(failure(error));
    }
    let failure = failure(error);
    let result = failure.code() as u8;
    *report = GapkeeperSaveReport { setup: result, grids: [result; GAPKEEPER_GRIDS] };
    Err(failure)
}

/// Why something was not saved; of several grids the first.
fn failure(error: SaveError<MemoryFailure, GAPKEEPER_GRIDS>) -> Failure {
    match error {
        SaveError::NotLoaded => GapkeeperResult::NotLoaded.into(),
        SaveError::WithoutMemory => GapkeeperResult::WithoutMemory.into(),
        SaveError::Setup(error) => Failure::SaveSetup(error),
        SaveError::Grids(errors) => (0..)
            .zip(errors)
            .find_map(|(place, error)| Some(Failure::SaveGrid { place, error: error? }))
            .unwrap_or(GapkeeperResult::Other.into()),
        _ => GapkeeperResult::Other.into(),
    }
}
