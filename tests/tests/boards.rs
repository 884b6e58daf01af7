//! The same bits on every chip: the desktop's digest of the boards' programme against theirs.
//!
//! `tests/boards/run` builds and runs the images and leaves a file for each board in `tests/boards/out/`. With
//! `GAPKEEPER_BOARDS=1` in the environment this test has it done first; without files it only says that it compared
//! nothing with them.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::{env, fs};

#[path = "../boards/programme/src/programme/mod.rs"]
mod programme;

use programme::{ALL_BLOCKS, FIRST_BLOCKS, MOVES_PER_BLOCK, Programme};

/// What the programme came to when it was written. It changes with the programme; if the core alone was changed, the
/// bits of a height, a piece, a survey or a record are others than before.
const DIGESTS: &str = "digest 5000 aad8c81eb655ed26\ndigest 100000 5c9a37fce2978c95\n";

fn boards() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("boards")
}

fn desktop() -> String {
    let mut programme = Programme::new();
    let mut lines = String::new();
    for blocks in [FIRST_BLOCKS, ALL_BLOCKS] {
        let [high, low] = programme.run_to(blocks);
        let _ = writeln!(lines, "digest {} {high:08x}{low:08x}", blocks * MOVES_PER_BLOCK);
    }
    assert!(programme.pieces() > 2 * ALL_BLOCKS * MOVES_PER_BLOCK, "moves are not being split");
    lines
}

#[test]
fn every_chip_and_the_desktop_have_the_same_bits() {
    let expected = desktop();
    assert_eq!(expected, DIGESTS, "the desktop's digests have changed");
    if env::var_os("GAPKEEPER_BOARDS").is_some() {
        let run = Command::new(boards().join("run")).arg("--digest").status();
        assert!(run.is_ok_and(|status| status.success()), "tests/boards/run --digest failed");
    }
    let Ok(folder) = fs::read_dir(boards().join("out")) else {
        println!("skipped: no results of boards; GAPKEEPER_BOARDS=1 or tests/boards/run makes them");
        return;
    };
    let files: Vec<_> = folder.map(|entry| entry.expect("out/ can be read").path()).collect();
    for file in &files {
        let found = fs::read_to_string(file).expect("a board's digests");
        // The AVR stops after the first.
        assert!(found.lines().count() > 0 && expected.starts_with(&found), "{}: {found}", file.display());
    }
    println!("{} boards compared", files.len());
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
