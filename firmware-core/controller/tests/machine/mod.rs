//! A machine around the controller: motors that take time, and a hand that measures.

#![allow(dead_code, reason = "each test uses what it needs")]

use std::collections::VecDeque;

use gapkeeper::{
    HeightGrid, Keeper, KeeperSettings, Lattice, Point, Prompt, StoredGrid, Surface, SurveyEvent, SurveyPlan,
    SurveySettings,
};
use gapkeeper_controller::{Controller, ControllerKeeper, Motors, Progress};

pub const STATIONS: Lattice =
    Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 150_000, pitch_y_um: 140_000, columns: 2, rows: 2 };

/// Where the axes stand after homing.
pub const HOME: Point = Point { x_um: 0, y_um: 0, z_um: 1_000 };

/// Motors with a queue: a piece is gone when a tick is given, half of it at a time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SlowMotors {
    /// Where the axes really are.
    pub at: Point,
    /// Where the piece under way began.
    pub from: Point,
    pub queue: VecDeque<Point>,
    pub is_half_way: bool,
    /// With ticks of its own the machine stands still only when they are given; else at once.
    pub is_slow: bool,
    /// Ends of all pieces taken.
    pub pieces: Vec<Point>,
    pub homings: u32,
    pub stops: u32,
    pub is_off: bool,
}

impl SlowMotors {
    /// Goes half a piece further.
    pub fn tick(&mut self) {
        let Some(&end) = self.queue.front() else { return };
        if self.is_half_way {
            self.at = end;
            self.queue.pop_front();
        } else {
            let half = |from: i32, to: i32| from + (to - from) / 2;
            self.from = self.at;
            self.at = Point {
                x_um: half(self.at.x_um, end.x_um),
                y_um: half(self.at.y_um, end.y_um),
                z_um: half(self.at.z_um, end.z_um),
            };
        }
        self.is_half_way = !self.is_half_way;
    }
}

impl Motors for SlowMotors {
    fn piece(&mut self, end: Point, _extruded_nm: i32, _feed_nm_min: u64) {
        self.pieces.push(end);
        self.queue.push_back(end);
        if !self.is_slow {
            self.queue.clear();
            self.at = end;
        }
    }

    fn is_still(&mut self) -> bool {
        self.queue.is_empty()
    }

    fn stop(&mut self) -> Point {
        self.queue.clear();
        self.is_half_way = false;
        self.stops += 1;
        self.at
    }

    fn home(&mut self) -> Point {
        self.queue.clear();
        self.is_half_way = false;
        self.homings += 1;
        self.at = HOME;
        HOME
    }

    fn switch_off(&mut self) {
        while !self.queue.is_empty() {
            self.tick();
        }
        self.is_off = true;
    }
}

pub type Machine = Controller<SlowMotors>;

/// A machine that has just been switched on.
pub fn machine() -> Machine {
    let keeper: ControllerKeeper = Keeper::without_memory(KeeperSettings::default()).unwrap();
    Controller::new(keeper, SlowMotors::default())
}

pub fn run(machine: &mut Machine, lines: &[&str]) {
    for line in lines {
        machine.line(line.as_bytes()).unwrap_or_else(|refusal| panic!("{line}: {refusal}"));
    }
}

/// A grid of four heights for a bed of 60 °C, the highest on the right.
pub fn grid(heights_um: [i16; 4]) -> StoredGrid<25> {
    StoredGrid {
        grid: HeightGrid::new(STATIONS, &heights_um).unwrap(),
        shift_um: 0,
        fade: None,
        bed_temperature_c: 60,
        setup: 0,
        closure_um: 0,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    }
}

pub fn settings() -> SurveySettings {
    SurveySettings {
        bed_temperature_c: 60,
        nozzle_temperature_c: 200,
        soak_s: 0,
        detent_um: 10,
        coarse_um: 0,
        outlier_limit_um: 8_000,
        ..SurveySettings::default()
    }
}

pub fn begin(machine: &mut Machine) -> Progress {
    run(machine, &["M140 S60", "M104 S200"]);
    let progress = machine.begin_survey(SurveyPlan::new(STATIONS).unwrap(), settings()).unwrap();
    machine.temperature(60, 200, 10);
    progress
}

/// Lets the machine go on until nothing moves.
pub fn come_to_rest(machine: &mut Machine) -> Progress {
    loop {
        let progress = machine.attend();
        if machine.motors().is_still() {
            return progress;
        }
        machine.motors().tick();
    }
}

pub fn prompt(machine: &mut Machine) -> Option<Prompt> {
    machine.keeper().status().prompt
}

/// Measures a whole bed at these heights, row by row from the front left.
pub fn measure(machine: &mut Machine, heights_um: [i16; 4]) {
    begin(machine);
    loop {
        let pressed = machine.survey(SurveyEvent::Pressed).unwrap();
        let progress = if pressed == Progress::Moves { come_to_rest(machine) } else { pressed };
        if progress == Progress::Measured {
            return;
        }
        assert_eq!(progress, Progress::Waits);
        if matches!(prompt(machine), Some(Prompt::Closure { .. })) {
            continue;
        }
        let at = machine.machine();
        let index = usize::from(at.x_um > STATIONS.x0_um) + 2 * usize::from(at.y_um > STATIONS.y0_um);
        let detents = (i32::from(heights_um[index]) + 100 - at.z_um) / 10;
        assert!(matches!(prompt(machine), Some(Prompt::SetGap { is_turned: false, .. })), "{:?}", prompt(machine));
        machine.survey(SurveyEvent::Turned { detents: detents as i16 }).unwrap();
        come_to_rest(machine);
    }
}
