//! The readings that a trace itself speaks of: least squares over what each station does to the surface.

use gapkeeper::HeightGrid;

use crate::controller::CAPACITY;
use crate::dynamics::model::Model;

/// A station is raised by this much to see what it does.
const RAISED_UM: i16 = 1000;

/// Rows that are kept to fit, spread evenly over the trace.
const MOST_ROWS: usize = 4000;
/// A fit may leave one row in so many aside.
const ASIDE_ONE_IN: usize = 20;
/// How often rows that stand aside are left out and the rest is fitted anew.
const ROUNDS: usize = 8;

/// How far readings are off those of the model, by rows of a trace.
pub(in super::super) struct Fit {
    /// What each station does to the surface in force, for each micrometre.
    responses: Vec<Model>,
    rows: Vec<Row>,
    /// One row in so many is kept.
    stride: u64,
    seen: u64,
}

/// A row: where it is, the share of the shape that is corrected there, and how far its height is off the model's.
#[derive(Clone, Copy)]
struct Row {
    x_um: f64,
    y_um: f64,
    share: f64,
    off_um: f64,
}

/// Normal equations.
struct Equations {
    /// `Σ w·wᵀ`, row by row.
    matrix: Vec<f64>,
    /// `Σ w·off`
    right: Vec<f64>,
}

impl Fit {
    /// For stations like those of `readings`, made to the surface in force by `surface`, which is linear.
    pub(in super::super) fn new(
        readings: &HeightGrid<CAPACITY>,
        surface: impl Fn(&HeightGrid<CAPACITY>) -> Result<HeightGrid<CAPACITY>, String>,
    ) -> Result<Self, String> {
        let lattice = readings.lattice();
        let stations = lattice.node_count();
        let response = |station: usize| {
            let mut heights_um = vec![0; stations];
            heights_um[station] = RAISED_UM;
            let raised = HeightGrid::new(lattice, &heights_um).map_err(|error| error.to_string())?;
            surface(&raised).map(|grid| Model::of_grid(&grid))
        };
        let responses = (0..stations).map(response).collect::<Result<_, _>>()?;
        Ok(Self { responses, rows: Vec::new(), stride: 1, seen: 0 })
    }

    /// Takes in a row: how far its height is off the model's, where `share` of the shape is corrected.
    pub(super) fn take(&mut self, x_um: f64, y_um: f64, share: f64, off_um: f64) {
        if self.seen.is_multiple_of(self.stride) {
            self.rows.push(Row { x_um, y_um, share, off_um });
        }
        self.seen += 1;
        if self.rows.len() > MOST_ROWS {
            let mut index = 0;
            self.rows.retain(|_| {
                index += 1;
                index % 2 == 1
            });
            self.stride *= 2;
        }
    }

    /// What each station does at a row.
    fn weights<'a>(&'a self, row: &'a Row) -> impl Iterator<Item = f64> + 'a {
        let rise = move |response: &Model| response.mean_um + row.share * response.shape(row.x_um, row.y_um);
        self.responses.iter().map(move |response| rise(response) / f64::from(RAISED_UM))
    }

    fn equations(&self, kept: &[bool]) -> Equations {
        let stations = self.responses.len();
        let mut equations = Equations { matrix: vec![0.0; stations * stations], right: vec![0.0; stations] };
        let mut weights = Vec::with_capacity(stations);
        for row in self.rows.iter().zip(kept).filter(|(_, kept)| **kept).map(|(row, _)| row) {
            weights.clear();
            weights.extend(self.weights(row));
            for (station, &weight) in weights.iter().enumerate() {
                equations.right[station] += weight * row.off_um;
                let sums = &mut equations.matrix[station * stations..];
                sums.iter_mut().zip(&weights).for_each(|(sum, &other)| *sum += weight * other);
            }
        }
        equations
    }

    /// How far readings are off, if some others explain the rows to within `tolerance_um`, but for one in twenty: as a
    /// sentence.
    ///
    /// Rows far off the fit are left out and the rest is fitted anew (least trimmed squares, P. J. Rousseeuw, *Least
    /// Median of Squares Regression*, Journal of the American Statistical Association 79, 1984; from memory).
    pub(super) fn sentence(&self, tolerance_um: f64) -> Option<String> {
        let stations = self.responses.len();
        // A first guess of what stands aside: far beyond the usual.
        let mut left_um: Vec<f64> = self.rows.iter().map(|row| row.off_um.abs()).collect();
        let mut kept = near(&left_um, tolerance_um);
        for _ in 0..ROUNDS {
            let equations = self.equations(&kept);
            let seen: Vec<usize> =
                (0..stations).filter(|station| equations.matrix[station * stations + station] > 0.5).collect();
            let count = kept.iter().filter(|kept| **kept).count();
            // With about as many rows as stations any surface would fit.
            if count < 4 * seen.len() || seen.is_empty() {
                return None;
            }
            let off_um = equations.solve()?;
            for (left_um, row) in left_um.iter_mut().zip(&self.rows) {
                let fitted_um: f64 = self.weights(row).zip(&off_um).map(|(weight, off_um)| weight * off_um).sum();
                *left_um = (row.off_um - fitted_um).abs();
            }
            let squares = || left_um.iter().zip(&kept).filter(|(_, kept)| **kept).map(|(left_um, _)| left_um * left_um);
            let rms_um = (squares().sum::<f64>() / count as f64).sqrt();
            if rms_um <= tolerance_um / 2.0 && (kept.len() - count) * ASIDE_ONE_IN <= kept.len() {
                let seen_um = || seen.iter().map(|&station| off_um[station]);
                let low_um = seen_um().fold(f64::INFINITY, f64::min);
                let high_um = seen_um().fold(f64::NEG_INFINITY, f64::max);
                // Without the sign of a zero.
                let [low_um, high_um] = [low_um, high_um].map(|um| um.round() + 0.0);
                return Some(format!(
                    "another grid of the same stations is in force, such as a stale one: its readings differ by \
                     {low_um:+.0} to {high_um:+.0} um ({rms_um:.1} um RMS left)"
                ));
            }
            let next = near(&left_um, tolerance_um);
            if next == kept {
                return None;
            }
            kept = next;
        }
        None
    }
}

/// Which of some distances are usual: up to a few times their median.
fn near(left_um: &[f64], tolerance_um: f64) -> Vec<bool> {
    let mut sorted = left_um.to_vec();
    sorted.sort_by(f64::total_cmp);
    let median_um = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let limit_um = (5.0 * median_um).max(tolerance_um);
    left_um.iter().map(|left_um| *left_um <= limit_um).collect()
}

impl Equations {
    /// Solves by Cholesky's decomposition; stations that no row speaks of stay where they are.
    fn solve(&self) -> Option<Vec<f64>> {
        let n = self.right.len();
        let mut lower = self.matrix.clone();
        for pivot in 0..n {
            // A little towards nothing, so that what is not seen is not lost.
            lower[pivot * n + pivot] += 1e-6;
            for row in pivot..n {
                let sum: f64 = (0..pivot).map(|k| lower[row * n + k] * lower[pivot * n + k]).sum();
                let value = lower[row * n + pivot] - sum;
                if row == pivot {
                    if value <= 0.0 {
                        return None;
                    }
                    lower[pivot * n + pivot] = value.sqrt();
                } else {
                    lower[row * n + pivot] = value / lower[pivot * n + pivot];
                }
            }
        }
        let mut solution = self.right.clone();
        for row in 0..n {
            let sum: f64 = (0..row).map(|k| lower[row * n + k] * solution[k]).sum();
            solution[row] = (solution[row] - sum) / lower[row * n + row];
        }
        for row in (0..n).rev() {
            let sum: f64 = (row + 1..n).map(|k| lower[k * n + row] * solution[k]).sum();
            solution[row] = (solution[row] - sum) / lower[row * n + row];
        }
        Some(solution)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use gapkeeper::Lattice;

    #[test]
    fn readings_come_back_and_noise_is_no_grid() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 10_000, pitch_y_um: 10_000, columns: 3, rows: 3 };
        let grid = |heights_um: &[i16]| HeightGrid::<CAPACITY>::new(lattice, heights_um).unwrap();
        let refined = |grid: &HeightGrid<CAPACITY>| grid.densest().map_err(|error| error.to_string());
        let off_um = Model::of_grid(&refined(&grid(&[0, 10, 20, 5, 0, -5, 70, 7, 20])).unwrap());
        let mut fit = Fit::new(&grid(&[0; 9]), refined).unwrap();
        let mut noise = Fit::new(&grid(&[0; 9]), |grid| Ok(grid.clone())).unwrap();
        for index in 0..200_u32 {
            let (x_um, y_um) = (f64::from(index * 137 % 20_000), f64::from(index * 911 % 20_000));
            let share = f64::from(index % 5) / 4.0;
            fit.take(x_um, y_um, share, off_um.mean_um + share * off_um.shape(x_um, y_um));
            noise.take(x_um, y_um, 1.0, if index % 2 == 0 { 30.0 } else { -30.0 });
        }
        let solved = fit.equations(&[true; 200]).solve().unwrap();
        assert!((solved[6] - 70.0).abs() < 1.5 && (solved[8] - 20.0).abs() < 1.5, "{solved:?}");
        // One row far off says nothing about the others.
        fit.take(5000.0, 5000.0, 1.0, 1e6);
        assert!(fit.sentence(2.0).is_some_and(|sentence| sentence.contains("differ by -")), "{:?}", fit.sentence(2.0));
        assert_eq!(noise.sentence(2.0), None);
    }
}
