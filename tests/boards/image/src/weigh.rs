//! Calls to link and to weigh, never to run: the arguments come from nowhere.

use core::hint::black_box;

use gapkeeper::record::{decode_grid, encode_grid};
use gapkeeper::{
    Arc, Correction, Fade, HeightGrid, Keeper, Lattice, Move, Plane, StoredGrid, Survey, SurveyEvent, Turn,
};
use gapkeeper::{KeeperSettings, SurveyPlan, SurveySettings};

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

/// The same and back to logical height.
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
    let mut survey = Survey::new(plan, *given::<SurveySettings>(), *given::<i32>());
    black_box(survey.handle(*given::<SurveyEvent>()));
    black_box(survey.prompt());
    black_box(survey.result(*given::<u32>()).is_some());
}

/// All of it behind a keeper, but for texts and memories.
pub fn keeper() {
    let mut keeper = Keeper::<9, 225, 4>::new(*given::<KeeperSettings>());
    black_box(keeper.homed().is_ok());
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
