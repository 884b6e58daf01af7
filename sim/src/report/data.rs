//! What the page's script needs, as compact JSON that cannot leave its element.

use serde::Serialize;

use crate::outcome::{Field, LayerFigures, Outcome, Place, ProfileStretch, Range, Run};
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
    runs: [&'static str; 3],
    styles: [Style; 3],
    map: MapFrame,
    bed: Vec<i32>,
    nozzle: [Vec<i32>; 3],
    layers: Vec<[Option<i32>; 10]>,
    path: Vec<[Option<i64>; 11]>,
    worst: Vec<Vec<[i64; 4]>>,
}

/// The page finds job lines in at most this many stretches of path, so that it stays small.
const MOST_STRETCHES: usize = 2048;

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
/// A layer is its height in µm, then lowest, mean and highest of its top in each run, null where all was refused. A stretch of the first layer's
/// path is its first and last job line, its start in mm of printed length and in 0.1 mm of X and Y, then lowest and
/// highest gap error of each run, null where nothing was judged. A worst place, worst first for each run, is its job line, X and Y in 0.1 mm, and gap
/// error.
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
        runs: Run::ALL.map(Run::label),
        styles: Run::ALL.map(|run| Style { colour: run_style(run).colour, dashes: run_style(run).dashes }),
        map: MapFrame { left: map.left, top: map.top, width: map.width, height: map.height },
        bed: tenths(&surfaces.bed),
        nozzle: [&surfaces.nozzle[0], &surfaces.nozzle[1], &surfaces.nozzle[2]].map(tenths),
        layers: outcome.layers.iter().map(layer).collect(),
        path: outcome.profile.chunks(outcome.profile.len().div_ceil(MOST_STRETCHES).max(1)).map(path).collect(),
        worst: outcome.runs.iter().map(|run| run.worst_places.iter().map(place).collect()).collect(),
    };
    // Plain numbers and fixed words always become JSON; an empty object makes the script stop, not the page.
    inert(&serde_json::to_string(&data).unwrap_or_else(|_| "{}".to_owned()))
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

fn place(place: &Place) -> [i64; 4] {
    let [x, y, error] = [place.x_mm, place.y_mm, place.gap_error_um].map(|value| i64::from(tenth(value)));
    [place.job_line as i64, x, y, error]
}

/// Some stretches that follow each other, as one; there is at least one in each chunk.
fn path(stretches: &[ProfileStretch]) -> [Option<i64>; 11] {
    let (first, last) = (&stretches[0], &stretches[stretches.len() - 1]);
    let errors = [0, 1, 2].map(|run| {
        stretches.iter().map(|stretch| stretch.gap_error[run]).fold(first.gap_error[run], |all, one| Range {
            min_um: all.min_um.min(one.min_um),
            max_um: all.max_um.max(one.max_um),
        })
    });
    let [a, b, c] =
        errors.map(|range| [range.min_um, range.max_um].map(|um| (!um.is_nan()).then(|| i64::from(tenth(um)))));
    // Line numbers stay below 2^53, which a script's numbers hold exactly.
    let [from, to] = [first.job_lines[0], last.job_lines[1]].map(|line| line as i64);
    let [x, y] = [first.starts_at.x_mm, first.starts_at.y_mm].map(|mm| i64::from(tenth(mm)));
    let [from, to, start, x, y] = [from, to, first.start_mm.round() as i64, x, y].map(Some);
    [from, to, start, x, y, a[0], a[1], b[0], b[1], c[0], c[1]]
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
