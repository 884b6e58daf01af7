//! The example controller against the simulator: the whole demo job, every piece of every line.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use embedded_hal::digital::{ErrorType, InputPin};
use gapkeeper::panel::{ActiveLevel, DetentsPerCycle, Knob, LimitSwitch, PressButton};
use gapkeeper::{
    Choice, Fade, Keeper, KeeperSettings, Lattice, Point, Prompt, StoredGrid, Surface, SurveyEvent, SurveyPlan,
    SurveySettings,
};
use gapkeeper_controller::{Controller, ControllerKeeper, Motors, Panel};
use gapkeeper_tests::demo_job;

/// Writes down what it is told, and is there at once.
#[derive(Default)]
struct Recorder {
    at: Point,
    pieces: Vec<(Point, i32)>,
    homings: u32,
}

impl Motors for Recorder {
    fn piece(&mut self, end: Point, extruded_nm: i32, _feed_nm_min: u64) {
        self.at = end;
        self.pieces.push((end, extruded_nm));
    }

    fn is_still(&mut self) -> bool {
        true
    }

    fn stop(&mut self) -> Point {
        self.at
    }

    fn home(&mut self) -> Point {
        self.homings += 1;
        self.at = Point::default();
        self.at
    }

    fn switch_off(&mut self) {}
}

fn settings() -> KeeperSettings {
    KeeperSettings { fade: Some(Fade::new(400, 8000).unwrap()), ..KeeperSettings::default() }
}

/// A keeper that has the demo's bed in its bank, for the temperature of the job.
fn keeper(bed_c: i16) -> ControllerKeeper {
    let mut keeper: ControllerKeeper = Keeper::without_memory(settings()).unwrap();
    keeper.temperature(bed_c, 200, 0);
    keeper.homed();
    let stored = StoredGrid {
        grid: demo_job::bed(),
        shift_um: 0,
        fade: settings().fade,
        bed_temperature_c: bed_c,
        setup: 0,
        closure_um: 0,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    };
    keeper.adopt(stored).unwrap();
    keeper
}

#[test]
fn the_demo_job_gives_the_simulators_pieces_line_by_line() {
    let [plain_nm, scaled_nm] = [false, true].map(job_extrudes_nm);
    // The bed is high where the tray stands, so its layers above the first come out thinner.
    let change = scaled_nm as f64 / plain_nm as f64 - 1.0;
    println!("E of {plain_nm} nm becomes {scaled_nm} nm: {:.3} %", 100.0 * change);
    assert!((-0.02..-0.0005).contains(&change), "{change}");
}

/// Every piece of the job against the simulator's, with `E` scaled or as it is; all that `E` came to.
fn job_extrudes_nm(scale_flow: bool) -> i64 {
    let mut controller = Controller::new(keeper(60), Recorder::default());
    controller.scale_flow(scale_flow);
    let reference = keeper(60);
    let correction = reference.correction_in_force().unwrap();
    let (mut compared, mut number, mut extruded_nm) = (0, 0, 0);
    let lines = demo_job::for_each_line(correction, settings().tolerance_um, scale_flow, |line, expected| {
        number += 1;
        controller.line(line).unwrap_or_else(|refusal| panic!("line {number}: {refusal}"));
        let pieces = std::mem::take(&mut controller.motors().pieces);
        assert_eq!(pieces, expected, "line {number}: {}", String::from_utf8_lossy(line));
        compared += pieces.len();
        extruded_nm += pieces.iter().map(|&(_, extruded_nm)| i64::from(extruded_nm)).sum::<i64>();
    });
    println!("{compared} pieces of {lines} lines are equal");
    assert!(compared > 200_000 && lines > 40_000, "{compared} {lines}");
    assert_eq!(controller.motors().homings, 1);
    extruded_nm
}

/// A pin whose level is a shared cell.
struct Pin<'a>(&'a std::cell::Cell<bool>);

impl ErrorType for Pin<'_> {
    type Error = core::convert::Infallible;
}

impl InputPin for Pin<'_> {
    fn is_high(&mut self) -> Result<bool, Self::Error> {
        Ok(self.0.get())
    }

    fn is_low(&mut self) -> Result<bool, Self::Error> {
        Ok(!self.0.get())
    }
}

/// A whole survey at the panel: the knob is turned phase by phase, the button pressed and let go.
#[test]
fn a_survey_at_the_panel() {
    let [a, b, button, switch] = [const { std::cell::Cell::new(false) }; 4];
    let mut panel = Panel::new(
        Knob::new(Pin(&a), Pin(&b), DetentsPerCycle::One, std::num::NonZeroU8::MIN),
        PressButton::new(Pin(&button), ActiveLevel::High, 5).with_long_press(1000),
        LimitSwitch::new(Pin(&switch), ActiveLevel::High, 3),
    );
    let mut controller = Controller::new(Keeper::without_memory(settings()).unwrap(), Recorder::default());
    controller.line(b"M140 S60\n").unwrap();
    controller.line(b"M104 S200\n").unwrap();
    controller.line(b"G28\n").unwrap();
    let lattice =
        Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 150_000, pitch_y_um: 140_000, columns: 2, rows: 2 };
    let survey = SurveySettings {
        bed_temperature_c: 60,
        nozzle_temperature_c: 200,
        soak_s: 0,
        start_um: 300,
        detent_um: 20,
        ..SurveySettings::default()
    };
    controller.begin_survey(SurveyPlan::new(lattice).unwrap(), survey).unwrap();
    let mut now_ms = 0;
    let mut poll = |controller: &mut Controller<Recorder>, times: u32| {
        for _ in 0..times {
            now_ms += 1;
            if let Some(event) = panel.poll(now_ms).unwrap() {
                controller.survey(event).unwrap();
            }
            controller.attend();
        }
    };
    // The knob stands still until it knows its clicks.
    poll(&mut controller, 1_100);
    assert!(matches!(controller.keeper().status().prompt, Some(Prompt::Ready { .. })));
    button.set(true);
    poll(&mut controller, 20);
    button.set(false);
    poll(&mut controller, 20);
    for _ in 0..5 {
        assert!(matches!(controller.keeper().status().prompt, Some(Prompt::SetGap { .. })));
        // Ten detents down: 200 of the 300 um above the highest reading, then press.
        for _ in 0..10 {
            for (level_a, level_b) in [(false, true), (true, true), (true, false), (false, false)] {
                a.set(level_a);
                b.set(level_b);
                poll(&mut controller, 2);
            }
        }
        button.set(true);
        poll(&mut controller, 20);
        button.set(false);
        poll(&mut controller, 20);
    }
    // The nozzle waits above the highest reading so far, so the same ten detents end higher each time.
    assert!(matches!(controller.keeper().status().prompt, Some(Prompt::Closure { um: 400 })));
    button.set(true);
    poll(&mut controller, 20);
    button.set(false);
    poll(&mut controller, 20);
    let grid = controller.keeper().bank().grid(0).expect("four stations and the first once more");
    assert_eq!(grid.bed_temperature_c, 60);
    // 100 um at the first station, less the paper; row by row, while the visits go to and fro.
    assert_eq!(grid.grid.nodes_um(), [0, 100, 300, 200]);
    assert!(grid.closure_accepted);
    assert!(controller.keeper().correction_in_force().is_some());
    assert_eq!(controller.keeper().choice(), Choice::Nearest { place: 0, off_c: 0 });
    assert!(controller.survey(SurveyEvent::Pressed).is_err(), "no survey is under way any more");
}

#[test]
fn what_the_controller_does_not_know_does_not_move_it() {
    let mut controller = Controller::new(keeper(60), Recorder::default());
    controller.line(b"G1 X10 Y10 Z0.2 F600").unwrap();
    let before = controller.motors().pieces.len();
    for line in [&b"G20"[..], b"G987 X5", b"G1 Xabc", b"G92 X0", b"G2 X10 Y10 R0", b"G1 X9999999"] {
        assert!(controller.line(line).is_err(), "{}", String::from_utf8_lossy(line));
    }
    assert_eq!(controller.motors().pieces.len(), before);
    controller.line(b"M84").unwrap();
    assert!(controller.line(b"G1 X20").is_err(), "not homed any more");
}
