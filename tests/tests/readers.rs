//! Every reader on the fuzzers' corpus: whole, cut at every byte, and damaged in a thousand ways.
//!
//! The fuzzers themselves are run by `tests/fuzz/run`.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::ffi::OsString;
use std::fs;
use std::path::Path;

use gapkeeper_tests::media::Random;
use gapkeeper_tests::readers::{ALL, Check};

/// Files longer than this are cut at places a few bytes apart.
const CUTS: usize = 500;
/// Damaged files made of each.
const DAMAGED: u64 = 100;

/// The files of one reader's corpus.
fn corpus(name: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(name);
    let mut paths: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths.iter().map(|path| fs::read(path).unwrap()).collect()
}

fn damaged(bytes: &[u8], other: &[u8], random: &mut Random) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    for _ in 0..=random.below(4) {
        let at = random.below(bytes.len() + 1);
        match random.below(5) {
            0 => bytes.truncate(at),
            1 => bytes.insert(at, random.below(256) as u8),
            2 => drop(bytes.drain(at..(at + random.below(8)).min(bytes.len()))),
            3 => bytes.splice(at..at, other[..random.below(other.len() + 1).min(40)].iter().copied()).for_each(drop),
            _ => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << random.below(8);
                }
            }
        }
    }
    bytes
}

fn run(name: &str, check: Check) {
    let (files, mut random) = (corpus(name), Random(1));
    assert!(!files.is_empty(), "{name} has no corpus");
    for (index, bytes) in files.iter().enumerate() {
        check(bytes);
        (0..bytes.len()).step_by(bytes.len() / CUTS + 1).for_each(|cut| check(&bytes[..cut]));
        let other = &files[(index + 1) % files.len()];
        (0..DAMAGED).for_each(|_| check(&damaged(bytes, other, &mut random)));
    }
}

#[test]
fn no_reader_breaks_its_promises() {
    for (name, check) in ALL {
        run(name, check);
    }
}

/// Targets, readers and corpora go by the same names.
#[test]
fn every_reader_has_a_target() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz");
    let names = |folder: &str| {
        let entries = fs::read_dir(root.join(folder)).unwrap();
        let mut names: Vec<_> = entries.map(|entry| entry.unwrap().path().file_stem().unwrap().to_owned()).collect();
        names.sort();
        names
    };
    let readers: Vec<_> = ALL.iter().map(|(name, _)| OsString::from(name)).collect();
    assert_eq!(names("corpus"), readers);
    assert_eq!(names("fuzz_targets"), readers);
    let manifest = fs::read_to_string(root.join("Cargo.toml")).unwrap();
    assert_eq!(manifest.matches("[[bin]]").count(), readers.len());
}
