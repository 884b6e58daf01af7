//! Writes a file as a whole or not at all.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// A file being written aside, which takes its name only when it is whole.
///
/// Whatever happens, the name stands for the old content or for the new one, never for a part: the bytes go to a
/// temporary file in the same folder, which is gone if this is dropped before [`Self::finish`].
#[derive(Debug)]
pub struct AtomicFile {
    aside: tempfile::NamedTempFile,
    path: PathBuf,
}

impl AtomicFile {
    /// Begins a file. A link is followed.
    ///
    /// # Errors
    /// Those of the file system.
    pub fn create(path: &Path) -> io::Result<Self> {
        let path = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        let mut builder = tempfile::Builder::new();
        builder.prefix(".gapkeeper-");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // As for any new file: the user's mask takes from these.
            builder.permissions(fs::Permissions::from_mode(0o666));
        }
        let aside = builder.tempfile_in(folder_of(&path))?;
        Ok(Self { aside, path })
    }

    /// Gives the file its name: the bytes reach the disk, the file takes the name by a rename, then the folder reaches
    /// the disk (Unix). A file that was there keeps its permissions.
    ///
    /// # Errors
    /// Those of the file system; then the old file is as it was, and no temporary file is left.
    pub fn finish(self) -> io::Result<()> {
        if let Ok(old) = fs::metadata(&self.path) {
            self.aside.as_file().set_permissions(old.permissions())?;
        }
        self.aside.as_file().sync_all()?;
        self.aside.persist(&self.path)?;
        #[cfg(unix)]
        fs::File::open(folder_of(&self.path))?.sync_all()?;
        Ok(())
    }
}

impl Write for AtomicFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.aside.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.aside.flush()
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
}
