//! The surveys of one plate, as the model has them.

use std::collections::BTreeSet;

use gapkeeper::GridAxis;
use nalgebra::DMatrix;

use super::error::{EstimateError, FEWEST_READINGS, FEWEST_TIED, MOST_READINGS};
use super::kernel::{Frame, SCREW_TERMS, free_terms};
use super::kriging::{Sample, all_terms};
use crate::grid_file::{GridDocument, OlderSurveys, StationReading};

/// What older surveys are worth where nobody says: standard deviation of what a shape changes by from one survey to the
/// next (own study).
pub const USUAL_DRIFT_UM: u16 = 15;

/// The surveys that a document has kept, as older ones of a later survey: its own readings first. What the shape drifts by
/// is what its older surveys state, else [`USUAL_DRIFT_UM`].
pub fn surveys_of(document: &GridDocument) -> OlderSurveys {
    let older = &document.older;
    let drift_um = if older.readings.is_empty() { USUAL_DRIFT_UM } else { older.drift_um };
    let mut surveys = OlderSurveys { drift_um, ..OlderSurveys::default() };
    if !document.readings.is_empty() {
        surveys.push(document.readings.clone(), document.bed_temperature_c);
    }
    for (survey, readings) in older.readings.iter().enumerate() {
        surveys.push(readings.clone(), older.bed_temperature_c(survey));
    }
    surveys
}

/// The readings of all surveys; those that cannot be told apart are refused.
pub(super) struct Surveys {
    pub frame: Frame,
    pub samples: Vec<Sample>,
    /// Mean of the newest survey. The mean of each is taken off its readings, which costs no digits then: its height is
    /// among the free terms.
    pub middle_um: f64,
}

impl Surveys {
    pub(super) fn new(newest: &[StationReading], older: &OlderSurveys) -> Result<Self, EstimateError> {
        let surveys: Vec<&[StationReading]> =
            std::iter::once(newest).chain(older.readings.iter().map(Vec::as_slice)).collect();
        let found = surveys.iter().map(|readings| readings.len()).sum();
        if found > MOST_READINGS {
            return Err(EstimateError::TooMany { found });
        }
        let is_alone = surveys.len() == 1;
        if is_alone && found < FEWEST_READINGS {
            return Err(EstimateError::TooFew { found });
        }
        for (age, readings) in surveys.iter().enumerate() {
            if !is_alone {
                screw_terms(readings, age)?;
            }
            if let Some(first) = surveys[..age].iter().position(|other| other == readings) {
                return Err(EstimateError::Twice { first, age });
            }
        }
        if !is_alone {
            reaches(newest, reach_um(older.readings.iter().flatten()))?;
        }
        let places = surveys.iter().copied().flatten().map(|reading| (reading.at.x_um, reading.at.y_um));
        let frame = Frame::of(places).ok_or(EstimateError::Undetermined)?;
        let mean_um = |readings: &[StationReading]| {
            readings.iter().map(|reading| f64::from(reading.at.height_um)).sum::<f64>() / readings.len() as f64
        };
        let mut samples = Vec::with_capacity(found);
        for (age, readings) in surveys.iter().enumerate() {
            let mean_um = mean_um(readings);
            samples.extend(readings.iter().map(|reading| Sample {
                place: frame.place(reading.at.x_um.into(), reading.at.y_um.into()),
                age,
                height_um: f64::from(reading.at.height_um) - mean_um,
                spread_um: reading.spread_um.map(f64::from),
            }));
        }
        let told = tells(all_terms(&samples, surveys.len()));
        told.then_some(Self { frame, samples, middle_um: mean_um(newest) }).ok_or(EstimateError::Undetermined)
    }
}

/// Plane and twist at the readings of a survey, which must tell them apart and whether they are all that has changed.
pub(super) fn screw_terms(readings: &[StationReading], age: usize) -> Result<DMatrix<f64>, EstimateError> {
    let places: BTreeSet<(i32, i32)> = readings.iter().map(|reading| (reading.at.x_um, reading.at.y_um)).collect();
    let found = places.len();
    if found < FEWEST_TIED {
        return Err(EstimateError::TooFewToTie { age, found });
    }
    let undetermined = EstimateError::UndeterminedTie { age };
    let frame = Frame::of(places).ok_or(undetermined)?;
    let terms = DMatrix::from_fn(readings.len(), SCREW_TERMS, |row, term| {
        free_terms(frame.place(readings[row].at.x_um.into(), readings[row].at.y_um.into()))[term]
    });
    if tells(terms.clone()) { Ok(terms) } else { Err(undetermined) }
}

/// How far readings reach along X and along Y.
fn reach_um<'a>(readings: impl Iterator<Item = &'a StationReading> + Clone) -> [u32; 2] {
    let along = |um: fn(&StationReading) -> i32| {
        let (least, most) = (readings.clone().map(um).min(), readings.clone().map(um).max());
        least.zip(most).map_or(0, |(least, most)| most.abs_diff(least))
    };
    [along(|reading| reading.at.x_um), along(|reading| reading.at.y_um)]
}

/// Readings that tell plane and twist must reach over half of the shape along both axes (own limit, no source): what they
/// are off by grows with the distance outside them.
pub(super) fn reaches(readings: &[StationReading], shape_um: [u32; 2]) -> Result<(), EstimateError> {
    let found_um = reach_um(readings.iter());
    for (axis, (found_um, shape_um)) in [GridAxis::X, GridAxis::Y].into_iter().zip(found_um.into_iter().zip(shape_um)) {
        if found_um < shape_um.div_ceil(2) {
            return Err(EstimateError::Narrow { axis, found_um, shape_um });
        }
    }
    Ok(())
}

/// Whether the terms can be told apart: no singular value is nothing beside the largest.
fn tells(terms: DMatrix<f64>) -> bool {
    const NOTHING: f64 = 1e-6;
    let values = terms.singular_values();
    values.min() > NOTHING * values.max()
}
