//! The readings that a trace itself speaks of: least squares over what each station does to the surface.

use gapkeeper::HeightGrid;

use crate::controller::CAPACITY;
use crate::dynamics::model::Model;

/// A station is raised by this much to see what it does.
const RAISED_UM: i16 = 1000;

/// Normal equations for how far readings are off those of the model.
pub(in super::super) struct Fit {
    /// What each station does to the surface in force, for each micrometre.
    responses: Vec<Model>,
    /// `Σ w·wᵀ`, row by row.
    matrix: Vec<f64>,
    /// `Σ w·off`
    right: Vec<f64>,
    squares: f64,
    rows: u64,
    weights: Vec<f64>,
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
        Ok(Self {
            responses: (0..stations).map(response).collect::<Result<_, _>>()?,
            matrix: vec![0.0; stations * stations],
            right: vec![0.0; stations],
            squares: 0.0,
            rows: 0,
            weights: Vec::new(),
        })
    }

    /// Takes in a row: how far its height is off the model's, where `share` of the shape is corrected.
    pub(super) fn take(&mut self, x_um: f64, y_um: f64, share: f64, off_um: f64) {
        let rise = |response: &Model| (response.mean_um + share * response.shape(x_um, y_um)) / f64::from(RAISED_UM);
        self.weights.clear();
        self.weights.extend(self.responses.iter().map(rise));
        for (station, &weight) in self.weights.iter().enumerate() {
            self.right[station] += weight * off_um;
            let row = &mut self.matrix[station * self.weights.len()..];
            row.iter_mut().zip(&self.weights).for_each(|(sum, &other)| *sum += weight * other);
        }
        self.squares += off_um * off_um;
        self.rows += 1;
    }

    /// How far readings are off, if some others explain all rows to within `tolerance_um`, as a sentence.
    pub(super) fn sentence(&self, tolerance_um: f64) -> Option<String> {
        let stations = self.responses.len();
        let seen: Vec<usize> =
            (0..stations).filter(|station| self.matrix[station * stations + station] > 0.5).collect();
        // With about as many rows as stations any surface would fit.
        if self.rows < 4 * seen.len() as u64 || seen.is_empty() {
            return None;
        }
        let off_um = self.solve()?;
        let explained: f64 = off_um.iter().zip(&self.right).map(|(off, right)| off * right).sum();
        let rms_um = ((self.squares - explained).max(0.0) / self.rows as f64).sqrt();
        if rms_um > tolerance_um / 2.0 {
            return None;
        }
        let seen_um = || seen.iter().map(|&station| off_um[station]);
        let (low_um, high_um) = (seen_um().fold(f64::INFINITY, f64::min), seen_um().fold(f64::NEG_INFINITY, f64::max));
        // Without the sign of a zero.
        let [low_um, high_um] = [low_um, high_um].map(|um| um.round() + 0.0);
        Some(format!(
            "another grid of the same stations is in force, such as a stale one: its readings differ by {low_um:+.0} \
             to {high_um:+.0} um ({rms_um:.1} um RMS left)"
        ))
    }

    /// Solves by Cholesky's decomposition; stations that no row speaks of stay where they are.
    fn solve(&self) -> Option<Vec<f64>> {
        let n = self.responses.len();
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
        let solved = fit.solve().unwrap();
        assert!((solved[6] - 70.0).abs() < 1.5 && (solved[8] - 20.0).abs() < 1.5, "{solved:?}");
        assert!(fit.sentence(2.0).is_some_and(|sentence| sentence.contains("differ by -")), "{:?}", fit.sentence(2.0));
        assert_eq!(noise.sentence(2.0), None);
    }
}
