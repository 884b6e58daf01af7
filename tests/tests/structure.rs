//! The structure of the tree: what a crate may use of the others, and no circles among the modules of a crate.
//!
//! Siblings are the modules of one folder, each with all below it. They form a circle if each of them leads to the
//! other through the paths that are written in them; a name that their parent lends is followed to where it stands.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// What each crate is built with, of this tree.
const USES: &[(&str, &[&str])] = &[
    ("firmware-core", &[]),
    ("host-tools/text", &[]),
    ("host-tools/picture", &[]),
    ("host-tools/gcode", &["gapkeeper", "gapkeeper-text"]),
    ("host-tools", &["gapkeeper", "gapkeeper-gcode", "gapkeeper-picture", "gapkeeper-text"]),
    ("sim", &["gapkeeper", "gapkeeper-host-tools"]),
];

/// Crates, and the circles that are still to be cut in them, each named by its first module.
const CIRCLES: &[(&str, &[&str])] = &[
    ("firmware-core", &[]),
    ("firmware-core/controller", &[]),
    ("host-tools/text", &[]),
    ("host-tools/picture", &[]),
    ("host-tools/gcode", &[]),
    ("host-tools", &[]),
    ("sim", &[]),
];

/// Public types of the core that own memory, hardware or a whole state, and so have no `defmt::Format`; the core's
/// documentation lists them.
const NOT_LOGGED: [&str; 7] = ["ByteEeprom", "EventQueue", "I2cEeprom", "Keeper", "NorFlashSlots", "Store", "Survey"];

#[test]
fn every_other_public_type_of_the_core_is_logged() {
    let mut found = BTreeSet::new();
    let mut logged = 0;
    for file in files(&root().join("firmware-core/src")) {
        let text = fs::read_to_string(file).unwrap();
        let mut is_logged = false;
        for line in text.lines() {
            let name = ["pub struct ", "pub enum ", "pub union "].iter().find_map(|kind| line.strip_prefix(kind));
            if let Some(name) = name {
                let name = name.split(|letter: char| !letter.is_alphanumeric()).next().unwrap_or_default();
                if is_logged {
                    logged += 1;
                } else {
                    found.insert(name.to_owned());
                }
            }
            is_logged |= line.starts_with("#[") && line.contains("defmt::Format");
            is_logged &= line.starts_with("#[") || line.starts_with("//");
        }
    }
    assert!(found.iter().eq(NOT_LOGGED), "{found:?}");
    assert!(logged > 70, "{logged}");
}

#[test]
fn a_crate_uses_no_more_than_it_needs() {
    for (folder, expected) in USES {
        let manifest = fs::read_to_string(root().join(folder).join("Cargo.toml")).unwrap();
        let (_, dependencies) = manifest.split_once("\n[dependencies]\n").unwrap_or_default();
        let names = dependencies.lines().take_while(|line| !line.starts_with('['));
        let names = names.filter_map(|line| line.split(['.', ' ', '=']).next());
        let ours: Vec<_> = names.filter(|name| name.starts_with("gapkeeper")).collect();
        assert_eq!(ours, *expected, "{folder}");
    }
}

#[test]
fn modules_do_not_lead_back_to_themselves() {
    for (folder, expected) in CIRCLES {
        let found = circles(&links(&modules(&root().join(folder).join("src"))));
        let first: Vec<_> = found.iter().filter_map(|circle| circle.first().cloned()).collect();
        assert_eq!(first, *expected, "{folder}: {found:?}");
    }
}

#[test]
fn a_circle_is_found() {
    let tree = |files: &[(&str, &str)]| -> Modules {
        let path = |name: &str| name.split('/').filter(|part| !part.is_empty()).map(str::to_owned).collect();
        files.iter().map(|(name, text)| (path(name), Module::read(text))).collect()
    };
    let lent = [
        ("", "pub use a::{Thing, other::{self}};"),
        ("a", "use super::b::f;"),
        ("b", "/* */ fn f(_: crate::Thing) {}"),
    ];
    assert_eq!(circles(&links(&tree(&lent))), [["a", "b"]]);
    let below = [("", ""), ("a", ""), ("a/c", "use crate::b as d;"), ("b", "fn f() { crate::a::c::g() }")];
    assert_eq!(circles(&links(&tree(&below))), [["a", "b"]]);
    let none =
        [("", ""), ("a", "// super::b\nconst S: &str = \"super::b\"; use super::own;"), ("b", "use super::a::*;")];
    assert!(circles(&links(&tree(&none))).is_empty());
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

type ModulePath = Vec<String>;
type Modules = BTreeMap<ModulePath, Module>;

/// The paths in a module's text, and the names that it lends to those below it.
#[derive(Default)]
struct Module {
    paths: Vec<ModulePath>,
    names: BTreeMap<String, ModulePath>,
}

/// The modules of a crate, without its tests and its program.
fn modules(source: &Path) -> Modules {
    let mut found = Modules::new();
    for path in files(source) {
        let name = path.strip_prefix(source).unwrap().with_extension("");
        let mut name: ModulePath = name.iter().map(|part| part.to_string_lossy().into_owned()).collect();
        if name.iter().any(|part| part == "tests" || part == "main" || part == "commands") {
            continue;
        }
        if name.last().is_some_and(|last| last == "mod" || last == "lib") {
            name.pop();
        }
        found.insert(name, Module::read(&fs::read_to_string(&path).unwrap()));
    }
    found
}

/// All source files below a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                found.push(path);
            }
        }
    }
    found
}

impl Module {
    fn read(text: &str) -> Self {
        let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
        let tokens = tokens(text);
        let mut module = Self::default();
        let mut at = 0;
        while at < tokens.len() {
            let is_use = tokens[at] == "use";
            at += usize::from(is_use);
            let is_inner = at > 0 && matches!(tokens[at - 1].as_str(), "." | "'");
            let mut paths = Vec::new();
            let start = at;
            tree(&tokens, &mut at, &[], is_use, &mut paths);
            if is_use {
                module.names.extend(paths.iter().cloned());
            }
            if !is_inner {
                module.paths.extend(paths.into_iter().map(|(_, path)| path));
            }
            at += usize::from(at == start);
        }
        module
    }
}

/// One path, or in a `use` all of a tree of them, each with the name that it gets.
fn tree(tokens: &[String], at: &mut usize, before: &[String], is_use: bool, found: &mut Vec<(String, ModulePath)>) {
    let mut path = before.to_vec();
    let token = |at: usize| tokens.get(at).map_or("", String::as_str);
    loop {
        if token(*at) == "{" && is_use {
            *at += 1;
            while !matches!(token(*at), "}" | "") {
                let start = *at;
                tree(tokens, at, &path, is_use, found);
                *at += usize::from(*at == start || token(*at) == ",");
            }
            *at += 1;
            return;
        }
        if !token(*at).starts_with(|first: char| first.is_alphabetic() || first == '_') {
            break;
        }
        if token(*at) != "self" || path.is_empty() {
            path.push(token(*at).to_owned());
        }
        *at += 1;
        if token(*at) != "::" {
            break;
        }
        *at += 1;
    }
    if path.len() > before.len() || is_use && path.len() > 1 {
        let mut name = path.last().cloned().unwrap_or_default();
        if is_use && token(*at) == "as" {
            name = token(*at + 1).to_owned();
            *at += 2;
        }
        found.push((name, path));
    }
}

/// Names, `::` and single characters, without comments, texts and characters.
fn tokens(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let is_name = |letter: char| letter.is_alphanumeric() || letter == '_';
        let length = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            rest.find("*/").map_or(rest.len(), |end| end + 2)
        } else if rest.starts_with("r#\"") {
            rest.find("\"#").map_or(rest.len(), |end| end + 2)
        } else if first == '"' {
            text_length(rest)
        } else if rest.starts_with("'\\") {
            3 + rest[3..].find('\'').map_or(0, |end| end + 1)
        } else if first == '\'' && rest.chars().nth(2) == Some('\'') {
            rest.char_indices().nth(3).map_or(rest.len(), |(end, _)| end)
        } else if is_name(first) {
            let length = rest.find(|letter| !is_name(letter)).unwrap_or(rest.len());
            found.push(rest[..length].to_owned());
            length
        } else if rest.starts_with("::") {
            found.push("::".to_owned());
            2
        } else {
            if !first.is_whitespace() {
                found.push(first.to_string());
            }
            first.len_utf8()
        };
        rest = &rest[length..];
    }
    found
}

fn text_length(text: &str) -> usize {
    let mut is_escaped = true;
    for (index, letter) in text.char_indices() {
        match letter {
            '"' if !is_escaped => return index + 1,
            '\\' => is_escaped = !is_escaped,
            _ => is_escaped = false,
        }
    }
    text.len()
}

/// From which sibling to which others paths lead.
fn links(modules: &Modules) -> BTreeMap<ModulePath, BTreeSet<ModulePath>> {
    let mut links: BTreeMap<ModulePath, BTreeSet<ModulePath>> = BTreeMap::new();
    for (from, module) in modules {
        for path in &module.paths {
            let Some(to) = resolve(modules, from, path, 0) else { continue };
            let common = from.iter().zip(&to).take_while(|(one, other)| one == other).count();
            if common < from.len() && common < to.len() {
                links.entry(from[..=common].to_vec()).or_default().insert(to[..=common].to_vec());
            }
        }
    }
    links
}

/// The module that a path leads to; none if it leads out of the crate.
fn resolve(modules: &Modules, from: &ModulePath, path: &[String], depth: u8) -> Option<ModulePath> {
    let rest = path.iter().skip_while(|part| matches!(part.as_str(), "super" | "self" | "crate"));
    let supers = path.iter().filter(|part| *part == "super").count();
    let mut whole = match path.first()?.as_str() {
        "crate" => Vec::new(),
        "super" => from[..from.len().checked_sub(supers)?].to_vec(),
        "self" => from.clone(),
        first => {
            let child = [from.as_slice(), &[first.to_owned()]].concat();
            modules.contains_key(&child).then(|| from.clone())?
        }
    };
    whole.extend(rest.cloned());
    let is_module = |length: &usize| modules.contains_key(&whole[..*length]);
    let length = (0..=whole.len()).rev().find(is_module)?;
    let module = whole[..length].to_vec();
    if let Some(lent) = whole.get(length).and_then(|name| modules[&module].names.get(name))
        && depth < 8
        && let Some(found) = resolve(modules, &module, lent, depth + 1)
    {
        return Some(found);
    }
    Some(module)
}

/// Groups of siblings each of which leads to all of its group.
fn circles(links: &BTreeMap<ModulePath, BTreeSet<ModulePath>>) -> Vec<Vec<String>> {
    let reached = |from: &ModulePath| {
        let (mut reached, mut open) = (BTreeSet::new(), vec![from.clone()]);
        while let Some(next) = open.pop() {
            for to in links.get(&next).into_iter().flatten() {
                if reached.insert(to.clone()) {
                    open.push(to.clone());
                }
            }
        }
        reached
    };
    let all: BTreeMap<_, _> = links.keys().map(|module| (module.clone(), reached(module))).collect();
    let group = |one: &ModulePath| -> Vec<String> {
        let leads_back = |other: &&ModulePath| all[one].contains(*other) && all[*other].contains(one);
        all.keys().filter(leads_back).map(|module| module.join("/")).collect()
    };
    let groups: BTreeSet<_> = all.keys().map(group).filter(|group| !group.is_empty()).collect();
    groups.into_iter().collect()
}
