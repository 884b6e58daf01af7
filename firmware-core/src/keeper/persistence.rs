//! What survives power: loading, saving, and memories that say nothing sure.

use core::fmt;

use super::{Keeper, Knowledge};
use crate::bank::Choice;
use crate::memory::SlotMemory;
use crate::store::{OtherSlot, Progress, Store, StoreError};

/// What [`Keeper::load`] found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LoadReport {
    /// Grids loaded.
    pub grids: u8,
    /// Places whose record is damaged, of a newer layout, or of a build with slots of another size.
    pub unreadable: u8,
    /// Grids loaded that may be the ones before the last: a save was cut short there, or a slot is damaged.
    pub doubtful: u8,
    /// The setup could not be told for certain, so a new one was begun and no grid holds.
    pub setup_uncertain: bool,
}

/// Why nothing was loaded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum LoadError<E> {
    /// Something measured or told is not saved yet and would be lost. Nothing has changed.
    Unsaved,
    /// A survey is under way. Nothing has changed.
    SurveyUnderWay,
    /// This keeper was made to work without memory. Nothing has changed.
    WithoutMemory,
    /// Nothing was ever stored here, or the memory does not answer and reads as if it were erased.
    Blank,
    /// There are bytes, but none that say which setup holds: another program's, damage, or those of a build with slots of
    /// another size.
    Unexpected,
    /// The memory has fewer places than the bank has grids.
    TooFewPlaces {
        /// Places in the store.
        places: usize,
        /// Grids of the bank.
        grids: usize,
    },
    /// The store's own reason.
    Store(StoreError<E>),
}

impl<E: fmt::Display> fmt::Display for LoadError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unsaved => write!(f, "something is not saved yet: save it first"),
            Self::SurveyUnderWay => write!(f, "a survey is under way: finish or abort it first"),
            Self::WithoutMemory => write!(f, "made to work without memory: make a keeper with one"),
            Self::Blank => {
                write!(
                    f,
                    "nothing stored, or no answer: check the wiring; if the memory is new, confirm its first start"
                )
            }
            Self::Unexpected => write!(
                f,
                "not as expected: load again; if it stays so, check what else writes here, or confirm a first start"
            ),
            Self::TooFewPlaces { places, grids } => {
                write!(f, "{places} places for {grids} grids: give the store more slots, or the keeper fewer grids")
            }
            Self::Store(error) => error.fmt(f),
        }
    }
}

impl<E: fmt::Debug + fmt::Display> core::error::Error for LoadError<E> {}

/// What could not be saved. Everything else is, and calling again is safe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum SaveError<E, const GRIDS: usize> {
    /// Nothing is written over a setup that was not read: load first.
    NotLoaded,
    /// This keeper was made to work without memory.
    WithoutMemory,
    /// The setup; no grid was tried, since none may be stored for a setup that is not.
    Setup(StoreError<E>),
    /// Grids, by their place.
    Grids([Option<StoreError<E>>; GRIDS]),
}

impl<E: fmt::Display, const GRIDS: usize> fmt::Display for SaveError<E, GRIDS> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotLoaded => write!(f, "the memory was not read yet: load first"),
            Self::WithoutMemory => write!(f, "made to work without memory: make a keeper with one"),
            Self::Setup(error) => write!(f, "the setup: {error}"),
            Self::Grids(errors) => {
                let failed = errors.iter().enumerate().filter_map(|(place, error)| Some((place, error.as_ref()?)));
                for (count, (place, error)) in failed.enumerate() {
                    let separator = if count > 0 { "; " } else { "" };
                    write!(f, "{separator}grid {}: {error}", place + 1)?;
                }
                Ok(())
            }
        }
    }
}

impl<E: fmt::Debug + fmt::Display, const GRIDS: usize> core::error::Error for SaveError<E, GRIDS> {}

impl<E, const GRIDS: usize> SaveError<E, GRIDS> {
    fn grid(place: usize, error: StoreError<E>) -> Self {
        let mut errors = [const { None }; GRIDS];
        if let Some(slot) = errors.get_mut(place) {
            *slot = Some(error);
        }
        Self::Grids(errors)
    }
}

/// How far a save by steps is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub enum Saving {
    /// There is more to do: step again.
    Working,
    /// Everything is stored, but for what failed on the way.
    Done,
}

/// What a save by steps is at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Job {
    Setup { setup: u32 },
    Grid { place: usize },
}

/// Where a save by steps stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Steps {
    job: Option<Job>,
    /// Bit `n`: the grid at place `n` could not be stored.
    failed: u16,
}

impl Steps {
    /// Lets the save that is under way try a place that failed.
    pub(super) fn try_again(&mut self, place: usize) {
        self.failed &= !bit(place);
    }
}

/// The bit of a place; a bank has sixteen at most.
pub(super) const fn bit(place: usize) -> u16 {
    1 << (place & 15)
}

impl<const STATIONS: usize, const NODES: usize, const GRIDS: usize> Keeper<STATIONS, NODES, GRIDS> {
    /// Loads all that is stored; nothing comes into force before homing.
    ///
    /// A place that cannot be read is left empty and counted. If it is not certain that the stored setup is the
    /// current one (its last save was cut short or is damaged), a new one is begun: every grid is stale then, which
    /// costs a survey but never a bed. So it is if a screw was turned before the memory was read.
    ///
    /// # Errors
    /// [`LoadError`] says what to do. Where it does not say that nothing has changed, the bank is empty, the setup
    /// unknown, no grid in force, and nothing is measured or saved until a load has succeeded.
    pub fn load<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
    ) -> Result<LoadReport, LoadError<M::Error>> {
        self.read_or_begin(store, false)
    }

    /// As [`Self::load`], after a person or the build has confirmed that this memory is to be used from now on, whatever
    /// it holds: where no setup can be read, one is stored that no grid there was measured in.
    ///
    /// A memory that is unplugged reads as if it were new; so nothing is begun without that word. Where a setup can be
    /// read this is a plain load, so confirming twice does no harm.
    ///
    /// # Errors
    /// As for [`Self::load`].
    pub fn begin_memory<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
    ) -> Result<LoadReport, LoadError<M::Error>> {
        self.read_or_begin(store, true)
    }

    fn read_or_begin<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
        is_confirmed: bool,
    ) -> Result<LoadReport, LoadError<M::Error>> {
        let screw_turned = match self.knowledge {
            Knowledge::WithoutMemory => return Err(LoadError::WithoutMemory),
            Knowledge::Unread { screw_turned } => screw_turned,
            Knowledge::Read if self.is_unsaved() => return Err(LoadError::Unsaved),
            Knowledge::Read => false,
        };
        if self.survey.is_some() {
            return Err(LoadError::SurveyUnderWay);
        }
        self.know_nothing(screw_turned);
        let read = self.read(store, is_confirmed, screw_turned);
        match &read {
            Ok(_report) => {
                self.knowledge = Knowledge::Read;
                // Which one it would be; nothing comes into force before homing.
                self.last_choice = self.bank.choose(self.bed_c, self.setup, self.settings.windows);
                #[cfg(feature = "defmt")]
                defmt::info!("loaded: {}, setup {}", _report, self.setup);
            }
            Err(_) => self.know_nothing(screw_turned),
        }
        read
    }

    fn know_nothing(&mut self, screw_turned: bool) {
        self.knowledge = Knowledge::Unread { screw_turned };
        (self.in_force, self.agreement, self.last_choice) = (None, None, Choice::NotLoaded);
        (self.setup, self.setup_stored, self.setup_unsaved, self.unsaved) = (0, false, false, 0);
        self.saving = Steps::default();
        for place in 0..GRIDS {
            self.bank.set(place, None);
        }
    }

    /// Fills bank and setup; on failure they are left half filled.
    fn read<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
        is_confirmed: bool,
        screw_turned: bool,
    ) -> Result<LoadReport, LoadError<M::Error>> {
        let (places, grids) = (store.places(), GRIDS);
        if places < grids {
            return Err(LoadError::TooFewPlaces { places, grids });
        }
        let (setup, is_blank) = match store.load_setup() {
            Ok(loaded) => (Some((loaded.value, loaded.other != OtherSlot::Damaged)), false),
            Err(StoreError::Empty) => (None, true),
            Err(StoreError::Damaged | StoreError::OtherGeometry { .. }) => (None, false),
            Err(StoreError::NewerLayout { .. }) if is_confirmed => (None, false),
            Err(error) => return Err(LoadError::Store(error)),
        };
        let mut newest_setup = setup.map_or(0, |(setup, _)| setup);
        let mut report = self.read_places(store, &mut newest_setup).map_err(LoadError::Store)?;
        match setup {
            Some((setup, true)) if !screw_turned => (self.setup, self.setup_stored) = (setup, true),
            Some((_, is_certain)) => {
                report.setup_uncertain = !is_certain;
                (self.setup, self.setup_unsaved) = (self.unused_setup(newest_setup), true);
            }
            None if is_confirmed => {
                let begun = self.unused_setup(newest_setup);
                store.begin(begun).map_err(LoadError::Store)?;
                // A plug that was out for a moment hid grids of which one may count as measured in this setup. It is in
                // now, for the memory has kept something.
                report = self.read_places(store, &mut newest_setup).map_err(LoadError::Store)?;
                self.setup = self.unused_setup(newest_setup);
                if self.setup != begun {
                    store.begin(self.setup).map_err(LoadError::Store)?;
                }
                self.setup_stored = true;
            }
            None if is_blank && report == LoadReport::default() => return Err(LoadError::Blank),
            None => return Err(LoadError::Unexpected),
        }
        Ok(report)
    }

    /// Reads all places, also those that this bank has no grids for: another build may have them again.
    fn read_places<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
        newest_setup: &mut u32,
    ) -> Result<LoadReport, StoreError<M::Error>> {
        let mut report = LoadReport::default();
        for place in 0..store.places() {
            self.read_place(place, store, newest_setup, &mut report)?;
        }
        Ok(report)
    }

    // Never inlined: a whole grid stands on the stack, and callers shall not carry it as well.
    #[inline(never)]
    fn read_place<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        place: usize,
        store: &mut Store<M, STATIONS, BUFFER>,
        newest_setup: &mut u32,
        report: &mut LoadReport,
    ) -> Result<(), StoreError<M::Error>> {
        let loaded = match store.load_grid(place) {
            Ok(loaded) => loaded,
            Err(StoreError::Access(error)) => return Err(StoreError::Access(error)),
            Err(StoreError::Empty) => return Ok(()),
            Err(_) => {
                report.unreadable = report.unreadable.saturating_add(1);
                return Ok(());
            }
        };
        // Further on by less than half of all setups there can be.
        if loaded.value.setup.wrapping_sub(*newest_setup) as i32 > 0 {
            *newest_setup = loaded.value.setup;
        }
        if place < GRIDS {
            report.grids += 1;
            report.doubtful = report.doubtful.saturating_add(u8::from(loaded.other == OtherSlot::Damaged));
            self.bank.set(place, Some(loaded.value));
        }
        Ok(())
    }

    /// A setup after this one in which no remembered grid was measured.
    pub(super) fn unused_setup(&self, setup: u32) -> u32 {
        let mut next = setup.wrapping_add(1);
        while (0..GRIDS).filter_map(|place| self.bank.grid(place)).any(|grid| grid.setup == next) {
            next = next.wrapping_add(1);
        }
        next
    }

    /// Stores whatever is unsaved and can be stored: the setup first, then each grid by itself.
    ///
    /// It waits for the memory: how long, says [`store`](crate::store). [`Self::save_step`] does the same in pieces.
    ///
    /// # Errors
    /// [`SaveError`] says what could not be stored, by place; all else is, and calling again is safe.
    pub fn save<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
    ) -> Result<(), SaveError<M::Error, GRIDS>> {
        self.stop_saving();
        self.saving = Steps::default();
        let mut failed = [const { None }; GRIDS];
        loop {
            match self.save_step(store) {
                Ok(Saving::Working) => {}
                Ok(Saving::Done) if failed.iter().all(Option::is_none) => return Ok(()),
                Ok(Saving::Done) => return Err(SaveError::Grids(failed)),
                Err(SaveError::Grids(errors)) => {
                    for (place, error) in failed.iter_mut().zip(errors) {
                        *place = error.or(place.take());
                    }
                }
                Err(error) => return Err(error),
            }
        }
    }

    /// One step of a save: one access to the memory at most, so that the knob is heard and the motors have work meanwhile.
    /// Call it until it returns [`Saving::Done`]. Whatever changes between two steps is saved too, and a turned screw before
    /// all else; a save that is not carried on leaves what a power cut would leave there.
    ///
    /// # Errors
    /// [`SaveError`] once for each thing that could not be stored. Calling on goes on with the others; what changes
    /// meanwhile is tried again at once, all else after [`Saving::Done`]: so `Done` with [`Self::is_unsaved`] means that
    /// an error was returned since the `Done` before.
    pub fn save_step<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
    ) -> Result<Saving, SaveError<M::Error, GRIDS>> {
        match self.knowledge {
            Knowledge::Unread { .. } => return Err(SaveError::NotLoaded),
            Knowledge::WithoutMemory => return Err(SaveError::WithoutMemory),
            Knowledge::Read => {}
        }
        let job = match self.saving.job {
            // Whatever is under way, a setup that is not stored comes before all grids.
            Some(Job::Grid { .. }) | None if !self.setup_stored => {
                self.stop_saving();
                store.start_save_setup(self.setup).map_err(SaveError::Setup)?;
                Job::Setup { setup: self.setup }
            }
            Some(job) => job,
            None => match self.start_next_grid(store)? {
                Some(job) => job,
                None => {
                    self.saving = Steps::default();
                    return Ok(Saving::Done);
                }
            },
        };
        self.saving.job = Some(job);
        let step = store.step();
        self.after(job, step)
    }

    fn start_next_grid<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
    ) -> Result<Option<Job>, SaveError<M::Error, GRIDS>> {
        for place in 0..GRIDS {
            let bit = bit(place);
            let Some(grid) = self.bank.grid(place).filter(|_| self.unsaved & !self.saving.failed & bit != 0) else {
                continue;
            };
            if let Err(error) = store.start_save_grid(place, grid) {
                self.saving.failed |= bit;
                return Err(SaveError::grid(place, error));
            }
            // Set again by a change meanwhile, or by a failure.
            self.unsaved &= !bit;
            return Ok(Some(Job::Grid { place }));
        }
        Ok(None)
    }

    fn after<E>(&mut self, job: Job, step: Result<Progress, StoreError<E>>) -> Result<Saving, SaveError<E, GRIDS>> {
        match (job, step) {
            (_, Ok(Progress::Working)) => return Ok(Saving::Working),
            (Job::Setup { setup }, Ok(Progress::Saved(_))) => {
                self.saving.job = None;
                let is_current = self.setup == setup;
                (self.setup_stored, self.setup_unsaved) = (is_current, self.setup_unsaved && !is_current);
            }
            (Job::Grid { .. }, Ok(Progress::Saved(_))) => self.saving.job = None,
            // The store was used for something else meanwhile.
            (_, Ok(_)) => self.stop_saving(),
            (Job::Grid { place }, Err(error)) => {
                self.stop_saving();
                self.saving.failed |= bit(place);
                return Err(SaveError::grid(place, error));
            }
            (Job::Setup { .. }, Err(error)) => {
                self.saving.job = None;
                return Err(SaveError::Setup(error));
            }
        }
        Ok(Saving::Working)
    }

    /// What was being saved is unsaved.
    fn stop_saving(&mut self) {
        if let Some(Job::Grid { place }) = self.saving.job.take() {
            self.unsaved |= bit(place);
        }
    }

    /// Whether anything would be lost without power.
    pub fn is_unsaved(&self) -> bool {
        self.unsaved != 0 || self.setup_unsaved || self.saving.job.is_some()
    }
}
