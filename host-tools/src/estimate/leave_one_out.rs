//! Each reading against what all others predict.
//!
//! In the setting of fixed weights, which that of the core's surveys is too: its rough part and its hand do not follow the
//! readings, so a slip stays one.

use nalgebra::{DMatrix, DVector};

use super::error::EstimateError;
use super::kriging::{Kriging, Setting};
use super::surveys::Surveys;
use super::weights::SETTING;
use crate::grid_file::GridDocument;

/// A reading less what all others predict.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Disagreement {
    /// How far it is off.
    pub off_um: f64,
    /// The square of that in its standard deviations: the largest is the likeliest slip.
    pub rank: f64,
}

/// The model of a document's readings without any one of them.
#[derive(Clone, Debug)]
pub struct LeaveOneOut {
    /// Inverse of the readings' covariance, less what the free terms take.
    precision: DMatrix<f64>,
}

impl LeaveOneOut {
    /// For a hand of this spread.
    ///
    /// # Errors
    /// [`EstimateError`] where the readings do not tell the surface.
    pub fn new(document: &GridDocument, hand_um: f64) -> Result<Self, EstimateError> {
        let Surveys { samples, .. } = Surveys::new(&document.readings, &document.older)?;
        let setting = Setting {
            rough_um: SETTING.rough_um * hand_um,
            hand_um: SETTING.hand_um * hand_um,
            drift_um: document.older.drift_um.into(),
            ..SETTING
        };
        let kriging = Kriging::new(&samples, setting).ok_or(EstimateError::Undetermined)?;
        Ok(Self { precision: kriging.precision_without_terms() })
    }

    /// Of heights in the order of the readings, those of older surveys after the newest.
    ///
    /// With the precision `Q` the prediction without reading `i` misses it by `(Q y)ᵢ / Qᵢᵢ`, and `1 / Qᵢᵢ` is the
    /// variance of that (C. E. Rasmussen and C. K. I. Williams 2006, eqs. 5.10 to 5.12).
    pub fn disagreements(&self, heights_um: &[f64]) -> Vec<Disagreement> {
        let pulls = &self.precision * DVector::from_column_slice(heights_um);
        let of = |(pull, precise): (&f64, &f64)| Disagreement { off_um: pull / precise, rank: pull * pull / precise };
        pulls.iter().zip(self.precision.diagonal().iter()).map(of).collect()
    }
}
