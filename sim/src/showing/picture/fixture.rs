//! A plausible outcome for tests of pictures and page: a bowed, twisted, dented bed and three runs over it.

use crate::outcome::*;

pub(crate) const BED_X_MM: f64 = 220.0;
pub(crate) const BED_Y_MM: f64 = 190.0;
const FIRST_LAYER_UM: f64 = 200.0;
const TOLERANCE_UM: f64 = 40.0;
const STEP_MM: f64 = 2.5;
/// A point of the path stands for one millimetre.
const STRETCH_MM: usize = 64;

/// Height of the bed.
fn bed_um(x_mm: f64, y_mm: f64) -> f64 {
    let (u, v) = (x_mm / BED_X_MM * 2.0 - 1.0, y_mm / BED_Y_MM * 2.0 - 1.0);
    let dent = -70.0 * (-((x_mm - 150.0).powi(2) + (y_mm - 60.0).powi(2)) / 500.0).exp();
    300.0 * (1.0 - (u * u + v * v) / 2.0) - 150.0 + 60.0 * u * v + 35.0 * u + dent
}

/// Bilinear heights between 3 by 3 stations.
fn stations_um(x_mm: f64, y_mm: f64) -> f64 {
    let along = |value: f64, length: f64| {
        let cell = ((value - 15.0) / (length - 30.0) * 2.0).clamp(0.0, 2.0);
        let index = cell.floor().min(1.0);
        (index, cell - index)
    };
    let ((i, s), (j, t)) = (along(x_mm, BED_X_MM), along(y_mm, BED_Y_MM));
    let node = |i: f64, j: f64| bed_um(15.0 + i * (BED_X_MM - 30.0) / 2.0, 15.0 + j * (BED_Y_MM - 30.0) / 2.0);
    (node(i, j) * (1.0 - s) + node(i + 1.0, j) * s) * (1.0 - t)
        + (node(i, j + 1.0) * (1.0 - s) + node(i + 1.0, j + 1.0) * s) * t
}

/// Height of the nozzle in a run.
fn nozzle_um(run: Run, x_mm: f64, y_mm: f64) -> f64 {
    FIRST_LAYER_UM
        + match run {
            Run::Uncorrected => 0.0,
            Run::Corrected => stations_um(x_mm, y_mm),
            Run::Refined => bed_um(x_mm, y_mm) + 10.0 * (x_mm / 23.0).sin() * (y_mm / 31.0).cos(),
        }
}

fn error_um(run: Run, x_mm: f64, y_mm: f64) -> f64 {
    nozzle_um(run, x_mm, y_mm) - bed_um(x_mm, y_mm) - FIRST_LAYER_UM
}

/// A plate with a hole.
fn is_printed(x_mm: f64, y_mm: f64) -> bool {
    (30.0..=190.0).contains(&x_mm) && (25.0..=165.0).contains(&y_mm) && (x_mm - 110.0).hypot(y_mm - 95.0) > 22.0
}

pub(crate) fn field(value: impl Fn(f64, f64) -> f64) -> Field {
    let (columns, rows) = ((BED_X_MM / STEP_MM) as usize + 1, (BED_Y_MM / STEP_MM) as usize + 1);
    let nodes =
        (0..rows).flat_map(|row| (0..columns).map(move |column| (column as f64 * STEP_MM, row as f64 * STEP_MM)));
    Field {
        x0_mm: 0.0,
        y0_mm: 0.0,
        step_x_mm: STEP_MM,
        step_y_mm: STEP_MM,
        columns,
        rows,
        values_um: nodes.map(|(x, y)| value(x, y)).collect(),
    }
}

/// To and fro along X, a line every 0.4 mm, a point every millimetre or so.
fn path() -> Vec<(f64, f64)> {
    (0..350)
        .flat_map(|pass| {
            let y_mm = 25.0 + f64::from(pass) * 0.4;
            (0..160)
                .map(move |step| (if pass % 2 == 0 { 30.5 + f64::from(step) } else { 189.5 - f64::from(step) }, y_mm))
        })
        .filter(|(x_mm, y_mm)| is_printed(*x_mm, *y_mm))
        .collect()
}

fn range(values: impl Iterator<Item = f64>) -> Range {
    values.fold(Range { min_um: f64::INFINITY, max_um: f64::NEG_INFINITY }, |range, value| Range {
        min_um: range.min_um.min(value),
        max_um: range.max_um.max(value),
    })
}

fn profile(path: &[(f64, f64)], stretch_mm: usize) -> Vec<ProfileStretch> {
    path.chunks(stretch_mm)
        .enumerate()
        .map(|(index, part)| ProfileStretch {
            start_mm: (index * stretch_mm) as f64,
            end_mm: (index * stretch_mm + part.len()) as f64,
            // As in the worst places: a line for each point, from line 120.
            job_lines: [0, part.len() - 1].map(|point| (120 + index * stretch_mm + point) as u64),
            starts_at: BedPoint { x_mm: part[0].0, y_mm: part[0].1 },
            bed: range(part.iter().map(|(x, y)| bed_um(*x, *y))),
            nozzle: Run::ALL.map(|run| range(part.iter().map(|(x, y)| nozzle_um(run, *x, *y)))),
            gap_error: Run::ALL.map(|run| range(part.iter().map(|(x, y)| error_um(run, *x, *y)))),
        })
        .collect()
}

fn run_outcome(run: Run, path: &[(f64, f64)]) -> RunOutcome {
    let mut places: Vec<Place> = (0..)
        .zip(path)
        .map(|(line, &(x_mm, y_mm))| Place {
            job_line: 120 + line,
            x_mm,
            y_mm,
            z_mm: 0.2,
            gap_error_um: error_um(run, x_mm, y_mm),
        })
        .collect();
    let range = range(places.iter().map(|place| place.gap_error_um));
    let count = places.len() as f64;
    let mut length_mm = PerClass::default();
    for place in &places {
        length_mm.add(Class::of(FIRST_LAYER_UM + place.gap_error_um, FIRST_LAYER_UM, TOLERANCE_UM), 31_234.5 / count);
    }
    places.sort_by(|a, b| b.gap_error_um.abs().total_cmp(&a.gap_error_um.abs()));
    let errors = GapErrors {
        min_um: range.min_um,
        max_um: range.max_um,
        mean_um: places.iter().map(|place| place.gap_error_um).sum::<f64>() / count,
        rms_um: (places.iter().map(|place| place.gap_error_um.powi(2)).sum::<f64>() / count).sqrt(),
        p95_abs_um: places[places.len() / 20].gap_error_um.abs(),
        worst: places[0],
        nearest: places.iter().copied().reduce(|a, b| if b.gap_error_um < a.gap_error_um { b } else { a }).unwrap(),
        farthest: places.iter().copied().reduce(|a, b| if b.gap_error_um > a.gap_error_um { b } else { a }).unwrap(),
    };
    let mut worst_places: Vec<Place> = Vec::new();
    for place in places {
        if worst_places.len() < 5
            && worst_places.iter().all(|other| (other.x_mm - place.x_mm).hypot(other.y_mm - place.y_mm) >= 10.0)
        {
            worst_places.push(place);
        }
    }
    RunOutcome {
        run,
        first_layer: GapFigures { length_mm, errors: Some(errors) },
        in_use: run == Run::Refined,
        worst_places,
        printing_pieces: 18_312,
        pieces: 20_118,
        largest_z_rate_mm_s: if run == Run::Uncorrected { 0.0 } else { 0.41 },
        largest_z_rate_line: 731,
        pieces_above_z_rate_limit: 0,
        refused_moves: 0,
        first_refused_line: None,
        deepest_contact: None,
        travel_contacts: 0,
        deepest_travel_contact: None,
    }
}

fn layers() -> Vec<LayerFigures> {
    (1..=44)
        .map(|layer| {
            let z_mm = f64::from(layer) * 0.2;
            let left = 1.0 - ((z_mm - 1.0) / 7.0).clamp(0.0, 1.0);
            let run = |min_um, mean_um, max_um| {
                Some(LayerRun { min_um: min_um * left, mean_um: mean_um * left, max_um: max_um * left })
            };
            LayerFigures { z_mm, runs: [run(0.0, 0.0, 0.0), run(-64.0, -20.0, 41.0), run(-110.0, 0.0, 110.0)] }
        })
        .collect()
}

/// A plate of good cells with a row that is too close, over a few layers.
fn layer_maps() -> LayerMaps {
    let extent = |to| crate::scenario::Extent { from: 0.0, to };
    let grid = CellGrid { x_mm: extent(BED_X_MM), y_mm: extent(BED_Y_MM), columns: 11, rows: 10 };
    let cell = |index: usize| match (index % 11, index / 11) {
        (2..=8, 4) => Some(Class::TooClose),
        (2..=8, 2..=7) => Some(Class::Good),
        _ => None,
    };
    LayerMaps { grid, layers: vec![(0..110).map(cell).collect(); 44] }
}

/// The whole of it.
pub(crate) fn outcome() -> Outcome {
    let path = path();
    let points = |inset_mm: f64, count: usize| -> Vec<BedPoint> {
        let at = |index: usize, length: f64| inset_mm + (length - 2.0 * inset_mm) * index as f64 / (count - 1) as f64;
        (0..count)
            .flat_map(|row| {
                (0..count).map(move |column| BedPoint { x_mm: at(column, BED_X_MM), y_mm: at(row, BED_Y_MM) })
            })
            .collect()
    };
    Outcome {
        job_name: "plate-with-hole.gcode".to_owned(),
        scenario_name: "bowed bed".to_owned(),
        grid_origin: "surveyed by hand in the scenario".to_owned(),
        by_hand: true,
        band: None,
        grid_size: [3, 3],
        refined_size: [9, 9],
        tolerance_um: TOLERANCE_UM,
        measure: Measure { tolerance_um: TOLERANCE_UM, lays: true },
        first_layer_heights: FirstLayerHeights::default(),
        fade_um: Some([1_000, 8_000]),
        z_rate_limit_mm_s: 5.0,
        screws: points(8.0, 2),
        stations: points(15.0, 3),
        counts: JobCounts {
            bytes: 812_331,
            lines: 24_517,
            moves: 23_900,
            printing_moves: 18_012,
            arcs: 12,
            unknown_words: 4,
            bad_lines: 0,
        },
        runs: Run::ALL.map(|run| run_outcome(run, &path)).into(),
        surfaces: Surfaces {
            first_layer_um: FIRST_LAYER_UM,
            bed: field(bed_um),
            nozzle: Run::ALL.map(|run| field(|x, y| nozzle_um(run, x, y))),
            printed: field(|x, y| if is_printed(x, y) { 1.0 } else { 0.0 })
                .values_um
                .iter()
                .map(|value| *value > 0.5)
                .collect(),
            refused: [(); 3].map(|()| vec![false; field(bed_um).values_um.len()]),
        },
        profile: profile(&path, STRETCH_MM),
        lines: JobLines::default(),
        layers: layers(),
        layer_maps: layer_maps(),
        verdict: Verdict {
            headline: "All of the first layer will stick: print.".to_owned(),
            actions: vec![Action {
                text: "Measure 3 × 3 stations, refine, print.".to_owned(),
                share_percent: Some(99.2),
            }],
        },
        faults: Vec::new(),
        warnings: vec!["Moves leave the machine's travel: 1, the first at line 12.".to_owned()],
        passed_over: Some("M987 (4 times, first on line 12)".to_owned()),
    }
}

/// The same with a profile of short stretches, as a replay gives it for a small job.
pub(crate) fn fine_outcome() -> Outcome {
    Outcome { profile: profile(&path(), 5), ..outcome() }
}

/// A long narrow bed that is rough all over, with many stations and a fade within the first layer's neighbourhood.
pub(crate) fn rough_outcome() -> Outcome {
    let mut outcome = outcome();
    let rough = |x_mm: f64, y_mm: f64| 4.0 * bed_um(x_mm, y_mm) + 35.0 * (x_mm * 0.9).sin() * (y_mm * 0.7).cos();
    let narrow = |field: Field| Field { step_x_mm: 1.2, step_y_mm: 4.5, ..field };
    outcome.surfaces.bed = narrow(field(rough));
    for (run, nozzle) in Run::ALL.into_iter().zip(&mut outcome.surfaces.nozzle) {
        *nozzle = narrow(field(|x, y| 4.0 * nozzle_um(run, x, y) - 3.0 * FIRST_LAYER_UM));
    }
    let points = |count_x: i32, count_y: i32| -> Vec<BedPoint> {
        (0..count_x)
            .flat_map(|i| {
                (0..count_y).map(move |j| BedPoint {
                    x_mm: 6.0 + 93.0 * f64::from(i) / f64::from(count_x - 1),
                    y_mm: 12.0 + 316.0 * f64::from(j) / f64::from(count_y - 1),
                })
            })
            .collect()
    };
    outcome.stations = points(5, 9);
    outcome.screws = points(2, 3);
    outcome.fade_um = Some([400, 1_250]);
    outcome.tolerance_um = 25.0;
    for (run, corner) in outcome.runs.iter_mut().zip([(0.0, 0.0), (105.0, 342.0), (52.0, 0.0)]) {
        if let Some(errors) = &mut run.first_layer.errors {
            errors.worst = Place { x_mm: corner.0, y_mm: corner.1, ..errors.worst };
        }
    }
    outcome
}

/// Names that would break out of their place if they were written as they are.
pub(crate) fn hostile_outcome() -> Outcome {
    let name = "<script>alert(1)</script>\u{2028}&\"'\u{0}]]>".to_owned();
    Outcome {
        job_name: name.clone(),
        scenario_name: format!("</script>{name}"),
        grid_origin: name.clone(),
        warnings: vec![name],
        ..outcome()
    }
}

/// A flat bed, nothing printed, nothing found.
pub(crate) fn empty_outcome() -> Outcome {
    let flat = || field(|_, _| 0.0);
    let full = outcome();
    let printed = vec![false; full.surfaces.printed.len()];
    let refused = [printed.clone(), printed.clone(), printed.clone()];
    let runs = full
        .runs
        .into_iter()
        .map(|run| RunOutcome { first_layer: GapFigures::default(), worst_places: Vec::new(), ..run })
        .collect();
    Outcome {
        runs,
        surfaces: Surfaces { first_layer_um: 0.0, bed: flat(), nozzle: [flat(), flat(), flat()], printed, refused },
        profile: Vec::new(),
        layers: Vec::new(),
        layer_maps: LayerMaps { layers: Vec::new(), ..full.layer_maps },
        stations: Vec::new(),
        screws: Vec::new(),
        warnings: Vec::new(),
        fade_um: None,
        tolerance_um: 0.0,
        ..outcome()
    }
}
