//! What the page's script needs, as compact JSON that cannot leave its element.

use std::io::Write as _;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use flate2::Compression;
use flate2::write::DeflateEncoder;
use serde::Serialize;

use crate::outcome::{Class, Field, LOOSE_ABOVE, LayerFigures, LineGap, Outcome, Run, TOO_CLOSE_BELOW, TOO_FAR_ABOVE};
use crate::picture::frame::Frame;
use crate::picture::palette::run_style;

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Data {
    x0: f64,
    y0: f64,
    step_x: f64,
    step_y: f64,
    columns: usize,
    rows: usize,
    first_layer: f64,
    tolerance: f64,
    lays: bool,
    squeezes: [f64; 3],
    classes: Classes,
    runs: [&'static str; 3],
    styles: [Style; 3],
    map: MapFrame,
    bed: Vec<i32>,
    nozzle: [Vec<i32>; 3],
    layers: Vec<[Option<i32>; 10]>,
    in_use: usize,
    /// The worst place of the run that would be used, or the bed's middle.
    opens_at: [f64; 2],
    lines: u64,
    left_out: u64,
    last_line: Option<u64>,
}

/// Words for how a line lies.
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Classes {
    contact: &'static str,
    too_close: &'static str,
    good: &'static str,
    too_far: &'static str,
    loose: &'static str,
}

#[derive(Serialize)]
struct Style {
    colour: &'static str,
    dashes: &'static str,
}

/// Where the bed lies in the map, in px of the SVG.
#[derive(Serialize)]
struct MapFrame {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
}

/// The data of the page: lengths in mm, first layer and tolerance in µm, heights in 0.1 µm.
///
/// A layer is its height in µm, then lowest, mean and highest of its top in each run, null where all was refused.
pub(super) fn json(outcome: &Outcome, map: &Frame) -> String {
    let surfaces = &outcome.surfaces;
    let data = Data {
        x0: surfaces.bed.x0_mm,
        y0: surfaces.bed.y0_mm,
        step_x: surfaces.bed.step_x_mm,
        step_y: surfaces.bed.step_y_mm,
        columns: surfaces.bed.columns,
        rows: surfaces.bed.rows,
        first_layer: surfaces.first_layer_um,
        tolerance: outcome.tolerance_um,
        lays: outcome.measure.lays,
        squeezes: [TOO_CLOSE_BELOW, TOO_FAR_ABOVE, LOOSE_ABOVE],
        classes: Classes {
            contact: Class::Contact.label(),
            too_close: Class::TooClose.label(),
            good: Class::Good.label(),
            too_far: Class::TooFar.label(),
            loose: Class::Loose.label(),
        },
        runs: Run::ALL.map(Run::label),
        styles: Run::ALL.map(|run| Style { colour: run_style(run).colour, dashes: run_style(run).dashes }),
        map: MapFrame { left: map.left, top: map.top, width: map.width, height: map.height },
        bed: tenths(&surfaces.bed),
        nozzle: [&surfaces.nozzle[0], &surfaces.nozzle[1], &surfaces.nozzle[2]].map(tenths),
        layers: outcome.layers.iter().map(layer).collect(),
        in_use: outcome.runs.iter().position(|run| run.in_use).unwrap_or(0),
        opens_at: opens_at(outcome),
        lines: outcome.counts.lines,
        left_out: outcome.lines.left_out,
        last_line: outcome.lines.lines.last().map(|line| line.job_line),
    };
    // Plain numbers and fixed words always become JSON; an empty object makes the script stop, not the page.
    inert(&serde_json::to_string(&data).unwrap_or_else(|_| "{}".to_owned()))
}

fn opens_at(outcome: &Outcome) -> [f64; 2] {
    let bed = &outcome.surfaces.bed;
    let middle = [(bed.x0_mm, bed.step_x_mm, bed.columns), (bed.y0_mm, bed.step_y_mm, bed.rows)]
        .map(|(from, step, count)| from + step * count.saturating_sub(1) as f64 / 2.0);
    let used = outcome.runs.iter().find(|run| run.in_use);
    used.and_then(|run| run.first_layer.errors).map_or(middle, |errors| [errors.worst.x_mm, errors.worst.y_mm])
}

fn tenths(field: &Field) -> Vec<i32> {
    field.values_um.iter().copied().map(tenth).collect()
}

fn tenth(value: f64) -> i32 {
    // The cast turns what is no number into 0 and stops at the ends of i32: 214 mm of height.
    (value * 10.0).round() as i32
}

fn layer(layer: &LayerFigures) -> [Option<i32>; 10] {
    let [a, b, c] = layer
        .runs
        .map(|run| run.map_or([None; 3], |run| [run.min_um, run.mean_um, run.max_um].map(|um| Some(tenth(um)))));
    [Some((layer.z_mm * 1000.0).round() as i32), a[0], a[1], a[2], b[0], b[1], b[2], c[0], c[1], c[2]]
}

/// Nothing was judged there.
const NOT_JUDGED: i64 = i32::MAX as i64;

/// Every job line of the first layer, as base64 (RFC 4648) of raw DEFLATE (RFC 1951) of JSON.
///
/// The JSON is a list of columns, each a list of differences to the line before: job line; X and Y where it starts, X and
/// Y where its gap error is largest in the run that would be used, in 0.1 mm; lowest and highest gap error of each run, in
/// 0.1 µm, or [`NOT_JUDGED`].
pub(super) fn lines(lines: &[LineGap]) -> String {
    let row = |line: &LineGap| -> [i64; 11] {
        let [x, y, worst_x, worst_y] =
            [line.starts_at.x_mm, line.starts_at.y_mm, line.worst_at.x_mm, line.worst_at.y_mm]
                .map(|mm| tenth(mm).into());
        let [a, b, c] = line.gap_error.map(|range| match range.min_um > range.max_um {
            true => [NOT_JUDGED; 2],
            false => [range.min_um, range.max_um].map(|um| tenth(um).into()),
        });
        // Line numbers stay below 2^53, which a script's numbers hold exactly.
        [line.job_line as i64, x, y, worst_x, worst_y, a[0], a[1], b[0], b[1], c[0], c[1]]
    };
    let mut columns: [Vec<i64>; 11] = Default::default();
    let mut before = [0; 11];
    for row in lines.iter().map(row) {
        for (column, (value, before)) in columns.iter_mut().zip(row.into_iter().zip(before)) {
            column.push(value - before);
        }
        before = row;
    }
    let text = serde_json::to_vec(&columns).unwrap_or_default();
    let mut packed = DeflateEncoder::new(Vec::new(), Compression::best());
    // Writing to memory does not fail.
    let packed = packed.write_all(&text).and_then(|()| packed.finish()).unwrap_or_default();
    BASE64_STANDARD.encode(packed)
}

/// JSON in which no character can end a script element, begin a comment, or end a line of script.
///
/// All of them occur inside of strings only, where JSON allows the escapes.
fn inert(json: &str) -> String {
    json.replace('<', "\\u003c")
        .replace('>', "\\u003e")
        .replace('&', "\\u0026")
        .replace('\u{2028}', "\\u2028")
        .replace('\u{2029}', "\\u2029")
}

#[cfg(test)]
mod tests {
    use super::inert;

    #[test]
    fn json_cannot_leave_its_element_and_says_the_same() {
        let hostile = "</script><!--&\u{2028}\u{2029}";
        let json = inert(&serde_json::to_string(hostile).unwrap());
        assert!(json.is_ascii() && !json.contains(['<', '>', '&']), "{json}");
        assert_eq!(serde_json::from_str::<String>(&json).unwrap(), hostile);
    }
}
