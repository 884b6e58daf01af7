//! What the page's script needs, as compact JSON that cannot leave its element.

use std::io::Write as _;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use flate2::Compression;
use flate2::write::DeflateEncoder;
use serde::Serialize;

use crate::outcome::{
    BedPoint, Class, Field, LOOSE_ABOVE, LayerFigures, LayerMaps, LineGap, Outcome, Place, Run, RunOutcome,
    TOO_CLOSE_BELOW, TOO_FAR_ABOVE,
};
use crate::picture::class_style::{Pattern, class_style};
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
    cells: Cells,
    /// How each class looks, in the order of [`Class::ALL`].
    looks: [Look; 7],
    /// The worst places of each run: job line, X, Y in 0.1 mm, gap error in 0.1 µm.
    places: [Vec<[i64; 4]>; 3],
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

/// The maps of the layers, which stand packed in an element of their own.
#[derive(Serialize)]
struct Cells {
    columns: usize,
    rows: usize,
    /// The map of every layer whose index is a multiple of this is kept.
    every: usize,
    map: MapFrame,
}

#[derive(Serialize)]
struct Look {
    label: &'static str,
    fill: &'static str,
    ink: &'static str,
    pattern: &'static str,
}

impl Look {
    fn of(class: Class) -> Self {
        let style = class_style(class);
        let pattern = match style.pattern {
            Pattern::Plain => "plain",
            Pattern::Rising => "rising",
            Pattern::Crossed => "crossed",
            Pattern::Dotted => "dotted",
            Pattern::Level => "level",
        };
        Self { label: class.label(), fill: style.fill, ink: style.ink, pattern }
    }
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

impl MapFrame {
    const fn of(frame: &Frame) -> Self {
        Self { left: frame.left, top: frame.top, width: frame.width, height: frame.height }
    }
}

/// The data of the page: lengths in mm, first layer and tolerance in µm, heights in 0.1 µm as [`tenths`] writes them.
///
/// A layer is its height in µm, then lowest, mean and highest of its top in each run, null where all was refused.
pub(super) fn json(outcome: &Outcome, [map, layer_map]: [&Frame; 2], every: usize, lines: &[LineGap]) -> String {
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
        map: MapFrame::of(map),
        bed: tenths(&surfaces.bed),
        nozzle: [&surfaces.nozzle[0], &surfaces.nozzle[1], &surfaces.nozzle[2]].map(tenths),
        layers: outcome.layers.iter().map(layer).collect(),
        cells: Cells {
            columns: outcome.layer_maps.grid.columns,
            rows: outcome.layer_maps.grid.rows,
            every,
            map: MapFrame::of(layer_map),
        },
        looks: Class::ALL.map(Look::of),
        places: Run::ALL.map(|run| outcome.runs.get(run as usize).map_or_else(Vec::new, places)),
        in_use: outcome.runs.iter().position(|run| run.in_use).unwrap_or(0),
        opens_at: opens_at(outcome),
        lines: outcome.counts.lines,
        left_out: outcome.lines.left_out + (outcome.lines.lines.len() - lines.len()) as u64,
        last_line: lines.last().map(|line| line.job_line),
    };
    // Plain numbers and fixed words always become JSON; an empty object makes the script stop, not the page.
    inert(&serde_json::to_string(&data).unwrap_or_else(|_| "{}".to_owned()))
}

fn places(run: &RunOutcome) -> Vec<[i64; 4]> {
    let place = |place: &Place| {
        let [x, y, error] = [place.x_mm, place.y_mm, place.gap_error_um].map(|value| i64::from(tenth(value)));
        // Line numbers stay below 2^53, which a script's numbers hold exactly.
        [place.job_line as i64, x, y, error]
    };
    run.worst_places.iter().map(place).collect()
}

fn opens_at(outcome: &Outcome) -> [f64; 2] {
    let bed = &outcome.surfaces.bed;
    let middle = [(bed.x0_mm, bed.step_x_mm, bed.columns), (bed.y0_mm, bed.step_y_mm, bed.rows)]
        .map(|(from, step, count)| from + step * count.saturating_sub(1) as f64 / 2.0);
    let used = outcome.runs.iter().find(|run| run.in_use);
    used.and_then(|run| run.first_layer.errors).map_or(middle, |errors| [errors.worst.x_mm, errors.worst.y_mm])
}

/// Row by row, each number less what a straight line through the two before it in its row makes it, which are 0 before a
/// row's start: a surface bends little from node to node.
fn tenths(field: &Field) -> Vec<i32> {
    let mut bends = Vec::with_capacity(field.values_um.len());
    for row in field.values_um.chunks(field.columns.max(1)) {
        let (mut last, mut slope) = (0_i32, 0_i32);
        for value in row.iter().copied().map(tenth) {
            // Beyond 32 bits the script's sums would differ; no bed has such a height.
            let step = value.saturating_sub(last);
            bends.push(step.saturating_sub(slope));
            (last, slope) = (value, step);
        }
    }
    bends
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
/// Y where its gap error is largest in the run that would be used, in 0.1 mm; how far its end is from the start of the
/// next one, which most lines begin at; lowest and highest gap error of each run, in 0.1 µm, or [`NOT_JUDGED`].
///
/// As many lines are kept, from the first, as fit into `room` bytes.
pub(super) fn lines(mut lines: &[LineGap], room: usize) -> (String, &[LineGap]) {
    loop {
        let text = packed_lines(lines);
        if text.len() <= room || lines.is_empty() {
            return (text, lines);
        }
        // A little fewer than their share, since fewer lines pack less well.
        lines = &lines[..lines.len() * room / text.len() * 19 / 20];
    }
}

fn packed_lines(lines: &[LineGap]) -> String {
    let row = |(index, line): (usize, &LineGap)| -> [i64; 13] {
        let tenths = |point: BedPoint| [point.x_mm, point.y_mm].map(|mm| i64::from(tenth(mm)));
        let ([x, y], [worst_x, worst_y]) = (tenths(line.starts_at), tenths(line.worst_at));
        let next = tenths(lines.get(index + 1).unwrap_or(line).starts_at);
        let end = tenths(line.ends_at);
        let [a, b, c] = line.gap_error.map(|range| match range.min_um > range.max_um {
            true => [NOT_JUDGED; 2],
            false => [range.min_um, range.max_um].map(|um| tenth(um).into()),
        });
        // Line numbers stay below 2^53, which a script's numbers hold exactly.
        [
            line.job_line as i64,
            x,
            y,
            worst_x,
            worst_y,
            end[0] - next[0],
            end[1] - next[1],
            a[0],
            a[1],
            b[0],
            b[1],
            c[0],
            c[1],
        ]
    };
    let mut columns: [Vec<i64>; 13] = Default::default();
    let mut before = [0; 13];
    for row in lines.iter().enumerate().map(row) {
        for (column, (value, before)) in columns.iter_mut().zip(row.into_iter().zip(before)) {
            column.push(value - before);
        }
        before = row;
    }
    packed(&serde_json::to_vec(&columns).unwrap_or_default())
}

fn packed(bytes: &[u8]) -> String {
    let mut packed = DeflateEncoder::new(Vec::new(), Compression::best());
    // Writing to memory does not fail.
    let packed = packed.write_all(bytes).and_then(|()| packed.finish()).unwrap_or_default();
    BASE64_STANDARD.encode(packed)
}

/// The maps of the layers take no more than this in the page.
pub(super) const MOST_MAP_BYTES: usize = 150_000;

/// The maps of the layers, packed as the lines are, and of how many layers one is kept.
///
/// A cell takes four bits: 0 where nothing is printed, or 1 and the index of its class; the first of two cells has the
/// lower bits. A layer begins with a whole byte. Where all layers together would take more than [`MOST_MAP_BYTES`], every
/// second one is kept, or every fourth, and so on.
pub(super) fn layer_maps(maps: &LayerMaps) -> (String, usize) {
    let code = |class: Option<&Option<Class>>| class.copied().flatten().map_or(0, |class| class as u8 + 1);
    let layer = |cells: &Vec<Option<Class>>| -> Vec<u8> {
        cells.chunks(2).map(|pair| code(pair.first()) | code(pair.get(1)) << 4).collect()
    };
    let mut every = 1;
    loop {
        let bytes: Vec<u8> = maps.layers.iter().step_by(every).flat_map(layer).collect();
        let text = packed(&bytes);
        if text.len() <= MOST_MAP_BYTES || every >= maps.layers.len() {
            return (text, every);
        }
        every *= 2;
    }
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
