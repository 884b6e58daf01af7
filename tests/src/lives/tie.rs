//! What a tie must make of the old grid, by least squares in floating point.

use gapkeeper::{KeeperError, Lattice, MAX_TIES, PlanError, StoredGrid, TIE_LIMIT_UM, TieError};

use super::apply::{Verdict, hold};
use super::subject::{GRIDS, LifeKeeper, STATIONS};

/// A tie under way.
#[derive(Clone, Debug)]
pub struct TieRound {
    /// Where it starts from.
    pub old: StoredGrid<STATIONS>,
    /// Four screws hold the plate, and twist it.
    pub is_twisted: bool,
}

/// The grid that a tie starts from, or why there is no tie: the newest setup counts, then the nearest temperature.
pub fn old_grid(keeper: &LifeKeeper, bed_c: i16) -> Result<StoredGrid<STATIONS>, KeeperError> {
    let Some(setup) = keeper.setup() else { return Err(KeeperError::NotLoaded) };
    let mut grids: Vec<_> = (0..GRIDS).filter_map(|place| keeper.bank().grid(place)).collect();
    grids.retain(|grid| grid.bed_temperature_c.abs_diff(bed_c) <= 5);
    grids.sort_by_key(|grid| (setup.wrapping_sub(grid.setup), grid.bed_temperature_c.abs_diff(bed_c)));
    let Some(&old) = grids.first() else {
        return Err(KeeperError::Tie(TieError::NoGrid { bed_temperature_c: bed_c }));
    };
    match old.tie {
        Some(tie) if tie.count() >= MAX_TIES => Err(KeeperError::Tie(TieError::TooOften)),
        // The middle of two by two nodes is one of the corners.
        _ if old.grid.lattice().columns == 2 => Err(KeeperError::Plan(PlanError::Tie)),
        _ => Ok(old.clone()),
    }
}

/// Constant, slopes, twist and bow at a node.
fn terms(lattice: Lattice, column: u8, row: u8) -> [f64; 5] {
    let place = |at: u8, nodes: u8| 2.0 * f64::from(at) / f64::from(nodes - 1) - 1.0;
    let (u, v) = (place(column, lattice.columns), place(row, lattice.rows));
    [1.0, u, v, u * v, 1.0 - (u * u + v * v) / 2.0]
}

/// Coefficients of the terms that are wanted; the others are 0. Normal equations, solved by elimination.
fn fit(rises: &[([f64; 5], f64)], wanted: &[usize]) -> [f64; 5] {
    let count = wanted.len();
    let mut rows: Vec<Vec<f64>> = wanted
        .iter()
        .map(|&i| {
            let product = |j: usize| rises.iter().map(|(terms, _)| terms[i] * terms[j]).sum();
            let right = rises.iter().map(|(terms, rise)| terms[i] * rise).sum();
            wanted.iter().map(|&j| product(j)).chain([right]).collect()
        })
        .collect();
    for pivot in 0..count {
        let best = (pivot..count).max_by(|&a, &b| rows[a][pivot].abs().total_cmp(&rows[b][pivot].abs()));
        rows.swap(pivot, best.unwrap_or(pivot));
        let top = rows[pivot].clone();
        for (_, row) in rows.iter_mut().enumerate().filter(|(index, _)| *index != pivot) {
            let factor = row[pivot] / top[pivot];
            row.iter_mut().zip(&top).for_each(|(value, above)| *value -= factor * above);
        }
    }
    let mut found = [0.0; 5];
    for (row, &term) in wanted.iter().enumerate() {
        found[term] = rows[row][count] / rows[row][row];
    }
    found
}

fn value(coefficients: &[f64; 5], terms: &[f64; 5]) -> f64 {
    coefficients.iter().zip(terms).map(|(a, b)| a * b).sum()
}

impl TieRound {
    /// Heights of the nodes as they must come out, and the residual, from the heights read at the nodes.
    pub fn expected(&self, heights_um: &[Option<f64>]) -> (Vec<f64>, f64) {
        let lattice = self.old.grid.lattice();
        let nodes: Vec<[f64; 5]> = (0..lattice.rows)
            .flat_map(|row| (0..lattice.columns).map(move |column| terms(lattice, column, row)))
            .collect();
        let old_um = || self.old.grid.nodes_um().iter().map(|&um| f64::from(um));
        let rises: Vec<([f64; 5], f64)> = nodes
            .iter()
            .zip(heights_um)
            .zip(old_um())
            .filter_map(|((terms, height_um), old_um)| Some((*terms, (*height_um)? - old_um)))
            .collect();
        let screws: &[usize] = if self.is_twisted { &[0, 1, 2, 3] } else { &[0, 1, 2] };
        let without_bow = fit(&rises, screws);
        let with_bow = fit(&rises, &[screws, &[4]].concat());
        let rests: Vec<f64> = rises.iter().map(|(terms, rise)| rise - value(&without_bow, terms)).collect();
        let residual_um = rests.iter().copied().fold(0.0, f64::max) - rests.iter().copied().fold(0.0, f64::min);
        // Half of the bow: half-way between the fit without one and the fit with one.
        let heights_um = old_um()
            .zip(&nodes)
            .map(|(old_um, terms)| old_um + (value(&without_bow, terms) + value(&with_bow, terms)) / 2.0)
            .collect();
        (heights_um, residual_um)
    }

    /// Judges a grid that came of it.
    pub fn judge(&self, heights_um: &[Option<f64>], grid: &StoredGrid<STATIONS>) -> Verdict {
        let (expected_um, residual_um) = self.expected(heights_um);
        hold(grid.grid.lattice() == self.old.grid.lattice(), "a tied grid on another lattice")?;
        let is_right = |(&um, expected_um): (&i16, &f64)| (f64::from(um) - expected_um).abs() <= 2.0;
        hold(grid.grid.nodes_um().iter().zip(&expected_um).all(is_right), "a tied grid of other heights")?;
        let Some(tie) = grid.tie else { return Err("a tied grid without its mark".to_string()) };
        hold(tie.count() == self.old.tie.map_or(0, gapkeeper::Tie::count) + 1, "ties are counted otherwise")?;
        hold((f64::from(tie.residual_um()) - residual_um).abs() <= 1.5, "another residual than there was")?;
        hold(grid.surface == self.old.surface, "another surface than that of the old grid")
    }

    /// Judges that it was refused.
    pub fn judge_refusal(&self, heights_um: &[Option<f64>]) -> Verdict {
        let (_, residual_um) = self.expected(heights_um);
        hold(residual_um > f64::from(TIE_LIMIT_UM) - 1.5, "a tie refused that fits")
    }
}
