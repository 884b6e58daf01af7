use resvg::usvg::roxmltree;

use super::*;
use crate::demo;

const GATE: &str = r#"
format = "gapkeeper-gate"
version = 1

[limits]
first_layer_gap_error_um = 40
chord_error_um = 2
thickness_change_percent = 10
pieces_per_s = 1000

[matrix]
scenarios = ["bench.toml"]
jobs = ["job.gcode"]
stations = [[3, 3], [5, 4]]
surfaces = ["bilinear", "refined"]
"#;

const JOB: &str = "G28\nG0 X21 Y20 Z0.2\nG1 X205 Y175 E9 F3000\nG0 X20\nG0 Z4\nG1 X205 Y20 E20 F9000\n";

/// A folder with a gate, its scenario and its job; the changes are made to the gate.
fn gate(changes: &[(&str, &str)]) -> (tempfile::TempDir, Gate) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("bench.toml"), demo::SCENARIO_TEXT).unwrap();
    std::fs::write(folder.path().join("job.gcode"), JOB).unwrap();
    let mut text = GATE.to_string();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replace(from, to);
    }
    let gate = Gate::parse(&text, "gate.toml", folder.path().to_path_buf()).unwrap();
    (folder, gate)
}

fn check<'a>(case: &'a Case, name: &str) -> &'a Check {
    case.checks.iter().find(|check| check.name == name).unwrap_or_else(|| panic!("{name}: {case:?}"))
}

#[test]
fn four_cases_are_judged_and_the_bilinear_nine_do_not_keep_the_gap() {
    let (_folder, gate) = gate(&[]);
    let verdict = verify(&gate, None);
    let outcomes: Vec<Outcome> = verdict.cases.iter().map(|case| case.outcome).collect();
    assert_eq!(outcomes, [Outcome::Fail, Outcome::Pass, Outcome::Pass, Outcome::Pass], "{}", verdict.text());
    assert_eq!(verdict.outcome, Outcome::Fail);
    let gap = check(&verdict.cases[0], "first_layer_gap_error_um");
    assert!(gap.found > 40.0 && gap.job_line == Some(3), "{gap:?}");
    assert!(check(&verdict.cases[1], "chord_error_um").passed);
    assert!(verdict.text().ends_with("FAIL: 3 of 4 cases pass, 1 fail, 0 could not run\n"), "{}", verdict.text());
}

/// Nothing but a prime line used to be judged: now the part is, and the gate fails as it should.
#[test]
fn a_prime_line_does_not_pass_the_gate() {
    let (folder, gate) = gate(&[
        ("stations = [[3, 3], [5, 4]]", ""),
        ("first_layer_gap_error_um = 40", "first_layer_gap_error_um = 30"),
        ("\"bilinear\", \"refined\"", "\"bilinear\""),
    ]);
    let with_prime_line = JOB.replacen("G0 X21", "G0 X5 Y5 Z0.18\nG1 X11 E0.3\nG0 X21", 1);
    std::fs::write(folder.path().join("job.gcode"), with_prime_line).unwrap();
    let gap = |verdict: &Verdict| check(&verdict.cases[0], "first_layer_gap_error_um").clone();
    let found = gap(&verify(&gate, None));
    assert!(!found.passed && found.found > 40.0 && found.remark.starts_with("0.25 m judged of 0.25 m"), "{found:?}");
}

/// Contact fails whatever the limits; so does a first layer of which too little has a gap.
#[test]
fn contact_and_what_is_not_judged_fail() {
    let (folder, gate) = gate(&[("stations = [[3, 3], [5, 4]]", ""), ("first_layer_gap_error_um = 40", "")]);
    let run = |job: &str| {
        std::fs::write(folder.path().join("job.gcode"), job).unwrap();
        let verdict = verify(&gate, None);
        let of = |name: &str| verdict.cases[1].checks.iter().find(|check| check.name == name).unwrap().clone();
        (verdict.outcome, of("first_layer_contact_mm"), of("first_layer_not_judged_percent"))
    };
    let (outcome, contact, _) = run("M83\nG0 X21 Y20 Z-0.1\nG1 X101 E9 F3000\n");
    assert!(outcome == Outcome::Fail && !contact.passed && (contact.found - 80.0).abs() < 0.1, "{contact:?}");
    std::fs::write(folder.path().join("job.gcode"), "M83\nG0 X9 Y20 Z5\nG0 X21 Z-0.1\nG0 Z0.2\nG1 X101 E9 F3000\n")
        .unwrap();
    let verdict = verify(&gate, None);
    let travel = verdict.cases[1].checks.iter().find(|check| check.name == "travel_contacts").unwrap();
    assert!(!travel.passed && travel.found == 1.0 && travel.job_line == Some(3), "{travel:?}");
    // A tenth of it lies beyond the plate.
    let (_, clean, _) = run("M83\nG0 X21 Y20 Z0.2\nG1 X101 E9 F3000\n");
    assert!(clean.passed && clean.job_line.is_none(), "{clean:?}");
    let (outcome, contact, not_judged) = run("M83\nG0 X-10 Y20 Z0.2\nG1 X90 E9 F3000\n");
    assert!(outcome == Outcome::Fail && contact.passed, "{contact:?}");
    assert!(!not_judged.passed && (not_judged.found - 10.0).abs() < 1.5 && not_judged.allowed == 5.0, "{not_judged:?}");
    assert!(not_judged.remark.contains("beyond the plate"), "{not_judged:?}");
}

/// A grid that was read at 100 °C is worth a word where the job runs at 60.
#[test]
fn another_temperature_is_named() {
    let (folder, gate) = gate(&[("stations = [[3, 3], [5, 4]]", "grids = [\"hot.json\"]")]);
    let hot = r#"{ "format": "gapkeeper-grid", "version": 1, "x0_um": 0, "y0_um": 0, "pitch_x_um": 230000,
        "pitch_y_um": 200000, "shift_um": 0, "fade": null, "bed_temperature_c": 100, "survey": null,
        "nodes_um": [[-190, -225], [-230, -185]] }"#;
    std::fs::write(folder.path().join("hot.json"), hot).unwrap();
    let text = verify(&gate, None).text();
    assert!(text.contains("note: The grid was read at 100 °C and the bed is at 60 °C while the job runs"), "{text}");
}

/// Every limit can be failed, and only that one is.
#[test]
fn every_limit_has_teeth() {
    for name in [
        "first_layer_gap_error_um",
        "chord_error_um",
        "z_rate_mm_s",
        "z_rate_step_mm_s",
        "z_acceleration_mm_s2",
        "thickness_change_percent",
        "pieces_per_s",
    ] {
        let limits = format!("[limits]\n{name} = 0.001\n");
        let from = &GATE[GATE.find("[limits]").unwrap()..GATE.find("[matrix]").unwrap()];
        let (_folder, gate) = gate(&[
            (from, &limits),
            ("stations = [[3, 3], [5, 4]]", ""),
            ("\"bilinear\", \"refined\"", "\"bilinear\""),
        ]);
        let verdict = verify(&gate, None);
        let failed: Vec<&str> =
            verdict.cases[0].checks.iter().filter(|check| !check.passed).map(|check| check.name).collect();
        assert_eq!(failed, [name], "{}", verdict.text());
        assert_eq!(verdict.cases[0].too_fast.is_empty(), !name.starts_with("z_"), "{}", verdict.text());
    }
}

#[test]
fn the_machines_own_limits_hold_where_the_gate_is_silent() {
    let (folder, gate) = gate(&[]);
    let slow = demo::SCENARIO_TEXT
        .replace("z_rate_limit_mm_s = 8", "z_rate_limit_mm_s = 0.25\nz_acceleration_limit_mm_s2 = 0.01");
    std::fs::write(folder.path().join("bench.toml"), slow).unwrap();
    let verdict = verify(&gate, None);
    let rate = check(&verdict.cases[1], "z_rate_mm_s");
    assert!(!rate.passed && rate.allowed == 0.25 && rate.remark.contains("the worst line 6"), "{rate:?}");
    assert!(!check(&verdict.cases[0], "z_acceleration_mm_s2").passed);
    assert!(verdict.text().contains("line 6: 150.0 mm/s is too fast for Z, "), "{}", verdict.text());
}

#[test]
fn moves_that_the_core_refuses_fail() {
    let (folder, gate) = gate(&[]);
    let high_switch =
        demo::SCENARIO_TEXT.replace("limit_switch_trips_at_mm = -0.45", "limit_switch_trips_at_mm = 0.15");
    std::fs::write(folder.path().join("bench.toml"), high_switch).unwrap();
    let verdict = verify(&gate, None);
    let refused = check(&verdict.cases[1], "refused_moves");
    assert!(!refused.passed && refused.found >= 1.0 && refused.job_line.is_some(), "{refused:?}");
}

#[test]
fn a_case_that_cannot_run_says_why_and_the_others_run() {
    let (_folder, gate) = gate(&[("\"bench.toml\"", "\"bench.toml\", \"none.toml\"")]);
    let verdict = verify(&gate, None);
    assert_eq!((verdict.outcome, verdict.cases.len()), (Outcome::CouldNotRun, 8));
    assert!(verdict.cases[7].error.as_ref().is_some_and(|error| error.contains("none.toml")));
    assert_eq!(verdict.cases[1].outcome, Outcome::Pass);
}

/// Surveys by seed are those of `gapsim survey`; a saved grid takes their place.
#[test]
fn grids_come_from_seeds_or_files() {
    let (_folder, measured) = gate(&[("stations = [[3, 3], [5, 4]]", "seeds = [1, 2, 3]")]);
    let verdict = verify(&measured, None);
    let gaps: Vec<f64> = verdict.cases.iter().map(|case| check(case, "first_layer_gap_error_um").found).collect();
    assert!(gaps.len() == 6 && gaps[1] != gaps[3] && gaps[3] != gaps[5], "{gaps:?}");
    let (folder, saved) = gate(&[("stations = [[3, 3], [5, 4]]", "grids = [\"level.csv\"]")]);
    let level = "x_um,y_um,height_um\r\n0,0,30\r\n230000,0,30\r\n0,200000,30\r\n230000,200000,30\r\n";
    std::fs::write(folder.path().join("level.csv"), level).unwrap();
    let verdict = verify(&saved, None);
    assert_eq!(verdict.cases.len(), 2);
    assert!(check(&verdict.cases[1], "z_rate_mm_s").found < 1e-9, "a level grid asks nothing of Z");
}

#[test]
fn the_xml_is_well_formed_and_counts_what_it_holds() {
    let (folder, gate) = gate(&[("\"bench.toml\"", "\"bench.toml\", \"<none & \\\"odd\\\">.toml\"")]);
    let xml = verify(&gate, None).junit();
    let document = roxmltree::Document::parse(&xml).unwrap();
    let named = |name: &'static str| document.descendants().filter(move |node| node.has_tag_name(name));
    let root = document.root_element();
    for (attribute, name) in [("tests", "testcase"), ("failures", "failure"), ("errors", "error")] {
        assert_eq!(root.attribute(attribute).unwrap().parse::<usize>().unwrap(), named(name).count(), "{name}: {xml}");
    }
    assert_eq!((named("testsuite").count(), named("error").count()), (8, 4));
    assert!(named("failure").all(|failure| failure.attribute("message").is_some_and(|text| text.contains("allowed"))));
    drop(folder);
}

#[test]
fn wrong_gates_are_refused_with_their_place() {
    let error = |from: &str, to: &str| {
        Gate::parse(&GATE.replace(from, to), "gate.toml", PathBuf::new()).unwrap_err().to_string()
    };
    assert!(error("chord_error_um = 2", "chord_error_um = -2").contains("-2 must be above 0"));
    assert!(error("chord_error_um", "chord_error_mm").contains("unknown field `chord_error_mm`"));
    assert!(error("version = 1", "version = 9").contains("version 9 of the gate format"));
    assert!(error("\"bilinear\"", "\"bicubic\"").contains("bicubic"));
    assert!(error("[\"job.gcode\"]", "[]").contains("nothing would be looked at"));
    assert!(error("surfaces", "grids = [\"a.csv\"]\nsurfaces").contains("drop stations and seeds"));
}

#[test]
fn a_trace_needs_one_case() {
    let (folder, gate) = gate(&[]);
    let trace = folder.path().join("trace.csv");
    std::fs::write(&trace, "job_line,x_mm,y_mm,z_mm\n2,21,20,0.2\n").unwrap();
    let error = verify_trace(&gate, &trace, None).unwrap_err();
    assert!(error.contains("not by 4") && error.contains("bench.toml, job.gcode, 5 x 4 stations, refined"), "{error}");
    assert!(verify_trace(&gate, &trace, Some("refined")).unwrap_err().contains("not by 2"));
    assert!(verify_trace(&gate, &trace, Some("3 x 3 stations, ref")).unwrap_err().contains("not by 0"));
    let verdict = verify_trace(&gate, &trace, Some("3 x 3 stations, refined")).unwrap();
    assert_eq!(verdict.outcome, Outcome::Fail);
    std::fs::write(&trace, "job_line,x_mm,y_mm,z_mm\n2,21,twenty,0.2\n").unwrap();
    let verdict = verify_trace(&gate, &trace, Some("3 x 3 stations, refined")).unwrap();
    assert_eq!(verdict.outcome, Outcome::CouldNotRun);
    assert!(verdict.text().contains("trace.csv:2:6: "), "{}", verdict.text());
}
