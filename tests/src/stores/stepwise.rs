//! The core's store by steps, with an eye on what each step does.

use core::cell::Cell;
use core::fmt::Debug;
use std::rc::Rc;

use gapkeeper::memory::{Cells, SlotMemory};
use gapkeeper::{Progress, Saved, Store, StoreError};

use super::{BUFFER, CAPACITY, Found, Subject, Value, found, word};

/// The core's store again, by steps of one access to the memory each.
pub struct Stepwise;

/// Counts accesses, and allows none that a step must not make.
struct Counted<M> {
    memory: M,
    accesses: Rc<Cell<u32>>,
}

impl<M> Counted<M> {
    fn count(&self) {
        self.accesses.set(self.accesses.get() + 1);
    }
}

impl<M: SlotMemory> SlotMemory for Counted<M> {
    type Error = M::Error;

    fn slot_count(&self) -> usize {
        self.memory.slot_count()
    }

    fn slot_size(&self) -> usize {
        self.memory.slot_size()
    }

    fn unit(&self) -> usize {
        self.memory.unit()
    }

    fn write_size(&self) -> usize {
        self.memory.write_size()
    }

    fn erase_steps(&self) -> usize {
        self.memory.erase_steps()
    }

    fn read(&mut self, slot: usize, offset: usize, bytes: &mut [u8]) -> Result<Cells, M::Error> {
        self.count();
        assert!(bytes.len() <= 32, "{} bytes read at once", bytes.len());
        self.memory.read(slot, offset, bytes)
    }

    fn erase(&mut self, _slot: usize) -> Result<(), M::Error> {
        panic!("a whole slot erased at once");
    }

    fn erase_step(&mut self, slot: usize, step: usize) -> Result<(), M::Error> {
        self.count();
        self.memory.erase_step(slot, step)
    }

    fn write(&mut self, slot: usize, offset: usize, bytes: &[u8]) -> Result<(), M::Error> {
        self.count();
        assert!(bytes.len() <= self.write_size(), "{} bytes written at once", bytes.len());
        self.memory.write(slot, offset, bytes)
    }
}

type CountedStore<M> = Store<Counted<M>, CAPACITY, BUFFER>;

/// Starts a job and carries it to its end, each step by itself.
fn by_steps<M: SlotMemory>(
    memory: M,
    start: impl FnOnce(&mut CountedStore<M>) -> Result<(), StoreError<M::Error>>,
) -> Result<(CountedStore<M>, Progress), StoreError<M::Error>> {
    let accesses = Rc::new(Cell::new(0));
    let mut store = Store::new(Counted { memory, accesses: Rc::clone(&accesses) })?;
    start(&mut store)?;
    loop {
        let progress = store.step();
        assert!(accesses.replace(0) <= 1, "more than one access in a step");
        match progress? {
            Progress::Working => {}
            end => return Ok((store, end)),
        }
    }
}

impl Subject for Stepwise {
    fn load<M: SlotMemory<Error: Debug>>(&self, memory: M, setup: bool) -> Found {
        if setup {
            let loaded = by_steps(memory, |store| {
                store.start_load_setup();
                Ok(())
            });
            found(loaded.and_then(|(mut store, _)| store.loaded_setup()), |loaded| Value::Setup(loaded.value))
        } else {
            let loaded = by_steps(memory, |store| store.start_load_grid(0));
            found(loaded.and_then(|(mut store, _)| store.loaded_grid()), |loaded| Value::Grid(loaded.value))
        }
    }

    fn save<M: SlotMemory<Error: Debug>>(&self, mut memory: M, value: &Value) -> Result<Saved, &'static str> {
        let saved = match value {
            Value::Grid(stored) => by_steps(&mut memory, |store| store.start_save_grid(0, stored)),
            Value::Setup(setup) => match by_steps(&mut memory, |store| store.start_save_setup(*setup)) {
                Err(StoreError::NotBegun) => by_steps(&mut memory, |store| store.start_begin(*setup)),
                saved => saved,
            },
        };
        match saved {
            Ok((_, Progress::Saved(saved))) => Ok(saved),
            Ok(_) => Err("no save"),
            Err(error) => Err(word(&error)),
        }
    }
}
