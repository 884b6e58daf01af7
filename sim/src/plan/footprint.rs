//! Where the first layer of a job lies, as spots that stand for lengths of printed path.

use std::collections::BTreeMap;
use std::io::BufRead;

use crate::job::{JobEvent, JobMove, walk};
use crate::replay::{ReplayError, SAME_LAYER_UM};

/// Distance between samples along the path.
const SAMPLE_STEP_MM: f64 = 0.5;
/// Side of the squares that samples are gathered in, at first; it doubles whenever there are too many of them.
const SQUARE_MM: f64 = 1.0;
const MOST_SPOTS: usize = 20_000;

/// A place that stands for all that is printed in a small square around it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Spot {
    pub x_mm: f64,
    pub y_mm: f64,
    pub z_um: f64,
    /// Length of printed path.
    pub length_mm: f64,
    /// Job line that printed there first.
    pub job_line: u64,
}

impl Spot {
    fn take_in(&mut self, other: &Self) {
        let length_mm = self.length_mm + other.length_mm;
        let share = other.length_mm / length_mm;
        self.x_mm += (other.x_mm - self.x_mm) * share;
        self.y_mm += (other.y_mm - self.y_mm) * share;
        self.z_um += (other.z_um - self.z_um) * share;
        self.length_mm = length_mm;
        self.job_line = self.job_line.min(other.job_line);
    }
}

/// The first layer's footprint: at most some thousands of spots, however long the job.
pub(super) struct Footprint {
    square_mm: f64,
    first_layer_um: Option<i32>,
    squares: BTreeMap<(i32, i32), Spot>,
}

impl Footprint {
    /// Reads a job from its text. As in a replay, the first layer is what is printed at the lowest height.
    pub(super) fn of(name: &str, job: impl BufRead) -> Result<(i32, Vec<Spot>), ReplayError> {
        let mut footprint = Self { square_mm: SQUARE_MM, first_layer_um: None, squares: BTreeMap::new() };
        walk::<ReplayError>(name, job, |event| {
            match event {
                JobEvent::Move(job_move) if job_move.prints => footprint.print(&job_move),
                JobEvent::ExtrudesAfterAll => (footprint.first_layer_um, footprint.squares) = (None, BTreeMap::new()),
                _ => {}
            }
            Ok(())
        })?;
        let nothing = || ReplayError::NothingPrinted { file: name.to_string() };
        let first_layer_um = footprint.first_layer_um.filter(|_| !footprint.squares.is_empty()).ok_or_else(nothing)?;
        Ok((first_layer_um, footprint.squares.into_values().collect()))
    }

    fn print(&mut self, job_move: &JobMove) {
        let (start, end) = (job_move.motion.start, job_move.motion.end);
        let (lower_um, upper_um) = (start.z_um.min(end.z_um), start.z_um.max(end.z_um));
        let first_um = match self.first_layer_um {
            Some(first_um) if lower_um >= first_um - SAME_LAYER_UM => first_um,
            _ => {
                self.squares.clear();
                lower_um
            }
        };
        self.first_layer_um = Some(first_um);
        if upper_um > first_um + SAME_LAYER_UM {
            return;
        }
        let length_mm = job_move.length_mm();
        let parts = (length_mm / SAMPLE_STEP_MM).ceil().max(1.0);
        let between = |from: i32, to: i32, share: f64| f64::from(from) + (f64::from(to) - f64::from(from)) * share;
        // At most some millions for the longest move that a core holds.
        for part in 0..parts as u32 {
            let share = (f64::from(part) + 0.5) / parts;
            self.add(Spot {
                x_mm: between(start.x_um, end.x_um, share) / 1000.0,
                y_mm: between(start.y_um, end.y_um, share) / 1000.0,
                z_um: between(start.z_um, end.z_um, share),
                length_mm: length_mm / parts,
                job_line: job_move.line,
            });
        }
    }

    fn add(&mut self, spot: Spot) {
        // Saturates far beyond any bed.
        let index = |mm: f64| (mm / self.square_mm).floor() as i32;
        let key = (index(spot.x_mm), index(spot.y_mm));
        self.squares.entry(key).and_modify(|square| square.take_in(&spot)).or_insert(spot);
        if self.squares.len() > MOST_SPOTS {
            self.square_mm *= 2.0;
            for ((column, row), spot) in std::mem::take(&mut self.squares) {
                let key = (column.div_euclid(2), row.div_euclid(2));
                self.squares.entry(key).and_modify(|square| square.take_in(&spot)).or_insert(spot);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo;

    fn spots(job: &str) -> Vec<Spot> {
        Footprint::of("job", job.as_bytes()).unwrap().1
    }

    #[test]
    fn only_the_lowest_printed_layer_counts_and_no_length_is_lost() {
        let job = "G1 Z0.6 F600\nG1 X10\nG1 X50 E1\nG1 Z0.2\nG1 X60 Y30 E2\nG1 Z0.4\nG1 X0 E3\n";
        let spots = spots(job);
        let length_mm: f64 = spots.iter().map(|spot| spot.length_mm).sum();
        assert!((length_mm - 10_f64.hypot(30.0)).abs() < 1e-9, "{length_mm}");
        assert!(spots.iter().all(|spot| spot.job_line == 5 && (spot.z_um - 200.0).abs() < 1e-9));
        assert!(spots.iter().all(|spot| ((spot.x_mm - 50.0) * 3.0 - spot.y_mm).abs() < 1e-9), "on the line");
    }

    #[test]
    fn nothing_printed_is_said() {
        let error = Footprint::of("job", &b"G0 X5\nG1 E3\nG1 X9\n"[..]).err().unwrap();
        assert!(matches!(error, ReplayError::NothingPrinted { .. }), "{error}");
    }

    #[test]
    fn a_large_layer_is_gathered_more_coarsely() {
        let (first_layer_um, spots) = Footprint::of("demo", demo::job()).unwrap();
        assert_eq!(first_layer_um, 200);
        assert!((MOST_SPOTS / 8..=MOST_SPOTS).contains(&spots.len()), "{}", spots.len());
    }
}
