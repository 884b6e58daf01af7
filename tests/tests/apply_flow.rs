//! `E` that follows the layers really laid, against the same sums in double precision.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::io::Read;

use gapkeeper::{Correction, Fade, HeightGrid, Lattice, MAX_NODES};
use gapkeeper_host_tools::apply::{ApplyReport, Settings, apply};
use gapkeeper_host_tools::gcode::{Action, ArcMotion, ArcShape, Interpreter, Position, Reader};
use gapkeeper_sim::demo;

const FULL_BELOW_MM: f64 = 0.4;
const ZERO_ABOVE_MM: f64 = 8.4;
/// 5 × 4 nodes, 50 mm and 60 mm apart, the first at (10, 5).
const NODES_UM: [i16; 20] =
    [-120, 40, 210, 60, -80, 0, 150, 260, 190, 30, 20, 110, 240, 150, -20, -170, 30, 120, 0, -240];

fn correction() -> Correction<MAX_NODES> {
    let lattice = Lattice { x0_um: 10_000, y0_um: 5_000, pitch_x_um: 50_000, pitch_y_um: 60_000, columns: 5, rows: 4 };
    let fade = Fade::new((FULL_BELOW_MM * 1e3) as i32, (ZERO_ABOVE_MM * 1e3) as i32).unwrap();
    Correction::new(HeightGrid::new(lattice, &NODES_UM).unwrap()).with_fade(fade).unwrap()
}

fn applied(job: &[u8], scale_flow: bool) -> (Vec<u8>, ApplyReport) {
    let mut output = Vec::new();
    let correction = correction();
    let settings = Settings { scale_flow, ..Settings::new(&correction) };
    let report = apply("job", job, &mut output, &settings).unwrap_or_else(|error| panic!("{error}"));
    (output, report)
}

/// The layer's change of thickness, from the nodes and the fade's own definition.
fn factor(x_mm: f64, y_mm: f64, z_mm: f64) -> f64 {
    if z_mm <= FULL_BELOW_MM || z_mm > ZERO_ABOVE_MM {
        return 1.0;
    }
    let (u, v) = (((x_mm - 10.0) / 50.0).clamp(0.0, 4.0), ((y_mm - 5.0) / 60.0).clamp(0.0, 3.0));
    let (column, row) = (u.floor().min(3.0), v.floor().min(2.0));
    let node = |right: usize, back: usize| f64::from(NODES_UM[(row as usize + back) * 5 + column as usize + right]);
    let (u, v) = (u - column, v - row);
    let height_um =
        (node(0, 0) * (1.0 - u) + node(1, 0) * u) * (1.0 - v) + (node(0, 1) * (1.0 - u) + node(1, 1) * u) * v;
    // The mean of the nodes, to the micrometre, as the core has it (own definition).
    let mean_um = (NODES_UM.iter().map(|&node| f64::from(node)).sum::<f64>() / 20.0).round();
    1.0 - (height_um - mean_um) / 1000.0 / (ZERO_ABOVE_MM - FULL_BELOW_MM)
}

/// Mean factor along a way, by the midpoint rule in many steps.
fn mean_factor(way: impl Fn(f64) -> [f64; 3]) -> f64 {
    const STEPS: u32 = 2000;
    let at = |step: u32| {
        let [x_mm, y_mm, z_mm] = way((f64::from(step) + 0.5) / f64::from(STEPS));
        factor(x_mm, y_mm, z_mm)
    };
    (0..STEPS).map(at).sum::<f64>() / f64::from(STEPS)
}

fn mm(position: Position) -> [f64; 3] {
    [position.x_nm, position.y_nm, position.z_nm].map(|nm| nm as f64 / 1e6)
}

/// An arc of the XY plane about a centre.
fn arc_way(arc: &ArcMotion) -> impl Fn(f64) -> [f64; 3] {
    let (start, end) = (mm(arc.start), mm(arc.end));
    let centre = match arc.shape {
        ArcShape::Centre { first_nm, second_nm } => {
            [start[0] + first_nm as f64 / 1e6, start[1] + second_nm as f64 / 1e6]
        }
        ArcShape::Radius { radius_nm } => {
            let (dx, dy) = (end[0] - start[0], end[1] - start[1]);
            let chord = dx.hypot(dy);
            let height = ((radius_nm as f64 / 1e6).powi(2) - chord * chord / 4.0).max(0.0).sqrt() / chord;
            // On the right of the way for a clockwise arc of up to half a turn.
            let side = if arc.clockwise == (radius_nm > 0) { height } else { -height };
            [(start[0] + end[0]) / 2.0 + side * dy, (start[1] + end[1]) / 2.0 - side * dx]
        }
    };
    let angle = move |point: [f64; 3]| (point[1] - centre[1]).atan2(point[0] - centre[0]);
    let turn = (angle(end) - angle(start)).rem_euclid(std::f64::consts::TAU);
    let turn = if arc.clockwise { turn - std::f64::consts::TAU } else { turn };
    let radius = (start[0] - centre[0]).hypot(start[1] - centre[1]);
    move |part| {
        let angle = angle(start) + turn * part;
        [centre[0] + radius * angle.cos(), centre[1] + radius * angle.sin(), start[2] + (end[2] - start[2]) * part]
    }
}

/// `E` in mm behind every line that changes it: as the job has it times the factor where it prints.
fn expected(job: &[u8]) -> Vec<f64> {
    let (mut reader, mut interpreter, mut e_mm, mut ends) = (Reader::new("job", job), Interpreter::new(), 0.0, vec![]);
    while let Some(line) = reader.next_line().unwrap() {
        let (extruded_nm, factor) = match interpreter.execute(&line).unwrap() {
            Action::Straight(straight) => {
                let (from, to) = (mm(straight.start), mm(straight.end));
                let travels = from[..2] != to[..2];
                let way = |part: f64| [0, 1, 2].map(|axis| from[axis] + (to[axis] - from[axis]) * part);
                let prints = straight.extruded_nm > 0 && travels;
                (straight.extruded_nm, if prints { mean_factor(way) } else { 1.0 })
            }
            Action::Arc(arc) => (arc.extruded_nm, if arc.extruded_nm > 0 { mean_factor(arc_way(&arc)) } else { 1.0 }),
            _ => continue,
        };
        if extruded_nm != 0 {
            e_mm += extruded_nm as f64 / 1e6 * factor;
            ends.push(e_mm);
        }
    }
    ends
}

/// `E` in mm wherever the corrected job has taken it.
fn found(output: &[u8]) -> Vec<f64> {
    let (mut reader, mut interpreter, mut ends) = (Reader::new("job", output), Interpreter::new(), vec![]);
    while let Some(line) = reader.next_line().unwrap() {
        interpreter.execute(&line).unwrap();
        ends.push(interpreter.extruded_nm() as f64 / 1e6);
    }
    ends
}

/// Every `E` that should be reached is, in order, within `rounding_mm` and half a 65536th of what is printed.
fn check(job: &str, rounding_mm: f64) -> (String, ApplyReport) {
    let (output, report) = applied(job.as_bytes(), true);
    let within_mm = rounding_mm + report.printed_e_nm as f64 / 1e6 / 131_072.0;
    let (expected, found) = (expected(job.as_bytes()), found(&output));
    let mut reached = found.iter();
    for (index, e_mm) in expected.iter().enumerate() {
        assert!(
            reached.any(|found| (found - e_mm).abs() <= within_mm),
            "line {index} should end at E {e_mm}: {found:?}"
        );
    }
    assert!((found.last().unwrap() - expected.last().unwrap()).abs() <= within_mm, "{found:?}");
    let (_, plain) = applied(job.as_bytes(), false);
    let job_e_mm = self::found(job.as_bytes()).last().copied().unwrap();
    assert!((job_e_mm + report.e_change_nm as f64 / 1e6 - expected.last().unwrap()).abs() <= within_mm);
    assert_eq!((plain.printed_e_nm, plain.e_change_nm, plain.pieces), (0, 0, report.pieces));
    (String::from_utf8(output).unwrap(), report)
}

#[test]
fn every_mode_gives_the_sums_of_double_precision() {
    // Below, in and above the fade; travel, an arc, a climb from below the fade to above it, drawing back.
    let moves = "G1 X40 Y30 Z0.2 F1200\nG1 X180 Y150 E7.34567\nG1 E6.5\nG0 Z3 X20\nG1 E7.34567\nG1 X200 Y20 E9.5\n\
                 G3 X120 Y20 I-40 J0 E12.5\nG1 X60 Y160 Z9 E15\nG1 Z0.3 X20 Y20 E17.25\nG1 Z5 E18\nG1 X90 Y90 E18\n\
                 G92 E0\nG1 X150 Y20 E3.1\nG1 E2.1\nM83\nG1 E1\nG1 X20 Y150 E2.5\nM82\nG1 X200 E8.7\nG92 X5 E1.5\n\
                 G1 X-30 Y40 E2.75\nG1 E1.75\n";
    let (text, report) = check(&format!("G21 G90 M82\nG28\n{moves}"), 1e-5);
    // Where nothing has changed yet, the job's own digits stand.
    assert!(text.contains(" E7.34567\nG1 E6.5\n") && text.contains("\nG92 E0\n") && text.contains("\nG92 X5 E1.5\n"));
    assert!(report.e_change_nm.abs() > 100_000 && report.printed_e_nm > 20_000_000, "{report:?}");

    // One line at a time, 400 of them: nothing may drift.
    let steps = "G1 X0.433 Y0.311 E0.01234\nG1 E-0.5\nG1 E0.5\n".repeat(400);
    let (text, _) = check(&format!("M83\nG28\nG1 X20 Y20 Z5.2 F900\nG91\n{steps}"), 1e-5);
    assert_eq!((text.matches("\nG1 E-0.5\n").count(), text.matches("\nG1 E0.5\n").count()), (400, 400));

    // A spiral climbs all the way.
    let spiral: String = (1..300)
        .map(|turn| {
            let (x, y) = (40 + turn % 4 / 2 * 140, 40 + (turn + 1) % 4 / 2 * 100);
            format!("G1 X{x} Y{y} Z{:.3} E{:.4}\n", f64::from(turn) * 0.03, f64::from(turn) * 2.9)
        })
        .collect();
    check(&format!("G90 M82\nG28\nG1 X40 Y40 Z0 F1500\n{spiral}"), 1e-5);

    // Inches: the fifth decimal is 254 nm.
    let inches =
        "G20 G90 M82\nG28\nG1 X1.5 Y1.25 Z0.1 F60\nX7 Y5.5 E0.12345\nG1 E0.1\nG1 E0.12345\nX2 E0.3\nM83\nX3 E0.1\n";
    check(inches, 2e-4);
}

/// A piece holds 2.147 m, and scaling may double what it holds.
#[test]
fn more_than_a_metre_on_one_line_is_not_scaled() {
    let refused = |job: &str| {
        let correction = correction();
        let settings = Settings { scale_flow: true, ..Settings::new(&correction) };
        apply("job", job.as_bytes(), std::io::sink(), &settings).unwrap_err().to_string()
    };
    let (output, _) = applied(b"M83\nG28\nG0 X0 Y0 Z0\nG1 X100 Y60 Z3 E1073.7\n", true);
    assert!(output.len() > 50);
    let message = refused("M83\nG28\nG0 X0 Y0 Z0\nG1 X100 Y60 Z3 E1073.8\n");
    assert!(message.starts_with("job:4:1: E moves by more than 1.1 m on one line"), "{message}");
}

/// Only forward motion of `E` over the bed lays anything: all else keeps its length.
#[test]
fn what_lays_no_layer_keeps_its_length() {
    let job = "G90 M82\nG28\nG1 X20 Y20 Z5 F1200\nG1 E2\nG1 X100 E2\nG1 X110 E1.5\nG1 Z6 E2.5\nG1 E-3\n";
    let (output, report) = applied(job.as_bytes(), true);
    assert_eq!((report.printed_e_nm, report.e_change_nm), (0, 0));
    assert_eq!(output, applied(job.as_bytes(), false).0);
    // Behind a change the absolute places move on, and the lengths stay.
    let job = "G90 M82\nG28\nG1 X20 Y5 Z5 F1200\nG1 X110 E10\nG1 E9.2\nG1 E10 F2100 ; on\nG1 Y6 E9\nG92 E0\nG1 E-0.8\n";
    let (output, report) = applied(job.as_bytes(), true);
    let change_nm = (report.e_change_nm + 5).div_euclid(10) * 10;
    let shown = |e_nm: i64| format!("{:.5}", (e_nm + change_nm) as f64 / 1e6).trim_end_matches('0').to_owned();
    let text = String::from_utf8(output).unwrap();
    let ends = [shown(10_000_000), shown(9_200_000), shown(10_000_000), shown(9_000_000)];
    let [first, back, on, last] = ends;
    assert!(text.contains(&format!(" E{first}\nG1 E{back}\nG1 E{on} F2100 ; on\nG1 Y6 ")), "{text}");
    assert!(text.ends_with(&format!(" E{last}\nG92 E0\nG1 E-0.8\n")), "{text}");
}

#[test]
fn outside_the_fade_and_without_the_wish_nothing_changes() {
    let job = "G28\nG1 X20 Y20 Z0.4 F1200\nG1 X200 Y150 E9.876543\nG0 Z8.401\nG1 X30 E15\n";
    assert_eq!(applied(job.as_bytes(), true).0, applied(job.as_bytes(), false).0);
}

#[test]
fn the_demo_job_changes_by_the_sum_of_its_layers() {
    let mut job = Vec::new();
    demo::job().read_to_end(&mut job).unwrap();
    let (output, report) = applied(&job, true);
    let expected: Vec<f64> = expected(&job);
    let (last, found) = (*expected.last().unwrap(), *found(&output).last().unwrap());
    println!("{report:?}: E {found} mm, {last} by double precision");
    assert!((found - last).abs() < 1e-5 + report.printed_e_nm as f64 / 1e6 / 131_072.0, "{found} {last}");
    assert!(report.e_change_nm.abs() > 1_000_000, "{report:?}");
}
