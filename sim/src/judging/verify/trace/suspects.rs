//! What a controller may have done instead: transformed models, tried on every row at once.

use std::collections::BTreeMap;

use gapkeeper::{Correction, HeightGrid};

use super::Others;
use crate::controller::CAPACITY;
use crate::dynamics::model::Model;

/// A suspect explains the rows that depart if it misses at most one in so many of them: a trace has outliers.
const MISSED_ONE_IN: u64 = 20;
/// From so many departing rows on a single one may be missed.
const FEW: u64 = 10;
/// Classes of what departing rows are off by, half a micrometre each.
const CLASSES_PER_UM: f64 = 2.0;
const MOST_CLASSES: usize = 100_000;

type Height = Box<dyn Fn(f64, f64, f64) -> f64>;

/// One thing that a controller may have done instead.
struct Suspect {
    /// As a sentence about the controller.
    name: String,
    height: Height,
    /// Departing rows that it explains.
    explained: u64,
    /// Rows where the model is right and it is not.
    contradicted: u64,
    /// Job line of the first departing row that it does not explain.
    first_missed: Option<u64>,
}

/// All of them.
pub(super) struct Suspects {
    suspects: Vec<Suspect>,
    tolerance_um: f64,
    departing: u64,
    /// First and last job line of the departing rows.
    lines: [u64; 2],
    /// Departing rows by what they are off by.
    by_off: BTreeMap<i32, u64>,
}

impl Suspects {
    pub(super) fn new(correction: &Correction<CAPACITY>, others: &Others, tolerance_um: f64) -> Self {
        let model = Model::of(correction);
        let (s, m) = (model.shift_um, model.mean_um);
        let mut suspects = Vec::new();
        let mut suspect = |name: &str, height: Height| {
            suspects.push(Suspect {
                name: name.to_string(),
                height,
                explained: 0,
                contradicted: 0,
                first_missed: None,
            });
        };
        // Each closure owns a model: there are a few of them, of a few hundred numbers.
        let with = |height: fn(&Model, f64, f64, f64) -> f64| -> Height {
            let model = model.clone();
            Box::new(move |x, y, z| height(&model, x, y, z))
        };
        let faded = |model: &Model, x, y, z| model.share(z) * model.shape(x, y);
        suspect("nothing is corrected", Box::new(|_, _, z| z));
        suspect("the correction has the wrong sign", with(|model, x, y, z| 2.0 * z - model.machine_z(x, y, z)));
        suspect(
            "the shape of the grid has the wrong sign, its mean the right one",
            with(|model, x, y, z| model.machine_z(x, y, z) - 2.0 * model.share(z) * model.shape(x, y)),
        );
        suspect("the correction is applied twice", with(|model, x, y, z| 2.0 * model.machine_z(x, y, z) - z));
        if let Some([_, zero_above_um]) = model.fade_um {
            suspect(
                "the fade is lost: the shape is corrected at every height",
                with(|model, x, y, z| z + model.shift_um + model.mean_um + model.shape(x, y)),
            );
            suspect(
                "mean and shift fade too, where only the shape should",
                with(|model, x, y, z| z + model.share(z) * (model.shift_um + model.mean_um + model.shape(x, y))),
            );
            suspect(
                "the fade is taken at machine height, not at logical height",
                with(move |model, x, y, z| {
                    z + model.shift_um + model.mean_um + model.share(model.machine_z(x, y, z)) * model.shape(x, y)
                }),
            );
            suspect("the shape is corrected in full up to zero_above and then not at all", {
                let model = model.clone();
                Box::new(move |x, y, z| z + s + m + if z < zero_above_um { model.shape(x, y) } else { 0.0 })
            });
        }
        suspect("the mean of the grid is left out", {
            let model = model.clone();
            Box::new(move |x, y, z| z + s + faded(&model, x, y, z))
        });
        suspect("only mean and shift are corrected, the shape is not", Box::new(move |_, _, z| z + s + m));
        if s != 0.0 {
            suspect("the shift is left out", with(|model, x, y, z| model.machine_z(x, y, z) - model.shift_um));
            suspect(
                "the shift has the wrong sign",
                with(|model, x, y, z| model.machine_z(x, y, z) - 2.0 * model.shift_um),
            );
        }
        suspect(
            "X and Y are exchanged where the grid is looked up",
            with(|model, x, y, z| z + model.shift_um + model.mean_um + model.share(z) * model.shape(y, x)),
        );
        let [columns, rows] = model.nodes();
        let mut turned = |name: &str, node: &dyn Fn(usize, usize) -> f64| {
            let turned = model.with_shape(node);
            suspect(name, Box::new(move |x, y, z| turned.machine_z(x, y, z)));
        };
        turned("rows and columns of the grid are exchanged", &|column, row| {
            let index = column * rows + row;
            model.node_um(index % columns, index / columns)
        });
        turned("the grid is mirrored along X", &|column, row| model.node_um(columns - 1 - column, row));
        turned("the grid is mirrored along Y", &|column, row| model.node_um(column, rows - 1 - row));
        turned("the grid is turned by half a turn", &|column, row| model.node_um(columns - 1 - column, rows - 1 - row));
        let mut other = |name: String, grid: &HeightGrid<CAPACITY>| {
            let mut other = Model::of_grid(grid);
            (other.shift_um, other.fade_um) = (s, model.fade_um);
            suspect(&name, Box::new(move |x, y, z| other.machine_z(x, y, z)));
        };
        if let Some((refined, grid)) = &others.other_surface {
            let name = if *refined {
                "the refined grid is in force, where the readings should be"
            } else {
                "the readings are in force as they are, where the refined grid should be"
            };
            other(name.to_string(), grid);
        }
        for (file, grid) in &others.stale {
            other(format!("a stale grid is in force: {file}"), grid);
            if let Ok(refined) = grid.densest() {
                other(format!("a stale grid is in force, refined: {file}"), &refined);
            }
        }
        Self { suspects, tolerance_um, departing: 0, lines: [0; 2], by_off: BTreeMap::new() }
    }

    /// Takes in a row: where it is, at which logical height, and how far its machine height is off the model's.
    pub(super) fn take(&mut self, [x_um, y_um, machine_z_um]: [f64; 3], logical_um: f64, off_um: f64, job_line: u64) {
        let departs = off_um.abs() > self.tolerance_um;
        if departs {
            self.departing += 1;
            self.lines = [if self.lines[0] == 0 { job_line } else { self.lines[0] }, job_line];
            // Saturates far beyond any machine.
            let class = (off_um * CLASSES_PER_UM).round() as i32;
            if self.by_off.len() < MOST_CLASSES || self.by_off.contains_key(&class) {
                *self.by_off.entry(class).or_default() += 1;
            }
        }
        for suspect in &mut self.suspects {
            let explains = ((suspect.height)(x_um, y_um, logical_um) - machine_z_um).abs() <= self.tolerance_um;
            suspect.explained += u64::from(departs && explains);
            suspect.contradicted += u64::from(!departs && !explains);
            if departs && !explains {
                suspect.first_missed.get_or_insert(job_line);
            }
        }
    }

    /// Whether so many of the departing rows may be left unexplained.
    fn are_outliers(&self, rows: u64) -> bool {
        rows * MISSED_ONE_IN <= self.departing || rows <= 1 && self.departing >= FEW
    }

    /// What all departing rows but for outliers are off by, if that is one height: their median.
    fn one_offset_um(&self) -> Option<f64> {
        let mut left = self.departing / 2;
        let (median, _) = self.by_off.iter().find(|(_, count)| {
            let found = left < **count;
            left = left.saturating_sub(**count);
            found
        })?;
        let median_um = f64::from(*median) / CLASSES_PER_UM;
        let near = |class: i32| (f64::from(class) / CLASSES_PER_UM - median_um).abs() <= self.tolerance_um;
        let near: u64 = self.by_off.iter().filter(|(class, _)| near(**class)).map(|(_, count)| count).sum();
        self.are_outliers(self.departing - near).then_some(median_um)
    }

    /// Whether any row departs.
    pub(super) fn departs(&self) -> bool {
        self.departing > 0
    }

    /// What explains the rows that depart, the likeliest first; `fitted` is asked if nothing does.
    pub(super) fn explanations(&self, fitted: impl FnOnce() -> Option<String>) -> Vec<String> {
        if !self.departs() {
            return Vec::new();
        }
        let missed = |suspect: &Suspect| self.departing - suspect.explained;
        let enough = |suspect: &&Suspect| self.are_outliers(missed(suspect));
        let mut found: Vec<&Suspect> = self.suspects.iter().filter(enough).collect();
        // Stable: of equals the first in the list stays first.
        found.sort_by_key(|suspect| suspect.contradicted + missed(suspect));
        let Some(best) = found.first() else {
            if let Some(off_um) = self.one_offset_um() {
                return vec![format!("the heights that depart are all off by {off_um:+.1} um")];
            }
            return vec![
                fitted().unwrap_or_else(|| "the heights that depart follow none of the models tried here".to_string()),
            ];
        };
        let [first, last] = self.lines;
        let mut sentences = vec![format!(
            "{}{}",
            best.name,
            if best.contradicted > 0 { format!(", from job line {first} to {last} only") } else { String::new() }
        )];
        if let Some(line) = best.first_missed.filter(|_| missed(best) > 0) {
            sentences.push(format!("rows that this does not explain: {}, the first in job line {line}", missed(best)));
        }
        let as_good = |suspect: &Suspect| suspect.contradicted + missed(suspect);
        let equals = found.iter().skip(1).filter(|other| as_good(other) == as_good(best));
        sentences.extend(equals.map(|other| format!("just as well: {}", other.name)));
        sentences
    }
}
