//! Sentences that pictures and page share.

use super::frame::number;
use super::heading::Heading;
use super::svg::shortened;
use crate::class::{TOO_CLOSE_BELOW, TOO_FAR_ABOVE};
pub(crate) use crate::class::{judged, length, percent, percentage};
use crate::outcome::{Class, Outcome, Place, Run};

/// What came out, in one sentence; how much was judged is that of the run that would be used.
pub(crate) fn verdict(outcome: &Outcome) -> String {
    let Some(used) = outcome.runs.iter().find(|run| run.in_use).filter(|run| run.first_layer.length_mm.total() > 0.0)
    else {
        return "The first layer lays nothing down, so there is no gap to judge.".to_owned();
    };
    let [uncorrected, corrected, refined] = Run::ALL.map(|run| percent(share(outcome, run)));
    format!(
        "First layer good ({}): {refined} refined, {corrected} corrected, {uncorrected} uncorrected; {}.",
        good(outcome),
        judged(&used.first_layer.length_mm)
    )
}

/// What came out and what to do first, for the head of a picture.
pub fn title(outcome: &Outcome) -> String {
    let verdict = &outcome.verdict;
    match verdict.actions.first() {
        Some(action) => format!("{} {}", verdict.headline, action.line()),
        None => verdict.headline.clone(),
    }
}

/// The place of a run's first layer to look at first: where the nozzle touches, or else the largest error.
pub(crate) fn worst(outcome: &Outcome, run: Run) -> Option<Place> {
    let run = outcome.runs.get(run as usize)?;
    run.deepest_contact.or(run.first_layer.errors.map(|errors| errors.worst))
}

/// Name and heading of a picture: the title above what it shows; without one, what it shows is the title.
pub(crate) fn head<'a>(outcome: &Outcome, title: &'a str, shows: &'a str, width: f64) -> (&'a str, Heading) {
    if title.is_empty() {
        (shows, Heading::new(shows, &origin(outcome), width))
    } else {
        (title, Heading::new(title, &format!("{shows} · {}", origin(outcome)), width))
    }
}

/// What counts as good.
pub(crate) fn good(outcome: &Outcome) -> String {
    format!(
        "within {} and {:.0} to {:.0} % of its height",
        tolerance(outcome),
        TOO_CLOSE_BELOW * 100.0,
        TOO_FAR_ABOVE * 100.0
    )
}

/// Where the figures come from: job, scenario and grid, in one line.
pub(crate) fn origin(outcome: &Outcome) -> String {
    let [columns, rows] = outcome.grid_size;
    let [refined_columns, refined_rows] = outcome.refined_size;
    format!(
        "job {} · scenario {} · {columns} × {rows} nodes, refined to {refined_columns} × {refined_rows} · first layer {} mm",
        shortened(&outcome.job_name, 40),
        shortened(&outcome.scenario_name, 40),
        outcome.surfaces.first_layer_um.round() / 1000.0,
    )
}

/// The share of the first layer that lies well, and contact where there is any.
pub(crate) fn share_good(outcome: &Outcome, run: Run) -> String {
    let Some(length_mm) = outcome.runs.get(run as usize).map(|found| found.first_layer.length_mm) else {
        return String::new();
    };
    if length_mm.total() <= 0.0 {
        return "the first layer lays nothing down".to_owned();
    }
    let mut text = format!("{} of the first layer good", percent(length_mm.share(Class::Good)));
    for class in [Class::Contact, Class::Refused] {
        if length_mm.get(class) > 0.0 {
            text += &format!(", {} {}", percent(length_mm.share(class)), class.label());
        }
    }
    text
}

/// The tolerance with its signs and unit.
pub(crate) fn tolerance(outcome: &Outcome) -> String {
    format!("±{} µm", number(outcome.tolerance_um, if outcome.tolerance_um.fract() == 0.0 { 1.0 } else { 0.1 }))
}

/// Share of a run's first layer that lies well, 0 to 1.
pub(crate) fn share(outcome: &Outcome, run: Run) -> f64 {
    outcome.runs.get(run as usize).map_or(0.0, |found| found.first_layer.good())
}
