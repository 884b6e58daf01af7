//! Files that were made to do harm, given to `gapgrid` itself: an error that names the file, in little memory and time.
//!
//! Files cut at every byte: `grid_formats.rs`, and `tests/tests/readers.rs`.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs::{self, File};
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeValLike;

/// Most memory that any of these may take, a dozen times the largest file that is read whole.
const MOST_KIB: i64 = 24 * 1024;
/// Most processor time of one run. The slowest takes a second of it on an old machine; work that grows with the square of
/// a file's size takes hours on any. Time on the clock would tell how busy the machine is.
const MOST_WORK: Duration = Duration::from_secs(120);
const FOUR_GIB: u64 = 4 << 30;

/// Where a file's bytes come from.
enum Bytes {
    Whole(Vec<u8>),
    /// A hole of 4 GiB that takes no room on the disk.
    Hole,
    /// Through standard input: a beginning, then one byte over and over, 4 GiB of it if nobody stops that.
    Endless(&'static [u8], u8),
}

fn whole(text: impl AsRef<[u8]>) -> Bytes {
    Bytes::Whole(text.as_ref().to_vec())
}

/// Processor time of all children that have been waited for; the one test here starts them one by one.
fn work() -> Duration {
    let usage = getrusage(UsageWho::RUSAGE_CHILDREN).unwrap();
    let time = |time: nix::sys::time::TimeVal| Duration::from_micros(time.num_microseconds().try_into().unwrap());
    time(usage.user_time()) + time(usage.system_time())
}

/// Gives a file to a command; the message must name it, and nothing may be left behind.
fn refused(folder: &Path, name: &str, bytes: &Bytes, arguments: &[&str]) {
    let (path, before) = (folder.join(name), work());
    match bytes {
        Bytes::Whole(bytes) => fs::write(&path, bytes).unwrap(),
        Bytes::Hole => File::create(&path).unwrap().set_len(FOUR_GIB).unwrap(),
        Bytes::Endless(..) => {}
    }
    let mut child = Command::new(env!("CARGO_BIN_EXE_gapgrid"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    if let Bytes::Endless(beginning, byte) = bytes {
        let chunk = vec![*byte; 1 << 16];
        let mut written = 0;
        // Ends with an error as soon as the program has.
        let _ = stdin.write_all(beginning);
        while written < FOUR_GIB && stdin.write_all(&chunk).is_ok() {
            written += chunk.len() as u64;
        }
        assert!(written < 1 << 24, "{name}: {written} bytes were taken");
    }
    drop(stdin);
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{name} {arguments:?}: {said}");
    assert!(said.starts_with("error: ") && said.contains(name) && !said.contains("panicked"), "{name}: {said}");
    assert!(said.len() < 2000, "{name}: {} bytes of message", said.len());
    let taken = work() - before;
    assert!(taken < MOST_WORK, "{name}: {taken:?}");
    assert!(!folder.join("out.json").exists() && !folder.join("out.gcode").exists(), "{name} left something behind");
}

/// An array with a header of any kind.
fn npy(shape: &str, description: &str, body: &[u8]) -> Vec<u8> {
    let header = format!("{{'descr': '{description}', 'fortran_order': False, 'shape': {shape}, }}\n");
    let length = u16::try_from(header.len()).unwrap().to_le_bytes();
    [b"\x93NUMPY\x01\x00", length.as_slice(), header.as_bytes(), body].concat()
}

/// A document with one part of it changed.
fn json(old: &str, new: &str) -> Vec<u8> {
    let document = r#"{"format":"gapkeeper-grid","version":1,"x0_um":0,"y0_um":0,"pitch_x_um":100,"pitch_y_um":100,
        "shift_um":0,"fade":null,"bed_temperature_c":null,"survey":null,"nodes_um":[[1,2],[3,4]]}"#;
    assert!(document.contains(old));
    document.replace(old, new).into_bytes()
}

fn ply(vertices: &str, first: &str) -> Vec<u8> {
    format!(
        "ply\nformat ascii 1.0\ncomment unit mm\ncomment exaggeration 1\nelement vertex {vertices}\nproperty float x\n\
         property float y\nproperty float z\nelement face 0\nend_header\n{first}\n50 0 1\n0 50 1\n50 50 1\n"
    )
    .into_bytes()
}

/// A table of 2 × 2 readings, the first of which is as given.
fn doubles(first: f64) -> Vec<u8> {
    [first, 0.1, 0.2, 0.3].iter().flat_map(|value| value.to_le_bytes()).collect()
}

fn grids() -> Vec<(&'static str, Bytes)> {
    let two = |bytes: &[u8]| npy("(2, 2)", "<f8", bytes);
    let mut files = vec![
        // Depth.
        ("deep.json", whole("[".repeat(1_000_000))),
        ("keys.json", whole("{\"fade\":".repeat(100_000))),
        ("rows.json", whole(json("[[1,2],[3,4]]", &"[".repeat(900_000)))),
        // Sizes that nothing stands behind.
        ("billion.npy", whole(npy("(1000000000, 2)", "<i2", b""))),
        ("product.npy", whole(npy("(4294967296, 4294967296)", "<f8", b""))),
        ("digits.npy", whole(npy(&format!("({}, 2)", "9".repeat(5_000)), "<f8", b""))),
        ("billion.ply", whole(ply("1000000000", "0 0 1"))),
        ("digits.ply", whole(ply(&"9".repeat(5_000), "0 0 1"))),
        ("rows.csv", whole("x_um,y_um,height_um\n".to_owned() + &"0,0,0\n".repeat(150_000))),
        ("columns.csv", whole("x_um,y_um,height_um\n".to_owned() + &"1,".repeat(400_000))),
        ("wide.txt", whole("0.1 ".repeat(200_000))),
        ("long.txt", whole("0.1\n".repeat(200_000))),
        (
            "points.xyz",
            whole((0..60_000).map(|index| format!("{index} {} 0\n", index * 7 % 60_000)).collect::<String>()),
        ),
        ("record.gkr", whole([b"GapK\x02\x01\xFF\xFF".as_slice(), &[0xFF; 1000]].concat())),
        ("image.hex", whole(":02000004FFFFFC\n".repeat(60_000))),
        // Negative sizes.
        ("negative.npy", whole(npy("(-2, 2)", "<f8", &doubles(0.0)))),
        ("negative.ply", whole(ply("-4", "0 0 1"))),
        ("negative.json", whole(json("\"pitch_x_um\":100", "\"pitch_x_um\":-100"))),
        // What is no number.
        ("nan.npy", whole(two(&doubles(f64::NAN)))),
        ("infinite.npy", whole(two(&doubles(f64::NEG_INFINITY)))),
        ("nan.ply", whole(ply("4", "0 0 nan"))),
        ("nan.xyz", whole("0 0 nan\n50 0 1\n0 50 1\n50 50 1\n")),
        ("infinite.xyz", whole("0 0 -inf\n50 0 1\n0 50 1\n50 50 1\n")),
        ("nan.csv", whole("x_um,y_um,height_um\n0,0,NaN\n100,0,1\n0,100,1\n100,100,1\n")),
        ("nan.txt", whole("nan 0.1\n0.2 0.3\n")),
        ("infinite.txt", whole("0.1 inf\n0.2 0.3\n")),
        ("nan.json", whole(json("[1,2]", "[NaN,2]"))),
        ("infinite.json", whole(json("[1,2]", "[1e999,2]"))),
    ];
    for name in ["hole.json", "hole.csv", "hole.gkr", "hole.hex", "hole.txt", "hole.xyz", "hole.npy", "hole.ply"] {
        files.push((name, Bytes::Hole));
    }
    files
}

#[test]
fn harm_comes_to_an_error_in_little_memory() {
    let folder = tempfile::tempdir().unwrap();
    let told = ["--unit", "mm", "--rows", "first-front", "--origin", "0,0", "--pitch", "50,50", "--address", "0"];
    for (name, bytes) in grids() {
        refused(folder.path(), name, &bytes, &[&["convert", name, "out.json"], &told[..]].concat());
        fs::remove_file(folder.path().join(name)).unwrap();
    }
    fs::write(folder.path().join("good.csv"), "x_um,y_um,height_um\n0,0,1\n100000,0,1\n0,100000,1\n100000,100000,1\n")
        .unwrap();
    for pitch in ["-50,50", "0,0", "nan,50", "50,1e999", "50,99999999999999999999"] {
        refused(
            folder.path(),
            "--pitch",
            &whole(""),
            &["convert", "good.csv", "out.json", &format!("--pitch={pitch}")],
        );
    }
    // One line of 4 GiB: of a number, of blanks, of a comment, of nothing.
    let apply = |job| ["apply", job, "--grid", "good.csv", "-o", "out.gcode"];
    for endless in [&b"G1 X"[..], b"G1 X1", b"; ", b"(", b""] {
        let byte = if endless == b"G1 X1" { b' ' } else { b'0' };
        refused(folder.path(), "-:1:", &Bytes::Endless(endless, byte), &apply("-"));
    }
    refused(folder.path(), "-:1:", &Bytes::Endless(b"", 0), &apply("-"));
    refused(folder.path(), "hole.gcode", &Bytes::Hole, &apply("hole.gcode"));
    fs::remove_file(folder.path().join("hole.gcode")).unwrap();
    for number in ["nan", "inf", "99999999999999999999", "-99999999999999999", "--1"] {
        refused(folder.path(), "job.gcode", &whole(format!("G28\nG1 X{number} Y5\n")), &apply("job.gcode"));
    }
    // The largest of all children that have been waited for.
    let most_kib = getrusage(UsageWho::RUSAGE_CHILDREN).unwrap().max_rss();
    println!("at most {most_kib} KiB");
    assert!(most_kib < MOST_KIB, "{most_kib} KiB");
}
