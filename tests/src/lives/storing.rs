//! Loading, beginning and saving a memory, and what each must do or leave.

use gapkeeper::{LoadError, LoadReport, SaveError, Saving, SurveyEvent};

use super::apply::{Verdict, hold};
use super::chip::{NoAnswer, Trouble};
use super::operator::Between;
use super::subject::{GRIDS, LifeStore};
use super::world::Stored;
use super::{Life, Subject};

/// More steps than any save takes.
const MOST_STEPS: usize = 2000;

impl<S: Subject> Life<S> {
    fn with_store<T>(
        &mut self,
        trouble: Option<Trouble>,
        call: impl FnOnce(&mut S, &mut LifeStore<'_>) -> T,
    ) -> Result<T, String> {
        let chance = self.random.draw();
        let subject = &mut self.subject;
        self.world.chip.with(trouble, chance, |slots| match LifeStore::new(slots) {
            Ok(mut store) => Ok(call(subject, &mut store)),
            Err(_) => Err("no store in this memory".to_string()),
        })
    }

    pub(super) fn load(&mut self, before: &S, trouble: Option<Trouble>, confirmed: bool) -> Verdict {
        let bytes = self.world.chip.bytes().to_vec();
        let result = match confirmed {
            false => self.with_store(trouble, |subject, store| subject.load(store))?,
            true => self.with_store(trouble, |subject, store| subject.begin_memory(store))?,
        };
        let is_lie = trouble.is_some_and(Trouble::is_lie);
        let is_unchanged = self.world.chip.bytes() == bytes;
        hold(confirmed || is_unchanged, "a load wrote to the memory")?;
        let is_sound = trouble.is_none() && !self.world.chip.is_in_doubt();
        if let Some(stored) = self.world.stored.clone().filter(|_| is_sound && self.world.has_memory) {
            hold(is_unchanged, "a memory was begun over a setup that can be read")?;
            if let Ok(report) = &result {
                self.check_loaded(&stored, *report)?;
            } else {
                let refused = matches!(result, Err(LoadError::Unsaved | LoadError::SurveyUnderWay));
                hold(refused || self.world.chip.places() < GRIDS, "what is stored was not loaded")?;
            }
        }
        if !is_unchanged {
            self.world.stored = None;
            self.world.is_scarred |= trouble.is_some();
        }
        self.after_load(before, result, is_lie)
    }

    fn check_loaded(&self, stored: &Stored, report: LoadReport) -> Verdict {
        let keeper = self.subject.keeper();
        // A record that was cut short may stand beside the current one until it is written over.
        hold(self.world.is_scarred || !report.setup_uncertain, "a sound setup is called uncertain")?;
        if self.world.told_before_load || report.setup_uncertain {
            hold(
                keeper.is_unsaved() && keeper.setup() != Some(stored.setup),
                "a screw told of before the load is forgotten",
            )?;
        } else {
            hold(keeper.setup() == Some(stored.setup), "another setup was loaded than was stored")?;
        }
        let is_equal = stored.grids.iter().enumerate().all(|(place, grid)| keeper.bank().grid(place) == grid.as_ref());
        hold(is_equal, "another grid was loaded than was stored")
    }

    fn after_load(&mut self, before: &S, result: Result<LoadReport, LoadError<NoAnswer>>, is_lie: bool) -> Verdict {
        let was = before.keeper();
        match result {
            Ok(_) => {
                hold(self.world.has_memory, "loaded without a memory")?;
                hold(was.survey_under_way().is_none(), "loaded under a survey")?;
                hold(!was.is_unsaved(), "loaded over what is not saved")?;
                hold(self.subject.keeper().correction_in_force().is_none(), "a load put a grid in force")?;
                if self.world.told_before_load && self.world.may_turn {
                    self.world.is_turn_stored = false;
                }
                self.world.has_open_failure = false;
                (self.world.is_loaded, self.world.failed_loads, self.world.told_before_load) = (true, 0, false);
                self.world.was_lied_to = is_lie;
                self.figures.loads[0] += 1;
            }
            Err(LoadError::Unsaved | LoadError::SurveyUnderWay | LoadError::WithoutMemory) => {
                let is_right = was.is_unsaved() || was.survey_under_way().is_some() || !self.world.has_memory;
                hold(is_right, "a load was refused")?;
                self.unchanged(before, "a refused load")?;
                self.figures.loads[1] += 1;
            }
            Err(_) => {
                hold(was.survey_under_way().is_none() && !was.is_unsaved(), "a failed load lost something")?;
                self.world.is_loaded = false;
                self.world.failed_loads += 1;
                self.figures.loads[1] += 1;
            }
        }
        Ok(())
    }

    pub(super) fn save(&mut self, before: &S, trouble: Option<Trouble>) -> Verdict {
        let bytes = self.world.chip.bytes().to_vec();
        let result = self.with_store(trouble, |subject, store| subject.save(store))?;
        let is_unchanged = self.world.chip.bytes() == bytes;
        hold(self.world.is_loaded && self.world.has_memory || is_unchanged, "written over what was not read")?;
        let (was, is) = (before.keeper(), self.subject.keeper());
        let same = was.bank() == is.bank()
            && was.setup() == is.setup()
            && was.correction_in_force() == is.correction_in_force()
            && was.survey_under_way() == is.survey_under_way()
            && was.choice() == is.choice();
        hold(same, "saving changed something")?;
        if !is_unchanged {
            self.world.stored = None;
            self.world.is_scarred |= trouble.is_some();
        }
        self.world.was_lied_to |= trouble.is_some_and(Trouble::is_lie);
        let mut setup_is_stored = false;
        match result {
            Ok(()) => {
                hold(self.world.is_loaded && self.world.has_memory, "saved what was not read")?;
                hold(!is.is_unsaved(), "saved, and something is not")?;
                setup_is_stored = true;
                // Nothing but what is stored may be found by the next load.
                if !self.world.was_lied_to && was.is_unsaved() {
                    self.world.stored = Some(self.all_of_it());
                }
            }
            Err(SaveError::NotLoaded) => {
                hold(!self.world.is_loaded, "a save was refused")?;
                self.unchanged(before, "a refused save")?;
            }
            Err(SaveError::WithoutMemory) => {
                hold(!self.world.has_memory, "a save was refused")?;
                self.unchanged(before, "a refused save")?;
            }
            Err(SaveError::Grids(_)) => setup_is_stored = true,
            Err(_) => {}
        }
        self.figures.saves[usize::from(result.is_err())] += 1;
        self.world.has_open_failure = false;
        if setup_is_stored {
            self.world.is_turn_stored = true;
            self.world.is_turned_unstored = false;
        }
        Ok(())
    }

    pub(super) fn save_by_steps(
        &mut self,
        before: &S,
        steps: usize,
        between: Between,
        carries_on: bool,
        trouble: Option<Trouble>,
    ) -> Verdict {
        let bytes = self.world.chip.bytes().to_vec();
        let is_allowed = self.world.is_loaded && self.world.has_memory;
        let (mut order, mut errors, mut is_done) = (None, Vec::new(), false);
        let (mut has_open_failure, mut may_lack) = (self.world.has_open_failure, false);
        self.with_store(trouble, |subject, store| {
            for step in 0..MOST_STEPS {
                if step == steps {
                    match between {
                        Between::Nothing => {}
                        Between::TellOfScrew => order = Some(subject.screw_turned()),
                        Between::Shift => drop(subject.shift_by(1)),
                    }
                    is_done &= between == Between::Nothing;
                    if !carries_on {
                        return;
                    }
                }
                match subject.save_step(store) {
                    Ok(Saving::Working) => {}
                    Ok(Saving::Done) => {
                        is_done = true;
                        may_lack = std::mem::take(&mut has_open_failure);
                        // What comes between comes before the end.
                        if step >= steps {
                            return;
                        }
                    }
                    Err(error) => {
                        (is_done, has_open_failure) = (false, true);
                        errors.push(error);
                        if errors.len() > 4 * GRIDS {
                            return;
                        }
                    }
                }
            }
        })?;
        self.world.has_open_failure = has_open_failure && is_allowed;
        self.world.was_lied_to |= trouble.is_some_and(Trouble::is_lie);
        let is_unchanged = self.world.chip.bytes() == bytes;
        hold(is_allowed || is_unchanged && !is_done, "written over what was not read")?;
        if !is_unchanged {
            self.world.stored = None;
            self.world.is_scarred |= trouble.is_some() || !is_done;
        }
        if let Some(order) = order {
            self.take_event(before, SurveyEvent::ScrewTurned, Ok(order))?;
            self.told_of_screw(before)?;
        }
        let keeper = self.subject.keeper();
        if is_done {
            hold(may_lack || !keeper.is_unsaved(), "saved by steps, and something is not")?;
            let setup_failed = errors.iter().any(|error| matches!(error, SaveError::Setup(_)));
            if !setup_failed {
                (self.world.is_turn_stored, self.world.is_turned_unstored) = (true, false);
            }
        }
        // Whatever it takes for stored has to be found by the next load.
        if is_allowed && before.keeper().is_unsaved() && !keeper.is_unsaved() {
            self.world.stored = (!self.world.was_lied_to).then(|| self.all_of_it());
        }
        self.figures.saves[usize::from(!is_done)] += 1;
        Ok(())
    }

    fn all_of_it(&self) -> Stored {
        let keeper = self.subject.keeper();
        let grids = std::array::from_fn(|place| keeper.bank().grid(place).cloned());
        Stored { setup: keeper.setup().unwrap_or(0), grids }
    }
}
