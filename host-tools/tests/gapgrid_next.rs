//! `gapgrid next` as people run it.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;

use std::fs;

use gapgrid_support::{assert_refused, document, gapgrid};

/// 3 x 3 readings of a bed that is rough by some 40 um, over 200 x 160 mm.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
    let row = |node: i32| {
        let (u, v) = (node % 3, node / 3);
        format!(
            "{},{},{}\r\n",
            20_000 + 100_000 * u,
            30_000 + 80_000 * v,
            60 * u - 40 * v + (u * 7919 + v * 104_729) % 81
        )
    };
    write("nine.csv", &format!("x_um,y_um,height_um\r\n{}", (0..9).map(row).collect::<String>()));
    write("four.csv", &format!("x_um,y_um,height_um\r\n{}", (0..4).map(row).collect::<String>()));
    let square = |x: i32, y: i32| {
        let lines: String = (0..20).map(|line| format!("G1 X{} Y{} E1\n", x + 40 * (line % 2), y + 2 * line)).collect();
        format!("G21 G90 M83\nG0 X{x} Y{y} Z0.2 F6000\n{lines}")
    };
    write("corner.gcode", &square(170, 140));
    write("edge.gcode", &square(200, 140));
    write("far.gcode", &square(600, 140));
    write("high.gcode", "G21 G90 M83\nG1 X50 Y50 Z3 F600\nG1 X90 E4\n");
    write("bare.json", &document("[[0, 60, 0], [60, 120, 60], [0, 60, 0]]"));
    folder
}

#[test]
fn it_says_where_how_much_and_when_to_stop() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    let (code, out, error) = run("next nine.csv --hand-um 20 --tolerance-um 30 --count 3");
    assert_eq!((code, error.as_str()), (Some(1), ""), "{out}");
    let lines: Vec<&str> = out.lines().collect();
    assert!(lines[0].starts_with("the surface lies within ±") && lines.len() == 5, "{out}");
    assert!(lines[1].starts_with("1. read x ") && lines[3].starts_with("3. read x "), "{out}");
    assert!(lines[4].contains("still more than ±30 um") && lines[4].contains("--count"), "{out}");
    let (code, out, _) = run("next nine.csv --hand-um 20 --tolerance-um 400");
    assert!(code == Some(0) && out.ends_with("stop: that is within ±400 um\n"), "{out}");
    // In the corner of the job; and the corner alone is sure sooner than the whole bed.
    let (_, out, _) = run("next nine.csv --hand-um 20 --tolerance-um 1 --count 1 --job corner.gcode");
    let place = out.lines().nth(1).unwrap();
    let number = |after: &str| -> f64 {
        let rest = place.split(after).nth(1).unwrap();
        rest.split([',', ' ']).next().unwrap().parse().unwrap()
    };
    assert!((170.0..=210.0).contains(&number(" x ")) && (140.0..=178.0).contains(&number(" y ")), "{out}");
    // The same job with its zero elsewhere.
    let (_, moved, _) = run("next nine.csv --hand-um 20 --tolerance-um 1 --count 1 --job far.gcode --origin -430,0");
    assert_eq!(moved, out);
    // A part of the job lies beyond the readings; it is unsure there, and readings are asked for where they can be taken.
    let (code, out, _) = run("next nine.csv --job edge.gcode --count 1 --tolerance-um 1 --from 0,0 --to 220,190");
    assert!(code == Some(1) && out.contains("least sure is x 239"), "{out}");
}

#[test]
fn what_cannot_be_told_is_refused() {
    let folder = folder();
    let cases = [
        ("next four.csv", "four.csv: 4 readings: 7 or more are needed"),
        ("next bare.json", "bare.json: the file holds no readings"),
        ("next nine.csv --job far.gcode", "far.gcode: its first layer lies far from the readings"),
        ("next nine.csv --job high.gcode", "high.gcode: nothing is printed at 1 mm or below"),
        ("next nine.csv --job gone.gcode", "gone.gcode"),
        ("next nine.csv --job nine.csv", "error: nine.csv:1:"),
        ("next nine.csv --from 0,0", "--to"),
        ("next nine.csv --from 90,0 --to 10,50", "the two corners"),
        ("next nine.csv --count 0", "--count"),
        ("next nine.csv --hand-um -3", "invalid value '-3'"),
    ];
    assert_refused(folder.path(), &cases);
}
