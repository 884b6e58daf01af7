//! The report: one page that holds all it needs and never asks the network for anything.
//!
//! Whatever comes from files (names, warnings) is escaped where it enters the page.

mod data;
mod sheet;
mod tables;

use self::sheet::{figure, sheet};
use crate::deposit::Squeeze;
use crate::outcome::{Outcome, Run};
use crate::picture::frame::{Frame, number};
use crate::picture::palette::INK;
use crate::picture::shows::{GAP_SHOWS, LAYERS_SHOWS, MAP_SHOWS, PLAN_SHOWS, SECTION_SHOWS, SQUEEZE_SHOWS};
use crate::picture::svg::{escaped, shortened};
use crate::picture::{
    explorer_svg, gap_svg, layer_map_svg, layers_svg, map_svg, opened, plan_svg, section_svg, squeeze_svg, words,
};
use crate::plan::Plan;

/// The browser is told to load nothing, even if markup should ever slip in.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:";

/// No page is larger, whatever the job and the bed; a part of it is style, script, and what frames the sections.
const MOST_BYTES: usize = 980_000;
const FRAME_BYTES: usize = 45_000;
/// Maps take no more than this, drawn as coarsely as it needs.
const MOST_MAP_BYTES: usize = 480_000;
/// With the lines they share this, and have at least so much of it.
const MAPS_AND_LINES_BYTES: usize = 500_000;
const LEAST_MAP_BYTES: usize = 200_000;
const COARSEST: usize = 16;
/// The section that the map is explored in.
const EXPLORER: usize = 4;

const CAUTIONS: &str = "The model is not your machine. Bed and nozzle are hot enough to burn, and a nozzle driven into a bed \
    damages both: stay beside the machine with a hand at its switch during the first layer. Follow the instructions of \
    the machine’s maker. Work on mains wiring is for licensed people.";

/// The page for an outcome, complete in itself; with the squeeze of each run where the deposit was followed, and with
/// what to do before measuring where that was planned.
pub fn html(outcome: &Outcome, squeeze: Option<&[Squeeze; 3]>, plan: Option<&Plan>) -> String {
    // Lines come before finer maps.
    let all_lines = data::lines(&outcome.lines.lines, MOST_BYTES).0.len();
    let most_map_bytes = MOST_MAP_BYTES.min(MAPS_AND_LINES_BYTES.saturating_sub(all_lines).max(LEAST_MAP_BYTES));
    let Maps { overview, explorer: (map, map_frame), squeeze: squeeze_map, every: drawn } =
        maps(outcome, squeeze, most_map_bytes);
    let (layer_map, layer_frame) = layer_map_svg(&outcome.layer_maps);
    let (cells, every) = data::layer_maps(&outcome.layer_maps);
    let title = format!("Gap of {} over {}", shortened(&outcome.job_name, 60), shortened(&outcome.scenario_name, 60));
    // The page's own head says what to do, so each picture's says what it shows.
    let overview = figure(MAP_SHOWS, &overview) + &rougher(drawn);
    let places = figure(SECTION_SHOWS, &section_svg(outcome, ""));
    let gap = figure(GAP_SHOWS, &gap_svg(outcome, ""));
    let layers = figure(LAYERS_SHOWS, &layers_svg(outcome, ""));
    let mut sections = [
        section("The gap over the bed", &overview),
        section("Faults and warnings", &warnings(outcome)),
        section("The gap at its worst", &places),
        section("Figures", &sheet("Figures of the three runs", &tables::figures(outcome))),
        String::new(),
        section("Along the path", &gap),
        section("Layer by layer", &(layers + &tables::layer(outcome, &layer_map, every))),
        squeeze.map_or_else(String::new, |squeeze| {
            let picture = figure(SQUEEZE_SHOWS, &squeeze_map);
            section("Squeeze", &(picture + &sheet("Squeeze by class", &tables::squeeze(squeeze))))
        }),
        section("Nearest and farthest", &tables::extremes(outcome)),
        section(
            "Worst places of the first layer",
            &format!("<div class=\"side-by-side\">\n{}</div>\n", tables::worst_places(outcome)),
        ),
        plan.map_or_else(String::new, |plan| {
            let advice = format!("<p>{}</p>\n", escaped(&plan.advice));
            let ways = sheet("Ways of measuring", &tables::ways(plan));
            section("Before you measure", &(figure(PLAN_SHOWS, &plan_svg(plan, "")) + &advice + &ways))
        }),
        section("The job", &tables::counts(outcome)),
    ];
    // The lines take what room is left.
    let frames = [&map_frame, &layer_frame];
    let rest = sections.iter().map(String::len).sum::<usize>() + cells.len() + map.len();
    let rest = rest + data::json(outcome, frames, every, &[]).len() + FRAME_BYTES;
    let (lines, kept) = data::lines(&outcome.lines.lines, MOST_BYTES.saturating_sub(rest));
    sections[EXPLORER] = section("Look closer", &explorer(outcome, &map, (kept.len(), lines.len())));
    format!(
        r#"<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
{style}</style>
<noscript><style>.scripted {{ display: none; }} .explorer {{ display: block; }} .to-line {{ pointer-events: none; text-decoration: none; }} #probe-map [data-worst] {{ display: inline; }}</style></noscript>
</head>
<body>
<header>
<h1>{title}</h1>
<p class="verdict">{headline}</p>
{actions}<p>{verdict}</p>
<p class="soft">{origin}. Grid: {grid}.{sureness}</p>
</header>
<main>
{sections}</main>
<footer class="caution">
<h2>Caution</h2>
<p>{CAUTIONS}</p>
</footer>
<script type="application/json" id="data">{data}</script>
<script type="text/plain" id="lines">{lines}</script>
<script type="text/plain" id="cells">{cells}</script>
<script>
"use strict";
{{
{script}}}
</script>
</body>
</html>
"#,
        title = escaped(&title),
        style = include_str!("page.css"),
        headline = escaped(&outcome.verdict.headline),
        actions = actions(outcome),
        verdict = escaped(&words::verdict(outcome)),
        origin = escaped(&words::origin(outcome)),
        grid = escaped(&outcome.grid_origin),
        sureness = sureness(outcome),
        sections = sections.concat(),
        data = data::json(outcome, frames, every, kept),
        script = concat!(include_str!("page.js"), include_str!("layers.js"), include_str!("lines.js")),
    )
}

/// The pictures that grow with a rough bed.
struct Maps {
    overview: String,
    explorer: (String, Frame),
    squeeze: String,
    /// Drawn from every n-th point of the bed.
    every: usize,
}

/// Drawn as finely as they may be.
fn maps(outcome: &Outcome, squeeze: Option<&[Squeeze; 3]>, most_bytes: usize) -> Maps {
    let mut every = 1;
    loop {
        let coarse = (every > 1).then(|| Outcome { surfaces: outcome.surfaces.coarser(every), ..outcome.clone() });
        let outcome = coarse.as_ref().unwrap_or(outcome);
        let squeeze = squeeze.map(|squeeze| match every {
            1 => squeeze_svg(outcome, squeeze, ""),
            _ => squeeze_svg(outcome, &squeeze.each_ref().map(|run| run.coarser(every)), ""),
        });
        let (overview, explorer, squeeze) = (map_svg(outcome, ""), explorer_svg(outcome), squeeze.unwrap_or_default());
        if overview.len() + explorer.0.len() + squeeze.len() <= most_bytes || every >= COARSEST {
            return Maps { overview, explorer, squeeze, every };
        }
        every *= 2;
    }
}

/// What a person should know of maps that are drawn coarsely.
fn rougher(every: usize) -> String {
    if every <= 1 {
        return String::new();
    }
    format!(
        "<p class=\"soft\">The bed is too rough for maps of this page: they are drawn from one in {every} points along either axis. Figures, sections and tables are of all of them.</p>\n"
    )
}

/// How sure the surface is, as a sentence after others; empty where no readings tell it.
fn sureness(outcome: &Outcome) -> String {
    outcome.band.map_or_else(String::new, |band| format!(" Surface: {}.", band.widths().replace(" um", " µm")))
}

fn section(heading: &str, content: &str) -> String {
    format!("<section>\n<h2>{heading}</h2>\n{content}</section>\n")
}

/// What to do, the best way first.
fn actions(outcome: &Outcome) -> String {
    let actions = &outcome.verdict.actions;
    if actions.is_empty() {
        return String::new();
    }
    let entries: String = actions.iter().map(|action| format!("<li>{}</li>\n", escaped(&action.line()))).collect();
    format!("<ol class=\"actions\">\n{entries}</ol>\n")
}

fn warnings(outcome: &Outcome) -> String {
    let said = || outcome.faults.iter().chain(&outcome.warnings);
    if said().next().is_none() {
        return "<p>None.</p>\n".to_owned();
    }
    let entries: String = said().map(|said| format!("<li>{}</li>\n", escaped(said))).collect();
    format!("<ul>\n{entries}</ul>\n")
}

/// The map with its probe and the two sections; the script fills in what moves.
fn explorer(outcome: &Outcome, map: &str, (lines, packed_bytes): (usize, usize)) -> String {
    let bed = &outcome.surfaces.bed;
    let slider = |name: &str, label: &str, low: f64, step: f64, count: usize| {
        let high = low + step * count.saturating_sub(1) as f64;
        format!(
            "<div class=\"slider\"><label for=\"slide-{name}\">{label}</label><input type=\"range\" id=\"slide-{name}\" min=\"{low}\" max=\"{high}\" step=\"0.1\"><output id=\"slid-{name}\" for=\"slide-{name}\"></output></div>\n"
        )
    };
    let radios: String = Run::ALL
        .iter()
        .map(|run| {
            let checked = if *run == opened(outcome) { " checked" } else { "" };
            format!(
                "<label><input type=\"radio\" name=\"run\" value=\"{}\"{checked}>{}</label>\n",
                *run as usize,
                run.label()
            )
        })
        .collect();
    let chart = |id: &str| {
        format!(
            "<div class=\"sheet\" tabindex=\"0\" role=\"region\" aria-labelledby=\"title-{id}\"><h3 id=\"title-{id}\"></h3><svg id=\"{id}\" viewBox=\"0 0 560 242\" role=\"img\" aria-labelledby=\"title-{id}\" font-size=\"13\" fill=\"{INK}\"><desc></desc><g></g></svg></div>\n"
        )
    };
    let reads: String = [
        ("place", "X, Y, mm", ""),
        ("bed", "bed height, µm", ""),
        ("nozzle", "nozzle height, µm", ""),
        ("error", "gap error, µm", "<small id=\"read-word\"></small>"),
    ]
    .iter()
    .map(|(id, name, after)| format!("<div><dt>{name}</dt><dd><span id=\"read-{id}\">–</span>{after}</dd></div>\n"))
    .collect();
    format!(
        r#"<p class="hint scripted">Point at the map to read heights. A click moves both sections there and names the nearest job line; the arrow keys move them while the map has the focus (1 mm, with Shift 10 mm; Enter names the line), and so do the sliders. The numbered places are the worst of the run, as in the tables.</p>
<noscript><p>Without scripts the map shows the run that would be used and does not move; the other pictures and tables are complete.</p></noscript>
<fieldset class="scripted"><legend>Run</legend>
{radios}</fieldset>
<form id="find-line" class="scripted" novalidate><label for="line">Find job line</label><input type="text" inputmode="numeric" id="line" autocomplete="off"><button id="find">Find</button>
<p id="found-line" role="status"></p>
<p class="soft">{line_count} lines of the first layer are in this page, to 0.1 µm, in {line_kb} kB. Between the points of its map, {step} mm apart, the readout is interpolated.</p></form>
<div class="explorer">
<div class="sheet" tabindex="0" role="region" aria-label="Map of the chosen run"><div class="over-map"><div id="probe-map" tabindex="0" role="application" aria-label="Map of the gap error; arrow keys move the probe, Enter names the job line" aria-describedby="readout">
{map}</div>
<div id="map-places" class="scripted" role="group" aria-label="Worst places of the chosen run"></div></div></div>
<div class="scripted">
<dl class="readout" id="readout" aria-live="polite" aria-atomic="true">
{reads}</dl>
{sliders}{charts}<p class="soft">Brown: bed. Line: nozzle of the chosen run. Green band: where the nozzle should be for the first layer, {tolerance}. Dotted upright line: where the other section crosses.</p>
</div>
</div>
"#,
        sliders = slider("x", "X of the section", bed.x0_mm, bed.step_x_mm, bed.columns)
            + &slider("y", "Y of the section", bed.y0_mm, bed.step_y_mm, bed.rows),
        charts = chart("along-x") + &chart("along-y"),
        tolerance = words::tolerance(outcome),
        line_count = lines,
        step = number(bed.step_x_mm.max(bed.step_y_mm), 0.1),
        line_kb = packed_bytes.div_ceil(1000),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outcome::{BedPoint, CellGrid, Class, LineGap, Range};
    use crate::picture::fixture;

    #[test]
    fn the_page_is_small_and_loads_nothing() {
        let page = html(&fixture::outcome(), None, None);
        assert!(page.len() < 1_000_000, "{} bytes", page.len());
        let space = "http://www.w3.org/2000/svg";
        assert!(!page.replace(space, "").contains("://"));
        // As many layers and stretches as a replay ever gives.
        let mut longest = fixture::outcome();
        longest.layers = longest.layers.into_iter().cycle().take(2000).collect();
        longest.profile = longest.profile.into_iter().cycle().take(16_384).collect();
        // As many lines as are kept, and cells that have nothing to do with their neighbours.
        let mut random = 1_u32;
        let mut next = |below: u32| {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (random >> 8) % below
        };
        longest.lines.lines = (1..=30_000)
            .map(|job_line| {
                let mut point = || BedPoint { x_mm: f64::from(next(2200)) / 10.0, y_mm: f64::from(next(1900)) / 10.0 };
                let (starts_at, ends_at, worst_at) = (point(), point(), point());
                let range = |um: u32| Range { min_um: -f64::from(um) / 10.0, max_um: f64::from(um) / 10.0 };
                LineGap { job_line, starts_at, ends_at, worst_at, gap_error: [(); 3].map(|()| range(next(3000))) }
            })
            .collect();
        let cells = 50 * 50;
        longest.layer_maps.grid = CellGrid { columns: 50, rows: 50, ..longest.layer_maps.grid };
        longest.layer_maps.layers =
            (0..2000).map(|_| (0..cells).map(|_| Some(Class::ALL[next(7) as usize])).collect()).collect();
        let longest = html(&longest, None, None);
        assert!(longest.len() < 1_000_000, "{} bytes", longest.len());
        // Both say that not all of them are there.
        assert!(longest.contains("layers this page holds the map of the lowest") && !longest.contains("30000 lines"));
        for load in ["src=", "href", "url(", "@import", "fetch(", "XMLHttpRequest", "import("] {
            assert!(!page.contains(load), "{load}");
        }
        assert!(page.contains(&format!("content=\"{POLICY}\"")));
    }

    #[test]
    fn names_from_files_stay_text() {
        let page = html(&fixture::hostile_outcome(), None, None);
        assert!(!page.contains("<script>alert") && !page.contains("alert(1)</script>"));
        assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
        // The data and the program, and nothing else.
        assert_eq!((page.matches("<script").count(), page.matches("</script").count()), (4, 4));
    }

    #[test]
    fn every_id_is_given_once() {
        let page = html(&fixture::outcome(), None, None);
        let ids: Vec<_> = page.split(" id=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
        let different: std::collections::BTreeSet<_> = ids.iter().collect();
        assert_eq!(different.len(), ids.len(), "{ids:?}");
    }

    #[test]
    fn the_data_can_be_read_back() {
        let outcome = fixture::outcome();
        let page = html(&outcome, None, None);
        let json = page.split("id=\"data\">").nth(1).and_then(|rest| rest.split("</script>").next()).unwrap();
        let data: serde_json::Value = serde_json::from_str(json).unwrap();
        let bed = &outcome.surfaces.bed;
        assert_eq!(data["bed"].as_array().unwrap().len(), bed.columns * bed.rows);
        for run in Run::ALL {
            let stored = data["nozzle"][run as usize].as_array().unwrap();
            let values_um = &outcome.surfaces.nozzle[run as usize].values_um;
            for (row, values_um) in stored.chunks(bed.columns).zip(values_um.chunks(bed.columns)) {
                let (mut last, mut slope) = (0, 0);
                for (bend, um) in row.iter().zip(values_um) {
                    slope += bend.as_i64().unwrap();
                    last += slope;
                    assert!((last as f64 / 10.0 - um).abs() <= 0.051);
                }
            }
        }
    }

    #[test]
    fn the_verdict_names_every_share() {
        let outcome = fixture::outcome();
        let sentence = words::verdict(&outcome);
        for run in Run::ALL {
            assert!(sentence.contains(&words::percent(words::share(&outcome, run))), "{sentence}");
        }
        assert!(words::verdict(&fixture::empty_outcome()).contains("nothing"));
    }

    #[test]
    fn nothing_printed_still_makes_a_page() {
        let page = html(&fixture::empty_outcome(), None, None);
        assert!(page.contains("none: the first layer lays nothing down") && page.contains("<p>None.</p>"));
    }
}
