//! A plan as a table for a terminal.

use std::fmt::Write as _;

use super::advice::cheapest;
use super::{Plan, Row};
use crate::class::{percent, percentage};
use gapkeeper_host_tools::printed::one_line;

pub(super) fn text(plan: &Plan) -> String {
    let mut text = format!("{}\n\n", plan.advice);
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "scenario     {}\n\
         job          {}: first layer at Z {:.3} mm, {:.2} m printed, looked at in {} places\n\
         draws        {} surveys in every row, drawn from seed {}{}\n\
         uncorrected  {} of the first layer good (within ±{} um and its squeeze)\n",
        one_line(&plan.scenario),
        one_line(&plan.job),
        plan.first_layer_z_mm,
        plan.printed_length_mm / 1000.0,
        plan.spots,
        plan.draws,
        plan.seed,
        if plan.other_beds { ", each over another bed of the same roughness" } else { "" },
        percent(plan.uncorrected_good.mean),
        plan.tolerance_um,
    );
    let mut feel_um = None;
    for row in &plan.rows {
        if feel_um != Some(row.feel_um) {
            feel_um = Some(row.feel_um);
            let _ = writeln!(
                text,
                "A hand of {} um (one standard deviation)\n\
                 {:<25}{:>10}  {:<15}{:>9}{:>9}  {:<28}{:>8}{:>9}{:>9}",
                row.feel_um,
                "stations (readings)",
                "good",
                "90 % of draws",
                "at least",
                "worst um",
                "  there",
                "minutes",
                "record B",
                "memory B",
            );
        }
        let chosen = cheapest(plan, row.feel_um).is_some_and(|(best, _)| std::ptr::eq(best, row));
        let _ = writeln!(text, "{}{}", line(row), if chosen { "  <" } else { "" });
        if row.refined && row.stations == plan.rows.last().map_or(0, |last| last.stations) {
            text.push('\n');
        }
    }
    let _ = writeln!(
        text,
        "90 % of draws: 5 % are below, 5 % above. At least: what 19 of 20 surveys reach, as sure as 95 %. Worst: the largest gap error, by its upper end over the draws, and \
         where the\nworst of all lies. Record: one slot of the persistent memory, two are needed. <: the least time \
         that is good enough.",
    );
    text
}

fn line(row: &Row) -> String {
    let Row { stations, nodes: [columns, rows], .. } = row;
    let surface = if row.refined { format!("to {columns} x {rows}") } else { "bilinear".to_string() };
    let way = format!("{stations} x {stations} ({}) {surface}", row.readings);
    let refused = match &row.refused {
        Some((count, why)) => format!("  refused {count} times: {}", one_line(why)),
        None => String::new(),
    };
    let Some(figures) = &row.figures else { return format!("{way:<25}{refused}") };
    let (good, worst) = (figures.good, figures.worst);
    format!(
        "{way:<25}{:>10}  {:<15}{:>9}{:>9.0}  {:<28}{:>8.1}{:>9}{:>9}{refused}",
        percent(good.mean),
        format!("{} to {}", percentage(good.low), percentage(good.high)),
        figures.good_at_least.map_or("?".into(), percent),
        figures.worst_um.high,
        format!("  X {:.0} Y {:.0}, line {}", worst.x_mm, worst.y_mm, worst.job_line),
        figures.minutes.mean,
        row.record_bytes,
        row.memory_bytes,
    )
}
