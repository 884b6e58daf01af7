//! A job's file, which is read twice.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use gapkeeper_host_tools::{FileError, Watched};

/// What of a pipe is kept to be read again.
const MOST_KEPT_BYTES: usize = 64 << 20;

/// Opens a job; what comes through a pipe is kept for the second reading.
pub fn open(path: &Path) -> anyhow::Result<impl BufRead + Seek> {
    let file = File::open(path).map_err(FileError::input(path))?;
    let is_stored = file.metadata().is_ok_and(|metadata| metadata.is_file() || metadata.is_dir());
    let kept = if is_stored { None } else { Some(Vec::new()) };
    Ok(BufReader::with_capacity(1 << 16, Twice { file: Watched::new(file), kept, at: 0 }))
}

struct Twice {
    file: Watched,
    /// All that came through the pipe so far; none for a file that can be read again.
    kept: Option<Vec<u8>>,
    /// Where in what was kept the reading is.
    at: usize,
}

impl Read for Twice {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let Some(kept) = &mut self.kept else { return self.file.read(buffer) };
        if let Some(rest) = kept.get(self.at..).filter(|rest| !rest.is_empty()) {
            let count = rest.len().min(buffer.len());
            buffer[..count].copy_from_slice(&rest[..count]);
            self.at += count;
            return Ok(count);
        }
        let count = self.file.read(buffer)?;
        if kept.len() + count > MOST_KEPT_BYTES {
            let message = "a job of more than 64 MiB through a pipe, which is read twice: save it to a file first";
            return Err(io::Error::new(io::ErrorKind::FileTooLarge, message));
        }
        kept.extend_from_slice(&buffer[..count]);
        self.at = kept.len();
        Ok(count)
    }
}

impl Seek for Twice {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        match (&self.kept, to) {
            (None, to) => self.file.seek(to),
            (Some(_), SeekFrom::Start(0)) => {
                self.at = 0;
                Ok(0)
            }
            (Some(_), _) => Err(io::Error::from(io::ErrorKind::NotSeekable)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A device stands for a pipe: nothing is stored in it.
    #[test]
    #[cfg(unix)]
    fn a_pipe_is_read_twice() {
        let (reader, mut writer) = io::pipe().unwrap();
        io::Write::write_all(&mut writer, b"G1 X1\nG1 X2\n").unwrap();
        drop(writer);
        let file = File::from(std::os::fd::OwnedFd::from(reader));
        let mut job = BufReader::with_capacity(5, Twice { file: Watched::new(file), kept: Some(Vec::new()), at: 0 });
        for _ in 0..2 {
            let mut text = String::new();
            job.read_to_string(&mut text).unwrap();
            assert_eq!(text, "G1 X1\nG1 X2\n");
            job.rewind().unwrap();
        }
    }
}
