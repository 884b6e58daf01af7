//! Measuring and what it leaves: surveys, grids taken in, shift and fade, turned screws.

use super::persistence::bit;
use super::{InForce, Keeper, KeeperError, Knowledge};
use crate::bank::{Choice, Unusable};
use crate::correction::CorrectionError;
use crate::fade::Fade;
use crate::record;
use crate::stored_grid::StoredGrid;
use crate::survey::{Order, Survey, SurveyEvent, SurveyPlan, SurveySettings};
use crate::tie::{Tie, TieError};

impl<const STATIONS: usize, const NODES: usize, const GRIDS: usize> Keeper<STATIONS, NODES, GRIDS> {
    /// The plan of a [tie](crate::Tie) at a bed temperature, for the screws of the bed (X and Y of each, 3 to 8 of them).
    ///
    /// It starts from the grid of the newest setup within
    /// [`TemperatureWindows::nearest_c`](crate::TemperatureWindows) of that
    /// temperature. The plate must be the same, the same side up: nothing but the reading in the middle would tell.
    ///
    /// # Errors
    /// [`KeeperError::NotLoaded`]; [`KeeperError::Tie`] without such a grid, or if it has been tied
    /// [`MAX_TIES`](crate::MAX_TIES)
    /// times; [`KeeperError::Plan`] if its stations do not suit the screws.
    pub fn plan_tie(
        &self,
        bed_temperature_c: i16,
        screws_um: impl IntoIterator<Item = (i32, i32)>,
    ) -> Result<SurveyPlan<STATIONS>, KeeperError> {
        self.setup().ok_or(KeeperError::NotLoaded)?;
        let old = self.grid_to_tie(bed_temperature_c).map_err(KeeperError::Tie)?;
        SurveyPlan::tie(old.grid.lattice(), screws_um).map_err(KeeperError::Plan)
    }

    /// The grid that a tie starts from: nothing changes it while a survey is under way.
    fn grid_to_tie(&self, bed_temperature_c: i16) -> Result<&StoredGrid<STATIONS>, TieError> {
        let place = self.bank.place_to_tie(bed_temperature_c, self.setup, self.settings.windows.nearest_c);
        let old = place.and_then(|place| self.bank.grid(place)).ok_or(TieError::NoGrid { bed_temperature_c })?;
        Tie::after(old.tie, 0).map(|_| old).ok_or(TieError::TooOften)
    }

    /// Begins a survey; the nozzle stands at machine height `z_um`. Nothing moves yet. The grid in force waits, and holds
    /// again if the survey is aborted.
    ///
    /// # Errors
    /// [`KeeperError::NotHomed`], [`KeeperError::NotLoaded`], [`KeeperError::SurveyUnderWay`],
    /// [`KeeperError::SurveySettings`], for a tie [`KeeperError::Tie`]; then nothing has changed.
    pub fn begin_survey(
        &mut self,
        plan: SurveyPlan<STATIONS>,
        settings: SurveySettings,
        z_um: i32,
    ) -> Result<Order, KeeperError> {
        self.may_measure()?;
        if plan.is_tie() {
            let old = self.grid_to_tie(settings.bed_temperature_c).map_err(KeeperError::Tie)?;
            if old.grid.lattice() != plan.lattice() {
                return Err(KeeperError::Tie(TieError::Stations));
            }
        }
        let lowest_um = settings.lowest_um.max(self.settings.lowest_machine_z_um);
        let settings = SurveySettings { lowest_um, ..settings };
        let survey = Survey::new(plan, settings, z_um).map_err(KeeperError::SurveySettings)?;
        let survey = self.survey.insert(survey);
        Ok(survey.handle(SurveyEvent::LimitSwitch { is_tripped: self.is_tripped }))
    }

    /// Gives an event to the survey and says what is to be done. With [`Order::Done`] the grid is in the bank and not
    /// saved yet, and in force unless [`Self::choice`] says why it cannot be. With [`Order::Aborted`] the grid that was in
    /// force before is in force again.
    ///
    /// The limit switch, temperatures and turned screws are taken in without a survey too.
    ///
    /// # Errors
    /// [`KeeperError::NoSurvey`].
    pub fn survey(&mut self, event: SurveyEvent) -> Result<Order, KeeperError> {
        match event {
            SurveyEvent::ScrewTurned => return Ok(self.screw_turned()),
            SurveyEvent::LimitSwitch { is_tripped } => self.is_tripped = is_tripped,
            SurveyEvent::Temperature { bed_c, .. } => self.bed_c = bed_c,
            _ if self.survey.is_none() => return Err(KeeperError::NoSurvey),
            _ => {}
        }
        let order = self.survey.as_mut().map_or(Order::Wait, |survey| survey.handle(event));
        match order {
            Order::Done => {
                self.keep_result();
                // A tie that is refused is not over.
                return Ok(self.survey.as_ref().map_or(Order::Done, Survey::order_due));
            }
            Order::Aborted => self.survey = None,
            _ => {}
        }
        Ok(order)
    }

    /// The order that is due in the survey under way; [`Order::Wait`] without one.
    pub fn order_due(&self) -> Order {
        self.survey.as_ref().map_or(Order::Wait, Survey::order_due)
    }

    /// The survey under way.
    pub fn survey_under_way(&self) -> Option<&Survey<STATIONS>> {
        self.survey.as_ref()
    }

    /// How warm it is, and when on any clock that does not run backwards. It moves nothing; what a survey makes of it
    /// stands in its prompt.
    pub fn temperature(&mut self, bed_c: i16, nozzle_c: i16, at_s: u32) {
        // An event that is always taken in, and a stop is due until it is carried out.
        let _ = self.survey(SurveyEvent::Temperature { bed_c, nozzle_c, at_s });
    }

    /// A screw of the bed is going to be turned: a new setup, so every grid is stale and none is in force. Save, and only
    /// then turn: after a power cut in between, the stored grids would look valid.
    ///
    /// Nothing moves. The order is [`Order::Stop`] where a survey was moving the axes.
    pub fn screw_turned(&mut self) -> Order {
        match self.knowledge {
            // The setup that memory will name is the one before.
            Knowledge::Unread { .. } => self.knowledge = Knowledge::Unread { screw_turned: true },
            _ => {
                self.setup = self.unused_setup(self.setup);
                (self.setup_stored, self.setup_unsaved) = (false, true);
                self.last_choice = Choice::Stale;
            }
        }
        (self.in_force, self.agreement) = (None, None);
        #[cfg(feature = "defmt")]
        defmt::info!("screw turned: setup {}", self.setup);
        self.survey.as_mut().map_or(Order::Wait, |survey| survey.handle(SurveyEvent::ScrewTurned))
    }

    /// Takes a grid from elsewhere, such as a file, as if it had just been measured in the current setup: it is in the
    /// bank, in force, and not saved yet. Its place is returned.
    ///
    /// # Errors
    /// [`KeeperError::NotHomed`], [`KeeperError::NotLoaded`], [`KeeperError::SurveyUnderWay`], or why it cannot be stored
    /// or put in force; then nothing has changed.
    pub fn adopt(&mut self, grid: StoredGrid<STATIONS>) -> Result<usize, KeeperError> {
        self.may_measure()?;
        let grid = StoredGrid { setup: self.setup, ..grid };
        record::check(&grid).map_err(KeeperError::Record)?;
        let place = self.place_for(&grid);
        self.put_in_force(&grid, Choice::Nearest { place, off_c: 0 }, grid.bed_temperature_c)?;
        self.agreement = self.agreement.filter(|&(measured, _)| usize::from(measured) != place);
        self.remember(place, grid);
        Ok(place)
    }

    /// Raises (positive) or lowers the whole surface by steps; the shift that is now in force, in micrometres.
    ///
    /// # Errors
    /// [`KeeperError::SurveyUnderWay`]; [`KeeperError::NoGrid`] without a grid, or with a blend, which has no place of
    /// its own; [`KeeperError::Unusable`] beyond the range. Nothing has changed then.
    pub fn shift_by(&mut self, steps: i16) -> Result<i16, KeeperError> {
        self.may_move()?;
        let Some(InForce { choice: choice @ Choice::Nearest { place, .. }, bed_temperature_c, .. }) = self.in_force
        else {
            return Err(KeeperError::NoGrid);
        };
        let grid = self.bank.grid(place).ok_or(KeeperError::NoGrid)?;
        let shift_um = i32::from(grid.shift_um) + i32::from(steps) * i32::from(self.settings.shift_step_um);
        let out_of_range = KeeperError::Unusable(Unusable::Correction(CorrectionError::Shift { shift_um }));
        let moved = StoredGrid { shift_um: i16::try_from(shift_um).map_err(|_| out_of_range)?, ..grid.clone() };
        self.put_in_force(&moved, choice, bed_temperature_c)?;
        let shift_um = moved.shift_um;
        self.remember(place, moved);
        Ok(shift_um)
    }

    /// Lets the grid that was chosen last fade otherwise, and those to come: also one that its fade kept from coming
    /// into force.
    ///
    /// # Errors
    /// [`KeeperError::NotHomed`], [`KeeperError::SurveyUnderWay`]; [`KeeperError::NoGrid`] without a grid, or with a blend;
    /// [`KeeperError::Unusable`] if the fade does not suit it either. Nothing has changed then.
    pub fn set_fade(&mut self, fade: Option<Fade>) -> Result<(), KeeperError> {
        self.may_move()?;
        let place = match self.last_choice {
            Choice::Nearest { place, .. } if self.in_force.is_some() => place,
            Choice::Unusable { place, .. } => place,
            _ => return Err(KeeperError::NoGrid),
        };
        let grid = self.bank.grid(place).filter(|grid| grid.setup == self.setup).ok_or(KeeperError::NoGrid)?;
        let changed = StoredGrid { fade, ..grid.clone() };
        let choice = Choice::Nearest { place, off_c: changed.bed_temperature_c.abs_diff(self.bed_c) };
        self.put_in_force(&changed, choice, changed.bed_temperature_c)?;
        self.settings.fade = fade;
        self.remember(place, changed);
        Ok(())
    }

    /// The survey is over: what it measured is kept, whether or not it can come into force.
    // Never inlined, here and below: whole grids stand on the stack, and callers shall not carry them as well.
    #[inline(never)]
    fn keep_result(&mut self) {
        let agreement = self.survey.as_ref().and_then(Survey::agreement);
        let Some(grid) = self.take_result() else { return };
        let place = self.place_for(&grid);
        // There are sixteen places at most.
        self.agreement = agreement.map(|agreement| (place as u8, agreement));
        // Whatever was in force was measured before.
        self.in_force = None;
        self.choose(&grid, Choice::Nearest { place, off_c: 0 }, grid.bed_temperature_c);
        self.remember(place, grid);
    }

    #[inline(never)]
    fn take_result(&mut self) -> Option<StoredGrid<STATIONS>> {
        let result = if self.survey.as_ref()?.plan().is_tie() {
            self.take_tied()?
        } else {
            self.survey.take()?.result(self.setup)?
        };
        Some(StoredGrid { fade: self.settings.fade, ..result })
    }

    /// The survey goes on where a tie is refused.
    #[inline(never)]
    fn take_tied(&mut self) -> Option<StoredGrid<STATIONS>> {
        let survey = self.survey.as_ref()?;
        let tied = self.grid_to_tie(survey.wanted_bed_c()).and_then(|old| survey.tied(old, self.setup));
        match tied {
            Ok(_) => self.survey = None,
            Err(why) => self.survey.as_mut()?.refuse_tie(why),
        }
        tied.ok()
    }

    fn place_for(&self, grid: &StoredGrid<STATIONS>) -> usize {
        self.bank.place_for(grid.bed_temperature_c, grid.setup, self.settings.windows.nearest_c)
    }

    /// Puts a grid in the bank, unsaved.
    fn remember(&mut self, place: usize, grid: StoredGrid<STATIONS>) {
        self.bank.set(place, Some(grid));
        // A bank of more than sixteen grids would have to count otherwise.
        const { assert!(GRIDS >= 1 && GRIDS <= 16) };
        self.unsaved |= bit(place);
        // What failed under a save by steps was another grid.
        self.saving.try_again(place);
    }
}
