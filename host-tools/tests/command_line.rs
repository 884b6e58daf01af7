//! Help, completions and manual pages of `gapgrid`: every command has them, and they come from one definition.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;
use std::process::Command;

fn printed(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_gapgrid")).args(arguments).output().unwrap();
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The commands that the program's own help lists.
fn commands() -> Vec<String> {
    let help = printed(&["--help"]);
    let (_, list) = help.split_once("Commands:\n").unwrap();
    let (list, _) = list.split_once("\n\n").unwrap();
    let lines = list.lines().filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    lines.filter_map(|line| line.split_whitespace().next()).map(str::to_owned).filter(|name| name != "help").collect()
}

/// The long options that a help text explains.
fn options(help: &str) -> Vec<&str> {
    let words =
        help.lines().filter_map(|line| line.trim_start().split_once("--")).filter(|(before, _)| before.len() < 5);
    words.filter_map(|(_, rest)| rest.split([' ', ',']).next()).collect()
}

#[test]
fn every_command_has_an_example_and_a_manual_page() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("man1");
    printed(&["man", "--out", out.to_str().unwrap()]);
    let commands = commands();
    assert!(commands.len() >= 5 && commands.contains(&"apply".to_owned()), "{commands:?}");
    assert_eq!(fs::read_dir(&out).unwrap().count(), commands.len() + 1);
    for command in commands {
        let help = printed(&[&command, "--help"]);
        let (_, example) = help.split_once("Example").unwrap_or_else(|| panic!("{command}: no example\n{help}"));
        assert!(example.contains(&format!("gapgrid {command} ")), "{help}");
        let page = fs::read_to_string(out.join(format!("gapgrid-{command}.1"))).unwrap();
        assert!(page.contains(&format!("\n.TH gapgrid-{command} 1")), "{page}");
        for option in options(&help) {
            let escaped = option.replace('-', "\\-");
            assert!(page.contains(&format!("\\-\\-{escaped}")), "{command}: {option}\n{page}");
        }
    }
    assert_eq!(printed(&["man"]), fs::read_to_string(out.join("gapgrid.1")).unwrap());
    assert!(printed(&["--version"]).starts_with("gapgrid "));
}

#[test]
fn a_folder_that_cannot_be_is_named() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("file"), "").unwrap();
    let out = folder.path().join("file/man1");
    let output = Command::new(env!("CARGO_BIN_EXE_gapgrid")).arg("man").arg("--out").arg(&out).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("file/man1: "));
}

/// The shell itself is asked.
#[test]
#[cfg(target_os = "linux")]
fn bash_completes_commands_and_options() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("gapgrid.bash"), printed(&["completions", "bash"])).unwrap();
    let asked = "source gapgrid.bash\n\
        ask() { COMP_WORDS=(\"$@\"); COMP_CWORD=$(($# - 1)); _gapgrid gapgrid \"${@: -1}\" \"${@: -2:1}\"; echo \"${COMPREPLY[*]}\"; }\n\
        ask gapgrid app\nask gapgrid apply --scale\nask gapgrid convert --unit ''\n";
    let output = Command::new("bash").args(["--norc", "-c", asked]).current_dir(folder.path()).output().unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    assert_eq!(said.lines().take(2).collect::<Vec<_>>(), ["apply", "--scale-flow"], "{said}");
    assert!(said.lines().nth(2).unwrap().contains("mm"), "{said}");
    for shell in ["zsh", "fish", "elvish", "powershell"] {
        assert!(printed(&["completions", shell]).contains("scale-flow"), "{shell}");
    }
}

#[cfg(target_os = "linux")]
fn on_a_terminal(environment: &[(&str, &str)]) -> String {
    use std::io::Read;

    let (mut pty, pts) = pty_process::blocking::open().unwrap();
    let command = pty_process::blocking::Command::new(env!("CARGO_BIN_EXE_gapgrid")).args(["apply", "--help"]);
    let command = command.env("TERM", "xterm").env_remove("NO_COLOR").envs(environment.iter().copied());
    let mut child = command.spawn(pts).unwrap();
    let (mut bytes, mut chunk) = (Vec::new(), [0; 4096]);
    // Ends with an error once the program has closed its end.
    while let Ok(count @ 1..) = pty.read(&mut chunk) {
        bytes.extend_from_slice(&chunk[..count]);
    }
    child.wait().unwrap();
    String::from_utf8(bytes).unwrap()
}

/// <https://no-color.org>.
#[test]
#[cfg(target_os = "linux")]
fn no_color_is_honoured() {
    assert!(on_a_terminal(&[]).contains("\x1b["));
    let plain = on_a_terminal(&[("NO_COLOR", "1")]);
    assert!(plain.contains("Usage:") && !plain.contains('\x1b'), "{plain:?}");
}
