//! The arguments of every function fit an AVR's registers.
//!
//! `avr-gcc` passes them in R25 down to R8, 18 bytes, each argument rounded up to two (its calling convention in the GCC
//! wiki, from memory). `rustc` 1.96 looks for what comes on the stack one byte off on chips with a program counter of
//! three bytes, such as the ATmega2560, so nothing may come on the stack.

use std::fs;
use std::path::Path;

const REGISTER_BYTES: usize = 18;

/// Bytes of registers that an argument takes on a chip with 16-bit pointers; none for what is passed otherwise.
fn register_bytes(argument: &str) -> Option<usize> {
    if argument == "void" {
        return Some(0);
    }
    if argument.contains('*') {
        return Some(2);
    }
    match argument.split_whitespace().next()? {
        "uint8_t" | "int8_t" | "uint16_t" | "int16_t" | "size_t" | "GapkeeperResult" => Some(2),
        "uint32_t" | "int32_t" => Some(4),
        "uint64_t" | "int64_t" => Some(8),
        // A structure by value, or a type that this test does not know yet.
        _ => None,
    }
}

/// Every function and function pointer of the header, macros left out: its name and its arguments.
fn functions(header: &str) -> Vec<(String, String)> {
    let code: String = header.split("/*").map(|part| part.split_once("*/").map_or(part, |(_, code)| code)).collect();
    let code: String = code.replace("\\\n", "").lines().filter(|line| !line.starts_with('#')).collect();
    code.split(';')
        .filter_map(|declaration| declaration.trim_end().strip_suffix(')')?.rsplit_once('('))
        .map(|(before, arguments)| {
            let name = before.rsplit(|letter: char| letter.is_whitespace() || "(*".contains(letter));
            let name = name.map(|name| name.trim_end_matches(')')).find(|name| !name.is_empty());
            (name.unwrap_or_default().to_owned(), arguments.to_owned())
        })
        .collect()
}

#[test]
fn no_argument_comes_on_the_stack() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("include/gapkeeper.h");
    let header = fs::read_to_string(path).expect("there is a header");
    let functions = functions(&header);
    let names: Vec<&str> = functions.iter().map(|(name, _)| name.as_str()).collect();
    assert!(names.iter().filter(|name| name.starts_with("gapkeeper_")).count() > 20, "{names:?}");
    assert!(["read", "erase", "write"].iter().all(|name| names.contains(name)), "{names:?}");
    let mut most = 0;
    for (name, arguments) in &functions {
        let bytes: Option<usize> = arguments.split(',').map(|argument| register_bytes(argument.trim())).sum();
        let bytes = bytes.unwrap_or_else(|| panic!("{name}({arguments}): pass a pointer"));
        assert!(bytes <= REGISTER_BYTES, "{name}({arguments}) takes {bytes} bytes of {REGISTER_BYTES}");
        most = most.max(bytes);
    }
    // What the README says.
    assert_eq!(most, 14);
}

#[test]
fn what_does_not_fit_is_found() {
    let header = "/* f(int64_t a); */ void f(int64_t a, int64_t b, uint32_t c);\nuint8_t (*g)(struct Place place);";
    let found = functions(header);
    assert_eq!(found.len(), 2);
    let bytes = |arguments: &str| arguments.split(',').map(|argument| register_bytes(argument.trim())).sum();
    let sums: Vec<(&str, Option<usize>)> = found.iter().map(|(name, list)| (name.as_str(), bytes(list))).collect();
    assert_eq!(sums, [("f", Some(20)), ("g", None)]);
}
