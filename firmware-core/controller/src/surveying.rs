//! A survey: events to the keeper, its orders to the motors, and word when they have arrived.

use gapkeeper::{Order, Point, SurveyEvent, SurveyPlan, SurveySettings};

use crate::{Controller, Motors, Refusal, STATIONS};

/// How fast a survey moves, whatever the job before it asked for: 20 mm/s (common practice, no source).
const SURVEY_FEED_NM_MIN: u64 = 1_200_000_000;

/// How far a survey is. Its orders are carried out here; nobody else has to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// Nothing moves: the prompt says who or what is waited for, if a survey is under way.
    Waits,
    /// Axes are moving: attend again.
    Moves,
    /// All is measured, and not saved yet.
    Measured,
    /// It was ended without a result.
    Aborted,
}

impl<S: Motors> Controller<S> {
    /// Begins a survey from where the nozzle stands. Nothing moves before somebody presses.
    ///
    /// # Errors
    /// [`Refusal::Moving`], [`Refusal::Keeper`]; then nothing has changed.
    pub fn begin_survey(&mut self, plan: SurveyPlan<STATIONS>, settings: SurveySettings) -> Result<Progress, Refusal> {
        if !self.motors.is_still() {
            return Err(Refusal::Moving);
        }
        // Whatever is due, `attend` asks for it.
        let _ = self.keeper.begin_survey(plan, settings, self.machine.z_um).map_err(Refusal::Keeper)?;
        self.keeper.temperature(self.modes.bed_c, self.modes.nozzle_c, self.now_s);
        Ok(self.attend())
    }

    /// Gives an event to the survey under way and begins what comes of it; the limit switch and turned screws are heard
    /// without a survey too.
    ///
    /// # Errors
    /// [`Refusal::Keeper`], if there is none.
    pub fn survey(&mut self, event: SurveyEvent) -> Result<Progress, Refusal> {
        let order = self.keeper.survey(event).map_err(Refusal::Keeper)?;
        Ok(self.ended(order).unwrap_or_else(|| self.attend()))
    }

    /// Goes on with the survey under way as far as the axes allow: call it in the main loop. It says that they have arrived
    /// once they really stand still, and begins what is due next.
    pub fn attend(&mut self) -> Progress {
        loop {
            let due = self.keeper.order_due();
            if due == Order::Wait {
                self.begun = None;
                return Progress::Waits;
            }
            if self.begun != Some(due) {
                self.begin(due);
            }
            if !self.motors.is_still() {
                return Progress::Moves;
            }
            self.begun = None;
            // It can only refuse without a survey, of which no order would be due.
            let order = self.keeper.survey(SurveyEvent::Arrived).unwrap_or(Order::Wait);
            if let Some(end) = self.ended(order) {
                return end;
            }
        }
    }

    fn begin(&mut self, order: Order) {
        // Steps follow each other; every other order replaces what is under way.
        if self.begun.is_some() && !matches!(order, Order::Step { .. }) || order == Order::Stop {
            self.machine = self.motors.stop();
        }
        let to = match order {
            Order::Lift { z_um } | Order::Approach { z_um } | Order::Step { z_um } => Point { z_um, ..self.machine },
            Order::Travel { x_um, y_um } => Point { x_um, y_um, ..self.machine },
            Order::Wait | Order::Stop | Order::Done | Order::Aborted => self.machine,
        };
        if to != self.machine {
            self.motors.piece(to, 0, SURVEY_FEED_NM_MIN);
        }
        (self.machine, self.begun) = (to, Some(order));
    }

    /// An order that ends the survey; a lift that somebody did not want to wait for ends with it.
    fn ended(&mut self, order: Order) -> Option<Progress> {
        let progress = match order {
            Order::Done => Progress::Measured,
            Order::Aborted => Progress::Aborted,
            _ => return None,
        };
        self.leave_survey();
        Some(progress)
    }
}
