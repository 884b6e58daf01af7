//! The rehearsal itself: keys and time go in, the bench moves, a view of it comes out. No terminal, no clock.

use gapkeeper::{Lattice, Order, Prompt, SurveyEvent, SurveyPlan};

use super::drag::Drag;
use super::view::{Mark, View};
use crate::bench::{Bench, BenchError};
use crate::controller::CAPACITY;
use crate::core_settings::survey_plan;
use crate::operator::Operator;
use crate::scenario::{Bounded, NotNegative, Scenario, Share};
use crate::survey::{Notes, SurveyOutcome, clock};

/// How much faster time runs while the plate warms and settles.
const WAITING_SPEED: f64 = 60.0;
/// Time that passes at once while a wait is skipped.
const SKIP_S: f64 = 10.0;

/// What a person can do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Key {
    /// Turn the knob; positive raises the nozzle.
    Turn(i16),
    /// Press the knob.
    Press,
    /// Back one station, or no.
    Back,
    /// Leave out the middles of cells that are to come.
    Enough,
    /// Say that the screws were turned.
    ScrewsTurned,
    /// End it.
    End,
}

/// How it ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ending {
    /// All stations are read.
    Measured,
    /// By the person, before that.
    Ended,
}

/// A survey under way by somebody at the keys.
pub(super) struct Rehearsal<'a> {
    scenario: &'a Scenario,
    plan: SurveyPlan<CAPACITY>,
    bench: Bench,
    hand: Operator,
    /// The gap that the hand takes for the right one at this visit.
    right_gap_um: f64,
    notes: Notes,
    notice: &'static str,
    ending: Option<Ending>,
}

impl<'a> Rehearsal<'a> {
    /// A bench where a survey begins.
    pub(super) fn new(
        scenario: &'a Scenario,
        stations: Lattice,
        feel_um: NotNegative,
        seed: u64,
    ) -> Result<Self, BenchError> {
        let mut bench = Bench::new(scenario)?;
        let plan = survey_plan(scenario, stations).map_err(BenchError::Plan)?;
        let order = bench.begin(scenario, stations)?;
        // What else the scenario says of its operator is not true of the person at the keys.
        let measuring = crate::scenario::Measuring {
            feel_um,
            bias_um: Bounded(0.0),
            blunder_share: Share(0.0),
            ..scenario.measuring
        };
        let mut hand = Operator::new(&measuring, seed);
        let right_gap_um = hand.feel();
        let notes = Notes::default();
        let mut rehearsal = Self { scenario, plan, bench, hand, right_gap_um, notes, notice: "", ending: None };
        rehearsal.carry_out(order)?;
        Ok(rehearsal)
    }

    /// Lets time pass, faster while there is only waiting to be done.
    pub(super) fn pass(&mut self, seconds: f64) -> Result<(), BenchError> {
        let Some(prompt) = self.bench.prompt() else { return Ok(()) };
        self.bench.wait(if is_wait(prompt) { seconds * WAITING_SPEED } else { seconds });
        self.carry_out(self.bench.keeper().order_due())
    }

    /// Does what a key asks for.
    pub(super) fn key(&mut self, key: Key) -> Result<(), BenchError> {
        let Some(prompt) = self.bench.prompt() else { return Ok(()) };
        self.notice = "";
        let order = match (key, prompt) {
            // A press would end it as well, and nobody would be told why.
            (Key::End | Key::Press, Prompt::TieRefused { why }) => return Err(BenchError::Tie(why)),
            (Key::End, _) => self.bench.event(SurveyEvent::Abort)?,
            (Key::Press, prompt) if is_wait(prompt) => {
                self.skip_wait();
                Order::Wait
            }
            (Key::Turn(detents), Prompt::SetGap { .. } | Prompt::LookAgain { .. }) => {
                self.bench.event(SurveyEvent::Turned { detents })?
            }
            (Key::Press, Prompt::SetGap { is_turned: false, .. } | Prompt::LookAgain { is_turned: false, .. }) => {
                self.notice = "turn the knob first: a press alone is no reading";
                Order::Wait
            }
            (Key::Press, Prompt::SetGap { .. } | Prompt::LookAgain { .. }) => {
                self.answer(prompt, SurveyEvent::Pressed, "taken; the nozzle has moved on")?
            }
            (Key::Press, Prompt::Closure { .. }) => self.answer(prompt, SurveyEvent::Pressed, "")?,
            (Key::Back, Prompt::Closure { .. }) => {
                self.answer(prompt, SurveyEvent::Back, "the round begins again: all readings are void")?
            }
            (Key::Back, Prompt::TieRefused { .. }) => {
                self.answer(prompt, SurveyEvent::Back, "the round begins again: all readings are void")?
            }
            (Key::Back, Prompt::SetGap { visit: 1, .. }) => {
                self.notice = "this is the first station: nothing to go back to";
                Order::Wait
            }
            (Key::Back, Prompt::SetGap { .. } | Prompt::LookAgain { .. }) => {
                self.right_gap_um = self.hand.feel();
                self.notice = "back one station: its reading is void";
                self.bench.event(SurveyEvent::Back)?
            }
            (Key::Enough, Prompt::SetGap { visits, .. }) => {
                let order = self.bench.event(SurveyEvent::Enough)?;
                self.notice = match self.bench.prompt() {
                    Some(Prompt::Moving { visits: now, .. }) if now < visits => "the rest is left out",
                    _ => "not yet: only the middles at the end can be left out",
                };
                order
            }
            (Key::ScrewsTurned, Prompt::RaiseBed { by_um, is_told: false }) => {
                self.notes.bed_raised(by_um);
                self.right_gap_um = self.hand.feel();
                self.notice = "the bed is raised, a new setup; hands off, then press";
                self.bench.raise_bed(by_um.into())?
            }
            (Key::ScrewsTurned, Prompt::TurnScrews { apart_um, is_told: false, .. }) => {
                match self.bench.corner_advice() {
                    Some(Ok(advice)) => {
                        self.right_gap_um = self.hand.feel();
                        self.notice = "turned as advised, a new setup; hands off, then press";
                        let raised_um = self.notes.screws_turned(apart_um, &advice);
                        self.bench.turn_screws(&raised_um)?
                    }
                    _ => {
                        self.notice = "no advice for these screws: e leaves them as they are";
                        Order::Wait
                    }
                }
            }
            (Key::Press, Prompt::TurnScrews { is_told: false, .. }) => {
                self.notice = "s: you turn the screws so  Left: read again  e: enough";
                Order::Wait
            }
            (Key::Back, Prompt::TurnScrews { .. }) => {
                self.right_gap_um = self.hand.feel();
                self.notice = "the corners are read again";
                self.bench.event(SurveyEvent::Back)?
            }
            (Key::Enough, Prompt::TurnScrews { is_told: false, .. }) => {
                self.notice = "the screws stay as they are";
                self.bench.event(SurveyEvent::Enough)?
            }
            (Key::Press, Prompt::Trammed { apart_um, headroom_um, .. }) => {
                self.notes.trammed(apart_um, headroom_um);
                self.bench.event(SurveyEvent::Pressed)?
            }
            (Key::Back, Prompt::RaiseBed { is_told: false, .. }) => {
                self.notice = "not raised: the switch may be in the way again";
                self.bench.event(SurveyEvent::Back)?
            }
            (Key::Press, Prompt::RaiseBed { is_told: false, .. }) => {
                self.notice = "raise the bed first: s says that you turn the screws";
                Order::Wait
            }
            (Key::ScrewsTurned, Prompt::SwitchTripped { .. }) => {
                self.notice = "not yet: press first, which lifts the nozzle";
                Order::Wait
            }
            // Elsewhere too it voids what was read; the modelled bed stays as it is.
            (Key::ScrewsTurned, _) => {
                self.notice = "you turned a screw, a new setup: all readings are void";
                self.bench.event(SurveyEvent::ScrewTurned)?
            }
            // Whatever else a press does stands in the prompt.
            (Key::Press, _) => self.bench.event(SurveyEvent::Pressed)?,
            _ => Order::Wait,
        };
        self.carry_out(order)
    }

    /// How it ended, once it has.
    pub(super) fn ending(&self) -> Option<Ending> {
        self.ending
    }

    /// What came of it, once all stations are read.
    pub(super) fn outcome(self) -> Result<SurveyOutcome, BenchError> {
        self.notes.outcome(&self.bench, self.scenario)
    }

    /// What the person sees.
    pub(super) fn view(&self) -> View {
        let prompt = self.bench.prompt();
        let nozzle = self.bench.nozzle();
        let sets_gap = matches!(prompt, Some(Prompt::SetGap { .. } | Prompt::LookAgain { .. }));
        let gap_um = self.bench.gap_um();
        let notice = match prompt {
            Some(prompt) if is_wait(prompt) => "rehearsal: 60 times as fast; Enter skips the wait",
            Some(_) if sets_gap && gap_um < 0.0 => "the nozzle presses into the bed, which damages both: up",
            Some(Prompt::SetGap { visit, visits, is_corner: false, .. }) if visit == visits => {
                "the first station again: has it moved?"
            }
            Some(Prompt::SetGap { is_coarse: true, .. } | Prompt::LookAgain { is_coarse: true, .. })
                if self.notice.is_empty() =>
            {
                "coarse: large steps down until you turn up once"
            }
            _ => self.notice,
        };
        let lattice = self.plan.lattice();
        View {
            title: self.scenario.name.clone(),
            clock: clock(self.bench.clock_s()),
            display: self.bench.keeper().status().to_string(),
            marks: self.marks(),
            x_mm: ends_mm(lattice.x0_um, lattice.pitch_x_um, lattice.columns),
            y_mm: ends_mm(lattice.y0_um, lattice.pitch_y_um, lattice.rows),
            nozzle,
            drag: sets_gap.then(|| Drag::new(gap_um, self.right_gap_um)),
            advice: match self.bench.corner_advice() {
                Some(Ok(advice)) => advice.screws().iter().map(ToString::to_string).collect(),
                _ => Vec::new(),
            },
            notice,
        }
    }

    /// Rows of marks, the first at the smallest Y.
    fn marks(&self) -> Vec<Vec<Mark>> {
        let survey = self.bench.keeper().survey_under_way();
        let here = survey.and_then(gapkeeper::Survey::station);
        let is_corner_round = matches!(
            self.bench.prompt(),
            Some(
                Prompt::Ready { is_corner: true, .. }
                    | Prompt::Moving { is_corner: true, .. }
                    | Prompt::SetGap { is_corner: true, .. }
                    | Prompt::TurnScrews { .. }
            )
        );
        let stations = if is_corner_round { self.plan.corner_round() } else { self.plan.order() };
        let mark = |column, row| {
            if here == Some((column, row)) {
                Mark::Here
            } else if survey.is_some_and(|survey| survey.height_um(column, row).is_some()) {
                Mark::Read
            } else if stations.contains(&(column, row)) {
                Mark::ToCome
            } else {
                Mark::NoStation
            }
        };
        let lattice = self.plan.lattice();
        (0..lattice.rows).map(|row| (0..lattice.columns).map(|column| mark(column, row)).collect()).collect()
    }

    fn answer(&mut self, prompt: Prompt, event: SurveyEvent, notice: &'static str) -> Result<Order, BenchError> {
        self.notes.answered(&self.bench, self.scenario, prompt, event);
        self.right_gap_um = self.hand.feel();
        self.notice = notice;
        self.bench.event(event)
    }

    fn skip_wait(&mut self) {
        // Bed and nozzle hold their temperatures, so the soak comes to its end.
        while self.bench.prompt().is_some_and(is_wait) {
            self.bench.wait(SKIP_S);
        }
    }

    fn carry_out(&mut self, order: Order) -> Result<(), BenchError> {
        let last = self.bench.carry_out(order)?;
        match last {
            Order::Done => self.ending = Some(Ending::Measured),
            Order::Aborted => self.ending = Some(Ending::Ended),
            _ if order != Order::Wait && matches!(self.bench.prompt(), Some(Prompt::SwitchTripped { .. })) => {
                self.notice = "the limit switch tripped: this round's readings are void";
            }
            _ => {}
        }
        Ok(())
    }
}

fn is_wait(prompt: Prompt) -> bool {
    matches!(prompt, Prompt::Heat { .. } | Prompt::Soak { .. })
}

fn ends_mm(start_um: i32, pitch_um: u32, count: u8) -> [f64; 2] {
    let start_mm = f64::from(start_um) / 1000.0;
    [start_mm, start_mm + f64::from(pitch_um) * f64::from(count.saturating_sub(1)) / 1000.0]
}

#[cfg(test)]
mod tests;
