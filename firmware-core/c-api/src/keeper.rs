//! The keeper in a caller's storage: beginning, homing, temperature, turned screws.

use gapkeeper::{KeeperSettings, Order, SettingsError, Status, SurveyEvent};

use crate::pointer::{self, Answer};
use crate::result::{Failure, GapkeeperResult, answer};
use crate::storage::{Content, GAPKEEPER_KEEPER_SIZE, GapkeeperKeeper, Storage};
use crate::survey::GapkeeperOrder;
use crate::types::*;
use crate::{GAPKEEPER_GRIDS, GAPKEEPER_NODES, GAPKEEPER_STATIONS};

/// This library's instantiation.
///
/// cbindgen:ignore
pub(crate) type Keeper = gapkeeper::Keeper<GAPKEEPER_STATIONS, GAPKEEPER_NODES, GAPKEEPER_GRIDS>;

/// What stands in a keeper's storage.
pub(crate) struct KeeperContent {
    /// Raised with every call that may change what pieces under way refer to.
    changes: u32,
    noted: Noted,
    last_failure: Failure,
    keeper: Keeper,
}

/// What the keeper has not been told yet: it may come at any time, and pieces under way need the keeper unchanged.
#[derive(Clone, Copy, Default)]
struct Noted {
    bed_c: Option<i16>,
    is_tripped: Option<bool>,
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

    /// Changes the keeper.
    pub(crate) fn change<T>(&self, change: impl FnOnce(&mut Keeper) -> T) -> T {
        // SAFETY: filled and writable; references of pieces to the keeper are void from here on, since they look at
        // `changes` first.
        let content = unsafe { &mut *self.0.content() };
        content.changes = content.changes.wrapping_add(1);
        // Without a survey the keeper takes both in, whatever they are, and nothing is ordered.
        if let Some(bed_c) = content.noted.bed_c.take() {
            content.keeper.temperature(bed_c, 0, 0);
        }
        if let Some(is_tripped) = content.noted.is_tripped.take() {
            let _ = content.keeper.survey(SurveyEvent::LimitSwitch { is_tripped });
        }
        change(&mut content.keeper)
    }

    /// As [`Self::change`]; a failure is remembered for its text.
    pub(crate) fn try_change<T, E: Into<Failure>>(
        &self,
        change: impl FnOnce(&mut Keeper) -> Result<T, E>,
    ) -> Result<T, GapkeeperResult> {
        self.note(self.change(change))
    }

    /// As [`Self::try_change`]; calls made in the meantime are refused.
    pub(crate) fn try_change_alone<T, E: Into<Failure>>(
        &self,
        change: impl FnOnce(&mut Keeper) -> Result<T, E>,
    ) -> Result<T, GapkeeperResult> {
        self.0.mark_busy();
        let changed = self.try_change(change);
        self.0.mark_filled();
        changed
    }

    /// Remembers why something was refused.
    pub(crate) fn note<T>(&self, result: Result<T, impl Into<Failure>>) -> Result<T, GapkeeperResult> {
        result.map_err(|failure| {
            let failure = failure.into();
            // SAFETY: filled and writable; no reference to this field exists.
            unsafe { (&raw mut (*self.0.content()).last_failure).write(failure) };
            failure.code()
        })
    }

    /// Tells a survey what may come at any time; without one it is remembered.
    pub(crate) fn tell_or_note(&self, event: SurveyEvent) -> Result<Order, GapkeeperResult> {
        if self.keeper().survey_under_way().is_some() {
            return self.try_change(|keeper| keeper.survey(event));
        }
        // SAFETY: filled and writable; no reference to this field exists.
        let noted = unsafe { &mut (*self.0.content()).noted };
        match event {
            SurveyEvent::Temperature { bed_c, .. } => noted.bed_c = Some(bed_c),
            SurveyEvent::LimitSwitch { is_tripped } => noted.is_tripped = Some(is_tripped),
            _ => return self.try_change(|keeper| keeper.survey(event)),
        }
        Ok(Order::Wait)
    }

    /// As if the keeper knew what was noted.
    pub(crate) fn status(&self) -> Status {
        // SAFETY: filled, and nobody else writes it now.
        let noted = unsafe { (*self.0.content()).noted };
        match noted.bed_c {
            Some(bed_c) => self.keeper().status_at(bed_c),
            None => self.keeper().status(),
        }
    }

    pub(crate) fn last_failure(&self) -> Failure {
        // SAFETY: filled, and nobody else writes it now.
        unsafe { (*self.0.content()).last_failure }
    }
}

/// Settings that suit most machines: a grid returns after homing, splits to 2 um, shifts by 10 um, no lowest height, no fade.
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
/// Then load what is stored, then home. Until a load has succeeded no grid is in force, and nothing is measured, taken in
/// or saved. If it fails, the storage holds no keeper.
///
/// # Safety
/// `keeper` is null or may be written for `size` bytes, `settings` is null or may be read.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_init(
    keeper: *mut GapkeeperKeeper,
    size: usize,
    settings: *const GapkeeperSettings,
) -> GapkeeperResult {
    // SAFETY: as the caller promises.
    answer(|| unsafe { init(keeper, size, settings, Keeper::new) })
}

/// As `gapkeeper_init`, for a machine that has no persistent memory: what it measures holds until the power is off.
///
/// # Safety
/// As for `gapkeeper_init`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_init_without_memory(
    keeper: *mut GapkeeperKeeper,
    size: usize,
    settings: *const GapkeeperSettings,
) -> GapkeeperResult {
    // SAFETY: as the caller promises.
    answer(|| unsafe { init(keeper, size, settings, Keeper::without_memory) })
}

/// # Safety
/// As for `gapkeeper_init`.
unsafe fn init(
    keeper: *mut GapkeeperKeeper,
    size: usize,
    settings: *const GapkeeperSettings,
    new: impl FnOnce(KeeperSettings) -> Result<Keeper, SettingsError>,
) -> Result<(), GapkeeperResult> {
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
    let keeper = new(settings.try_into()?)?;
    let (noted, last_failure) = (Noted::default(), GapkeeperResult::Ok.into());
    storage.fill(KeeperContent { changes, noted, last_failure, keeper });
    Ok(())
}

/// All axes were homed. Unless grids return only when asked for, the right one comes into force, and the choice
/// says which and why, or why none. A survey under way is over, without a result.
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
        choice.give(storage.change(Keeper::homed).into());
        Ok(())
    })
}

/// Motors lost their positions: nothing moves before homing, and a survey under way is over, without a result.
///
/// # Safety
/// `keeper` is null or storage for a keeper.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_lost_position(keeper: *mut GapkeeperKeeper) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { KeeperStorage::filled(keeper) }?;
        storage.change(Keeper::lost_position);
        Ok(())
    })
}

/// Puts the right grid for the bed's temperature in force, or none: the choice says which and why.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `choice` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_put_stored_in_force(
    keeper: *mut GapkeeperKeeper,
    choice: *mut GapkeeperChoice,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, choice) = unsafe { (KeeperStorage::filled(keeper)?, Answer::at(choice)?) };
        choice.give(storage.try_change(Keeper::put_stored_in_force)?.into());
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
        storage.change(Keeper::release);
        Ok(())
    })
}

/// How warm it is; call it once a second. It moves nothing: the order is to wait, or to stop where a survey was moving
/// the axes. What a survey makes of it stands in its prompt.
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
        let GapkeeperTemperature { at_s, bed_c, nozzle_c } = unsafe { pointer::read(temperature) }?;
        order.give(storage.tell_or_note(SurveyEvent::Temperature { bed_c, nozzle_c, at_s })?.into());
        Ok(())
    })
}

/// A screw of the bed is going to be turned: every grid is stale from now on, and none is in force. Save, and only then
/// turn. Nothing moves: the order is to wait, or to stop where a survey was moving the axes.
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
        order.give(storage.change(Keeper::screw_turned).into());
        Ok(())
    })
}
