use super::*;
use crate::demo;
use crate::scenario::{Bounded, FadeSettings, Form, Positive};

fn extent(from: f64, to: f64) -> Extent {
    Extent { from, to }
}

fn end(x_mm: f64, y_mm: f64, bed_um: f64, nozzle_um: f64, logical_um: f64) -> End {
    End { x_mm, y_mm, bed_um, nozzle_um, logical_um, flow: 1.0 }
}

fn close(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() <= within, "{found} instead of {wanted}");
}

/// Own identity: over a bed that climbs evenly from -100 to +100 µm a nozzle at 200 µm squeezes by 1.5 to 0.5, evenly
/// spread, so a quarter of the area is too far, a half good and a quarter too close.
#[test]
fn a_ramp_is_shared_among_the_classes() {
    let mut deposit = Deposit::new(extent(0.0, 200.0), extent(0.0, 4.0));
    for row in 0..10 {
        let y_mm = 0.2 + 0.4 * f64::from(row);
        deposit.lay(7, &end(0.0, y_mm, -100.0, 200.0, 200.0), &end(200.0, y_mm, 100.0, 200.0, 200.0));
    }
    let found = deposit.finish();
    let laid = found.first_layer;
    close(laid.area_mm2, 800.0, 1e-6);
    for (share, wanted) in laid.shares.into_iter().zip([0.25, 0.5, 0.25]) {
        close(share, wanted, 0.003);
    }
    close(laid.mean, 1.0, 1e-6);
    close(laid.least, 0.5, 0.002);
    close(laid.most, 1.5, 0.002);
    // The mean square of a value spread evenly over ±0.5 is 1/12.
    close(laid.flow_as_in_job.rms, (1.0_f64 / 12.0).sqrt(), 1e-3);
    assert!(found.closest[0].x_mm > 199.0 && found.farthest[0].x_mm < 1.0, "{found:?}");
    assert!(found.closest.len() == 5 && found.closest[1].x_mm < 191.0, "{:?}", found.closest);
    assert_eq!(found.above.area_mm2, 0.0);
    let map = &found.first_layer_map;
    let middle = map.squeeze[map.rows / 2 * map.columns + map.columns / 2];
    assert!((middle - 1.0).abs() < 0.01, "{middle}");
}

/// A second layer covers what the first got wrong: it is as thick as the nozzle rises, whatever the bed.
#[test]
fn a_layer_rests_on_what_lies_there() {
    let mut deposit = Deposit::new(extent(0.0, 50.0), extent(0.0, 10.0));
    let mut line = |y_mm: f64, bed_um: f64, nozzle_um: f64, logical_um: f64| {
        let at = |x_mm: f64| end(x_mm, y_mm, bed_um, nozzle_um, logical_um);
        deposit.lay(1, &at(10.0), &at(40.0));
    };
    line(5.0, 80.0, 200.0, 200.0);
    // The same layer again, and the overlap of a neighbour: nothing new.
    line(5.0, 80.0, 200.0, 200.0);
    line(5.0, 80.0, 205.0, 205.0);
    line(5.0, 80.0, 370.0, 400.0);
    // Below what lies there: nothing fits, and the top stays where it was.
    line(5.0, 80.0, 300.0, 600.0);
    line(5.0, 80.0, 570.0, 800.0);
    // A bridge over the empty bed.
    line(8.0, 0.0, 5000.0, 5000.0);
    let found = deposit.finish();
    let cells = 75.0 * 0.16;
    close(found.first_layer.area_mm2, cells, 0.32);
    close(found.first_layer.mean, 0.6, 1e-6);
    close(found.above.area_mm2, 3.0 * found.first_layer.area_mm2, 1e-9);
    close(found.above.most, 1.0, 1e-6);
    assert_eq!(found.above.least, 0.0);
    // 0.85, 0 and 1.
    close(found.above.mean, 1.85 / 3.0, 1e-6);
    close(found.bridged_mm2, cells, 0.32);
}

/// The cells that a line meets, against many points along it.
#[test]
fn a_line_meets_the_cells_it_passes() {
    let (width, height) = (extent(-3.0, 5.0), extent(10.0, 14.0));
    for turn in 0..200 {
        let wave = |rate: f64, reach: f64| reach * (f64::from(turn) * rate).sin();
        let (from, to) = ([1.0 + wave(1.3, 6.0), 12.0 + wave(2.1, 3.0)], [1.0 + wave(0.7, 6.0), 12.0 + wave(3.3, 3.0)]);
        let at = |fraction: f64| [0, 1].map(|axis| from[axis] + (to[axis] - from[axis]) * fraction);
        let mut deposit = Deposit::new(width, height);
        let mark = |[x_mm, y_mm]: [f64; 2]| end(x_mm, y_mm, 0.0, 200.0, 200.0);
        deposit.lay(1, &mark(from), &mark(to));
        let mut wanted = std::collections::BTreeSet::new();
        for point in 0..20_000 {
            let [x_mm, y_mm] = at((f64::from(point) + 0.5) / 20_000.0);
            let (column, row) = (((x_mm + 3.0) / 0.4).floor(), ((y_mm - 10.0) / 0.4).floor());
            if (0.0..20.0).contains(&column) && (0.0..10.0).contains(&row) {
                wanted.insert((row as usize, column as usize));
            }
        }
        let laid = (deposit.finish().first_layer.area_mm2 / 0.16).round() as usize;
        // A corner that is only just cut may fall between two of the points.
        assert!((wanted.len()..=wanted.len() + 1).contains(&laid), "{from:?} {to:?}: {laid} {}", wanted.len());
    }
}

/// From border to border of cells, forwards and back, along both axes: ten cells and not one more.
#[test]
fn a_line_between_borders_meets_no_cell_beyond() {
    for (from, to) in
        [([4.0, 4.2], [8.0, 4.2]), ([8.0, 4.2], [4.0, 4.2]), ([4.2, 4.0], [4.2, 8.0]), ([4.2, 8.0], [4.2, 4.0])]
    {
        let mut deposit = Deposit::new(extent(0.0, 12.0), extent(0.0, 12.0));
        let mark = |[x_mm, y_mm]: [f64; 2]| end(x_mm, y_mm, 0.0, 200.0, 200.0);
        deposit.lay(1, &mark(from), &mark(to));
        close(deposit.finish().first_layer.area_mm2, 1.6, 1e-9);
    }
}

#[test]
fn memory_is_bounded_by_the_bed() {
    let bytes = |x_mm, y_mm| Deposit::new(extent(0.0, x_mm), extent(0.0, y_mm)).field_bytes();
    assert_eq!(bytes(230.0, 200.0), 575 * 500 * 16);
    for (x_mm, y_mm) in [(2000.0, 2000.0), (400.0, 400.0), (2000.0, 81.0)] {
        assert!(bytes(x_mm, y_mm) < 16_100_000, "{}", bytes(x_mm, y_mm));
    }
}

/// Through the replay and a steep fade: what is laid is the core's own change of thickness ([`thickness_q16`]), so that
/// `E` scaled by it fits and `E` as in the job does not. On the first layer the classes are those of the gap.
///
/// [`thickness_q16`]: gapkeeper::Correction::thickness_q16
#[test]
fn the_fade_changes_thickness_by_the_factor_that_flow_scaling_has() {
    let mut scenario = demo::scenario().unwrap();
    scenario.machine.steps_per_mm.z = Positive(100_000.0);
    scenario.bed.forms = vec![Form::Bow { height_um: Bounded(400.0) }];
    scenario.correction.fade = Some(FadeSettings(gapkeeper::Fade::new(400, 2400).unwrap()));
    // A post near a corner, where the bed is lowest, 15 layers high; a feed move before the first that prints.
    let mut job = String::from("G1 X100 Y20 Z0.2 F1200\nG1 X25 Y25\nM83\n");
    for layer in 1..=15 {
        job += &format!("G1 Z{:.1}\nG1 X35 E0.3\nG1 X25 E0.3\n", 0.2 * f64::from(layer));
    }
    let settings = Settings::new(&scenario);
    let (outcome, squeezes) = replay_with_deposit("post", job.as_bytes(), &settings).unwrap();
    let [uncorrected, _, refined] = squeezes;
    // What was travel left nothing: one line of 10 mm on the bed, 14 above.
    for squeeze in [&uncorrected, &refined] {
        close(squeeze.first_layer.area_mm2, 25.0 * 0.16, 0.33);
        close(squeeze.above.area_mm2, 14.0 * squeeze.first_layer.area_mm2, 1e-9);
    }
    close(uncorrected.above.flow_as_in_job.rms, 0.0, 1e-6);
    let machine = Machine::new(&settings).unwrap();
    let thickest = machine.flow(2, 25.2, 25.0, 2000.0);
    assert!(thickest > 1.05, "{thickest}");
    close(refined.above.most, thickest, 0.011);
    close(refined.above.least, 1.0, 0.011);
    // Heights are whole micrometres: 1 in 200.
    assert!(refined.above.flow_scaled.most.abs().max(refined.above.flow_scaled.least.abs()) < 0.0101);
    assert!(refined.above.flow_as_in_job.rms > 5.0 * refined.above.flow_scaled.rms, "{:?}", refined.above);
    let gap = outcome.runs[0].first_layer;
    close(uncorrected.first_layer.most, 1.0 + gap.max_um / 200.0, 0.005);
}

/// The demo's first layer is 200 µm, so what is good is what is within 50 µm: by area here, by length there.
#[test]
fn the_demo_is_judged_as_by_its_gap() {
    let scenario = demo::scenario().unwrap();
    let settings = Settings::new(&scenario);
    let (outcome, squeezes) = replay_with_deposit(demo::JOB_NAME, demo::job(), &settings).unwrap();
    for (run, squeeze) in outcome.runs.iter().zip(&squeezes) {
        close(squeeze.first_layer.shares[1], run.first_layer.within_tolerance, 0.01);
        assert!((squeeze.first_layer.shares.iter().sum::<f64>() - 1.0).abs() < 1e-12);
    }
}
