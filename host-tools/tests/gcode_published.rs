//! Whole published programs. They are not copied into the project: where their folder is absent, these tests say so
//! and check nothing.
//!
//! Sources: NISTIR 6556, Appendix C.1 and Tables 12 and 13; NIST Smart Manufacturing Systems Test Bed, technical data
//! packages.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;
use std::path::Path;

use gapkeeper_host_tools::gcode::{Action, GcodeErrorKind, Interpreter, Position, Reader};

fn program(name: &str) -> Option<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data/gcode");
    if !folder.exists() {
        eprintln!("skipped: {name} is not here");
        return None;
    }
    Some(fs::read(folder.join(name)).unwrap())
}

#[derive(Debug, Default, PartialEq)]
struct Totals {
    rapid: usize,
    linear: usize,
    clockwise: usize,
    counterclockwise: usize,
    rapid_mm: f64,
    linear_mm: f64,
    least_um: [i32; 3],
    most_um: [i32; 3],
}

fn length_mm(start: Position, end: Position) -> f64 {
    let step = |from: i64, to: i64| (to - from) as f64 / 1e6;
    let [x, y, z] = [step(start.x_nm, end.x_nm), step(start.y_nm, end.y_nm), step(start.z_nm, end.z_nm)];
    (x * x + y * y + z * z).sqrt()
}

/// Totals of a program, and what is wrong with its lines.
fn totals(name: &str, job: &[u8]) -> (Totals, Vec<Wrong>) {
    let mut reader = Reader::new(name, job);
    let mut interpreter = Interpreter::new();
    let mut totals = Totals::default();
    let mut wrong = Vec::new();
    loop {
        let action = match reader.next_line() {
            Ok(None) => return (totals, wrong),
            Ok(Some(line)) => interpreter.execute(&line),
            Err(error) => Err(error),
        };
        match action {
            Ok(Action::Straight(straight)) if straight.rapid => {
                totals.rapid += 1;
                totals.rapid_mm += length_mm(straight.start, straight.end);
            }
            Ok(Action::Straight(straight)) => {
                totals.linear += 1;
                totals.linear_mm += length_mm(straight.start, straight.end);
            }
            Ok(Action::Arc(arc)) if arc.clockwise => totals.clockwise += 1,
            Ok(Action::Arc(_)) => totals.counterclockwise += 1,
            Ok(_) => {}
            Err(error) => wrong.push(Wrong::of(error.kind())),
        }
        let position_um = interpreter.position().to_um().unwrap();
        for (axis, um) in position_um.into_iter().enumerate() {
            totals.least_um[axis] = totals.least_um[axis].min(um);
            totals.most_um[axis] = totals.most_um[axis].max(um);
        }
    }
}

/// The kinds that real milling programs meet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wrong {
    Parameter,
    CannedCycle,
    /// `G0 G80` on one line, which the standard refuses and many controls take.
    SameGroup,
    /// The lines behind a refused cycle.
    NoMotionMode,
    /// A percent sign at the end alone.
    UnclosedFile,
    Arc,
    Other,
}

impl Wrong {
    fn of(kind: &GcodeErrorKind) -> Self {
        match kind {
            GcodeErrorKind::Parameter => Self::Parameter,
            GcodeErrorKind::CannedCycle(_) => Self::CannedCycle,
            GcodeErrorKind::SameGroup { .. } => Self::SameGroup,
            GcodeErrorKind::NoMotionMode | GcodeErrorKind::MachineCoordinates => Self::NoMotionMode,
            GcodeErrorKind::UnclosedFile => Self::UnclosedFile,
            GcodeErrorKind::ArcRadiiDiffer { .. } | GcodeErrorKind::ArcRadiusTooSmall { .. } => Self::Arc,
            _ => Self::Other,
        }
    }
}

fn check(name: &str, counts: [usize; 4], lengths_mm: [f64; 2]) -> Option<Totals> {
    let job = program(name)?;
    let (totals, wrong) = totals(name, &job);
    assert_eq!(wrong, []);
    let found = [totals.rapid, totals.linear, totals.clockwise, totals.counterclockwise];
    assert_eq!(found, counts, "{name}");
    assert!((totals.rapid_mm - lengths_mm[0]).abs() < 1e-6, "{name}: {}", totals.rapid_mm);
    assert!((totals.linear_mm - lengths_mm[1]).abs() < 1e-6, "{name}: {}", totals.linear_mm);
    Some(totals)
}

/// Row G-23 and the table of program totals: NISTIR 6556, Appendix C.1. No arc leaves the box of the ends.
#[test]
fn g23_hello_world() {
    let found = check("nist_ir_6556/c1_hello_world.ngc", [25, 29, 4, 1], [252.052_801, 126.978_534]);
    if let Some(totals) = found {
        assert_eq!((totals.least_um, totals.most_um), ([0, 0, -500], [81_000, 10_000, 50_000]));
    }
}

/// Table of program totals: NISTIR 6556, Tables 12 and 13.
#[test]
fn programs_with_radius_compensation() {
    check("nist_ir_6556/table12_comp_entry.ngc", [0, 5, 4, 1], [0.0, 18.099_02]);
    check("nist_ir_6556/table13_comp_nominal.ngc", [0, 5, 4, 1], [0.0, 18.220_153]);
}

/// Remark under the table of program totals: counts of G1, and no arc to be refused, though many exceed 0.002 mm.
#[test]
fn g13_real_programs_in_inches_keep_all_their_arcs() {
    for (name, linear) in [
        ("827-9999-904_FIXT.NC", 101),
        ("827-9999-904_OP1.NC", 546),
        ("CRADA_BOX_OP2_Front.NC", 1124),
        ("CRADA_BOX_OP4_Engraving.NC", 5094),
    ] {
        let Some(job) = program(&format!("nist_sms_test_bed/{name}")) else { return };
        let (totals, wrong) = totals(name, &job);
        let unexpected = [Wrong::Arc, Wrong::Other];
        assert!(!wrong.iter().any(|wrong| unexpected.contains(wrong)), "{name}: {wrong:?}");
        assert_eq!(totals.linear, linear, "{name}");
    }
}
