//! Writes a file as a whole or not at all.

mod unfinished;

use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use crate::file_error::FileError;
use unfinished::Aside;

pub(crate) use unfinished::remove_on_signals;

/// Most links that are followed one after the other, as on common systems.
const MOST_LINKS: usize = 40;

/// A file being written aside, which takes its name only when it is whole.
///
/// Whatever happens, the name stands for the old content or for the new one, never for a part: the bytes go to a
/// temporary file in the same folder, which is gone if this is dropped before [`Self::finish`]. A name that stands for
/// a device or a pipe is written to as it comes, and stays what it is.
#[derive(Debug)]
pub struct AtomicFile(Target);

#[derive(Debug)]
enum Target {
    /// A regular file, written aside; its name, links followed.
    Aside { aside: Aside, path: PathBuf },
    /// What cannot be replaced.
    Direct(fs::File),
}

impl AtomicFile {
    /// Begins a file. A link is followed, even to a file that is not there yet.
    ///
    /// # Errors
    /// Those of the file system; [`io::ErrorKind::IsADirectory`] for a folder.
    pub fn create(path: &Path) -> io::Result<Self> {
        let mut options = OpenOptions::new();
        let followed = followed(path);
        match fs::metadata(path) {
            Ok(found) if found.is_dir() => return Err(io::ErrorKind::IsADirectory.into()),
            Ok(found) if !found.is_file() => return Ok(Self(Target::Direct(options.write(true).open(path)?))),
            // A link of the system to an open file that has lost its name.
            Ok(_) if fs::metadata(&followed).is_err() => {
                return Ok(Self(Target::Direct(options.write(true).truncate(true).open(path)?)));
            }
            _ => {}
        }
        Ok(Self(Target::Aside { aside: Aside::new(folder_of(&followed))?, path: followed }))
    }

    /// Gives the file its name: the bytes reach the disk, the file takes the name by a rename, then the folder reaches
    /// the disk (Unix). A file that was there keeps its permissions.
    ///
    /// # Errors
    /// Those of the file system; then the old file is as it was, and no temporary file is left.
    pub fn finish(mut self) -> io::Result<()> {
        self.prepare()?;
        if let Target::Aside { aside, path } = self.0 {
            aside.persist(&path, &mut unfinished::lock())?;
            sync_folder(&path)?;
        }
        Ok(())
    }

    /// All but the rename.
    fn prepare(&mut self) -> io::Result<()> {
        match &mut self.0 {
            Target::Aside { aside, path } => {
                let file = aside.file()?;
                if let Ok(old) = fs::metadata(path) {
                    file.set_permissions(old.permissions())?;
                }
                file.sync_all()
            }
            Target::Direct(file) => file.flush(),
        }
    }
}

impl Write for AtomicFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.0 {
            Target::Aside { aside, .. } => aside.file()?.write(bytes),
            Target::Direct(file) => file.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.0 {
            Target::Aside { aside, .. } => aside.file()?.flush(),
            Target::Direct(file) => file.flush(),
        }
    }
}

/// Writes a whole file at once, as [`AtomicFile`] does.
///
/// # Errors
/// Those of the file system; then the old file is as it was, and no temporary file is left.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = AtomicFile::create(path)?;
    file.write_all(bytes)?;
    file.finish()
}

/// Writes several files, all of them or none: each is written aside, then all take their names; a signal waits for that.
///
/// If one cannot take its name, those before it are put back. A loss of power between two renames is not undone.
///
/// # Errors
/// [`FileError`] with the file that cannot be written; then all old files are as they were.
pub fn write_all_atomically(files: &[(PathBuf, Vec<u8>)]) -> Result<(), FileError> {
    let mut whole = Vec::with_capacity(files.len());
    for (path, bytes) in files {
        let written = || {
            let mut file = AtomicFile::create(path)?;
            file.write_all(bytes)?;
            file.prepare()?;
            Ok(file)
        };
        whole.push((path, written().map_err(FileError::output(path))?));
    }
    let mut unfinished = unfinished::lock();
    let mut renamed: Vec<Renamed> = Vec::with_capacity(files.len());
    for (given, file) in whole {
        let Target::Aside { aside, path } = file.0 else { continue };
        let outcome = Renamed::keep(path).and_then(|kept| aside.persist(&kept.path, &mut unfinished).map(|()| kept));
        match outcome {
            Ok(kept) => renamed.push(kept),
            Err(cause) => {
                // The others are dropped, which takes the lock.
                drop(unfinished);
                renamed.into_iter().rev().for_each(Renamed::put_back);
                return Err(FileError::output(given)(cause));
            }
        }
    }
    drop(unfinished);
    renamed.iter().try_for_each(|file| sync_folder(&file.path).map_err(FileError::output(&file.path)))
}

/// A file that has taken its name, and what had it before.
struct Renamed {
    path: PathBuf,
    old: Option<NamedTempFile<()>>,
}

impl Renamed {
    /// Keeps what has this name now under another one.
    fn keep(path: PathBuf) -> io::Result<Self> {
        let second_name = |name: &Path| match fs::hard_link(&path, name) {
            Err(error) if error.kind() != io::ErrorKind::AlreadyExists => fs::copy(&path, name).map(drop),
            // None: the name is taken, and another one is tried.
            outcome => outcome,
        };
        let is_there = fs::symlink_metadata(&path).is_ok();
        let make = || tempfile::Builder::new().prefix(".gapkeeper-").make_in(folder_of(&path), second_name);
        let old = is_there.then(make).transpose()?;
        Ok(Self { path, old })
    }

    /// The old file is there again, or no file. There is nobody left to be told if that fails as well.
    fn put_back(self) {
        match self.old {
            Some(old) => drop(old.persist(&self.path)),
            None => drop(fs::remove_file(&self.path)),
        }
    }
}

/// The folder reaches the disk, and with it the names in it.
fn sync_folder(path: &Path) -> io::Result<()> {
    #[cfg(unix)]
    fs::File::open(folder_of(path))?.sync_all()?;
    Ok(())
}

/// The end of a chain of links, be there a file or not.
fn followed(path: &Path) -> PathBuf {
    let mut path = path.to_owned();
    for _ in 0..MOST_LINKS {
        let Ok(target) = fs::read_link(&path) else { break };
        path = folder_of(&path).join(target);
    }
    path
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_replaced_as_a_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("grid.json");
        write_atomically(&path, b"old and long").unwrap();
        write_atomically(&path, b"new").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_failure_leaves_nothing_behind() {
        let folder = tempfile::tempdir().unwrap();
        let taken = folder.path().join("taken");
        fs::create_dir(&taken).unwrap();
        fs::write(taken.join("inside"), b"kept").unwrap();
        assert!(write_atomically(&taken, b"new").is_err());
        assert_eq!(fs::read(taken.join("inside")).unwrap(), b"kept");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
        assert!(write_atomically(&folder.path().join("no such folder/grid.json"), b"new").is_err());
    }

    #[cfg(unix)]
    #[test]
    fn links_are_followed_and_permissions_kept() {
        use std::os::unix::fs::{PermissionsExt, symlink};
        let folder = tempfile::tempdir().unwrap();
        let (file, link) = (folder.path().join("grid.json"), folder.path().join("link"));
        fs::write(&file, b"old").unwrap();
        fs::set_permissions(&file, fs::Permissions::from_mode(0o640)).unwrap();
        symlink(&file, &link).unwrap();
        write_atomically(&link, b"new").unwrap();
        assert_eq!(fs::read(&file).unwrap(), b"new");
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o640);
    }

    #[cfg(unix)]
    #[test]
    fn a_link_to_nothing_is_followed_and_a_folder_refused() {
        use std::os::unix::fs::symlink;
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("far")).unwrap();
        symlink("far/second", folder.path().join("first")).unwrap();
        symlink("grid.json", folder.path().join("far/second")).unwrap();
        write_atomically(&folder.path().join("first"), b"new").unwrap();
        assert_eq!(fs::read(folder.path().join("far/grid.json")).unwrap(), b"new");
        assert!(fs::symlink_metadata(folder.path().join("far/second")).unwrap().is_symlink());
        let error = write_atomically(&folder.path().join("far"), b"new").unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::IsADirectory);
        // A circle of links ends.
        symlink("b", folder.path().join("a")).unwrap();
        symlink("a", folder.path().join("b")).unwrap();
        let _ = write_atomically(&folder.path().join("a"), b"new");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_device_stays_a_device() {
        let link = tempfile::tempdir().unwrap();
        let link = link.path().join("null");
        std::os::unix::fs::symlink("/dev/null", &link).unwrap();
        for path in [Path::new("/dev/null"), &link] {
            write_atomically(path, b"bytes").unwrap();
        }
        assert!(!fs::metadata("/dev/null").unwrap().is_file() && fs::symlink_metadata(&link).unwrap().is_symlink());
    }

    fn set(folder: &Path, names: &[&str]) -> Vec<(PathBuf, Vec<u8>)> {
        names.iter().map(|name| (folder.join(name), b"new".to_vec())).collect()
    }

    #[test]
    fn several_files_are_written_all_or_none() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::write(at("old.svg"), b"old").unwrap();
        write_all_atomically(&set(folder.path(), &["old.svg", "new.svg"])).unwrap();
        assert_eq!(
            (fs::read(at("old.svg")).unwrap(), fs::read(at("new.svg")).unwrap()),
            (b"new".into(), b"new".into())
        );

        fs::write(at("old.svg"), b"old").unwrap();
        fs::create_dir(at("taken.svg")).unwrap();
        for last in ["taken.svg", "nowhere/last.svg"] {
            let error = write_all_atomically(&set(folder.path(), &["old.svg", "third.svg", last])).unwrap_err();
            assert!(error.to_string().contains(last), "{error}");
            assert_eq!(fs::read(at("old.svg")).unwrap(), b"old");
            assert!(!at("third.svg").exists());
        }
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3, "no temporary file is left");
    }

    /// A name that is taken from us after all files are written aside: what was renamed before is put back.
    #[test]
    fn what_has_its_name_already_is_put_back() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::write(at("old.svg"), b"old").unwrap();
        let kept = Renamed::keep(at("old.svg")).unwrap();
        let new = Renamed::keep(at("new.svg")).unwrap();
        for name in ["old.svg", "new.svg"] {
            write_atomically(&at(name), b"new").unwrap();
        }
        [kept, new].into_iter().for_each(Renamed::put_back);
        assert_eq!(fs::read(at("old.svg")).unwrap(), b"old");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
