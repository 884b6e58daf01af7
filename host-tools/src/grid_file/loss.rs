//! What does not survive a change of format, said exactly.

use std::fmt;

use gapkeeper::{Fade, Surface, Tie};

use super::{GridDocument, SurveyMarks, surface_word};

/// What a format cannot hold, and so was not written; or what was given up in reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Loss {
    /// A shift that is not zero.
    ShiftUm(i32),
    /// The heights of the fade.
    Fade(Fade),
    /// The bed temperature.
    BedTemperatureC(i16),
    /// What the survey found.
    Survey(SurveyMarks),
    /// The lowest machine height.
    LowestMachineZUm(i32),
    /// The readings behind the heights.
    Readings {
        /// How many.
        readings: usize,
    },
    /// The name of the plate.
    Plate,
    /// A record cannot say that there was no survey: it says a closure of zero and this surface.
    NoSurvey(Surface),
    /// Where the first node stands.
    OriginUm(i32, i32),
    /// The distance of the nodes.
    PitchUm(u32, u32),
    /// The setup that a record belongs to.
    Setup(u32),
    /// Which save a record comes from.
    Sequence(u32),
    /// The slot of a memory that a record belongs to.
    Slot(u16),
    /// Numbers that were no whole micrometres, and were rounded by at most half of one.
    Rounded {
        /// How many.
        numbers: usize,
    },
    /// Points that were moved to their places on the lattice.
    Snapped {
        /// How many.
        points: usize,
        /// The farthest along either axis.
        farthest_um: u32,
    },
    /// Single precision does not hold every coordinate to the micrometre.
    SinglePrecision,
}

/// How often a grid was tied, in words.
pub fn times_tied(tie: Tie) -> String {
    if tie.count() == 1 { "once".to_owned() } else { format!("{} times", tie.count()) }
}

impl fmt::Display for Loss {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Loss::ShiftUm(shift_um) => write!(out, "the shift of {shift_um} um"),
            Loss::Fade(fade) => {
                write!(out, "the fade, full below {} um, zero above {} um", fade.full_below_um(), fade.zero_above_um())
            }
            Loss::BedTemperatureC(degrees) => write!(out, "the bed temperature of {degrees} °C"),
            Loss::Survey(marks) => {
                write!(out, "the survey's closure of {} um and its surface", marks.closure_um)?;
                match marks.tie {
                    Some(tie) => write!(out, ", and that it was tied {}", times_tied(tie)),
                    None => Ok(()),
                }
            }
            Loss::LowestMachineZUm(lowest_um) => write!(out, "the lowest machine height, {lowest_um} um"),
            Loss::Readings { readings } => write!(out, "{readings} readings, which tell how sure the surface is"),
            Loss::Plate => write!(out, "the name of the plate"),
            Loss::NoSurvey(surface) => {
                write!(out, "that there was no survey: closure 0 um, {} surface", surface_word(*surface))
            }
            Loss::OriginUm(x_um, y_um) => write!(out, "the place of the first node, x {x_um} um, y {y_um} um"),
            Loss::PitchUm(x_um, y_um) => write!(out, "the distance of the nodes, {x_um} um along X, {y_um} um along Y"),
            Loss::Setup(setup) => write!(out, "the setup, {setup}"),
            Loss::Sequence(sequence) => write!(out, "the number of the save, {sequence}"),
            Loss::Slot(slot) => write!(out, "the slot of the memory, {slot}"),
            Loss::Rounded { numbers } => write!(out, "fractions of a micrometre, rounded off {numbers} numbers"),
            Loss::Snapped { points, farthest_um } => {
                write!(out, "how far {points} points were off the lattice, up to {farthest_um} um")
            }
            Loss::SinglePrecision => write!(out, "the last digits of coordinates beyond single precision"),
        }
    }
}

/// What a format of bare heights at their places leaves out.
pub(super) fn beside_heights(document: &GridDocument) -> Vec<Loss> {
    let shift = Some(document.shift_um).filter(|shift_um| *shift_um != 0);
    let temperature = document.bed_temperature_c.map(Loss::BedTemperatureC);
    let lowest = document.lowest_machine_z_um.map(Loss::LowestMachineZUm);
    [
        shift.map(Loss::ShiftUm),
        document.fade.map(Loss::Fade),
        temperature,
        document.survey.map(Loss::Survey),
        lowest,
        readings(document),
        plate(document),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The name of the plate, if it has one.
pub(super) fn plate(document: &GridDocument) -> Option<Loss> {
    document.plate.as_ref().map(|_| Loss::Plate)
}

/// The readings, if there are any, with those of older surveys.
pub(super) fn readings(document: &GridDocument) -> Option<Loss> {
    let older: usize = document.older.readings.iter().map(Vec::len).sum();
    let readings = document.readings.len() + older;
    (readings > 0).then_some(Loss::Readings { readings })
}

/// What a bare table of heights leaves out.
pub(super) fn beside_table(document: &GridDocument) -> Vec<Loss> {
    let lattice = document.grid.lattice();
    let places = [Loss::OriginUm(lattice.x0_um, lattice.y0_um), Loss::PitchUm(lattice.pitch_x_um, lattice.pitch_y_um)];
    places.into_iter().chain(beside_heights(document)).collect()
}

/// The loss by rounding, if any number was rounded.
pub(super) fn rounded(numbers: usize) -> Option<Loss> {
    (numbers > 0).then_some(Loss::Rounded { numbers })
}
