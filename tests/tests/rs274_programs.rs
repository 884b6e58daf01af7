//! Whole programs: those of NISTIR 6556 and real milling programs of a NIST test bed.
//!
//! They lie in `../shared/data/gcode` beside a checkout and are not copied into the project. Where the folder is
//! missing the tests say so and pass.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

use gapkeeper_host_tools::gcode::{Action, ArcShape, GcodeErrorKind, Interpreter, Plane, Position, Reader};
use gapkeeper_sim::replay::{Settings, replay};
use gapkeeper_sim::{demo, scenario::Scenario};

fn program(name: &str) -> Option<Vec<u8>> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../shared/data/gcode").join(name);
    let bytes = fs::read(&path).ok();
    if bytes.is_none() {
        println!("SKIPPED: {name}: the folder ../shared/data/gcode is not beside this checkout");
    }
    bytes
}

/// What a program comes to, in mm.
#[derive(Debug, Default)]
struct Totals {
    rapids: u32,
    straights: u32,
    clockwise: u32,
    anticlockwise: u32,
    rapid_mm: f64,
    straight_mm: f64,
    arc_mm: f64,
    /// Lowest and highest end of a move along each axis, the start at zero included.
    reach_mm: [[f64; 2]; 3],
    refused: BTreeMap<String, u32>,
}

fn mm(position: Position) -> [f64; 3] {
    [position.x_nm, position.y_nm, position.z_nm].map(|nm| nm as f64 / 1e6)
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|axis| (a[axis] - b[axis]).powi(2)).sum::<f64>().sqrt()
}

/// Length of an arc in the XY plane, in double precision.
fn arc_length_mm(start: [f64; 3], end: [f64; 3], shape: ArcShape, clockwise: bool) -> f64 {
    let centre = match shape {
        ArcShape::Centre { first_nm, second_nm } => {
            [start[0] + first_nm as f64 / 1e6, start[1] + second_nm as f64 / 1e6]
        }
        ArcShape::Radius { radius_nm } => {
            let radius = radius_nm as f64 / 1e6;
            let (dx, dy) = (end[0] - start[0], end[1] - start[1]);
            let chord = dx.hypot(dy);
            let height = (radius * radius - chord * chord / 4.0).max(0.0).sqrt();
            let side = if clockwise == (radius > 0.0) { 1.0 } else { -1.0 };
            [
                (start[0] + end[0]) / 2.0 + side * dy / chord * height,
                (start[1] + end[1]) / 2.0 - side * dx / chord * height,
            ]
        }
    };
    let angle = |point: [f64; 3]| (point[1] - centre[1]).atan2(point[0] - centre[0]);
    let turned = if clockwise { angle(start) - angle(end) } else { angle(end) - angle(start) };
    let sweep = match turned.rem_euclid(std::f64::consts::TAU) {
        turn if turn < 1e-9 => std::f64::consts::TAU,
        turn => turn,
    };
    let radius = (start[0] - centre[0]).hypot(start[1] - centre[1]);
    (radius * sweep).hypot(end[2] - start[2])
}

fn totals(name: &str, program: &[u8]) -> Totals {
    let mut totals = Totals::default();
    let mut reader = Reader::new(name, program);
    let mut interpreter = Interpreter::new();
    loop {
        let action = match reader.next_line() {
            Ok(None) => break,
            Ok(Some(line)) => interpreter.execute(&line),
            Err(error) => Err(error),
        };
        let end = match action {
            Ok(Action::Straight(straight)) => {
                let (start, end) = (mm(straight.start), mm(straight.end));
                if straight.rapid {
                    totals.rapids += 1;
                    totals.rapid_mm += distance(start, end);
                } else {
                    totals.straights += 1;
                    totals.straight_mm += distance(start, end);
                }
                end
            }
            Ok(Action::Arc(arc)) => {
                assert_eq!(arc.plane, Plane::Xy);
                *if arc.clockwise { &mut totals.clockwise } else { &mut totals.anticlockwise } += 1;
                totals.arc_mm += arc_length_mm(mm(arc.start), mm(arc.end), arc.shape, arc.clockwise);
                mm(arc.end)
            }
            Ok(_) => continue,
            Err(error) => {
                assert!(error.is_bad_line(), "{error}");
                *totals
                    .refused
                    .entry(format!("{:?}", error.kind()).split([' ', '(', '{']).next().unwrap().to_string())
                    .or_default() += 1;
                continue;
            }
        };
        for (reach, coordinate) in totals.reach_mm.iter_mut().zip(end) {
            *reach = [reach[0].min(coordinate), reach[1].max(coordinate)];
        }
    }
    totals
}

fn near(found: f64, expected: f64) -> bool {
    (found - expected).abs() < 2e-6
}

/// Row G-23 and the table of program totals: Appendix C.1 of NISTIR 6556.
#[test]
fn hello_world_comes_to_the_published_totals() {
    let Some(bytes) = program("nist_ir_6556/c1_hello_world.ngc") else { return };
    let totals = totals("c1", &bytes);
    assert_eq!((totals.rapids, totals.straights, totals.clockwise, totals.anticlockwise), (25, 29, 4, 1));
    assert!(near(totals.rapid_mm, 252.052801), "{totals:?}");
    assert!(near(totals.straight_mm, 126.978534), "{totals:?}");
    assert!(near(totals.arc_mm, 56.451933), "{totals:?}");
    assert_eq!(totals.reach_mm, [[0.0, 81.0], [0.0, 10.0], [-0.5, 50.0]]);
    assert!(totals.refused.is_empty());
}

/// Tables 12 and 13 of NISTIR 6556; compensation is passed through, so the programmed contour counts.
#[test]
fn compensation_examples_come_to_the_published_totals() {
    for (name, straight_mm, arc_mm) in [
        ("nist_ir_6556/table12_comp_entry.ngc", 18.09902, 7.853982),
        ("nist_ir_6556/table13_comp_nominal.ngc", 18.220153, 10.210176),
    ] {
        let Some(bytes) = program(name) else { return };
        let totals = totals(name, &bytes);
        assert_eq!((totals.rapids, totals.straights, totals.clockwise, totals.anticlockwise), (0, 5, 4, 1));
        assert!(near(totals.straight_mm, straight_mm) && near(totals.arc_mm, arc_mm), "{totals:?}");
    }
}

/// Rows G-5, G-17 and G-22 ask for expressions and canned cycles, which this project refuses by name.
#[test]
fn expressions_and_cycles_are_refused_by_name() {
    for name in ["nist_ir_6556/c2_expressions.ngc", "nist_ir_6556/c3_canned_cycles.ngc"] {
        let Some(bytes) = program(name) else { return };
        let totals = totals(name, &bytes);
        let known = ["Expression", "Parameter", "CannedCycle", "NoMotionMode"];
        assert!(totals.refused.keys().all(|kind| known.contains(&kind.as_str())), "{totals:?}");
        assert!(totals.refused.values().sum::<u32>() > 30, "{totals:?}");
    }
    let mut reader = Reader::new("cycle", &b"g81 x3 y4 r0.2 z-1.1\n"[..]);
    let error = Interpreter::new().execute(&reader.next_line().unwrap().unwrap()).unwrap_err();
    assert!(error.to_string().contains("G81"), "{error}");
    let mut reader = Reader::new("expression", &b"x [1 + 2]\n"[..]);
    let error = reader.next_line().unwrap_err();
    assert!(matches!(error.kind(), GcodeErrorKind::Expression), "{error}");
}

/// Real programs in inches, most of them over the limit of row G-13 if that were applied after converting to mm. The
/// counts of G1 moves are those of the table in the project's list of sources.
#[test]
fn real_milling_programs_are_read_whole() {
    for (name, g1_moves) in [
        ("nist_sms_test_bed/827-9999-904_FIXT.NC", 101),
        ("nist_sms_test_bed/827-9999-904_OP1.NC", 546),
        ("nist_sms_test_bed/CRADA_BOX_OP2_Front.NC", 1124),
        ("nist_sms_test_bed/CRADA_BOX_OP4_Engraving.NC", 5094),
    ] {
        let Some(bytes) = program(name) else { return };
        let totals = totals(name, &bytes);
        println!("{name}: {totals:?}");
        assert_eq!(totals.straights, g1_moves, "{name}: {totals:?}");
        // What real controls take and the standard or this project does not; no arc is among it.
        let known = ["Parameter", "CannedCycle", "SameGroup", "NoMotionMode", "MachineCoordinates", "UnclosedFile"];
        assert!(totals.refused.keys().all(|kind| known.contains(&kind.as_str())), "{totals:?}");
    }
}

/// Every program that reads whole is replayed over the demo's bed.
#[test]
fn programs_are_replayed() {
    // These programs cut below zero, which the demo's limit switch would not allow.
    let text = demo::SCENARIO_TEXT
        .replace("limit_switch_trips_at_mm = -0.45", "limit_switch_trips_at_mm = -40")
        .replace("travel_z_mm = [-2, 180]", "travel_z_mm = [-40, 180]");
    let scenario = Scenario::parse(&text, "deep", PathBuf::new()).unwrap();
    for name in [
        "nist_ir_6556/c1_hello_world.ngc",
        "nist_ir_6556/table12_comp_entry.ngc",
        "nist_sms_test_bed/827-9999-904_FIXT.NC",
        "nist_sms_test_bed/827-9999-904_OP1.NC",
        "nist_sms_test_bed/CRADA_BOX_OP2_Front.NC",
        "nist_sms_test_bed/CRADA_BOX_OP4_Engraving.NC",
    ] {
        let Some(bytes) = program(name) else { return };
        let settings = Settings { keep_going: true, ..Settings::new(&scenario) };
        let outcome = replay(name, std::io::Cursor::new(&bytes), &settings).unwrap();
        let refined = &outcome.runs[2];
        println!("{name}: {:?} {:?}", outcome.counts, outcome.warnings);
        assert!(outcome.counts.printing_moves > 5 && refined.pieces >= outcome.counts.moves);
        assert_eq!(refined.refused_moves, 0);
    }
}
