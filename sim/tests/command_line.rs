//! Help, completions and manual pages of `gapsim`, all from one definition.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::fs;
use std::process::Command;

fn printed(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_gapsim")).args(arguments).output().unwrap();
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn every_command_has_an_example_a_completion_and_a_manual_page() {
    let folder = tempfile::tempdir().unwrap();
    printed(&["man", "--out", folder.path().to_str().unwrap()]);
    let bash = printed(&["completions", "bash"]);
    let mut pages: Vec<_> =
        fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    pages.sort();
    assert!(pages.len() >= 8 && pages.last().is_some_and(|page| page == "gapsim.1"), "{pages:?}");
    for page in &pages {
        let command = page.trim_end_matches(".1").trim_start_matches("gapsim").trim_start_matches('-');
        let arguments: Vec<&str> = [command, "--help"].into_iter().filter(|word| !word.is_empty()).collect();
        assert!(printed(&arguments).contains(format!("Example: gapsim {command}").trim_end()), "{page}");
        assert!(bash.contains(command), "{command}");
        let text = fs::read_to_string(folder.path().join(page)).unwrap();
        assert!(text.contains(&format!(".TH {} 1", page.trim_end_matches(".1"))), "{text}");
    }
}
