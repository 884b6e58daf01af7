//! What comes before, between and instead of readings: temperatures, surveys begun, screws told of, grids taken in.

use gapkeeper::{
    Fade, HeightGrid, KeeperError, Lattice, Order, Prompt, StoredGrid, Surface, SurveyEvent, SurveyPlan,
    SurveySettings, Tie,
};

use super::apply::{Verdict, hold};
use super::subject::{GRIDS, STATIONS};
use super::tie::{TieRound, old_grid};
use super::world::{Known, Round};
use super::{Life, Subject};

fn lattice(nodes: u8) -> Lattice {
    let pitch_um = 120_000 / (u32::from(nodes) - 1);
    Lattice { x0_um: 20_000, y0_um: 30_000, pitch_x_um: pitch_um, pitch_y_um: pitch_um, columns: nodes, rows: nodes }
}

impl<S: Subject> Life<S> {
    pub(super) fn temperature(
        &mut self,
        before: &S,
        bed_c: i16,
        nozzle_c: i16,
        after_s: u32,
        as_event: bool,
    ) -> Verdict {
        self.world.at_s += after_s;
        (self.world.bed_c, self.world.nozzle_c) = (bed_c, nozzle_c);
        let at_s = self.world.at_s;
        if let Some(mut round) = self.world.round.take() {
            let is_warm = self.world.bed_is_warm(&round.settings);
            round.warm_since_s = is_warm.then(|| round.warm_since_s.unwrap_or(at_s));
            self.world.round = Some(round);
        }
        let is_void = match &self.world.round {
            Some(round) => round.is_visiting && !self.world.bed_is_warm(&round.settings),
            None => false,
        };
        let is_moving = self.world.due != Order::Wait;
        if let Some(round) = self.world.round.as_mut().filter(|_| is_void) {
            round.void();
            self.figures.voids += 1;
            self.world.due = if is_moving { Order::Stop } else { Order::Wait };
        }
        if as_event {
            let order = self.subject.survey(SurveyEvent::Temperature { bed_c, nozzle_c, at_s });
            let expected = if is_void { self.world.due } else { Order::Wait };
            hold(order == Ok(expected), "a temperature gave an order")?;
            if is_void && is_moving {
                self.take(Order::Stop);
            }
        } else {
            self.subject.temperature(bed_c, nozzle_c, at_s);
        }
        let is_shown = matches!(self.subject.keeper().status().prompt, Some(Prompt::BedTemperature { .. }));
        let was_shown = matches!(before.keeper().status().prompt, Some(Prompt::BedTemperature { .. }));
        hold(is_shown == (is_void || was_shown), "a bed that left its window must void the round at once, and no other")
    }

    pub(super) fn begin_survey(&mut self, before: &S, is_tie: bool) -> Verdict {
        let nodes = if self.random.below(4) == 0 { 3 } else { 2 };
        let is_unsound = self.random.below(24) == 0;
        let kept = before.keeper().bank().grid(self.random.below(GRIDS)).filter(|_| is_tie);
        let bed_temperature_c = match kept.map(|grid| grid.bed_temperature_c) {
            Some(kept_c @ 20..=100) => kept_c + [0, 0, 0, 4][self.random.below(4)],
            _ => [60, 60, 60, 64, 80][self.random.below(5)],
        };
        let settings = SurveySettings {
            bed_temperature_c,
            nozzle_temperature_c: 200,
            soak_s: [0, 5][self.random.below(2)],
            detent_um: if is_unsound { 0 } else { 10 },
            start_um: 500,
            lift_um: 300,
            clearance_um: 100,
            lowest_um: -300,
            closure_limit_um: [40, 200][self.random.below(2)],
            corner_limit_um: [40, 80, 200][self.random.below(3)],
            ..SurveySettings::default()
        };
        let places = [(20_000, 30_000), (140_000, 30_000), (140_000, 150_000), (20_000, 150_000)];
        let (mut plan, mut tie) = (SurveyPlan::new(lattice(nodes)).map_err(|error| error.to_string())?, None);
        if is_tie {
            let screws = 3 + self.random.below(2);
            let planned = self.subject.keeper().plan_tie(bed_temperature_c, places.into_iter().take(screws));
            let old = old_grid(before.keeper(), bed_temperature_c);
            hold(
                planned.as_ref().err() == old.as_ref().err(),
                "a tie planned where none may be, or none where it may",
            )?;
            let (Ok(planned), Ok(old)) = (planned, old) else { return self.unchanged(before, "a refused tie") };
            hold(planned.lattice() == old.grid.lattice(), "a tie to another grid")?;
            (plan, tie) = (planned, Some(TieRound { old, is_twisted: screws == 4 }));
        }
        let has_middles = !is_tie && nodes == 3 && self.random.below(2) == 0;
        let plan = if has_middles { plan.with_middles().map_err(|error| error.to_string())? } else { plan };
        let lattice = plan.lattice();
        let corners = [0, 0, 0, 3, 4][self.random.below(5)];
        let plan = match corners {
            0 => plan,
            corners => plan.with_corner_round(places.into_iter().take(corners)).map_err(|error| error.to_string())?,
        };
        let result = self.subject.begin_survey(plan, settings, self.world.nozzle.z_um);
        let may_begin = self.may_move(before) && self.world.is_loaded && !is_unsound;
        hold(result.is_ok() == may_begin, "a survey begun where none may be, or none where it may")?;
        match result {
            Ok(order) => {
                hold(order == Order::Wait, "a survey that moves as it begins")?;
                self.world.round = Some(Round {
                    settings,
                    lattice,
                    start_um: settings.start_um,
                    readings: [None; STATIONS],
                    temperatures_c: Vec::new(),
                    tie,
                    warm_since_s: None,
                    is_closed: false,
                    is_visiting: false,
                    is_turned: false,
                    is_told: false,
                    is_aborted: false,
                    middles_after: has_middles.then_some(9),
                    has_enough: false,
                    corners,
                    in_corner_round: corners > 0,
                    has_corners: false,
                });
                Ok(())
            }
            Err(_) => self.unchanged(before, "a refused survey"),
        }
    }

    pub(super) fn tell_of_screw(&mut self, before: &S, as_event: bool) -> Verdict {
        if as_event {
            self.event(before, SurveyEvent::ScrewTurned)?;
        } else {
            let order = self.subject.screw_turned();
            self.take_event(before, SurveyEvent::ScrewTurned, Ok(order))?;
        }
        let is_unsaved = self.subject.keeper().is_unsaved();
        hold(is_unsaved || !self.world.is_loaded, "a new setup that need not be saved")?;
        self.told_of_screw(before)
    }

    /// What must hold then, whether or not that is saved already.
    pub(super) fn told_of_screw(&mut self, before: &S) -> Verdict {
        self.force = None;
        let keeper = self.subject.keeper();
        hold(keeper.correction_in_force().is_none(), "a grid is in force after a screw was told of")?;
        self.world.may_turn = true;
        self.world.is_turn_stored = !self.world.has_memory;
        if self.world.is_loaded {
            hold(keeper.setup() != before.keeper().setup(), "a screw was told of, and the setup is the same")?;
        } else {
            self.world.told_before_load = true;
        }
        Ok(())
    }

    pub(super) fn adopt(&mut self, before: &S) -> Verdict {
        let nodes = 3 - u8::from(self.random.below(4) == 0);
        let range_um = [400, 120][self.random.below(2)];
        let height_um = |life: &mut Self| life.random.below(range_um) as i32 - 100;
        let Ok(grid) = HeightGrid::from_fn(lattice(nodes), |_, _| height_um(self)) else {
            return Err("no grid".to_string());
        };
        let stored = StoredGrid {
            grid: grid.clone(),
            shift_um: [0, 0, 0, 9000][self.random.below(4)],
            fade: [None, None, Fade::new(0, 100).ok()][self.random.below(3)],
            bed_temperature_c: [60, 20, 80, 100, 2000][self.random.below(5)],
            setup: self.random.draw() as u32,
            closure_um: 0,
            closure_accepted: false,
            surface: if self.random.below(2) == 0 { Surface::Bilinear } else { Surface::Refined },
            tie: Tie::new(self.random.below(4) as u8, self.random.below(101) as u8),
        };
        let can_be_stored = stored.bed_temperature_c <= 1000 && stored.shift_um <= 8191;
        match self.subject.adopt(stored) {
            Ok(place) => {
                hold(self.may_move(before) && self.world.is_loaded, "adopted where nothing may be measured")?;
                hold(can_be_stored, "adopted what cannot be stored")?;
                self.world.known.push(Known { grid: grid.clone(), setup: self.world.setup });
                self.world.may_turn = false;
                let keeper = self.subject.keeper();
                let is_kept = keeper
                    .bank()
                    .grid(place)
                    .is_some_and(|kept| kept.grid == grid && Some(kept.setup) == keeper.setup());
                hold(is_kept && keeper.is_unsaved(), "adopted and not kept")?;
                hold(keeper.correction_in_force().is_some(), "adopted and not in force")
            }
            Err(KeeperError::NotHomed | KeeperError::NotLoaded | KeeperError::SurveyUnderWay) => {
                hold(!self.may_move(before) || !self.world.is_loaded, "an adoption refused")?;
                self.unchanged(before, "a refused adoption")
            }
            Err(_) => self.unchanged(before, "a refused adoption"),
        }
    }
}
