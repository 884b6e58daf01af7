//! `gapsim rehearse` in a real pseudo-terminal, as a person would use it: reads the screen, presses keys.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::fs;
use std::io::{Read, Write};
use std::num::NonZero;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use gapkeeper_host_tools::grid_file::read_grid;
use gapkeeper_sim::bed::ModelledBed;
use gapkeeper_sim::demo;
use gapkeeper_sim::rehearse::FullScreen;
use gapkeeper_sim::scenario::Scenario;
use pty_process::Size;
use pty_process::blocking::Pty;
use rustix::termios::{LocalModes, tcgetattr};

const UP: &str = "\x1b[A";
const DOWN: &str = "\x1b[B";
const PAGE_DOWN: &str = "\x1b[6~";
const LEFT: &str = "\x1b[D";
const ENTER: &str = "\r";
const CTRL_C: &str = "\x03";

/// Ends a wait that would never end; what is waited for comes in milliseconds, or in seconds on a busy machine.
const PATIENCE: Duration = Duration::from_secs(600);

/// A program in a terminal of 80 x 24, and what the terminal shows.
struct Terminal {
    pty: Arc<Pty>,
    child: Child,
    screen: Arc<Mutex<vt100::Parser>>,
    modes_before: LocalModes,
}

impl Terminal {
    fn run(folder: &Path, program: &str, arguments: &[&str]) -> Self {
        let (pty, pts) = pty_process::blocking::open().unwrap();
        let pty = Arc::new(pty);
        pty.resize(Size::new(24, 80)).unwrap();
        let modes_before = tcgetattr(&*pty).unwrap().local_modes;
        let command = pty_process::blocking::Command::new(program).args(arguments).current_dir(folder);
        // A message is looked for, not the way to it.
        let command = command.env("RUST_BACKTRACE", "0");
        let child = command.spawn(pts).unwrap();
        let screen = Arc::new(Mutex::new(vt100::Parser::new(count(24), count(80), 200)));
        let (from, to) = (Arc::clone(&pty), Arc::clone(&screen));
        // Ends with an error once the last process has closed its end.
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(count @ 1..) = (&*from).read(&mut bytes) {
                to.lock().unwrap().process(&bytes[..count]);
            }
        });
        Self { pty, child, screen, modes_before }
    }

    fn rehearse(folder: &Path, more: &[&str]) -> Self {
        let fixed = ["rehearse", "--scenario", "bench.toml", "-o", "grid.json"];
        Self::run(folder, env!("CARGO_BIN_EXE_gapsim"), &[&fixed, more].concat())
    }

    fn press(&self, keys: &str) {
        (&*self.pty).write_all(keys.as_bytes()).unwrap();
    }

    fn text(&self) -> String {
        self.screen.lock().unwrap().screen().contents()
    }

    /// The first text on the screen that is as wanted.
    fn see<T>(&self, what: &str, wanted: impl Fn(&str) -> Option<T>) -> T {
        let since = Instant::now();
        loop {
            let text = self.text();
            if let Some(found) = wanted(&text) {
                return found;
            }
            assert!(since.elapsed() < PATIENCE, "{what} is never seen on\n{text}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    fn see_text(&self, wanted: &str) {
        self.see(wanted, |text| text.contains(wanted).then_some(()));
    }

    /// The first whole screen of the rehearsal that is as wanted; the cursor rests below its lines.
    fn see_screen<T>(&self, what: &str, wanted: impl Fn(&str) -> Option<T>) -> T {
        self.see(what, |_| {
            let parser = self.screen.lock().unwrap();
            let text = parser.screen().contents();
            if parser.screen().cursor_position() == (21, 0) { wanted(&text) } else { None }
        })
    }

    /// Skips the wait and goes to the first station.
    fn begin_round(&self) {
        self.see_text("Enter skips the wait");
        self.press(ENTER);
        self.see_text("│Hands off, then");
        self.press(ENTER);
    }

    fn see_station(&self, visit: u8, visits: u8) {
        let wanted = format!("│Station {visit} of {visits} ");
        self.see_screen(&wanted, |text| text.contains(&wanted).then_some(()));
    }

    /// Turns by one step and waits until the nozzle has followed.
    fn turn(&self, key: &str) {
        let before = line(&self.text(), "nozzle Z");
        self.press(key);
        self.see_screen("another height", |text| {
            let after = line(text, "nozzle Z");
            (after.is_some() && after != before).then_some(())
        });
    }

    /// Turns as the paper says until it drags right.
    fn set_gap(&self) {
        for _ in 0..300 {
            let words = self.see_screen("the paper's drag", |text| line(text, "paper:"));
            match words.as_str() {
                "drags right" => return,
                "loose" | "just touches" | "drags a little" => self.turn(DOWN),
                "hard to pull" | "stuck" => self.turn(UP),
                other => panic!("what is {other:?}?\n{}", self.text()),
            }
        }
        panic!("never drags right:\n{}", self.text());
    }

    fn wait(&mut self) -> ExitStatus {
        let since = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status;
            }
            assert!(since.elapsed() < PATIENCE, "it does not end:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Screen, cursor and line mode are as the program found them, and it says this last.
    fn assert_restored(&self, says: &str) {
        self.see_text(says);
        let parser = self.screen.lock().unwrap();
        assert!(!parser.screen().alternate_screen(), "still on the other screen");
        assert!(!parser.screen().hide_cursor(), "the cursor is gone");
        assert_eq!(tcgetattr(&*self.pty).unwrap().local_modes, self.modes_before, "keys are still raw");
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // A test that has failed leaves no program behind; one that has ended cannot be killed, which is fine.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn count(count: u16) -> NonZero<u16> {
    NonZero::new(count).unwrap()
}

/// What follows a heading in the left part of the screen.
fn line(text: &str, heading: &str) -> Option<String> {
    let line = text.lines().find_map(|line| line.strip_prefix(heading))?;
    Some(line.chars().take(15).collect::<String>().trim().to_string())
}

fn bench() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    // The plate is at rest, so what was read can be compared with the bed as it is.
    let text = demo::SCENARIO_TEXT.replace("settle_um = 40", "settle_um = 0");
    fs::write(folder.path().join("bench.toml"), text).unwrap();
    folder
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<_> =
        fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn a_person_measures_the_bed_by_what_the_paper_says() {
    let folder = bench();
    let mut terminal = Terminal::rehearse(folder.path(), &["--stations", "2x2"]);
    terminal.see_text("Enter skips the wait");
    terminal.see_text("on the real machine bed and nozzle are hot");
    terminal.begin_round();
    // Four stations, the first once more.
    for visit in 1..=5 {
        terminal.see_station(visit, 5);
        if visit == 1 {
            // Far above the bed at first.
            for _ in 0..8 {
                terminal.turn(PAGE_DOWN);
            }
        }
        if visit == 3 {
            // Second thoughts about the second.
            terminal.press(LEFT);
            terminal.see_station(2, 5);
            terminal.set_gap();
            terminal.press(ENTER);
            terminal.see_station(3, 5);
        }
        terminal.set_gap();
        assert!(!terminal.text().contains("off by"), "the truth is told too early:\n{}", terminal.text());
        terminal.press(ENTER);
    }
    let status = terminal.wait();
    assert!(status.success(), "{status}\n{}", terminal.text());
    terminal.assert_restored("written to grid.json");
    let text = terminal.text();
    assert!(text.contains("1 again") && text.contains("tram advice") && text.contains("um RMS"), "{text}");

    let grid = read_grid(&folder.path().join("grid.json")).unwrap().grid;
    let scenario = Scenario::read(&folder.path().join("bench.toml")).unwrap();
    let bed = ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let lattice = grid.lattice();
    assert_eq!((lattice.columns, lattice.rows), (2, 2));
    for (node, &height_um) in (0_u8..).zip(grid.nodes_um()) {
        let (x_um, y_um) = lattice.node_um(node % 2, node / 2);
        let off_um = f64::from(height_um) - bed.height_um(f64::from(x_um) / 1000.0, f64::from(y_um) / 1000.0);
        assert!(off_um.abs() <= 20.0, "node {node} is off by {off_um} um, more than two detents");
    }
}

#[test]
fn ending_it_puts_the_terminal_back_and_writes_nothing() {
    for keys in ["q", "\x1b", CTRL_C] {
        let folder = bench();
        let mut terminal = Terminal::rehearse(folder.path(), &[]);
        terminal.begin_round();
        terminal.see_station(1, 14);
        terminal.see_text("│HOT bed 60 tip 200");
        assert!(terminal.screen.lock().unwrap().screen().alternate_screen());
        assert!(!tcgetattr(&*terminal.pty).unwrap().local_modes.contains(LocalModes::ICANON));
        terminal.turn(DOWN);
        terminal.press(ENTER);
        terminal.see_station(2, 14);
        terminal.press(keys);
        let status = terminal.wait();
        assert_eq!(status.code(), Some(1), "{keys:?}");
        terminal.assert_restored("ended before all stations were read: nothing is kept, nothing written");
        assert_eq!(names(folder.path()), ["bench.toml"]);
    }
}

#[test]
fn a_small_terminal_waits_until_it_is_larger() {
    let folder = bench();
    let mut terminal = Terminal::rehearse(folder.path(), &[]);
    terminal.see_text("Enter skips the wait");
    let resize = |lines, columns| {
        terminal.screen.lock().unwrap().screen_mut().set_size(count(lines), count(columns));
        terminal.pty.resize(Size::new(lines, columns)).unwrap();
    };
    resize(19, 59);
    terminal.see_text("needs 60x21");
    assert!(!terminal.text().contains("Enter skips"), "{}", terminal.text());
    resize(21, 60);
    terminal.see_text("keep a hand at the main switch.");
    terminal.see_text("Rehearsal: Drawer tray");
    resize(10, 40);
    terminal.see_text("This terminal has 40x10");
    terminal.press("q");
    assert_eq!(terminal.wait().code(), Some(1));
    terminal.assert_restored("ended before");
}

/// What the test below looks at: takes the terminal and comes to grief.
#[test]
#[ignore = "a program for another test, which runs it in a terminal"]
#[should_panic]
fn comes_to_grief_in_a_terminal() {
    let _screen = FullScreen::open().unwrap();
    panic!("grief has come");
}

#[test]
fn a_panic_puts_the_terminal_back_and_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let this = std::env::current_exe().unwrap();
    let arguments = ["--ignored", "--exact", "comes_to_grief_in_a_terminal", "--nocapture", "--test-threads=1"];
    let mut terminal = Terminal::run(folder.path(), this.to_str().unwrap(), &arguments);
    terminal.wait();
    terminal.assert_restored("grief has come");
}

#[test]
fn without_a_terminal_it_refuses_and_names_the_other_way() {
    let folder = bench();
    for more in [&[][..], &["--stations", "2x2"]] {
        let output = Command::new(env!("CARGO_BIN_EXE_gapsim"))
            .args(["rehearse", "--scenario", "bench.toml", "-o", "grid.json"])
            .args(more)
            .current_dir(folder.path())
            .stdin(Stdio::null())
            .output()
            .unwrap();
        let message = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{message}");
        assert!(message.contains("needs a terminal") && message.contains("gapsim survey"), "{message}");
        assert!(output.stdout.is_empty());
    }
    assert_eq!(names(folder.path()), ["bench.toml"]);
}

/// Wrong input is said at once, terminal or not.
#[test]
fn wrong_input_is_refused_before_the_terminal_is_taken() {
    let folder = bench();
    for (arguments, expected) in [
        (["--scenario", "none.toml", "-o", "grid.json"], "none.toml"),
        (["--scenario", "bench.toml", "-o", "grid.xyz"], "grid.xyz"),
        (["--scenario", "bench.toml", "--feel-um", "nan"], "must be 0 to 100000"),
        (["--scenario", "bench.toml", "--stations", "1x3"], "use 2 to 16"),
    ] {
        let arguments = [&["rehearse"][..], &arguments].concat();
        let mut terminal = Terminal::run(folder.path(), env!("CARGO_BIN_EXE_gapsim"), &arguments);
        assert_eq!(terminal.wait().code(), Some(2), "{arguments:?}");
        terminal.assert_restored(expected);
    }
}
