//! Where the next reading belongs.

use nalgebra::{DMatrix, DVector};

use super::integrated::{Estimate, Part, SURE};

/// Most places that are looked at; of more, every so many.
const MOST_TARGETS: usize = 250;
/// Places along each axis at which a reading is tried out.
const TRIED: u8 = 15;
/// Readings are taken at whole millimetres.
const MM: f64 = 1000.0;
/// The worst place counts for most, and the next worst still do: with the worst alone, no reading would be of use where
/// two places are equally bad.
const POWER: i32 = 8;
/// Settings that are less likely than this do not move a reading.
const UNLIKELY: f64 = 1e-5;

/// A reading to take, and what it brings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NextReading {
    /// Where, X.
    pub x_um: f64,
    /// Where, Y.
    pub y_um: f64,
    /// Half the width of the 95 % band at the least sure place once it is taken.
    pub worst_um: f64,
}

/// Places in an area that a nozzle reaches: the smallest X and Y, the largest X and Y.
pub type Area = [(f64, f64); 2];

impl Estimate {
    /// The best next readings one after the other, until all targets are sure within the tolerance or there are `most`.
    ///
    /// Before them, half the width of the band at the least sure target as it is; 0 without any.
    ///
    /// A reading is worth what it takes off the variance: that hangs on where it is taken, not on what is read. What is
    /// not known of bed and hand is taken as it is known so far.
    pub fn next_readings(
        &self,
        targets: &[(f64, f64)],
        area: Area,
        tolerance_um: f64,
        most: usize,
    ) -> (f64, Vec<NextReading>) {
        let step = targets.len().div_ceil(MOST_TARGETS).max(1);
        let targets: Vec<(f64, f64)> = targets.iter().step_by(step).copied().collect();
        let tried = tried(area);
        let mut fields: Vec<Field> = Vec::new();
        let mut between_um2 = vec![0.0; targets.len()];
        let means_um: Vec<f64> = targets.iter().map(|&(x_um, y_um)| self.at(x_um, y_um).mean_um).collect();
        for part in self.parts().iter().filter(|part| part.share > UNLIKELY) {
            let field = Field::new(self, part, &targets, &tried);
            for ((between_um2, mean_um), of_part_um) in between_um2.iter_mut().zip(&means_um).zip(&field.means_um) {
                *between_um2 += part.share * (of_part_um - mean_um).powi(2);
            }
            fields.push(field);
        }
        let worst_um = |variances_um2: &[f64]| SURE * variances_um2.iter().copied().fold(0.0, f64::max).sqrt();
        let now_um = worst_um(&variances_um2(&fields, &between_um2, None));
        let (mut readings, mut last_um) = (Vec::new(), now_um);
        while last_um > tolerance_um && readings.len() < most {
            let after = |candidate: usize| {
                let variances_um2 = variances_um2(&fields, &between_um2, Some(candidate));
                variances_um2.iter().map(|um2| um2.powi(POWER)).sum::<f64>()
            };
            let best =
                (0..tried.len()).map(|candidate| (after(candidate), candidate)).min_by(|a, b| a.0.total_cmp(&b.0));
            let Some((_, best)) = best else { break };
            last_um = worst_um(&variances_um2(&fields, &between_um2, Some(best)));
            fields.iter_mut().for_each(|field| field.read(best));
            readings.push(NextReading { x_um: tried[best].0, y_um: tried[best].1, worst_um: last_um });
        }
        (now_um, readings)
    }
}

/// What one setting knows of targets and of places where a reading may be taken.
struct Field {
    share: f64,
    hand_um2: f64,
    means_um: Vec<f64>,
    /// Variances of the targets.
    target_um2: DVector<f64>,
    /// Covariances of targets with places.
    across_um2: DMatrix<f64>,
    /// Covariances of the places.
    tried_um2: DMatrix<f64>,
}

impl Field {
    fn new(estimate: &Estimate, part: &Part, targets: &[(f64, f64)], tried: &[(f64, f64)]) -> Self {
        let reach = |&(x_um, y_um): &(f64, f64)| part.kriging.reach(estimate.place(x_um, y_um));
        let targets: Vec<_> = targets.iter().map(reach).collect();
        let tried: Vec<_> = tried.iter().map(reach).collect();
        let covariance = |one, other| part.kriging.covariance_um2(one, other);
        Self {
            share: part.share,
            hand_um2: part.kriging.setting.hand_um.powi(2),
            means_um: targets.iter().map(|target| estimate.height_um(part.kriging.mean_um(target))).collect(),
            target_um2: DVector::from_iterator(targets.len(), targets.iter().map(|target| covariance(target, target))),
            across_um2: DMatrix::from_fn(targets.len(), tried.len(), |row, column| {
                covariance(&targets[row], &tried[column])
            }),
            tried_um2: DMatrix::from_fn(tried.len(), tried.len(), |row, column| {
                covariance(&tried[row], &tried[column])
            }),
        }
    }

    /// A reading is taken.
    fn read(&mut self, candidate: usize) {
        let variance_um2 = self.tried_um2[(candidate, candidate)] + self.hand_um2;
        let across = self.across_um2.column(candidate).clone_owned();
        let tried = self.tried_um2.column(candidate).clone_owned();
        self.target_um2.zip_apply(&across, |um2, with_um2| *um2 -= with_um2 * with_um2 / variance_um2);
        self.across_um2.ger(-1.0 / variance_um2, &across, &tried, 1.0);
        self.tried_um2.ger(-1.0 / variance_um2, &tried, &tried, 1.0);
    }
}

/// Variances of the targets, as they are or with one more reading.
fn variances_um2(fields: &[Field], between_um2: &[f64], candidate: Option<usize>) -> Vec<f64> {
    let mut sum_um2 = between_um2.to_vec();
    for field in fields {
        let taken = candidate.map(|at| (field.across_um2.column(at), field.tried_um2[(at, at)] + field.hand_um2));
        for (target, sum_um2) in sum_um2.iter_mut().enumerate() {
            let gain_um2 = taken.as_ref().map_or(0.0, |(across, variance_um2)| across[target].powi(2) / variance_um2);
            *sum_um2 += field.share * (field.target_um2[target] - gain_um2).max(0.0);
        }
    }
    sum_um2
}

/// Places all over an area at whole millimetres.
fn tried([from, to]: Area) -> Vec<(f64, f64)> {
    let along = |from_um: f64, to_um: f64| {
        (0..TRIED).map(move |place| {
            let um = from_um + (to_um - from_um) * f64::from(place) / f64::from(TRIED - 1);
            ((um / MM).round() * MM).clamp(from_um, to_um)
        })
    };
    along(from.1, to.1).flat_map(|y_um| along(from.0, to.0).map(move |x_um| (x_um, y_um))).collect()
}

#[cfg(test)]
mod tests {
    use gapkeeper::BedHeight;

    use super::super::Hand;
    use super::super::kriging::{Kriging, Sample};
    use super::*;
    use crate::grid_file::StationReading;

    fn readings() -> Vec<StationReading> {
        let places = (0..9).map(|at| (40_000 * (at % 3), 55_000 * (at / 3)));
        let height_um = |x_um: i32, y_um: i32| (x_um / 900 - 40).pow(2) / 20 + y_um / 2000 + (x_um * 7 + y_um) % 31;
        places
            .map(|(x_um, y_um)| StationReading {
                at: BedHeight { x_um, y_um, height_um: height_um(x_um, y_um) },
                spread_um: None,
            })
            .collect()
    }

    const AREA: Area = [(0.0, 0.0), (80_000.0, 110_000.0)];

    /// By definition: the variances after a reading are those of a prediction that had it from the beginning.
    #[test]
    fn a_reading_that_is_to_come_counts_as_one_that_was() {
        let estimate = Estimate::new(&readings(), Hand::default()).unwrap();
        let (targets, tried) = (tried([(-5e3, 0.0), (9e4, 1e5)]), tried(AREA));
        let samples = |more: &[(f64, f64)]| -> Vec<Sample> {
            let sample = |x_um: f64, y_um: f64| Sample {
                place: estimate.place(x_um, y_um),
                age: 0,
                height_um: 0.0,
                spread_um: None,
            };
            let old = readings().into_iter().map(|reading| sample(reading.at.x_um.into(), reading.at.y_um.into()));
            old.chain(more.iter().map(|&(x_um, y_um)| sample(x_um, y_um))).collect()
        };
        for part in estimate.parts().iter().filter(|part| part.share > UNLIKELY) {
            let mut field = Field::new(&estimate, part, &targets, &tried);
            for candidate in [17, 130] {
                field.read(candidate);
            }
            let whole = Kriging::new(&samples(&[tried[17], tried[130]]), part.kriging.setting).unwrap();
            for (target, um2) in targets.iter().zip(&field.target_um2) {
                let expected_um2 = whole.variance_um2(&whole.reach(estimate.place(target.0, target.1)));
                assert!((um2 - expected_um2).abs() < 1e-6 * (1.0 + expected_um2), "{um2} for {expected_um2}");
            }
        }
    }

    /// Each next reading is worth something, the first is where it is least sure or beyond, and one that is sure needs
    /// none.
    #[test]
    fn readings_are_asked_for_until_it_is_sure() {
        let estimate = Estimate::new(&readings(), Hand::of(20.0).unwrap()).unwrap();
        let targets = tried(AREA);
        let (now_um, _) = estimate.next_readings(&targets, AREA, 1.0, 0);
        let (_, next) = estimate.next_readings(&targets, AREA, 0.8 * now_um, 25);
        assert!(now_um > 20.0 && !next.is_empty(), "{now_um} {next:?}");
        assert!(next.iter().all(|reading| reading.worst_um <= now_um && reading.x_um % 1000.0 == 0.0), "{next:?}");
        assert!(next.last().is_some_and(|last| last.worst_um <= 0.8 * now_um), "{next:?}");
        assert_eq!(estimate.next_readings(&targets, AREA, now_um, 25), (now_um, Vec::new()));
        assert_eq!(estimate.next_readings(&[], AREA, 1.0, 3), (0.0, Vec::new()));
        // A job in one corner asks for readings there.
        let corner: Vec<_> = targets.iter().copied().filter(|(x, y)| *x < 25_000.0 && *y < 30_000.0).collect();
        let (_, next) = estimate.next_readings(&corner, AREA, 1.0, 1);
        assert!(next[0].x_um < 40_000.0 && next[0].y_um < 55_000.0, "{next:?}");
    }
}
