//! Applying a grid to a job: what comes out, read back, takes the nozzle exactly where the core would.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::io::Read;
use std::num::NonZero;

use gapkeeper::{Correction, Fade, MAX_NODES, Move};
use gapkeeper_host_tools::apply::{ApplyReport, Settings, apply};
use gapkeeper_host_tools::gcode::{Action, Axes, Interpreter, Reader, moves};
use gapkeeper_sim::{bed::ModelledBed, demo};

fn correction() -> Correction<MAX_NODES> {
    let scenario = demo::scenario().unwrap();
    let bed = ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let readings = bed.read_off::<MAX_NODES>(scenario.stations()).unwrap();
    Correction::new(readings.densest().unwrap()).with_fade(Fade::new(400, 8000).unwrap()).unwrap()
}

fn applied(job: &[u8]) -> (Vec<u8>, ApplyReport) {
    let mut output = Vec::new();
    let correction = correction();
    let settings = Settings::new(&correction);
    let report = apply("job", job, &mut output, &settings).unwrap_or_else(|error| panic!("{error}"));
    (output, report)
}

/// Several times more lines than are under way at once, in every mode, with homing, a new zero and an arc now and then.
#[test]
fn as_many_cores_as_there_are_write_the_same() {
    let mut job = "\n\n(tray)\nG21 M83 G28\nG1 F3000\n".to_owned();
    for index in 0..20_000_u32 {
        let (x, y) = (20 + index * 7 % 190, 20 + index * 11 % 160);
        let line = match index % 1009 {
            100 => "G91".to_owned(),
            600 => "G90 G1 X100 Y100 Z0.4".to_owned(),
            700 => "G28 X".to_owned(),
            701 => "G92 Z1.5".to_owned(),
            900 => "G92.1 ; words that nobody follows\nG28\nG92 X0 Y0 Z0".to_owned(),
            950 => "G20\nG1 X3.5 Y2.25\nG21".to_owned(),
            980 => "G3 X60.5 Y60.5 R400 E0.5".to_owned(),
            101..600 => format!("G1 X{}.{index:05} Y{} Z-0.0001 E0.01", index % 3, index % 2),
            _ => format!("G1 X{x}.125 Y{y} Z{}.2 E0.0{index}", index % 5),
        };
        job += &(line + if index % 3 == 0 { "\r\n" } else { "\n" });
        if index % 1009 > 100 && index % 1009 < 600 && index % 40 == 0 {
            job += "G1 X-40 Y-20\n";
        }
    }
    let correction = correction();
    let on = |cores| {
        let mut output = Vec::new();
        let settings = Settings { cores: NonZero::new(cores), origin_nm: [Some(0); 3], ..Settings::new(&correction) };
        let report = apply("job", job.as_bytes(), &mut output, &settings).unwrap_or_else(|error| panic!("{error}"));
        (String::from_utf8(output).unwrap(), report)
    };
    let (one, report) = on(1);
    assert!(report.lines > 20_000 && report.pieces > 40_000, "{report:?}");
    for cores in [2, 5] {
        let (several, several_report) = on(cores);
        let differs = one.lines().zip(several.lines()).position(|(one, several)| one != several);
        assert_eq!((differs, one.len(), &report), (None, several.len(), &several_report));
    }

    // The first mistake is told, wherever the reader is by then.
    let far = job.lines().take(5_000).chain(["G1 X1 A2 Y150", "G1 X1 X2"]).collect::<Vec<_>>().join("\n");
    for cores in [1, 3] {
        let settings = Settings { cores: NonZero::new(cores), origin_nm: [Some(0); 3], ..Settings::new(&correction) };
        let error = apply("job", far.as_bytes(), std::io::sink(), &settings).unwrap_err().to_string();
        assert!(error.starts_with("job:5001:7: A moves together"), "{error}");
    }
}

/// Machine positions in micrometres, one after the other, and `E` in nanometres at the end of every motion. The axes given
/// to `motion` are those that were not known before the line and after it.
fn walk(job: &[u8], mut motion: impl FnMut(&Action, [Axes; 2], &mut Vec<[i32; 3]>)) -> (Vec<[i32; 3]>, i64) {
    let (mut reader, mut interpreter, mut places) = (Reader::new("job", job), Interpreter::new(), Vec::new());
    while let Some(line) = reader.next_line().unwrap() {
        let before = interpreter.lost_axes().and(Axes::XYZ);
        let action = interpreter.execute(&line).unwrap();
        motion(&action, [before, interpreter.lost_axes().and(Axes::XYZ)], &mut places);
    }
    places.dedup();
    (places, interpreter.extruded_nm())
}

/// Where the core takes the job's moves.
fn expected(job: &[u8]) -> (Vec<[i32; 3]>, i64) {
    let correction = correction();
    walk(job, |action, [before, after], places| {
        let mut drive = |motion: &Move<1>| {
            let pieces = correction.split(motion, 2).unwrap();
            places.extend(pieces.map(|piece| [piece.end.x_um, piece.end.y_um, piece.end.z_um]));
        };
        match action {
            // While an axis is not known nothing is corrected, and the first move to a known place is one piece.
            Action::Straight(straight) if !after.is_empty() => places.push(straight.end.to_um().unwrap()),
            Action::Straight(straight) if !before.is_empty() => {
                let [x_um, y_um, z_um] = straight.end.to_um().unwrap();
                places.push([x_um, y_um, correction.machine_z_um(x_um, y_um, z_um)]);
            }
            Action::Straight(straight) if straight.start != straight.end => {
                drive(&moves::straight(straight.start, straight.end, straight.extruded_nm).unwrap());
            }
            Action::Arc(arc) => moves::chords(arc, moves::ARC_TOLERANCE_UM).unwrap().for_each(|chord| drive(&chord)),
            Action::Home(home) => places.push(home.end.to_um().unwrap()),
            _ => {}
        }
    })
}

/// Where the corrected job's own lines take the machine, uncorrected.
fn found(output: &[u8]) -> (Vec<[i32; 3]>, i64) {
    walk(output, |action, _, places| match action {
        Action::Straight(straight) if straight.start != straight.end => places.push(straight.end.to_um().unwrap()),
        Action::Arc(_) => panic!("an arc is left"),
        Action::Home(home) => places.push(home.end.to_um().unwrap()),
        _ => {}
    })
}

/// Compares path and filament; `within_um` for units whose last digit is no micrometre.
fn check(job: &[u8], within_um: u32) -> Vec<u8> {
    let (output, report) = applied(job);
    let ((there, e_there), (here, e_here)) = (expected(job), found(&output));
    for (index, (there, here)) in there.iter().zip(&here).enumerate() {
        let off = |axis: usize| there[axis].abs_diff(here[axis]);
        assert!((0..3).all(|axis| off(axis) <= within_um), "place {index}: {there:?} {here:?}");
    }
    assert_eq!((there.len(), e_there), (here.len(), e_here));
    assert_eq!(report.lines, job.split(|&byte| byte == b'\n').filter(|line| !line.is_empty()).count() as u64);
    output
}

fn demo_job() -> Vec<u8> {
    let mut job = Vec::new();
    demo::job().read_to_end(&mut job).unwrap();
    job
}

#[test]
fn the_demo_job_goes_where_the_core_takes_it() {
    let job = demo_job();
    let output = check(&job, 0);
    // Whatever moves no axis stays byte for byte, in its order.
    let is_kept = |line: &&[u8]| {
        let text = String::from_utf8_lossy(line);
        !text.contains(['X', 'Y', 'Z']) && !line.is_empty()
    };
    let lines = |bytes: &[u8]| bytes.split(|&byte| byte == b'\n').map(<[u8]>::to_vec).collect::<Vec<_>>();
    let (before, after) = (lines(&job), lines(&output));
    let mut after = after.iter();
    for line in before.iter().map(Vec::as_slice).filter(is_kept) {
        assert!(after.any(|other| other == line), "{}", String::from_utf8_lossy(line));
    }
}

#[test]
fn every_mode_comes_to_the_same_places() {
    let body = "G1 X40 Y30 Z0.2 F1200\nG1 X180 Y150 E7.34567\nX200 Y20 E9\nG3 X120 Y20 I-40 J0 E12.5\n\
                G1 Z3.2 X60 Y160 E15\nG0 Z9\nG1 X20 Y20 Z12\nG1 E13.5\n";
    check(format!("G21 G90 M82\nG28\n{body}").as_bytes(), 0);
    check(format!("G21\r\nG28\r\n{}", body.replace('\n', "\r\n")).as_bytes(), 0);
    check(body.trim_end().as_bytes(), 0);
    // A spiral: z rises all along.
    let mut spiral = "G90 M83\nG28\nG1 X40 Y40 Z0.2 F1500\n".to_owned();
    for turn in 0..200 {
        let z = 0.2 + f64::from(turn) * 0.05;
        spiral += &format!("G1 X{} Y{} Z{z:.3} E0.8\n", 40 + turn % 4 / 2 * 140, 40 + (turn + 1) % 4 / 2 * 120);
    }
    check(spiral.as_bytes(), 0);
    // Steps of a third of a millimetre and a half: nothing may drift.
    let steps = "G1 X0.333 Y0.111 E0.01234\n".repeat(500);
    check(format!("M83\nG28\nG1 X20 Y20 Z0.2 F900\nG91\n{steps}").as_bytes(), 0);
    // Inches, absolute and relative: a millionth of an inch is 25 nm.
    let inches = "G20 G90\nG28\nG1 X1.5 Y1.25 Z0.0079 F60\nX7.0001 Y5.9999 E0.12345\nG91\n\
                  G1 X-2.00005 Y-1.00005 E0.05\nX-1.00005 E0.05\nG90\nG2 X2 Y3 R3 E0.4\n";
    check(inches.as_bytes(), 1);
}

/// `G92` moves the zero to the same place of the machine, though the machine stands higher than the job thinks.
#[test]
fn a_moved_zero_is_moved_alike() {
    let job = "G28\nG1 X110 Y100 Z0.5 F1200\nG92 X0 Y0 Z0 E0\nG1 X50 E2\nG1 Z0.3 X-50 E4\nG92 E0\nG1 X0 Z0.1 E1\n";
    let output = String::from_utf8(check(job.as_bytes(), 0)).unwrap();
    assert!(output.contains("G92 X0 Y0 Z0.1") && output.contains("\nG92 E0\n"), "{output}");
}

#[test]
fn e_ends_where_the_job_put_it_to_the_last_printed_digit() {
    let job = "G90 M82\nG28\nG1 X20 Y20 Z0.2 F1200\nG1 X200 Y180 E12.345670\nM83\nG1 X20 Y180 E-0.00007\n";
    let (output, report) = applied(job.as_bytes());
    let text = String::from_utf8(output).unwrap();
    assert!(text.contains(" E12.345670\n"), "the job's own digits: {text}");
    assert!(report.pieces > 10 && report.corrected_lines == 3, "{report:?}");
    let (_, e_nm) = found(text.as_bytes());
    assert_eq!(e_nm, 12_345_600);
}

#[test]
fn other_words_and_comments_of_a_moving_line_are_kept() {
    let job = "G28\nG0 X0 Y0 Z0\nN10 G91 G1 X20 Y20 Z0.2 F1200 M106 S200 (to the corner) ; here\nG90 G1 X100 M0\n";
    let (output, _) = applied(job.as_bytes());
    let text = String::from_utf8(output).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines[..2], ["G28", "; corrected for the bed by gapgrid"]);
    assert_eq!(lines[3], "N10 G91 M106 S200");
    assert!(lines[4].starts_with("G1 X") && lines[4].ends_with("F1200 (to the corner) ; here"), "{}", lines[4]);
    assert_eq!(text.matches("F1200").count(), 1);
    assert!(text.contains("\nG90\nG1 X") && text.ends_with("\nM0\n"), "{text}");
}

/// Found by a fuzzer: a line of which a number changes kept the check value of its old bytes. The new value by hand from
/// the rule (common practice): the exclusive or of all bytes before the `*`.
#[test]
fn a_changed_line_gets_another_check_value() {
    let check = |line: &str| format!("{line}*{}", line.bytes().fold(0, |value, byte| value ^ byte));
    let job =
        [check("N1 G28"), check("N2 G1 X110 Y100 Z0.5 F900"), check("N3 G92 X0 Z0 (here*1)") + " ; and*2"].join("\n");
    let (output, _) = applied(job.as_bytes());
    let text = String::from_utf8(output).unwrap();
    let machine_z = text.lines().nth(2).unwrap().split(" Z").nth(1).unwrap();
    assert_ne!(machine_z, "0.5");
    let changed: f64 = text.lines().last().unwrap().split(['Z', ' ']).nth(4).unwrap().parse().unwrap();
    let expected = check(&format!("N3 G92 X0 Z{changed} (here*1)")) + " ; and*2";
    assert_eq!(text.lines().last().unwrap(), expected);
    // And it can be read, or this would stop.
    found(text.as_bytes());
}

/// Found by a fuzzer: `M2` sets absolute places in force, but behind the motion of its own line.
#[test]
fn the_end_of_a_program_changes_no_motion_before_it() {
    let output = check(b"G28\nG0 X0 Y0 Z0\nG91\nG1 X20 Y20 Z0.2 E1 F1200\nG1 X100 E2 M2\n", 0);
    assert!(String::from_utf8(output).unwrap().ends_with("\nM2\n"));
}

/// Found by a fuzzer: a signature before the percent sign opened a file without its frame.
#[test]
fn the_signature_stands_inside_the_frame() {
    let (output, _) = applied(b"\xEF\xBB\xBF\n \n%\nG28\n%\n");
    assert_eq!(output, b"\xEF\xBB\xBF\n \n%\n; corrected for the bed by gapgrid\nG28\n%\n");
}

/// Found by a fuzzer: free text was left out, and a bracket in it taken for a comment.
#[test]
fn free_text_stays_with_its_word() {
    let (output, _) = applied(b"G28\nG1 X20 Y20 Z0.2 F9 M987 5 (near\tG1 A9 ; here\n");
    let text = String::from_utf8(output).unwrap();
    assert!(text.contains("\nM987 5 (near\tG1 A9\nG1 X20 Y20 Z") && text.ends_with(" ; here\n"), "{text}");
}

/// Found by a fuzzer: a turning axis was moved before the line's motion instead of with it.
#[test]
fn a_further_axis_stays_on_its_line_or_is_refused() {
    let (output, report) = applied(b"G28\nG1 X20 Y20 Z0.2 F1200\nG1 Z0.4 a90 E1\nG1 A0\n");
    let text = String::from_utf8(output).unwrap();
    assert!(text.contains(" E1 a90\nG1 A0\n") && report.corrected_lines == 2, "{text}");
    let mut output = Vec::new();
    let correction = correction();
    let settings = Settings::new(&correction);
    let error = apply("job", &b"G28\nG1 X0 Y0 Z0.2 F9\nG1 X200 Y180 Z0.2 B5\n"[..], &mut output, &settings)
        .unwrap_err()
        .to_string();
    assert!(error.starts_with("job:3:19: B moves together with X, Y or Z"), "{error}");
}

#[test]
fn what_cannot_be_corrected_is_refused_with_its_place() {
    let refused = |job: &[u8], correction: Correction<MAX_NODES>| {
        let mut output = Vec::new();
        let settings = Settings::new(&correction);
        apply("job.gcode", job, &mut output, &settings).unwrap_err().to_string()
    };
    let (once, _) = applied(b"G28\nG1 X20 Y20 Z0.2 F1200\n");
    assert!(refused(&once, correction()).starts_with("job.gcode:2:3: this job was corrected already\n"));
    let low = correction().with_lowest_machine_z(-100);
    let message = refused(b"G28\nG1 X20 Y20 Z-0.2 F1200\n", low);
    assert!(message.starts_with("job.gcode:2:1: machine Z ") && message.contains("lowest allowed"), "{message}");
    assert!(refused(b"G28\nG1 X1 Y1 Z1 F9\nG1 X2 E2200\n", correction()).contains("more than 2.1 m"));
    assert!(refused(b"G28\nG1 Xa\n", correction()).contains("job.gcode:2:4"));
}
