//! How sure one is of a quantile that was drawn.

/// Surveys in twenty that may fall short.
pub(super) const SHORT: f64 = 0.05;
/// How sure a bound is.
pub(super) const SURE: f64 = 0.95;

/// Fewest draws from which [`low_end`] has an answer: `1 − (1 − p)^n ≥ 0.95` for p = 0.05.
pub(super) const FEWEST_DRAWS: usize = 59;

/// A bound that lies, with a confidence of 95 %, below the value that 19 of 20 draws reach: an order statistic. None if
/// there are fewer than [`FEWEST_DRAWS`].
///
/// The `r`-th smallest of `n` draws lies below the quantile of `p` with the probability that at least `r` of `n` draws
/// do, which is binomial, whatever the distribution (S. S. Wilks, *Determination of Sample Sizes for Setting Tolerance
/// Limits*, Annals of Mathematical Statistics 12, 1941; W. J. Conover, *Practical Nonparametric Statistics*; from memory).
pub(super) fn low_end(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len() as f64;
    // P(exactly k), from k = 0 on.
    let mut exactly = (1.0 - SHORT).powf(n);
    let mut fewer = 0.0;
    let mut bound = None;
    for (index, value) in values.iter().enumerate() {
        fewer += exactly;
        // At least index + 1 of the draws lie below the quantile.
        if 1.0 - fewer < SURE {
            break;
        }
        bound = Some(*value);
        let k = index as f64;
        exactly *= (n - k) / (k + 1.0) * SHORT / (1.0 - SHORT);
    }
    bound
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 59 draws are the fewest (Wilks); of 200 the fifth smallest, since SciPy's `binom.cdf(4, 200, 0.05)` is 0.0264 and
    /// `binom.cdf(5, 200, 0.05)` 0.0623 (own sums of the binomial formula).
    #[test]
    fn bounds_are_order_statistics() {
        let draws = |count: u32| (0..count).map(f64::from).collect::<Vec<_>>();
        assert_eq!(low_end(draws(FEWEST_DRAWS as u32 - 1)), None);
        assert_eq!(low_end(draws(FEWEST_DRAWS as u32)), Some(0.0));
        assert_eq!(low_end(draws(200)), Some(4.0));
        assert_eq!(low_end(Vec::new()), None);
        let binomial = |n: f64, at_most: u32| {
            let choose = |k: u32| (0..k).map(|i| (n - f64::from(i)) / f64::from(k - i)).product::<f64>();
            (0..=at_most).map(|k| choose(k) * 0.05_f64.powi(k as i32) * 0.95_f64.powf(n - f64::from(k))).sum::<f64>()
        };
        assert!(binomial(200.0, 4) < 0.05 && binomial(200.0, 5) > 0.05);
    }
}
