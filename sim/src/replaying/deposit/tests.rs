use std::f64::consts::PI;
use std::io::Cursor;

use super::*;
use crate::demo;
use crate::scenario::{Bounded, FadeSettings, Form, Positive, Scenario};

fn extent(from: f64, to: f64) -> Extent {
    Extent { from, to }
}

fn deposit(x_mm: Extent, y_mm: Extent) -> Deposit {
    Deposit::new(x_mm, y_mm, 50.0, 0.4)
}

fn end(x_mm: f64, y_mm: f64, bed_um: f64, nozzle_um: f64, logical_um: f64) -> End {
    End { x_mm, y_mm, bed_um, nozzle_um: Some(nozzle_um), logical_um, flow: 1.0 }
}

const ON_BED: Strand = Strand { job_line: 7, strand_mm2: 0.0, first_layer: true };
const ABOVE: Strand = Strand { first_layer: false, ..ON_BED };

fn close(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() <= within, "{found} instead of {wanted}");
}

/// Own identity: over a bed that climbs evenly from -100 to +100 µm a nozzle at 200 µm squeezes by 1.5 to 0.5, evenly
/// spread, so a quarter of the area is too far, a half good and a quarter too close.
#[test]
fn a_ramp_is_shared_among_the_classes() {
    let mut deposit = deposit(extent(0.0, 200.0), extent(0.0, 4.0));
    for row in 0..10 {
        let y_mm = 0.2 + 0.4 * f64::from(row);
        deposit.lay(&ON_BED, &end(0.0, y_mm, -100.0, 200.0, 200.0), &end(200.0, y_mm, 100.0, 200.0, 200.0));
    }
    let found = deposit.finish();
    let area_mm2 = found.first_layer.area_mm2;
    close(area_mm2.total(), 800.0, 1e-6);
    for (class, wanted) in [(Class::TooClose, 0.25), (Class::Good, 0.5), (Class::TooFar, 0.25)] {
        close(area_mm2.share(class), wanted, 0.003);
    }
    let lines = found.first_layer.lines.unwrap();
    close(lines.mean, 1.0, 1e-6);
    close(lines.least, 0.5, 0.002);
    close(lines.most, 1.5, 0.002);
    // The mean square of a value spread evenly over ±0.5 is 1/12.
    close(lines.flow_as_in_job.rms, (1.0_f64 / 12.0).sqrt(), 1e-3);
    assert!(found.closest[0].x_mm > 199.0 && found.farthest[0].x_mm < 1.0, "{found:?}");
    assert!(found.closest.len() == 5 && found.closest[1].x_mm < 191.0, "{:?}", found.closest);
    assert_eq!((found.above.lines, found.above.area_mm2.total()), (None, 0.0));
    let map = &found.first_layer_map;
    let middle = map.squeeze[map.rows / 2 * map.columns + map.columns / 2];
    assert!((middle - 1.0).abs() < 0.01, "{middle}");
}

/// A second layer covers what the first got wrong: it is as thick as the nozzle rises, whatever the bed.
#[test]
fn a_layer_rests_on_what_lies_there() {
    let mut deposit = deposit(extent(0.0, 50.0), extent(0.0, 10.0));
    let mut line = |strand: &Strand, y_mm: f64, bed_um: f64, nozzle_um: f64, logical_um: f64| {
        let at = |x_mm: f64| end(x_mm, y_mm, bed_um, nozzle_um, logical_um);
        deposit.lay(strand, &at(10.0), &at(40.0));
    };
    line(&ON_BED, 5.0, 80.0, 200.0, 200.0);
    line(&ABOVE, 5.0, 80.0, 370.0, 400.0);
    // The same layer again, such as the overlap of a neighbour, rests on the same.
    line(&ABOVE, 5.0, 80.0, 370.0, 410.0);
    // Below what lies there: nothing fits, and the top stays where it was.
    line(&ABOVE, 5.0, 80.0, 300.0, 600.0);
    line(&ABOVE, 5.0, 80.0, 570.0, 800.0);
    // A bridge over the empty bed, and a layer over the gap between two lines.
    line(&ABOVE, 8.0, 0.0, 5000.0, 5000.0);
    line(&ABOVE, 2.0, 0.0, 400.0, 400.0);
    let found = deposit.finish();
    let line_mm2 = 30.0 * 0.4;
    close(found.first_layer.area_mm2.total(), line_mm2, 1e-9);
    close(found.first_layer.lines.unwrap().mean, 0.6, 1e-6);
    close(found.above.area_mm2.total(), 4.0 * line_mm2, 1e-9);
    close(found.above.area_mm2.get(Class::Contact), line_mm2, 1e-9);
    let above = found.above.lines.unwrap();
    close(above.most, 1.0, 1e-6);
    assert_eq!(above.least, 0.0);
    // 170 of 200, 170 of 210, 0 and 200 of 200.
    close(above.mean, (0.85 + 170.0 / 210.0 + 1.0) / 4.0, 1e-6);
    close(found.bridged_mm2, 2.0 * line_mm2, 1e-9);
}

/// A line is as wide as what is fed makes it, and its area does not depend on its direction: 100 mm fed with 4 mm of
/// 1.75 mm filament and laid 0.2 mm thick cover `4·π/4·1.75²/0.2` = 48.1 mm².
#[test]
fn area_is_width_times_length_in_every_direction() {
    let strand_mm2 = 4.0 * PI / 4.0 * 1.75 * 1.75 / 100.0;
    let wanted_mm2 = 100.0 * strand_mm2 / 0.2;
    close(wanted_mm2, 48.105, 1e-3);
    for step in 0..8 {
        let (sin, cos) = (PI / 15.0 * f64::from(step)).sin_cos();
        let mut deposit = deposit(extent(-120.0, 120.0), extent(-120.0, 120.0));
        let strand = Strand { strand_mm2, ..ON_BED };
        let at = |way_mm: f64| end(way_mm * cos, way_mm * sin, 0.0, 200.0, 200.0);
        deposit.lay(&strand, &at(-50.0), &at(50.0));
        let laid = deposit.finish().first_layer;
        close(laid.area_mm2.get(Class::Good), wanted_mm2, 1e-9);
        close(laid.lines.unwrap().width_mm, wanted_mm2 / 100.0, 1e-9);
    }
}

/// Flow compares what is fed with the room: 0.45 mm wide and 0.2 mm thick over 100 mm hold 9 mm³, 3.742 mm of filament.
#[test]
fn flow_reads_what_is_fed() {
    let rms = |fed_mm: f64, nozzle_um: f64| {
        let mut deposit = Deposit::new(extent(0.0, 120.0), extent(0.0, 10.0), 50.0, 0.45);
        let strand = Strand { strand_mm2: fed_mm * PI / 4.0 * 1.75 * 1.75 / 100.0, ..ON_BED };
        deposit.lay(&strand, &end(10.0, 5.0, 0.0, nozzle_um, 200.0), &end(110.0, 5.0, 0.0, nozzle_um, 200.0));
        let found = deposit.finish().first_layer;
        (found.lines.unwrap().flow_as_in_job.most, found.area_mm2)
    };
    let fits_mm = 9.0 / (PI / 4.0 * 1.75 * 1.75);
    close(rms(fits_mm, 200.0).0, 0.0, 1e-9);
    close(rms(1.1 * fits_mm, 200.0).0, 0.1, 1e-9);
    close(rms(fits_mm, 150.0).0, 0.25, 1e-9);
    close(rms(50.0, 200.0).0, 50.0 / fits_mm - 1.0, 1e-9);
    let (starved, area_mm2) = rms(0.001, 200.0);
    close(starved, 0.001 / fits_mm - 1.0, 1e-9);
    // A strand of 5 µm does not reach the bed.
    assert_eq!(area_mm2.share(Class::Loose), 1.0);
}

/// What is refused or beyond the plate is part of the whole and never good.
#[test]
fn refused_and_off_bed_area_is_counted() {
    let mut deposit = deposit(extent(0.0, 50.0), extent(0.0, 10.0));
    deposit.lay(&ON_BED, &end(40.0, 5.0, 0.0, 200.0, 200.0), &end(80.0, 5.0, 0.0, 200.0, 200.0));
    let refused = |x_mm: f64| End { nozzle_um: None, ..end(x_mm, 2.0, 0.0, 200.0, 200.0) };
    deposit.lay(&ON_BED, &refused(10.0), &refused(20.0));
    let area_mm2 = deposit.finish().first_layer.area_mm2;
    close(area_mm2.get(Class::Good), 4.0, 1e-9);
    close(area_mm2.get(Class::OffBed), 12.0, 1e-9);
    close(area_mm2.get(Class::Refused), 4.0, 1e-9);
    close(area_mm2.share(Class::Good), 0.2, 1e-9);
}

#[test]
fn memory_is_bounded_by_the_bed() {
    let bytes = |x_mm, y_mm| deposit(extent(0.0, x_mm), extent(0.0, y_mm)).cells.bytes();
    assert_eq!(bytes(230.0, 200.0), 575 * 500 * 24);
    for (x_mm, y_mm) in [(2000.0, 2000.0), (400.0, 400.0), (2000.0, 81.0)] {
        assert!(bytes(x_mm, y_mm) < 24_200_000, "{}", bytes(x_mm, y_mm));
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
    // 0.3 mm of filament over 10 mm fill 0.2 mm by this width.
    scenario.machine.line_width_mm = Some(Positive(0.3 * PI / 4.0 * 1.75 * 1.75 / 10.0 / 0.2));
    scenario.bed.forms = vec![Form::Bow { height_um: Bounded(400.0) }];
    scenario.correction.fade = Some(FadeSettings(gapkeeper::Fade::new(400, 2400).unwrap()));
    // A post near a corner, where the bed is lowest, 15 layers high; a feed move before the first that prints.
    let mut job = String::from("G1 X100 Y20 Z0.2 F1200\nG1 X25 Y25\nM83\n");
    for layer in 1..=15 {
        job += &format!("G1 Z{:.1}\nG1 X35 E0.3\nG1 X25 E0.3\n", 0.2 * f64::from(layer));
    }
    let settings = Settings::new(&scenario);
    let (outcome, squeezes) = replay_with_deposit("post", Cursor::new(job), &settings).unwrap();
    let [uncorrected, _, refined] = squeezes;
    // What was travel left nothing: a line of 10 mm on the bed, there and back, 14 above.
    let width_mm = scenario.machine.meant_width_mm();
    for squeeze in [&uncorrected, &refined] {
        close(squeeze.first_layer.area_mm2.total(), 20.0 * width_mm, 1e-3);
        close(squeeze.above.area_mm2.total(), 14.0 * squeeze.first_layer.area_mm2.total(), 1e-3);
    }
    let lines = |squeeze: &Squeeze| squeeze.above.lines.unwrap();
    close(lines(&uncorrected).flow_as_in_job.rms, 0.0, 1e-4);
    let machine = Machine::new(&settings).unwrap();
    let thickest = machine.flow(2, 25.2, 25.0, 2000.0);
    assert!(thickest > 1.05, "{thickest}");
    close(lines(&refined).most, thickest, 0.011);
    close(lines(&refined).least, 1.0, 0.011);
    // Heights are whole micrometres: 1 in 200.
    let scaled = lines(&refined).flow_scaled;
    assert!(scaled.most.abs().max(scaled.least.abs()) < 0.0101, "{scaled:?}");
    assert!(lines(&refined).flow_as_in_job.rms > 5.0 * scaled.rms, "{:?}", refined.above);
    let gap = outcome.runs[0].first_layer.errors.unwrap();
    close(uncorrected.first_layer.lines.unwrap().most, 1.0 + gap.max_um / 200.0, 0.005);
}

/// The demo's first layer is 200 µm, so what is good is what is within 50 µm: by area here, by length there.
#[test]
fn the_demo_is_judged_as_by_its_gap() {
    let scenario = demo::scenario().unwrap();
    let settings = Settings::new(&scenario);
    let (outcome, squeezes) = replay_with_deposit(demo::JOB_NAME, demo::job(), &settings).unwrap();
    for (run, squeeze) in outcome.runs.iter().zip(&squeezes) {
        close(squeeze.first_layer.area_mm2.share(Class::Good), run.first_layer.good(), 0.01);
    }
}

/// Two layers over gaps: lines 1.2 mm apart, all too close, and a second layer across them. The second does not lie on
/// the bed between them, so it dilutes nothing.
#[test]
fn a_second_layer_over_gaps_is_no_first_layer() {
    let mut scenario: Scenario = demo::scenario().unwrap();
    scenario.bed.forms.clear();
    scenario.bed.screws.iter_mut().for_each(|screw| screw.height_um = Bounded(60.0));
    let mut job = String::from("M83\n");
    for line in 0..40 {
        let at_mm = 60.0 + 1.2 * f64::from(line);
        job += &format!("G0 X60 Y{at_mm} Z0.2\nG1 X108 E1.6 F1200\n");
    }
    for line in 0..40 {
        let at_mm = 60.0 + 1.2 * f64::from(line);
        job += &format!("G0 X{at_mm} Y60 Z0.4\nG1 Y106.8 E1.6\n");
    }
    let (outcome, squeezes) = replay_with_deposit("gaps", Cursor::new(job), &Settings::new(&scenario)).unwrap();
    let uncorrected = outcome.runs[0].first_layer;
    close(uncorrected.length_mm.share(Class::TooClose), 1.0, 1e-9);
    close(uncorrected.length_mm.total(), 40.0 * 48.0, 1.0);
    close(squeezes[0].first_layer.area_mm2.share(Class::TooClose), 1.0, 1e-9);
    assert!(squeezes[0].bridged_mm2 > 0.0);
}
