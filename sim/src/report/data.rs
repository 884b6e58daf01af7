//! What the page's script needs, as compact JSON that cannot leave its element.

use serde::Serialize;

use crate::outcome::{Field, Outcome, Run};
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
    };
    // Plain numbers and fixed words always become JSON; an empty object makes the script stop, not the page.
    inert(&serde_json::to_string(&data).unwrap_or_else(|_| "{}".to_owned()))
}

fn tenths(field: &Field) -> Vec<i32> {
    // The cast turns what is no number into 0 and stops at the ends of i32: 214 mm.
    field.values_um.iter().map(|value_um| (value_um * 10.0).round() as i32).collect()
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
