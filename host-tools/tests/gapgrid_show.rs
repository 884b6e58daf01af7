//! `gapgrid show` as people run it: in a pipe, in a terminal, into files.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;

use std::fs;

use gapgrid_support::{assert_refused, gapgrid};

const GRID: &str = "x_um,y_um,height_um\r\n0,0,0\r\n100000,0,80\r\n200000,0,0\r\n\
                    0,150000,0\r\n100000,150000,80\r\n200000,150000,-41\r\n";

const TABLE: &str = "\
heights in um; X to the right and Y to the back, in mm
Y \\ X |      0    100    200
------+---------------------
  150 |      0     80    -41
    0 |      0     80      0
";

/// What `gapgrid check` says first against it, its remedy in front.
const ADVICE: &str = "Nothing speaks against this grid";

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("grid.csv"), GRID).unwrap();
    folder
}

#[test]
fn a_pipe_gets_plain_characters() {
    let folder = folder();
    let (code, out, error) = gapgrid(folder.path(), "show grid.csv");
    assert_eq!((code, error.as_str()), (Some(0), ""));
    assert!(out.starts_with(TABLE) && out.is_ascii() && !out.contains('\x1b'), "{out}");
    assert!(out.contains("] below -40 um\n"), "{out}");
    assert!(
        out.ends_with(&format!("\n\n{ADVICE}\nsurface: refined, the default where no survey chose one (--surface)\n")),
        "{out}"
    );
    let (_, bilinear, _) = gapgrid(folder.path(), "show grid.csv --surface bilinear");
    assert!(bilinear.starts_with(TABLE) && bilinear != out, "a roof is no bow:\n{bilinear}");
    assert!(bilinear.ends_with("surface: bilinear, as asked\n"), "{bilinear}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_terminal_gets_colour_unless_it_is_unwelcome() {
    use std::io::Read;

    let folder = folder();
    let shown = |variable: (&str, &str)| {
        let (mut pty, pts) = pty_process::blocking::open().unwrap();
        let command = pty_process::blocking::Command::new(env!("CARGO_BIN_EXE_gapgrid"))
            .args(["show", "grid.csv"])
            .current_dir(folder.path())
            .env_remove("NO_COLOR")
            .env("TERM", "xterm-256color")
            .env(variable.0, variable.1);
        let mut child = command.spawn(pts).unwrap();
        let mut bytes = Vec::new();
        // Ends with an error once the program has closed its end.
        let _ = pty.read_to_end(&mut bytes);
        assert!(child.wait().unwrap().success());
        String::from_utf8(bytes).unwrap()
    };
    assert!(shown(("NO_COLOR", "")).contains("\x1b[38;5;"));
    assert!(!shown(("NO_COLOR", "1")).contains('\x1b'));
    assert!(!shown(("TERM", "dumb")).contains('\x1b'));
}

#[test]
fn pictures_go_to_files() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    let said = format!("{ADVICE}\nsurface: refined, the default where no survey chose one (--surface)\n");
    assert_eq!(run("show grid.csv --out map.svg"), (Some(0), said, String::new()));
    let svg = fs::read_to_string(folder.path().join("map.svg")).unwrap();
    for text in ["grid.csv", "3 × 2 stations, from −41 to 80 µm", ">−41</text>", "X, mm", "Y, mm"] {
        assert!(svg.contains(text), "{text}");
    }
    assert_eq!(run("show grid.csv --out map.PNG").0, Some(0));
    assert!(fs::read(folder.path().join("map.PNG")).unwrap().starts_with(b"\x89PNG\r\n"));
}

#[test]
fn mistakes_end_with_2_and_leave_the_output_alone() {
    let folder = folder();
    fs::write(folder.path().join("old.svg"), "old").unwrap();
    fs::write(folder.path().join("bad.csv"), GRID.replace("80", "8O")).unwrap();
    let cases = [
        ("show absent.csv", "absent.csv: cannot be read"),
        ("show bad.csv --out old.svg", "bad.csv:3:"),
        ("show grid.csv --out map.pdf", "map.pdf: pictures are .svg or .png"),
        ("show grid.csv --out nowhere/map.svg", "nowhere/map.svg"),
        ("show grid.csv --surface smooth", "smooth"),
    ];
    assert_refused(folder.path(), &cases);
    assert_eq!(fs::read_to_string(folder.path().join("old.svg")).unwrap(), "old");
}
