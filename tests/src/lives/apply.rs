//! Doing a thing: the call, and what it alone must do or leave.

use gapkeeper::{Arc, Choice, Fade, GridReturn, KeeperSettings, Move, Order, Plane, Point, SurveyEvent, Turn};

use super::operator::{Damage, Op};
use super::{Life, Subject};

/// What went wrong.
pub(super) type Verdict = Result<(), String>;

/// Says what is wrong unless something holds.
pub(super) fn hold(holds: bool, what: &str) -> Verdict {
    if holds { Ok(()) } else { Err(what.to_string()) }
}

impl<S: Subject> Life<S> {
    /// Does it, and judges what came of it.
    pub(super) fn apply(&mut self, op: Op, make: &impl Fn(KeeperSettings, bool) -> S) -> Verdict {
        let before = self.subject.clone();
        match op {
            Op::CutPower(damage) => {
                if !self.world.is_turned_unstored {
                    if let Some(damage) = damage {
                        (self.world.stored, self.world.is_scarred) = (None, true);
                        match damage {
                            Damage::Byte(address, value) => self.world.chip.damage(address, value),
                            Damage::Setup { is_erased } => {
                                let random = &mut self.random;
                                self.world.chip.damage_setup(|| if is_erased { 0xFF } else { random.draw() as u8 });
                            }
                        }
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
            Op::SaveBySteps { steps, between, carries_on, trouble } => {
                self.save_by_steps(&before, steps, between, carries_on, trouble)?;
                self.after_a_cut(make)?;
            }
            Op::Home => self.home(&before)?,
            Op::LosePosition => {
                self.subject.lost_position();
                self.world.is_homed = false;
                self.end_of_survey();
                hold(self.subject.keeper().correction_in_force().is_none(), "a grid is in force without positions")?;
            }
            Op::PutInForce => match self.subject.put_stored_in_force() {
                Ok(_) => {
                    hold(self.may_move(&before), "a grid put in force where nothing may move")?;
                    self.check_choice()?;
                }
                Err(_) => {
                    hold(!self.may_move(&before), "refused to put a grid in force")?;
                    self.unchanged(&before, "a refused return")?;
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
            Op::BeginSurvey => self.begin_survey(&before, false)?,
            Op::BeginTie => self.begin_survey(&before, true)?,
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
            Op::Enough => self.event(&before, SurveyEvent::Enough)?,
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
        match self.settings.grid_return {
            GridReturn::AfterHoming => self.check_choice(),
            GridReturn::WhenAsked => {
                let (was, is) = (before.keeper().correction_in_force(), self.subject.keeper().correction_in_force());
                hold(was == is, "homing changed the grid in force, which was not asked for")
            }
        }
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
                let is_blend = matches!(self.subject.keeper().choice(), Choice::Blend { .. });
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
}
