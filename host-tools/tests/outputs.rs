//! What `gapgrid` writes to, and what it leaves: devices, pipes, links, signals, names that would steer a terminal.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;

use std::fs::{self, File};
use std::io::{Read, Write};
use std::os::unix::fs::FileTypeExt;
use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::{Command, Stdio};

use gapgrid_support::{document, gapgrid};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

const CSV: &str = "x_um,y_um,height_um\r\n10000,20000,1\r\n60000,20000,-2\r\n10000,65500,3\r\n60000,65500,4\r\n";

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("grid.json"), document("[[1, -2], [3, 4]]")).unwrap();
    fs::write(folder.path().join("grid.csv"), CSV).unwrap();
    folder
}

fn program(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_gapgrid"));
    command.args(arguments).current_dir(folder);
    command
}

#[test]
fn a_device_or_a_pipe_is_written_to_and_stays() {
    let folder = folder();
    let pipe = folder.path().join("pipe.csv");
    nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::from_bits_truncate(0o600)).unwrap();
    let mut writer =
        program(folder.path(), &["convert", "grid.json", "pipe.csv"]).stdout(Stdio::null()).spawn().unwrap();
    assert_eq!(fs::read_to_string(&pipe).unwrap(), CSV);
    assert!(writer.wait().unwrap().success());
    assert!(fs::symlink_metadata(&pipe).unwrap().file_type().is_fifo());

    // A device behind a link of our own, and the system's links to what is open.
    std::os::unix::fs::symlink("/dev/null", folder.path().join("null.csv")).unwrap();
    assert_eq!(gapgrid(folder.path(), "convert grid.json null.csv").0, Some(0));
    assert!(fs::metadata("/dev/null").unwrap().file_type().is_char_device());
    for name in ["/dev/stdout", "/proc/self/fd/1"] {
        let (code, out, error) = gapgrid(folder.path(), &format!("convert grid.json {name} --to csv"));
        assert!(code == Some(0) && out.starts_with(CSV), "{name}: {out} {error}");
    }
    assert!(fs::symlink_metadata("/dev/stdout").is_ok_and(|found| found.is_symlink()));
}

#[test]
fn a_closed_pipe_is_no_fault_wherever_it_is_found() {
    let folder = folder();
    let job: String = (0..20_000).map(|line| format!("G1 X{} Y30 E1\n", 10 + line % 50)).collect();
    fs::write(folder.path().join("job.gcode"), "G28\nM83\n".to_owned() + &job).unwrap();
    for arguments in [
        &["apply", "job.gcode", "--grid", "grid.csv", "-o", "-"][..],
        &["convert", "grid.json", "/dev/stdout", "--to", "csv"],
        &["show", "grid.json"],
        &["check", "grid.json", "--json"],
        &["source", "grid.json", "--language", "c"],
        &["diff", "grid.json", "grid.csv"],
        &["man"],
        &["completions", "zsh"],
    ] {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let output = program(folder.path(), arguments).stdout(writer).stderr(Stdio::piped()).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
        assert!(!String::from_utf8_lossy(&output.stderr).contains("error"), "{arguments:?}");
    }
}

/// A shell has its jobs in the background ignore an interruption.
#[test]
fn an_ignored_signal_stays_ignored() {
    let folder = folder();
    let script = "trap '' INT; exec \"$0\" apply - --grid grid.csv -o out.gcode";
    let mut child = Command::new("sh")
        .args(["-c", script, env!("CARGO_BIN_EXE_gapgrid")])
        .current_dir(folder.path())
        .stdin(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    stdin.write_all(b"G28\n").unwrap();
    while fs::read_dir(folder.path()).unwrap().count() < 3 {
        assert!(child.try_wait().unwrap().is_none(), "it ended by itself");
        std::thread::yield_now();
    }
    kill(Pid::from_raw(child.id().try_into().unwrap()), Signal::SIGINT).unwrap();
    stdin.write_all(b"G1 X20 Y30 Z0.2 F900\n").unwrap();
    drop(stdin);
    assert!(child.wait().unwrap().success());
    assert!(folder.path().join("out.gcode").exists());
}

#[test]
fn a_signal_leaves_no_temporary_file() {
    for signal in [Signal::SIGINT, Signal::SIGTERM] {
        // As for jobs in the background of a shell; the program inherits that.
        if is_ignored(signal) {
            println!("skipped: this test was started with {signal} ignored");
            continue;
        }
        let folder = folder();
        fs::write(folder.path().join("out.gcode"), "old").unwrap();
        // Reads from us, and so waits in the middle of its output.
        let mut child = program(folder.path(), &["apply", "-", "--grid", "grid.csv", "-o", "out.gcode"])
            .stdin(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut stdin = child.stdin.take().unwrap();
        stdin.write_all(b"G28\n").unwrap();
        let names = || fs::read_dir(folder.path()).unwrap().count();
        while names() < 4 {
            assert!(child.try_wait().unwrap().is_none(), "it ended by itself");
            std::thread::yield_now();
        }
        kill(Pid::from_raw(child.id().try_into().unwrap()), signal).unwrap();
        let status = child.wait().unwrap();
        assert_eq!(status.signal(), Some(signal as i32), "{status:?}");
        assert_eq!(names(), 3, "{signal}: a file is left");
        assert_eq!(fs::read_to_string(folder.path().join("out.gcode")).unwrap(), "old");
    }
}

fn is_ignored(signal: Signal) -> bool {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:")).unwrap();
    u64::from_str_radix(ignored.trim(), 16).unwrap() >> (signal as u32 - 1) & 1 == 1
}

/// Whatever steers a terminal: a colour, a title, a turned line, a return to the start, a line of its own.
const EVIL: &str = "x\u{1b}[31m\u{9b}1m\u{202e}\u{2066}\r\nerror: y";

fn said(folder: &Path, arguments: &[&str]) -> String {
    let output = program(folder, arguments).output().unwrap();
    assert_ne!(output.status.code(), Some(101), "{arguments:?}");
    String::from_utf8(output.stdout).unwrap() + &String::from_utf8(output.stderr).unwrap()
}

#[test]
fn no_name_and_no_content_steers_the_terminal() {
    let folder = folder();
    let at = |name: &str| folder.path().join(name);
    let named = |extension: &str| format!("{EVIL}.{extension}");
    fs::write(at(&named("json")), document("[[1, -2], [3, x]]")).unwrap();
    fs::write(at("key.json"), document("[[1, -2], [3, 4]]").replace("shift_um", r"\u001b[31m\u202e\nx")).unwrap();
    fs::write(at("format.json"), document("[[1, 2], [3, 4]]").replace("gapkeeper-grid", r"\u009b1m\u2066")).unwrap();
    for (name, text) in [
        ("word.txt", format!("1 2\n3 {EVIL}\n")),
        ("header.csv", format!("{EVIL},y_um,height_um\n")),
        ("field.csv", format!("x_um,y_um,height_um\n0,0,\"{EVIL}\"\n")),
        ("word.xyz", format!("1 2 {EVIL}\n")),
        ("word.hex", EVIL.to_owned()),
        ("word.ply", format!("ply\nformat {EVIL}\n")),
        ("job.gcode", format!("G28\nG1 X1 {EVIL}\n")),
    ] {
        fs::write(at(name), text).unwrap();
    }
    let json = named("json");
    for arguments in [
        &["check", &json][..],
        &["check", &json, "--json"],
        &["show", "grid.json", "--out", &named("svg")],
        &["show", "grid.json", "--out", &named("pdf")],
        &["convert", "grid.json", &format!("nowhere/{EVIL}.csv")],
        &["convert", "grid.json", &named("none")],
        &["check", "key.json"],
        &["check", "format.json"],
        &["convert", "word.txt", "out.json"],
        &["check", "header.csv"],
        &["check", "field.csv"],
        &["convert", "word.xyz", "out.json", "--unit", "mm"],
        &["convert", "word.hex", "out.json", "--address", "0"],
        &["convert", "word.ply", "out.json"],
        &["apply", "job.gcode", "--grid", "grid.csv", "-o", "out.gcode"],
        &["apply", EVIL, "--grid", "grid.csv", "-o", "out.gcode"],
        &["tram", "grid.json", "--screw", EVIL, "--thread", "1", "--hold", EVIL],
        &["shift", "grid.json", EVIL, "-o", "out.json"],
        &["refine", "grid.json", "--nodes", EVIL, "-o", "out.json"],
        &["man", "--out", &format!("grid.json/{EVIL}")],
        &[EVIL],
        &["show", "grid.json", &format!("--{EVIL}")],
    ] {
        let said = said(folder.path(), arguments);
        let steers = |character: char| {
            (character.is_control() && character != '\n') || ('\u{202a}'..='\u{2069}').contains(&character)
        };
        assert!(!said.contains(steers), "{arguments:?}: {said:?}");
        assert!(
            said.contains('\u{fffd}') || said.contains("\\u") || arguments[0] == "check" || !said.contains("[31m"),
            "{arguments:?}: {said:?}"
        );
        assert!(!said.contains("\nerror: y"), "{arguments:?} says a line that is none of ours: {said:?}");
    }
}

/// Root is asked for no rights, so there the folder is tried that is none.
#[test]
fn a_folder_that_takes_no_file_is_named_with_a_remedy() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder();
    let closed = folder.path().join("closed");
    fs::create_dir(&closed).unwrap();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o555)).unwrap();
    let is_root = File::create(closed.join("probe")).is_ok();
    let target = if is_root { "/proc/out.csv" } else { "closed/out.csv" };
    for arguments in [&["convert", "grid.json", target][..], &["convert", "grid.json", "closed", "--to", "csv"]] {
        let said = said(folder.path(), arguments);
        assert!(said.contains(": cannot be written: ") && said.contains("\n  check the folder"), "{said}");
        assert!(said.matches("os error").count() < 2 && !said.contains(".gapkeeper-"), "{said}");
    }
    let mut text = String::new();
    File::open(folder.path().join("grid.csv")).unwrap().read_to_string(&mut text).unwrap();
    assert_eq!(text, CSV);
}
