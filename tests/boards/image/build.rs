//! Hands over what the runner prepared: the chip's memory map, the C baseline, and a job for chips that hold it in
//! flash memory.

use std::{env, fs, path::Path};

fn main() {
    job();
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

/// A copy of the job where the AVR's source finds it; an empty one for images that read none.
fn job() {
    println!("cargo::rerun-if-env-changed=BOARDS_JOB");
    let copy = Path::new(&env::var("OUT_DIR").unwrap_or_default()).join("job.gcode");
    let copied = match env::var("BOARDS_JOB") {
        Ok(file) => {
            println!("cargo::rerun-if-changed={file}");
            fs::read(file).and_then(|job| fs::write(copy, job))
        }
        Err(_) => fs::write(copy, ""),
    };
    if let Err(error) = copied {
        println!("cargo::error=the job cannot be copied: {error}");
    }
}
