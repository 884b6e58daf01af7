//! The verdict of a replay and what to do about it: first in every output alike, and the title of the pictures.
//!
//! No action is named that was not evaluated: every share is that of the job's first layer over the modelled bed with the
//! action taken.

use crate::class::{length, percent};
use crate::outcome::{Class, Outcome, PerClass, RunOutcome};

/// From this share of the first layer on a job may be printed as it is.
pub(crate) const GOOD_ENOUGH: f64 = 0.95;

/// A first layer of which less is judged says nothing about a job: as much as the brim around a button (common practice,
/// no source).
pub(crate) const LEAST_JUDGED_MM: f64 = 100.0;

/// What came out, in one sentence, of the run that would be used.
pub fn headline(outcome: &Outcome) -> String {
    let Some(used) = outcome.runs.iter().find(|run| run.in_use) else {
        return "There is no run to judge.".to_owned();
    };
    let length_mm = &used.first_layer.length_mm;
    if length_mm.total() <= 0.0 {
        return "The first layer lays nothing down, so there is no gap to judge.".to_owned();
    }
    let touches = used.deepest_contact.or(used.deepest_travel_contact);
    if let Some(place) = touches {
        return format!(
            "Nozzle meets the plate at line {}, X {:.0} Y {:.0}: do not print.",
            place.job_line, place.x_mm, place.y_mm
        );
    }
    if let Some(line) = used.first_refused_line {
        return format!("Moves below the limit switch are refused from line {line} on: do not print.");
    }
    if length_mm.on_bed() <= 0.0 {
        return "All of the first layer lies beyond the plate: do not print.".to_owned();
    }
    let good = length_mm.share(Class::Good);
    if length_mm.judged() < LEAST_JUDGED_MM {
        return format!(
            "Almost nothing was judged, {} of first layer, {} of it good: see what the job prints on the plate.",
            length(length_mm.judged()),
            percent(good)
        );
    }
    if good >= 1.0 {
        return if outcome.by_hand {
            "All of the first layer will stick: print.".to_owned()
        } else {
            "All of the first layer will stick if the readings are right.".to_owned()
        };
    }
    let rest = rest(length_mm);
    if good >= GOOD_ENOUGH {
        let first = if outcome.by_hand { "print" } else { "measure, then print" };
        format!("{} of the first layer will stick, {rest}: {first}, and watch {}.", percent(good), watch(used))
    } else {
        let good = if good > 0.0 { format!("Only {}", percent(good)) } else { "Nothing".to_owned() };
        let off_bed = length_mm.share(Class::OffBed) > 1.0 - GOOD_ENOUGH;
        let first = if off_bed { "move the job onto the plate" } else { "do not print yet" };
        format!("{good} of the first layer will stick, {rest}: {first}.")
    }
}

/// The largest class that is not good.
fn rest(length_mm: &PerClass) -> String {
    let others = Class::ALL.into_iter().filter(|class| *class != Class::Good);
    let largest = others.reduce(|a, b| if length_mm.get(b) > length_mm.get(a) { b } else { a });
    largest.map_or_else(String::new, |class| format!("{} {}", percent(length_mm.share(class)), class.label()))
}

fn watch(used: &RunOutcome) -> String {
    match used.first_layer.errors {
        Some(errors) => {
            let worst = errors.worst;
            format!("line {}, X {:.0} Y {:.0}", worst.job_line, worst.x_mm, worst.y_mm)
        }
        None => "it".to_owned(),
    }
}
