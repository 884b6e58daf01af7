//! `gapgrid convert` and `gapgrid source` as people run them: what they write, what they print, how they end.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;
use std::path::Path;
use std::process::Command;

use gapkeeper_host_tools::grid_file::read_grid;

const PASTED: &str = "> 0: 0.012 -0.030 0.008\n> 1: 0.005 -0.041 0.000\n";

/// Exit code, standard output and standard error.
fn gapgrid(folder: &Path, arguments: &str) -> (Option<i32>, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_gapgrid"))
        .args(arguments.split_whitespace())
        .current_dir(folder)
        .output()
        .unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code(), text(output.stdout), text(output.stderr))
}

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("pasted.txt"), PASTED).unwrap();
    folder
}

const TOLD: &str = "--unit mm --rows first-back --origin -10,12.5 --pitch 50,45.125 --bed-temperature 60";

#[test]
fn a_pasted_table_becomes_a_document_once_everything_is_said() {
    let folder = folder();
    let (code, out, error) = gapgrid(folder.path(), "convert pasted.txt grid.json --unit mm");
    assert_eq!((code, out.as_str()), (Some(2), ""));
    let expected = "\
error: pasted.txt: this must be known, and the file does not say it: the row order (--rows first-front or first-back); \
the place of the first node (--origin X,Y); the distance of the nodes (--pitch X,Y)
  say all of it
";
    assert_eq!(error, expected);
    assert!(!folder.path().join("grid.json").exists());

    let told = gapgrid(folder.path(), &format!("convert pasted.txt grid.json {TOLD}"));
    assert_eq!(told, (Some(0), String::new(), String::new()));
    let document = read_grid(&folder.path().join("grid.json")).unwrap();
    let lattice = document.grid.lattice();
    assert_eq!((lattice.x0_um, lattice.y0_um), (-10_000, 12_500));
    assert_eq!((lattice.pitch_x_um, lattice.pitch_y_um), (50_000, 45_125));
    assert_eq!(document.grid.nodes_um(), [5, -41, 0, 12, -30, 8]);
    assert_eq!(document.bed_temperature_c, Some(60));
}

#[test]
fn records_and_images_keep_their_setup_and_losses_are_said() {
    let folder = folder();
    let run = |arguments: &str| gapgrid(folder.path(), arguments);
    assert_eq!(run(&format!("convert pasted.txt grid.json {TOLD}")).0, Some(0));
    let (code, _, error) = run("convert grid.json grid.gkr");
    assert_eq!(code, Some(2));
    assert!(error.contains("the setup it belongs to (--setup N)"), "{error}");
    let (code, out, _) = run("convert grid.json memory.hex --setup 4294967295 --address 0x1F0");
    assert_eq!(code, Some(0));
    let no_survey = "that there was no survey: closure 0 um, refined surface";
    assert_eq!(out, format!("left out, since the format has no place for it: {no_survey}\n"));
    // From the image the setup goes on into the record, and from there it is lost.
    assert_eq!(run("convert memory.hex grid.gkr --address 496"), (Some(0), String::new(), String::new()));
    let (code, out, _) = run("convert grid.gkr heights --to csv");
    assert_eq!(code, Some(0));
    let losses =
        ["the bed temperature of 60 °C", "the survey's closure of 0 um and its surface", "the setup, 4294967295"];
    let expected: String =
        losses.iter().map(|loss| format!("left out, since the format has no place for it: {loss}\n")).collect();
    assert_eq!(out, expected);
    assert_eq!(run("convert heights grid.xyz --from csv").0, Some(0));
    assert!(fs::read_to_string(folder.path().join("grid.xyz")).unwrap().starts_with("-10.000 12.500 0.005\n"));
    assert_eq!(run("convert grid.gkr bed.stl --exaggeration 50").0, Some(0));
    assert_eq!(fs::read(folder.path().join("bed.stl")).unwrap().len(), 84 + 4 * 50);
}

#[test]
fn mistakes_end_with_2_and_leave_the_output_alone() {
    let folder = folder();
    fs::write(folder.path().join("bad.txt"), "0.1 0.2\n0.1 x\n").unwrap();
    fs::write(folder.path().join("old.json"), "old").unwrap();
    for (arguments, part) in [
        ("convert pasted.txt grid.obj", "grid.obj: the extension says no format"),
        ("convert absent.json grid.csv", "absent.json: cannot be read"),
        ("convert bad.txt old.json", "bad.txt:2:5: \"x\" is neither a height nor a label\n  0.1 x\n      ^\n"),
        (
            "convert pasted.txt old.json --exaggeration 3",
            "neither file can make use of how much heights are exaggerated",
        ),
        ("convert pasted.txt old.json --origin 1", "give X and Y in millimetres"),
        ("convert pasted.txt old.json --origin 1,2.0001", "with up to three decimals"),
        ("convert pasted.txt old.json --pitch 10,-10", "give distances above 0"),
        ("convert pasted.txt old.json --unit inch", "[possible values: um, mm]"),
        ("source pasted.txt --language c", "this must be known"),
        ("source pasted.txt", "--language"),
    ] {
        let (code, out, error) = gapgrid(folder.path(), arguments);
        assert_eq!((code, out.as_str()), (Some(2), ""), "{arguments}: {error}");
        assert!(error.contains(part), "{arguments}: {error}");
    }
    assert_eq!(fs::read_to_string(folder.path().join("old.json")).unwrap(), "old");
}

#[test]
fn constants_go_to_a_file_or_to_standard_output() {
    let folder = folder();
    assert_eq!(gapgrid(folder.path(), &format!("convert pasted.txt grid.json {TOLD}")).0, Some(0));
    let (code, out, _) = gapgrid(folder.path(), "source grid.json --language rust");
    assert_eq!(code, Some(0));
    assert!(out.contains("pub const NODES_UM: [[i16; COLUMNS]; ROWS] = [\n    [5, -41, 0],\n    [12, -30, 8],\n];\n"));
    let to_file = gapgrid(folder.path(), "source grid.json --language c -o grid.h");
    assert_eq!(to_file, (Some(0), String::new(), String::new()));
    let header = fs::read_to_string(folder.path().join("grid.h")).unwrap();
    assert!(header.contains("grid_nodes_um[GRID_ROWS][GRID_COLUMNS] = {\n    {5, -41, 0},\n    {12, -30, 8},\n};\n"));
}
