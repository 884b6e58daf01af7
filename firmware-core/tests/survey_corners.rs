//! The corner round: stations nearest to the screws, advice, hands off, again; then the survey. And what goes wrong in it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{
    Hold, Lattice, Order, Prompt, Screw, Survey, SurveyEvent, SurveyPlan, SurveySettings, TramAdvice, TramError,
};

const STATIONS: Lattice =
    Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };

const SCREWS: [Screw; 4] =
    [screw(20_000, 20_000), screw(200_000, 20_000), screw(200_000, 180_000), screw(20_000, 180_000)];

const fn screw(x_um: i32, y_um: i32) -> Screw {
    Screw { x_um, y_um, thread_um_per_turn: 700 }
}

fn plan() -> SurveyPlan<25> {
    let places = SCREWS.map(|screw| (screw.x_um, screw.y_um));
    SurveyPlan::new(STATIONS).unwrap().with_middles().unwrap().with_corner_round(places).unwrap()
}

fn settings() -> SurveySettings {
    SurveySettings { soak_s: 0, detent_um: 1, coarse_um: 0, corner_limit_um: 30, ..SurveySettings::default() }
}

/// A thin plate on four screws, which bows by 0.2 mm, and somebody who does what is asked.
struct Machine {
    survey: Survey<25>,
    /// Heights at the screws, by their number.
    screws_um: [i32; 4],
    at: (i32, i32),
    z_um: i32,
}

impl Machine {
    fn new(settings: SurveySettings, screws_um: [i32; 4]) -> Self {
        let survey = Survey::new(plan(), settings, 5000).unwrap();
        let mut machine = Self { survey, screws_um, at: (0, 0), z_um: 5000 };
        let _ = machine.event(SurveyEvent::Temperature { bed_c: 20, nozzle_c: 20, at_s: 0 });
        machine
    }

    fn bed_um(&self, x_um: i32, y_um: i32) -> i32 {
        let (u, v) = (f64::from(x_um - 20_000) / 180_000.0, f64::from(y_um - 20_000) / 160_000.0);
        let [a, b, c, d] = self.screws_um.map(f64::from);
        let plate = (1.0 - v) * (a + (b - a) * u) + v * (d + (c - d) * u);
        (plate + 800.0 * u * (1.0 - u)).round() as i32
    }

    /// Carries out what comes of an event; what the machine waits with then.
    fn event(&mut self, event: SurveyEvent) -> Order {
        let mut order = self.survey.handle(event);
        loop {
            match order {
                Order::Lift { z_um } => {
                    assert!(z_um >= self.z_um, "a lift goes up");
                    self.z_um = z_um;
                }
                Order::Travel { x_um, y_um } => self.at = (x_um, y_um),
                Order::Approach { z_um } => {
                    assert!(z_um > self.bed_um(self.at.0, self.at.1), "waits above the bed");
                    self.z_um = z_um;
                }
                Order::Step { z_um } => self.z_um = z_um,
                Order::Stop => {}
                order => return order,
            }
            order = self.survey.handle(SurveyEvent::Arrived);
        }
    }

    fn read(&mut self) -> Order {
        let detents = self.bed_um(self.at.0, self.at.1) + 100 - self.z_um;
        let _ = self.event(SurveyEvent::Turned { detents: detents as i16 });
        self.event(SurveyEvent::Pressed)
    }

    /// Goes to the first corner and reads all of them.
    fn read_corners(&mut self) {
        assert!(
            matches!(self.survey.prompt(), Prompt::Ready { visits: 4, is_corner: true }),
            "{:?}",
            self.survey.prompt()
        );
        assert_eq!(self.event(SurveyEvent::Pressed), Order::Wait);
        for (visit, screw) in (1..).zip(&SCREWS) {
            assert_eq!(self.at, (screw.x_um, screw.y_um));
            assert!(matches!(
                self.survey.prompt(),
                Prompt::SetGap { visit: v, visits: 4, is_corner: true, .. } if v == visit
            ));
            assert_eq!(self.read(), Order::Wait);
        }
    }

    fn advice(&self) -> TramAdvice {
        TramAdvice::new(self.survey.corner_heights().unwrap(), &SCREWS, Hold::Screw(0)).unwrap()
    }

    /// Turns the screws as advised, and two steps of hands off.
    fn turn_as_advised(&mut self) {
        assert_eq!(self.event(SurveyEvent::ScrewTurned), Order::Wait);
        // It is there while the screws are being turned.
        let advice = self.advice();
        for (height_um, turn) in self.screws_um.iter_mut().zip(advice.screws()) {
            *height_um += turn.raise_um;
        }
        assert_eq!(self.event(SurveyEvent::Pressed), Order::Wait);
    }

    /// With all corners read, too far apart.
    fn at_advice() -> Self {
        let mut machine = Self::new(settings(), [0, 150, -40, 90]);
        machine.read_corners();
        assert_eq!(
            machine.survey.prompt(),
            Prompt::TurnScrews { apart_um: 190, limit_um: 30, is_told: false },
            "{}",
            machine.survey.prompt()
        );
        machine
    }

    fn survey_all(&mut self) {
        assert_eq!(self.event(SurveyEvent::Pressed), Order::Wait);
        for visit in 1..=14 {
            assert!(matches!(
                self.survey.prompt(),
                Prompt::SetGap { visit: v, visits: 14, is_corner: false, .. } if v == visit
            ));
            assert_eq!(self.read(), if visit == 14 { Order::Done } else { Order::Wait });
        }
    }
}

/// Four corners that lie anywhere: tilt and twist are taken out at once, the bow stays, and the grid is of what was left.
#[test]
fn a_bed_on_four_screws_is_trammed_and_then_measured() {
    let mut machine = Machine::at_advice();
    let advice = machine.advice();
    assert!(advice.takes_out_twist());
    assert_eq!(advice.screws().iter().map(|turn| turn.raise_um).collect::<Vec<_>>(), [0, -150, 40, -90]);
    machine.turn_as_advised();
    machine.read_corners();
    // The lowest corner lies at 0, and nothing goes below −1000.
    assert_eq!(machine.survey.prompt(), Prompt::Trammed { apart_um: 0, headroom_um: 1000, visits: 14 });
    assert_eq!(machine.survey.corner_heights(), None);
    machine.survey_all();
    let grid = machine.survey.result(3).unwrap();
    assert_eq!((grid.setup, grid.grid.nodes_um()[0], grid.grid.nodes_um()[2]), (3, 0, 200));
    assert!(grid.grid.nodes_um().iter().all(|&um| (0..=201).contains(&um)), "{:?}", grid.grid.nodes_um());
}

#[test]
fn a_bed_within_the_limit_is_measured_at_once() {
    let mut machine = Machine::new(settings(), [0, 30, 10, 20]);
    machine.read_corners();
    assert_eq!(machine.survey.prompt(), Prompt::Trammed { apart_um: 30, headroom_um: 1000, visits: 14 });
    machine.survey_all();
    let mut machine = Machine::new(settings(), [0, 31, 10, 20]);
    machine.read_corners();
    assert!(matches!(machine.survey.prompt(), Prompt::TurnScrews { apart_um: 31, .. }));
}

/// Where the advice is shown, a press goes nowhere before somebody said that screws are turned.
#[test]
fn nothing_goes_on_before_the_screws_are_told_of() {
    let mut machine = Machine::at_advice();
    let told = |is_told| Prompt::TurnScrews { apart_um: 190, limit_um: 30, is_told };
    for event in [
        SurveyEvent::Pressed,
        SurveyEvent::Turned { detents: -5 },
        SurveyEvent::Turned { detents: 5 },
        SurveyEvent::Arrived,
        SurveyEvent::Temperature { bed_c: 5, nozzle_c: 20, at_s: 1 },
        SurveyEvent::Temperature { bed_c: 20, nozzle_c: 20, at_s: 2 },
        SurveyEvent::LimitSwitch { is_tripped: true },
        SurveyEvent::LimitSwitch { is_tripped: false },
    ] {
        assert_eq!(machine.survey.handle(event), Order::Wait, "{event:?}");
        assert_eq!(machine.survey.order_due(), Order::Wait);
        assert_eq!(machine.survey.prompt(), told(false), "{event:?}");
    }
    for event in [SurveyEvent::ScrewTurned, SurveyEvent::ScrewTurned, SurveyEvent::Enough] {
        assert_eq!(machine.survey.handle(event), Order::Wait, "{event:?}");
        assert_eq!(machine.survey.prompt(), told(true), "{event:?}");
    }
    // Then a press is for hands off, and another one goes; the bed has been cold meanwhile.
    assert_eq!(machine.survey.handle(SurveyEvent::Pressed), Order::Wait);
    assert!(matches!(machine.survey.prompt(), Prompt::Heat { .. }));
    let _ = machine.survey.handle(SurveyEvent::Temperature { bed_c: 20, nozzle_c: 20, at_s: 3 });
    assert_eq!(machine.survey.prompt(), Prompt::Ready { visits: 4, is_corner: true });
    assert!(matches!(machine.survey.handle(SurveyEvent::Pressed), Order::Lift { .. }));
}

#[test]
fn back_reads_the_corners_again_and_enough_leaves_the_screws_alone() {
    let mut machine = Machine::at_advice();
    assert_eq!(machine.event(SurveyEvent::Back), Order::Wait);
    machine.read_corners();
    assert_eq!(machine.event(SurveyEvent::Enough), Order::Wait);
    assert_eq!(machine.survey.prompt(), Prompt::Trammed { apart_um: 190, headroom_um: 960, visits: 14 });
    machine.survey_all();
    // Within the round too: the corner before is read again, and nothing is left out.
    let mut machine = Machine::new(settings(), [0; 4]);
    let _ = machine.event(SurveyEvent::Pressed);
    assert_eq!(machine.read(), Order::Wait);
    assert_eq!(machine.event(SurveyEvent::Enough), Order::Wait);
    assert!(matches!(machine.survey.prompt(), Prompt::SetGap { visit: 2, is_corner: true, .. }));
    assert_eq!(machine.event(SurveyEvent::Back), Order::Wait);
    assert!(matches!(machine.survey.prompt(), Prompt::SetGap { visit: 1, visits: 4, is_corner: true, .. }));
    assert_eq!(machine.at, (20_000, 20_000));
}

/// A screw turned the wrong way raises the bed by up to the height difference of the corners: the nozzle waits above that.
#[test]
fn the_nozzle_stays_above_screws_that_are_turned_the_wrong_way() {
    for screws_um in [[300, 500, -200, 100], [-900, 480, 480, 480]] {
        let mut machine = Machine::new(SurveySettings { start_um: 610, ..settings() }, screws_um);
        machine.read_corners();
        let advice = machine.advice();
        let hold_highest = TramAdvice::new(machine.survey.corner_heights().unwrap(), &SCREWS, Hold::Highest).unwrap();
        for (height_um, turn) in machine.screws_um.iter_mut().zip(hold_highest.screws()) {
            *height_um += turn.raise_um.max(-turn.raise_um);
        }
        drop(advice);
        // The highest one too, as far as any was advised.
        let most_um = hold_highest.screws().iter().map(|turn| turn.raise_um).max().unwrap();
        machine.screws_um = machine.screws_um.map(|_| 500.max(screws_um.into_iter().max().unwrap()) + most_um);
        assert_eq!(machine.event(SurveyEvent::ScrewTurned), Order::Wait);
        assert_eq!(machine.event(SurveyEvent::Pressed), Order::Wait);
        machine.read_corners();
    }
}

/// A turned screw at any later time brings the corner round back.
#[test]
fn a_screw_turned_during_the_survey_begins_with_the_corners_again() {
    for visits in 0..=14 {
        let mut machine = Machine::new(settings(), [0; 4]);
        machine.read_corners();
        for visit in 0..visits {
            if visit == 0 {
                let _ = machine.event(SurveyEvent::Pressed);
            } else {
                assert_eq!(machine.read(), Order::Wait);
            }
        }
        let at = (machine.at, machine.z_um);
        assert_eq!(machine.event(SurveyEvent::ScrewTurned), Order::Wait);
        assert_eq!((machine.at, machine.z_um), at, "telling moves nothing");
        if visits > 0 {
            assert_eq!(machine.survey.prompt(), Prompt::HandsOff);
            assert_eq!(machine.event(SurveyEvent::Pressed), Order::Wait);
        }
        machine.read_corners();
        machine.survey_all();
    }
}

/// Neither heat nor a trip on the way forgets that the bed was trammed; a bed that is raised is another one.
#[test]
fn what_voids_the_survey_keeps_the_trammed_bed_unless_screws_are_turned() {
    let mut machine = Machine::new(settings(), [0; 4]);
    machine.read_corners();
    let _ = machine.event(SurveyEvent::Pressed);
    let _ = machine.event(SurveyEvent::Temperature { bed_c: 40, nozzle_c: 20, at_s: 5 });
    assert!(matches!(machine.survey.prompt(), Prompt::BedTemperature { .. }));
    assert_eq!(machine.event(SurveyEvent::Pressed), Order::Wait);
    let _ = machine.event(SurveyEvent::Temperature { bed_c: 20, nozzle_c: 20, at_s: 6 });
    assert!(matches!(machine.survey.prompt(), Prompt::Trammed { .. }));

    let _ = machine.event(SurveyEvent::Pressed);
    let _ = machine.event(SurveyEvent::Turned { detents: -1500 });
    let _ = machine.event(SurveyEvent::LimitSwitch { is_tripped: true });
    let _ = machine.event(SurveyEvent::LimitSwitch { is_tripped: false });
    assert_eq!(machine.event(SurveyEvent::Pressed), Order::Wait);
    assert_eq!(machine.survey.prompt(), Prompt::RaiseBed { by_um: 500, is_told: false });
    assert_eq!(machine.event(SurveyEvent::ScrewTurned), Order::Wait);
    machine.screws_um = [500; 4];
    assert_eq!(machine.event(SurveyEvent::Pressed), Order::Wait);
    machine.read_corners();
    assert_eq!(machine.survey.prompt(), Prompt::Trammed { apart_um: 0, headroom_um: 1500, visits: 14 });
    machine.survey_all();
}

/// A step that is cut short by the telling ends anywhere on its way, here where the nozzle waited above high corners.
#[test]
fn a_lift_after_a_step_that_was_cut_short_goes_up_from_where_it_waited() {
    let settings = SurveySettings { start_um: 500, lift_um: 0, clearance_um: 2000, ..settings() };
    let mut machine = Machine::new(settings, [300; 4]);
    machine.read_corners();
    let _ = machine.event(SurveyEvent::Pressed);
    let waits_um = machine.z_um;
    assert_eq!(waits_um, 2400, "above the corners");
    assert!(matches!(machine.survey.handle(SurveyEvent::Turned { detents: -2000 }), Order::Step { .. }));
    assert_eq!(machine.survey.handle(SurveyEvent::ScrewTurned), Order::Stop);
    assert_eq!(machine.survey.handle(SurveyEvent::Arrived), Order::Wait);
    let Order::Lift { z_um } = machine.survey.handle(SurveyEvent::Pressed) else { panic!("no lift") };
    assert!(z_um >= waits_um, "{z_um}");
}

/// From every state of the round the way out is one lift at most.
#[test]
fn an_abort_ends_every_state_of_the_round() {
    let way: Vec<SurveyEvent> = {
        let arrived = [SurveyEvent::Arrived; 3];
        let mut way = vec![SurveyEvent::Pressed];
        way.extend(arrived);
        for detents in [-1900, -1750, -1940, -1810] {
            way.extend([SurveyEvent::Turned { detents }, SurveyEvent::Arrived, SurveyEvent::Pressed]);
            way.extend(arrived);
        }
        way.extend([SurveyEvent::ScrewTurned, SurveyEvent::Pressed, SurveyEvent::Pressed]);
        way
    };
    let mut prompts = Vec::new();
    for steps in 0..=way.len() {
        let mut machine = Machine::new(settings(), [0; 4]);
        for &event in &way[..steps] {
            let _ = machine.survey.handle(event);
        }
        prompts.push(machine.survey.prompt());
        match machine.survey.handle(SurveyEvent::Abort) {
            Order::Aborted => {}
            Order::Lift { .. } => assert_eq!(machine.survey.handle(SurveyEvent::Arrived), Order::Aborted),
            other => panic!("after {steps}: {other:?}"),
        }
        assert_eq!((machine.survey.prompt(), machine.survey.result(0)), (Prompt::Aborted, None));
    }
    for is_told in [false, true] {
        assert!(prompts.contains(&Prompt::TurnScrews { apart_um: 190, limit_um: 30, is_told }), "{prompts:?}");
    }
}

/// The caution names what is hot and asks for gloves while screws are turned.
#[test]
fn hands_at_the_screws_are_warned() {
    let settings = SurveySettings { bed_temperature_c: 60, nozzle_temperature_c: 200, ..settings() };
    let mut machine = Machine::new(settings, [0, 150, -40, 90]);
    let _ = machine.event(SurveyEvent::Temperature { bed_c: 60, nozzle_c: 200, at_s: 0 });
    machine.read_corners();
    assert_eq!(machine.survey.caution().unwrap().to_string(), "HOT 60/200 C: gloves");
}

/// Advice that cannot be given is no dead end: the round says why, and the screws can be left as they are.
#[test]
fn screws_far_from_the_stations_give_no_advice() {
    let mut machine = Machine::at_advice();
    let far = SCREWS.map(|screw| Screw { x_um: screw.x_um * 40, ..screw });
    let refused = TramAdvice::new(machine.survey.corner_heights().unwrap(), &far, Hold::Highest).unwrap_err();
    assert!(matches!(refused, TramError::ReadingsTooNarrow { .. } | TramError::ScrewTooFar { .. }), "{refused}");
    assert_eq!(machine.event(SurveyEvent::Enough), Order::Wait);
    machine.survey_all();
}

/// A detent goes far only where something of this setup says how high the bed is: the corners say it for the survey.
#[test]
fn corners_make_detents_coarse_until_a_screw_is_turned() {
    let mut machine = Machine::new(SurveySettings { coarse_um: 50, ..settings() }, [0; 4]);
    let is_coarse = |machine: &Machine| match machine.survey.prompt() {
        Prompt::SetGap { is_coarse, .. } => is_coarse,
        prompt => panic!("{prompt:?}"),
    };
    let read = |machine: &mut Machine| {
        for _ in 0..100 {
            let off_um = machine.bed_um(machine.at.0, machine.at.1) + 100 - machine.z_um;
            if off_um == 0 {
                break;
            }
            let detents = if is_coarse(machine) { (off_um / 50).min(-1) } else { off_um };
            let _ = machine.event(SurveyEvent::Turned { detents: detents as i16 });
        }
        machine.event(SurveyEvent::Pressed)
    };
    let _ = machine.event(SurveyEvent::Pressed);
    for corner in 0..4 {
        assert_eq!(is_coarse(&machine), corner > 0);
        assert_eq!(read(&mut machine), Order::Wait);
    }
    let _ = machine.event(SurveyEvent::Pressed);
    assert!(matches!(machine.survey.prompt(), Prompt::SetGap { visit: 1, is_corner: false, .. }));
    assert!(is_coarse(&machine), "the corners are known");
    let _ = machine.event(SurveyEvent::ScrewTurned);
    let _ = machine.event(SurveyEvent::Pressed);
    let _ = machine.event(SurveyEvent::Pressed);
    assert!(matches!(machine.survey.prompt(), Prompt::SetGap { visit: 1, is_corner: true, .. }));
    assert!(!is_coarse(&machine), "of another bed");
}
