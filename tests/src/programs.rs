//! Programs of others that tests read but the project does not hold; `SOURCES.md` says which.

use std::path::PathBuf;

/// Reads a program from the folder that `GAPKEEPER_PROGRAMS` names. If the variable is unset, prints a message and returns
/// `None`.
///
/// # Panics
/// If the folder is named and the program is not there.
pub fn program(name: &str) -> Option<Vec<u8>> {
    let Some(folder) = std::env::var_os("GAPKEEPER_PROGRAMS") else {
        println!("SKIPPED: {name}: GAPKEEPER_PROGRAMS names no folder of programs");
        return None;
    };
    let path = PathBuf::from(folder).join(name);
    match std::fs::read(&path) {
        Ok(bytes) => Some(bytes),
        Err(error) => {
            panic!("{}: {error}; GAPKEEPER_PROGRAMS should name the folder that holds {name}", path.display())
        }
    }
}
