//! Over beds that rise between stations: the nozzle never meets the bed while the machine moves it, and every station
//! can be set. The bed is a function of place, and every path is looked at along its whole length.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]
#![allow(unused_must_use, reason = "what the machine gives back was carried out already")]

use std::f64::consts::PI;

use gapkeeper::{Lattice, Order, Prompt, Survey, SurveyEvent, SurveyPlan, SurveySettings};
use proptest::prelude::*;

const STATIONS: Lattice =
    Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };

/// How finely travels are looked at.
const SAMPLE_UM: f64 = 1000.0;

/// More detents than from any waiting height to any reading and back.
const PATIENCE: u32 = 5000;

/// A machine with somebody at it who turns the knob detent by detent until the paper drags.
struct Machine<'a> {
    survey: Survey<25>,
    settings: SurveySettings,
    bed_um: &'a dyn Fn(f64, f64) -> f64,
    at: (i32, i32),
    z_um: i32,
    raised_um: f64,
    detents: u32,
}

impl<'a> Machine<'a> {
    fn new(plan: SurveyPlan<25>, settings: SurveySettings, bed_um: &'a dyn Fn(f64, f64) -> f64) -> Self {
        Self {
            survey: Survey::new(plan, settings, 5000).unwrap(),
            settings,
            bed_um,
            at: (0, 0),
            z_um: 5000,
            raised_um: 0.0,
            detents: 0,
        }
    }

    fn gap_at(&self, x_um: f64, y_um: f64) -> f64 {
        f64::from(self.z_um) - (self.bed_um)(x_um, y_um) - self.raised_um
    }

    fn gap_um(&self) -> f64 {
        self.gap_at(self.at.0.into(), self.at.1.into())
    }

    /// Carries out orders until the survey waits for a person or is over.
    fn carry_out(&mut self, mut order: Order) -> Result<Order, String> {
        loop {
            match order {
                Order::Lift { z_um } => {
                    if z_um < self.z_um {
                        return Err(format!("a lift from {} down to {z_um}", self.z_um));
                    }
                    self.z_um = z_um;
                    self.is_above("lifted")?;
                }
                Order::Travel { x_um, y_um } => {
                    let ((x0_um, y0_um), to) = (self.at, (x_um, y_um));
                    let (along_x_um, along_y_um) = (f64::from(x_um - x0_um), f64::from(y_um - y0_um));
                    let samples = (along_x_um.hypot(along_y_um) / SAMPLE_UM).ceil().max(1.0);
                    for sample in 0..=samples as u32 {
                        let share = f64::from(sample) / samples;
                        let (x_um, y_um) =
                            (f64::from(x0_um) + along_x_um * share, f64::from(y0_um) + along_y_um * share);
                        let gap_um = self.gap_at(x_um, y_um);
                        if gap_um <= 0.0 {
                            return Err(format!("travels {gap_um} um above the bed at {x_um}, {y_um}"));
                        }
                    }
                    self.at = to;
                }
                Order::Approach { z_um } => {
                    self.z_um = z_um;
                    self.is_above("approached")?;
                }
                Order::Step { .. } => return Err("a step that nobody turned".to_string()),
                Order::Stop => {}
                order => return Ok(order),
            }
            order = self.survey.handle(SurveyEvent::Arrived);
        }
    }

    fn is_above(&self, what: &str) -> Result<(), String> {
        let gap_um = self.gap_um();
        if gap_um > 0.0 { Ok(()) } else { Err(format!("{what} to {gap_um} um above the bed at {:?}", self.at)) }
    }

    /// Warms up, soaks and goes to the first station.
    fn begin(&mut self) -> Result<Order, String> {
        let SurveySettings { bed_temperature_c: bed_c, nozzle_temperature_c: nozzle_c, soak_s, .. } = self.settings;
        let _ = self.survey.handle(SurveyEvent::Temperature { bed_c, nozzle_c, at_s: 0 });
        let _ = self.survey.handle(SurveyEvent::Temperature { bed_c, nozzle_c, at_s: soak_s.into() });
        self.event(SurveyEvent::Pressed)
    }

    /// The nozzle meets the switch, is lifted off it, and the bed is raised by the headroom.
    fn meet_the_switch(&mut self) -> Result<(), String> {
        self.event(SurveyEvent::LimitSwitch { is_tripped: true })?;
        let lift = self.survey.handle(SurveyEvent::Pressed);
        let _ = self.survey.handle(SurveyEvent::LimitSwitch { is_tripped: false });
        self.carry_out(lift)?;
        let by_um = self.settings.headroom_um;
        if self.survey.prompt() != (Prompt::RaiseBed { by_um, is_told: false }) {
            return Err(format!("{:?}", self.survey.prompt()));
        }
        self.event(SurveyEvent::ScrewTurned)?;
        self.raised_um += f64::from(by_um);
        self.begin_again()
    }

    /// Hands off, and on to the first station.
    fn begin_again(&mut self) -> Result<(), String> {
        self.event(SurveyEvent::Pressed)?;
        self.event(SurveyEvent::Pressed).map(drop)
    }

    fn event(&mut self, event: SurveyEvent) -> Result<Order, String> {
        let order = self.survey.handle(event);
        self.carry_out(order)
    }

    /// Turns the knob, and looks at the step that follows.
    fn turn(&mut self, detents: i16) -> Result<(), String> {
        let SurveySettings { detent_um, coarse_um, feeler_um, lowest_um, .. } = self.settings;
        let (before_um, gap_um) = (self.z_um, self.gap_um());
        let order = self.survey.handle(SurveyEvent::Turned { detents });
        if detents == 0 && order == Order::Wait {
            return Ok(());
        }
        let Order::Step { z_um } = order else { return Err(format!("{order:?} for a turn")) };
        let _ = self.survey.handle(SurveyEvent::Arrived);
        self.z_um = z_um;
        self.detents += u32::from(detents.unsigned_abs());
        let downwards_um = detent_um.max(coarse_um.min(feeler_um));
        let furthest_um = i32::from(detents) * i32::from(if detents < 0 { downwards_um } else { detent_um });
        let allowed = furthest_um.min(0)..=furthest_um.max(0);
        if z_um < lowest_um || !allowed.contains(&(z_um - before_um)) {
            return Err(format!("{detents} detents from {before_um} to {z_um} um, not below {lowest_um} um"));
        }
        // Whoever felt nothing does not meet the bed with the next detent.
        if detents == -1 && detent_um <= feeler_um && gap_um > f64::from(feeler_um) && self.gap_um() <= 0.0 {
            return Err(format!("one detent from {gap_um} um above the bed to {} um", self.gap_um()));
        }
        Ok(())
    }

    /// Turns the knob until the paper drags.
    fn set(&mut self) -> Result<(), String> {
        let off_um = |machine: &Self| machine.gap_um() - f64::from(machine.settings.feeler_um);
        let half_a_detent_um = f64::from(self.settings.detent_um) / 2.0;
        for _ in 0..PATIENCE {
            if off_um(self).abs() <= half_a_detent_um {
                return Ok(());
            }
            self.turn(if off_um(self) > 0.0 { -1 } else { 1 })?;
        }
        Err(format!("the knob does not reach the bed at {:?}: {} um off", self.at, off_um(self)))
    }
}

/// A ridge between two stations or over one of them: a cosine along X of the wavelength given.
fn ridge(low_um: f64, rise_um: f64, wavelength_um: f64) -> impl Fn(f64, f64) -> f64 {
    move |x_um, _| low_um + rise_um / 2.0 * (1.0 - (2.0 * PI * (x_um - 20_000.0) / wavelength_um).cos())
}

/// Own arithmetic: from one column of stations to the next a bed rises by up to 2 mm and falls again, or it does so
/// between two columns, where no reading can tell.
#[test]
fn a_bed_that_rises_between_stations_is_not_met() {
    let pitch_um = f64::from(STATIONS.pitch_x_um);
    let mut failures = Vec::new();
    for rise_um in [300, 400, 500, 700, 1000, 1500, 2000] {
        for (shape, wavelength_um) in [("over every second column", 2.0 * pitch_um), ("between columns", pitch_um)] {
            let bed_um = ridge(-500.0, rise_um.into(), wavelength_um);
            let plan = SurveyPlan::new(STATIONS).unwrap().with_middles().unwrap();
            if let Err(what) = measure(plan, SurveySettings::default(), &bed_um) {
                failures.push(format!("rise of {rise_um} um {shape}: {what}"));
            }
        }
    }
    assert!(failures.is_empty(), "{failures:#?}");
}

/// A whole survey without a mistake; the detents of each visit.
fn measure(
    plan: SurveyPlan<25>,
    settings: SurveySettings,
    bed_um: &dyn Fn(f64, f64) -> f64,
) -> Result<Vec<u32>, String> {
    let mut machine = Machine::new(plan, settings, bed_um);
    machine.begin()?;
    let mut visits = Vec::new();
    while machine.survey.prompt() != (Prompt::Done { closure_um: 0 }) {
        machine.detents = 0;
        machine.set()?;
        visits.push(machine.detents);
        machine.event(SurveyEvent::Pressed)?;
    }
    Ok(visits)
}

/// Own arithmetic, on a flat bed at the zero: 190 fine detents from 2 mm to the paper at the first station; then 32 of
/// 50 um to 0.4 mm and 30 of 10 um, where it would be 190 again without the coarse ones.
#[test]
fn coarse_steps_spare_the_hand_its_way_through_air() {
    let flat = |_, _| 0.0;
    let plan = || SurveyPlan::new(STATIONS).unwrap();
    let visits = measure(plan(), SurveySettings::default(), &flat).unwrap();
    assert_eq!(visits, [[190].as_slice(), &[62; 9]].concat());
    let fine = measure(plan(), SurveySettings { coarse_um: 0, ..SurveySettings::default() }, &flat).unwrap();
    assert_eq!(fine, [190; 10]);
}

/// A machine that stands at the second station of a bed at the zero, with the first one read.
fn at_the_second(settings: SurveySettings) -> Machine<'static> {
    let mut machine = Machine::new(SurveyPlan::new(STATIONS).unwrap(), settings, &|_, _| 0.0);
    machine.begin().unwrap();
    machine.set().unwrap();
    assert_eq!(machine.event(SurveyEvent::Pressed), Ok(Order::Wait));
    machine
}

#[test]
fn a_detent_is_coarse_down_to_where_a_bed_is_expected_and_until_the_knob_is_turned_up() {
    let is_coarse = |machine: &Machine<'_>| matches!(machine.survey.prompt(), Prompt::SetGap { is_coarse: true, .. });
    let mut machine = at_the_second(SurveySettings { coarse_um: 70, ..SurveySettings::default() });
    let mut heights_um = vec![(machine.z_um, is_coarse(&machine))];
    for detents in [-1, -10, -100, -1, 3, -1] {
        machine.turn(detents).unwrap();
        heights_um.push((machine.z_um, is_coarse(&machine)));
    }
    // However far the knob was turned, it stops at 300 um above the reading of 100 um.
    let expected_um =
        [(2000, true), (1930, true), (1230, true), (400, false), (390, false), (420, false), (410, false)];
    assert_eq!(heights_um, expected_um);

    // Something was felt at 1650 um already: fine steps from there on.
    let mut machine = at_the_second(SurveySettings { coarse_um: 70, ..SurveySettings::default() });
    for (detents, z_um) in [(-5, 1650), (1, 1660), (-1, 1650), (-100, 650)] {
        machine.turn(detents).unwrap();
        assert_eq!(machine.z_um, z_um);
    }
    // The wrong way from where it waits is nothing felt.
    let mut machine = at_the_second(SurveySettings { coarse_um: 70, ..SurveySettings::default() });
    for (detents, z_um) in [(5, 2050), (-1, 1980)] {
        machine.turn(detents).unwrap();
        assert_eq!(machine.z_um, z_um);
    }
    // Never more than the feeler; without one, or with a step that is none, always fine.
    for (feeler_um, coarse_um, z_um) in [(60, 5000, 1940), (0, 50, 1990), (100, 0, 1990), (100, 5, 1990)] {
        let mut machine = at_the_second(SurveySettings { feeler_um, coarse_um, ..SurveySettings::default() });
        machine.turn(-1).unwrap();
        assert_eq!(machine.z_um, z_um, "{feeler_um} {coarse_um}");
    }
}

/// A reading that is far too low, with the nozzle pressed into the bed, lowers nothing.
#[test]
fn a_reading_that_is_too_low_brings_the_nozzle_no_nearer() {
    let mut machine = at_the_second(SurveySettings::default());
    machine.turn(-200).unwrap();
    machine.turn(-120).unwrap();
    assert_eq!(machine.z_um, -800);
    assert_eq!(machine.event(SurveyEvent::Pressed), Ok(Order::Wait));
    assert_eq!(machine.z_um, 2000);
}

#[test]
fn the_nozzle_is_off_the_bed_when_all_is_done() {
    let mut machine = at_the_second(SurveySettings::default());
    while !matches!(machine.survey.prompt(), Prompt::Done { .. }) {
        machine.set().unwrap();
        machine.event(SurveyEvent::Pressed).unwrap();
    }
    assert_eq!(machine.z_um, 4000);
}

/// Stopped anywhere on its way down to where it waits, the nozzle goes up from there, also if the highest reading, and
/// with it the height of travels, has gone meanwhile.
#[test]
fn a_lift_goes_up_from_anywhere_on_the_way_down() {
    for event in [SurveyEvent::LimitSwitch { is_tripped: true }, SurveyEvent::ScrewTurned, SurveyEvent::Abort] {
        let mut machine = at_the_second(SurveySettings { lift_um: 500, ..SurveySettings::default() });
        machine.turn(20).unwrap();
        assert_eq!(machine.survey.handle(SurveyEvent::Pressed), Order::Lift { z_um: 3000 });
        assert!(matches!(machine.survey.handle(SurveyEvent::Arrived), Order::Travel { .. }));
        assert_eq!(machine.survey.handle(SurveyEvent::Arrived), Order::Approach { z_um: 2500 });
        let mut order = machine.survey.handle(event);
        if order == Order::Stop {
            assert_eq!(machine.survey.handle(SurveyEvent::Arrived), Order::Wait);
            order = machine.survey.handle(SurveyEvent::Pressed);
        }
        assert_eq!(order, Order::Lift { z_um: 3000 }, "{event:?}");
    }
}

#[test]
fn a_bed_that_was_raised_takes_the_start_with_it() {
    let mut machine = at_the_second(SurveySettings { headroom_um: 700, ..SurveySettings::default() });
    for start_um in [2700, 3400] {
        machine.meet_the_switch().unwrap();
        assert_eq!(machine.z_um, start_um);
    }
    // Screws turned without need are the person's own business.
    assert_eq!(machine.event(SurveyEvent::ScrewTurned), Ok(Order::Wait));
    machine.begin_again().unwrap();
    assert_eq!(machine.z_um, 3400);
}

/// Up to the largest height of a grid, and never down on a turn upwards.
#[test]
fn the_knob_ends_where_readings_end() {
    let settings = SurveySettings { start_um: 8000, clearance_um: 500, lift_um: 0, ..SurveySettings::default() };
    let mut machine = Machine::new(SurveyPlan::new(STATIONS).unwrap(), settings, &|_, _| 0.0);
    machine.begin().unwrap();
    for _ in 0..3 {
        machine.turn(1000).unwrap();
        machine.event(SurveyEvent::Pressed).unwrap();
    }
    assert_eq!((machine.z_um, machine.survey.height_um(1, 0)), (8191, Some(8091)));
}

/// What somebody does at a station, well or not.
#[derive(Clone, Copy, Debug)]
enum Hand {
    Sets,
    /// By so many detents, the paper forgotten.
    Turns(i16),
    /// The wrong way at first.
    UpFirst(i16),
    /// Into the bed, and takes that for the reading.
    Overshoots(i16),
    PressesEarly,
    GoesBack,
    MeetsTheSwitch,
    TurnsScrews,
}

fn any_hand() -> impl Strategy<Value = Hand> {
    prop_oneof![
        12 => Just(Hand::Sets),
        2 => (-300..300_i16).prop_map(Hand::Turns),
        1 => any::<i16>().prop_map(Hand::Turns),
        2 => (1..60_i16).prop_map(Hand::UpFirst),
        2 => (1..200_i16).prop_map(Hand::Overshoots),
        1 => Just(Hand::PressesEarly),
        2 => Just(Hand::GoesBack),
        1 => Just(Hand::MeetsTheSwitch),
        1 => Just(Hand::TurnsScrews),
    ]
}

impl Machine<'_> {
    fn act(&mut self, hand: Hand) -> Result<(), String> {
        match hand {
            Hand::Sets => self.set()?,
            Hand::Turns(detents) => return self.turn(detents),
            Hand::UpFirst(detents) => {
                self.turn(detents)?;
                self.set()?;
            }
            Hand::Overshoots(detents) => {
                self.set()?;
                self.turn(-detents)?;
            }
            Hand::PressesEarly => {}
            Hand::GoesBack => return self.event(SurveyEvent::Back).map(drop),
            Hand::MeetsTheSwitch => return self.meet_the_switch(),
            Hand::TurnsScrews => {
                self.event(SurveyEvent::ScrewTurned)?;
                return self.begin_again();
            }
        }
        self.event(SurveyEvent::Pressed).map(drop)
    }
}

/// Everything that the survey says it can do: the bed is below the start by more than the feeler, and no lower than it
/// can be set.
fn any_settings() -> impl Strategy<Value = SurveySettings> {
    let heights = (-1500..0_i32, 500..3000_i32, 0..1000_u16, 0..3000_u16, 1..700_u16);
    (heights, 20..400_u16, 5..40_u16, 0..500_u16).prop_map(
        |((lowest_um, start_um, clearance_um, lift_um, headroom_um), feeler_um, detent_um, coarse_um)| SurveySettings {
            lowest_um,
            start_um,
            clearance_um,
            lift_um,
            headroom_um,
            feeler_um,
            detent_um: detent_um.min(feeler_um),
            coarse_um,
            ..SurveySettings::default()
        },
    )
}

/// Stations in any order.
fn any_plan() -> impl Strategy<Value = SurveyPlan<25>> {
    let size = (2..6_u8, 2..6_u8, 5_000..60_000_u32, 5_000..60_000_u32);
    (size, any::<bool>()).prop_flat_map(|((columns, rows, pitch_x_um, pitch_y_um), middles)| {
        let lattice = Lattice { pitch_x_um, pitch_y_um, columns, rows, ..STATIONS };
        let plan = SurveyPlan::<25>::new(lattice).unwrap();
        let plan = if middles { plan.with_middles().unwrap_or(plan) } else { plan };
        Just(plan.order().to_vec()).prop_shuffle().prop_map(move |order| plan.clone().with_order(&order).unwrap())
    })
}

fn cases() -> u32 {
    std::env::var("PROPTEST_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(64)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    /// Over any plate and whatever the hand does, the machine itself never brings the nozzle to the bed, and a hand
    /// that does it well reaches every station.
    #[test]
    fn the_machine_never_meets_the_bed(
        plan in any_plan(), settings in any_settings(), hands in prop::collection::vec(any_hand(), 0..60),
        // Tilt and twist, a bow, and waves between the stations.
        shape in prop::array::uniform7(-1500.0..1500.0_f64), waves in (3_000.0..200_000.0_f64, 3_000.0..200_000.0_f64),
    ) {
        let feeler_um = f64::from(settings.feeler_um);
        let (lowest_um, highest_um) =
            (f64::from(settings.lowest_um) - feeler_um, f64::from(settings.start_um) - feeler_um - 1.0);
        let bed_um = |x_um: f64, y_um: f64| {
            let (u, v) = ((x_um - 100_000.0) / 100_000.0, (y_um - 100_000.0) / 100_000.0);
            let [level, x, y, xy, xx, yy, wave] = shape;
            let height_um = level + x * u + y * v + xy * u * v + xx * u * u + yy * v * v
                + wave * (x_um / waves.0).sin() * (y_um / waves.1).cos();
            height_um.clamp(lowest_um, highest_um)
        };
        let mut machine = Machine::new(plan, settings, &bed_um);
        let run = || {
            machine.begin()?;
            for hand in hands {
                match machine.survey.prompt() {
                    Prompt::SetGap { .. } | Prompt::LookAgain { .. } => machine.act(hand)?,
                    Prompt::Closure { .. } => {
                        if matches!(hand, Hand::GoesBack) {
                            // All stations anew.
                            machine.event(SurveyEvent::Back)?;
                        }
                        machine.event(SurveyEvent::Pressed)?;
                    }
                    Prompt::Done { .. } => break,
                    prompt => return Err(format!("{prompt:?}")),
                }
            }
            Ok(())
        };
        let found: Result<(), String> = run();
        prop_assert!(found.is_ok(), "{}", found.unwrap_err());
    }
}
