//! The prediction averaged over what is not known of bed and hand.

use gapkeeper::{GridError, HeightGrid, Lattice};

use super::error::EstimateError;
use super::kernel::{Frame, Place};
use super::kriging::{Kriging, Setting};
use super::surveys::Surveys;
use crate::grid_file::{CAPACITY, GridDocument, OlderSurveys, StationReading};

/// Spreads of the rough part that are tried.
const ROUGH_UM: [f64; 6] = [3.0, 8.0, 20.0, 50.0, 120.0, 300.0];
/// A bed is as likely half as rough as twice as rough as this, and a factor of e off is one standard deviation (own
/// study).
const USUAL_ROUGH_UM: f64 = 20.0;
/// Lengths of the rough part that are tried, in spans of the readings.
const LENGTHS: [f64; 3] = [0.25, 0.5, 1.0];
/// The shape drifts as stated, or where the surveys show it so many times as far; a factor of 2 is one standard deviation.
const DRIFTS: [f64; 4] = [1.0, 2.0, 4.0, 8.0];
/// Steps of the hand on either side.
const HAND_STEPS: i32 = 2;
/// A setting this much less likely than the likeliest does not change the last digit.
const NEGLIGIBLE: f64 = 1e-12;
/// Half the width of a band that holds 95 % of a normal distribution, in standard deviations.
pub(super) const SURE: f64 = 1.959_963_984_540_054;

/// What is known of the spread of a reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hand {
    /// The likeliest spread.
    pub spread_um: f64,
    /// By what factor it may be off, one standard deviation.
    pub factor: f64,
}

impl Hand {
    /// A hand whose spread is known within a factor of 1.5.
    ///
    /// # Errors
    /// [`EstimateError::Spread`] for a spread outside 1 to 500 µm.
    pub fn of(spread_um: f64) -> Result<Self, EstimateError> {
        let is_held = (1.0..=500.0).contains(&spread_um);
        is_held.then_some(Self { spread_um, factor: 1.5 }).ok_or(EstimateError::Spread { um: spread_um })
    }
}

impl Default for Hand {
    /// Nobody said: 20 µm within a factor of 2.
    fn default() -> Self {
        Self { spread_um: 20.0, factor: 2.0 }
    }
}

/// A height and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Surely {
    /// Mean of what the bed's height may be.
    pub mean_um: f64,
    /// Its standard deviation.
    pub deviation_um: f64,
}

impl Surely {
    /// Half the width of the band around `height_um` that holds the bed with 95 %: how far such a surface may be off.
    pub fn half_width_um(&self, height_um: f64) -> f64 {
        SURE * self.deviation_um.hypot(height_um - self.mean_um)
    }
}

/// The surface of a bed as readings tell it.
#[derive(Clone, Debug)]
pub struct Estimate {
    frame: Frame,
    /// The mean of the readings is taken off, which costs no digits then.
    middle_um: f64,
    parts: Vec<Part>,
    readings: usize,
}

/// One setting and how much it counts for; they add up to 1.
#[derive(Clone, Debug)]
pub(super) struct Part {
    pub share: f64,
    pub kriging: Kriging,
}

impl Estimate {
    /// The surface of readings at any places; there may be several of one place.
    ///
    /// # Errors
    /// [`EstimateError`] where they do not tell it.
    pub fn new(readings: &[StationReading], hand: Hand) -> Result<Self, EstimateError> {
        Self::with_older(readings, &OlderSurveys::default(), hand)
    }

    /// The surface of the readings that a grid document has kept, with its older surveys.
    ///
    /// # Errors
    /// [`EstimateError`] where they do not tell it.
    pub fn of(document: &GridDocument, hand: Hand) -> Result<Self, EstimateError> {
        Self::with_older(&document.readings, &document.older, hand)
    }

    /// The surface of readings with older surveys of the same plate: plane and twist are those of the newest one, the
    /// shape is that of all of them, of each less by how far it has drifted since.
    ///
    /// The drift is taken as stated, and as farther where the surveys disagree by more.
    ///
    /// # Errors
    /// [`EstimateError`] where they do not tell it.
    pub fn with_older(newest: &[StationReading], older: &OlderSurveys, hand: Hand) -> Result<Self, EstimateError> {
        let Surveys { frame, samples, middle_um } = Surveys::new(newest, older)?;
        let drift_um = (!older.readings.is_empty()).then(|| f64::from(older.drift_um));
        let parts = settings(hand, drift_um).filter_map(|(setting, log_prior)| {
            let kriging = Kriging::new(&samples, setting)?;
            Some((log_prior + kriging.log_likelihood, kriging))
        });
        let parts: Vec<(f64, Kriging)> = parts.filter(|(log_share, _)| log_share.is_finite()).collect();
        let likeliest = parts.iter().map(|(log_share, _)| *log_share).fold(f64::NEG_INFINITY, f64::max);
        let mut parts: Vec<Part> = parts
            .into_iter()
            .map(|(log_share, kriging)| Part { share: (log_share - likeliest).exp(), kriging })
            .filter(|part| part.share > NEGLIGIBLE)
            .collect();
        let sum: f64 = parts.iter().map(|part| part.share).sum();
        if parts.is_empty() {
            return Err(EstimateError::Undetermined);
        }
        parts.iter_mut().for_each(|part| part.share /= sum);
        Ok(Self { frame, middle_um, parts, readings: samples.len() })
    }

    /// The height at a place, in micrometres along X and Y.
    pub fn at(&self, x_um: f64, y_um: f64) -> Surely {
        let place = self.place(x_um, y_um);
        let (mut mean_um, mut square_um2) = (0.0, 0.0);
        for Part { share, kriging } in &self.parts {
            let reach = kriging.reach(place);
            let height_um = kriging.mean_um(&reach);
            mean_um += share * height_um;
            square_um2 += share * (kriging.variance_um2(&reach) + height_um * height_um);
        }
        let deviation_um = (square_um2 - mean_um * mean_um).max(0.0).sqrt();
        Surely { mean_um: self.height_um(mean_um), deviation_um }
    }

    /// The mean at the nodes of a lattice.
    ///
    /// # Errors
    /// [`GridError`] for a lattice that makes no grid, and for a surface beyond the range of heights.
    pub fn grid(&self, lattice: Lattice) -> Result<HeightGrid<CAPACITY>, GridError> {
        HeightGrid::from_fn(lattice, |column, row| {
            let (x_um, y_um) = lattice.node_um(column, row);
            // Out of range stays out of range.
            self.at(x_um.into(), y_um.into()).mean_um.round() as i32
        })
    }

    /// How many readings tell it.
    pub fn readings(&self) -> usize {
        self.readings
    }

    /// Spread of a reading as these readings show it; that of readings with a spread of their own does not count.
    pub fn hand_um(&self) -> f64 {
        self.parts.iter().map(|part| part.share * part.kriging.setting.hand_um).sum()
    }

    /// Spread of what the shape changed by from one survey to the next, as they show it; 0 without older ones.
    pub fn drift_um(&self) -> f64 {
        self.parts.iter().map(|part| part.share * part.kriging.setting.drift_um).sum()
    }

    pub(super) fn parts(&self) -> &[Part] {
        &self.parts
    }

    pub(super) fn place(&self, x_um: f64, y_um: f64) -> Place {
        self.frame.place(x_um, y_um)
    }

    /// A height as the parts have it, above the machine's zero.
    pub(super) fn height_um(&self, part_um: f64) -> f64 {
        part_um + self.middle_um
    }
}

/// All settings with the logarithms of their priors: each logarithm of an unknown is normally distributed.
fn settings(hand: Hand, drift_um: Option<f64>) -> impl Iterator<Item = (Setting, f64)> {
    let drifts = DRIFTS.map(|factor| (factor * drift_um.unwrap_or(0.0), -0.5 * factor.log2().powi(2)));
    // A drift of zero stays zero when it is multiplied.
    let drifts = drifts.into_iter().take(if drift_um.is_some_and(|um| um > 0.0) { DRIFTS.len() } else { 1 });
    let hands = (-HAND_STEPS..=HAND_STEPS).map(move |step| {
        let deviations = f64::from(step);
        (hand.spread_um * hand.factor.powf(deviations), -0.5 * deviations * deviations)
    });
    drifts.flat_map(move |(drift_um, log_drift)| {
        hands.clone().flat_map(move |(hand_um, log_hand)| {
            ROUGH_UM.into_iter().flat_map(move |rough_um| {
                let log_prior = log_drift + log_hand - 0.5 * (rough_um / USUAL_ROUGH_UM).ln().powi(2);
                LENGTHS.into_iter().map(move |length| (Setting { rough_um, length, hand_um, drift_um }, log_prior))
            })
        })
    })
}
