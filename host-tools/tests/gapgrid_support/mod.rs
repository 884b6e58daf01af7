//! The program as a person runs it, and a document for it.

#![allow(dead_code, reason = "each test program uses a part of it")]
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::path::Path;
use std::process::Command;

/// Exit code, standard output and standard error.
pub fn gapgrid(folder: &Path, arguments: &str) -> (Option<i32>, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_gapgrid"))
        .args(arguments.split_whitespace())
        .current_dir(folder)
        .output()
        .unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code(), text(output.stdout), text(output.stderr))
}

/// Runs what must be refused with code 2, nothing on standard output, these words and a remedy.
#[track_caller]
pub fn assert_refused(folder: &Path, cases: &[(&str, &str)]) {
    for (arguments, part) in cases {
        let (code, out, error) = gapgrid(folder, arguments);
        assert_eq!((code, out.as_str()), (Some(2), ""), "{arguments}: {error}");
        assert!(error.contains(part) && !error.contains("panicked"), "{arguments}: {error}");
        // On a line of its own, by the command line's reader, or after what is wrong, as the core puts it.
        let is_line = error.lines().skip(1).any(|line| line.starts_with("  "));
        let has_remedy = is_line || error.contains("--help") || error.matches(": ").count() > 1;
        assert!(has_remedy, "{arguments}: no remedy: {error}");
        // A cause that the system names is named once.
        assert!(error.matches("(os error").count() < 2, "{arguments}: {error}");
    }
}

/// A document measured at 60 °C in a survey that chose a bilinear surface.
pub fn document(nodes_um: &str) -> String {
    format!(
        r#"{{ "format": "gapkeeper-grid", "version": 1, "x0_um": 10000, "y0_um": 20000, "pitch_x_um": 50000,
        "pitch_y_um": 45500, "shift_um": 0, "fade": null, "bed_temperature_c": 60,
        "survey": {{ "closure_um": 10, "closure_accepted": false, "surface": "bilinear" }}, "nodes_um": {nodes_um} }}"#
    )
}
