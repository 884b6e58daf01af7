use gapkeeper::{Fade, HeightGrid, Lattice};

use super::*;
use crate::demo;
use gapkeeper_host_tools::job::{JobError, JobEvent, ReadingOptions, walk};

fn correction(columns: u8, nodes_um: &[i16]) -> Correction<CAPACITY> {
    let rows = (nodes_um.len() / usize::from(columns)) as u8;
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 100_000, pitch_y_um: 100_000, columns, rows };
    Correction::new(HeightGrid::new(lattice, nodes_um).unwrap())
}

fn run(correction: &Correction<CAPACITY>, tolerance_um: u16, limits: ZLimits, job: &str) -> MotionFigures {
    let mut dynamics = Dynamics::new(correction, tolerance_um, limits);
    walk::<JobError>("job", job.as_bytes(), ReadingOptions::default(), |event| {
        if let JobEvent::Move(job_move) = event {
            dynamics.take(&job_move).unwrap();
        }
        Ok(())
    })
    .unwrap();
    dynamics.figures()
}

fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{found} {expected}");
}

/// Up an even slope of 1 in 100 at 50 mm/s along the path (F applies along the XYZ path: row G-11, NISTIR 6556
/// 2.1.2.5): Z has the sine of the slope's angle.
#[test]
fn an_even_slope() {
    let figures = run(&correction(2, &[0, 1000, 0, 1000]), 2, ZLimits::default(), "G1 X100 Y50 F3000\nG1 X0 Y50\n");
    let slope = 0.01 * 100.0 / 100_f64.hypot(50.0);
    near(figures.z_rate_mm_s.value, 50.0 * f64::max(slope, 0.01 / 1.0001_f64.sqrt()));
    assert_eq!(figures.z_rate_mm_s.job_line, 2);
    near(figures.z_acceleration_mm_s2.value, 0.0);
    assert_eq!(figures.z_rate_step_mm_s, Peak::default(), "no border is crossed");
    assert!(figures.chord_error_um.value <= 1.0);
}

/// Row I-6: over the diagonal of a twisted cell the height is a parabola, `T·u²`; so `z'' = 2·T/L²`.
#[test]
fn a_twisted_cell_accelerates_evenly() {
    let twisted = correction(2, &[0, 0, 0, 400]);
    let figures = run(&twisted, 2, ZLimits::default(), "G1 X100 Y100 F6000\n");
    near(figures.z_acceleration_mm_s2.value, 100.0 * 100.0 * 2.0 * 0.4 / 20_000.0);
    // The pieces are cut so that none sags by more than the tolerance; the same row says how far one would.
    let one_piece_sags_um = 400.0 / 4.0;
    assert!(figures.chord_error_um.value <= 2.0);
    let coarse = run(&twisted, 1000, ZLimits::default(), "G1 X100 Y100 F6000\n");
    assert!((coarse.chord_error_um.value - one_piece_sags_um).abs() <= 1.0, "{}", coarse.chord_error_um.value);
}

/// Over a ridge of ±1 in 500 the Z speed turns round: a step of twice its sine.
#[test]
fn a_step_at_the_border_of_two_cells() {
    let figures = run(&correction(3, &[0, 200, 0, 0, 200, 0]), 2, ZLimits::default(), "G1 X200 F6000\n");
    near(figures.z_rate_step_mm_s.value, 2.0 * 100.0 * 0.002 / 1.000_004_f64.sqrt());
    assert_eq!((figures.z_rate_step_mm_s.x_mm, figures.z_rate_step_mm_s.y_mm), (100.0, 0.0));
}

/// A layer of one thickness becomes `1 − r/(zero_above − full_below)` of it (own identity of the fade, F-1).
#[test]
fn the_fade_changes_thickness_where_something_is_printed_in_it() {
    let fading = correction(2, &[-300, 300, -300, 300]).with_fade(Fade::new(0, 10_000).unwrap()).unwrap();
    let printed = run(&fading, 2, ZLimits::default(), "G0 Z5\nG1 X75 F600\n");
    near(printed.thickness_change_percent.value, 3.0);
    let above = run(&fading, 2, ZLimits::default(), "G0 Z11\nG1 X75 F600\n");
    assert_eq!(above.thickness_change_percent.value, 0.0);
}

#[test]
fn pieces_are_counted_over_a_tenth_of_a_second() {
    let level = correction(2, &[0; 4]);
    near(run(&level, 2, ZLimits::default(), "G1 X100 F3000\n").pieces_per_s.value, 0.5);
    let short: String = (1..=300).map(|step| format!("G1 X{} F3000\n", f64::from(step) / 10.0)).collect();
    let found = run(&level, 2, ZLimits::default(), &short).pieces_per_s.value;
    assert!((found - 500.0).abs() < 1e-6, "{found}");
}

#[test]
fn the_feed_that_would_do_does_and_a_little_more_does_not() {
    let scenario = demo::scenario().unwrap();
    let bed = crate::bed::ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let correction = Correction::new(bed.read_off(scenario.stations()).unwrap());
    let jobs = [
        ZLimits { rate_mm_s: Some(0.2), ..ZLimits::default() },
        ZLimits { rate_step_mm_s: Some(0.05), ..ZLimits::default() },
        ZLimits { acceleration_mm_s2: Some(0.1), ..ZLimits::default() },
    ];
    for limits in jobs {
        let job = |feed_mm_s: f64| format!("G0 X20 Y20 Z0.2\nG1 X205 Y175 F{}\n", feed_mm_s * 60.0);
        let fast = run(&correction, 2, limits, &job(120.0));
        let [found] = fast.too_fast[..] else { panic!("{fast:?}") };
        assert_eq!((fast.lines_too_fast, found.job_line, found.feed_mm_s), (1, 2, 120.0));
        let enough = found.feed_would_do_mm_s;
        assert_eq!(run(&correction, 2, limits, &job(enough * 0.999)).lines_too_fast, 0);
        assert_eq!(run(&correction, 2, limits, &job(enough * 1.001)).lines_too_fast, 1);
    }
}

/// What the demo's moves ask for agrees with the replay, which takes it from the pieces.
#[test]
fn the_demo_job_asks_for_what_its_replay_found() {
    let scenario = demo::scenario().unwrap();
    let bed = crate::bed::ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let grid: HeightGrid<CAPACITY> = bed.read_off(scenario.stations()).unwrap();
    let correction = Correction::new(grid.densest().unwrap()).with_fade(scenario.correction.fade.unwrap().0).unwrap();
    let mut dynamics = Dynamics::new(&correction, 2, ZLimits::of(&scenario.machine));
    walk::<JobError>("demo", demo::job(), ReadingOptions::default(), |event| {
        if let JobEvent::Move(job_move) = event {
            dynamics.take(&job_move).unwrap();
        }
        Ok(())
    })
    .unwrap();
    let figures = dynamics.figures();
    assert!((0.5..=2.0).contains(&figures.chord_error_um.value), "{:?}", figures.chord_error_um);
    assert!((0.1..8.0).contains(&figures.z_rate_mm_s.value), "{:?}", figures.z_rate_mm_s);
    assert!(figures.lines_too_fast == 0 && figures.refused.value == 0.0);
    assert!((10.0..10_000.0).contains(&figures.pieces_per_s.value), "{:?}", figures.pieces_per_s);
    assert!((1.0..10.0).contains(&figures.thickness_change_percent.value), "{:?}", figures.thickness_change_percent);
}
