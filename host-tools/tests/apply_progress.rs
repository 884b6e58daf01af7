//! The progress bar: on a terminal that nothing else is written to, and nowhere else.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use gapkeeper_host_tools::Watched;

/// Says how the reader is to be made, and that it is to be made at all.
const WAY: &str = "GAPKEEPER_TEST_BAR";

/// What the test below runs in a process of its own, since a bar goes to the standard error of a whole process.
#[test]
#[ignore = "run by the other test"]
fn read_under_a_bar() {
    let Ok(way) = std::env::var(WAY) else { return };
    let file = File::open("job.gcode").unwrap();
    let mut reader = match way.as_str() {
        "beside" => Watched::beside_output(file).after(Duration::ZERO),
        "patient" => Watched::new(file).after(Duration::MAX),
        _ => Watched::new(file).after(Duration::ZERO),
    };
    assert_eq!(io::copy(&mut reader, &mut io::sink()).unwrap(), fs::metadata("job.gcode").unwrap().len());
}

const ARGUMENTS: [&str; 4] = ["--exact", "read_under_a_bar", "--ignored", "--nocapture"];

/// What a terminal at standard error is sent; `shares` has standard output there as well.
fn sent(folder: &Path, way: &str, shares: bool) -> String {
    let (mut pty, pts) = pty_process::blocking::open().unwrap();
    let command = pty_process::blocking::Command::new(std::env::current_exe().unwrap());
    let command = command.args(ARGUMENTS).current_dir(folder).env(WAY, way).env("NO_COLOR", "1").env("TERM", "xterm");
    let command = if shares { command } else { command.stdout(Stdio::null()) };
    let mut child = command.spawn(pts).unwrap();
    let (mut bytes, mut chunk) = (Vec::new(), [0; 4096]);
    // Ends with an error once the program has closed its end.
    while let Ok(count @ 1..) = pty.read(&mut chunk) {
        bytes.extend_from_slice(&chunk[..count]);
    }
    assert!(child.wait().unwrap().success());
    String::from_utf8_lossy(&bytes).into_owned()
}

#[test]
fn a_bar_on_a_terminal_and_nowhere_else() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("job.gcode"), "G1 X10.5 Y20.25 E0.01\n".repeat(20_000)).unwrap();
    let is_bar = |seen: &str| seen.contains(" KiB of ") && seen.contains("left");

    let seen = sent(folder.path(), "file", false);
    assert!(is_bar(&seen), "{seen}");
    // No colour: of the escape sequences only those that move the cursor and clear lines.
    let sequences =
        seen.split('\x1b').skip(1).map(|rest| rest.trim_start_matches(['[', ';']).trim_start_matches(char::is_numeric));
    assert!(sequences.clone().all(|rest| !rest.starts_with('m')), "{seen:?}");
    // The output goes to a file that standard output is sent to, and the bar stays on the terminal.
    assert!(is_bar(&sent(folder.path(), "beside", false)));
    // The output goes to the terminal itself.
    assert!(!is_bar(&sent(folder.path(), "beside", true)));
    // Reading does not take as long as the bar waits.
    assert!(!is_bar(&sent(folder.path(), "patient", false)));
    // No terminal.
    let output = Command::new(std::env::current_exe().unwrap())
        .args(ARGUMENTS)
        .current_dir(folder.path())
        .env(WAY, "file")
        .output()
        .unwrap();
    assert!(output.status.success() && output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn apply_says_one_line_where_there_is_no_terminal() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("grid.csv"),
        "x_um,y_um,height_um\r\n0,0,0\r\n200000,0,80\r\n0,200000,-60\r\n200000,200000,0\r\n",
    )
    .unwrap();
    fs::write(folder.path().join("job.gcode"), "M83\nG28\nG1 X10 Y20 Z0.2 F1200\nG1 X50 E1\n").unwrap();
    let arguments = ["apply", "job.gcode", "--grid", "grid.csv", "-o", "corrected.gcode"];
    let output =
        Command::new(env!("CARGO_BIN_EXE_gapgrid")).args(arguments).current_dir(folder.path()).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success() && !said.contains('\x1b'), "{said}");
}
