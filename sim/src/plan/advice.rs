//! One sentence out of a table.

use super::{Figures, Plan, Row};

/// A way of measuring is good enough if 19 of 20 surveys bring this share of the first layer within the tolerance.
pub(super) const GOAL: f64 = 0.95;

/// The row that asks for the least time among those of a hand that are good enough.
pub(super) fn cheapest(plan: &Plan, feel_um: f64, suits: impl Fn(&Row) -> bool) -> Option<(&Row, &Figures)> {
    let good = |figures: &&Figures| figures.within_tolerance.low >= GOAL;
    plan.rows
        .iter()
        .filter(|row| row.feel_um == feel_um && row.refused.is_none() && suits(row))
        .filter_map(|row| Some((row, row.figures.as_ref().filter(good)?)))
        // Bilinear stands first and needs less memory.
        .reduce(|best, next| if next.1.minutes.mean < best.1.minutes.mean { next } else { best })
}

/// The hand of the table that is nearest to the scenario's.
fn hand_um(plan: &Plan) -> Option<f64> {
    let off = |feel_um: &f64| (feel_um - plan.scenario_feel_um).abs();
    plan.rows.iter().map(|row| row.feel_um).min_by(|a, b| off(a).total_cmp(&off(b)))
}

/// What to do.
pub(super) fn advice(plan: &Plan) -> String {
    let tolerance_um = plan.tolerance_um;
    if plan.uncorrected_within_tolerance.low >= GOAL {
        return format!(
            "Leave it as it is: {} of the first layer lies within ±{tolerance_um} um without any correction.",
            percent(plan.uncorrected_within_tolerance.mean)
        );
    }
    let Some(feel_um) = hand_um(plan) else { return "Nothing was asked for, so there is nothing to advise.".into() };
    if let Some((row, figures)) = cheapest(plan, feel_um, |_| true) {
        let mut text = format!(
            "Measure {} ({:.0} min): with a hand of {feel_um} um, 19 of 20 surveys bring {} or more of the first layer \
             within ±{tolerance_um} um",
            way(row),
            figures.minutes.mean,
            percent(figures.within_tolerance.low),
        );
        let other = |other: &Row| other.refined != row.refined;
        match cheapest(plan, feel_um, other) {
            Some((other, figures)) if row.refined => {
                text += &format!("; without refining it takes {} ({:.0} min)", way(other), figures.minutes.mean);
            }
            None if row.refined => text += "; without refining no number of stations in the table does",
            _ => {}
        }
        return text + ".";
    }
    let mut steadier: Vec<f64> = plan.rows.iter().map(|row| row.feel_um).filter(|&other| other < feel_um).collect();
    steadier.sort_by(|a, b| b.total_cmp(a));
    if let Some((row, figures)) = steadier.into_iter().find_map(|feel_um| cheapest(plan, feel_um, |_| true)) {
        return format!(
            "Measure with more care: a hand of {feel_um} um is not steady enough for any number of stations in the \
             table, one of {} um is with {} ({:.0} min).",
            row.feel_um,
            way(row),
            figures.minutes.mean
        );
    }
    let low = |figures: &Figures| figures.within_tolerance.low;
    let best = plan
        .rows
        .iter()
        .filter(|row| row.feel_um == feel_um)
        .filter_map(|row| Some((row, row.figures.as_ref()?)))
        .reduce(|best, next| if low(next.1) > low(best.1) { next } else { best });
    match best {
        Some((row, figures)) => format!(
            "No way of measuring in the table is enough for ±{tolerance_um} um: the best with a hand of {feel_um} um is \
             {}, where 19 of 20 surveys bring {} or more of the first layer within; look for what makes the bed rough, \
             or allow more.",
            way(row),
            percent(low(figures)),
        ),
        None => "Nothing can be measured: the table says why.".into(),
    }
}

fn way(row: &Row) -> String {
    let Row { stations, refined, .. } = row;
    format!("{stations} x {stations} stations{}", if *refined { " and refine" } else { "" })
}

/// A share in per cent, never rounded up to all of it.
pub(super) fn percent(share: f64) -> String {
    if share < 1.0 && share > 0.9995 { "99.9 %".into() } else { format!("{:.1} %", share * 100.0) }
}
