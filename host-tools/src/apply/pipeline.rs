//! Batches corrected on all cores and taken back in the order of the job.
//!
//! What is written does not depend on how many cores there are.

use std::collections::BTreeMap;
use std::io::Read;
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, channel};
use std::thread;

use super::batch::{Batch, Corrector, Source};
use super::{ApplyError, Settings};

/// Batches under way for each core: few, so that they stay in its cache.
const UNDER_WAY: usize = 4;

/// Reads all of a job, corrects it on `cores` with the caller's own, and hands each batch to `done`.
///
/// With one core a single corrector goes through the job, and is given back.
///
/// # Errors
/// The first one along the job; that of reading is left in the source.
pub(super) fn run<'a, R: Read>(
    name: &str,
    source: &mut Source<'_, R>,
    settings: &Settings<'a>,
    cores: usize,
    mut done: impl FnMut(&mut Batch) -> Result<(), ApplyError>,
) -> Result<Corrector<'a>, ApplyError> {
    let mut own = Corrector::new(settings);
    if cores == 1 {
        let mut batch = Batch::new(name);
        while source.fill(&mut batch) {
            own.correct_next(&mut batch);
            done(&mut batch)?;
        }
        return Ok(own);
    }
    let (give, take) = channel::<(u64, Batch)>();
    let take = Mutex::new(take);
    let (give_back, take_back) = channel();
    thread::scope(|scope| {
        for _ in 1..cores {
            let (mut corrector, take, give_back) = (Corrector::new(settings), &take, give_back.clone());
            scope.spawn(move || {
                while let Some((number, mut batch)) = wait(take) {
                    corrector.correct_alone(&mut batch);
                    if give_back.send((number, batch)).is_err() {
                        break;
                    }
                }
            });
        }
        drop(give_back);
        // Given up at the end of this block, which ends the workers.
        let give = give;
        let mut order = Order::default();
        let mut begun = 0;
        loop {
            let mut batch = order.spare.pop().unwrap_or_else(|| Batch::new(name));
            let is_filled = source.fill(&mut batch);
            // The receiver lives longer than this sender.
            if is_filled && give.send((begun, batch)).is_ok() {
                begun += 1;
            }
            // Whoever reads helps when the others have enough to do, and at the end.
            let may_wait = if is_filled { (UNDER_WAY * cores) as u64 } else { 0 };
            while begun - order.next > may_wait {
                let ready = take_back.try_recv().ok().or_else(|| {
                    let (number, mut batch) = take.try_lock().ok()?.try_recv().ok()?;
                    own.correct_alone(&mut batch);
                    Some((number, batch))
                });
                // Otherwise the others have it all.
                let Some((number, batch)) = ready.or_else(|| take_back.recv().ok()) else { break };
                order.put(number, batch, &mut done)?;
            }
            if !is_filled {
                return Ok(own);
            }
        }
    })
}

/// The next batch; none when the sender is gone. Whoever waits has the lock, and gives it up before the work begins.
fn wait<T>(take: &Mutex<Receiver<T>>) -> Option<T> {
    take.lock().ok()?.recv().ok()
}

/// Brings batches back into their order.
#[derive(Default)]
struct Order {
    /// The number of the batch that comes next.
    next: u64,
    early: BTreeMap<u64, Batch>,
    /// Batches to be filled again.
    spare: Vec<Batch>,
}

impl Order {
    fn put(
        &mut self,
        number: u64,
        batch: Batch,
        done: &mut impl FnMut(&mut Batch) -> Result<(), ApplyError>,
    ) -> Result<(), ApplyError> {
        self.early.insert(number, batch);
        while let Some(mut batch) = self.early.remove(&self.next) {
            done(&mut batch)?;
            self.spare.push(batch);
            self.next += 1;
        }
        Ok(())
    }
}
