//! The tables of the page.

use super::sheet::{line, shown};
use crate::deposit::{LaidFigures, Squeeze};
use crate::outcome::{Class, GapErrors, LayerRun, Outcome, PerClass, Place, Run, RunOutcome};
use crate::picture::frame::{number, signed};
use crate::picture::palette::INK;
use crate::picture::svg::escaped;
use crate::picture::words;
use crate::plan::{self, Plan};

/// One row of figures: its name with the unit, and what to show of a run.
type Row<'a> = (String, Box<dyn Fn(&RunOutcome) -> String + 'a>);

/// One part of what a run laid down.
type Laid = fn(&Squeeze) -> &LaidFigures;

/// The figures of the three runs, a column for each.
pub(super) fn figures(outcome: &Outcome) -> String {
    let mut html = String::from(
        "<table>\n<caption>Figures of the three runs</caption>\n<thead><tr><th scope=\"col\">figure, unit</th>",
    );
    for run in in_use_first(outcome) {
        html += &format!("<th scope=\"col\">{}</th>", run.run.label());
    }
    html += "</tr></thead>\n";
    group(&mut html, outcome, "First layer", &first_layer_rows());
    group(&mut html, outcome, "Shape of the top of the last layer", &top_rows(outcome));
    group(&mut html, outcome, "Motion", &motion_rows(outcome));
    html + "</table>\n"
}

/// The run that would be used stands first, where a narrow screen shows it.
fn in_use_first(outcome: &Outcome) -> impl Iterator<Item = &RunOutcome> {
    let (used, others): (Vec<_>, Vec<_>) = outcome.runs.iter().partition(|run| run.in_use);
    used.into_iter().chain(others)
}

fn group(html: &mut String, outcome: &Outcome, name: &str, rows: &[Row<'_>]) {
    *html += &format!("<tbody><tr><th scope=\"rowgroup\" colspan=\"{}\">{name}</th></tr>\n", outcome.runs.len() + 1);
    for (name, read) in rows {
        *html += &format!("<tr><th scope=\"row\">{}</th>", escaped(name));
        for run in in_use_first(outcome) {
            *html += &format!("<td>{}</td>", read(run));
        }
        *html += "</tr>\n";
    }
    *html += "</tbody>\n";
}

fn first_layer_rows<'a>() -> Vec<Row<'a>> {
    let of_classes = Class::ALL.map(|class| -> Row<'a> {
        // The unit stands in the row's name.
        let read = move |run: &RunOutcome| {
            let from = format!("{}/length_mm/{}", first_layer(run), class.key());
            shown(&from, "share", &words::percentage(run.first_layer.length_mm.share(class)))
        };
        (format!("length {}, %", class.label()), Box::new(read))
    });
    let error = |name: &str, key: &'static str, read: fn(&GapErrors) -> String| -> Row<'a> {
        let read = move |run: &RunOutcome| {
            let figure = |errors| shown(&format!("{}/errors/{key}", first_layer(run)), "", &read(errors));
            run.first_layer.errors.as_ref().map_or("–".to_owned(), figure)
        };
        (name.to_owned(), Box::new(read))
    };
    let errors = [
        error("smallest gap error (nearest), µm", "min_um", |errors| signed(errors.min_um, 0.1)),
        error("largest gap error (farthest), µm", "max_um", |errors| signed(errors.max_um, 0.1)),
        error("mean gap error, µm", "mean_um", |errors| signed(errors.mean_um, 0.1)),
        error("root mean square, µm", "rms_um", |errors| number(errors.rms_um, 0.1)),
        error("95 % of the length is off by less than, µm", "p95_abs_um", |errors| number(errors.p95_abs_um, 0.1)),
    ];
    let length = |name: &str, how: &'static str, read: fn(&PerClass) -> f64| -> Row<'a> {
        let read = move |run: &RunOutcome| {
            shown(&format!("{}/length_mm", first_layer(run)), how, &words::length(read(&run.first_layer.length_mm)))
        };
        (name.to_owned(), Box::new(read))
    };
    let lengths =
        [length("length judged", "judged", PerClass::judged), length("length on the bed", "on_bed", PerClass::on_bed)];
    of_classes.into_iter().chain(errors).chain(lengths).collect()
}

fn top_rows(outcome: &Outcome) -> Vec<Row<'_>> {
    let figure = |name: &str, key: &'static str, read: fn(LayerRun) -> f64| -> Row<'_> {
        let read = move |run: &RunOutcome| {
            let run = run.run as usize;
            let top = outcome.layers.last().and_then(|layer| layer.runs[run]);
            let from = format!("/layers/{}/runs/{run}/{key}", outcome.layers.len().saturating_sub(1));
            top.map_or("–".to_owned(), |top| shown(&from, "", &signed(read(top), 0.1)))
        };
        (name.to_owned(), Box::new(read))
    };
    vec![
        figure("lowest over its own plane, µm", "min_um", |top| top.min_um),
        figure("mean, µm", "mean_um", |top| top.mean_um),
        figure("highest, µm", "max_um", |top| top.max_um),
    ]
}

fn motion_rows(outcome: &Outcome) -> Vec<Row<'_>> {
    let of = |run: &RunOutcome, key: &str| format!("/runs/{}/{key}", run.run as usize);
    let count = move |name: &str, key: &'static str, read: fn(&RunOutcome) -> u64| -> Row<'_> {
        (name.to_owned(), Box::new(move |run| shown(&of(run, key), "", &grouped(read(run)))))
    };
    vec![
        count("straight pieces for the motors", "pieces", |run| run.pieces),
        count("of these, printing", "printing_pieces", |run| run.printing_pieces),
        (
            "fastest Z while printing, mm/s (job line)".to_owned(),
            Box::new(move |run| {
                let rate = shown(&of(run, "largest_z_rate_mm_s"), "", &number(run.largest_z_rate_mm_s, 0.01));
                match run.largest_z_rate_line {
                    _ if run.largest_z_rate_mm_s <= 0.0 => rate,
                    job_line => format!("{rate} ({})", line(&of(run, "largest_z_rate_line"), run.run, job_line, None)),
                }
            }),
        ),
        count(
            &format!("pieces above the Z limit of {} mm/s", number(outcome.z_rate_limit_mm_s, 0.1)),
            "pieces_above_z_rate_limit",
            |run| run.pieces_above_z_rate_limit,
        ),
        (
            "moves refused as too low (first job line)".to_owned(),
            Box::new(move |run| {
                let refused = shown(&of(run, "refused_moves"), "", &grouped(run.refused_moves));
                match run.first_refused_line {
                    Some(first) => {
                        format!("{refused} ({})", line(&of(run, "first_refused_line"), run.run, first, None))
                    }
                    None => refused,
                }
            }),
        ),
    ]
}

/// JSON pointer of what a run's first layer came to.
fn first_layer(run: &RunOutcome) -> String {
    format!("/runs/{}/first_layer", run.run as usize)
}

/// Line, X, Y and Z of a place.
fn place_cells(from: &str, run: Run, place: &Place) -> [String; 4] {
    [
        line(&format!("{from}/job_line"), run, place.job_line, Some([place.x_mm, place.y_mm])),
        shown(&format!("{from}/x_mm"), "", &number(place.x_mm, 0.1)),
        shown(&format!("{from}/y_mm"), "", &number(place.y_mm, 0.1)),
        shown(&format!("{from}/z_mm"), "", &number(place.z_mm, 0.01)),
    ]
}

/// Where the nozzle is nearest and farthest, the gap that is left there, and what it lacks to be good.
pub(super) fn extremes(outcome: &Outcome) -> String {
    let columns =
        ["run", "place", "job line", "X, mm", "Y, mm", "Z, mm", "gap left, µm", "gap error, µm", "class", "to be good"];
    let head = columns.map(|name| format!("<th scope=\"col\">{name}</th>")).concat();
    let mut html = format!(
        "<div class=\"sheet\" tabindex=\"0\" role=\"region\" aria-label=\"Nearest and farthest places\"><table class=\"places\">\n<caption>Nearest and farthest place of each run</caption>\n<thead><tr>{head}</tr></thead>\n<tbody>\n"
    );
    for run in in_use_first(outcome) {
        let Some(errors) = run.first_layer.errors else {
            html += &format!(
                "<tr><th scope=\"row\">{}</th><td colspan=\"9\">nothing was judged</td></tr>\n",
                run.run.label()
            );
            continue;
        };
        for (what, place) in [("nearest", errors.nearest), ("farthest", errors.farthest)] {
            let from = &format!("{}/errors/{what}", first_layer(run));
            let lacks = |how, um| shown(from, "lacks", &format!("{how} by {} µm", number(um, 0.1)));
            let rest = [
                shown(from, "gap", &signed(place.gap_um(), 0.1)),
                shown(&format!("{from}/gap_error_um"), "", &signed(place.gap_error_um, 0.1)),
                outcome.measure.class(place.gap_error_um, place.z_mm * 1000.0).label().to_owned(),
                match outcome.measure.lacks_um(place.gap_error_um, place.z_mm * 1000.0) {
                    0.0 => "–".to_owned(),
                    lacks_um if lacks_um > 0.0 => lacks("raise", lacks_um),
                    lacks_um => lacks("lower", -lacks_um),
                },
            ];
            let cells: Vec<String> = std::iter::once(what.to_owned())
                .chain(place_cells(from, run.run, &place))
                .chain(rest)
                .map(|content| format!("<td>{content}</td>"))
                .collect();
            html += &format!("<tr><th scope=\"row\">{}</th>{}</tr>\n", run.run.label(), cells.concat());
        }
    }
    html + "</tbody></table></div>\n"
}

/// The worst places of each run, a table for each.
pub(super) fn worst_places(outcome: &Outcome) -> String {
    in_use_first(outcome).map(|run| places_of(run.run, &run.worst_places)).collect()
}

fn places_of(run: Run, places: &[Place]) -> String {
    let mut html = format!(
        "<div class=\"sheet\" tabindex=\"0\" role=\"region\" aria-label=\"Worst places, {0}\"><table class=\"places\">\n<caption>{0}</caption>\n<thead><tr>{1}</tr></thead>\n<tbody>\n",
        run.label(),
        ["job line", "X, mm", "Y, mm", "Z, mm", "gap error, µm"]
            .map(|name| format!("<th scope=\"col\">{name}</th>"))
            .concat()
    );
    for (index, place) in places.iter().enumerate() {
        let from = format!("/runs/{}/worst_places/{index}", run as usize);
        let error = shown(&format!("{from}/gap_error_um"), "", &signed(place.gap_error_um, 0.1));
        let cells = place_cells(&from, run, place).into_iter().chain([error]);
        html += &format!("<tr>{}</tr>\n", cells.map(|cell| format!("<td>{cell}</td>")).collect::<String>());
    }
    if places.is_empty() {
        html += "<tr><td colspan=\"5\">none: the first layer lays nothing down</td></tr>\n";
    }
    html + "</tbody></table></div>\n"
}

/// Slider, chart and table of one layer at a time; the script fills them in.
pub(super) fn layer(outcome: &Outcome, map: &str, every: usize) -> String {
    let count = outcome.layers.len();
    if count == 0 {
        return String::new();
    }
    let rows: String = Run::ALL
        .iter()
        .map(|run| {
            let cells: String =
                (0..3).map(|figure| format!("<td id=\"layer-{}-{figure}\">–</td>", *run as usize)).collect();
            format!("<tr><th scope=\"row\">{}</th>{cells}</tr>\n", run.label())
        })
        .collect();
    let kept =
        if every > 1 { format!(" Of {every} layers this page holds the map of the lowest.") } else { String::new() };
    format!(
        r#"<div class="layer scripted">
<div class="slider"><label for="slide-layer">Layer</label><input type="range" id="slide-layer" min="1" max="{count}" step="1" value="1"><output id="slid-layer" for="slide-layer"></output></div>
<p class="soft" id="layer-said" role="status"></p>
<div class="side-by-side">
<div class="sheet" id="layer-map" tabindex="0" role="region" aria-label="Map of the chosen layer">
{map}<p class="soft">Each cell shows the worst of what the layer prints in it in the run that would be used: on the plate by the gap, above it by the thickness.{kept}</p></div>
<div>
<div class="sheet" tabindex="0" role="region" aria-label="Top of the chosen layer, picture"><svg id="layer-chart" viewBox="0 0 560 158" role="img" aria-labelledby="title-layer" font-size="13" fill="{INK}"><title id="title-layer">Shape of the top of the chosen layer: bar from lowest to highest, stroke at the mean</title><desc></desc><g></g></svg></div>
<div class="sheet" tabindex="0" role="region" aria-label="Top of the chosen layer, table"><table><caption>Top of the chosen layer above its own plane, µm</caption>
<thead><tr><th scope="col">run</th><th scope="col">lowest</th><th scope="col">mean</th><th scope="col">highest</th></tr></thead>
<tbody>
{rows}</tbody></table></div>
</div>
</div>
</div>
"#
    )
}

/// The squeeze of the three runs: shares by area and extremes.
pub(super) fn squeeze(runs: &[Squeeze; 3]) -> String {
    let mut html = String::from(
        "<table>\n<caption>Squeeze: thickness laid by thickness asked for, by area</caption>\n<thead><tr>",
    );
    html += "<th scope=\"col\">run</th>";
    let classes = Class::ALL.map(|class| format!("{}, %", class.label()));
    for name in classes.iter().map(String::as_str).chain(["least", "most", "width, mm", "judged, mm²"]) {
        html += &format!("<th scope=\"col\">{name}</th>");
    }
    html += "</tr></thead>\n";
    let parts: [(&str, &str, Laid); 2] =
        [("First layer", "first_layer", |squeeze| &squeeze.first_layer), ("Above", "above", |squeeze| &squeeze.above)];
    for (name, key, figures) in parts {
        html += &format!("<tbody><tr><th scope=\"rowgroup\" colspan=\"12\">{name}</th></tr>\n");
        for (run, squeeze) in Run::ALL.into_iter().zip(runs) {
            let laid = figures(squeeze);
            let cell = |key_in: &str, how: &str, text: &str| {
                let from = format!("squeeze:/runs/{}/{key}/{key_in}", run as usize);
                format!("<td>{}</td>", shown(&from, how, text))
            };
            let share = |class: Class| {
                let share = words::percentage(laid.area_mm2.share(class));
                cell(&format!("area_mm2/{}", class.key()), "share", &share)
            };
            let shares = Class::ALL.map(share).concat();
            let lines = match laid.lines {
                Some(lines) => [("least", lines.least), ("most", lines.most), ("width_mm", lines.width_mm)]
                    .map(|(key, figure)| cell(&format!("lines/{key}"), "", &number(figure, 0.01))),
                None => [(); 3].map(|()| "<td>–</td>".to_owned()),
            };
            let judged = cell("area_mm2", "judged", &number(laid.area_mm2.judged(), 1.0));
            let run = run.label();
            html += &format!("<tr><th scope=\"row\">{run}</th>{shares}{}{judged}</tr>\n", lines.concat());
        }
        html += "</tbody>\n";
    }
    html + "</table>\n"
}

/// What every way of measuring comes to, hand by hand.
pub(super) fn ways(plan: &Plan) -> String {
    let names = [
        "stations",
        "surface",
        &format!("good within ±{} µm, %", plan.tolerance_um),
        "90 % of draws, %",
        "19 of 20 reach, %",
        "worst, µm",
        "minutes",
        "record, B",
        "memory, B",
    ]
    .map(|name| format!("<th scope=\"col\">{}</th>", escaped(name)))
    .concat();
    let mut html = format!(
        "<table>\n<caption>Ways of measuring, {} surveys each</caption>\n<thead><tr>{names}</tr></thead>\n",
        plan.draws
    );
    let mut index = 0;
    for rows in plan.rows.chunk_by(|a, b| a.feel_um == b.feel_um) {
        let Some(plan::Row { feel_um, .. }) = rows.first() else { continue };
        html += &format!("<tbody><tr><th scope=\"rowgroup\" colspan=\"9\">A hand of {feel_um} µm</th></tr>\n");
        html += &rows.iter().map(|row| plan_row(&mut index, row)).collect::<String>();
        html += "</tbody>\n";
    }
    html + "</table>\n"
}

/// The row of this index, which then is the next one's.
fn plan_row(index: &mut usize, row: &plan::Row) -> String {
    let at = format!("plan:/rows/{index}");
    *index += 1;
    let cell = |key: &str, how: &str, text: &str| shown(&format!("{at}/{key}"), how, text);
    let [columns, rows] = row.nodes.map(|count| count.to_string());
    let surface = if row.refined {
        format!("refined to {} × {}", cell("nodes/0", "", &columns), cell("nodes/1", "", &rows))
    } else {
        "bilinear".to_owned()
    };
    let share = |key: &str, share: f64| cell(key, "percent", &words::percentage(share));
    let figures = match (&row.figures, &row.refused) {
        (Some(figures), _) => [
            share("figures/good/mean", figures.good.mean),
            format!(
                "{} to {}",
                share("figures/good/low", figures.good.low),
                share("figures/good/high", figures.good.high)
            ),
            figures.good_at_least.map_or("?".into(), |least| share("figures/good_at_least", least)),
            cell("figures/worst_um/high", "", &number(figures.worst_um.high, 1.0)),
            cell("figures/minutes/mean", "", &number(figures.minutes.mean, 0.1)),
        ]
        .map(|figure| format!("<td>{figure}</td>"))
        .concat(),
        (None, Some((_, why))) => format!("<td colspan=\"5\">{}</td>", escaped(why)),
        (None, None) => "<td colspan=\"5\">–</td>".to_owned(),
    };
    format!(
        "<tr><th scope=\"row\">{0} × {0}, {3} readings</th><td>{surface}</td>{figures}<td>{1}</td><td>{2}</td></tr>\n",
        cell("stations", "", &row.stations.to_string()),
        cell("record_bytes", "", &row.record_bytes.to_string()),
        cell("memory_bytes", "", &row.memory_bytes.to_string()),
        cell("readings", "", &row.readings.to_string()),
    )
}

/// What was counted while reading the job.
pub(super) fn counts(outcome: &Outcome) -> String {
    let counts = &outcome.counts;
    let entries = [
        ("size, bytes", "bytes", counts.bytes),
        ("lines", "lines", counts.lines),
        ("moves", "moves", counts.moves),
        ("of these, printing", "printing_moves", counts.printing_moves),
        ("of these, arcs", "arcs", counts.arcs),
        ("unknown words, passed on", "unknown_words", counts.unknown_words),
        ("lines that could not be read", "bad_lines", counts.bad_lines),
    ];
    let entries = entries.map(|(name, key, count)| {
        let count = shown(&format!("/counts/{key}"), "", &grouped(count));
        format!("<div><dt>{name}</dt><dd>{count}</dd></div>\n")
    });
    format!("<dl class=\"counts\">\n{}</dl>\n", entries.concat())
}

/// A count with thin gaps between thousands.
fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut grouped = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            grouped.push('\u{202f}');
        }
        grouped.push(digit);
    }
    grouped
}

#[cfg(test)]
mod tests {
    use super::grouped;

    #[test]
    fn thousands_stand_apart() {
        assert_eq!([7, 999, 1000, 1_234_567].map(grouped), ["7", "999", "1\u{202f}000", "1\u{202f}234\u{202f}567"]);
    }
}
