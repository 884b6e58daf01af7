//! Batches worked on by all cores and taken back in the order in which they were given.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::mem;
use std::num::NonZeroUsize;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::{self, Scope};

/// Batches under way for each core: few, so that they stay in its cache.
const UNDER_WAY: usize = 4;

/// Works on batches; what comes of one must not depend on who had the others.
pub trait Worker<B>: Send {
    /// Works on one batch.
    fn work(&mut self, batch: &mut B);
}

/// Gives batches to workers on threads of their own. The calling thread helps when the others have enough to do; with a
/// single worker it does all batches itself, in order.
pub struct Pipeline<B, W> {
    own: W,
    others: usize,
    give: Sender<(u64, B)>,
    take: Arc<Mutex<Receiver<(u64, B)>>>,
    /// Batches, or why a worker panicked over one.
    take_back: Receiver<(u64, thread::Result<B>)>,
    /// Numbers of the batches that come next: to be given, and to be done with.
    given: u64,
    next: u64,
    /// Batches that came back before their turn.
    early: BTreeMap<u64, B>,
    /// Batches to be filled again.
    spare: Vec<B>,
}

impl<B: Send, W: Worker<B>> Pipeline<B, W> {
    /// A pipeline with `own` for the caller's thread and a thread in `scope` for each of the others.
    pub fn new<'scope>(own: W, others: impl IntoIterator<Item = W>, scope: &'scope Scope<'scope, '_>) -> Self
    where
        B: 'scope,
        W: 'scope,
    {
        let (give, take) = channel();
        let (give_back, take_back) = channel();
        let take = Arc::new(Mutex::new(take));
        let spawn = |mut worker: W| {
            let (take, give_back) = (Arc::clone(&take), give_back.clone());
            scope.spawn(move || {
                while let Some((number, mut batch)) = wait(&take) {
                    // A batch that never came back would be waited for as long as another worker lives.
                    let worked = catch_unwind(AssertUnwindSafe(|| worker.work(&mut batch))).map(|()| batch);
                    let goes_on = worked.is_ok();
                    if give_back.send((number, worked)).is_err() || !goes_on {
                        break;
                    }
                }
            });
        };
        let others = others.into_iter().map(spawn).count();
        Self { own, others, give, take, take_back, given: 0, next: 0, early: BTreeMap::new(), spare: Vec::new() }
    }

    /// A batch that was done with, as it was left.
    pub fn spare(&mut self) -> Option<B> {
        self.spare.pop()
    }

    /// Gives a batch to be worked on; those whose turn it is are `done` with.
    ///
    /// # Errors
    /// The first one of `done`.
    pub fn give<E>(&mut self, mut batch: B, mut done: impl FnMut(&mut B) -> Result<(), E>) -> Result<(), E> {
        let number = self.given;
        self.given += 1;
        if self.others == 0 {
            self.own.work(&mut batch);
            return self.put(number, batch, &mut done);
        }
        // The receiver lives as long as this sender.
        let _ = self.give.send((number, batch));
        self.take((UNDER_WAY * (self.others + 1)) as u64, done)
    }

    /// Waits for all batches under way.
    ///
    /// # Errors
    /// The first one of `done`.
    pub fn finish<E>(&mut self, done: impl FnMut(&mut B) -> Result<(), E>) -> Result<(), E> {
        self.take(0, done)
    }

    /// The caller's worker.
    pub fn own(&self) -> &W {
        &self.own
    }

    /// Works and takes back until no more than so many batches are under way.
    fn take<E>(&mut self, may_wait: u64, mut done: impl FnMut(&mut B) -> Result<(), E>) -> Result<(), E> {
        while self.given - self.next > may_wait {
            let ready = self.take_back.try_recv().ok().or_else(|| {
                let (number, mut batch) = self.take.try_lock().ok()?.try_recv().ok()?;
                self.own.work(&mut batch);
                Some((number, Ok(batch)))
            });
            // Otherwise the others have them all.
            let Some((number, worked)) = ready.or_else(|| self.take_back.recv().ok()) else { break };
            let batch = worked.unwrap_or_else(|panic| resume_unwind(panic));
            self.put(number, batch, &mut done)?;
        }
        Ok(())
    }

    fn put<E>(&mut self, number: u64, batch: B, done: &mut impl FnMut(&mut B) -> Result<(), E>) -> Result<(), E> {
        self.early.insert(number, batch);
        while let Some(mut batch) = self.early.remove(&self.next) {
            self.next += 1;
            done(&mut batch)?;
            self.spare.push(batch);
        }
        Ok(())
    }
}

/// The next batch, or none when the sender is gone. A waiting worker holds the lock, and drops it before it works.
fn wait<T>(take: &Mutex<Receiver<T>>) -> Option<T> {
    take.lock().ok()?.recv().ok()
}

/// How many cores to use: as many as asked for; if none, all that there are.
pub fn cores(asked: Option<NonZeroUsize>) -> usize {
    asked.or_else(|| thread::available_parallelism().ok()).map_or(1, NonZeroUsize::get)
}

/// What the work makes of each item, in the order of the items, on so many cores.
pub fn map_in_order<T: Send, R: Send>(
    cores: usize,
    items: impl IntoIterator<Item = T>,
    work: impl Fn(T) -> R + Sync,
) -> Vec<R> {
    let mut results = Vec::new();
    thread::scope(|scope| {
        let mut pipeline = Pipeline::new(Mapper(&work), (1..cores).map(|_| Mapper(&work)), scope);
        let mut done = |item: &mut Mapped<T, R>| {
            if let Mapped::Done(result) = mem::replace(item, Mapped::Taken) {
                results.push(result);
            }
            Ok::<_, Infallible>(())
        };
        for item in items {
            let Ok(()) = pipeline.give(Mapped::Given(item), &mut done);
        }
        let Ok(()) = pipeline.finish(&mut done);
    });
    results
}

/// One item of [`map_in_order`].
enum Mapped<T, R> {
    Given(T),
    Done(R),
    Taken,
}

struct Mapper<'a, F>(&'a F);

impl<T: Send, R: Send, F: Fn(T) -> R + Sync> Worker<Mapped<T, R>> for Mapper<'_, F> {
    fn work(&mut self, item: &mut Mapped<T, R>) {
        *item = match mem::replace(item, Mapped::Taken) {
            Mapped::Given(given) => Mapped::Done((self.0)(given)),
            other => other,
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Doubler;

    impl Worker<u64> for Doubler {
        fn work(&mut self, batch: &mut u64) {
            if batch.is_multiple_of(7) {
                thread::yield_now();
            }
            *batch *= 2;
        }
    }

    #[test]
    fn batches_come_back_in_their_order() {
        for others in 0..4 {
            let mut found = Vec::new();
            thread::scope(|scope| {
                let mut pipeline = Pipeline::new(Doubler, (0..others).map(|_| Doubler), scope);
                let mut done = |batch: &mut u64| {
                    found.push(*batch);
                    Ok::<_, Infallible>(())
                };
                for number in 0..1000 {
                    let Ok(()) = pipeline.give(number, &mut done);
                }
                let Ok(()) = pipeline.finish(&mut done);
                assert!(pipeline.spare().is_some());
            });
            assert_eq!(found, (0..1000).map(|number| 2 * number).collect::<Vec<_>>(), "{others}");
        }
    }

    struct Fails;

    impl Worker<u64> for Fails {
        fn work(&mut self, batch: &mut u64) {
            assert!(*batch != 500, "this one fails");
            thread::yield_now();
        }
    }

    #[test]
    fn a_panic_of_a_worker_comes_up() {
        for others in 0..4 {
            let run = || {
                thread::scope(|scope| {
                    let mut pipeline = Pipeline::new(Fails, (0..others).map(|_| Fails), scope);
                    for number in 0..1000 {
                        let Ok(()) = pipeline.give(number, |_| Ok::<_, Infallible>(()));
                    }
                    let Ok(()) = pipeline.finish(|_| Ok::<_, Infallible>(()));
                });
            };
            let panic = catch_unwind(run).unwrap_err();
            assert_eq!(panic.downcast_ref(), Some(&"this one fails"), "{others}");
        }
    }

    #[test]
    fn results_come_in_the_order_of_their_items() {
        for cores in 1..4 {
            let squares = map_in_order(cores, 0..500_u64, |number| {
                if number % 7 == 0 {
                    thread::yield_now();
                }
                number * number
            });
            assert_eq!(squares, (0..500).map(|number| number * number).collect::<Vec<_>>(), "{cores}");
        }
        assert!(map_in_order(2, [], |number: u64| number).is_empty());
    }

    #[test]
    fn the_first_error_ends_it() {
        for others in 0..3 {
            let error = thread::scope(|scope| {
                let mut pipeline = Pipeline::new(Doubler, (0..others).map(|_| Doubler), scope);
                let done = |batch: &mut u64| if *batch < 300 { Ok(()) } else { Err(*batch) };
                (0..1000).find_map(|number| pipeline.give(number, done).err())
            });
            assert_eq!(error, Some(300));
        }
    }
}
