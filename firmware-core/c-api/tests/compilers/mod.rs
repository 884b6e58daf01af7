//! The compilers that the header and the examples must get past.

#![allow(dead_code, reason = "each test program uses its part")]

use std::env;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A compiler and what it is told besides the warnings.
pub struct Compiler {
    /// Its name.
    pub program: &'static str,
    /// Language, target.
    pub arguments: &'static [&'static str],
    /// A program must be there; else its part may be skipped.
    pub must_be_there: bool,
}

/// No construct that needs an excuse.
const WARNINGS: [&str; 6] = ["-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror", "-O1"];

/// Rust itself links with it.
pub const HOST_C: [Compiler; 1] = [Compiler { program: "cc", arguments: &["-std=c99"], must_be_there: true }];

/// The host's compiler for C++.
pub const HOST_CPP: [Compiler; 1] = [Compiler { program: "c++", arguments: &["-std=c++11"], must_be_there: false }];

/// Chips, without an operating system or a library of C.
pub const CROSS_C: [Compiler; 3] = [
    Compiler {
        program: "avr-gcc",
        arguments: &["-std=c99", "-ffreestanding", "-mmcu=atmega2560"],
        must_be_there: false,
    },
    Compiler {
        program: "arm-none-eabi-gcc",
        arguments: &["-std=c99", "-ffreestanding", "-mcpu=cortex-m4", "-mthumb"],
        must_be_there: false,
    },
    Compiler {
        program: "riscv64-unknown-elf-gcc",
        arguments: &["-std=c99", "-ffreestanding", "-march=rv32imc", "-mabi=ilp32"],
        must_be_there: false,
    },
];

/// The same in C++.
pub const CROSS_CPP: [Compiler; 3] = [
    Compiler {
        program: "avr-g++",
        arguments: &["-std=c++11", "-ffreestanding", "-fno-exceptions", "-mmcu=atmega2560"],
        must_be_there: false,
    },
    Compiler {
        program: "arm-none-eabi-g++",
        arguments: &["-std=c++11", "-ffreestanding", "-fno-exceptions", "-mcpu=cortex-m4", "-mthumb"],
        must_be_there: false,
    },
    Compiler {
        program: "riscv64-unknown-elf-g++",
        arguments: &["-std=c++11", "-ffreestanding", "-fno-exceptions", "-march=rv32imc", "-mabi=ilp32"],
        must_be_there: false,
    },
];

impl Compiler {
    /// Whether it can be run. If not, and it is not needed, that is said; with `GAPKEEPER_ALL_COMPILERS` set it is an
    /// error, so that a gate cannot pass for want of a compiler.
    pub fn is_there(&self) -> bool {
        let there = Command::new(self.program).arg("--version").output().is_ok_and(|output| output.status.success());
        let must_be_there = self.must_be_there || env::var_os("GAPKEEPER_ALL_COMPILERS").is_some();
        assert!(there || !must_be_there, "{} is missing", self.program);
        if !there {
            eprintln!("skipped: {} is not installed", self.program);
        }
        there
    }

    /// The compiler with its warnings and the header's folder.
    pub fn command(&self, folder: &Path) -> Command {
        let mut command = Command::new(self.program);
        command.args(self.arguments).args(WARNINGS).arg("-I").arg(folder.join("include"));
        command
    }

    /// Compiles a text to an object, if the compiler is there.
    pub fn compile_alone(&self, folder: &Path, text: &str) {
        self.with_file(text, |source| self.compile(folder, source));
    }

    /// As [`Self::output_of`], of a text.
    pub fn output_of_text(&self, folder: &Path, text: &str) -> Option<String> {
        self.with_file(text, |source| self.output_of(folder, source))
    }

    fn with_file<T>(&self, text: &str, work: impl FnOnce(&Path) -> T) -> T {
        let scratch = tempfile::tempdir().expect("a folder to work in");
        let source = scratch.path().join(if self.program.ends_with("++") { "alone.cpp" } else { "alone.c" });
        std::fs::write(&source, text).expect("a source can be written");
        work(&source)
    }

    /// Compiles a file to an object and forgets it, if the compiler is there.
    pub fn compile(&self, folder: &Path, source: &Path) {
        if self.is_there() {
            let scratch = tempfile::tempdir().expect("a folder to work in");
            let object = scratch.path().join("object.o");
            run(self.command(folder).arg("-c").arg(source).arg("-o").arg(object));
        }
    }

    /// Compiles and links a file against the static library, and runs it; nothing if the compiler is not there.
    pub fn output_of(&self, folder: &Path, source: &Path) -> Option<String> {
        if !self.is_there() {
            return None;
        }
        let scratch = tempfile::tempdir().expect("a folder to work in");
        let program = scratch.path().join("program");
        let mut command = self.command(folder);
        command.arg(source).arg(static_library()).args(["-lpthread", "-ldl", "-lm", "-o"]).arg(&program);
        run(&mut command);
        let output = run(&mut Command::new(program));
        Some(String::from_utf8(output.stdout).expect("examples print text"))
    }
}

/// Runs a command that must succeed.
fn run(command: &mut Command) -> Output {
    let output = command.output().expect("the command can be run");
    assert!(output.status.success(), "{command:?}:\n{}", String::from_utf8_lossy(&output.stderr));
    output
}

/// The static library that was built together with this test, from beside it.
fn static_library() -> PathBuf {
    let test = env::current_exe().expect("a test has a path");
    let folder = test.parent().expect("a test stands in a folder");
    let files = std::fs::read_dir(folder).expect("the folder can be read").filter_map(Result::ok);
    let libraries = files.filter(|file| {
        let name = file.file_name().to_string_lossy().into_owned();
        name.starts_with("libgapkeeper_c_api") && name.ends_with(".a")
    });
    // An older one may be left from another feature or compiler.
    let newest = libraries.max_by_key(|file| file.metadata().and_then(|data| data.modified()).ok());
    newest.expect("cargo builds the static library for this test").path()
}
