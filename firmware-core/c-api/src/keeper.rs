//! The keeper in a caller's storage: beginning, homing, grids, temperature, status.

use core::ffi::c_char;

use gapkeeper::{HeightGrid, KeeperError, KeeperSettings, Order, Status, StoredGrid};

use crate::pointer::{self, Answer};
use crate::result::{Failure, GapkeeperResult, answer};
use crate::storage::{Content, GAPKEEPER_KEEPER_SIZE, GapkeeperKeeper, Storage};
use crate::survey::GapkeeperOrder;
use crate::types::*;
use crate::{GAPKEEPER_GRIDS, GAPKEEPER_NODES, GAPKEEPER_STATIONS, convert, text};

/// Bytes for any status or prompt: four lines of twenty characters.
pub const GAPKEEPER_SCREEN_TEXT_SIZE: usize = 84;

/// Bytes for the text of any result.
pub const GAPKEEPER_RESULT_TEXT_SIZE: usize = 192;

/// This library's instantiation.
///
/// cbindgen:ignore
pub(crate) type Keeper = gapkeeper::Keeper<GAPKEEPER_STATIONS, GAPKEEPER_NODES, GAPKEEPER_GRIDS>;

/// What stands in a keeper's storage.
pub(crate) struct KeeperContent {
    /// Raised with every call that may change what pieces under way refer to.
    changes: u32,
    /// A bed temperature that the keeper has not been told yet: see [`KeeperStorage::note_temperature`].
    noted_bed_c: Option<i16>,
    last_failure: Failure,
    keeper: Keeper,
}

impl Content for KeeperContent {
    type Opaque = GapkeeperKeeper;
    const MAGIC: u32 = 0x4761_704B;
}

/// A keeper's checked storage.
pub(crate) struct KeeperStorage(Storage<KeeperContent>);

impl KeeperStorage {
    /// # Safety
    /// As for [`Storage::filled`]; writable if [`Self::change`], [`Self::note`] or [`Self::note_temperature`] is used.
    pub(crate) unsafe fn filled(keeper: *const GapkeeperKeeper) -> Result<Self, GapkeeperResult> {
        // SAFETY: as the caller promises.
        Ok(Self(unsafe { Storage::filled(keeper) }?))
    }

    /// The keeper, to be read.
    pub(crate) fn keeper(&self) -> &Keeper {
        // SAFETY: filled, and `change` cannot be called while this reference lives but through another `KeeperStorage`,
        // which the promise of `Storage::filled` forbids.
        unsafe { &(*self.0.content()).keeper }
    }

    /// The keeper, to be read as long as the caller sees to it that [`Self::changes`] stays the same.
    ///
    /// # Safety
    /// The reference is not used any more once `changes` is another one.
    pub(crate) unsafe fn lasting_keeper(&self) -> &'static Keeper {
        // SAFETY: filled; the caller's storage stays where it is, or its address is found to be another one.
        unsafe { &(*self.0.content()).keeper }
    }

    pub(crate) fn changes(&self) -> u32 {
        // SAFETY: filled, and nobody else writes it now.
        unsafe { (*self.0.content()).changes }
    }

    /// Changes the keeper; a failure is remembered for its text.
    pub(crate) fn change<T, E: Into<Failure>>(
        &self,
        change: impl FnOnce(&mut Keeper) -> Result<T, E>,
    ) -> Result<T, GapkeeperResult> {
        // SAFETY: filled and writable; references of pieces to the keeper are void from here on, since they look at
        // `changes` first.
        let content = unsafe { &mut *self.0.content() };
        content.changes = content.changes.wrapping_add(1);
        if let Some(bed_c) = content.noted_bed_c.take() {
            // Without a survey the keeper takes in nothing but the bed's temperature.
            let _ = content.keeper.temperature(bed_c, 0, 0);
        }
        let changed = change(&mut content.keeper).map_err(Into::into);
        changed.map_err(|failure| {
            content.last_failure = failure;
            failure.code()
        })
    }

    /// As [`Self::change`], and whoever calls the keeper meanwhile is refused.
    pub(crate) fn change_alone<T, E: Into<Failure>>(
        &self,
        change: impl FnOnce(&mut Keeper) -> Result<T, E>,
    ) -> Result<T, GapkeeperResult> {
        self.0.mark_busy();
        let changed = self.change(change);
        self.0.mark_filled();
        changed
    }

    /// Remembers why something was refused that did not change the keeper.
    pub(crate) fn note<T>(&self, result: Result<T, impl Into<Failure>>) -> Result<T, GapkeeperResult> {
        result.map_err(|failure| {
            let failure = failure.into();
            // SAFETY: filled and writable; no reference to this field exists.
            unsafe { (&raw mut (*self.0.content()).last_failure).write(failure) };
            failure.code()
        })
    }

    /// Tells a survey the temperatures; without one it is remembered, for pieces under way need the keeper unchanged
    /// and temperatures may come at any time.
    fn note_temperature(&self, temperature: GapkeeperTemperature) -> Order {
        let GapkeeperTemperature { at_s, bed_c, nozzle_c } = temperature;
        if self.keeper().survey_under_way().is_some() {
            let told = self.change(|keeper| Ok::<_, Failure>(keeper.temperature(bed_c, nozzle_c, at_s)));
            return told.unwrap_or(Order::Wait);
        }
        // SAFETY: filled and writable; no reference to this field exists.
        unsafe { (&raw mut (*self.0.content()).noted_bed_c).write(Some(bed_c)) };
        Order::Wait
    }

    fn status(&self) -> Status {
        let status = self.keeper().status();
        // SAFETY: filled, and nobody else writes it now.
        let noted_bed_c = unsafe { (*self.0.content()).noted_bed_c };
        Status { bed_c: noted_bed_c.unwrap_or(status.bed_c), ..status }
    }

    fn last_failure(&self) -> Failure {
        // SAFETY: filled, and nobody else writes it now.
        unsafe { (*self.0.content()).last_failure }
    }
}

/// Settings that suit most machines: restores on homing, splits to 2 um, shifts by 10 um, no lowest height, no fade.
///
/// # Safety
/// `settings` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_settings_default(settings: *mut GapkeeperSettings) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        unsafe { Answer::at(settings) }?.give(KeeperSettings::default().into());
        Ok(())
    })
}

/// Makes a keeper that remembers nothing yet, whatever the storage held. Pass `sizeof(GapkeeperKeeper)`.
///
/// Then load what is stored, then home.
///
/// # Safety
/// `keeper` is null or may be written for `size` bytes, `settings` is null or may be read.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_init(
    keeper: *mut GapkeeperKeeper,
    size: usize,
    settings: *const GapkeeperSettings,
) -> GapkeeperResult {
    answer(|| {
        if size != GAPKEEPER_KEEPER_SIZE {
            return Err(GapkeeperResult::WrongSize);
        }
        // Pieces of a keeper that stood here before shall not take this one for theirs.
        // SAFETY: as the caller promises, and large enough.
        let changes = unsafe { KeeperStorage::filled(keeper) }.map_or(0, |before| before.changes().wrapping_add(1));
        // SAFETY: as the caller promises.
        let storage = unsafe { Storage::fresh(keeper, size) }?;
        // SAFETY: as the caller promises.
        let settings = unsafe { pointer::read(settings) }?;
        let keeper = Keeper::new(settings.try_into()?);
        let last_failure = GapkeeperResult::Ok.into();
        storage.fill(KeeperContent { changes, noted_bed_c: None, last_failure, keeper });
        Ok(())
    })
}

/// All axes were homed. Unless grids are restored on request only, the right one comes into force, and the choice
/// says which and why, or why none.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `choice` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_homed(
    keeper: *mut GapkeeperKeeper,
    choice: *mut GapkeeperChoice,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, choice) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(choice)?) };
        choice.give(storage.change(Keeper::homed)?.into());
        Ok(())
    })
}

/// Motors lost their positions: nothing moves before homing.
///
/// # Safety
/// `keeper` is null or storage for a keeper.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_lost_position(keeper: *mut GapkeeperKeeper) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { KeeperStorage::filled(keeper) }?;
        storage.change(|keeper| {
            keeper.lost_position();
            Ok::<_, Failure>(())
        })
    })
}

/// Puts the right grid for the bed's temperature in force, or none: the choice says which and why.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `choice` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_restore(
    keeper: *mut GapkeeperKeeper,
    choice: *mut GapkeeperChoice,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, choice) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(choice)?) };
        choice.give(storage.change(Keeper::restore)?.into());
        Ok(())
    })
}

/// No grid is in force any more; nothing is forgotten.
///
/// # Safety
/// `keeper` is null or storage for a keeper.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_release(keeper: *mut GapkeeperKeeper) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { KeeperStorage::filled(keeper) }?;
        storage.change(|keeper| {
            keeper.release();
            Ok::<_, Failure>(())
        })
    })
}

/// How warm it is; call it once a second. The order is a survey's that waited for it, else to wait.
///
/// Without a survey it leaves moves under way alone.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `temperature` is null or may be read, `order` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_temperature(
    keeper: *mut GapkeeperKeeper,
    temperature: *const GapkeeperTemperature,
    order: *mut GapkeeperOrder,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, order) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(order)?) };
        // SAFETY: as the caller promises.
        let temperature = unsafe { pointer::read(temperature) }?;
        order.give(storage.note_temperature(temperature).into());
        Ok(())
    })
}

/// Takes a grid from elsewhere as if it had just been measured: it is remembered, in force, and not saved yet.
/// `count` heights in micrometres, row by row.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `grid` is null or may be read, `heights_um` is null or `count` heights.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_set_grid(
    keeper: *mut GapkeeperKeeper,
    grid: *const GapkeeperGrid,
    heights_um: *const i16,
    count: usize,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, grid) = unsafe { (KeeperStorage::filled(keeper)?, pointer::read(grid)?) };
        pointer::check(heights_um)?;
        if count > GAPKEEPER_STATIONS {
            return Err(GapkeeperResult::WrongSize);
        }
        // SAFETY: not null, aligned, and so many heights as the caller promises; few enough for a slice.
        let heights_um = unsafe { core::slice::from_raw_parts(heights_um, count) };
        let surface = convert::surface(grid.surface)?;
        let fade = grid.fade.fade()?;
        let grid = StoredGrid {
            grid: storage.note(HeightGrid::new(grid.lattice.into(), heights_um).map_err(KeeperError::Grid))?,
            shift_um: grid.shift_um,
            fade,
            bed_temperature_c: grid.bed_temperature_c,
            // The keeper gives it the current one.
            setup: 0,
            closure_um: 0,
            closure_accepted: false,
            surface,
        };
        storage.change(|keeper| keeper.adopt(grid).map(drop))
    })
}

/// A remembered grid, by its place from 0. `capacity` is the number of heights that fit; as many as the grid has nodes
/// are written.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `grid` is null or may be written, `heights_um` is null or room for
/// `capacity` heights.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_grid(
    keeper: *const GapkeeperKeeper,
    place: u8,
    grid: *mut GapkeeperGrid,
    heights_um: *mut i16,
    capacity: usize,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, grid) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(grid)?) };
        pointer::check(heights_um)?;
        let stored = storage.keeper().bank().grid(place.into()).ok_or(GapkeeperResult::NoGrid)?;
        let nodes_um = stored.grid.nodes_um();
        if nodes_um.len() > capacity {
            return Err(GapkeeperResult::WrongSize);
        }
        // SAFETY: not null, aligned, and room for so many heights; the keeper's own memory is elsewhere.
        unsafe { heights_um.copy_from_nonoverlapping(nodes_um.as_ptr(), nodes_um.len()) };
        grid.give(GapkeeperGrid {
            lattice: stored.grid.lattice().into(),
            fade: stored.fade.into(),
            bed_temperature_c: stored.bed_temperature_c,
            shift_um: stored.shift_um,
            surface: GapkeeperSurface::from(stored.surface) as u8,
        });
        Ok(())
    })
}

/// Raises (positive) or lowers the whole surface by steps; the shift that is now in force, in micrometres.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `shift_um` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_shift_by(
    keeper: *mut GapkeeperKeeper,
    steps: i16,
    shift_um: *mut i16,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, shift_um) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(shift_um)?) };
        shift_um.give(storage.change(|keeper| keeper.shift_by(steps))?);
        Ok(())
    })
}

/// A screw of the bed is going to be turned: every grid is stale from now on, and none is in force. Save, and only then
/// turn. The order is a survey's, if one is under way.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `order` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_screw_turned(
    keeper: *mut GapkeeperKeeper,
    order: *mut GapkeeperOrder,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, order) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(order)?) };
        order.give(storage.change(|keeper| Ok::<_, Failure>(keeper.screw_turned()))?.into());
        Ok(())
    })
}

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
        status.give(storage.status().into());
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
