//! What changed from one grid to another: the parts, the advice, and the command.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;
mod grid_support;

use std::fs;

use gapgrid_support::{assert_refused, document, gapgrid};
use gapkeeper::{HeightGrid, Lattice, Surface};
use gapkeeper_host_tools::compare::{Advice, AdviceKind, CompareError, compare};
use gapkeeper_host_tools::grid_file::{GridDocument, SurfaceReason, SurveyMarks};
use grid_support::{cases, documents};
use proptest::prelude::*;

const LATTICE: Lattice =
    Lattice { x0_um: -20_000, y0_um: 0, pitch_x_um: 40_000, pitch_y_um: 30_000, columns: 5, rows: 5 };

fn bed(lattice: Lattice, height_um: impl Fn(i32, i32) -> i32) -> GridDocument {
    GridDocument {
        shift_um: 0,
        fade: None,
        bed_temperature_c: None,
        survey: None,
        lowest_machine_z_um: None,
        ..GridDocument::of_heights(
            HeightGrid::from_fn(lattice, |column, row| height_um(column.into(), row.into())).unwrap(),
        )
    }
}

fn kinds(advice: &[Advice]) -> Vec<AdviceKind> {
    advice.iter().map(|advice| advice.kind).collect()
}

/// Every part put in comes out as itself: by hand, as the parts of u and v from -2 to 2 are orthogonal.
#[test]
fn height_tilt_bow_and_local_change_are_told_apart() {
    let first = bed(LATTICE, |u, v| 7 * u * u - 13 * v);
    let local = |u: i32, v: i32| if (u, v) == (2, 2) { 1 } else { 0 };
    let add = |height, tilt, bow, spot| {
        bed(LATTICE, move |u, v| {
            let base = 7 * u * u - 13 * v;
            base + height + tilt * (u - 2) + bow * ((u - 2).pow(2) - 2) + spot * local(u, v)
        })
    };
    let change = compare(&first, &add(31, 0, 0, 0), None).unwrap();
    assert!((change.height_um - 31.0).abs() < 1e-9 && change.tilt.rms_um < 1e-9 && change.bow.rms_um < 1e-9);
    assert_eq!(kinds(&change.advice(30)), [AdviceKind::Shift]);
    assert_eq!(kinds(&change.advice(31)), [AdviceKind::Fine]);

    let change = compare(&first, &add(0, 12, 0, 0), None).unwrap();
    assert!((change.tilt.most_um + 24.0).abs() < 1e-9 && change.bow.rms_um < 1e-9, "{change}");
    assert!((change.slope_um_per_mm.0 - 12.0 / 40.0).abs() < 1e-12 && change.slope_um_per_mm.1.abs() < 1e-12);
    assert_eq!(kinds(&change.advice(23)), [AdviceKind::TurnScrews]);

    let change = compare(&first, &add(0, 0, 10, 0), None).unwrap();
    assert!(
        (change.bow.rms_um - 10.0 * (2.8_f64).sqrt()).abs() < 1e-9,
        "the squares of 2, -1, -2, -1, 2 are 2.8 on the mean"
    );
    assert!(change.local.rms_um < 1e-9 && change.tilt.rms_um < 1e-9 && change.height_um.abs() < 1e-9, "{change}");
    assert_eq!(kinds(&change.advice(19)), [AdviceKind::Remeasure]);

    let change = compare(&first, &add(0, 0, 0, -200), None).unwrap();
    assert_eq!((change.local.place.column, change.local.place.row), (3, 3));
    // The leverage of the middle of 5 × 5: 1/25 for the mean and twice (2²/14)/5 for the bows.
    let left = 1.0 - (0.04 + 2.0 * 4.0 / 14.0 / 5.0);
    assert!((change.local.most_um + 200.0 * left).abs() < 1e-9, "{change}");
    assert_eq!(kinds(&change.advice(50)), [AdviceKind::Remeasure]);
    // Small parts that come to more together.
    let together = compare(&first, &add(18, 8, 6, 0), None).unwrap();
    assert_eq!(kinds(&together.advice(19)), [AdviceKind::Remeasure]);
    assert!(together.advice(19)[0].reason.contains("each part is small"));
}

/// A grid of other stations is compared where both are, by the surface that its survey chose.
#[test]
fn other_lattices_are_compared_inside_both() {
    // x²/80 in um with x in mm, on three stations 80 mm apart: the refined surface has it exactly, the bilinear one not.
    let bow = |x_mm: i32| x_mm * x_mm / 80;
    let first = bed(LATTICE, |u, _| bow(40 * u - 20));
    let coarse = Lattice { x0_um: -20_000, y0_um: 30_000, pitch_x_um: 80_000, pitch_y_um: 45_000, columns: 3, rows: 3 };
    let second = bed(coarse, |u, _| bow(80 * u - 20));
    let change = compare(&first, &second, None).unwrap();
    assert_eq!((change.common, change.stations), (20, 25));
    assert_eq!(change.between.map(|choice| choice.reason), Some(SurfaceReason::NoSurvey));
    assert!(change.all.most_um.abs() <= 1.0, "{change}");
    let survey = SurveyMarks { closure_um: 0, closure_accepted: false, surface: Surface::Bilinear, tie: None };
    let change = compare(&first, &GridDocument { survey: Some(survey), ..second }, None).unwrap();
    // The middle of a chord of 80 mm is 80²/8 · 2/80 um above the parabola.
    assert!((change.all.most_um - 20.0).abs() <= 1.0, "{change}");

    let away = bed(Lattice { x0_um: 140_000, ..coarse }, |_, _| 0);
    assert_eq!(compare(&first, &away, None).unwrap_err(), CompareError::NoOverlap { common: 4 });
    let elsewhere = bed(Lattice { x0_um: 900_000, ..coarse }, |_, _| 0);
    assert_eq!(compare(&first, &elsewhere, None).unwrap_err(), CompareError::NoOverlap { common: 0 });
}

proptest! {
    #![proptest_config(cases(64))]

    /// The parts add up to the whole, a grid is like itself, and there is always advice.
    #[test]
    fn any_two_documents_are_compared_or_refused(first in documents(), second in documents()) {
        let itself = compare(&first, &first, None).unwrap();
        prop_assert!(itself.all.most_um == 0.0 && kinds(&itself.advice(0)) == [AdviceKind::Fine]);
        let second = GridDocument { grid: HeightGrid::new(first.grid.lattice(), second.grid.nodes_um()).unwrap_or(first.grid.clone()), ..second };
        if let Ok(change) = compare(&first, &second, None) {
            prop_assert!(!change.advice(50).is_empty() && !change.to_string().contains("NaN"));
            let squares = [change.height_um, change.tilt.rms_um, change.bow.rms_um, change.local.rms_um];
            let together = squares.iter().map(|um| um * um).sum::<f64>().sqrt();
            prop_assert!((together - change.all.rms_um).abs() <= 1e-6 * together.max(1.0), "the parts are orthogonal");
        }
    }
}

#[test]
fn the_command_says_figures_and_advice() {
    let folder = tempfile::tempdir().unwrap();
    let files = [
        ("a.json", document("[[0, 40, 10], [41, 82, 39], [12, 50, 11]]")),
        ("b.json", document("[[0, 100, 130], [41, 142, 159], [12, 110, 131]]").replace("60,", "80,")),
        ("c.json", document("[[3, 40, 10], [41, 80, 39], [12, 50, 11]]")),
        ("far.json", document("[[0, 40], [41, 82]]").replace("10000,", "900000,")),
    ];
    for (name, text) in files {
        fs::write(folder.path().join(name), text).unwrap();
    }
    let (code, out, error) = gapgrid(folder.path(), "diff a.json b.json");
    assert_eq!((code, error.as_str()), (Some(1), ""));
    let expected = "\
9 of 9 stations compared, second less first, in um
height     +60.0
tilt       -60.0 at column 1, row 1 (x 10, y 20 mm), RMS 49.0
bow          0.0
local        0.0
all       +120.0 at column 3, row 1 (x 110, y 20 mm), RMS 77.5
tilt is +1.200 um per mm along X, +0.000 along Y
measured at 60 °C and at 80 °C: a bed bows as it warms up
turn a screw: the tilt changed, by -60 um at column 1, row 1 (x 10, y 20 mm): gapgrid tram says which screw, and how far
";
    assert_eq!(out, expected);
    assert_eq!(gapgrid(folder.path(), "diff a.json b.json --tolerance-um 120").0, Some(0));
    let (code, out, _) = gapgrid(folder.path(), "diff a.json c.json");
    assert!(
        code == Some(0)
            && out.ends_with("fine: nowhere more than 50 um; the most is +3 um at column 1, row 1 (x 10, y 20 mm)\n"),
        "{out}"
    );
    let refused = [
        ("diff a.json absent.json", "absent.json: cannot be read"),
        ("diff a.json far.json", "only 0 stations of the first grid lie inside the second"),
        ("diff a.json", "<SECOND>"),
        ("diff a.json b.json --tolerance-um 70000", "--tolerance-um"),
    ];
    assert_refused(folder.path(), &refused);
}

/// Station by station the second less the first, under the advice; none where a station has no partner.
#[test]
fn the_change_is_drawn_under_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let rows = |heights: &str| document(heights);
    fs::write(
        folder.path().join("old.json"),
        rows("[[0, 40, 0, -10], [41, 82, 39, 31], [12, 50, 11, 0], [0, 0, 0, 0]]"),
    )
    .unwrap();
    fs::write(
        folder.path().join("new.json"),
        rows("[[90, 130, 90, 80], [131, 172, 129, 121], [102, 140, 101, 90], [90, 90, 90, 85]]"),
    )
    .unwrap();
    let (code, out, error) = gapgrid(folder.path(), "diff old.json new.json --out change.svg");
    assert_eq!((code, error.as_str()), (Some(1), ""), "{out}");
    assert_eq!(out, gapgrid(folder.path(), "diff old.json new.json").1);
    let svg = fs::read_to_string(folder.path().join("change.svg")).unwrap();
    let advice = out.lines().find(|line| line.starts_with("shift: ")).unwrap().replace(" um", " µm");
    for text in [
        &advice[1..20],
        "new.json less old.json: change of height",
        "from 85 to 90 µm",
        "positive where the bed has risen",
    ] {
        assert!(svg.contains(text), "{text}");
    }
    assert_eq!((svg.matches(">+90</text>").count(), svg.matches(">+85</text>").count()), (15, 1));
    assert!(!svg.contains("flatness"));
}
