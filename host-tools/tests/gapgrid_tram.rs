//! `gapgrid tram` as people run it.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;

use std::fs;

use gapgrid_support::{assert_refused, document, gapgrid};

/// T-5, own: the plane z = 0.02 + 0.001x - 0.002y in mm at its own screws.
const T5: &str = "x_um,y_um,height_um\r\n30000,30000,-10\r\n190000,30000,150\r\n30000,190000,-330\r\n\
                  190000,190000,-170\r\n";
const SCREWS: &str = "--screw 30,30 --screw 190,30 --screw 30,190 --screw 190,190";

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("t5.csv"), T5).unwrap();
    fs::write(folder.path().join("bow.json"), document("[[0, 60, 0], [60, 120, 60], [0, 60, 0]]")).unwrap();
    folder
}

/// T-5: with M4 screws, whose thread rises by 0.7 mm a turn (T-1, ISO 261), 0.228571 of a turn, -0.457143 and -0.228571,
/// the high side positive there.
#[test]
fn the_screws_of_a_known_plane() {
    let folder = folder();
    let (code, out, error) = gapgrid(folder.path(), &format!("tram t5.csv {SCREWS} --thread 0.7 --hold 1"));
    let expected = "\
screw 1 at x 30, y 30 mm: hold
screw 2 at x 190, y 30 mm: lower the bed 160 um, 0.229 of a turn (82 degrees)
screw 3 at x 30, y 190 mm: raise the bed 320 um, 0.457 of a turn (165 degrees)
screw 4 at x 190, y 190 mm: raise the bed 160 um, 0.229 of a turn (82 degrees)
the bed leans by 1000 um per m along X and -2000 um per m along Y
tilt and twist are taken out; --rigid for a plate too thick to twist
no screw takes out what is left: 0 um from the lowest (0) to the highest (+0), RMS 0
";
    assert_eq!((code, out.as_str(), error.as_str()), (Some(0), expected, ""));
    let first = |what: &str| {
        let (code, out, _) = gapgrid(folder.path(), &format!("tram t5.csv {SCREWS} --thread 0.7 --hold {what}"));
        assert_eq!(code, Some(0), "{what}");
        out.lines().next().unwrap().rsplit_once(": ").unwrap().1.split(',').next().unwrap().to_owned()
    };
    assert_eq!(first("highest"), "raise the bed 160 um");
    assert_eq!(first("lowest"), "lower the bed 320 um");
    assert_eq!(first("0.1mm"), "raise the bed 110 um");
}

/// Row K-1: a thin plate on four screws twists; two screws by 0.286 of a turn level it. A thick one keeps its twist.
#[test]
fn four_screws_take_out_a_twist_of_a_thin_plate() {
    let folder = folder();
    let twisted =
        "x_um,y_um,height_um\r\n30000,30000,100\r\n190000,30000,-100\r\n30000,190000,-100\r\n190000,190000,100\r\n";
    fs::write(folder.path().join("twist.csv"), twisted).unwrap();
    let tram = |more: &str| {
        let (code, out, _) =
            gapgrid(folder.path(), &format!("tram twist.csv {SCREWS} --thread 0.7 --hold highest {more}"));
        assert_eq!(code, Some(0), "{out}");
        out
    };
    let thin = tram("");
    assert!(thin.matches("raise the bed 200 um, 0.286 of a turn").count() == 2 && thin.matches("hold").count() == 2);
    assert!(thin.contains("what is left: 0 um"), "{thin}");
    let rigid = tram("--rigid");
    assert!(rigid.matches("hold").count() == 4 && rigid.contains("what is left: 200 um"), "{rigid}");
}

#[test]
fn a_bow_stays_and_screws_may_differ_and_stand_at_negative_places() {
    let folder = folder();
    let screws = "--screw -5,20 --screw 115,20 --screw 55,120 --thread 0.5 --thread 0.5 --thread 0.8";
    let (code, out, _) = gapgrid(folder.path(), &format!("tram bow.json {screws} --hold 0.04mm"));
    assert_eq!(code, Some(0));
    // The plane of a dish is level: at the mean, 360/9.
    assert!(
        out.contains("screw 1 at x -5, y 20 mm: hold\n") && out.contains("screw 3 at x 55, y 120 mm: hold\n"),
        "{out}"
    );
    assert!(out.ends_with("what is left: 120 um from the lowest (-40) to the highest (+80), RMS 40\n"), "{out}");
}

#[test]
fn nothing_is_guessed() {
    let folder = folder();
    fs::write(folder.path().join("line.csv"), "x_um,y_um,height_um\r\n0,0,1\r\n50000,0,2\r\n90000,0,2\r\n").unwrap();
    fs::write(folder.path().join("bad.csv"), "x_um,y_um,height_um\r\n0,0,0.1\r\n").unwrap();
    let cases = [
        ("tram t5.csv --screw 30,30 --screw 190,30 --screw 30,190 --hold 1", "--thread"),
        ("tram t5.csv --screw 30,30 --screw 190,30 --screw 30,190 --thread 0.7", "--hold"),
        ("tram t5.csv --thread 0.7 --hold 1", "--screw"),
        ("tram t5.csv --screw 30,30 --screw 190,30 --thread 0.7 --hold 1", "2 screws: give 3 to 8"),
        ("tram t5.csv --screw 30,30 --screw 190,30 --screw 30,190 --thread 0.7 --hold 4", "screw 4 cannot be held"),
        ("tram t5.csv --screw 30,30 --screw 190,30 --screw 30,190 --thread 0.7 --hold 0", "counted from 1"),
        ("tram t5.csv --screw 30,30 --screw 190,30 --screw 30,190 --thread 0.7 --hold upmm", "number of millimetres"),
        ("tram t5.csv --screw 30,30 --screw 190,30 --screw 30,190 --thread 0 --hold 1", "give 0.1 to 10 mm"),
        ("tram t5.csv --screw 30,30 --screw 190,30 --screw 30,190 --thread 70 --hold 1", "invalid value '70'"),
        (
            "tram t5.csv --screw 30,30 --screw 190,30 --screw 30,190 --thread 1 --thread 1 --hold 1",
            "2 threads for 3 screws",
        ),
        ("tram t5.csv --screw 30 --screw 190,30 --screw 30,190 --thread 1 --hold 1", "give X and Y in millimetres"),
        ("tram line.csv --screw 30,30 --screw 190,30 --screw 30,190 --thread 1 --hold 1", "of one line"),
        (
            "tram bad.csv --screw 30,30 --screw 190,30 --screw 30,190 --thread 1 --hold 1",
            "bad.csv:2:5: record 2: height_um",
        ),
    ];
    assert_refused(folder.path(), &cases);
}
