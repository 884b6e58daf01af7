//! Universal kriging for one setting: the best linear unbiased prediction and its variance.
//!
//! C. E. Rasmussen and C. K. I. Williams, *Gaussian Processes for Machine Learning* (2006), section 2.7, with free
//! terms whose prior is infinitely wide; the likelihood is the restricted one, of what the free terms leave.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, SMatrix, SVector};

use super::kernel::{FREE_TERMS, Place, free_terms, matern_5_2};

type Terms = SVector<f64, FREE_TERMS>;

/// What one prediction assumes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Setting {
    /// Spread of the rough part.
    pub rough_um: f64,
    /// Its length, in spans.
    pub length: f64,
    /// Spread of a reading whose own is not known.
    pub hand_um: f64,
}

/// A reading as the model has it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub place: Place,
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
    places: Vec<Place>,
    /// Of the readings' covariance.
    factor: Cholesky<f64, Dyn>,
    /// Free terms of the readings, whitened by that factor.
    terms: DMatrix<f64>,
    /// Of the free terms' precision.
    precision: Cholesky<f64, nalgebra::Const<FREE_TERMS>>,
    coefficients_um: Terms,
    /// What the free terms leave of the readings, whitened.
    left_um: DVector<f64>,
}

/// What the prediction of a place hangs on.
#[derive(Clone, Debug)]
pub(super) struct Reach {
    /// Covariance with the readings, whitened.
    covariance: DVector<f64>,
    /// Free terms that the readings leave open, whitened by their precision.
    open: Terms,
    free: Terms,
    place: Place,
}

impl Kriging {
    /// None if a matrix is not positive definite: the readings do not tell the free terms.
    pub(super) fn new(samples: &[Sample], setting: Setting) -> Option<Self> {
        let Setting { rough_um, length, hand_um } = setting;
        let count = samples.len();
        let places: Vec<Place> = samples.iter().map(|sample| sample.place).collect();
        let mut covariance = DMatrix::from_fn(count, count, |row, column| {
            rough_um.powi(2) * matern_5_2(places[row], places[column], length)
        });
        for (at, sample) in samples.iter().enumerate() {
            covariance[(at, at)] += sample.spread_um.unwrap_or(hand_um).powi(2);
        }
        let factor = covariance.cholesky()?;
        let lower = factor.l_dirty();
        let mut terms = DMatrix::from_fn(count, FREE_TERMS, |row, term| free_terms(places[row])[term]);
        let mut left_um = DVector::from_iterator(count, samples.iter().map(|sample| sample.height_um));
        if !(lower.solve_lower_triangular_mut(&mut terms) && lower.solve_lower_triangular_mut(&mut left_um)) {
            return None;
        }
        let squares: SMatrix<f64, FREE_TERMS, FREE_TERMS> =
            terms.tr_mul(&terms).fixed_view::<FREE_TERMS, FREE_TERMS>(0, 0).into();
        let precision = squares.cholesky()?;
        let products: Terms = terms.tr_mul(&left_um).fixed_rows::<FREE_TERMS>(0).into();
        let coefficients_um = precision.solve(&products);
        left_um -= &terms * coefficients_um;
        let log_sum = |diagonal: f64| diagonal.ln();
        let log_likelihood = -0.5 * left_um.norm_squared()
            - lower.diagonal().map(log_sum).sum()
            - precision.l_dirty().diagonal().map(log_sum).sum();
        Some(Self { setting, log_likelihood, places, factor, terms, precision, coefficients_um, left_um })
    }

    pub(super) fn reach(&self, place: Place) -> Reach {
        let Setting { rough_um, length, .. } = self.setting;
        let mut covariance = DVector::from_iterator(
            self.places.len(),
            self.places.iter().map(|reading| rough_um.powi(2) * matern_5_2(place, *reading, length)),
        );
        // The factor was used once, so it has no zero on its diagonal.
        self.factor.l_dirty().solve_lower_triangular_mut(&mut covariance);
        let free = Terms::from(free_terms(place));
        let known: Terms = self.terms.tr_mul(&covariance).fixed_rows::<FREE_TERMS>(0).into();
        let mut open = free - known;
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
        let Setting { rough_um, length, .. } = self.setting;
        rough_um.powi(2) * matern_5_2(one.place, other.place, length) - one.covariance.dot(&other.covariance)
            + one.open.dot(&other.open)
    }

    /// What each reading counts for at a place: the mean is the sum of weights times readings.
    pub(super) fn weights(&self, reach: &Reach) -> Vec<f64> {
        let mut open = reach.open;
        self.precision.l_dirty().tr_solve_lower_triangular_mut(&mut open);
        let mut weights = &self.terms * open + &reach.covariance;
        self.factor.l_dirty().tr_solve_lower_triangular_mut(&mut weights);
        weights.iter().copied().collect()
    }
}
