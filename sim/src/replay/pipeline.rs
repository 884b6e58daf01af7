//! Batches evaluated on all cores and taken back in the order in which they were given.

use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::Scope;

use super::stretch::{Batch, Evaluator};

/// Batches under way for each worker: one in work, one waiting.
const UNDER_WAY: usize = 2;

/// More workers than this wait for the one who reads.
const MOST_WORKERS: usize = 6;

/// Workers who evaluate; without any the caller does it.
pub(super) struct Pipeline {
    here: Evaluator,
    workers: Vec<(SyncSender<Batch>, Receiver<Batch>)>,
    /// Who has the batches under way, the oldest first.
    under_way: VecDeque<usize>,
    next: usize,
    spare: Vec<Batch>,
}

impl Pipeline {
    /// `cores` with the caller's own, who reads and counts.
    pub(super) fn new<'scope>(evaluator: Evaluator, cores: usize, scope: &'scope Scope<'scope, '_>) -> Self {
        let workers = (0..(cores - 1).min(MOST_WORKERS)).map(|_| {
            let mut evaluator = evaluator.clone();
            let (give, take) = sync_channel::<Batch>(UNDER_WAY);
            let (give_back, take_back) = sync_channel(UNDER_WAY);
            scope.spawn(move || {
                for mut batch in take {
                    evaluator.evaluate(&mut batch);
                    if give_back.send(batch).is_err() {
                        break;
                    }
                }
            });
            (give, take_back)
        });
        Self { workers: workers.collect(), here: evaluator, under_way: VecDeque::new(), next: 0, spare: Vec::new() }
    }

    /// An empty batch.
    pub(super) fn batch(&mut self) -> Batch {
        self.spare.pop().unwrap_or_default()
    }

    /// Gives a batch to be evaluated; the oldest one under way comes back once there are enough.
    pub(super) fn give(&mut self, mut batch: Batch, done: impl FnOnce(&Batch)) {
        if self.workers.is_empty() {
            self.here.evaluate(&mut batch);
            done(&batch);
            self.put_back(batch);
            return;
        }
        if self.under_way.len() == UNDER_WAY * self.workers.len() {
            self.take(done);
        }
        // A worker ends only when this sender does.
        if self.workers[self.next].0.send(batch).is_ok() {
            self.under_way.push_back(self.next);
        }
        self.next = (self.next + 1) % self.workers.len();
    }

    /// Takes the oldest batch back; false if none is under way.
    pub(super) fn take(&mut self, done: impl FnOnce(&Batch)) -> bool {
        let Some(worker) = self.under_way.pop_front() else { return false };
        if let Ok(batch) = self.workers[worker].1.recv() {
            done(&batch);
            self.put_back(batch);
        }
        true
    }

    fn put_back(&mut self, mut batch: Batch) {
        batch.clear();
        self.spare.push(batch);
    }
}
