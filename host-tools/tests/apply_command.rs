//! `gapgrid apply` as a user runs it.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

const JOB: &str = "G28\nG1 X20 Y20 Z0.2 F1200\nG1 X180 Y160 E7\nG1 E6.2\n";
const GRID: &str = "x_um,y_um,height_um\r\n0,0,0\r\n100000,0,80\r\n200000,0,0\r\n\
                    0,200000,0\r\n100000,200000,80\r\n200000,200000,0\r\n";

fn gapgrid(folder: &Path, arguments: &[&str], input: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_gapgrid"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // The program may end before it has read all of this.
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    child.wait_with_output().unwrap()
}

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("job.gcode"), JOB).unwrap();
    fs::write(folder.path().join("grid.csv"), GRID).unwrap();
    folder
}

#[test]
fn a_job_is_corrected_from_file_and_from_standard_input() {
    let folder = folder();
    let arguments = ["apply", "job.gcode", "--grid", "grid.csv", "-o", "out.gcode"];
    let output = gapgrid(folder.path(), &arguments, "");
    assert!(output.status.success() && output.stdout.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    let corrected = fs::read_to_string(folder.path().join("out.gcode")).unwrap();
    assert!(corrected.starts_with("G28\n; corrected for the bed by gapgrid\nG1 "), "{corrected}");
    // The crest is 80 um high in the middle, and the last line moves nothing.
    assert!(corrected.contains(" Z0.28 ") && corrected.ends_with("G1 E6.2\n"));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.starts_with("2 of 4 lines became "), "{said}");

    let output = gapgrid(folder.path(), &["apply", "-", "--grid", "grid.csv", "-o", "-"], JOB);
    assert_eq!(String::from_utf8(output.stdout).unwrap(), corrected);
    let bilinear = ["apply", "-", "--grid", "grid.csv", "-o", "-", "--surface", "bilinear"];
    let bilinear = String::from_utf8(gapgrid(folder.path(), &bilinear, JOB).stdout).unwrap();
    assert!(bilinear.lines().count() < corrected.lines().count(), "a roof has one crease");
}

#[test]
fn what_is_wrong_is_said_and_nothing_is_left_behind() {
    let folder = folder();
    fs::write(folder.path().join("out.gcode"), "kept").unwrap();
    let refused = |job: &str, more: &[&str], expected: &str| {
        fs::write(folder.path().join("job.gcode"), job).unwrap();
        let fixed = ["apply", "job.gcode", "--grid", "grid.csv", "-o", "out.gcode"];
        let output = gapgrid(folder.path(), &[&fixed[..], more].concat(), "");
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(expected) && !said.contains("panicked"), "{said}");
        assert_eq!(fs::read_to_string(folder.path().join("out.gcode")).unwrap(), "kept");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3, "{said}");
    };
    refused("G28\nG1 X5 Yb\n", &[], "job.gcode:2:7: Y has no number");
    refused("G0 X5\n; corrected for the bed by gapgrid\n", &[], "job.gcode:2:3: this job was corrected already");
    refused("G28\nG1 X5 Y5 Z-0.4 F900\n", &["--lowest-mm", "-0.2"], "below the lowest allowed, -200 um");
    refused(JOB, &["--tolerance-um", "1"], "error: --tolerance-um 1: ");
    refused(JOB, &["--surface", "smooth"], "smooth");
    refused("", &[], "job.gcode: the job is empty");
    refused("G28\nG987 X5\n", &[], "job.gcode:2:1: G987 is not known here and may move or shift axes");
    refused("G28\nG987 X5\n", &["--pass", "G9870"], "or let it through: --pass G987");
    refused(JOB, &["--pass", "what"], "is no word of a letter and a number");
    refused(JOB, &["--origin", "5"], "give X,Y or X,Y,Z in millimetres");
    let directory = gapgrid(folder.path(), &["apply", ".", "--grid", "grid.csv", "-o", "out.gcode"], "");
    let said = String::from_utf8(directory.stderr).unwrap();
    assert!(said.starts_with("error: .:1: the file cannot be read") && !said.contains('^'), "{said}");
    let missing = ["apply", "none.gcode", "--grid", "grid.csv", "-o", "out.gcode"];
    assert_eq!(gapgrid(folder.path(), &missing, "").status.code(), Some(2));
}

#[test]
fn the_job_is_replaced_only_if_that_is_allowed() {
    let folder = folder();
    #[cfg(unix)]
    std::os::unix::fs::symlink("job.gcode", folder.path().join("link.gcode")).unwrap();
    fs::hard_link(folder.path().join("job.gcode"), folder.path().join("other.gcode")).unwrap();
    for output in ["job.gcode", "./job.gcode", "other.gcode", "link.gcode"] {
        let arguments = ["apply", "job.gcode", "--grid", "grid.csv", "-o", output];
        let refused = gapgrid(folder.path(), &arguments, "");
        let said = String::from_utf8(refused.stderr).unwrap();
        assert!(refused.status.code() == Some(2) && said.contains("--in-place"), "{output}: {said}");
        assert_eq!(fs::read_to_string(folder.path().join("job.gcode")).unwrap(), JOB);
    }
    // The grid never is.
    let arguments = ["apply", "job.gcode", "--grid", "grid.csv", "-o", "./grid.csv", "--in-place"];
    let said = String::from_utf8(gapgrid(folder.path(), &arguments, "").stderr).unwrap();
    assert!(said.contains("./grid.csv: the output would replace the grid\n"), "{said}");
    let arguments = ["apply", "job.gcode", "--grid", "grid.csv", "-o", "job.gcode", "--in-place"];
    assert!(gapgrid(folder.path(), &arguments, "").status.success());
    assert!(fs::read_to_string(folder.path().join("job.gcode")).unwrap().contains("corrected for the bed"));
}

#[cfg(unix)]
#[test]
fn a_device_is_written_to_and_a_closed_pipe_is_no_fault() {
    use std::os::unix::fs::FileTypeExt;
    let folder = folder();
    let arguments = ["apply", "job.gcode", "--grid", "grid.csv", "-o", "/dev/null"];
    assert!(gapgrid(folder.path(), &arguments, "").status.success());
    assert!(fs::metadata("/dev/null").unwrap().file_type().is_char_device());
    // Far more than a pipe holds.
    fs::write(folder.path().join("job.gcode"), format!("{JOB}{}", "G1 X20 E1\nG1 X180 E9\n".repeat(20_000))).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_gapgrid"))
        .args(["apply", "job.gcode", "--grid", "grid.csv", "-o", "-"])
        .current_dir(folder.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success() && output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn what_the_person_should_know_is_told() {
    let folder = folder();
    let job = "START_JOB BED=60\nM140 S60\nM104 S205\nM987 S1\nM117 hello there\nG28\nG92 E0\nG0 X20 Y20 Z0.2\nG1 X180 E5 F900\nT1\nG91\nG1 Z5\n";
    fs::write(folder.path().join("job.gcode"), job).unwrap();
    let output = gapgrid(folder.path(), &["apply", "job.gcode", "--grid", "grid.csv", "-o", "out.gcode"], "");
    let said = String::from_utf8(output.stderr).unwrap();
    for expected in [
        "2 of 12 lines became ",
        "surface: refined, the default where no survey chose one (--surface)",
        "machine Z: 0.2",
        "(line 8) to 0.28 mm (line 9); no lowest height stated (--lowest-mm)",
        "bed: 60 °C in the job, not stated in the grid; nozzle: 205 °C",
        "harmless as far as their words show: M987 (1 time, first on line 4), M117 (1 time, first on line 5)",
        "may move axes; the position was taken as unknown after them: START_JOB (1 time, first on line 1)",
        "warning: 1 motion passed unchanged",
        "X, Y, Z not known since line 10 (a tool change)",
        "WARNING: START_JOB on line 1 (and 1 more of the words above) is not known here.",
        "the job is corrected twice",
    ] {
        assert!(said.contains(expected), "{expected}: {said}");
    }
}

#[test]
fn the_lowest_height_is_the_grids_unless_another_is_asked_for() {
    let folder = folder();
    let grid = r#"{ "format": "gapkeeper-grid", "version": 1, "x0_um": 0, "y0_um": 0, "pitch_x_um": 100000,
        "pitch_y_um": 200000, "shift_um": 0, "fade": null, "bed_temperature_c": null, "survey": null,
        "lowest_machine_z_um": -200, "nodes_um": [[0, 80, 0], [0, 80, 0]] }"#;
    fs::write(folder.path().join("grid.json"), grid).unwrap();
    fs::write(folder.path().join("job.gcode"), "G28\nG0 X0 Y0 Z-0.2\nG1 Z-0.201 F9\n").unwrap();
    let applied = |more: &[&str]| {
        let fixed = ["apply", "job.gcode", "--grid", "grid.json", "-o", "out.gcode", "--surface", "bilinear"];
        let output = gapgrid(folder.path(), &[&fixed[..], more].concat(), "");
        (output.status.code(), String::from_utf8(output.stderr).unwrap())
    };
    let (code, said) = applied(&[]);
    assert!(code == Some(2) && said.contains("job.gcode:3:1: ") && said.contains("-200 um"), "{said}");
    let (code, said) = applied(&["--lowest-mm", "-0.3"]);
    assert!(code == Some(0) && said.contains("not below -0.3 mm, as asked"), "{said}");
    assert!(said.contains("surface: bilinear, as asked\n"), "{said}");
    fs::write(folder.path().join("job.gcode"), "G28\nG0 X0 Y0 Z-0.2\n").unwrap();
    let (code, said) = applied(&[]);
    assert!(code == Some(0) && said.contains("not below -0.2 mm, as the grid states"), "{said}");
}

#[test]
fn what_is_told_of_a_hostile_job_is_masked() {
    let folder = folder();
    fs::write(
        folder.path().join("job.gcode"),
        "M987\u{1b}[2J\u{202e}x\n_macro\u{1b}c A=\u{7}\nG28\nG0 X1 Y1 Z1\nG0 X\u{1b}\n",
    )
    .unwrap();
    let arguments = ["apply", "job.gcode", "--grid", "grid.csv", "-o", "out.gcode", "--keep-going"];
    let output = gapgrid(folder.path(), &arguments, "");
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.contains("passed unchanged"), "{said}");
    assert!(!said.contains(['\u{1b}', '\u{202e}', '\u{7}', '\r']), "{said:?}");
}
