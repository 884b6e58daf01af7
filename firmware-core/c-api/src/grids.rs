//! Grids by hand: taken in, read out, shifted, faded.

use gapkeeper::{HeightGrid, StoredGrid};

use crate::keeper::{Keeper, KeeperStorage};
use crate::pointer::{self, Answer};
use crate::result::{GapkeeperResult, answer};
use crate::storage::GapkeeperKeeper;
use crate::types::*;
use crate::{GAPKEEPER_STATIONS, convert, tie};

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
            grid: storage.note(HeightGrid::new(grid.lattice.into(), heights_um))?,
            shift_um: grid.shift_um,
            fade,
            bed_temperature_c: grid.bed_temperature_c,
            // The keeper gives it the current one.
            setup: 0,
            closure_um: 0,
            closure_accepted: false,
            surface,
            tie: tie::mark(grid.ties, grid.tie_residual_um)?,
        };
        storage.try_change(|keeper| keeper.adopt(grid).map(drop))
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
        let (ties, tie_residual_um) = tie::numbers(stored.tie);
        grid.give(GapkeeperGrid {
            lattice: stored.grid.lattice().into(),
            fade: stored.fade.into(),
            bed_temperature_c: stored.bed_temperature_c,
            shift_um: stored.shift_um,
            surface: GapkeeperSurface::from(stored.surface) as u8,
            ties,
            tie_residual_um,
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
        shift_um.give(storage.try_change(|keeper| keeper.shift_by(steps))?);
        Ok(())
    })
}

/// Lets the grid that was chosen last fade otherwise, and those to come: also one that its fade kept from coming into
/// force. Two equal heights: it never fades.
///
/// # Safety
/// `keeper` is null or storage for a keeper, `fade` is null or may be read.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_set_fade(
    keeper: *mut GapkeeperKeeper,
    fade: *const GapkeeperFade,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, fade) = unsafe { (KeeperStorage::filled(keeper)?, pointer::read(fade)?) };
        let fade = fade.fade()?;
        storage.try_change(|keeper: &mut Keeper| keeper.set_fade(fade))
    })
}
