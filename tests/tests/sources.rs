//! `SOURCES.md` and the comments that cite it agree.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_path_buf()
}

/// `G-13` as ("G", 13); nothing else.
fn row_name(word: &str) -> Option<(String, u32)> {
    let (family, number) = word.split_once('-')?;
    let is_family = (1..=2).contains(&family.len()) && family.bytes().all(|byte| byte.is_ascii_uppercase());
    let is_number = (1..=2).contains(&number.len()) && number.bytes().all(|byte| byte.is_ascii_digit());
    (is_family && is_number).then(|| (family.to_string(), number.parse().unwrap()))
}

/// Rows by name, in the order of the file.
fn listed() -> Vec<(String, u32)> {
    let text = fs::read_to_string(root().join("tests/SOURCES.md")).unwrap();
    text.lines().filter_map(|line| row_name(line.strip_prefix("| ")?.split(' ').next()?)).collect()
}

fn sources(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() && name != "target" && !name.starts_with('.') {
            sources(&path, files);
        } else if name.ends_with(".rs") && name != "sources.rs" {
            files.push(path);
        }
    }
}

/// The words of a comment or of a string that are row names; "A-1 to A-13" names all between.
fn cited(line: &str) -> Vec<(String, u32)> {
    let words: Vec<&str> = line.split(|letter: char| !(letter.is_ascii_alphanumeric() || letter == '-')).collect();
    let words: Vec<&str> = words.into_iter().filter(|word| !word.is_empty()).collect();
    let mut names: Vec<(String, u32)> = words.iter().filter_map(|word| row_name(word)).collect();
    for three in words.windows(3) {
        if let [first, "to", last] = three
            && let (Some((family, from)), Some((_, to))) = (row_name(first), row_name(last))
        {
            names.extend((from..to).map(|number| (family.clone(), number)));
        }
    }
    names
}

/// A comment that speaks of rows may wrap, so the line after it counts too.
#[test]
fn every_cited_row_is_listed_and_every_listed_row_is_cited() {
    let listed = listed();
    let known: BTreeSet<_> = listed.iter().cloned().collect();
    assert_eq!(known.len(), listed.len(), "a row stands twice");
    let mut files = Vec::new();
    sources(&root(), &mut files);
    let mut unlisted = BTreeMap::new();
    let mut seen = BTreeSet::new();
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        for (number, line) in text.lines().enumerate() {
            let comment = line.split_once("//").map(|(_, comment)| comment);
            let is_citation = comment.is_some_and(|comment| {
                let comment = comment.to_lowercase();
                ["row ", "rows ", "check values"].iter().any(|word| comment.contains(word))
            });
            let names = cited(comment.unwrap_or(if line.contains("(\"A-") { line } else { "" }));
            for name in names {
                if is_citation && !known.contains(&name) {
                    unlisted.insert(format!("{}-{}", name.0, name.1), format!("{}:{}", file.display(), number + 1));
                }
                seen.insert(name);
            }
        }
    }
    assert!(unlisted.is_empty(), "cited and not in SOURCES.md: {unlisted:?}");
    let unused: Vec<_> = known.difference(&seen).collect();
    assert!(unused.is_empty(), "in SOURCES.md and never cited: {unused:?}");
}

/// Each row says how it was obtained, in the words that the file explains.
#[test]
fn every_row_says_how_it_was_obtained() {
    let text = fs::read_to_string(root().join("tests/SOURCES.md")).unwrap();
    for line in text.lines() {
        let cells: Vec<&str> = line.trim_matches('|').split(" | ").map(str::trim).collect();
        if cells.first().and_then(|cell| row_name(cell)).is_some() {
            let how = cells.last().unwrap();
            let is_known = ["published", "quoted", "memory", "computed", "own"].iter().any(|word| how.contains(word));
            assert!(is_known && cells.len() >= 4, "{line}");
        }
    }
}
