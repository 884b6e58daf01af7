//! One sentence out of a table.

use super::bound::FEWEST_DRAWS;
use super::{Figures, Plan, Row};
use crate::class::percent;

/// A way of measuring is good enough if, as sure as 95 %, 19 of 20 surveys make this share of the first layer good.
pub(crate) const GOAL: f64 = 0.95;

/// The row that asks for the least time among those of a hand that are good enough, with the surface that the machine takes.
pub(super) fn cheapest(plan: &Plan, feel_um: f64) -> Option<(&Row, &Figures)> {
    let good = |figures: &&Figures| figures.good_at_least.is_some_and(|share| share >= GOAL);
    plan.rows
        .iter()
        .filter(|row| row.feel_um == feel_um && row.refined)
        .filter_map(|row| Some((row, row.figures.as_ref().filter(good)?)))
        .reduce(|best, next| if next.1.minutes.mean < best.1.minutes.mean { next } else { best })
}

/// What to do, for the scenario's own hand.
pub(super) fn advice(plan: &Plan) -> String {
    let (tolerance_um, feel_um, draws) = (plan.tolerance_um, plan.scenario_feel_um, plan.draws);
    let Some(uncorrected) = plan.uncorrected_good_at_least else {
        return format!(
            "No advice from {draws} draws: it takes {FEWEST_DRAWS} to be 95 % sure of what 19 of 20 surveys reach."
        );
    };
    if uncorrected >= GOAL {
        return format!(
            "Leave it as it is: {} or more of the first layer is good within ±{tolerance_um} um without any correction.",
            percent(uncorrected)
        );
    }
    let at_least = |figures: &Figures| figures.good_at_least.unwrap_or(0.0);
    if let Some((row, figures)) = cheapest(plan, feel_um) {
        return format!(
            "Measure {} ({:.0} min): with your hand of {feel_um} um, 19 of 20 surveys make {} or more of the first layer \
             good within ±{tolerance_um} um (95 % sure, from {draws} draws).",
            way(row),
            figures.minutes.mean,
            percent(at_least(figures)),
        );
    }
    let mut steadier: Vec<f64> = plan.rows.iter().map(|row| row.feel_um).filter(|&other| other < feel_um).collect();
    steadier.sort_by(|a, b| b.total_cmp(a));
    if let Some((row, figures)) = steadier.into_iter().find_map(|feel_um| cheapest(plan, feel_um)) {
        return format!(
            "Measure with more care: your hand of {feel_um} um is not steady enough for any number of stations in the \
             table, one of {} um is with {} ({:.0} min).",
            row.feel_um,
            way(row),
            figures.minutes.mean
        );
    }
    let best = plan
        .rows
        .iter()
        .filter(|row| row.feel_um == feel_um && row.refined)
        .filter_map(|row| Some((row, row.figures.as_ref()?)))
        .reduce(|best, next| if at_least(next.1) > at_least(best.1) { next } else { best });
    match best {
        Some((row, figures)) => format!(
            "No way of measuring in the table is enough for ±{tolerance_um} um: the best with your hand of {feel_um} um is \
             {}, where 19 of 20 surveys make {} or more of the first layer good (95 % sure, from {draws} draws); look for \
             what makes the bed rough, or allow more.",
            way(row),
            percent(at_least(figures)),
        ),
        None => "Nothing can be measured: the table says why.".into(),
    }
}

fn way(row: &Row) -> String {
    let Row { stations, readings, .. } = row;
    let with_middles = *readings > usize::from(*stations).pow(2);
    format!("{stations} x {stations} stations{}", if with_middles { " and the middles between them" } else { "" })
}
