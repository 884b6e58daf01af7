//! Doing a thing: the call, and what it alone must do or leave.

use gapkeeper::{
    Arc, Fade, HeightGrid, KeeperError, KeeperSettings, Lattice, LoadError, LoadReport, Move, Order, Plane, Point,
    SaveError, StoredGrid, Surface, SurveyEvent, SurveyPlan, SurveySettings, Turn,
};

use super::chip::{NoAnswer, Trouble};
use super::operator::Op;
use super::subject::{GRIDS, LifeStore, STATIONS};
use super::world::{Known, Round, Stored};
use super::{Life, Subject};

/// What went wrong.
pub(super) type Verdict = Result<(), String>;

/// Says what is wrong unless something holds.
pub(super) fn hold(holds: bool, what: &str) -> Verdict {
    if holds { Ok(()) } else { Err(what.to_string()) }
}

fn lattice(nodes: u8) -> Lattice {
    let pitch_um = 120_000 / (u32::from(nodes) - 1);
    Lattice { x0_um: 20_000, y0_um: 30_000, pitch_x_um: pitch_um, pitch_y_um: pitch_um, columns: nodes, rows: nodes }
}

impl<S: Subject> Life<S> {
    /// Does it, and judges what came of it.
    pub(super) fn apply(&mut self, op: Op, make: &impl Fn(KeeperSettings, bool) -> S) -> Verdict {
        let before = self.subject.clone();
        match op {
            Op::CutPower { damaged_byte } => {
                if !self.world.is_turned_unstored {
                    if let Some((address, value)) = damaged_byte {
                        self.world.chip.damage(address, value);
                        (self.world.stored, self.world.is_scarred) = (None, true);
                    }
                    self.start_again(make)?;
                }
            }
            Op::Load(trouble) => self.load(&before, trouble, false)?,
            Op::BeginMemory(trouble) => {
                self.load(&before, trouble, true)?;
                self.after_a_cut(make)?;
            }
            Op::Save(trouble) => {
                self.save(&before, trouble)?;
                self.after_a_cut(make)?;
            }
            Op::Home => self.home(&before)?,
            Op::LosePosition => {
                self.subject.lost_position();
                self.world.is_homed = false;
                self.end_of_survey();
                hold(self.subject.keeper().correction_in_force().is_none(), "a grid is in force without positions")?;
            }
            Op::Restore => match self.subject.restore() {
                Ok(_) => {
                    hold(self.may_move(&before), "restored where nothing may move")?;
                    self.check_choice()?;
                }
                Err(_) => {
                    hold(!self.may_move(&before), "refused to restore")?;
                    self.unchanged(&before, "a refused restore")?;
                }
            },
            Op::Release => {
                self.subject.release();
                self.force = None;
                hold(self.subject.keeper().correction_in_force().is_none(), "released and still in force")?;
            }
            Op::Temperature { bed_c, nozzle_c, after_s, as_event } => {
                self.temperature(&before, bed_c, nozzle_c, after_s, as_event)?;
            }
            Op::Line => self.line(&before)?,
            Op::Arc => self.arc(&before)?,
            Op::BeginSurvey => self.begin_survey(&before)?,
            Op::CarryOut => {
                if let Some(order) = self.world.motion.take() {
                    self.world.nozzle = self.world.target(order);
                    self.event(&before, SurveyEvent::Arrived)?;
                }
            }
            Op::SayArrived => {
                // Only where it is no lie.
                if self.world.motion.is_none() && self.world.due == Order::Wait {
                    self.event(&before, SurveyEvent::Arrived)?;
                }
            }
            Op::AskForOrder => {
                let order = self.subject.order_due();
                hold(order == self.world.due, "asked for the order that is due, another came")?;
                if !matches!(order, Order::Wait) && self.world.motion != Some(order) {
                    let part = self.random.below(257) as i32;
                    self.world.halt(part);
                    self.world.motion = Some(order);
                }
            }
            Op::Turn { detents } => self.event(&before, SurveyEvent::Turned { detents })?,
            Op::Press => self.event(&before, SurveyEvent::Pressed)?,
            Op::Back => self.event(&before, SurveyEvent::Back)?,
            Op::Abort => self.event(&before, SurveyEvent::Abort)?,
            Op::Switch { is_tripped } => {
                self.world.is_tripped = is_tripped;
                self.event(&before, SurveyEvent::LimitSwitch { is_tripped })?;
            }
            Op::TellOfScrew { as_event } => self.tell_of_screw(&before, as_event)?,
            Op::TurnScrew => {
                if self.world.may_turn {
                    self.world.setup += 1;
                    self.figures.turns += 1;
                    self.world.may_turn = false;
                    self.world.is_turned_unstored = !self.world.is_turn_stored;
                }
            }
            Op::Adopt => self.adopt(&before)?,
            Op::Shift { steps } => match self.subject.shift_by(steps) {
                Ok(_) => hold(self.may_move(&before), "shifted where nothing may move")?,
                Err(_) => self.unchanged(&before, "a refused shift")?,
            },
            Op::SetFade { choice } => {
                let fade = [None, Fade::new(400, 8000).ok(), Fade::new(0, 150).ok()][choice % 3];
                match self.subject.set_fade(fade) {
                    Ok(()) => {
                        hold(self.may_move(&before), "faded where nothing may move")?;
                        self.world.fade = fade;
                    }
                    Err(_) => self.unchanged(&before, "a refused fade")?,
                }
            }
        }
        self.judge(&before, op)
    }

    pub(super) fn may_move(&self, subject: &S) -> bool {
        self.world.is_homed && subject.keeper().survey_under_way().is_none()
    }

    fn after_a_cut(&mut self, make: &impl Fn(KeeperSettings, bool) -> S) -> Verdict {
        if self.world.chip.lost_power() { self.start_again(make) } else { Ok(()) }
    }

    fn start_again(&mut self, make: &impl Fn(KeeperSettings, bool) -> S) -> Verdict {
        let (part, chance) = (self.random.below(257) as i32, self.random.draw());
        let world = &mut self.world;
        world.halt(part);
        world.chip.restart(chance);
        world.is_loaded = !world.has_memory;
        (world.failed_loads, world.told_before_load, world.was_lied_to) = (0, false, false);
        (world.is_homed, world.round, world.due) = (false, None, Order::Wait);
        world.may_turn &= world.is_turn_stored;
        // What a keeper takes it for until it is told.
        world.bed_c = 20;
        world.fade = self.settings.fade;
        self.force = None;
        self.figures.starts += 1;
        self.subject = make(self.settings, world.has_memory);
        let is_tripped = self.world.is_tripped;
        let told = self.subject.survey(SurveyEvent::LimitSwitch { is_tripped });
        hold(told == Ok(Order::Wait), "the switch was told, and something came of it")
    }

    /// Homed or lost: nothing moves any more.
    fn end_of_survey(&mut self) {
        let part = self.random.below(257) as i32;
        self.world.halt(part);
        (self.world.round, self.world.due) = (None, Order::Wait);
    }

    fn home(&mut self, before: &S) -> Verdict {
        self.end_of_survey();
        self.world.nozzle = Point { x_um: 0, y_um: 0, z_um: self.random.below(3000) as i32 };
        self.world.is_homed = true;
        self.subject.homed();
        match self.settings.restore {
            gapkeeper::RestorePolicy::OnHoming => self.check_choice(),
            gapkeeper::RestorePolicy::OnRequest => {
                let (was, is) = (before.keeper().correction_in_force(), self.subject.keeper().correction_in_force());
                hold(was == is, "homing changed the grid in force, which was not asked for")
            }
        }
    }

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

    fn load(&mut self, before: &S, trouble: Option<Trouble>, confirmed: bool) -> Verdict {
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

    fn save(&mut self, before: &S, trouble: Option<Trouble>) -> Verdict {
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
        let mut setup_is_stored = false;
        match result {
            Ok(()) => {
                hold(self.world.is_loaded && self.world.has_memory, "saved what was not read")?;
                hold(!is.is_unsaved(), "saved, and something is not")?;
                setup_is_stored = true;
                let setup = is.setup().unwrap_or(0);
                let grids = std::array::from_fn(|place| is.bank().grid(place).cloned());
                // Nothing but what is stored may be found by the next load.
                if !self.world.was_lied_to && !trouble.is_some_and(Trouble::is_lie) && was.is_unsaved() {
                    self.world.stored = Some(Stored { setup, grids });
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
        if setup_is_stored {
            self.world.is_turn_stored = true;
            self.world.is_turned_unstored = false;
        }
        Ok(())
    }

    fn temperature(&mut self, before: &S, bed_c: i16, nozzle_c: i16, after_s: u32, as_event: bool) -> Verdict {
        self.world.at_s += after_s;
        (self.world.bed_c, self.world.nozzle_c) = (bed_c, nozzle_c);
        let at_s = self.world.at_s;
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
        let is_shown = matches!(self.subject.keeper().status().prompt, Some(gapkeeper::Prompt::BedTemperature { .. }));
        let was_shown = matches!(before.keeper().status().prompt, Some(gapkeeper::Prompt::BedTemperature { .. }));
        hold(is_shown == (is_void || was_shown), "a bed that left its window must void the round at once, and no other")
    }

    fn motion(&mut self) -> Move<1> {
        let mut place = || Point {
            x_um: self.random.below(200_000) as i32,
            y_um: self.random.below(200_000) as i32,
            z_um: 200 + self.random.below(9000) as i32,
        };
        let end = place();
        Move { start: self.world.nozzle, end, extra_start: [0], extra_end: [1000] }
    }

    fn line(&mut self, before: &S) -> Verdict {
        let motion = self.motion();
        let pieces = self.subject.line(&motion);
        hold(pieces.is_ok() == self.may_move(before), "a move where none may be, or none where it may")?;
        let Ok(pieces) = pieces else { return Ok(()) };
        let Some(last) = pieces.last() else { return Err("a move of no piece".to_string()) };
        hold((last.end.x_um, last.end.y_um) == (motion.end.x_um, motion.end.y_um), "a move ended elsewhere")?;
        match self.subject.keeper().correction_in_force() {
            Some(_) => {
                self.figures.corrected[0] += 1;
                let is_blend = matches!(self.subject.keeper().choice(), gapkeeper::Choice::Blend { .. });
                self.figures.corrected[1] += u64::from(is_blend);
            }
            None => hold(pieces.len() == 1 && last.end == motion.end, "corrected without a grid")?,
        }
        self.world.nozzle = last.end;
        Ok(())
    }

    fn arc(&mut self, before: &S) -> Verdict {
        let motion = Move { start: Point::default(), end: Point::default(), extra_start: [0], extra_end: [0] };
        let Ok(arc) = Arc::with_centre(motion, Plane::Xy, Turn::Clockwise, [10_000, 0]) else {
            return Err("no circle".to_string());
        };
        hold(self.subject.arc(arc).is_ok() == self.may_move(before), "an arc where none may be, or none where it may")
    }

    fn begin_survey(&mut self, before: &S) -> Verdict {
        let nodes = if self.random.below(4) == 0 { 3 } else { 2 };
        let is_unsound = self.random.below(24) == 0;
        let bed_temperature_c = [60, 60, 60, 64, 80][self.random.below(5)];
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
            check_stations: self.random.below(4) == 0,
            ..SurveySettings::default()
        };
        let Ok(plan) = SurveyPlan::new(lattice(nodes)) else { return Err("no plan".to_string()) };
        let result = self.subject.begin_survey(plan, settings, self.world.nozzle.z_um);
        let may_begin = self.may_move(before) && self.world.is_loaded && !is_unsound;
        hold(result.is_ok() == may_begin, "a survey begun where none may be, or none where it may")?;
        match result {
            Ok(order) => {
                hold(order == Order::Wait, "a survey that moves as it begins")?;
                self.world.round = Some(Round {
                    settings,
                    lattice: lattice(nodes),
                    start_um: settings.start_um,
                    readings: [None; STATIONS],
                    highest_check_um: None,
                    temperatures_c: Vec::new(),
                    is_closed: false,
                    is_visiting: false,
                    is_turned: false,
                    is_aborted: false,
                });
                Ok(())
            }
            Err(_) => self.unchanged(before, "a refused survey"),
        }
    }

    fn tell_of_screw(&mut self, before: &S, as_event: bool) -> Verdict {
        if as_event {
            self.event(before, SurveyEvent::ScrewTurned)?;
        } else {
            let order = self.subject.screw_turned();
            self.take_event(before, SurveyEvent::ScrewTurned, Ok(order))?;
        }
        self.force = None;
        let keeper = self.subject.keeper();
        hold(keeper.correction_in_force().is_none(), "a grid is in force after a screw was told of")?;
        self.world.may_turn = true;
        self.world.is_turn_stored = !self.world.has_memory;
        if self.world.is_loaded {
            hold(keeper.setup() != before.keeper().setup(), "a screw was told of, and the setup is the same")?;
            hold(keeper.is_unsaved(), "a new setup that need not be saved")?;
        } else {
            self.world.told_before_load = true;
        }
        Ok(())
    }

    fn adopt(&mut self, before: &S) -> Verdict {
        let nodes = 2 + self.random.below(2) as u8;
        let height_um = |life: &mut Self| life.random.below(400) as i32 - 100;
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
        };
        match self.subject.adopt(stored) {
            Ok(place) => {
                hold(self.may_move(before) && self.world.is_loaded, "adopted where nothing may be measured")?;
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
