//! Universal kriging for one setting: the best linear unbiased prediction and its variance.
//!
//! C. E. Rasmussen and C. K. I. Williams, *Gaussian Processes for Machine Learning* (2006), section 2.7, with free
//! terms whose prior is infinitely wide; the likelihood is the restricted one, of what the free terms leave.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::kernel::{FREE_TERMS, Place, SCREW_TERMS, matern_5_2, terms_of};

/// Length of a drift, in spans: that of the rough part is the plate's, and says nothing of what heat and clamps do to it.
const DRIFT_LENGTH: f64 = 0.5;

/// What one prediction assumes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Setting {
    /// Spread of the rough part.
    pub rough_um: f64,
    /// Its length, in spans.
    pub length: f64,
    /// Spread of a reading whose own is not known.
    pub hand_um: f64,
    /// Spread of what the shape changes by from one survey to the next.
    pub drift_um: f64,
}

impl Setting {
    /// Covariance of the rough part at a place in a survey of one age and at another in one of another age. Drifts add
    /// up from the newest survey back, so two surveys share those of the newer one.
    fn covariance_um2(&self, one: (Place, usize), other: (Place, usize)) -> f64 {
        let rough_um2 = self.rough_um.powi(2) * matern_5_2(one.0, other.0, self.length);
        match one.1.min(other.1) {
            0 => rough_um2,
            shared => rough_um2 + shared as f64 * self.drift_um.powi(2) * matern_5_2(one.0, other.0, DRIFT_LENGTH),
        }
    }
}

/// A reading as the model has it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub place: Place,
    /// How many surveys are newer than its own.
    pub age: usize,
    pub height_um: f64,
    /// Its own spread, if it is known.
    pub spread_um: Option<f64>,
}

/// The prediction from some readings.
#[derive(Clone, Debug)]
pub(super) struct Kriging {
    pub setting: Setting,
    /// Logarithm of the restricted likelihood, but for a constant of the readings' number.
    pub log_likelihood: f64,
    /// Places of the readings, and the ages of their surveys.
    places: Vec<(Place, usize)>,
    surveys: usize,
    /// Of the readings' covariance.
    factor: Cholesky<f64, Dyn>,
    /// Free terms of the readings, whitened by that factor.
    terms: DMatrix<f64>,
    /// Of the free terms' precision.
    precision: Cholesky<f64, Dyn>,
    coefficients_um: DVector<f64>,
    /// What the free terms leave of the readings, whitened.
    left_um: DVector<f64>,
}

/// What the prediction of a place hangs on.
#[derive(Clone, Debug)]
pub(super) struct Reach {
    /// Covariance with the readings, whitened.
    covariance: DVector<f64>,
    /// Free terms that the readings leave open, whitened by their precision.
    open: DVector<f64>,
    free: DVector<f64>,
    place: Place,
}

impl Kriging {
    /// None if a matrix is not positive definite: the readings do not tell the free terms.
    pub(super) fn new(samples: &[Sample], setting: Setting) -> Option<Self> {
        let count = samples.len();
        let places: Vec<(Place, usize)> = samples.iter().map(|sample| (sample.place, sample.age)).collect();
        let surveys = 1 + samples.iter().map(|sample| sample.age).max()?;
        let mut covariance =
            DMatrix::from_fn(count, count, |row, column| setting.covariance_um2(places[row], places[column]));
        for (at, sample) in samples.iter().enumerate() {
            covariance[(at, at)] += sample.spread_um.unwrap_or(setting.hand_um).powi(2);
        }
        let factor = covariance.cholesky()?;
        let lower = factor.l_dirty();
        let mut terms = all_terms(samples, surveys);
        let mut left_um = DVector::from_iterator(count, samples.iter().map(|sample| sample.height_um));
        if !(lower.solve_lower_triangular_mut(&mut terms) && lower.solve_lower_triangular_mut(&mut left_um)) {
            return None;
        }
        let precision = terms.tr_mul(&terms).cholesky()?;
        let coefficients_um = precision.solve(&terms.tr_mul(&left_um));
        left_um -= &terms * &coefficients_um;
        let log_sum = |diagonal: f64| diagonal.ln();
        let log_likelihood = -0.5 * left_um.norm_squared()
            - lower.diagonal().map(log_sum).sum()
            - precision.l_dirty().diagonal().map(log_sum).sum();
        Some(Self { setting, log_likelihood, places, surveys, factor, terms, precision, coefficients_um, left_um })
    }

    /// Of a place as it stands in the newest survey.
    pub(super) fn reach(&self, place: Place) -> Reach {
        let mut covariance = DVector::from_iterator(
            self.places.len(),
            self.places.iter().map(|&reading| self.setting.covariance_um2((place, 0), reading)),
        );
        // The factor was used once, so it has no zero on its diagonal.
        self.factor.l_dirty().solve_lower_triangular_mut(&mut covariance);
        let free = DVector::from_iterator(self.terms.ncols(), terms_of(place, 0, self.surveys));
        let mut open = &free - self.terms.tr_mul(&covariance);
        // As above.
        self.precision.l_dirty().solve_lower_triangular_mut(&mut open);
        Reach { open, covariance, free, place }
    }

    /// Mean of the surface.
    pub(super) fn mean_um(&self, reach: &Reach) -> f64 {
        reach.free.dot(&self.coefficients_um) + reach.covariance.dot(&self.left_um)
    }

    /// Variance of the surface, without that of a reading there.
    pub(super) fn variance_um2(&self, reach: &Reach) -> f64 {
        self.covariance_um2(reach, reach).max(0.0)
    }

    /// Covariance of the surface at two places.
    pub(super) fn covariance_um2(&self, one: &Reach, other: &Reach) -> f64 {
        self.setting.covariance_um2((one.place, 0), (other.place, 0)) - one.covariance.dot(&other.covariance)
            + one.open.dot(&other.open)
    }

    /// What each reading counts for at a place: the mean is the sum of weights times readings.
    pub(super) fn weights(&self, reach: &Reach) -> Vec<f64> {
        let mut open = reach.open.clone();
        self.precision.l_dirty().tr_solve_lower_triangular_mut(&mut open);
        let mut weights = &self.terms * open + &reach.covariance;
        self.factor.l_dirty().tr_solve_lower_triangular_mut(&mut weights);
        weights.iter().copied().collect()
    }

    /// Inverse of the readings' covariance, less what the free terms take: it leaves nothing of them.
    pub(super) fn precision_without_terms(&self) -> DMatrix<f64> {
        let mut whitening = DMatrix::identity(self.places.len(), self.places.len());
        self.factor.l_dirty().solve_lower_triangular_mut(&mut whitening);
        let mut taken = self.terms.tr_mul(&whitening);
        self.precision.l_dirty().solve_lower_triangular_mut(&mut taken);
        whitening.tr_mul(&whitening) - taken.tr_mul(&taken)
    }
}

/// The free terms of all readings.
pub(super) fn all_terms(samples: &[Sample], surveys: usize) -> DMatrix<f64> {
    let rows = samples.iter().flat_map(|sample| terms_of(sample.place, sample.age, surveys));
    let columns = FREE_TERMS + SCREW_TERMS * surveys.saturating_sub(1);
    DMatrix::from_row_iterator(samples.len(), columns, rows)
}
