//! `gapgrid check` as people and scripts run it.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;

use std::fs;

use gapgrid_support::{assert_refused, document, gapgrid};
use serde_json::Value;

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let files = [
        ("fine.json", document("[[0, 40, 0, -10], [41, 82, 39, 31], [12, 50, 11, 0], [-60, -19, -62, -70]]")),
        ("slip.json", document("[[0, 40, 0, -10], [41, 82, 339, 31], [12, 50, 11, 0], [-60, -19, -62, -70]]")),
        ("cut.json", document("[[0, 40, 0], [8191, 8191, 8191]]")),
        ("broken.json", document("[[0, 40], [1, x]]")),
        ("pasted.txt", "0.1 0.2\n0.3 0.4\n".to_owned()),
    ];
    for (name, text) in files {
        fs::write(folder.path().join(name), text).unwrap();
    }
    folder
}

#[test]
fn the_exit_code_is_the_outcome_and_the_text_says_why() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    let (code, out, error) = run("check fine.json --bed-temperature 62 --lowest-mm -0.5");
    assert_eq!((code, error.as_str()), (Some(0), ""), "{out}");
    let start = "fine: nothing speaks against it\nnot checked: how sure the surface is: the file holds no readings \
                 (--readings)\nnot checked: setup: the file has none (.gkr and .hex do); measure again \
                 if a screw was turned\nsurface: bilinear, as the survey chose\nage: the file was written 0 days ago; the \
                 readings may be older\nflatness: ";
    assert!(out.starts_with(start), "{out}");
    assert!(out.ends_with("lowest: -70 um at column 4, row 4 (x 160, y 156.5 mm)\nhighest: 82 um at column 2, row 2 (x 60, y 65.5 mm)\n"), "{out}");

    let (code, out, _) = run("check slip.json");
    assert_eq!(code, Some(1), "{out}");
    let place = "warning: column 3, row 2 (x 110, y 65.5 mm): ";
    assert!(
        out.starts_with(place)
            && out.contains("higher than its neighbours predict\n  measure this station once more\n"),
        "{out}"
    );
    assert!(out.contains("not checked: headroom: say how low the nozzle can go (--lowest-mm)\n"), "{out}");

    assert_eq!(run("check cut.json").0, Some(2));
    assert_eq!(run("check fine.json --bed-temperature -20").0, Some(2));
    assert_eq!(run("check fine.json --tolerance-um 5").0, Some(1));
    assert_eq!(run("check fine.json --tilt-um 5").0, Some(1));
}

/// How often a grid was tied, and that a whole survey is due after the last tie that may be.
#[test]
fn a_tie_is_told() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    let fine = fs::read_to_string(folder.path().join("fine.json")).unwrap().replace("\"version\": 1", "\"version\": 2");
    for (count, line) in [
        (1, "tie: tied once since the last whole survey, up to 3 may be; residual 17 um, up to 100 is allowed\n"),
        (2, "tie: tied 2 times since the last whole survey, up to 3 may be; residual 17 um, up to 100 is allowed\n"),
        (3, "residual 17 um, up to 100 is allowed; survey the whole bed next time\n"),
    ] {
        let tie = format!("\"bilinear\", \"tie\": {{ \"count\": {count}, \"residual_um\": 17 }}");
        fs::write(folder.path().join("tied.json"), fine.replace("\"bilinear\"", &tie)).unwrap();
        for command in ["check tied.json", "show tied.json", "show tied.json --out map.svg"] {
            let (_, out, error) = run(command);
            assert!(out.contains(line), "{command}: {out} {error}");
        }
        let json: Value = serde_json::from_str(&run("check tied.json --json").1).unwrap();
        assert_eq!(json["tie"], serde_json::json!({ "count": count, "residual_um": 17 }));
    }
    assert!(!run("check fine.json").1.contains("tie:") && !run("show fine.json").1.contains("tie:"));
    let json: Value = serde_json::from_str(&run("check fine.json --json").1).unwrap();
    assert!(json.get("tie").is_some_and(Value::is_null), "{json}");
}

/// A grid that drives the nozzle three millimetres into the bed is not fine, and the advice does not help it to.
#[test]
fn a_deep_shift_an_old_file_and_another_setup_are_told() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    let (code, out, _) = run("shift fine.json -3 -o deep.json");
    assert!(code == Some(0) && out.starts_with("unusable: a shift of -3000 um takes the nozzle into the bed"), "{out}");
    let (code, out, _) = run("check deep.json --bed-temperature 60 --lowest-mm -0.5");
    assert_eq!(code, Some(2), "{out}");
    assert!(out.contains("take the shift back") && !out.contains("lower the limit"), "{out}");

    assert_eq!(run("convert fine.json fine.gkr --setup 4").0, Some(0));
    let (code, out, _) = run("check fine.gkr --setup 5");
    assert!(code == Some(2) && out.contains("measured in setup 4, and the machine is in setup 5"), "{out}");
    assert_eq!(run("check fine.gkr --setup 4").0, Some(0));

    let days = |days: u64| std::time::SystemTime::now() - std::time::Duration::from_secs(86_400 * days + 60);
    let file = fs::File::options().append(true).open(folder.path().join("fine.json")).unwrap();
    file.set_modified(days(91)).unwrap();
    let (code, out, _) = run("check fine.json");
    assert!(code == Some(1) && out.contains("written 91 days ago"), "{out}");
    assert_eq!(run("check fine.json --oldest-days 91").0, Some(0));
    // A clock that was set back.
    file.set_modified(std::time::SystemTime::now() + std::time::Duration::from_secs(86_400)).unwrap();
    let (code, out, _) = run("check fine.json");
    assert!(code == Some(0) && out.contains("not checked: age"), "{out}");
}

#[test]
fn scripts_get_one_object() {
    let folder = folder();
    let json = |arguments: &str| {
        let (code, out, _) = gapgrid(folder.path(), arguments);
        (code, serde_json::from_str::<Value>(&out).unwrap())
    };
    let (code, value) = json("check slip.json --json");
    assert_eq!((code, &value["outcome"], &value["schema_version"]), (Some(1), &"warning".into(), &1.into()));
    let verdict = &value["verdicts"][0];
    assert_eq!((&verdict["kind"], &verdict["severity"]), (&"off-neighbours".into(), &"warning".into()));
    assert_eq!(verdict["place"], serde_json::json!({ "column": 3, "row": 2, "x_um": 110_000, "y_um": 65_500 }));
    assert!(verdict["reason"].is_string() && verdict["remedy"].is_string());
    assert_eq!(value["unchecked"][1]["kind"], "no-headroom");
    assert_eq!(value["highest"]["height_um"], 339);
    for key in ["lspl_fltt_um", "lspl_fltp_um", "lspl_fltv_um", "lspl_fltq_um", "mzpl_fltt_um"] {
        assert!(value["flatness"][key].as_f64().unwrap() > 0.0, "{key}");
    }
    let (code, value) = json("check broken.json --json");
    assert_eq!(
        (code, &value["outcome"], &value["verdicts"][0]["kind"]),
        (Some(2), &"unusable".into(), &"unreadable".into())
    );
    assert!(value["verdicts"][0]["reason"].as_str().unwrap().contains("broken.json:3:117: "), "{value}");
}

#[test]
fn what_is_no_grid_ends_with_2() {
    let folder = folder();
    let cases = [
        ("check absent.json", "absent.json: cannot be read"),
        ("check broken.json", "\n  "),
        ("check pasted.txt", "say all of it, by making a document of it first: gapgrid convert"),
        ("check fine.json --bed-temperature warm", "--bed-temperature"),
        ("check fine.json --tilt-um -5", "invalid value '-5'"),
        ("check fine.obj", "the extension says no format"),
        ("check", "<GRID>"),
    ];
    assert_refused(folder.path(), &cases);
}

/// The map has the remedy of the gravest finding as its title, and the text and the exit code stay what they are.
#[test]
fn the_check_is_drawn_under_what_to_do() {
    let folder = folder();
    let (code, out, _) = gapgrid(folder.path(), "check slip.json --out slip.svg");
    assert_eq!((code, gapgrid(folder.path(), "check slip.json").1), (Some(1), out));
    let svg = fs::read_to_string(folder.path().join("slip.svg")).unwrap();
    let (_, shown, _) = gapgrid(folder.path(), "show slip.json --out shown.svg");
    let title = shown.split([':', '\n']).next().unwrap();
    for text in [title, "slip.json: height of the bed", "flatness", ">+339</text>"] {
        assert!(svg.contains(text), "{text}");
    }
    assert_eq!(gapgrid(folder.path(), "check fine.json --out fine.png").0, Some(0));
    assert!(fs::read(folder.path().join("fine.png")).unwrap().starts_with(b"\x89PNG\r\n"));
    assert_refused(folder.path(), &[("check fine.json --out fine.pdf", "pictures are .svg or .png")]);
}

/// Readings beside the grid tell how sure it is; without them nobody knows.
#[test]
fn readings_tell_how_sure_a_grid_is() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    assert_eq!(run("convert fine.json nodes.csv").0, Some(0));
    let (code, out, _) = run("check fine.json --readings nodes.csv --bed-temperature 60");
    assert!(code == Some(0) && out.contains("\nband: 95 % sure within ±") && out.contains("from 16 readings"), "{out}");
    let (code, out, _) = run("check fine.json --readings nodes.csv --bed-temperature 60 --tolerance-um 2");
    assert!(code == Some(1) && out.contains("gapgrid next"), "{out}");
    let (_, out, _) = run("check fine.json --readings nodes.csv --hand-um 100 --json");
    let json: Value = serde_json::from_str(&out).unwrap();
    assert!(json["band"]["readings"] == 16 && json["band"]["hand_um"].as_f64().unwrap() > 30.0, "{out}");
    let (code, out, _) = run("show fine.json --readings nodes.csv --band");
    assert!(code == Some(0) && out.contains("half the width of the 95 % band") && out.contains("±"), "{out}");
    let (code, _, _) = run("show fine.json --readings nodes.csv --band --out band.svg");
    let svg = fs::read_to_string(folder.path().join("band.svg")).unwrap();
    assert!(code == Some(0) && svg.contains("how far the surface may be off") && !svg.contains("class=\"station\""));
    fs::write(folder.path().join("few.csv"), "x_um,y_um,height_um\r\n0,0,0\r\n").unwrap();
    assert_refused(
        folder.path(),
        &[
            ("show fine.json --band", "fine.json: it is not known how sure the surface is: the file holds no readings"),
            ("show fine.json --band --readings few.csv", "1 readings: 7 or more"),
            ("show fine.json --band --readings fine.json", "holds no readings"),
            ("check fine.json --readings gone.csv", "gone.csv"),
            ("check fine.json --hand-um 1000", "1 to 500"),
        ],
    );
}
