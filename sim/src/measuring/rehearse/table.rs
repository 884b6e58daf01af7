//! What was read against what was there, once the person may know.

use gapkeeper::Prompt;

use crate::survey::{Happening, SurveyOutcome};

/// One reading that stands.
struct Row {
    station: String,
    x_mm: f64,
    y_mm: f64,
    read_um: f64,
    bed_um: f64,
}

/// A table of the readings that stand, and how good they are in all.
pub(super) fn table(outcome: &SurveyOutcome) -> String {
    let rows = standing(outcome);
    let mut text =
        format!("{:<8}  {:>7}  {:>7}  {:>9}  {:>11}  {:>9}\n", "station", "X mm", "Y mm", "read", "bed", "off by");
    for row in &rows {
        text += &format!(
            "{:<8}  {:>7.1}  {:>7.1}  {:>+6.0} um  {:>+8.1} um  {:>+6.1} um\n",
            row.station,
            row.x_mm,
            row.y_mm,
            row.read_um,
            row.bed_um,
            row.off_um()
        );
    }
    // A survey that is done has readings.
    let count = rows.len().max(1) as f64;
    let mean_um = rows.iter().map(Row::off_um).sum::<f64>() / count;
    let rms_um = (rows.iter().map(|row| row.off_um().powi(2)).sum::<f64>() / count).sqrt();
    let worst_um = rows.iter().map(Row::off_um).max_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or_default();
    text + &format!("off by {mean_um:+.1} um on the whole, {rms_um:.1} um RMS, {worst_um:+.1} um at worst\n")
}

impl Row {
    fn off_um(&self) -> f64 {
        self.read_um - self.bed_um
    }
}

/// The last reading of every visit, of the last round only.
fn standing(outcome: &SurveyOutcome) -> Vec<Row> {
    let stations = outcome.grid.grid.nodes_um().len();
    let mut rows: Vec<Row> = Vec::new();
    for happening in &outcome.happenings {
        let Happening::Reading { prompt, x_mm, y_mm, height_um, true_um, .. } = happening else {
            if !matches!(happening, Happening::Closure { accepted: true, .. }) {
                rows.clear();
            }
            continue;
        };
        let station = match *prompt {
            Prompt::SetGap { visit, visits, .. } if visit == visits => "1 again".to_string(),
            Prompt::SetGap { visit, .. } if usize::from(visit) > stations => {
                format!("check {}", usize::from(visit) - stations)
            }
            Prompt::SetGap { visit, .. } => visit.to_string(),
            // One more look at a station: no visit of its own, but a known place.
            _ => rows
                .iter()
                .find(|row| (row.x_mm, row.y_mm) == (*x_mm, *y_mm))
                .map_or_else(String::new, |row| row.station.clone()),
        };
        let row = Row { station, x_mm: *x_mm, y_mm: *y_mm, read_um: *height_um, bed_um: *true_um };
        match rows.iter_mut().find(|other| other.station == row.station) {
            Some(other) => *other = row,
            None => rows.push(row),
        }
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo;
    use crate::scenario::{Bounded, Count, NotNegative};
    use crate::survey::survey;

    fn reading(prompt: Prompt, x_mm: f64, height_um: f64, true_um: f64) -> Happening {
        Happening::Reading { prompt, x_mm, y_mm: 20.0, height_um, true_um, at_s: 0.0 }
    }

    /// An outcome of four stations with what happened put in its place.
    fn outcome(happenings: Vec<Happening>) -> SurveyOutcome {
        let mut scenario = demo::scenario().unwrap();
        scenario.survey.stations = [Count(2); 2];
        scenario.measuring.feel_um = NotNegative(0.0);
        scenario.measuring.settle_um = Bounded(0.0);
        SurveyOutcome { happenings, ..survey(&scenario, scenario.stations(), 1).unwrap() }
    }

    #[test]
    fn the_table_holds_the_readings_that_stand() {
        let set =
            |visit| Prompt::SetGap { visit, visits: 6, is_corner: false, z_um: 0, is_coarse: false, is_turned: true };
        let outcome = outcome(vec![
            reading(set(1), 20.0, 900.0, 0.0),
            Happening::Closure { um: 90, accepted: false },
            reading(set(1), 20.0, -90.0, -92.5),
            reading(set(2), 210.0, 250.0, 30.0),
            reading(Prompt::LookAgain { off_um: 220, z_um: 0, is_coarse: false, is_turned: true }, 210.0, 40.0, 30.0),
            reading(set(5), 115.0, 110.0, 112.5),
            reading(set(6), 20.0, -80.0, -92.5),
            Happening::Closure { um: 10, accepted: true },
        ]);
        let expected = "\
station      X mm     Y mm       read          bed     off by
1            20.0     20.0     -90 um     -92.5 um    +2.5 um
2           210.0     20.0     +40 um     +30.0 um   +10.0 um
check 1     115.0     20.0    +110 um    +112.5 um    -2.5 um
1 again      20.0     20.0     -80 um     -92.5 um   +12.5 um
off by +5.6 um on the whole, 8.2 um RMS, +12.5 um at worst
";
        let table = table(&outcome);
        assert_eq!(table, expected, "\n{table}");
    }

    #[test]
    fn a_raised_bed_voids_what_was_read_before() {
        let set =
            |visit| Prompt::SetGap { visit, visits: 6, is_corner: false, z_um: 0, is_coarse: false, is_turned: true };
        let outcome = outcome(vec![
            reading(set(1), 20.0, 0.0, 0.0),
            Happening::BedRaised { by_um: 500.0 },
            reading(set(2), 1.0, 5.0, 5.0),
        ]);
        assert!(!table(&outcome).contains("\n1 "), "{}", table(&outcome));
    }
}
