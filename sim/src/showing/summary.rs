//! The figures of a replay as text for a terminal and as JSON for programs.

use std::fmt::Write as _;

use gapkeeper_host_tools::printed::one_line;
use serde::Serialize;

use crate::class::{LOOSE_ABOVE, TOO_CLOSE_BELOW, TOO_FAR_ABOVE, percentage};
use crate::deposit::{LaidFigures, LaidPlace, Squeeze};
use crate::outcome::{
    Band, Class, FirstLayerHeights, JobCounts, LayerFigures, Outcome, Place, Run, RunOutcome, Verdict,
};
use crate::picture::words;

/// Version of the JSON summary; it rises when a key changes its meaning or goes away.
pub const SCHEMA_VERSION: u32 = 2;

#[derive(Serialize)]
struct Summary<'a> {
    format: &'static str,
    schema_version: u32,
    verdict: &'a Verdict,
    job: &'a str,
    scenario: &'a str,
    grid: Grid<'a>,
    tolerance_um: f64,
    too_close_below: f64,
    too_far_above: f64,
    loose_above: f64,
    first_layer_heights: FirstLayerHeights,
    first_layer_z_mm: f64,
    z_rate_limit_mm_s: f64,
    counts: &'a JobCounts,
    runs: &'a [RunOutcome],
    /// Shape of the top of each layer.
    layers: &'a [LayerFigures],
    faults: &'a [String],
    warnings: &'a [String],
    /// Unknown words that move nothing, as far as they show.
    passed_over: Option<&'a str>,
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
    /// As a check of the grid has it.
    band: Option<serde_json::Value>,
}

/// The summary as JSON, with units in the names of its keys.
pub fn json(outcome: &Outcome) -> String {
    let summary = Summary {
        format: "gapkeeper-replay-summary",
        schema_version: SCHEMA_VERSION,
        verdict: &outcome.verdict,
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
            band: outcome.band.as_ref().map(Band::to_json),
        },
        tolerance_um: outcome.tolerance_um,
        too_close_below: TOO_CLOSE_BELOW,
        too_far_above: TOO_FAR_ABOVE,
        loose_above: LOOSE_ABOVE,
        first_layer_heights: outcome.first_layer_heights,
        first_layer_z_mm: outcome.surfaces.first_layer_um / 1000.0,
        z_rate_limit_mm_s: outcome.z_rate_limit_mm_s,
        counts: &outcome.counts,
        runs: &outcome.runs,
        layers: &outcome.layers,
        faults: &outcome.faults,
        warnings: &outcome.warnings,
        passed_over: outcome.passed_over.as_deref(),
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
    closest: &'a [LaidPlace],
    farthest: &'a [LaidPlace],
}

#[derive(Serialize)]
struct LaidSummary<'a> {
    format: &'static str,
    schema_version: u32,
    classes: [&'static str; 7],
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
        classes: Class::ALL.map(Class::key),
        runs: Run::ALL.map(run),
    };
    serde_json::to_string_pretty(&summary).map_or_else(|error| error.to_string(), |text| text + "\n")
}

/// What was laid down, for a terminal.
pub fn squeeze_text(runs: &[Squeeze; 3]) -> String {
    let mut text = String::from(
        "Thickness laid by thickness asked for, by area, % (flow: what is fed less what there is room for)\n",
    );
    let _ = write!(text, "{:32}", "");
    for class in Class::ALL {
        let _ = write!(text, "{:>10}", class.label().replace("off the bed", "off bed"));
    }
    let _ = writeln!(text, "{:>9}{:>8}{:>8}{:>10}  with E scaled", "least", "most", "width", "flow RMS");
    for (run, squeeze) in Run::ALL.into_iter().zip(runs) {
        for (what, laid) in [("first layer", &squeeze.first_layer), ("above", &squeeze.above)] {
            let area_mm2 = laid.area_mm2;
            let shares = Class::ALL.map(|class| format!("{:>10}", percentage(area_mm2.share(class)))).concat();
            // Writing to a string cannot fail.
            let _ = write!(text, "{:<19}{what:<13}{shares}", run.label());
            let _ = match laid.lines {
                Some(lines) => writeln!(
                    text,
                    "{:>9.3}{:>8.3}{:>8.2}{:>9.2}% {:>13.2}%",
                    lines.least,
                    lines.most,
                    lines.width_mm,
                    100.0 * lines.flow_as_in_job.rms,
                    100.0 * lines.flow_scaled.rms,
                ),
                None => writeln!(text, "  nothing to judge"),
            };
            let _ = writeln!(
                text,
                "{:<32}{:.0} mm2 judged of {:.0}",
                "",
                area_mm2.judged(),
                area_mm2.total() + if what == "above" { squeeze.bridged_mm2 } else { 0.0 }
            );
        }
        for (what, spots) in [("closest", &squeeze.closest), ("farthest", &squeeze.farthest)] {
            if let Some(spot) = spots.first() {
                let LaidPlace { job_line, x_mm, y_mm, z_mm, squeeze, class } = spot;
                let _ = writeln!(
                    text,
                    "{:<19}{what} {squeeze:.2} at X {x_mm:.1} Y {y_mm:.1} Z {z_mm:.2}, line {job_line}: {}",
                    "",
                    class.label()
                );
            }
        }
    }
    text
}

/// The summary for a terminal: the verdict, what must not be, and the figures.
pub fn text(outcome: &Outcome) -> String {
    let counts = &outcome.counts;
    let [columns, rows] = outcome.grid_size;
    let [refined_columns, refined_rows] = outcome.refined_size;
    let mut text = format!("{}\n", outcome.verdict.headline);
    for (number, action) in (1..).zip(&outcome.verdict.actions) {
        let _ = writeln!(text, "  {number}. {}", action.line());
    }
    let _ = writeln!(text, "\n{}", words::verdict(outcome));
    for fault in &outcome.faults {
        let _ = writeln!(text, "FAULT: {}", one_line(fault));
    }
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "\n\
         scenario  {}\n\
         job       {}: {} lines, {} moves ({} arcs), {} of them printing, {} unknown words, {}\n\
         grid      {columns} x {rows}, {}; refined to {refined_columns} x {refined_rows}",
        one_line(&outcome.scenario_name),
        one_line(&outcome.job_name),
        counts.lines,
        counts.moves,
        counts.arcs,
        counts.printing_moves,
        counts.unknown_words,
        size(counts.bytes),
        one_line(&outcome.grid_origin),
    );
    if let Some(band) = &outcome.band {
        let _ = writeln!(text, "surface   {}", band.widths());
    }
    text.push('\n');
    if let Some(words) = &outcome.passed_over {
        let _ = writeln!(text, "passed over, harmless as far as its words show: {}\n", one_line(words));
    }
    first_layer(&mut text, outcome);
    top(&mut text, outcome);
    for run in &outcome.runs {
        let _ = writeln!(
            text,
            "{:<20}{:>9} pieces, {} of them printing; fastest Z {}, limit {} mm/s",
            run.run.label(),
            run.pieces,
            run.printing_pieces,
            match run.largest_z_rate_mm_s {
                0.0 => "0 mm/s".to_owned(),
                rate_mm_s => format!("{rate_mm_s:.2} mm/s (line {})", run.largest_z_rate_line),
            },
            outcome.z_rate_limit_mm_s,
        );
    }
    for warning in &outcome.warnings {
        let _ = writeln!(text, "\nwarning: {}", one_line(warning));
    }
    text
}

/// Classes by length and gap error of each run.
fn first_layer(text: &mut String, outcome: &Outcome) {
    let _ = writeln!(
        text,
        "First layer, most of it at Z {:.3} mm, by length, % (good: {})",
        outcome.surfaces.first_layer_um / 1000.0,
        words::good(outcome)
    );
    let _ = write!(text, "{:<20}", "");
    for class in Class::ALL {
        let _ = write!(text, "{:>10}", class.label().replace("off the bed", "off bed"));
    }
    text.push('\n');
    for run in &outcome.runs {
        let length_mm = run.first_layer.length_mm;
        let shares = Class::ALL.map(|class| format!("{:>10}", percentage(length_mm.share(class)))).concat();
        let _ = writeln!(text, "{:<20}{shares}   {}", run.run.label(), words::judged(&length_mm));
    }
    let _ = writeln!(
        text,
        "Gap error (true gap minus logical height, um; + is too far from the bed)\n\
         {:<20}{:>8}{:>8}{:>8}{:>8}{:>9}   worst",
        "", "min", "mean", "max", "RMS", "95 % in"
    );
    for run in &outcome.runs {
        let label = run.run.label();
        let Some(errors) = run.first_layer.errors else {
            let _ = writeln!(text, "{label:<20}nothing to judge");
            continue;
        };
        let worst = errors.worst;
        let _ = writeln!(
            text,
            "{label:<20}{:>+8.1}{:>+8.1}{:>+8.1}{:>8.1}{:>9}   {:+.1} um at X {:.1} Y {:.1} Z {:.2}, line {}",
            errors.min_um,
            errors.mean_um,
            errors.max_um,
            errors.rms_um,
            format!("±{:.1}", errors.p95_abs_um),
            worst.gap_error_um,
            worst.x_mm,
            worst.y_mm,
            worst.z_mm,
            worst.job_line
        );
    }
    let used = outcome.runs.iter().find(|run| run.in_use).and_then(|run| run.first_layer.errors);
    for (what, place) in
        used.into_iter().flat_map(|errors| [("nearest", errors.nearest), ("farthest", errors.farthest)])
    {
        let Place { job_line, x_mm, y_mm, z_mm, gap_error_um } = place;
        let lacks = match outcome.measure.lacks_um(gap_error_um, z_mm * 1000.0) {
            0.0 => String::new(),
            lacks_um if lacks_um > 0.0 => format!(", {lacks_um:.1} um too near to be good"),
            lacks_um => format!(", {:.1} um too far to be good", -lacks_um),
        };
        let gap_um = place.gap_um();
        let _ = writeln!(
            text,
            "{what:<10}{gap_um:>8.1} um of gap left at X {x_mm:.1} Y {y_mm:.1} Z {z_mm:.2}, line {job_line}{lacks}"
        );
    }
    text.push('\n');
}

/// How flat the last layer ends up.
fn top(text: &mut String, outcome: &Outcome) {
    let Some(last) = outcome.layers.last().filter(|_| outcome.layers.len() > 1) else { return };
    let _ = writeln!(
        text,
        "Shape of the top, Z {:.2} mm (nozzle above its own plane, um; the bed does not count above the first layer)\n\
         {:<20}{:>8}{:>8}{:>8}",
        last.z_mm, "", "min", "mean", "max"
    );
    for (run, figures) in Run::ALL.into_iter().zip(last.runs) {
        let label = run.label();
        let _ = match figures {
            Some(top) => writeln!(text, "{label:<20}{:>+8.1}{:>+8.1}{:>+8.1}", top.min_um, top.mean_um, top.max_um),
            None => writeln!(text, "{label:<20}refused"),
        };
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
