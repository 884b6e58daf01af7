//! The survey through its public door: whole rounds, what goes wrong in them, and random events.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{
    Lattice, Order, Prompt, Surface, Survey, SurveyEvent, SurveyPlan, SurveySettings, SurveySettingsError,
    WeightedLayout,
};
use proptest::prelude::*;

const STATIONS: Lattice =
    Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };

fn warm() -> SurveySettings {
    SurveySettings { bed_temperature_c: 60, nozzle_temperature_c: 200, soak_s: 60, ..SurveySettings::default() }
}

fn survey(settings: SurveySettings) -> Survey<25> {
    Survey::new(SurveyPlan::new(STATIONS).unwrap(), settings, 5000).unwrap()
}

const fn temperature(bed_c: i16, nozzle_c: i16, at_s: u32) -> SurveyEvent {
    SurveyEvent::Temperature { bed_c, nozzle_c, at_s }
}

/// Somebody who sets every gap exactly, over a bed that is a function of place.
struct Operator<'a> {
    survey: Survey<25>,
    bed_um: &'a dyn Fn(i32, i32) -> i32,
    at: (i32, i32),
    z_um: i32,
    travels: Vec<(i32, i32)>,
}

impl<'a> Operator<'a> {
    fn new(settings: SurveySettings, bed_um: &'a dyn Fn(i32, i32) -> i32) -> Self {
        Self { survey: survey(settings), bed_um, at: (0, 0), z_um: 5000, travels: Vec::new() }
    }

    /// Warms up, soaks, presses and goes to the first station.
    fn begin(&mut self) {
        assert_eq!(self.survey.handle(temperature(60, 200, 100)), Order::Wait);
        assert_eq!(self.survey.handle(temperature(60, 200, 160)), Order::Wait);
        let _ = self.event(SurveyEvent::Pressed);
    }

    fn event(&mut self, event: SurveyEvent) -> Order {
        let order = self.survey.handle(event);
        self.carry_out(order)
    }

    /// Carries out orders until the machine waits for a person; gives what it waits with.
    fn carry_out(&mut self, mut order: Order) -> Order {
        loop {
            match order {
                Order::Lift { z_um } => {
                    assert!(z_um >= self.z_um, "a lift goes up");
                    self.z_um = z_um;
                }
                Order::Travel { x_um, y_um } => {
                    self.at = (x_um, y_um);
                    self.travels.push(self.at);
                }
                Order::Approach { z_um } => {
                    assert!(z_um > (self.bed_um)(self.at.0, self.at.1), "waits above the bed");
                    self.z_um = z_um;
                }
                Order::Step { z_um } => self.z_um = z_um,
                Order::Stop => {}
                order => return order,
            }
            order = self.survey.handle(SurveyEvent::Arrived);
        }
    }

    /// Turns the knob until the paper drags, and presses.
    fn read(&mut self) -> Order {
        self.read_off_by(0)
    }

    /// The same with a reading that is too high.
    fn read_off_by(&mut self, off_um: i32) -> Order {
        let target_um = (self.bed_um)(self.at.0, self.at.1) + 100 + off_um;
        // Coarse steps end where a bed is expected, so it may take another turn.
        while (target_um - self.z_um).abs() > 5 {
            let detents = (f64::from(target_um - self.z_um) / 10.0).round() as i16;
            let before_um = self.z_um;
            let _ = self.event(SurveyEvent::Turned { detents });
            assert_ne!(self.z_um, before_um, "the knob does not reach {target_um}");
        }
        self.event(SurveyEvent::Pressed)
    }
}

fn bow(x_um: i32, y_um: i32) -> i32 {
    let (u, v) = ((f64::from(x_um) - 110_000.0) / 90_000.0, (f64::from(y_um) - 100_000.0) / 80_000.0);
    (100.0 - 150.0 * (u * u + v * v)) as i32
}

/// Common practice, no source: nine stations at 3×3, and a grid that holds the bed itself, not the paper.
#[test]
fn nine_readings_make_a_grid_of_the_bed() {
    let mut operator = Operator::new(warm(), &bow);
    assert_eq!(operator.survey.prompt(), Prompt::Heat { bed_c: 60, nozzle_c: 200 });
    operator.begin();
    for visit in 0..9 {
        assert!(matches!(operator.survey.prompt(), Prompt::SetGap { visit: v, visits: 10, .. } if v == visit + 1));
        assert_eq!(operator.read(), Order::Wait);
    }
    // The first once more.
    assert_eq!(operator.at, (20_000, 20_000));
    assert_eq!(operator.read(), Order::Done);
    let result = operator.survey.result(7).unwrap();
    assert_eq!((result.bed_temperature_c, result.setup, result.closure_um), (60, 7, 0));
    assert!(!result.closure_accepted);
    for row in 0..3 {
        for column in 0..3 {
            let (x_um, y_um) = STATIONS.node_um(column, row);
            assert!((result.grid.height_um(x_um, y_um) - bow(x_um, y_um)).abs() <= 5);
        }
    }
    let total_um: i32 =
        operator.travels.windows(2).map(|pair| (pair[1].0 - pair[0].0).abs() + (pair[1].1 - pair[0].1).abs()).sum();
    assert_eq!(total_um, 6 * 90_000 + 2 * 80_000 + 2 * 90_000 + 2 * 80_000, "eight short travels and one back");
}

#[test]
fn no_reading_before_it_is_warm_and_has_soaked() {
    let mut survey = survey(warm());
    assert_eq!(survey.handle(SurveyEvent::Pressed), Order::Wait);
    assert_eq!(survey.handle(temperature(50, 200, 0)), Order::Wait);
    assert!(matches!(survey.prompt(), Prompt::Heat { .. }));
    assert_eq!(survey.handle(temperature(58, 203, 10)), Order::Wait);
    assert_eq!(survey.prompt(), Prompt::Soak { seconds: 60 });
    assert_eq!(survey.handle(temperature(60, 200, 40)), Order::Wait);
    assert_eq!(survey.prompt(), Prompt::Soak { seconds: 30 });
    // A draught starts the soak anew.
    assert_eq!(survey.handle(temperature(56, 200, 50)), Order::Wait);
    assert_eq!(survey.handle(temperature(60, 200, 60)), Order::Wait);
    assert_eq!(survey.handle(temperature(60, 200, 119)), Order::Wait);
    assert_eq!(survey.handle(temperature(60, 200, 120)), Order::Wait, "nothing moves before a press");
    assert_eq!(survey.prompt(), Prompt::Ready { visits: 10, is_corner: false });
    assert!(matches!(survey.handle(SurveyEvent::Pressed), Order::Lift { .. }));
}

/// A grid belongs to one temperature: what was read before the bed left it cannot be joined with what comes after.
#[test]
fn a_bed_that_cools_down_voids_the_round_at_that_moment() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    let _ = operator.read();
    let _ = operator.survey.handle(SurveyEvent::Turned { detents: -5 });
    assert_eq!(operator.survey.handle(temperature(56, 200, 300)), Order::Stop, "it was stepping");
    assert_eq!(operator.survey.handle(SurveyEvent::Arrived), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::BedTemperature { bed_c: 56, wanted_c: 60 });
    assert_eq!(operator.survey.height_um(0, 0), None);
    // Warm again is not enough: a press lifts the nozzle, then the plate settles anew, then a press begins.
    assert_eq!(operator.survey.handle(temperature(60, 200, 310)), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::BedTemperature { bed_c: 56, wanted_c: 60 });
    assert_eq!(operator.event(SurveyEvent::Pressed), Order::Wait);
    assert!(matches!(operator.survey.prompt(), Prompt::Heat { .. }));
    assert_eq!(operator.survey.handle(temperature(60, 200, 400)), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::Soak { seconds: 60 });
    assert_eq!(operator.survey.handle(temperature(60, 200, 460)), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::Ready { visits: 10, is_corner: false });
}

/// A nozzle is long or short by a few micrometres until it is back; the plate has not moved.
#[test]
fn a_nozzle_that_cools_down_is_waited_for() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    let _ = operator.read();
    let _ = operator.survey.handle(temperature(60, 150, 300));
    assert!(matches!(operator.survey.prompt(), Prompt::Heat { .. }));
    for event in [SurveyEvent::Turned { detents: -5 }, SurveyEvent::Back, SurveyEvent::Pressed] {
        assert_eq!(operator.survey.handle(event), Order::Wait, "the prompt says that it is warming up");
    }
    assert_eq!(operator.survey.height_um(1, 0), None, "the press was not taken");
    let _ = operator.survey.handle(temperature(60, 200, 400));
    let _ = operator.read();
    assert!(operator.survey.height_um(0, 0).is_some() && operator.survey.height_um(1, 0).is_some());
}

/// Heaters that time out while nobody answers the last question: the readings were taken warm, and say so.
#[test]
fn a_grid_carries_the_temperature_of_its_readings() {
    let moving = std::cell::Cell::new(0);
    let bed = |x_um: i32, y_um: i32| bow(x_um, y_um) + moving.get();
    let mut operator = Operator::new(warm(), &bed);
    operator.begin();
    (0..9).for_each(|visit| {
        let _ = operator.survey.handle(temperature(59 + visit % 3, 200, 200));
        let _ = operator.read();
    });
    moving.set(60);
    let _ = operator.read();
    assert_eq!(operator.survey.prompt(), Prompt::Closure { um: 60 });
    for bed_c in [25, -273] {
        assert_eq!(operator.survey.handle(temperature(bed_c, 25, 900)), Order::Wait);
    }
    assert_eq!(operator.event(SurveyEvent::Pressed), Order::Done);
    assert_eq!(operator.survey.result(0).unwrap().bed_temperature_c, 60);
}

#[test]
fn a_press_without_a_turn_is_no_reading() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    assert!(matches!(operator.survey.prompt(), Prompt::SetGap { is_turned: false, .. }));
    for _ in 0..20 {
        assert_eq!(operator.event(SurveyEvent::Pressed), Order::Wait);
    }
    assert_eq!(operator.survey.height_um(0, 0), None);
    let _ = operator.event(SurveyEvent::Turned { detents: 0 });
    assert_eq!(operator.event(SurveyEvent::Pressed), Order::Wait, "no detent is no turn");
    let _ = operator.read();
    assert!(operator.survey.height_um(0, 0).is_some());
    assert!(matches!(operator.survey.prompt(), Prompt::SetGap { visit: 2, is_turned: false, .. }));
}

/// Two taps 140 ms apart, with motors that still move: the second is not the reading of the next station.
#[test]
fn a_press_counts_once_the_axes_stand_still() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    assert!(matches!(operator.survey.handle(SurveyEvent::Turned { detents: -150 }), Order::Step { .. }));
    assert_eq!(operator.survey.handle(SurveyEvent::Pressed), Order::Wait, "still stepping");
    assert_eq!(operator.survey.handle(SurveyEvent::Arrived), Order::Wait);
    let order = operator.survey.handle(SurveyEvent::Pressed);
    assert!(matches!(order, Order::Lift { .. }));
    for _ in 0..2 {
        assert_eq!(operator.survey.handle(SurveyEvent::Pressed), Order::Wait);
        assert_eq!(operator.survey.handle(SurveyEvent::Turned { detents: -5 }), Order::Wait);
        assert_eq!(operator.survey.handle(SurveyEvent::Back), Order::Wait);
    }
    assert_eq!(operator.survey.order_due(), order, "what is due can be asked for again");
    assert!(matches!(operator.survey.handle(SurveyEvent::Arrived), Order::Travel { .. }));
    assert_eq!(operator.survey.handle(SurveyEvent::Pressed), Order::Wait);
    let order = operator.survey.handle(SurveyEvent::Arrived);
    assert!(matches!(order, Order::Approach { .. }));
    assert_eq!(operator.survey.order_due(), order);
    assert_eq!(operator.survey.handle(SurveyEvent::Arrived), Order::Wait);
    assert_eq!(operator.survey.handle(SurveyEvent::Arrived), Order::Wait, "once is enough");
    assert_eq!(operator.survey.height_um(1, 0), None);
}

#[test]
fn back_takes_the_last_reading_away() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    assert_eq!(operator.survey.handle(SurveyEvent::Back), Order::Wait, "nothing before the first");
    let _ = operator.read();
    let _ = operator.read();
    let _ = operator.event(SurveyEvent::Back);
    assert_eq!(operator.survey.station(), Some((1, 0)));
    assert_eq!(operator.survey.height_um(1, 0), None);
    assert!(operator.survey.height_um(0, 0).is_some());
    (0..8).for_each(|_| {
        let _ = operator.read();
    });
    assert_eq!(operator.read(), Order::Done);
}

#[test]
fn a_slip_of_the_hand_is_offered_once_more() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    for visit in 0..9 {
        // Two papers instead of one, and a half.
        let _ = operator.read_off_by(if visit == 5 { 250 } else { 0 });
    }
    let Prompt::LookAgain { off_um, .. } = operator.survey.prompt() else { panic!("{:?}", operator.survey.prompt()) };
    assert!((200..300).contains(&off_um), "{off_um}");
    assert_eq!(operator.survey.station(), Some((0, 1)), "the sixth of the visits");
    let _ = operator.read();
    assert_eq!(operator.read(), Order::Done, "put right, nothing else is doubtful");
    assert!((operator.survey.height_um(0, 1).unwrap() - bow(20_000, 100_000) as i16).abs() <= 5);
}

#[test]
fn a_first_station_that_moved_is_asked_about() {
    let moving = std::cell::Cell::new(0);
    let bed = |x_um: i32, y_um: i32| bow(x_um, y_um) + moving.get();
    let run = |answer: SurveyEvent| {
        moving.set(0);
        let mut operator = Operator::new(warm(), &bed);
        operator.begin();
        (0..9).for_each(|_| {
            let _ = operator.read();
        });
        moving.set(60);
        while (operator.z_um - bed(operator.at.0, operator.at.1) - 100).abs() > 5 {
            let detents = (f64::from(bed(operator.at.0, operator.at.1) + 100 - operator.z_um) / 10.0).round() as i16;
            let _ = operator.event(SurveyEvent::Turned { detents });
        }
        let lift = operator.survey.handle(SurveyEvent::Pressed);
        assert_eq!(operator.survey.prompt(), Prompt::Lifting);
        assert_eq!(operator.survey.handle(SurveyEvent::Pressed), Order::Wait, "the change was not shown yet");
        let _ = operator.carry_out(lift);
        assert_eq!(operator.survey.prompt(), Prompt::Closure { um: 60 });
        let order = operator.event(answer);
        (order, operator.survey.result(0), operator.survey.height_um(0, 0))
    };
    let (order, result, _) = run(SurveyEvent::Pressed);
    let result = result.unwrap();
    assert_eq!((order, result.closure_um, result.closure_accepted), (Order::Done, 60, true));
    let (order, result, first_um) = run(SurveyEvent::Back);
    assert_eq!((order, result, first_um), (Order::Wait, None, None), "the round begins again");
}

/// Common practice, no source: any screw turned means measuring again. Hands are at the screws: nothing moves before a
/// press says that they are off.
#[test]
fn a_screw_turned_means_measuring_again() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    let _ = operator.read();
    let _ = operator.read();
    assert_eq!(operator.survey.handle(SurveyEvent::ScrewTurned), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::HandsOff);
    assert_eq!((operator.survey.height_um(0, 0), operator.survey.height_um(1, 0)), (None, None));
    assert_eq!(operator.event(SurveyEvent::Turned { detents: -5 }), Order::Wait, "the knob is dead meanwhile");
    assert_eq!(operator.event(SurveyEvent::Pressed), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::Ready { visits: 10, is_corner: false }, "lifted, and no further");
    let _ = operator.event(SurveyEvent::Pressed);
    assert_eq!(operator.survey.station(), Some((0, 0)));
    (0..9).for_each(|_| {
        let _ = operator.read();
    });
    assert_eq!(operator.read(), Order::Done);
}

#[test]
fn a_screw_turned_while_axes_move_stops_them() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    let _ = operator.event(SurveyEvent::Turned { detents: -20 });
    assert!(matches!(operator.survey.handle(SurveyEvent::Pressed), Order::Lift { .. }));
    assert_eq!(operator.survey.handle(SurveyEvent::ScrewTurned), Order::Stop);
    assert_eq!(operator.survey.order_due(), Order::Stop);
    assert_eq!(operator.survey.handle(SurveyEvent::Pressed), Order::Wait, "not before they stand still");
    assert_eq!(operator.survey.handle(SurveyEvent::Arrived), Order::Wait);
    assert!(matches!(operator.survey.handle(SurveyEvent::Pressed), Order::Lift { .. }));
}

const fn switch(is_tripped: bool) -> SurveyEvent {
    SurveyEvent::LimitSwitch { is_tripped }
}

#[test]
fn a_limit_switch_in_the_way_voids_the_round() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    let _ = operator.read();
    let _ = operator.event(SurveyEvent::Turned { detents: -30 });
    assert_eq!(operator.survey.handle(switch(true)), Order::Stop);
    assert_eq!(operator.survey.height_um(0, 0), None);
    assert_eq!(operator.survey.handle(SurveyEvent::Arrived), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::SwitchTripped { press_lifts: true });
    // Still tripped after the lift: nothing goes on before it lets go.
    assert_eq!(operator.event(SurveyEvent::Pressed), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::SwitchTripped { press_lifts: true });
    let lift = operator.survey.handle(SurveyEvent::Pressed);
    assert!(matches!(lift, Order::Lift { .. }), "away from the bed, and nothing else: {lift:?}");
    let _ = operator.survey.handle(switch(false));
    let _ = operator.carry_out(lift);
    // How far to raise stays on the screen while hands are at the screws.
    assert_eq!(operator.survey.prompt(), Prompt::RaiseBed { by_um: 500, is_told: false });
    assert_eq!(operator.event(SurveyEvent::Pressed), Order::Wait, "not raised yet, as far as anybody said");
    assert_eq!(operator.survey.prompt(), Prompt::RaiseBed { by_um: 500, is_told: false });
    assert_eq!(operator.survey.handle(SurveyEvent::ScrewTurned), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::RaiseBed { by_um: 500, is_told: true });
    assert_eq!(operator.event(SurveyEvent::Pressed), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::Ready { visits: 10, is_corner: false });
    let _ = operator.event(SurveyEvent::Pressed);
    (0..9).for_each(|_| {
        let _ = operator.read();
    });
    assert_eq!(operator.read(), Order::Done);
}

/// A normally closed switch whose wire broke says tripped from the first moment on.
#[test]
fn nothing_begins_while_the_switch_is_tripped() {
    let mut operator = Operator::new(warm(), &bow);
    assert_eq!(operator.survey.handle(switch(true)), Order::Wait);
    assert_eq!(operator.survey.prompt(), Prompt::SwitchTripped { press_lifts: false }, "on the screen from the start");
    operator.begin();
    assert_eq!(operator.travels, []);
    assert_eq!(operator.survey.prompt(), Prompt::SwitchTripped { press_lifts: false });
    let _ = operator.survey.handle(switch(false));
    let _ = operator.event(SurveyEvent::Pressed);
    assert_eq!(operator.travels.len(), 1);
}

/// On its way up or across there is no bed: a trip there stops the axes as well, and no approach follows.
#[test]
fn a_trip_on_the_way_is_not_passed_over() {
    for arrivals in 0..3 {
        let mut operator = Operator::new(warm(), &bow);
        operator.begin();
        let _ = operator.event(SurveyEvent::Turned { detents: -150 });
        let mut order = operator.survey.handle(SurveyEvent::Pressed);
        for _ in 0..arrivals {
            order = operator.survey.handle(SurveyEvent::Arrived);
        }
        assert_eq!(operator.survey.handle(switch(true)), Order::Stop, "{order:?}");
        assert_eq!(operator.survey.handle(SurveyEvent::Arrived), Order::Wait);
        assert!(matches!(operator.survey.handle(SurveyEvent::Pressed), Order::Lift { .. }));
        let _ = operator.survey.handle(switch(false));
        let _ = operator.survey.handle(SurveyEvent::Arrived);
        // Raising the bed helps only where the bed was in the way.
        let was_lowering = arrivals == 2;
        let prompt = operator.survey.prompt();
        assert_eq!(prompt == Prompt::RaiseBed { by_um: 500, is_told: false }, was_lowering, "{prompt:?}");
        assert_eq!(prompt == Prompt::Ready { visits: 10, is_corner: false }, !was_lowering, "{prompt:?}");
    }
}

#[test]
fn an_abort_ends_every_state() {
    let mut operator = Operator::new(warm(), &bow);
    assert_eq!(operator.survey.clone().handle(SurveyEvent::Abort), Order::Aborted, "nothing was lowered yet");
    operator.begin();
    let _ = operator.event(SurveyEvent::Turned { detents: -150 });
    let lift = operator.survey.handle(SurveyEvent::Abort);
    assert!(matches!(lift, Order::Lift { .. }));
    assert_eq!(operator.survey.order_due(), lift);
    let mut impatient = operator.survey.clone();
    assert_eq!(impatient.handle(SurveyEvent::Abort), Order::Aborted, "without the lift");
    for event in [SurveyEvent::Pressed, temperature(20, 20, 900), switch(true), SurveyEvent::ScrewTurned] {
        assert_eq!(operator.survey.handle(event), Order::Wait);
    }
    assert_eq!(operator.survey.handle(SurveyEvent::Arrived), Order::Aborted);
    assert_eq!(operator.survey.prompt(), Prompt::Aborted);
}

#[test]
fn settings_that_no_survey_could_keep_to_are_refused() {
    let refused = |settings| Survey::<25>::new(SurveyPlan::new(STATIONS).unwrap(), settings, 0).err();
    assert_eq!(refused(warm()), None);
    assert_eq!(refused(SurveySettings { detent_um: 0, ..warm() }), Some(SurveySettingsError::Detent));
    assert_eq!(refused(SurveySettings { headroom_um: 0, ..warm() }), Some(SurveySettingsError::Headroom));
    for (start_um, lowest_um) in [(8192, -1000), (-900, -1000), (i32::MIN, i32::MIN), (0, i32::MAX)] {
        let settings = SurveySettings { start_um, lowest_um, ..warm() };
        assert!(matches!(refused(settings), Some(SurveySettingsError::Start { .. })), "{start_um} {lowest_um}");
    }
    for bed_temperature_c in [-274, 1001, i16::MIN, i16::MAX] {
        let settings = SurveySettings { bed_temperature_c, ..warm() };
        assert_eq!(refused(settings), Some(SurveySettingsError::BedTemperature { bed_temperature_c }));
    }
}

/// 48 °C: row S-2 of the project's sources.
#[test]
fn what_is_hot_is_said_before_hands_come_near() {
    let mut operator = Operator::new(warm(), &bow);
    operator.begin();
    let caution = operator.survey.caution().unwrap();
    assert_eq!((caution.bed_c, caution.nozzle_c, caution.can_wear_gloves), (60, 200, false));
    let _ = operator.survey.handle(SurveyEvent::ScrewTurned);
    assert!(operator.survey.caution().unwrap().can_wear_gloves, "a screw can be turned in gloves");
    let cold = survey(SurveySettings::default());
    assert_eq!(cold.caution(), None);
    for bed_c in [i16::MIN, 48, 110, i16::MAX] {
        let mut survey = survey(warm());
        let _ = survey.handle(temperature(bed_c, 300, 0));
        let text = survey.caution().unwrap().to_string();
        assert!(text.chars().count() <= 20, "{text}");
    }
}

/// Nine stations, four middles on the way back, the first once more.
fn with_middles(settings: SurveySettings, bed_um: &dyn Fn(i32, i32) -> i32) -> Operator<'_> {
    let plan = SurveyPlan::new(STATIONS).unwrap().with_middles().unwrap();
    let survey = Survey::new(plan, settings, 5000).unwrap();
    let mut operator = Operator { survey, ..Operator::new(settings, bed_um) };
    operator.begin();
    operator
}

#[test]
fn the_middles_of_cells_enter_the_surface() {
    let wave = |x_um: i32, y_um: i32| {
        let (u, v) = (f64::from(x_um - 20_000) / 180_000.0, f64::from(y_um - 20_000) / 160_000.0);
        (120.0 * (5.0 * u + v).sin() * (4.0 * v).cos()) as i32
    };
    let mut operator = with_middles(SurveySettings { outlier_limit_um: 2000, ..warm() }, &wave);
    for visit in 1..=13 {
        assert!(matches!(operator.survey.prompt(), Prompt::SetGap { visit: v, visits: 14, .. } if v == visit));
        assert_eq!((operator.survey.agreement(), operator.read()), (None, Order::Wait));
    }
    let agreement = operator.survey.agreement().unwrap();
    assert_eq!(operator.read(), Order::Done);
    let result = operator.survey.result(3).unwrap();
    let lattice = Lattice { pitch_x_um: 45_000, pitch_y_um: 40_000, columns: 5, rows: 5, ..STATIONS };
    assert_eq!((result.grid.lattice(), result.surface), (lattice, Surface::Refined));
    let readings_um: Vec<i16> =
        (0..25_u8).step_by(2).map(|at| operator.survey.height_um(at % 5, at / 5).unwrap()).collect();
    assert_eq!(operator.survey.height_um(1, 0), None, "no station");
    let layout = WeightedLayout::of(3, 3, true).unwrap();
    assert_eq!(Ok(result.grid), layout.grid(lattice, &readings_um));
    assert_eq!(Some(agreement), layout.agreement(&readings_um));
    assert!(agreement.needs_more_stations(), "{agreement:?}");

    let mut operator = with_middles(warm(), &bow);
    (0..13).for_each(|_| assert_eq!(operator.read(), Order::Wait));
    let agreement = operator.survey.agreement().unwrap();
    assert!(agreement.surface_rms_um <= 6 && !agreement.needs_more_stations(), "{agreement:?}");
}

/// Somebody stops after nine stations and gets what nine can give.
#[test]
fn enough_leaves_out_the_middles_that_are_to_come() {
    for middles in [0, 1, 3] {
        let mut operator = with_middles(warm(), &bow);
        for _ in 0..8 {
            assert_eq!(operator.event(SurveyEvent::Enough), Order::Wait);
            assert_eq!(operator.read(), Order::Wait);
        }
        assert!(matches!(operator.survey.prompt(), Prompt::SetGap { visit: 9, visits: 14, .. }));
        (0..=middles).for_each(|_| assert_eq!(operator.read(), Order::Wait));
        assert_eq!(operator.event(SurveyEvent::Enough), Order::Wait);
        assert_eq!(operator.at, (20_000, 20_000), "the first station again");
        let visits = 10 + middles as u16;
        assert!(
            matches!(operator.survey.prompt(), Prompt::SetGap { visit: v, visits: all, .. } if (v, all) == (visits, visits))
        );
        assert_eq!(operator.survey.agreement(), None);
        assert_eq!(operator.read(), Order::Done);
        let result = operator.survey.result(0).unwrap();
        assert_eq!((result.grid.lattice(), result.surface), (STATIONS, Surface::Refined));
        for (node, &height_um) in result.grid.nodes_um().iter().enumerate() {
            let (x_um, y_um) = STATIONS.node_um(node as u8 % 3, node as u8 / 3);
            assert!((i32::from(height_um) - bow(x_um, y_um)).abs() <= 5, "node {node}");
        }
    }
}

/// A slip at a middle is offered for another look like one at any station, and one among nine after enough.
#[test]
fn a_slip_is_found_with_middles_and_without() {
    let mut operator = with_middles(warm(), &bow);
    for visit in 0..13 {
        assert_eq!(operator.read_off_by(if visit == 11 { 300 } else { 0 }), Order::Wait);
    }
    assert!(
        matches!(operator.survey.prompt(), Prompt::LookAgain { off_um: 285..=315, .. }),
        "{:?}",
        operator.survey.prompt()
    );
    assert_eq!(operator.survey.station(), Some((1, 1)));
    assert_eq!((operator.read(), operator.read()), (Order::Wait, Order::Done));

    let mut operator = with_middles(warm(), &bow);
    for visit in 0..10 {
        assert_eq!(operator.read_off_by(if visit == 4 { 300 } else { 0 }), Order::Wait);
    }
    assert_eq!(operator.event(SurveyEvent::Enough), Order::Wait);
    assert!(
        matches!(operator.survey.prompt(), Prompt::LookAgain { off_um: 285..=315, .. }),
        "{:?}",
        operator.survey.prompt()
    );
    assert_eq!(operator.survey.station(), Some((2, 2)));
    assert_eq!((operator.read(), operator.read()), (Order::Wait, Order::Done));
}

/// Everything that a prompt may say fits three lines of twenty characters, and leaves the fourth to what is hot.
#[test]
fn prompts_fit_the_display() {
    let prompts = [
        Prompt::Heat { bed_c: i16::MIN, nozzle_c: i16::MIN },
        Prompt::Soak { seconds: u16::MAX },
        Prompt::Ready { visits: 230, is_corner: false },
        Prompt::Moving { visit: 230, visits: 230, is_corner: true },
        Prompt::Lifting,
        Prompt::SetGap { visit: 230, visits: 230, is_corner: true, z_um: -8191, is_coarse: true, is_turned: false },
        Prompt::SetGap { visit: 230, visits: 230, is_corner: true, z_um: -8191, is_coarse: true, is_turned: true },
        Prompt::LookAgain { off_um: -16_382, z_um: -8191, is_coarse: true, is_turned: true },
        Prompt::BedTemperature { bed_c: i16::MIN, wanted_c: i16::MIN },
        Prompt::SwitchTripped { press_lifts: true },
        Prompt::SwitchTripped { press_lifts: false },
        Prompt::RaiseBed { by_um: u16::MAX, is_told: false },
        Prompt::RaiseBed { by_um: u16::MAX, is_told: true },
        Prompt::Ready { visits: 8, is_corner: true },
        Prompt::Trammed { apart_um: 16_382, headroom_um: -8191, visits: 257 },
        Prompt::Trammed { apart_um: 0, headroom_um: 16_382, visits: 257 },
        Prompt::TurnScrews { apart_um: 16_382, limit_um: u16::MAX, is_told: false },
        Prompt::TurnScrews { apart_um: 16_382, limit_um: u16::MAX, is_told: true },
        Prompt::HandsOff,
        Prompt::Closure { um: i16::MIN },
        Prompt::Done { closure_um: i16::MIN },
        Prompt::Aborted,
    ];
    for prompt in prompts {
        let text = prompt.to_string();
        assert!(text.lines().count() <= 3 && text.lines().all(|line| line.chars().count() <= 20), "{text}");
    }
}

fn any_event() -> impl Strategy<Value = SurveyEvent> {
    prop_oneof![
        8 => Just(SurveyEvent::Arrived),
        4 => (-200..200_i16).prop_map(|detents| SurveyEvent::Turned { detents }),
        1 => any::<i16>().prop_map(|detents| SurveyEvent::Turned { detents }),
        4 => Just(SurveyEvent::Pressed),
        1 => Just(SurveyEvent::Back),
        1 => Just(SurveyEvent::Enough),
        1 => any::<bool>().prop_map(switch),
        1 => Just(SurveyEvent::ScrewTurned),
        1 => (55..66_i16, 190..210_i16, any::<u32>()).prop_map(|(bed, nozzle, at)| temperature(bed, nozzle, at)),
    ]
}

fn cases() -> u32 {
    std::env::var("PROPTEST_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(64)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    /// No axis moves but as the answer to a press or a turn, or on the way that a press began; never below the allowed
    /// height, never down without the knob, never done with a reading missing; always an end after an abort.
    #[test]
    fn whatever_happens_the_nozzle_is_safe(
        events in prop::collection::vec(any_event(), 0..400), middles in any::<bool>(), corners in any::<bool>(),
        lowest_um in -2000..500_i32,
        z_um in -3000..9000_i32,
    ) {
        let settings = SurveySettings { lowest_um, start_um: 1000, soak_s: 0, ..warm() };
        let plan = SurveyPlan::new(STATIONS).unwrap();
        let plan = if middles { plan.with_middles().unwrap() } else { plan };
        let plan = match corners {
            true => plan.with_corner_round([(0, 0), (200_000, 0), (110_000, 180_000)]).unwrap(),
            false => plan,
        };
        let last = plan.lattice().columns - 1;
        let mut survey = Survey::<25>::new(plan, settings, z_um).unwrap();
        let (mut at_um, mut is_tripped, mut is_on_its_way) = (z_um, false, false);
        for event in [temperature(60, 200, 0), SurveyEvent::Pressed].into_iter().chain(events) {
            if let SurveyEvent::LimitSwitch { is_tripped: level } = event {
                is_tripped = level;
            }
            let order = survey.handle(event);
            match order {
                Order::Lift { .. } | Order::Travel { .. } | Order::Approach { .. } => {
                    let is_hand = matches!(event, SurveyEvent::Pressed | SurveyEvent::Back | SurveyEvent::Enough | SurveyEvent::Abort);
                    prop_assert!(is_hand || event == SurveyEvent::Arrived && is_on_its_way, "{event:?}: {order:?}");
                    prop_assert!(!is_tripped || matches!(order, Order::Lift { .. }), "{order:?} with a tripped switch");
                    prop_assert_eq!(survey.order_due(), order);
                    is_on_its_way = true;
                }
                Order::Stop => is_on_its_way = false,
                Order::Wait if event == SurveyEvent::Arrived => is_on_its_way = false,
                _ => {}
            }
            match order {
                Order::Lift { z_um } => {
                    prop_assert!(z_um >= at_um);
                    at_um = z_um;
                }
                Order::Approach { z_um } => {
                    let is_read = (0..=last).flat_map(|r| (0..=last).map(move |c| (c, r))).filter_map(|(c, r)| survey.height_um(c, r));
                    let above_all_um = is_read.max().map_or(1000, |height_um| (i32::from(height_um) + 100).max(1000));
                    prop_assert!(z_um >= above_all_um, "{z_um} waits below {above_all_um}");
                    at_um = z_um;
                }
                Order::Step { z_um } => {
                    prop_assert!(matches!(event, SurveyEvent::Turned { .. }), "down without the knob");
                    prop_assert!(z_um >= lowest_um && !is_tripped);
                    at_um = z_um;
                }
                Order::Done => {
                    let result = survey.result(1).expect("a result when done");
                    prop_assert!(result.grid.nodes_um().len() == 9 || middles && result.grid.nodes_um().len() == 25);
                    prop_assert!(result.bed_temperature_c.abs_diff(60) <= 3);
                    let step = usize::from(last / 2);
                    let mut stations = (0..=last).step_by(step).flat_map(|row| (0..=last).step_by(step).map(move |column| (column, row)));
                    prop_assert!(stations.all(|(column, row)| survey.height_um(column, row).is_some()));
                }
                Order::Wait | Order::Stop | Order::Travel { .. } | Order::Aborted => {}
            }
            prop_assert!(survey.result(1).is_none() || survey.handle(SurveyEvent::Arrived) == Order::Done);
        }
        if survey.result(1).is_none() {
            let order = survey.handle(SurveyEvent::Abort);
            prop_assert!(matches!(order, Order::Lift { z_um } if z_um >= at_um) || order == Order::Aborted, "{order:?}");
            prop_assert_eq!(survey.handle(SurveyEvent::Arrived), Order::Aborted);
            prop_assert_eq!(survey.prompt(), Prompt::Aborted);
            for event in [SurveyEvent::Arrived, SurveyEvent::Pressed, SurveyEvent::ScrewTurned, SurveyEvent::Abort] {
                prop_assert_eq!(survey.handle(event), Order::Aborted);
            }
            prop_assert_eq!(survey.result(1), None);
        }
    }
}
