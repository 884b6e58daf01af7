//! Whole programs: those of NISTIR 6556 and real milling programs of a NIST test bed.
//!
//! They are not part of the project. The tests look for them in the folder that `GAPKEEPER_PROGRAMS` names, and skip with
//! a message where it does not.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeMap;
use std::path::PathBuf;

use gapkeeper_host_tools::gcode::{Action, ArcShape, Interpreter, Plane, Position, Reader};
use gapkeeper_sim::replay::{Settings, replay};
use gapkeeper_sim::{demo, scenario::Scenario};
use gapkeeper_tests::programs::program;

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
    let mut interpreter = Interpreter::new().lenient();
    // The tables of the report are parts of programs that have a feed.
    interpreter.execute(&Reader::new("feed", &b"F20"[..]).next_line().unwrap().unwrap()).unwrap();
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

/// Row G-22: Appendix C.2 of NISTIR 6556 has the wanted X of each line in a comment; line n0460 has none, and its value
/// was computed elsewhere.
#[test]
fn expressions_come_to_the_published_values() {
    let Some(bytes) = program("nist_ir_6556/c2_expressions.ngc") else { return };
    let (mut reader, mut interpreter) = (Reader::new("c2", bytes.as_slice()), Interpreter::new());
    let mut compared = 0;
    while let Some(line) = reader.next_line().unwrap() {
        interpreter.execute(&line).unwrap();
        let text = String::from_utf8_lossy(line.raw()).into_owned();
        let after = |words: &str| {
            let rest = text.split(words).nth(1)?;
            let number = rest.split([')', ',']).next()?;
            number.trim().parse::<f64>().ok()
        };
        let wanted = if text.starts_with("n0460") { Some(2.000545077939) } else { after("x should be") };
        let Some(wanted) = wanted else { continue };
        let found = interpreter.position().x_nm as f64 / 1e6;
        // Printed with four decimals, and from functions of rounded numbers.
        assert!((found - wanted).abs() < 1e-4 * wanted.abs().max(1.0), "{text}: {found}");
        compared += 1;
    }
    assert_eq!(compared, 45);
    assert!(interpreter.has_ended());
}

/// Rows G-17 and G-18 are in the table of small programs; Appendix C.3 of NISTIR 6556 is read whole.
#[test]
fn all_canned_cycles_are_read() {
    let Some(bytes) = program("nist_ir_6556/c3_canned_cycles.ngc") else { return };
    let (mut reader, mut interpreter) = (Reader::new("c3", bytes.as_slice()), Interpreter::new());
    let mut cycles: BTreeMap<u8, u32> = BTreeMap::new();
    while let Some(line) = reader.next_line().unwrap() {
        if let Action::Cycle(cycle) = interpreter.execute(&line).unwrap() {
            let moves: Vec<_> = cycle.moves().collect();
            assert!(moves.len() >= 3 && moves.last().unwrap().end == cycle.end(), "{cycle:?}");
            assert_eq!(interpreter.position(), cycle.end());
            *cycles.entry(cycle.code).or_default() += 1;
        }
    }
    let expected = [(81, 7), (82, 7), (83, 3), (84, 3), (85, 3), (86, 4), (87, 7), (88, 4), (89, 3)];
    assert_eq!(cycles.into_iter().collect::<Vec<_>>(), expected);
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
        assert!(totals.refused.is_empty(), "{totals:?}");
    }
}

/// All programs are replayed over the demo's bed, none of their lines left out.
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
        let settings = Settings { lenient: true, ..Settings::new(&scenario) };
        let bytes = if name.contains("table12") { [b"F20\n", bytes.as_slice()].concat() } else { bytes };
        let outcome = replay(name, std::io::Cursor::new(&bytes), &settings).unwrap();
        let refined = &outcome.runs[2];
        println!("{name}: {:?} {:?}", outcome.counts, outcome.warnings);
        assert!(outcome.counts.printing_moves > 5 && refined.pieces >= outcome.counts.moves);
        assert_eq!(refined.refused_moves, 0);
    }
}
