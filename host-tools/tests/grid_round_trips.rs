//! Everything that the tools print of a grid is read back, without a word from the caller.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

mod gapgrid_support;
mod grid_support;

use std::fs;

use gapgrid_support::{assert_refused, document, gapgrid};
use gapkeeper_host_tools::grid_file::{GridFormat, MissingFacts};
use gapkeeper_host_tools::show::{shaded, table};
use grid_support::{cases, documents};
use proptest::prelude::*;

proptest! {
    #![proptest_config(cases(64))]

    #[test]
    fn a_written_and_a_printed_table_are_the_grid(document in documents()) {
        let (written, losses) = GridFormat::Matrix.render(&document, &MissingFacts::default()).unwrap();
        let printed = format!("{}\n{}", table(&document.grid), shaded(&document.grid, false));
        let unix = String::from_utf8(written.clone()).unwrap();
        for text in [written, printed.clone().into_bytes(), unix.replace('\n', "\r\n").into_bytes()] {
            let reading = GridFormat::Matrix.parse("a.txt", &text, &MissingFacts::default());
            let grid = reading.map(|reading| reading.document.grid);
            prop_assert!(grid.as_ref().is_ok_and(|grid| *grid == document.grid), "{:?}\n{}", grid, unix);
        }
        // What a table cannot hold is listed; its places are none of that.
        prop_assert!(losses.iter().all(|loss| !loss.to_string().contains("node")), "{losses:?}");
    }
}

/// By the programs: what `show` prints, what `convert` writes, and a record on the way, with one surface everywhere.
#[test]
fn show_convert_and_hex_give_the_same_grid_and_the_same_surface() {
    let folder = tempfile::tempdir().unwrap();
    let run = |arguments: &str| {
        let (code, out, error) = gapgrid(folder.path(), arguments);
        assert_eq!((code, error.as_str()), (Some(0), ""), "{arguments}: {out}");
        out
    };
    let text = document("[[12, -30, 8], [5, -41, 0], [7, 90, -3]]");
    let (head, tail) = text.split_once("\"survey\": {").unwrap();
    let bare = format!("{head}\"survey\": null{}", tail.split_once('}').unwrap().1);
    fs::write(folder.path().join("grid.json"), bare).unwrap();
    let shown = run("show grid.json");
    fs::write(folder.path().join("shown.txt"), &shown).unwrap();
    assert_eq!(run("show shown.txt"), shown);
    let said = run("convert grid.json table.txt");
    assert!(said.ends_with("table.txt: the first row is at the front (smallest Y)\n"), "{said}");
    assert!(fs::read_to_string(folder.path().join("table.txt")).unwrap().contains("first row is at the front"));
    assert_eq!(run("show table.txt"), shown);
    assert!(run("convert grid.json grid.npy").ends_with("grid.npy: the first row is at the front (smallest Y)\n"));

    // The same readings, one surface: by default, through an image of memory, as constants.
    assert!(shown.ends_with("surface: refined, the default where no survey chose one (--surface)\n"), "{shown}");
    assert!(run("convert grid.json grid.hex --setup 1 --address 0x40").contains("closure 0 um, refined surface"));
    run("convert grid.hex back.json --address 0x40");
    let picture = |out: &str| out.split_once("\nsurface: ").map(|(picture, _)| picture.to_owned());
    assert_eq!(picture(&run("show back.json")), picture(&shown));
    for (options, is_refined) in [("", true), (" --surface bilinear", false)] {
        let source = run(&format!("source grid.json --language c{options}"));
        assert!(source.contains(&format!("grid_refined = {is_refined};")), "{source}");
        let hex = format!("convert grid.json other.hex --setup 1 --address 64{options}");
        assert_eq!(run(&hex).contains("refined surface"), is_refined);
    }
    assert!(run("source grid.json --language rust").contains("REFINED: bool = true;"));
    run("convert other.hex bilinear.json --address 64");
    assert!(run("show bilinear.json").ends_with("surface: bilinear, as the survey chose\n"));
    assert!(run("show bilinear.json --surface refined").ends_with("surface: refined, as asked\n"));

    // What the text says, a caller does not say otherwise.
    let cases = [
        (
            "convert table.txt new.json --rows first-back",
            "the row order (--rows first-front or first-back): the text states",
        ),
        ("convert table.txt new.json --unit um", "the unit (--unit um or mm): the text states something else"),
        ("convert shown.txt new.json --unit mm", "the unit (--unit um or mm): the text states something else"),
        ("convert shown.txt new.json --origin 0,0", "the place of the first node"),
        ("convert grid.json new.csv --surface refined", "neither file can make use of the surface"),
    ];
    assert_refused(folder.path(), &cases);
    run("convert table.txt new.json --rows first-front --unit mm --origin 10,20 --pitch 50,45.5");
}
