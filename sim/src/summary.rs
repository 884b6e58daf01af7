//! The figures of a replay as text for a terminal and as JSON for programs.

use std::fmt::Write as _;

use serde::Serialize;

use crate::deposit::{LaidFigures, Spot, Squeeze};
use crate::outcome::{GapFigures, JobCounts, LayerFigures, Outcome, Run, RunOutcome};
use crate::picture::words;

/// Version of the JSON summary; it rises when a key changes its meaning or goes away.
pub const SCHEMA_VERSION: u32 = 1;

#[derive(Serialize)]
struct Summary<'a> {
    format: &'static str,
    schema_version: u32,
    job: &'a str,
    scenario: &'a str,
    grid: Grid<'a>,
    tolerance_um: f64,
    first_layer_z_mm: f64,
    z_rate_limit_mm_s: f64,
    counts: &'a JobCounts,
    runs: &'a [RunOutcome],
    layers: &'a [LayerFigures],
    warnings: &'a [String],
}

#[derive(Serialize)]
struct Grid<'a> {
    origin: &'a str,
    columns: u8,
    rows: u8,
    refined_columns: u8,
    refined_rows: u8,
    fade_full_below_um: Option<i32>,
    fade_zero_above_um: Option<i32>,
}

/// The summary as JSON, with units in the names of its keys.
pub fn json(outcome: &Outcome) -> String {
    let summary = Summary {
        format: "gapkeeper-replay-summary",
        schema_version: SCHEMA_VERSION,
        job: &outcome.job_name,
        scenario: &outcome.scenario_name,
        grid: Grid {
            origin: &outcome.grid_origin,
            columns: outcome.grid_size[0],
            rows: outcome.grid_size[1],
            refined_columns: outcome.refined_size[0],
            refined_rows: outcome.refined_size[1],
            fade_full_below_um: outcome.fade_um.map(|fade| fade[0]),
            fade_zero_above_um: outcome.fade_um.map(|fade| fade[1]),
        },
        tolerance_um: outcome.tolerance_um,
        first_layer_z_mm: outcome.surfaces.first_layer_um / 1000.0,
        z_rate_limit_mm_s: outcome.z_rate_limit_mm_s,
        counts: &outcome.counts,
        runs: &outcome.runs,
        layers: &outcome.layers,
        warnings: &outcome.warnings,
    };
    // Plain data with names as keys: there is nothing in it that JSON cannot hold.
    serde_json::to_string_pretty(&summary).map_or_else(|error| error.to_string(), |text| text + "\n")
}

/// What one run laid down, for programs.
#[derive(Serialize)]
struct LaidRun<'a> {
    run: Run,
    first_layer: &'a LaidFigures,
    above: &'a LaidFigures,
    bridged_mm2: f64,
    closest: &'a [Spot],
    farthest: &'a [Spot],
}

#[derive(Serialize)]
struct LaidSummary<'a> {
    format: &'static str,
    schema_version: u32,
    classes: [&'static str; 3],
    runs: [LaidRun<'a>; 3],
}

/// What was laid down as JSON; a squeeze is the thickness laid by the thickness asked for.
pub fn squeeze_json(runs: &[Squeeze; 3]) -> String {
    let run = |run: Run| {
        let squeeze = &runs[run as usize];
        LaidRun {
            run,
            first_layer: &squeeze.first_layer,
            above: &squeeze.above,
            bridged_mm2: squeeze.bridged_mm2,
            closest: &squeeze.closest,
            farthest: &squeeze.farthest,
        }
    };
    let summary = LaidSummary {
        format: "gapkeeper-squeeze-summary",
        schema_version: SCHEMA_VERSION,
        classes: ["too_close", "good", "too_far"],
        runs: Run::ALL.map(run),
    };
    serde_json::to_string_pretty(&summary).map_or_else(|error| error.to_string(), |text| text + "\n")
}

/// What was laid down, for a terminal.
pub fn squeeze_text(runs: &[Squeeze; 3]) -> String {
    let mut text = String::from(
        "Thickness laid by thickness asked for, by area (flow: what is fed less what there is room for)\n",
    );
    let _ = writeln!(text, "{:31}too close     good  too far    least     most  flow RMS  with E scaled", "");
    for (run, squeeze) in Run::ALL.into_iter().zip(runs) {
        for (what, laid) in [("first layer", &squeeze.first_layer), ("above", &squeeze.above)] {
            let [close, good, far] = laid.shares.map(|share| format!("{:.1}%", 100.0 * share));
            // Writing to a string cannot fail.
            let _ = writeln!(
                text,
                "{:<19}{what:<12} {close:>8} {good:>8} {far:>8} {:>8.3} {:>8.3} {:>8.2}% {:>13.2}%",
                run.label(),
                laid.least,
                laid.most,
                100.0 * laid.flow_as_in_job.rms,
                100.0 * laid.flow_scaled.rms,
            );
        }
        for (what, spots) in [("closest", &squeeze.closest), ("farthest", &squeeze.farthest)] {
            if let Some(spot) = spots.first() {
                let Spot { job_line, x_mm, y_mm, z_mm, squeeze } = spot;
                let _ = writeln!(
                    text,
                    "{:<19}{what} {squeeze:.2} at X {x_mm:.1} Y {y_mm:.1} Z {z_mm:.2}, line {job_line}",
                    ""
                );
            }
        }
    }
    text
}

/// The summary for a terminal.
pub fn text(outcome: &Outcome) -> String {
    let mut text = String::new();
    let counts = &outcome.counts;
    let [columns, rows] = outcome.grid_size;
    let [refined_columns, refined_rows] = outcome.refined_size;
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "{}\n\n\
         scenario  {}\n\
         job       {}: {} lines, {} moves ({} arcs), {} of them printing, {} unknown words, {}\n\
         grid      {columns} x {rows}, {}; refined to {refined_columns} x {refined_rows}\n",
        words::verdict(outcome),
        printable(&outcome.scenario_name),
        printable(&outcome.job_name),
        counts.lines,
        counts.moves,
        counts.arcs,
        counts.printing_moves,
        counts.unknown_words,
        size(counts.bytes),
        printable(&outcome.grid_origin),
    );
    let first = |run: &RunOutcome| run.first_layer;
    let heading = format!("first layer, Z {:.3} mm", outcome.surfaces.first_layer_um / 1000.0);
    figures(&mut text, &heading, outcome, first);
    figures(&mut text, "whole job", outcome, |run| run.whole_job);
    for run in &outcome.runs {
        let _ = writeln!(
            text,
            "{:<20}{:>9} pieces, {} of them printing; fastest Z {:.2} mm/s (line {}), limit {} mm/s",
            run.run.label(),
            run.pieces,
            run.printing_pieces,
            run.largest_z_rate_mm_s,
            run.largest_z_rate_line,
            outcome.z_rate_limit_mm_s,
        );
    }
    for warning in &outcome.warnings {
        let _ = writeln!(text, "\nwarning: {}", printable(warning));
    }
    text
}

fn figures(text: &mut String, heading: &str, outcome: &Outcome, of: impl Fn(&RunOutcome) -> GapFigures) {
    let length_m = outcome.runs.iter().map(|run| of(run).printed_length_mm).fold(0.0, f64::max) / 1000.0;
    let _ = writeln!(
        text,
        "Gap error, {heading}, {length_m:.2} m printed (true gap minus logical height, um; + is too far from the bed)\n\
         {:<20}{:>9}{:>8}{:>8}{:>8}{:>8}{:>9}   worst",
        "",
        format!("in ±{}", outcome.tolerance_um),
        "min",
        "mean",
        "max",
        "RMS",
        "95 % in"
    );
    for run in &outcome.runs {
        let figures = of(run);
        let worst = figures.worst.map_or_else(String::new, |worst| {
            format!(
                "{:+.0} um at X {:.1} Y {:.1} Z {:.2}, line {}",
                worst.gap_error_um, worst.x_mm, worst.y_mm, worst.z_mm, worst.job_line
            )
        });
        let _ = writeln!(
            text,
            "{:<20}{:>8.1}%{:>+8.1}{:>+8.1}{:>+8.1}{:>8.1}{:>9}   {worst}",
            run.run.label(),
            figures.within_tolerance * 100.0,
            figures.min_um,
            figures.mean_um,
            figures.max_um,
            figures.rms_um,
            format!("±{:.1}", figures.p95_abs_um),
        );
    }
    text.push('\n');
}

fn size(bytes: u64) -> String {
    match bytes {
        0..1000 => format!("{bytes} B"),
        1000..1_000_000 => format!("{:.1} kB", bytes as f64 / 1e3),
        _ => format!("{:.2} MB", bytes as f64 / 1e6),
    }
}

/// Names from files must not steer the terminal.
pub(crate) fn printable(text: &str) -> String {
    text.chars().map(|character| if character.is_control() { '\u{FFFD}' } else { character }).collect()
}
