//! From event to order: the steps between a survey's states.

use super::{Order, State, Survey, SurveyEvent, Then, Visit, Void};
use crate::split::Point;

impl<const CAPACITY: usize> Survey<CAPACITY> {
    /// Takes in an event and says what is to be done.
    pub fn handle(&mut self, event: SurveyEvent) -> Order {
        if matches!(self.state, State::Done | State::Aborted) {
            return self.order_due();
        }
        match event {
            SurveyEvent::Arrived => self.arrived(),
            SurveyEvent::Turned { detents } => self.turned(detents),
            SurveyEvent::Pressed => self.pressed(),
            SurveyEvent::Back => self.back(),
            SurveyEvent::Enough => self.enough(),
            SurveyEvent::Abort => self.abort(),
            SurveyEvent::LimitSwitch { is_tripped } => self.limit_switch(is_tripped),
            SurveyEvent::ScrewTurned => self.screw_turned(),
            SurveyEvent::Temperature { bed_c, nozzle_c, at_s } => self.temperature(bed_c, nozzle_c, at_s),
        }
    }

    /// The order that is due: the last one, until it is said to be carried out.
    pub fn order_due(&self) -> Order {
        match self.state {
            State::Done => Order::Done,
            State::Aborted => Order::Aborted,
            _ if !self.is_moving => Order::Wait,
            State::Lifting(_) => Order::Lift { z_um: self.z_um },
            State::Travelling(visit) => {
                let Point { x_um, y_um, .. } = self.point(visit);
                Order::Travel { x_um, y_um }
            }
            // Until it has arrived the nozzle may be anywhere on its way, and a lift has to go up from there.
            State::Approaching(_) => Order::Approach { z_um: self.waiting_um() },
            State::Setting(_) => Order::Step { z_um: self.z_um },
            _ => Order::Stop,
        }
    }

    fn arrived(&mut self) -> Order {
        if !self.is_moving {
            return Order::Wait;
        }
        self.is_moving = false;
        match self.state {
            State::Lifting(then) => self.lifted(then),
            State::Travelling(visit) => self.order(State::Approaching(visit)),
            State::Approaching(visit) => {
                self.state = State::Setting(visit);
                self.z_um = self.waiting_um();
                (self.is_turned, self.seeks_finely) = (false, false);
                Order::Wait
            }
            _ => Order::Wait,
        }
    }

    fn lifted(&mut self, then: Then) -> Order {
        match then {
            Then::Visit(visit) => return self.order(State::Travelling(visit)),
            Then::AskClosure => self.state = State::AskClosure,
            Then::Done => self.state = State::Done,
            Then::Abort => self.state = State::Aborted,
            Then::Start => self.start(),
            Then::Corners => self.judge_corners(),
            // It should have let go of whatever it met.
            Then::AfterTrip { while_lowering } if self.is_tripped => {
                self.state = State::Void(Void::Switch { while_lowering });
            }
            Then::AfterTrip { while_lowering: true } => self.state = State::RaiseBed,
            Then::AfterTrip { while_lowering: false } => self.start(),
        }
        self.order_due()
    }

    fn turned(&mut self, detents: i16) -> Order {
        if detents == 0 || !self.is_setting() {
            return Order::Wait;
        }
        self.turn(detents);
        self.is_turned = true;
        self.order(self.state)
    }

    fn pressed(&mut self) -> Order {
        if self.is_moving {
            return Order::Wait;
        }
        match self.state {
            State::Ready if self.may_begin() => self.go(Visit::Station(0)),
            State::Setting(visit) if self.is_turned && self.is_setting() => {
                let then = self.read(visit);
                self.lift(then)
            }
            State::AskClosure => {
                self.state = State::Done;
                Order::Done
            }
            State::TieRefused(_) => {
                self.state = State::Aborted;
                Order::Aborted
            }
            State::Void(Void::Switch { while_lowering }) => self.lift(Then::AfterTrip { while_lowering }),
            State::Void(_) => self.lift(Then::Start),
            State::TurnScrews if self.is_told => {
                self.begin_round();
                Order::Wait
            }
            State::RaiseBed if self.is_told => {
                self.start();
                Order::Wait
            }
            _ => Order::Wait,
        }
    }

    fn back(&mut self) -> Order {
        if self.is_moving {
            return Order::Wait;
        }
        match self.state {
            State::Setting(visit) if self.is_setting() => match self.step_back(visit) {
                Some(visit) => self.go(visit),
                None => Order::Wait,
            },
            State::AskClosure | State::TieRefused(_) | State::RaiseBed | State::TurnScrews => {
                self.begin_round();
                Order::Wait
            }
            _ => Order::Wait,
        }
    }

    /// Whether the stations still to come may be left out.
    pub(super) fn may_have_enough(&self) -> bool {
        let is_offered = |index: usize| index > 0 && self.plan.only_middles_from(index);
        !self.is_moving
            && !self.in_corner_round
            && self.is_setting()
            && matches!(self.state, State::Setting(Visit::Station(index)) if is_offered(index))
    }

    fn enough(&mut self) -> Order {
        if self.state == State::TurnScrews && !self.is_told {
            self.leave_corner_round();
            return Order::Wait;
        }
        let State::Setting(Visit::Station(index)) = self.state else { return Order::Wait };
        if !self.may_have_enough() {
            return Order::Wait;
        }
        self.visits = index;
        let then = self.after_stations();
        self.go(then)
    }

    fn abort(&mut self) -> Order {
        match self.state {
            State::Lifting(
                Then::Visit(_) | Then::AskClosure | Then::Done | Then::Start | Then::Corners | Then::AfterTrip { .. },
            )
            | State::Travelling(_)
            | State::Approaching(_)
            | State::Setting(_)
            | State::Void(_) => self.lift(Then::Abort),
            // The nozzle is up, or was never lowered; or a second abort declines the lift.
            _ => {
                self.state = State::Aborted;
                Order::Aborted
            }
        }
    }

    fn limit_switch(&mut self, is_tripped: bool) -> Order {
        self.is_tripped = is_tripped;
        if is_tripped && self.visit().is_some() {
            let while_lowering = matches!(self.state, State::Approaching(_) | State::Setting(_));
            (self.is_told, self.is_moving) = (false, true);
            return self.void(Void::Switch { while_lowering });
        }
        Order::Wait
    }

    /// The bed is another one now: whatever was read is void.
    fn screw_turned(&mut self) -> Order {
        if self.state == State::TurnScrews {
            // What was read stands until the press, for the advice.
            self.tell_of_turned_screws();
            return Order::Wait;
        }
        let mut order = Order::Wait;
        match self.state {
            State::Lifting(Then::Visit(_) | Then::AskClosure | Then::Done | Then::Corners)
            | State::Travelling(_)
            | State::Approaching(_)
            | State::Setting(_) => order = self.void(Void::Screws),
            State::AskClosure | State::TieRefused(_) => self.start(),
            State::RaiseBed
            | State::Void(Void::Switch { while_lowering: true })
            | State::Lifting(Then::AfterTrip { while_lowering: true })
                if !self.is_told =>
            {
                self.is_told = true;
                self.bed_was_raised();
            }
            _ => {}
        }
        // Not before: the height to lift to is taken from what was known of the bed.
        self.in_corner_round = !self.plan.corner_round().is_empty();
        self.corners = None;
        self.forget();
        order
    }

    fn temperature(&mut self, bed_c: i16, nozzle_c: i16, at_s: u32) -> Order {
        let window_c = u16::from(self.settings.temperature_window_c);
        (self.bed_c, self.nozzle_c) = (bed_c, nozzle_c);
        self.bed_is_warm = bed_c.abs_diff(self.settings.bed_temperature_c) <= window_c;
        self.nozzle_is_warm = nozzle_c.abs_diff(self.settings.nozzle_temperature_c) <= window_c;
        self.is_soaked &= self.bed_is_warm;
        let is_warm = self.bed_is_warm && self.nozzle_is_warm;
        match self.state {
            State::Soaking { .. } if !is_warm => self.state = State::Heating,
            State::Ready if !self.bed_is_warm => self.state = State::Heating,
            State::Heating if is_warm => self.soak(at_s, at_s),
            State::Soaking { since_s, .. } => self.soak(since_s, at_s),
            _ if !self.bed_is_warm && self.visit().is_some() => return self.void(Void::Temperature { bed_c }),
            _ => {}
        }
        Order::Wait
    }

    fn soak(&mut self, since_s: u32, at_s: u32) {
        let left_s = u32::from(self.settings.soak_s).saturating_sub(at_s.saturating_sub(since_s));
        // No more than `soak_s`.
        let left_s = left_s as u16;
        self.is_soaked = left_s == 0;
        self.state = if self.is_soaked { State::Ready } else { State::Soaking { since_s, left_s } };
    }

    /// Whether a gap is being set: at a station, and as warm as it shall be. A cold nozzle is waited for, and the prompt says so.
    pub(super) fn is_setting(&self) -> bool {
        matches!(self.state, State::Setting(_)) && self.bed_is_warm && self.nozzle_is_warm
    }

    /// Whether a press may send the nozzle on its way.
    pub(super) fn may_begin(&self) -> bool {
        self.bed_is_warm && self.nozzle_is_warm && !self.is_tripped
    }

    /// The round begins anew, with the nozzle up.
    pub(super) fn start(&mut self) {
        self.state = if self.is_soaked { State::Ready } else { State::Heating };
    }

    /// All readings are void, and the nozzle stays where it is until a press.
    fn void(&mut self, why: Void) -> Order {
        if matches!(self.state, State::Setting(_)) {
            // A step that was cut short may have ended anywhere below this, and a lift has to go up from there, whatever the
            // readings were that are forgotten now.
            self.z_um = self.z_um.max(self.travel_um());
        }
        self.forget();
        self.state = State::Void(why);
        self.order_due()
    }

    fn order(&mut self, state: State) -> Order {
        (self.state, self.is_moving) = (state, true);
        self.order_due()
    }

    fn lift(&mut self, then: Then) -> Order {
        self.z_um = self.z_um.max(self.travel_um());
        self.order(State::Lifting(then))
    }

    fn go(&mut self, visit: Visit) -> Order {
        self.lift(Then::Visit(visit))
    }

    fn point(&self, visit: Visit) -> Point {
        let index = match visit {
            Visit::Station(index) | Visit::Again(index) => index,
            Visit::Closure => 0,
        };
        self.plan.place(self.station_of(index).unwrap_or((0, 0)))
    }
}
