//! Files that were made to do harm, given to `gapsim` itself: an error that names the file, in little memory and time.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::fs::{self, File};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use gapkeeper_sim::demo;
use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeValLike;

/// Most memory that any of these may take: some dozens of bytes for each of the million of the largest scenario.
const MOST_KIB: i64 = 64 * 1024;
/// Most processor time of one run. The slowest takes a second of it on an old machine; work that grows with the square of
/// a file's size takes hours on any. Time on the clock would tell how busy the machine is.
const MOST_WORK: Duration = Duration::from_secs(120);
const FOUR_GIB: u64 = 4 << 30;

/// Processor time of all children that have been waited for; the one test here starts them one by one.
fn work() -> Duration {
    let usage = getrusage(UsageWho::RUSAGE_CHILDREN).unwrap();
    let time = |time: nix::sys::time::TimeVal| Duration::from_micros(time.num_microseconds().try_into().unwrap());
    time(usage.user_time()) + time(usage.system_time())
}

/// The message names the file, and nothing else is said.
fn refused(folder: &Path, arguments: &[&str], name: &str, endless: Option<&[u8]>) {
    let before = work();
    let mut child = Command::new(env!("CARGO_BIN_EXE_gapsim"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    if let Some(beginning) = endless {
        let (chunk, mut written) = (vec![b'0'; 1 << 16], 0);
        // Ends with an error as soon as the program has.
        let _ = stdin.write_all(beginning);
        while written < FOUR_GIB && stdin.write_all(&chunk).is_ok() {
            written += chunk.len() as u64;
        }
        assert!(written < 1 << 24, "{written} bytes were taken");
    }
    drop(stdin);
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{name}: {said}");
    assert!(said.starts_with("error: ") && said.contains(name) && !said.contains("panicked"), "{name}: {said}");
    assert!(said.len() < 2000, "{name}: {} bytes of message", said.len());
    let taken = work() - before;
    assert!(taken < MOST_WORK, "{name}: {taken:?}");
}

#[test]
fn harm_comes_to_an_error_in_little_memory() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("good.toml"), demo::SCENARIO_TEXT).unwrap();
    fs::write(folder.path().join("job.gcode"), "G28\nG1 X20 Y20 Z0.2 F1200\nG1 X60 E1\n").unwrap();
    let with = |old: &str, new: &str| {
        assert!(demo::SCENARIO_TEXT.contains(old), "{old}");
        demo::SCENARIO_TEXT.replace(old, new)
    };
    let files = [
        ("deep.toml", "a = ".to_owned() + &"[".repeat(500_000)),
        ("tables.toml", "a = ".to_owned() + &"{ a = ".repeat(100_000)),
        ("dots.toml", "a.".repeat(300_000) + "a = 1"),
        ("nan.toml", with("height_um = 340", "height_um = nan")),
        ("infinite.toml", with("height_um = 340", "height_um = -inf")),
        ("large.toml", with("height_um = 340", "height_um = 1e400")),
        ("negative.toml", with("stations = [3, 3]", "stations = [-3, 3]")),
        ("billion.toml", with("stations = [3, 3]", "stations = [1000000000, 1000000000]")),
        ("bed.toml", with("x_mm = [0, 230]", "x_mm = [0, 1e300]")),
        ("steps.toml", with("z = 400", "z = 0")),
        ("screw.toml", with("height_um = -190", "height_um = nan")),
    ];
    for (name, text) in files {
        fs::write(folder.path().join(name), text).unwrap();
        refused(folder.path(), &["replay", "job.gcode", "--scenario", name], name, None);
        fs::remove_file(folder.path().join(name)).unwrap();
    }
    File::create(folder.path().join("hole.toml")).unwrap().set_len(FOUR_GIB).unwrap();
    refused(folder.path(), &["replay", "job.gcode", "--scenario", "hole.toml"], "hole.toml", None);
    for beginning in [&b"G1 X"[..], b"; "] {
        let arguments = ["replay", "/dev/stdin", "--scenario", "good.toml"];
        refused(folder.path(), &arguments, "/dev/stdin:1:", Some(beginning));
    }
    // The largest of all children that have been waited for.
    let most_kib = getrusage(UsageWho::RUSAGE_CHILDREN).unwrap().max_rss();
    println!("at most {most_kib} KiB");
    assert!(most_kib < MOST_KIB, "{most_kib} KiB");
}
