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
    refused("G1 X5\n; corrected for the bed by gapgrid\n", &[], "job.gcode:2:3: this job was corrected already");
    refused("G28\nG1 X5 Z-0.4\n", &["--lowest-um", "-200"], "below the lowest allowed, -200 um");
    refused(JOB, &["--tolerance-um", "1"], "use 2 to 1000 um");
    refused(JOB, &["--surface", "smooth"], "smooth");
    let missing = ["apply", "none.gcode", "--grid", "grid.csv", "-o", "out.gcode"];
    assert_eq!(gapgrid(folder.path(), &missing, "").status.code(), Some(2));
}
