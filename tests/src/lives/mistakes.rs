//! Keepers with one deliberate mistake each, which the judge must catch.

use gapkeeper::{
    Choice, HeightGrid, Keeper, KeeperError, KeeperSettings, LoadError, LoadReport, Move, Order, Piece, Pieces, Prompt,
    SaveError, StoredGrid, SurveyEvent, SurveyPlan, SurveySettings,
};

use super::chip::NoAnswer;
use super::subject::{GRIDS, LifeKeeper, LifeStore, STATIONS, Subject};

/// One mistake, and the promise that it breaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mistake {
    /// 1: a survey goes on after homing.
    SurveyOutlivesHoming,
    /// 1: a survey goes on after the position was lost.
    SurveyOutlivesLostPosition,
    /// 1: the nozzle is lifted when the switch trips.
    LiftsWithoutPress,
    /// 1: the round begins by itself once all is warm.
    BeginsWithoutPress,
    /// 1: telling of a screw in the state that asks for it goes on at once.
    GoesOnWhenTold,
    /// 1: a press is taken although the knob was not turned.
    ReadsWithoutTurn,
    /// 1: a press is taken while the axes move.
    ReadsWhileMoving,
    /// 1: the switch is not looked at.
    IgnoresSwitch,
    /// 1: the nozzle is lowered before it has travelled.
    SkipsTravel,
    /// 1: a lift ends a little below where the nozzle stands.
    LiftsDownwards,
    /// 1: moves are taken before homing.
    MovesUnhomed,
    /// 1: moves are taken under a survey.
    MovesUnderSurvey,
    /// 2: a turned screw is forgotten.
    IgnoresScrew,
    /// 2: one that was told of before the memory was read is.
    ForgetsScrewBeforeLoad,
    /// 2: grids measured before a screw was turned count as measured after it.
    KeepsGridsAfterScrew,
    /// 2: a setup that cannot be told for certain is taken for certain.
    TrustsDoubtfulSetup,
    /// 2: a memory that does not answer is taken for an empty one.
    BelievesFailedLoad,
    /// 2: writes although nothing was read.
    SavesWithoutLoad,
    /// 2: a save says that all is stored, and nothing is.
    SavesNothing,
    /// 2: a blank memory is begun without a word.
    BeginsMemoryUnasked,
    /// 3: a grid is filed under the last temperature heard.
    FilesLastTemperature,
    /// 3: a bed that leaves its window is not heard of in mid-round.
    KeepsReadingsOfColdBed,
    /// 4: a refused return drops the grid in force.
    RefusedReturnReleases,
    /// 4: a refused shift shifts by one step.
    RefusedShiftShifts,
    /// 4: a second survey ends the first one.
    SecondSurveyEndsFirst,
    /// 4: a load takes what is not saved away.
    LoadsOverUnsaved,
    /// 5: an abort leaves no grid in force.
    ReturnsNothingAfterAbort,
    /// 5: an abort does not end.
    AbortNeverEnds,
    /// 6: an order is given once only.
    ForgetsOrders,
    /// 1: somebody who has had enough where nothing may be left out is taken to have pressed.
    TakesEnoughForPress,
    /// 1: telling of the screws that the corner round asks for goes on at once.
    GoesOnWhenCornersTold,
    /// 1: a press where the corner round asks for screws is taken for turned ones.
    TakesPressForTurnedScrews,
    /// 1: a corner round is over whatever it has found.
    NeverAsksForScrews,
    /// 3: a tied grid passes for a whole survey.
    HidesTie,
    /// 2: where a tie was refused, the old grid is taken for the screws as they stand.
    TakesOldGridForTie,
    /// 4: a node of the surface of all readings is off by a micrometre.
    ShiftsNode,
}

impl Mistake {
    /// All.
    pub const ALL: [Self; 36] = [
        Self::SurveyOutlivesHoming,
        Self::SurveyOutlivesLostPosition,
        Self::LiftsWithoutPress,
        Self::BeginsWithoutPress,
        Self::GoesOnWhenTold,
        Self::ReadsWithoutTurn,
        Self::ReadsWhileMoving,
        Self::IgnoresSwitch,
        Self::SkipsTravel,
        Self::LiftsDownwards,
        Self::MovesUnhomed,
        Self::MovesUnderSurvey,
        Self::IgnoresScrew,
        Self::ForgetsScrewBeforeLoad,
        Self::KeepsGridsAfterScrew,
        Self::TrustsDoubtfulSetup,
        Self::BelievesFailedLoad,
        Self::SavesWithoutLoad,
        Self::SavesNothing,
        Self::BeginsMemoryUnasked,
        Self::FilesLastTemperature,
        Self::KeepsReadingsOfColdBed,
        Self::RefusedReturnReleases,
        Self::RefusedShiftShifts,
        Self::SecondSurveyEndsFirst,
        Self::LoadsOverUnsaved,
        Self::ReturnsNothingAfterAbort,
        Self::AbortNeverEnds,
        Self::ForgetsOrders,
        Self::TakesEnoughForPress,
        Self::GoesOnWhenCornersTold,
        Self::TakesPressForTurnedScrews,
        Self::NeverAsksForScrews,
        Self::HidesTie,
        Self::TakesOldGridForTie,
        Self::ShiftsNode,
    ];
}

/// A keeper with one mistake.
#[derive(Clone, Debug)]
pub struct Wrong {
    keeper: LifeKeeper,
    settings: KeeperSettings,
    bed_c: i16,
    /// None for none: then it is the keeper itself.
    pub mistake: Option<Mistake>,
}

impl Wrong {
    fn is(&self, mistake: Mistake) -> bool {
        self.mistake == Some(mistake)
    }

    fn is_measuring(&self) -> bool {
        self.keeper.survey_under_way().is_some()
    }

    fn prompt(&self) -> Option<Prompt> {
        self.keeper.status().prompt
    }

    /// Takes in what nobody did; the answer is for another time.
    fn imagine(&mut self, event: SurveyEvent) {
        let _ = self.keeper.survey(event);
    }

    #[allow(clippy::unwrap_used, reason = "the settings of a life are sound")]
    fn fresh(&self) -> LifeKeeper {
        Keeper::new(self.settings).unwrap()
    }

    /// Takes the grid that was measured in again, otherwise.
    fn adopt_otherwise(&mut self, change: impl FnOnce(&Self, StoredGrid<STATIONS>) -> StoredGrid<STATIONS>) {
        let Choice::Nearest { place, .. } = self.keeper.choice() else { return };
        if let Some(grid) = self.keeper.bank().grid(place).cloned() {
            let changed = change(self, grid);
            let _ = self.keeper.adopt(changed);
        }
    }

    /// Its grids again, as if they had just been measured.
    fn stamp_anew(&mut self) {
        let (was_homed, bank) = (self.keeper.status().homed, self.keeper.bank().clone());
        if self.is_measuring() {
            return;
        }
        self.keeper.homed();
        for grid in (0..GRIDS).filter_map(|place| bank.grid(place)) {
            let _ = self.keeper.adopt(grid.clone());
        }
        if !was_homed {
            self.keeper.lost_position();
        }
    }
}

impl Subject for Wrong {
    #[allow(clippy::unwrap_used, reason = "the settings of a life are sound")]
    fn new(settings: KeeperSettings, has_memory: bool) -> Self {
        let keeper = if has_memory { Keeper::new(settings) } else { Keeper::without_memory(settings) };
        Self { keeper: keeper.unwrap(), settings, bed_c: 20, mistake: None }
    }

    fn keeper(&self) -> &LifeKeeper {
        &self.keeper
    }

    fn keeper_mut(&mut self) -> &mut LifeKeeper {
        &mut self.keeper
    }

    fn load(&mut self, store: &mut LifeStore<'_>) -> Result<LoadReport, LoadError<NoAnswer>> {
        if self.is(Mistake::LoadsOverUnsaved) && self.keeper.is_unsaved() && !self.is_measuring() {
            self.keeper = self.fresh();
        }
        let result = self.keeper.load(store);
        match &result {
            Ok(report) if self.is(Mistake::TrustsDoubtfulSetup) && report.setup_uncertain => self.stamp_anew(),
            Err(LoadError::Blank) if self.is(Mistake::BeginsMemoryUnasked) => return self.keeper.begin_memory(store),
            Err(LoadError::Store(_)) if self.is(Mistake::BelievesFailedLoad) => {
                self.keeper = Wrong::new(self.settings, false).keeper;
            }
            _ => {}
        }
        result
    }

    fn save(&mut self, store: &mut LifeStore<'_>) -> Result<(), SaveError<NoAnswer, GRIDS>> {
        if self.is(Mistake::SavesNothing) && self.keeper.setup().is_some() {
            return Ok(());
        }
        if self.is(Mistake::SavesWithoutLoad) && self.keeper.setup().is_none() {
            return store.save_setup(0).map(drop).map_err(SaveError::Setup);
        }
        self.keeper.save(store)
    }

    fn homed(&mut self) -> Choice {
        if self.is(Mistake::SurveyOutlivesHoming) && self.is_measuring() {
            return self.keeper.choice();
        }
        self.keeper.homed()
    }

    fn lost_position(&mut self) {
        if !(self.is(Mistake::SurveyOutlivesLostPosition) && self.is_measuring()) {
            self.keeper.lost_position();
        }
    }

    fn put_stored_in_force(&mut self) -> Result<Choice, KeeperError> {
        let result = self.keeper.put_stored_in_force();
        if result.is_err() && self.is(Mistake::RefusedReturnReleases) {
            self.keeper.release();
        }
        result
    }

    fn temperature(&mut self, bed_c: i16, nozzle_c: i16, at_s: u32) {
        // Answered as an event, so that both ways go wrong alike.
        let _ = self.survey(SurveyEvent::Temperature { bed_c, nozzle_c, at_s });
    }

    fn line(&self, motion: &Move<1>) -> Result<Vec<Piece<1>>, KeeperError> {
        let moves_unhomed = self.is(Mistake::MovesUnhomed) && !self.keeper.status().homed;
        if moves_unhomed || self.is(Mistake::MovesUnderSurvey) && self.is_measuring() {
            let mut homed = self.keeper.clone();
            homed.homed();
            return homed.line(motion).map(Pieces::collect);
        }
        self.keeper.line(motion).map(Pieces::collect)
    }

    fn begin_survey(
        &mut self,
        plan: SurveyPlan<STATIONS>,
        settings: SurveySettings,
        z_um: i32,
    ) -> Result<Order, KeeperError> {
        if self.is(Mistake::SecondSurveyEndsFirst) {
            self.imagine(SurveyEvent::Abort);
            self.imagine(SurveyEvent::Abort);
        }
        self.keeper.begin_survey(plan, settings, z_um)
    }

    fn survey(&mut self, event: SurveyEvent) -> Result<Order, KeeperError> {
        let (prompt, due) = (self.prompt(), self.keeper.order_due());
        match event {
            SurveyEvent::Temperature { bed_c, .. } => {
                self.bed_c = bed_c;
                let is_setting = matches!(prompt, Some(Prompt::SetGap { .. } | Prompt::Moving { .. }));
                if self.is(Mistake::KeepsReadingsOfColdBed) && is_setting {
                    return Ok(Order::Wait);
                }
            }
            SurveyEvent::LimitSwitch { .. } if self.is(Mistake::IgnoresSwitch) => return Ok(Order::Wait),
            SurveyEvent::ScrewTurned => return Ok(self.screw_turned()),
            SurveyEvent::Pressed
                if self.is(Mistake::TakesPressForTurnedScrews)
                    && matches!(prompt, Some(Prompt::TurnScrews { is_told: false, .. })) =>
            {
                self.imagine(SurveyEvent::ScrewTurned);
            }
            SurveyEvent::Enough if self.is(Mistake::TakesEnoughForPress) => {
                return self.keeper.survey(SurveyEvent::Pressed);
            }
            SurveyEvent::Pressed if matches!(prompt, Some(Prompt::SetGap { .. })) => {
                let is_turned = !matches!(prompt, Some(Prompt::SetGap { is_turned: false, .. }));
                if self.is(Mistake::ReadsWithoutTurn) && due == Order::Wait && !is_turned {
                    for detents in [1, -1] {
                        self.imagine(SurveyEvent::Turned { detents });
                        self.imagine(SurveyEvent::Arrived);
                    }
                }
                if self.is(Mistake::ReadsWhileMoving) && matches!(due, Order::Step { .. }) {
                    self.imagine(SurveyEvent::Arrived);
                }
            }
            _ => {}
        }
        let before = self.keeper.clone();
        let order = self.keeper.survey(event)?;
        match order {
            Order::Stop if self.is(Mistake::LiftsWithoutPress) => {
                self.imagine(SurveyEvent::Arrived);
                return self.keeper.survey(SurveyEvent::Pressed);
            }
            Order::Travel { .. } if self.is(Mistake::SkipsTravel) => return self.keeper.survey(SurveyEvent::Arrived),
            Order::Lift { z_um } if self.is(Mistake::LiftsDownwards) => return Ok(Order::Lift { z_um: z_um - 1000 }),
            Order::Aborted if self.is(Mistake::ReturnsNothingAfterAbort) => self.keeper.release(),
            Order::Aborted if self.is(Mistake::AbortNeverEnds) && event == SurveyEvent::Arrived => {
                self.keeper = before;
                return Ok(Order::Wait);
            }
            Order::Done if self.is(Mistake::FilesLastTemperature) => {
                self.adopt_otherwise(|this, grid| StoredGrid { bed_temperature_c: this.bed_c, ..grid });
            }
            Order::Done if self.is(Mistake::HidesTie) && self.keeper.status().tie.is_some() => {
                self.adopt_otherwise(|_, grid| StoredGrid { tie: None, ..grid });
            }
            Order::Aborted
                if self.is(Mistake::TakesOldGridForTie) && matches!(prompt, Some(Prompt::TieRefused { .. })) =>
            {
                self.stamp_anew();
            }
            Order::Done if self.is(Mistake::ShiftsNode) => self.adopt_otherwise(|_, grid| {
                let mut heights_um = grid.grid.nodes_um().to_vec();
                if heights_um.len() == STATIONS {
                    heights_um[STATIONS / 2] += 1;
                }
                match HeightGrid::new(grid.grid.lattice(), &heights_um) {
                    Ok(shifted) => StoredGrid { grid: shifted, ..grid },
                    Err(_) => grid,
                }
            }),
            _ => {}
        }
        if self.is(Mistake::NeverAsksForScrews) && matches!(self.prompt(), Some(Prompt::TurnScrews { .. })) {
            self.imagine(SurveyEvent::Enough);
        }
        if self.is(Mistake::BeginsWithoutPress) && matches!(self.prompt(), Some(Prompt::Ready { .. })) {
            self.imagine(SurveyEvent::Pressed);
        }
        Ok(order)
    }

    fn order_due(&self) -> Order {
        if self.is(Mistake::ForgetsOrders) { Order::Wait } else { self.keeper.order_due() }
    }

    fn screw_turned(&mut self) -> Order {
        if self.is(Mistake::IgnoresScrew) || self.is(Mistake::ForgetsScrewBeforeLoad) && self.keeper.setup().is_none() {
            return Order::Wait;
        }
        let prompt = self.prompt();
        let order = self.keeper.screw_turned();
        if self.is(Mistake::KeepsGridsAfterScrew) {
            self.stamp_anew();
            self.keeper.release();
        }
        let goes_on = match prompt {
            Some(Prompt::RaiseBed { .. }) => self.is(Mistake::GoesOnWhenTold),
            Some(Prompt::TurnScrews { .. }) => self.is(Mistake::GoesOnWhenCornersTold),
            _ => false,
        };
        if goes_on {
            self.imagine(SurveyEvent::Pressed);
            self.imagine(SurveyEvent::Pressed);
        }
        order
    }

    fn shift_by(&mut self, steps: i16) -> Result<i16, KeeperError> {
        let result = self.keeper.shift_by(steps);
        if result.is_err() && self.is(Mistake::RefusedShiftShifts) {
            let _ = self.keeper.shift_by(1);
        }
        result
    }
}
