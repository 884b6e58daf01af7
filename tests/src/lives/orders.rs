//! Judging every answer of a survey, and following the round that it is in.

use gapkeeper::{Choice, Correction, KeeperError, Lattice, Order, Prompt, SurveyEvent};

use super::apply::{Verdict, hold};
use super::judge::nodes;
use super::world::Known;
use super::{Life, Subject};

impl<S: Subject> Life<S> {
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
        let is_setting = matches!(prompt, Prompt::SetGap { .. } | Prompt::LookAgain { .. });
        let goes_on = round.is_visiting && !world.is_tripped && event == SurveyEvent::Arrived;
        let is_warm = world.bed_is_warm(&round.settings) && world.nozzle_is_warm(&round.settings);
        let is_reading = is_setting && round.is_turned && is_warm && !world.is_tripped;
        let soaked_s = round.warm_since_s.map(|since_s| world.at_s - since_s);
        let has_soaked = soaked_s >= Some(round.settings.soak_s.into());
        let lifts = stands_still
            && match prompt {
                Prompt::Ready { .. } | Prompt::Trammed { .. } => is_warm && has_soaked && !world.is_tripped,
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
        // All that is left out is a middle, and nothing else is asked.
        let may_have_enough = match (prompt, round.middles_after) {
            (Prompt::SetGap { visit, visits, is_corner: false, .. }, Some(after)) => visit > after && visit < visits,
            _ => false,
        };
        let may_have_enough = may_have_enough && stands_still && is_warm && !world.is_tripped;
        if event == SurveyEvent::Enough {
            let is_right = matches!(order, Order::Lift { .. }) == may_have_enough;
            hold(is_right, "had enough where nothing may be left out, or not where it may")?;
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
                    SurveyEvent::Enough => may_have_enough,
                    _ => false,
                };
                hold(by_hand, "a lift that no hand asked for")
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
                let is_over = event == SurveyEvent::Abort
                    || event == SurveyEvent::Arrived && round.is_aborted
                    || event == SurveyEvent::Pressed && matches!(prompt, Prompt::TieRefused { .. });
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
            (SurveyEvent::Pressed, Some(Prompt::Ready { .. } | Prompt::Trammed { .. })) if order != Order::Wait => {
                round.is_visiting = true;
            }
            (SurveyEvent::Arrived, _) if round.has_corners && !round.is_aborted => self.corners_read()?,
            (_, Some(asked @ Prompt::TurnScrews { is_told, .. })) => self.at_screws(event, asked, is_told)?,
            (SurveyEvent::Pressed, Some(Prompt::SetGap { .. } | Prompt::LookAgain { .. })) if order != Order::Wait => {
                let is_last = matches!(prompt, Some(Prompt::SetGap { visit, visits, .. }) if visit == visits);
                let station = before.keeper().survey_under_way().and_then(|survey| survey.station());
                round.temperatures_c.push(bed_c);
                self.world.may_turn = false;
                if is_last {
                    round.is_visiting = false;
                    (round.is_closed, round.has_corners) = (!round.in_corner_round, round.in_corner_round);
                }
                if let Some(station) = station.filter(|_| !round.is_closed) {
                    round.readings[round.node(station)] = Some((nozzle_um, setup));
                }
            }
            (SurveyEvent::Back, Some(Prompt::SetGap { .. } | Prompt::LookAgain { .. })) if order != Order::Wait => {
                // The reading that is taken again no longer says how high the bed is.
                if let Some(station) = self.subject.keeper().survey_under_way().and_then(|survey| survey.station()) {
                    round.readings[round.node(station)] = None;
                }
            }
            (SurveyEvent::Enough, _) if order != Order::Wait => round.has_enough = true,
            (SurveyEvent::Back, Some(Prompt::Closure { .. } | Prompt::TieRefused { .. })) => round.void(),
            (SurveyEvent::Abort, _) => (round.is_aborted, round.is_visiting) = (true, false),
            (SurveyEvent::LimitSwitch { is_tripped: true }, _) if round.is_visiting => {
                hold(order == Order::Stop, "a trip of the switch that does not stop")?;
                round.is_told = false;
                round.void();
                self.figures.voids += 1;
            }
            (SurveyEvent::ScrewTurned, prompt) => {
                if matches!(prompt, Some(Prompt::RaiseBed { is_told: false, .. })) {
                    round.start_um += i32::from(round.settings.headroom_um);
                }
                round.told_of_screw();
            }
            _ => {}
        }
        let is_refused = matches!(self.subject.keeper().status().prompt, Some(Prompt::TieRefused { .. }));
        if let (true, false, Some(round)) =
            (is_refused, matches!(prompt, Some(Prompt::TieRefused { .. })), &self.world.round)
        {
            let Some(tie) = &round.tie else { return Err("a whole survey refused as a tie".to_string()) };
            hold(round.is_closed && order == Order::Wait, "a tie refused before its last reading")?;
            tie.judge_refusal(&round.heights_um())?;
            self.figures.ties[1] += 1;
        }
        hold(
            order == Order::Done || self.subject.keeper().bank() == before.keeper().bank(),
            "a survey that is not done changed what is remembered",
        )?;
        if let (Order::Lift { z_um }, Some(round)) = (order, &self.world.round) {
            // What was read at this press counts already.
            hold(z_um >= round.waiting_um(), "a lift that ends too low to travel")?;
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

    /// The nozzle is up after the last corner: they are trammed, or hands are asked for.
    fn corners_read(&mut self) -> Verdict {
        let Some(round) = &mut self.world.round else { return Ok(()) };
        let Some((lowest_um, highest_um)) = round.range_um() else {
            return Err("corners without readings".to_string());
        };
        let (apart_um, limit_um) = (highest_um - lowest_um, i32::from(round.settings.corner_limit_um));
        round.has_corners = false;
        let prompt = self.subject.keeper().status().prompt;
        let asks = match prompt {
            Some(Prompt::TurnScrews { apart_um: said_um, is_told, .. }) => {
                hold(i32::from(said_um) == apart_um && !is_told, "corners that are apart otherwise")?;
                true
            }
            Some(Prompt::Trammed { apart_um: said_um, headroom_um, .. }) => {
                let feeler_um = i32::from(round.settings.feeler_um);
                let below_um = lowest_um - feeler_um - round.settings.lowest_um;
                hold(
                    (i32::from(said_um), headroom_um) == (apart_um, below_um),
                    "corners or headroom otherwise than read",
                )?;
                false
            }
            Some(Prompt::Heat { .. } | Prompt::Soak { .. } | Prompt::SwitchTripped { .. }) => false,
            _ => return Err("corners were read, and something else is asked".to_string()),
        };
        hold(asks == (apart_um > limit_um), "screws asked for within the limit, or not beyond it")?;
        self.figures.corners[usize::from(asks)] += 1;
        if !asks {
            round.void();
            round.in_corner_round = false;
        }
        Ok(())
    }

    /// Something happened where hands were asked for at the screws: nothing moves, whatever it was.
    fn at_screws(&mut self, event: SurveyEvent, asked: Prompt, is_told: bool) -> Verdict {
        let prompt = self.subject.keeper().status().prompt;
        hold(self.subject.order_due() == Order::Wait, "a motion while hands may be at the screws")?;
        let Some(round) = &mut self.world.round else { return Ok(()) };
        let range_um = round.range_um();
        match event {
            SurveyEvent::Pressed if is_told => round.void(),
            SurveyEvent::Back => round.void(),
            SurveyEvent::Enough if !is_told => {
                round.void();
                round.in_corner_round = false;
            }
            SurveyEvent::ScrewTurned => {
                if let (false, Some((lowest_um, highest_um))) = (is_told, range_um) {
                    // Turned the wrong way, as far as advised, it is as high as that.
                    let risen_um = 2 * highest_um - lowest_um + i32::from(round.settings.clearance_um);
                    round.start_um = round.start_um.max(risen_um);
                }
                round.told_of_screw();
            }
            SurveyEvent::Abort => round.is_aborted = true,
            _ => hold(prompt == Some(asked), "something went on before somebody told of the screws")?,
        }
        let is_still_asked = matches!(prompt, Some(Prompt::TurnScrews { is_told: true, .. }));
        hold(event != SurveyEvent::ScrewTurned || is_still_asked, "telling of a screw went on by itself")
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
        hold(round.is_closed && !round.in_corner_round, "a survey is done without its last reading")?;
        match &round.tie {
            Some(tie) => {
                tie.judge(&round.heights_um(), grid)?;
                self.figures.ties[0] += 1;
            }
            None => {
                let Some(surface) = round.surface() else {
                    return Err("a grid of readings that were void".to_string());
                };
                hold(grid.grid.lattice() == surface.lattice(), "a grid on another lattice")?;
                hold(grid.grid == surface, "other heights than were read")?;
                hold(grid.tie.is_none(), "a whole survey that counts as a tie")?;
            }
        }
        hold(round.setups().all(|setup| setup == self.world.setup), "a reading of another setup")?;
        let agrees = keeper.agreement().is_some();
        hold(
            agrees == (is_usable && round.has_all_middles()),
            "readings that are said to agree, or not, or nothing said",
        )?;
        self.figures.middles += u64::from(round.has_all_middles());
        let sum_c: i32 = round.temperatures_c.iter().map(|&bed_c| i32::from(bed_c)).sum();
        let count = round.temperatures_c.len() as i32;
        // Within one degree of their mean, rounded in any way.
        let off_c = (i32::from(grid.bed_temperature_c) * count - sum_c).abs();
        hold(off_c < count.max(1), "a grid filed under a temperature at which it was not measured")?;
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
