//! Gap error of every job line of the first layer, for the page's line search.

use crate::outcome::{BedPoint, JobLines, LineGap, Range, Run};

/// Most lines kept; few first layers have more, and the page reports what was left out.
/// They take about 18 bytes each in the page.
pub(crate) const MOST_LINES: usize = 30_000;

/// The lines as they go.
#[derive(Clone, Debug, Default)]
pub(crate) struct LineTally {
    found: JobLines,
    last: u64,
}

impl LineTally {
    /// Takes in a place of a line; errors without a number were not judged.
    pub(crate) fn add(&mut self, job_line: u64, place: BedPoint, errors_um: [f64; 3], in_use: Run) {
        if self.found.lines.last().is_none_or(|line| line.job_line != job_line) {
            if self.found.lines.len() == MOST_LINES {
                self.found.left_out += u64::from(self.last != job_line);
                self.last = job_line;
                return;
            }
            let nothing = Range { min_um: f64::INFINITY, max_um: f64::NEG_INFINITY };
            self.found.lines.push(LineGap {
                job_line,
                starts_at: place,
                ends_at: place,
                worst_at: place,
                gap_error: [nothing; 3],
            });
        }
        let Some(line) = self.found.lines.last_mut() else { return };
        line.ends_at = place;
        let range = &line.gap_error[in_use as usize];
        let so_far_um = range.max_um.max(-range.min_um);
        if errors_um[in_use as usize].abs() > so_far_um {
            line.worst_at = place;
        }
        for (range, error_um) in line.gap_error.iter_mut().zip(errors_um) {
            // Without a number it stays as it is.
            range.min_um = range.min_um.min(error_um);
            range.max_um = range.max_um.max(error_um);
        }
    }

    pub(crate) fn into_lines(self) -> JobLines {
        self.found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_told_apart_and_bounded() {
        let mut tally = LineTally::default();
        let at = |x_mm: f64| BedPoint { x_mm, y_mm: 0.0 };
        tally.add(3, at(1.0), [5.0, f64::NAN, -1.0], Run::Refined);
        tally.add(3, at(2.0), [-7.0, f64::NAN, 4.0], Run::Refined);
        tally.add(3, at(3.0), [0.0, f64::NAN, -3.0], Run::Refined);
        for line in 4..4 + MOST_LINES as u64 {
            tally.add(line, at(0.0), [0.0; 3], Run::Refined);
            tally.add(line, at(1.0), [0.0; 3], Run::Refined);
        }
        let JobLines { lines, left_out } = tally.into_lines();
        assert_eq!((lines.len(), left_out), (MOST_LINES, 1));
        let first = &lines[0];
        assert_eq!((first.job_line, first.starts_at, first.worst_at), (3, at(1.0), at(2.0)));
        assert_eq!(first.ends_at, at(3.0));
        assert_eq!(first.gap_error[0], Range { min_um: -7.0, max_um: 5.0 });
        assert!(first.gap_error[1].min_um > first.gap_error[1].max_um);
    }
}
