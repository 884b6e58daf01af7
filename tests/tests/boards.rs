//! The same bits on every chip: the desktop's digests of the boards' programme and of the controller's job against
//! theirs.
//!
//! `tests/boards/run` builds and runs the images, leaves a file for each board in the folders of `tests/boards/out/`,
//! and then has this test compare them. By itself the test takes what is there, and says so where nothing is. With
//! `GAPKEEPER_BOARDS=run` in the environment it has the digests made first.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Once;
use std::{env, fs};

#[path = "../boards/programme/src/machine/mod.rs"]
mod machine;
#[path = "../boards/programme/src/programme/mod.rs"]
mod programme;

use gapkeeper::{Correction, HeightGrid};
use gapkeeper_sim::demo;
use gapkeeper_tests::demo_job;
use machine::{Cells, HEIGHTS_UM, Path as MachinePath, REPORTED_LINES, STATIONS_AT};
use programme::{ALL_BLOCKS, FIRST_BLOCKS, MOVES_PER_BLOCK, Programme, SCALED_BLOCKS, scaled_moves};

/// What the programme came to when it was written. It changes with the programme; if the core alone was changed, the
/// bits of a height, a piece, a survey or a record are others than before.
const DIGESTS: &str = "digest 5000 bb2c1747d835a1c0\nscaled 1000 580373de73297e1d\ndigest 100000 3366769a91dac8eb\n";

/// The controller's two runs of the job, and whether `E` is scaled; the AVR's job is the beginning of the first.
const JOBS: [(&str, bool); 2] = [("job", false), ("scaled_job", true)];

fn boards() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("boards")
}

fn desktop() -> String {
    let mut programme = Programme::new();
    let mut lines = String::new();
    lines += &line("digest", FIRST_BLOCKS * MOVES_PER_BLOCK, programme.run_to(FIRST_BLOCKS));
    lines += &line("scaled", SCALED_BLOCKS * MOVES_PER_BLOCK, scaled_moves(SCALED_BLOCKS));
    lines += &line("digest", ALL_BLOCKS * MOVES_PER_BLOCK, programme.run_to(ALL_BLOCKS));
    assert!(programme.pieces() > 2 * ALL_BLOCKS * MOVES_PER_BLOCK, "moves are not being split");
    lines
}

#[test]
fn every_chip_and_the_desktop_have_the_same_bits() {
    let expected = desktop();
    assert_eq!(expected, DIGESTS, "the desktop's digests have changed");
    compare("digest", &expected);
}

#[test]
fn the_controller_on_every_chip_makes_the_simulators_pieces() {
    let scenario = demo::scenario().expect("the demo is built in");
    let bed: HeightGrid<9> = demo_job::bed();
    assert_eq!(bed.nodes_um(), HEIGHTS_UM, "the boards measure another bed than the demo's");
    assert_eq!(scenario.stations(), STATIONS_AT);
    // The desktop's machine measures that bed by hand, stores it, and runs the job from what it finds stored.
    let mut job = Vec::new();
    demo::job().read_to_end(&mut job).expect("the demo is built in");
    let (cells, mut place) = (Cells::blank(), None);
    let controller = machine::switched_on(&mut place, &cells).expect("an empty memory");
    machine::measure(controller, &cells).expect("a survey");
    let measured = line("survey", controller.motors().pieces(), controller.motors().digest());
    let stored = line("memory", 0, cells.digest());
    let mut ours = String::new();
    for (name, scale_flow) in JOBS {
        let controller = machine::switched_on(&mut place, &cells).expect("the grid is stored");
        controller.scale_flow(scale_flow);
        let mut bytes = job.iter().copied();
        machine::run(controller, || bytes.next(), |lines, digest| ours += &line(name, lines, digest)).expect("a job");
    }
    // The same job by the simulator's own reader, over the bed itself.
    let settings = machine::settings();
    let refined: HeightGrid<225> = bed.densest().expect("the demo's bed is refined");
    let correction = Correction::new(refined).with_fade(settings.fade.expect("a fade")).expect("it suits the bed");
    let mut expected = String::new();
    for (name, scale_flow) in JOBS {
        let mut path = MachinePath::at_origin();
        let mut lines = 0;
        let all = demo_job::for_each_line(&correction, settings.tolerance_um, scale_flow, |_, pieces| {
            pieces.iter().for_each(|&(end, extruded_nm)| path.add(end, extruded_nm));
            path.end_line();
            lines += 1;
            if lines % REPORTED_LINES == 0 {
                expected += &line(name, lines, path.digest());
            }
        });
        expected += &line(name, all, path.digest());
        assert!(path.pieces() > 200_000 && all > 40_000, "{} {all}", path.pieces());
    }
    assert_begins(&expected, &ours, "the desktop's controller");
    assert_eq!(ours.len(), expected.len());
    compare("controller", &(measured + &stored + &expected));
}

fn line(name: &str, number: u32, [high, low]: [u32; 2]) -> String {
    format!("{name} {number} {high:08x}{low:08x}\n")
}

/// What boards found, against the desktop's; the AVR stops earlier than the others.
fn compare(folder: &str, expected: &str) {
    static MADE: Once = Once::new();
    let wish = env::var("GAPKEEPER_BOARDS").unwrap_or_default();
    if wish == "run" {
        MADE.call_once(|| {
            let run = Command::new(boards().join("run")).arg("--digest").status();
            assert!(run.is_ok_and(|status| status.success()), "tests/boards/run --digest failed");
        });
    }
    let Ok(files) = fs::read_dir(boards().join("out").join(folder)) else {
        assert!(wish.is_empty(), "no results of boards");
        println!("skipped: no results of boards; tests/boards/run makes them");
        return;
    };
    let files: Vec<_> = files.map(|entry| entry.expect("the folder can be read").path()).collect();
    assert!(!files.is_empty(), "no results of boards");
    for file in &files {
        let found = fs::read_to_string(file).expect("a board's digests");
        assert_begins(expected, &found, &file.display().to_string());
    }
    println!("{folder}: {} boards compared", files.len());
}

/// What was found is the expected, or its beginning; the first difference is shown.
fn assert_begins(expected: &str, found: &str, whose: &str) {
    assert!(found.lines().count() > 0, "{whose} found nothing");
    for (expected, found) in expected.lines().zip(found.lines()) {
        assert_eq!(found, expected, "{whose}");
    }
    assert!(expected.starts_with(found), "{whose} goes on after the end");
}

#[test]
fn the_digest_tells_words_and_their_order_apart() {
    let of = |words: &[u32]| {
        let mut digest = programme::Digest::new();
        words.iter().for_each(|&word| digest.word(word));
        digest.value()
    };
    assert_ne!(of(&[1, 2]), of(&[2, 1]));
    assert_ne!(of(&[0]), of(&[0, 0]));
    assert_ne!(of(&[1 << 31]), of(&[0]));
}
