//! The header is what `cbindgen` makes of the sources, and it compiles on its own as C99 and as C++11.

mod compilers;

use std::path::Path;
use std::{env, fs};

use compilers::{CROSS_C, CROSS_CPP, Compiler, HOST_C, HOST_CPP};

const HEADER: &str = "include/gapkeeper.h";

fn folder() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn made() -> String {
    let config = cbindgen::Config::from_file(folder().join("cbindgen.toml")).expect("cbindgen.toml is in order");
    // It follows the modules from there.
    let builder = cbindgen::Builder::new().with_config(config).with_src(folder().join("src/lib.rs"));
    let mut bytes = Vec::new();
    builder.generate().expect("the sources make a header").write(&mut bytes);
    String::from_utf8(bytes).expect("a header is text")
}

/// Write it anew with `GAPKEEPER_WRITE_HEADER=1 cargo test -p gapkeeper-c-api --test header`.
#[test]
fn the_committed_header_is_the_one_of_the_sources() {
    let made = made();
    let path = folder().join(HEADER);
    if env::var_os("GAPKEEPER_WRITE_HEADER").is_some() {
        fs::write(&path, &made).expect("the header can be written");
    }
    let committed = fs::read_to_string(&path).unwrap_or_default();
    if let Some((number, (old, new))) =
        (1..).zip(committed.lines().zip(made.lines())).find(|(_, (old, new))| old != new)
    {
        panic!("{HEADER}:{number} is stale:\n  there: {old}\n  made:  {new}\nset GAPKEEPER_WRITE_HEADER=1 to write it");
    }
    assert!(committed == made, "{HEADER} is stale: set GAPKEEPER_WRITE_HEADER=1 to write it");
}

/// Every exported function is in the header, whichever file it stands in.
#[test]
fn no_function_is_missing() {
    let header = fs::read_to_string(folder().join(HEADER)).expect("there is a header");
    let mut functions = 0;
    for file in fs::read_dir(folder().join("src")).expect("there are sources") {
        let source = fs::read_to_string(file.expect("a file").path()).expect("a source");
        for declaration in source.split("extern \"C\" fn ").skip(1) {
            let name = declaration.split('(').next().unwrap_or_default();
            if name.starts_with("gapkeeper_") && name != "gapkeeper_a_panic_can_be_reached" {
                assert!(header.contains(&format!(" {name}(")), "{name} is not in {HEADER}");
                functions += 1;
            }
        }
    }
    assert!(functions > 20, "{functions} functions found");
}

#[test]
fn the_header_compiles_alone() {
    let compilers: [&[Compiler]; 4] = [&HOST_C, &HOST_CPP, &CROSS_C, &CROSS_CPP];
    for compiler in compilers.into_iter().flatten() {
        compiler.compile_alone(folder(), "#include \"gapkeeper.h\"\n#include \"gapkeeper.h\"\nextern int alone;\n");
    }
}

/// Two names must not become one global name of C.
#[test]
fn every_name_has_the_prefix() {
    let header = fs::read_to_string(folder().join(HEADER)).expect("there is a header");
    let names = header.lines().filter_map(|line| {
        let mut words = line.split_whitespace();
        match words.next()? {
            "#define" | "enum" | "struct" => words.next(),
            _ if line.ends_with(',') && line.contains(" = ") => line.split_whitespace().next(),
            _ => None,
        }
    });
    let names: Vec<&str> = names.filter(|name| *name != "{").collect();
    assert!(names.len() > 60, "{names:?}");
    for name in names {
        assert!(name.starts_with("GAPKEEPER_") || name.starts_with("Gapkeeper"), "{name} has no prefix");
    }
}
