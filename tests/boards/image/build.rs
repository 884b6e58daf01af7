//! Hands the linker what the runner prepared: the chip's memory map and the C baseline.

use std::env;

fn main() {
    let folder = env::var("CARGO_MANIFEST_DIR").unwrap_or_default();
    let script = match env::var("CARGO_CFG_TARGET_ARCH").as_deref() {
        Ok("arm") => Some("cortex_m.ld"),
        Ok("riscv32") => Some("riscv32.ld"),
        // The AVR's comes with avr-gcc.
        _ => None,
    };
    if let Some(script) = script {
        println!("cargo::rustc-link-arg-bins=-T{folder}/{script}");
    }
    println!("cargo::rerun-if-env-changed=BOARDS_BASELINE");
    if let Ok(baseline) = env::var("BOARDS_BASELINE") {
        // Objects first, then the libraries that they need.
        for file in baseline.split_whitespace() {
            println!("cargo::rerun-if-changed={file}");
            println!("cargo::rustc-link-arg-bin=costs={file}");
        }
    }
}
