//! Judging: every order, what is in force, and whether every state can be left.

use gapkeeper::{
    Choice, Correction, HeightGrid, KeeperError, Lattice, Move, Order, Point, Prompt, StoredGrid, Surface, SurveyEvent,
};

use super::apply::{Verdict, hold};
use super::chip::Trouble;
use super::operator::Op;
use super::subject::{GRIDS, NODES, STATIONS};
use super::world::Known;
use super::{Life, Subject};

const COLD_NOZZLE_MAY_MOVE: bool = true;

impl<S: Subject> Life<S> {
    /// A refused call left everything as it was.
    pub(super) fn unchanged(&self, before: &S, what: &str) -> Verdict {
        hold(self.subject.keeper() == before.keeper(), &format!("{what} changed something"))
    }

    /// What holds after every call.
    pub(super) fn judge(&mut self, before: &S, op: Op) -> Verdict {
        let keeper = self.subject.keeper();
        let status = keeper.status();
        hold(status.homed == self.world.is_homed, "homed or not")?;
        hold(keeper.setup().is_some() == self.world.is_loaded, "a setup that the memory did not name, or none")?;
        if !self.world.is_loaded {
            let is_empty = (0..GRIDS).all(|place| keeper.bank().grid(place).is_none());
            hold(is_empty && keeper.correction_in_force().is_none(), "grids without a load that succeeded")?;
        }
        hold(
            keeper.survey_under_way().is_some() == self.world.round.is_some(),
            "a survey outlived its end, or did not live so long",
        )?;
        hold(self.subject.order_due() == self.world.due, "the order that is due is another one, or none")?;
        for grid in (0..GRIDS).filter_map(|place| keeper.bank().grid(place)) {
            hold(self.world.is_known(&grid.grid), "a grid in the bank that was never measured")?;
            let is_current = Some(grid.setup) == keeper.setup();
            hold(!is_current || self.world.is_fresh(&grid.grid), "a stale grid counts as one of the current setup")?;
        }
        hold(!self.world.chip.was_misused(), "the chip was misused")?;
        if self.world.is_tripped {
            let goes_on = matches!(
                status.prompt,
                Some(Prompt::Ready { .. } | Prompt::Moving { .. } | Prompt::SetGap { .. } | Prompt::LookAgain { .. })
            );
            hold(!goes_on, "the round goes on while the switch is tripped")?;
        }
        let may_change_force = matches!(
            op,
            Op::Home
                | Op::Restore
                | Op::Release
                | Op::LosePosition
                | Op::TellOfScrew { .. }
                | Op::Adopt
                | Op::Shift { .. }
                | Op::SetFade { .. }
                | Op::Load(_)
                | Op::BeginMemory(_)
                | Op::CutPower { .. }
                | Op::Save(Some(Trouble::Cut(..)))
        );
        if keeper.correction_in_force() != before.keeper().correction_in_force() {
            let is_done = before.keeper().survey_under_way().is_some() && keeper.survey_under_way().is_none();
            hold(may_change_force || is_done, "a call changed what is in force")?;
            self.check_force()?;
        }
        self.check_force_is_fresh()?;
        let far = Point { x_um: 90_000, y_um: 80_000, z_um: 5000 };
        let moves = self.subject.line(&Move { start: far, end: far, extra_start: [0], extra_end: [0] });
        hold(
            moves.is_ok() == self.may_move(&self.subject),
            "moves are taken where none may be, or refused where they may",
        )?;
        if self.world.round.is_none() {
            self.force = self.subject.keeper().correction_in_force().cloned();
        }
        if self.random.below(8) == 0 { self.can_be_left() } else { Ok(()) }
    }

    /// The last thing: the machine takes moves again.
    pub(super) fn ends_well(&self) -> Verdict {
        self.can_be_left()
    }

    /// Abort, one lift, and the machine takes moves, corrected as before.
    fn can_be_left(&self) -> Verdict {
        let mut subject = self.subject.clone();
        if self.world.round.is_some() {
            match subject.survey(SurveyEvent::Abort) {
                Ok(Order::Aborted) => {}
                Ok(Order::Lift { .. }) => {
                    hold(subject.survey(SurveyEvent::Arrived) == Ok(Order::Aborted), "an abort that does not end")?;
                }
                _ => return Err("an abort without effect".to_string()),
            }
            hold(subject.keeper().survey_under_way().is_none(), "aborted and still under way")?;
            hold(
                subject.keeper().correction_in_force() == self.force.as_ref(),
                "aborted, and the grid before is not in force",
            )?;
        }
        if !self.world.is_homed {
            subject.homed();
        }
        let up = Point { x_um: 0, y_um: 0, z_um: 9000 };
        let motion = Move { start: up, end: up, extra_start: [0], extra_end: [0] };
        hold(subject.line(&motion).is_ok(), "a state that cannot be left")
    }

    fn sources(&self) -> Vec<&StoredGrid<STATIONS>> {
        let keeper = self.subject.keeper();
        let places = match keeper.choice() {
            Choice::Nearest { place, .. } => vec![place],
            Choice::Blend { cooler, warmer, .. } => vec![cooler, warmer],
            _ => Vec::new(),
        };
        places.into_iter().filter_map(|place| keeper.bank().grid(place)).collect()
    }

    /// No grid of another setup, and none that the memory did not vouch for.
    fn check_force_is_fresh(&self) -> Verdict {
        let keeper = self.subject.keeper();
        if keeper.correction_in_force().is_none() || self.world.round.is_some() {
            return Ok(());
        }
        hold(self.world.is_homed && self.world.is_loaded, "a grid is in force that nobody may know of")?;
        let sources = self.sources();
        hold(!sources.is_empty(), "a grid is in force, and no choice says which")?;
        let is_fresh =
            |grid: &&StoredGrid<STATIONS>| Some(grid.setup) == keeper.setup() && self.world.is_fresh(&grid.grid);
        hold(sources.iter().all(is_fresh), "a stale grid is in force")
    }

    /// What is in force is what the bank holds.
    fn check_force(&self) -> Verdict {
        let keeper = self.subject.keeper();
        let Some(correction) = keeper.correction_in_force() else { return Ok(()) };
        let expected = match (keeper.choice(), &self.sources()[..]) {
            (Choice::Nearest { .. }, [grid]) => {
                hold(correction.fade() == grid.fade, "another fade is in force")?;
                hold(correction.shift_um() == i32::from(grid.shift_um), "another shift is in force")?;
                nodes(&grid.grid, grid.surface)
            }
            (Choice::Blend { share_q16, .. }, [cooler, warmer]) => {
                let mut pairs = cooler.grid.nodes_um().iter().zip(warmer.grid.nodes_um());
                let blended = HeightGrid::<STATIONS>::from_fn(cooler.grid.lattice(), |_, _| {
                    pairs.next().map_or(0, |(&cold, &hot)| {
                        let part = i64::from(hot - cold) * i64::from(share_q16);
                        i32::from(cold) + ((part + 32_768) >> 16) as i32
                    })
                });
                let nearer = if share_q16 < 32_768 { cooler } else { warmer };
                blended.ok().and_then(|grid| nodes(&grid, nearer.surface))
            }
            _ => None,
        };
        hold(expected.as_ref() == Some(correction.grid()), "what is in force is not what the bank holds")
    }

    /// The right grid for the bed's temperature, or none.
    pub(super) fn check_choice(&self) -> Verdict {
        let keeper = self.subject.keeper();
        let windows = self.settings.windows;
        let off_c = |grid: &StoredGrid<STATIONS>| grid.bed_temperature_c.abs_diff(self.world.bed_c);
        let fresh = || {
            (0..GRIDS).filter_map(|place| keeper.bank().grid(place)).filter(|grid| Some(grid.setup) == keeper.setup())
        };
        let nearest_c = fresh().map(off_c).min();
        match (keeper.correction_in_force(), keeper.choice()) {
            (Some(_), Choice::Nearest { place, .. }) => {
                let chosen_c = keeper.bank().grid(place).map(off_c);
                let is_near = chosen_c.is_some_and(|off_c| off_c <= windows.nearest_c.into());
                hold(chosen_c == nearest_c && is_near, "a grid too far from the bed's temperature")
            }
            (Some(_), Choice::Blend { cooler, warmer, .. }) => {
                let bed_c = |place| keeper.bank().grid(place).map(|grid| grid.bed_temperature_c);
                let (cooler_c, warmer_c) = (bed_c(cooler), bed_c(warmer));
                let lies_between = cooler_c < Some(self.world.bed_c) && warmer_c > Some(self.world.bed_c);
                hold(lies_between && nearest_c > Some(windows.nearest_c.into()), "a blend that does not lie between")
            }
            (Some(_), _) => Err("a grid is in force that was not chosen".to_string()),
            (None, Choice::Unusable { .. }) => Ok(()),
            (None, _) => {
                hold(nearest_c.is_none_or(|off_c| off_c > windows.nearest_c.into()), "the right grid was not chosen")
            }
        }
    }

    /// Gives an event to the keeper and judges the answer.
    pub(super) fn event(&mut self, before: &S, event: SurveyEvent) -> Verdict {
        let result = self.subject.survey(event);
        self.take_event(before, event, result)
    }

    pub(super) fn take_event(&mut self, before: &S, event: SurveyEvent, result: Result<Order, KeeperError>) -> Verdict {
        if self.world.round.is_none() {
            return match event {
                SurveyEvent::LimitSwitch { .. } | SurveyEvent::ScrewTurned => {
                    hold(result == Ok(Order::Wait), "an order without a survey")
                }
                _ => {
                    hold(result == Err(KeeperError::NoSurvey), "an answer without a survey")?;
                    self.unchanged(before, "an event without a survey")
                }
            };
        }
        let Ok(order) = result else { return Err("an event was refused".to_string()) };
        self.judge_order(before, event, order)?;
        self.follow(before, event, order)
    }

    /// Whether the order may answer the event.
    fn judge_order(&self, before: &S, event: SurveyEvent, order: Order) -> Verdict {
        let Some(round) = &self.world.round else { return Ok(()) };
        let Some(prompt) = before.keeper().status().prompt else { return Err("no prompt".to_string()) };
        let world = &self.world;
        let stands_still = world.due == Order::Wait;
        let is_setting = matches!(prompt, Prompt::SetGap { .. } | Prompt::LookAgain { .. })
            || COLD_NOZZLE_MAY_MOVE && round.is_visiting && matches!(prompt, Prompt::Heat { .. });
        let goes_on = round.is_visiting && !world.is_tripped && event == SurveyEvent::Arrived;
        let is_warm = world.bed_is_warm(&round.settings) && world.nozzle_is_warm(&round.settings);
        let is_reading = is_setting && round.is_turned && is_warm && !world.is_tripped;
        let lifts = stands_still
            && match prompt {
                Prompt::Ready { .. } => is_warm && !world.is_tripped,
                Prompt::BedTemperature { .. } | Prompt::HandsOff | Prompt::SwitchTripped { press_lifts: true } => true,
                _ => is_reading,
            };
        if event == SurveyEvent::Pressed {
            let is_right = match order {
                Order::Lift { .. } => lifts,
                Order::Done => stands_still && matches!(prompt, Prompt::Closure { .. }),
                _ => !lifts,
            };
            hold(is_right, "a press did what it may not, or not what was shown")?;
        }
        let moves = !matches!(order, Order::Wait | Order::Stop | Order::Done | Order::Aborted);
        hold(!moves || world.is_homed, "a motion without positions")?;
        match order {
            Order::Wait => Ok(()),
            Order::Stop => {
                let voids = matches!(event, SurveyEvent::LimitSwitch { is_tripped: true } | SurveyEvent::ScrewTurned);
                hold(voids, "a stop without a cause")
            }
            Order::Lift { z_um } => {
                hold(z_um >= world.nozzle.z_um, "a lift downwards")?;
                let by_hand = match event {
                    SurveyEvent::Pressed | SurveyEvent::Abort => true,
                    SurveyEvent::Back => is_setting && stands_still,
                    _ => false,
                };
                hold(by_hand, "a lift that no hand asked for")?;
                hold(z_um >= round.waiting_um(), "a lift that ends too low to travel")
            }
            Order::Travel { x_um, y_um } => {
                hold(goes_on && matches!(world.due, Order::Lift { .. }), "a travel that no hand asked for")?;
                hold(world.nozzle.z_um >= round.waiting_um(), "a travel too low")?;
                let Lattice { x0_um, y0_um, .. } = round.lattice;
                let inside = |um: i32, from_um: i32| (from_um..=from_um + 120_000).contains(&um);
                hold(inside(x_um, x0_um) && inside(y_um, y0_um), "a travel away from the stations")
            }
            Order::Approach { z_um } => {
                hold(goes_on && matches!(world.due, Order::Travel { .. }), "an approach that no hand asked for")?;
                hold(z_um >= round.waiting_um(), "an approach too low")
            }
            Order::Step { z_um } => {
                let SurveyEvent::Turned { detents } = event else { return Err("a step without the knob".to_string()) };
                hold(is_setting && !world.is_tripped, "a step where none was shown")?;
                hold(z_um >= round.settings.lowest_um, "a step below the lowest height")?;
                let from_um = match world.due {
                    Order::Step { z_um } => z_um,
                    _ => world.nozzle.z_um,
                };
                let settings = &round.settings;
                let coarsest_um = i32::from(settings.detent_um.max(settings.coarse_um.min(settings.feeler_um)));
                let by_um = z_um - from_um;
                let is_followed = by_um.signum() * i32::from(detents.signum()) >= 0
                    && by_um.abs() <= i32::from(detents).abs() * coarsest_um;
                hold(is_followed, "a step that does not follow the knob")
            }
            Order::Done => {
                let is_over = event == SurveyEvent::Pressed && matches!(prompt, Prompt::Closure { .. })
                    || event == SurveyEvent::Arrived && matches!(world.due, Order::Lift { .. });
                hold(is_over, "a survey that is done too early")
            }
            Order::Aborted => {
                let is_over = event == SurveyEvent::Abort || event == SurveyEvent::Arrived && round.is_aborted;
                hold(is_over, "a survey that ended by itself")
            }
        }
    }

    /// What became of the round.
    fn follow(&mut self, before: &S, event: SurveyEvent, order: Order) -> Verdict {
        let prompt = before.keeper().status().prompt;
        let nozzle_um = self.world.nozzle.z_um;
        let (setup, bed_c, was_due) = (self.world.setup, self.world.bed_c, self.world.due);
        if event == SurveyEvent::Arrived {
            self.world.due = Order::Wait;
        }
        let Some(round) = &mut self.world.round else { return Ok(()) };
        match (event, prompt) {
            (SurveyEvent::Arrived, _) if matches!(was_due, Order::Approach { .. }) => round.is_turned = false,
            (SurveyEvent::Turned { .. }, _) if matches!(order, Order::Step { .. }) => round.is_turned = true,
            (SurveyEvent::Pressed, Some(Prompt::Ready { .. })) if order != Order::Wait => round.is_visiting = true,
            (SurveyEvent::Pressed, Some(Prompt::SetGap { .. } | Prompt::LookAgain { .. })) if order != Order::Wait => {
                let is_last = matches!(prompt, Some(Prompt::SetGap { visit, visits, .. }) if visit == visits);
                let station = before.keeper().survey_under_way().and_then(|survey| survey.station());
                round.temperatures_c.push(bed_c);
                self.world.may_turn = false;
                if is_last {
                    (round.is_closed, round.is_visiting) = (true, false);
                } else if let Some(station) = station {
                    round.readings[round.node(station)] = Some((nozzle_um, setup));
                } else {
                    round.highest_check_um = round.highest_check_um.max(Some(nozzle_um));
                }
            }
            (SurveyEvent::Back, Some(Prompt::SetGap { .. } | Prompt::LookAgain { .. } | Prompt::Heat { .. }))
                if order != Order::Wait =>
            {
                // The reading that is taken again no longer says how high the bed is.
                match self.subject.keeper().survey_under_way().and_then(|survey| survey.station()) {
                    Some(station) => round.readings[round.node(station)] = None,
                    None => round.highest_check_um = None,
                }
            }
            (SurveyEvent::Back, Some(Prompt::Closure { .. })) => round.void(),
            (SurveyEvent::Abort, _) => (round.is_aborted, round.is_visiting) = (true, false),
            (SurveyEvent::LimitSwitch { is_tripped: true }, _) if round.is_visiting => {
                hold(order == Order::Stop, "a trip of the switch that does not stop")?;
                round.void();
                self.figures.voids += 1;
            }
            (SurveyEvent::ScrewTurned, prompt) => {
                if matches!(prompt, Some(Prompt::RaiseBed { is_told: false, .. })) {
                    round.start_um += i32::from(round.settings.headroom_um);
                }
                round.void();
            }
            _ => {}
        }
        match order {
            Order::Wait => Ok(()),
            Order::Aborted => {
                (self.world.round, self.world.due, self.world.motion) = (None, Order::Wait, None);
                self.figures.aborts += 1;
                let in_force = self.subject.keeper().correction_in_force();
                hold(in_force == self.force.as_ref(), "aborted, and the grid before is not in force")
            }
            Order::Done => self.finished(),
            order => {
                self.take(order);
                Ok(())
            }
        }
    }

    /// Whoever drives the machine takes an order, or loses it.
    pub(super) fn take(&mut self, order: Order) {
        self.world.due = order;
        let part = self.random.below(257) as i32;
        self.world.halt(part);
        if self.random.below(24) != 0 {
            self.world.motion = Some(order);
        }
    }

    /// A grid came of it.
    fn finished(&mut self) -> Verdict {
        let Some(round) = self.world.round.take() else { return Ok(()) };
        self.world.due = Order::Wait;
        self.figures.surveys += 1;
        let keeper = self.subject.keeper();
        let (place, is_usable) = match keeper.choice() {
            Choice::Nearest { place, .. } => (place, true),
            Choice::Unusable { place, .. } => (place, false),
            _ => return Err("a survey is done, and nothing was chosen".to_string()),
        };
        let Some(grid) = keeper.bank().grid(place) else { return Err("a survey is done without a grid".to_string()) };
        hold(round.is_closed, "a survey is done without its last reading")?;
        hold(grid.grid.lattice() == round.lattice, "a grid on another lattice")?;
        for (node, &height_um) in grid.grid.nodes_um().iter().enumerate() {
            let Some((reading_um, setup)) = round.readings[node] else {
                return Err("a grid of readings that were void".to_string());
            };
            hold(setup == self.world.setup, "a reading of another setup")?;
            hold(
                i32::from(height_um) == reading_um - i32::from(round.settings.feeler_um),
                "another height than was read",
            )?;
        }
        let (lowest_c, highest_c) = (round.temperatures_c.iter().min(), round.temperatures_c.iter().max());
        let is_between = lowest_c <= Some(&grid.bed_temperature_c) && highest_c >= Some(&grid.bed_temperature_c);
        hold(is_between, "a grid filed under a temperature at which it was not measured")?;
        hold(Some(grid.setup) == keeper.setup() && grid.fade == self.world.fade, "a grid with another setup or fade")?;
        hold(keeper.is_unsaved(), "a new grid that need not be saved")?;
        hold(keeper.correction_in_force().is_some() == is_usable, "a new grid that is in force, or not")?;
        if !is_usable {
            let fits = nodes(&grid.grid, grid.surface).map(Correction::new).is_some_and(|correction| match grid.fade {
                Some(fade) => correction.with_fade(fade).is_ok(),
                None => true,
            });
            hold(!fits, "a usable grid is called unusable")?;
        }
        let known = Known { grid: grid.grid.clone(), setup: self.world.setup };
        self.world.known.push(known);
        Ok(())
    }
}

/// What becomes of a grid in force.
fn nodes(grid: &HeightGrid<STATIONS>, surface: Surface) -> Option<HeightGrid<NODES>> {
    match surface {
        Surface::Refined => grid.densest().ok(),
        Surface::Bilinear => HeightGrid::new(grid.lattice(), grid.nodes_um()).ok(),
    }
}
