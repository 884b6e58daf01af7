//! What `gapgrid apply` says of its work.

use gapkeeper_host_tools::apply::{ApplyReport, Settings};
use gapkeeper_host_tools::check::CheckSettings;
use gapkeeper_host_tools::gcode::{Effect, WordCount};
use gapkeeper_host_tools::grid_file::{GridDocument, SurfaceChoice};
use gapkeeper_host_tools::printed::one_line;

/// Names of words shown in one line of the report.
const SHOWN_NAMES: usize = 12;

/// What was done; what asks for attention comes last.
pub fn text(report: &ApplyReport, settings: &Settings<'_>, document: &GridDocument, surface: SurfaceChoice) -> String {
    let mut lines = what_was_done(report, settings, document, surface);
    lines.extend(words(report));
    lines.extend(warnings(report, document));
    lines.extend(switch(report));
    lines.join("\n") + "\n"
}

fn what_was_done(
    report: &ApplyReport,
    settings: &Settings<'_>,
    document: &GridDocument,
    surface: SurfaceChoice,
) -> Vec<String> {
    let growth = report.bytes_written as f64 / report.bytes_read.max(1) as f64;
    let mut lines = vec![
        format!(
            "{} of {} became {}; the job is {growth:.1} times as long",
            report.corrected_lines,
            counted(report.lines, "line"),
            counted(report.pieces, "piece")
        ),
        format!("surface: {surface}"),
    ];
    let millimetres = |um: i32| f64::from(um) / 1000.0;
    let allowed = match settings.correction.lowest_machine_z_um() {
        i32::MIN => "no lowest height stated (--lowest-mm)".to_owned(),
        um if document.lowest_machine_z_um == Some(um) => {
            format!("not below {} mm, as the grid states", millimetres(um))
        }
        um => format!("not below {} mm, as asked", millimetres(um)),
    };
    let reach = match (report.reach.lowest, report.reach.highest) {
        (Some((lowest_um, lowest_line)), Some((highest_um, highest_line))) => {
            let (lowest, highest) = (millimetres(lowest_um), millimetres(highest_um));
            format!("{lowest} mm (line {lowest_line}) to {highest} mm (line {highest_line})")
        }
        _ => "not known".to_owned(),
    };
    lines.push(format!("machine Z: {reach}; {allowed}"));
    let celsius = |degrees: Option<i16>| degrees.map_or("not stated".to_owned(), |degrees| format!("{degrees} °C"));
    lines.push(format!(
        "bed: {} in the job, {} in the grid; nozzle: {}",
        celsius(report.bed_temperature_c),
        celsius(document.bed_temperature_c),
        celsius(report.nozzle_temperature_c)
    ));
    if settings.scale_flow && settings.correction.fade().is_none() {
        lines.push("E is unchanged: without a fade every layer is as thick as the job has it".to_owned());
    } else if settings.scale_flow {
        let millimetres = |nm: i64| nm as f64 / 1e6;
        let permille = report.e_change_nm as f64 / report.printed_e_nm.max(1) as f64 * 1000.0;
        lines.push(format!(
            "E follows the layers: {:+.3} mm on {:.3} mm of printing ({permille:+.2} in a thousand)",
            millimetres(report.e_change_nm),
            millimetres(report.printed_e_nm),
        ));
    }
    lines
}

fn warnings(report: &ApplyReport, document: &GridDocument) -> Vec<String> {
    let mut lines = Vec::new();
    if report.bad_lines > 0 {
        let first = report.first_bad_line.as_deref().unwrap_or_default();
        let bad = counted(report.bad_lines, "line");
        lines.push(format!("warning: {bad} could not be read, passed unchanged; the first: {}", one_line(first)));
    }
    if report.lines_after_end > 0 {
        let after = counted(report.lines_after_end, "line");
        lines.push(format!("warning: {after} after the program's end (M2 or M30), passed unchanged"));
    }
    if let Some(stretch) = report.unplaced.longest {
        lines.push(format!(
            "warning: {} passed unchanged, since the position was not known; \
             the most in a row: {} from line {} on, {} not known since line {} ({})",
            counted(report.unplaced.lines, "motion"),
            stretch.motions,
            stretch.first_line,
            stretch.axes,
            stretch.since_line,
            stretch.cause
        ));
    }
    if report.corrected_lines == 0 {
        lines.push("warning: nothing was corrected".to_owned());
    }
    if let (Some(job_c), Some(grid_c)) = (report.bed_temperature_c, document.bed_temperature_c)
        && job_c.abs_diff(grid_c) > CheckSettings::default().temperature_window_c.into()
    {
        lines.push(format!(
            "warning: the grid was measured with the bed at {grid_c} °C, and the job has it at {job_c} °C"
        ));
    }
    lines
}

/// A word that may switch on a correction in the controller.
fn switch(report: &ApplyReport) -> Option<String> {
    let switches = all_words(report).filter_map(|(name, word)| Some((word.may_switch_on_line?, name)));
    let switches: Vec<_> = switches.collect();
    let (line, name) = switches.iter().min()?;
    let others = match switches.len() - 1 {
        0 => String::new(),
        count => format!(" (and {count} more of the words above)"),
    };
    Some(format!(
        "WARNING: {} on line {line}{others} is not known here. If it switches on a correction in the controller \
         itself, the job is corrected twice: switch that off first.",
        one_line(name)
    ))
}

/// The words that were passed, sorted into harmless ones and those that may move.
fn words(report: &ApplyReport) -> Vec<String> {
    let harmless = |word: &WordCount| word.effect == Effect::Harmless;
    let line = |what: &str, is_harmless: bool| {
        let mut words: Vec<_> = all_words(report).filter(|(_, word)| harmless(word) == is_harmless).collect();
        words.sort_by_key(|(_, word)| word.first_line);
        let mut names: Vec<_> = words.iter().take(SHOWN_NAMES).map(|(name, word)| shown(name, word)).collect();
        if words.len() > SHOWN_NAMES {
            names.push(format!("and {} more", words.len() - SHOWN_NAMES));
        }
        (!names.is_empty()).then(|| format!("{what}: {}", names.join(", ")))
    };
    let harmless = line("passed through, harmless as far as their words show", true);
    let moving = line("passed through, may move axes; the position was taken as unknown after them", false);
    harmless.into_iter().chain(moving).collect()
}

fn shown(name: &str, word: &WordCount) -> String {
    format!("{} ({}, first on line {})", one_line(name), counted(word.count, "time"), word.first_line)
}

fn all_words(report: &ApplyReport) -> impl Iterator<Item = (&String, &WordCount)> {
    report.unknown_words.iter().chain(&report.unmodelled_words)
}

fn counted(count: u64, noun: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{count} {noun}{ending}")
}
