//! Calls to link and to weigh, never to run: the arguments come from nowhere.

use core::hint::black_box;

use gapkeeper::memory::{ByteEeprom, I2cEeprom, I2cEepromPart, NorFlashSlots, Region, SlotMemory};
use gapkeeper::record::{decode_grid, encode_grid, max_record_size};
use gapkeeper::{
    Arc, BedHeight, Correction, Fade, Flow, HeightGrid, Hold, Keeper, Lattice, Move, Plane, Screw, Store, StoredGrid,
    Survey, SurveyEvent, TramAdvice, Turn,
};
use gapkeeper::{KeeperSettings, SurveyPlan, SurveySettings};

use wires::Wires;

mod wires;

type Bed = Correction<225>;

/// A value that the compiler knows nothing of.
fn given<T: 'static>() -> &'static mut T {
    // SAFETY: images that call this are linked and weighed, and never run.
    unsafe { &mut *black_box(core::ptr::dangling_mut()) }
}

/// Machine height at a place.
pub fn correction() {
    let [x_um, y_um, z_um] = *given::<[i32; 3]>();
    black_box(given::<Bed>().machine_z_um(x_um, y_um, z_um));
}

/// Machine height, and moves to pieces.
pub fn motion() {
    correction();
    if let Ok(split) = &mut given::<Bed>().split(given::<Move<1>>(), *given::<u16>()) {
        for piece in split {
            black_box(&piece);
        }
    }
}

/// The same with `E` scaled while the shape fades.
pub fn motion_scaled() {
    motion();
    let flow = given::<Flow>();
    if let Ok(split) = &mut given::<Bed>().split(given::<Move<1>>(), *given::<u16>()) {
        while let Some(piece) = split.next_scaled(flow) {
            black_box(&piece);
        }
    }
}

/// The same as [`motion`], and back to logical height.
pub fn motion_inverse() {
    motion();
    let [x_um, y_um, z_um] = *given::<[i32; 3]>();
    black_box(given::<Bed>().logical_z_um(x_um, y_um, z_um));
}

/// The same as [`motion`], and arcs by centre or radius to chords.
pub fn motion_arc() {
    motion();
    let by_centre = Arc::with_centre(*given::<Move<1>>(), Plane::Xy, Turn::Clockwise, *given::<[i32; 2]>());
    let by_radius = Arc::with_radius(*given::<Move<1>>(), Plane::Xy, Turn::Clockwise, *given::<i32>());
    if let Ok(chords) = black_box(by_centre.or(by_radius)).and_then(|arc| arc.chords(*given::<u16>())) {
        for chord in chords {
            black_box(&chord);
        }
    }
}

/// A grid from heights, with shift and fade.
pub fn set_up() {
    let heights_um: &[i16] = *given::<&'static [i16]>();
    let Ok(grid) = HeightGrid::<225>::new(*given::<Lattice>(), heights_um) else { return };
    let Ok(correction) = Correction::new(grid).with_shift(*given::<i32>()) else { return };
    if let Ok(fade) = Fade::new(*given::<i32>(), *given::<i32>()) {
        black_box(correction.with_fade(fade).is_ok());
    }
}

/// A denser grid from nine readings.
pub fn refine() {
    black_box(given::<HeightGrid<9>>().densest::<225>().is_ok());
}

/// A record, written and read.
pub fn record() {
    black_box(encode_grid(given::<StoredGrid<9>>(), *given::<u32>(), given::<[u8; 80]>()).is_ok());
    black_box(decode_grid::<9>(given::<[u8; 80]>()).is_ok());
}

/// A survey of nine stations.
pub fn survey() {
    let Ok(plan) = SurveyPlan::<9>::new(*given::<Lattice>()) else { return };
    measured(plan);
}

/// The same with the middles of cells, and the weights of layouts with 5×5 nodes.
pub fn survey_middles() {
    let Ok(plan) = SurveyPlan::<25>::new(*given::<Lattice>()) else { return };
    let Ok(plan) = plan.with_middles() else { return };
    black_box(given::<Survey<25>>().agreement().is_some());
    measured(plan);
}

fn measured<const STATIONS: usize>(plan: SurveyPlan<STATIONS>) {
    let Ok(mut survey) = Survey::new(plan, *given::<SurveySettings>(), *given::<i32>()) else { return };
    black_box(survey.handle(*given::<SurveyEvent>()));
    black_box(survey.prompt());
    black_box(survey.result(*given::<u32>()).is_some());
}

/// How far to turn which screw.
pub fn tram() {
    let readings: &[BedHeight] = *given::<&'static [BedHeight]>();
    let screws: &[Screw] = *given::<&'static [Screw]>();
    black_box(TramAdvice::new(readings.iter().copied(), screws, *given::<Hold>()).is_ok());
}

/// Setup and grids saved and loaded.
fn saved<M: SlotMemory>(memory: M) {
    let Ok(mut store) = Store::<M, 9, { max_record_size(9) }>::new(memory) else { return };
    black_box(store.load_setup().is_ok());
    black_box(store.save_setup(*given::<u32>()).is_ok());
    black_box(store.load_grid(*given::<usize>()).is_ok());
    black_box(store.save_grid(*given::<usize>(), given::<StoredGrid<9>>()).is_ok());
}

/// The store over a memory that is left out.
pub fn store() {
    let memory: &mut dyn SlotMemory<Error = u8> = *given::<&'static mut dyn SlotMemory<Error = u8>>();
    saved(memory);
}

/// The store over an EEPROM that is written byte by byte.
pub fn byte_eeprom() {
    if let Ok(memory) = ByteEeprom::new(Wires, *given::<Region>()) {
        saved(memory);
    }
}

/// The store over an EEPROM on an I2C bus.
pub fn i2c_eeprom() {
    if let Ok(memory) = I2cEeprom::new(Wires, Wires, *given::<I2cEepromPart>(), *given::<Region>()) {
        saved(memory);
    }
}

/// The store over NOR flash.
pub fn nor_flash() {
    if let Ok(memory) = NorFlashSlots::new(Wires, *given::<Region>(), |_| false) {
        saved(memory);
    }
}

/// All of it behind a keeper, but for texts and memories.
pub fn keeper() {
    let Ok(mut keeper) = Keeper::<9, 225, 4>::new(*given::<KeeperSettings>()) else { return };
    // Whatever it has read by now.
    let keeper = black_box(&mut keeper);
    black_box(keeper.homed());
    black_box(keeper.begin_survey(given::<SurveyPlan<9>>().clone(), *given::<SurveySettings>(), 0).is_ok());
    black_box(keeper.survey(*given::<SurveyEvent>()).is_ok());
    if let Ok(pieces) = keeper.line(given::<Move<1>>()) {
        for piece in pieces {
            black_box(&piece);
        }
    }
}

/// Nothing: what every image has.
pub fn nothing() {}
