//! The temporary files of this program, so that none is left if a signal ends it.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use tempfile::NamedTempFile;

/// Names of files that are being written aside. Signals come to the whole program, so this belongs to it as well.
static UNFINISHED: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// While this is held no file is begun, and none takes its name; a signal waits.
pub(super) fn lock() -> MutexGuard<'static, Vec<PathBuf>> {
    UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A temporary file that is gone when this is dropped, or when a signal ends the program.
#[derive(Debug)]
pub(super) struct Aside {
    // Taken out only when the file takes its name.
    file: Option<NamedTempFile>,
}

impl Aside {
    /// A new file in a folder.
    pub fn new(folder: &Path) -> io::Result<Self> {
        let mut builder = tempfile::Builder::new();
        builder.prefix(".gapkeeper-");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // As for any new file: the user's mask takes from these.
            builder.permissions(fs::Permissions::from_mode(0o666));
        }
        let mut unfinished = lock();
        let file = builder.tempfile_in(folder).map_err(without_name)?;
        unfinished.push(file.path().to_owned());
        Ok(Self { file: Some(file) })
    }

    /// The file.
    pub fn file(&mut self) -> io::Result<&mut fs::File> {
        self.file.as_mut().map(NamedTempFile::as_file_mut).ok_or_else(|| io::ErrorKind::NotFound.into())
    }

    /// Renames the file, under the lock that the caller holds.
    pub fn persist(mut self, path: &Path, unfinished: &mut Vec<PathBuf>) -> io::Result<()> {
        let Some(file) = self.file.take() else { return Err(io::ErrorKind::NotFound.into()) };
        unfinished.retain(|name| name != file.path());
        // If it fails, the file goes with the error.
        file.persist(path)?;
        Ok(())
    }
}

impl Drop for Aside {
    fn drop(&mut self) {
        if let Some(file) = self.file.take() {
            let name = file.path().to_owned();
            drop(file);
            lock().retain(|unfinished| *unfinished != name);
        }
    }
}

/// What went wrong, without the name of a temporary file, which says nothing to a person.
fn without_name(error: io::Error) -> io::Error {
    if error.get_ref().is_some() { error.kind().into() } else { error }
}

/// Those of the signals that the parent did not set to be ignored, as a shell does for background jobs.
#[cfg(unix)]
fn heeded(signals: [i32; 2]) -> impl Iterator<Item = i32> {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    // Bit 0 is signal 1. Where the system does not tell, none is taken for ignored.
    let ignored = ignored.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).unwrap_or(0);
    signals.into_iter().filter(move |signal| ignored >> (signal - 1) & 1 == 0)
}

/// Removes unfinished files when the program is interrupted or told to end, and then ends as it would have.
///
/// A signal that is ignored stays ignored. Has no effect on systems without such signals.
///
/// # Errors
/// Those of the system, if it grants no handler or no thread.
pub fn remove_on_signals() -> io::Result<()> {
    #[cfg(unix)]
    {
        use signal_hook::consts::{SIGINT, SIGTERM};
        let mut signals = signal_hook::iterator::Signals::new(heeded([SIGINT, SIGTERM]))?;
        std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
            for signal in signals.forever() {
                let unfinished = lock();
                for name in unfinished.iter() {
                    // What is gone already is as good as removed.
                    let _ = fs::remove_file(name);
                }
                // Still locked, so nothing is begun in between. Does not come back from these signals.
                let _ = signal_hook::low_level::emulate_default_handler(signal);
            }
        })?;
    }
    Ok(())
}
