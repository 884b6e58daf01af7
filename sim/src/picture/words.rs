//! Sentences that pictures and page share.

use super::frame::number;
use super::svg::shortened;
use crate::outcome::{Outcome, Run};

/// What came out, in one sentence.
pub(crate) fn verdict(outcome: &Outcome) -> String {
    if outcome.profile.is_empty() {
        return "The first layer lays nothing down, so there is no gap to judge.".to_owned();
    }
    let [uncorrected, corrected, refined] = Run::ALL.map(|run| percent(share(outcome, run)));
    format!(
        "Of the first layer, {refined} lies within {} of the gap asked for when corrected and refined, {corrected} when corrected, {uncorrected} uncorrected.",
        tolerance(outcome)
    )
}

/// Where the figures come from: job, scenario and grid, in one line.
pub(crate) fn origin(outcome: &Outcome) -> String {
    let [columns, rows] = outcome.grid_size;
    let [refined_columns, refined_rows] = outcome.refined_size;
    format!(
        "job {} · scenario {} · {columns} × {rows} stations, refined to {refined_columns} × {refined_rows} · first layer {} mm",
        shortened(&outcome.job_name, 40),
        shortened(&outcome.scenario_name, 40),
        outcome.surfaces.first_layer_um.round() / 1000.0,
    )
}

/// The share of the first layer within the tolerance.
pub(crate) fn share_within(outcome: &Outcome, run: Run) -> String {
    let printed = outcome.runs.get(run as usize).is_some_and(|found| found.first_layer.printed_length_mm > 0.0);
    if !printed {
        return "the first layer lays nothing down".to_owned();
    }
    format!("{} of the first layer within {}", percent(share(outcome, run)), tolerance(outcome))
}

/// The tolerance with its signs and unit.
pub(crate) fn tolerance(outcome: &Outcome) -> String {
    format!("±{} µm", number(outcome.tolerance_um, if outcome.tolerance_um.fract() == 0.0 { 1.0 } else { 0.1 }))
}

/// Share of a run's first layer within the tolerance, 0 to 1.
pub(crate) fn share(outcome: &Outcome, run: Run) -> f64 {
    outcome.runs.get(run as usize).map_or(0.0, |found| found.first_layer.within_tolerance)
}

/// A share as a percentage; 100 and 0 are only said when they are exact.
pub(crate) fn percent(share: f64) -> String {
    let tenths = share * 1000.0;
    let tenths = if share >= 1.0 {
        1000.0
    } else if share <= 0.0 {
        0.0
    } else {
        tenths.round().clamp(1.0, 999.0)
    };
    if tenths == 1000.0 || tenths == 0.0 {
        format!("{:.0} %", tenths / 10.0)
    } else {
        format!("{:.1} %", tenths / 10.0)
    }
}

#[cfg(test)]
mod tests {
    use super::percent;

    #[test]
    fn all_and_nothing_are_said_only_when_true() {
        assert_eq!([0.0, 0.000_01, 0.5, 0.999_99, 1.0].map(percent), ["0 %", "0.1 %", "50.0 %", "99.9 %", "100 %"]);
    }
}
