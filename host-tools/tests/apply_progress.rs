//! The progress bar of `gapgrid apply`: on a terminal that nothing else is written to, and nowhere else.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs::{self, File};
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const GRID: &str = "x_um,y_um,height_um\r\n0,0,0\r\n200000,0,80\r\n0,200000,-60\r\n200000,200000,0\r\n";
/// The bar comes after half a second; a job that takes this long shows it, be the machine as busy as it may.
const LONG: Duration = Duration::from_millis(1200);

/// A folder with a grid and a job that takes long on this machine.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("grid.csv"), GRID).unwrap();
    let mut lines = 200_000_u32;
    loop {
        let moves = (0..lines).map(|line| format!("G1 X{}.5 Y{}.25 E0.01\n", line * 7 % 200, line * 13 % 200));
        let job = moves.fold("M83\nG28\nG0 X0 Y0 Z1\n".to_owned(), |job, line| job + &line);
        fs::write(folder.path().join("job.gcode"), job).unwrap();
        let started = Instant::now();
        without_terminal(folder.path());
        let taken = started.elapsed();
        if taken >= LONG {
            return folder;
        }
        lines += (f64::from(lines) * (1.2 * LONG.as_secs_f64() / taken.as_secs_f64() - 1.0)) as u32 + 1;
    }
}

/// What is said where there is no terminal.
fn without_terminal(folder: &Path) -> String {
    let arguments = ["apply", "job.gcode", "--grid", "grid.csv", "-o", "corrected.gcode"];
    let output = Command::new(env!("CARGO_BIN_EXE_gapgrid")).args(arguments).current_dir(folder).output().unwrap();
    String::from_utf8(output.stderr).unwrap()
}

/// What a terminal at standard error is sent; `shares` has standard output there as well.
fn sent(folder: &Path, output: &str, shares: bool) -> String {
    let (mut pty, pts) = pty_process::blocking::open().unwrap();
    let arguments = ["apply", "job.gcode", "--grid", "grid.csv", "-o", output];
    let command = pty_process::blocking::Command::new(env!("CARGO_BIN_EXE_gapgrid"));
    let command = command.args(arguments).current_dir(folder).env("NO_COLOR", "1");
    let to_file = || Stdio::from(File::create(folder.join("out")).unwrap());
    let command = if shares { command } else { command.stdout(to_file()) };
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
    let folder = folder();
    let seen = sent(folder.path(), "corrected.gcode", false);
    assert!(seen.contains(" MiB of ") && seen.contains("left"), "{seen}");
    assert!(seen.contains("lines became"), "{seen}");
    // No colour: of the escape sequences only those that move the cursor and clear lines.
    let sequences =
        seen.split('\x1b').skip(1).map(|rest| rest.trim_start_matches(['[', ';']).trim_start_matches(char::is_numeric));
    assert!(sequences.clone().all(|rest| !rest.starts_with('m')), "{seen:?}");
    // The job goes to a file that standard output is sent to, and the bar stays on the terminal.
    assert!(sent(folder.path(), "-", false).contains(" MiB of "));
    let corrected = fs::read(folder.path().join("corrected.gcode")).unwrap();
    assert!(fs::read(folder.path().join("out")).unwrap() == corrected, "the bar is in the job");
    // The job goes to the terminal itself.
    let seen = sent(folder.path(), "-", true);
    assert!(!seen.contains(" MiB of ") && seen.len() > corrected.len());
    let said = without_terminal(folder.path());
    assert!(said.contains(" pieces; the job is ") && !said.contains("MiB") && !said.contains('\x1b'), "{said}");
}
