//! How far a long file has been read, and how much of other long work is done.

use std::fs::File;
use std::io::{self, IsTerminal, Read, Seek, SeekFrom};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};

/// Work shorter than this needs no bar.
const PATIENCE: Duration = Duration::from_millis(500);

/// A file that is read under a progress bar on standard error, once that takes its time.
///
/// There is no bar unless standard error is a terminal, and it has no colours.
pub struct Watched {
    file: File,
    length: u64,
    wait: Duration,
    started: Instant,
    read: u64,
    bar: Option<ProgressBar>,
    is_hidden: bool,
}

impl Watched {
    /// Watches a file; a pipe or a device, which has no length, is read without a bar.
    pub fn new(file: File) -> Self {
        let length = file.metadata().map(|metadata| metadata.len()).unwrap_or(0);
        let is_hidden = length == 0 || !io::stderr().is_terminal();
        Self { file, length, wait: PATIENCE, started: Instant::now(), read: 0, bar: None, is_hidden }
    }

    /// The same without a bar, for output that goes to the same terminal.
    pub fn hidden(mut self) -> Self {
        self.is_hidden = true;
        self
    }

    /// Watches a file whose content goes to standard output: a bar would stand between the lines on one terminal.
    pub fn beside_output(file: File) -> Self {
        let watched = Self::new(file);
        if io::stdout().is_terminal() { watched.hidden() } else { watched }
    }

    /// Sets how long reading takes before there is a bar (default: half a second).
    pub fn after(mut self, wait: Duration) -> Self {
        self.wait = wait;
        self
    }

    fn show(&mut self) {
        let bar = self.bar.get_or_insert_with(|| {
            let style = ProgressStyle::with_template("{bar:40} {bytes} of {total_bytes}, {eta} left");
            ProgressBar::new(self.length)
                .with_elapsed(self.started.elapsed())
                .with_style(style.unwrap_or(ProgressStyle::default_bar()))
        });
        bar.set_position(self.read);
    }
}

impl Read for Watched {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(buffer)?;
        self.read += count as u64;
        if self.bar.is_some() || (!self.is_hidden && self.started.elapsed() >= self.wait) {
            self.show();
        }
        Ok(count)
    }
}

impl Seek for Watched {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.read = self.file.seek(to)?;
        Ok(self.read)
    }
}

impl Drop for Watched {
    /// Leaves a clean line, whether the file was read to its end or not.
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// Steps of long work, counted under a progress bar on standard error once that takes its time; any thread may count.
///
/// There is no bar unless standard error is a terminal, and it has no colours.
pub struct Steps {
    total: u64,
    what: &'static str,
    done: AtomicU64,
    started: Instant,
    bar: Mutex<Option<ProgressBar>>,
    is_hidden: bool,
}

impl Steps {
    /// So many steps are to be done; `what` they are is shown behind their number.
    pub fn new(total: u64, what: &'static str) -> Self {
        let (done, started, bar) = (AtomicU64::new(0), Instant::now(), Mutex::new(None));
        Self { total, what, done, started, bar, is_hidden: !io::stderr().is_terminal() }
    }

    /// One more step is done.
    pub fn step(&self) {
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        if self.is_hidden || self.started.elapsed() <= PATIENCE {
            return;
        }
        let mut bar = self.bar.lock().unwrap_or_else(PoisonError::into_inner);
        let bar = bar.get_or_insert_with(|| {
            let style = ProgressStyle::with_template("{bar:40} {pos} of {len} {msg}, {eta} left");
            ProgressBar::new(self.total)
                .with_elapsed(self.started.elapsed())
                .with_message(self.what)
                .with_style(style.unwrap_or(ProgressStyle::default_bar()))
        });
        bar.set_position(done);
    }
}

impl Drop for Steps {
    /// Leaves a clean line.
    fn drop(&mut self) {
        if let Some(bar) = self.bar.get_mut().unwrap_or_else(PoisonError::into_inner) {
            bar.finish_and_clear();
        }
    }
}
