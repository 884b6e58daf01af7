//! Whole lives of the example controller: lines sound and unsound, events at any time, motors that are slow.
//!
//! Watched from outside: what the motors do, and whether the controller is as it was after a refusal. What is in force, and in
//! the memory, is the matter of the keeper's own lives.

use gapkeeper::{
    Fade, HeightGrid, Keeper, KeeperSettings, Lattice, Order, Point, Prompt, StoredGrid, Surface, SurveyEvent,
    SurveyPlan, SurveySettings,
};
use gapkeeper_controller::{Controller, ControllerKeeper, Motors, Progress};

use super::Found;
use super::apply::{Verdict, hold};
use super::machine::{Flaws, SlowMotors};
use crate::media::Random;

/// What a controller does wrong, so that it must be caught.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Blunder {
    /// It homes although the rest of the line is refused.
    HomesWhenRefused,
    /// It stays relative although the rest of the line is refused.
    StaysRelativeWhenRefused,
    /// It says that the axes have arrived while they move.
    ArrivesEarly,
    /// It does not stop.
    NeverStops,
    /// After homing a survey goes on where it was.
    GoesOnAfterHoming,
    /// What a survey orders next is begun whatever the switch says.
    HidesSwitch,
}

impl Blunder {
    /// All.
    pub const ALL: [Self; 6] = [
        Self::HomesWhenRefused,
        Self::StaysRelativeWhenRefused,
        Self::ArrivesEarly,
        Self::NeverStops,
        Self::GoesOnAfterHoming,
        Self::HidesSwitch,
    ];
}

type Machine = Controller<SlowMotors>;

const STATIONS: Lattice =
    Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 150_000, pitch_y_um: 140_000, columns: 2, rows: 2 };

const CALLS: usize = 500;

/// Surely above the bed.
const START_UM: i32 = 500;
const LOWEST_UM: i32 = -300;

/// What is done in these lives.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ControllerFigures {
    /// Calls of the controller.
    pub calls: u64,
    /// Lines that were done, and those that were refused.
    pub lines: [u64; 2],
    /// Surveys that ended with a grid.
    pub surveys: u64,
    /// Surveys that were aborted.
    pub aborts: u64,
    /// Moves along a corrected surface.
    pub corrected: u64,
}

struct Life {
    machine: Machine,
    random: Random,
    blunder: Option<Blunder>,
    is_homed: bool,
    is_tripped: bool,
    is_measuring: bool,
    /// A hand has started motion that may go on by itself.
    is_released: bool,
    now_s: u32,
    figures: ControllerFigures,
}

/// Lines that a controller does, in millimetres.
const SOUND: [&str; 14] = [
    "G28",
    "G1 X50 Y60 Z0.2 F6000",
    "G1 X10 Y10 Z2 E0.5",
    "G0 X100 Y120 Z5",
    "G91 G1 X1.5 Y-0.25",
    "G90",
    "G2 X40 Y40 I10 J10",
    "G3 I-5 J0",
    "M140 S60",
    "M104 S200",
    "M82",
    "M83 G1 X70 E1",
    "G92 E0",
    "G1 Z0.31",
];

/// And those that it must refuse, wherever it stands.
const UNSOUND: [&str; 14] = [
    "G28 G999",
    "G91 G5",
    "G1 X9999999",
    "G1 Xabc",
    "G92 X0",
    "G28 G1 X5",
    "G1 X1 X2",
    "G2 X10 Y10 R0",
    "G90 G91",
    "M140 S99999",
    "G1 X5 #",
    "M84 G28",
    "M83 G1 X5 E99999999",
    "G91 G2 X1 I0 J0",
];

/// Lives one life of a controller to its end.
///
/// # Errors
/// [`Found`], if a promise is broken.
pub fn live_controller(seed: u64, blunder: Option<Blunder>, prints: bool) -> Result<ControllerFigures, Found> {
    let random = Random(seed.wrapping_mul(0x9E37_79B9) ^ 0xC0);
    let fade = Fade::new(400, 8000).ok().filter(|_| seed.is_multiple_of(2));
    let settings = KeeperSettings { fade, ..KeeperSettings::default() };
    let flaws =
        Flaws { says_still: blunder == Some(Blunder::ArrivesEarly), never_stops: blunder == Some(Blunder::NeverStops) };
    let motors = SlowMotors::new(Point { x_um: 0, y_um: 0, z_um: 1000 }, flaws);
    let keeper: Result<ControllerKeeper, _> = Keeper::without_memory(settings);
    let found = |step, what: String| Found { seed, step, what };
    let keeper = keeper.map_err(|error| found(0, error.to_string()))?;
    let mut life = Life {
        machine: Controller::new(keeper, motors),
        random,
        blunder,
        is_homed: false,
        is_tripped: false,
        is_measuring: false,
        is_released: false,
        now_s: 0,
        figures: ControllerFigures::default(),
    };
    for step in 0..CALLS {
        let doing = life.step(prints).map_err(|what| found(step, what))?;
        if prints {
            println!("{step:4} {doing}: {:?} {:?}", life.prompt(), life.machine.motors().at);
        }
        life.figures.calls += 1;
    }
    life.ends_well().map_err(|what| found(CALLS, what))?;
    Ok(life.figures)
}

impl Life {
    fn prompt(&mut self) -> Option<Prompt> {
        self.machine.keeper().status().prompt
    }

    /// Does one thing and judges it; what it was.
    fn step(&mut self, prints: bool) -> Result<String, String> {
        let before = self.machine.clone();
        let pieces = self.machine.motors().pieces;
        let doing = self.choose();
        if prints {
            println!("     {doing:?}");
        }
        let mut by_hand = false;
        match doing {
            Doing::Line(line) => self.line(&before, &line)?,
            Doing::Event(event) => {
                let hands = [SurveyEvent::Pressed, SurveyEvent::Back, SurveyEvent::Enough, SurveyEvent::Abort];
                by_hand = hands.contains(&event) || matches!(event, SurveyEvent::Turned { detents } if detents != 0);
                self.event(&before, event)?;
            }
            Doing::Attend => {
                let progress = self.machine.attend();
                self.ended(progress);
            }
            Doing::Tick => {
                // The main loop attends before much time has gone.
                let progress = self.machine.attend();
                self.ended(progress);
                for _ in 0..=self.random.below(12) {
                    self.tick()?;
                }
            }
            Doing::BeginSurvey => self.begin_survey(&before)?,
            Doing::Temperature(bed_c, nozzle_c) => {
                self.now_s += 10;
                self.machine.temperature(bed_c, nozzle_c, self.now_s);
            }
            Doing::Adopt => self.adopt(),
        }
        let moved = self.machine.motors().pieces != pieces;
        if self.is_measuring {
            hold(!moved || by_hand || self.is_released, "motion that no hand asked for")?;
            hold(self.is_homed, "a survey without positions")?;
        }
        // What was started by hand goes on until the machine waits for a hand again.
        let prompt = self.prompt();
        let goes_on = matches!(
            prompt,
            Some(Prompt::Moving { .. } | Prompt::Lifting | Prompt::SetGap { .. } | Prompt::LookAgain { .. })
        );
        self.is_released = goes_on && (self.is_released || by_hand);
        hold(self.is_measuring == prompt.is_some(), "a survey that began or ended by itself")?;
        self.places_agree()?;
        Ok(format!("{doing:?}", doing = prompt.is_some()))
    }

    fn choose(&mut self) -> Doing {
        let random = &mut self.random;
        let kind = random.below(100);
        if kind == 0 {
            return Doing::Line(any_line(random));
        }
        if kind == 1 {
            return Doing::Event(any_event(random));
        }
        if !self.machine.motors().stand() && kind < 90 {
            return if kind.is_multiple_of(2) { Doing::Tick } else { Doing::Attend };
        }
        let Some(prompt) = self.machine.keeper().status().prompt else {
            let random = &mut self.random;
            if !self.is_homed {
                return Doing::Line("G28".to_string());
            }
            return match random.below(10) {
                0..4 => Doing::Line(SOUND[random.below(SOUND.len())].to_string()),
                4 => Doing::Line(UNSOUND[random.below(UNSOUND.len())].to_string()),
                5 => Doing::Adopt,
                6 => Doing::Temperature(60, 200),
                _ => Doing::BeginSurvey,
            };
        };
        let random = &mut self.random;
        match prompt {
            Prompt::Heat { .. } | Prompt::Soak { .. } => Doing::Temperature(59 + random.below(3) as i16, 200),
            Prompt::SetGap { z_um, is_turned, .. } | Prompt::LookAgain { z_um, is_turned, .. } => {
                match (is_turned, random.below(8)) {
                    (_, 7) if random.below(4) == 0 => Doing::Event(SurveyEvent::Enough),
                    (true, 0..5) => Doing::Event(SurveyEvent::Pressed),
                    (_, 5) => Doing::Attend,
                    _ => {
                        let detents = (100 + 10 * random.below(12) as i32 - z_um) / 10;
                        Doing::Event(SurveyEvent::Turned { detents: if detents == 0 { 1 } else { detents as i16 } })
                    }
                }
            }
            Prompt::Moving { .. } | Prompt::Lifting => Doing::Attend,
            Prompt::SwitchTripped { .. } if self.is_tripped && random.below(2) == 0 => {
                Doing::Event(SurveyEvent::LimitSwitch { is_tripped: false })
            }
            Prompt::TurnScrews { is_told: false, .. } => Doing::Event(
                [SurveyEvent::ScrewTurned, SurveyEvent::ScrewTurned, SurveyEvent::Back, SurveyEvent::Enough]
                    [random.below(4)],
            ),
            Prompt::RaiseBed { is_told: false, .. } => {
                Doing::Event(if random.below(2) == 0 { SurveyEvent::ScrewTurned } else { SurveyEvent::Back })
            }
            _ => Doing::Event(SurveyEvent::Pressed),
        }
    }

    fn line(&mut self, before: &Machine, line: &str) -> Verdict {
        let result = match self.blunder {
            Some(Blunder::GoesOnAfterHoming) if line == "G28" && self.is_measuring => {
                self.machine.motors().home();
                Ok(())
            }
            Some(Blunder::StaysRelativeWhenRefused) if line.starts_with("G91") => {
                self.machine.line(line.as_bytes()).or_else(|error| self.machine.line(b"G91").and(Err(error)))
            }
            Some(Blunder::HomesWhenRefused) if line.starts_with("G28") => {
                self.machine.line(line.as_bytes()).or_else(|error| self.machine.line(b"G28").and(Err(error)))
            }
            _ => self.machine.line(line.as_bytes()),
        };
        self.figures.lines[usize::from(result.is_err())] += 1;
        if result.is_err() {
            return hold(self.machine == *before, "a refused line changed something");
        }
        hold(!UNSOUND.contains(&line), "a line that must be refused was done")?;
        let before = before.clone().motors().clone();
        let moved = self.machine.motors().pieces != before.pieces;
        let homes = self.machine.motors().homings != before.homings;
        let homed = self.machine.keeper().status().homed;
        hold(!moved || self.is_homed && !self.is_measuring, "a line moved the axes where none may")?;
        if homes || !homed {
            self.is_measuring = false;
        }
        self.is_homed = homed;
        if moved && self.machine.keeper().correction_in_force().is_some() {
            self.figures.corrected += 1;
        }
        Ok(())
    }

    fn event(&mut self, before: &Machine, event: SurveyEvent) -> Verdict {
        if let SurveyEvent::LimitSwitch { is_tripped } = event {
            self.is_tripped = is_tripped;
            if self.blunder == Some(Blunder::HidesSwitch) {
                return Ok(());
            }
        }
        if let SurveyEvent::Temperature { at_s, .. } = event {
            self.now_s = at_s;
        }
        match self.machine.survey(event) {
            Ok(progress) => self.ended(progress),
            Err(_) => {
                hold(!self.is_measuring, "an event of the survey was refused")?;
                hold(self.machine == *before, "a refused event changed something")?;
            }
        }
        Ok(())
    }

    fn ended(&mut self, progress: Progress) {
        match progress {
            Progress::Measured => (self.is_measuring, self.figures.surveys) = (false, self.figures.surveys + 1),
            Progress::Aborted => (self.is_measuring, self.figures.aborts) = (false, self.figures.aborts + 1),
            Progress::Waits | Progress::Moves => {}
        }
    }

    fn begin_survey(&mut self, before: &Machine) -> Verdict {
        let (columns, rows) = if self.random.below(8) == 0 { (3, 3) } else { (2, 2) };
        let lattice = Lattice {
            pitch_x_um: 150_000 / (u32::from(columns) - 1),
            pitch_y_um: 140_000 / (u32::from(rows) - 1),
            columns,
            rows,
            ..STATIONS
        };
        let plan = SurveyPlan::new(lattice).map_err(|error| error.to_string())?;
        let plan = if columns == 3 { plan.with_middles().map_err(|error| error.to_string())? } else { plan };
        let places = [(20_000, 20_000), (170_000, 20_000), (170_000, 160_000)];
        let plan = match self.random.below(3) {
            0 => plan.with_corner_round(places).map_err(|error| error.to_string())?,
            _ => plan,
        };
        let settings = SurveySettings {
            corner_limit_um: 60,
            bed_temperature_c: 60,
            nozzle_temperature_c: 200,
            soak_s: 0,
            coarse_um: 0,
            start_um: START_UM,
            lift_um: 300,
            clearance_um: 100,
            lowest_um: LOWEST_UM,
            ..SurveySettings::default()
        };
        let stands = self.machine.motors().is_still();
        match self.machine.begin_survey(plan, settings) {
            Ok(_) => {
                hold(self.is_homed && !self.is_measuring && stands, "a survey begun where none may be")?;
                self.is_measuring = true;
                Ok(())
            }
            Err(_) => {
                hold(!self.is_homed || self.is_measuring || !stands, "a survey was refused")?;
                hold(self.machine == *before, "a refused survey changed something")
            }
        }
    }

    fn adopt(&mut self) {
        let mut height_um = |_: u8, _: u8| self.random.below(400) as i32 - 100;
        let Ok(grid) = HeightGrid::from_fn(STATIONS, &mut height_um) else { return };
        let stored = StoredGrid {
            grid,
            shift_um: 0,
            fade: None,
            bed_temperature_c: 60,
            setup: 0,
            closure_um: 0,
            closure_accepted: false,
            surface: Surface::Refined,
            tie: None,
        };
        // Refused where it may not be; that is the matter of the keeper's own lives.
        let _ = self.machine.keeper().adopt(stored);
    }

    /// The motors go a little further, where they may.
    fn tick(&mut self) -> Verdict {
        // A step that was ordered goes to its end though the nozzle cools down meanwhile.
        let is_setting =
            matches!(self.prompt(), Some(Prompt::SetGap { .. } | Prompt::LookAgain { .. } | Prompt::Heat { .. }));
        let (is_measuring, is_tripped) = (self.is_measuring, self.is_tripped);
        let motors = self.machine.motors();
        let Some(from) = motors.tick() else { return Ok(()) };
        let to = motors.at;
        hold(!motors.is_off, "motion with the motors off")?;
        if !is_measuring {
            return Ok(());
        }
        let is_level = (from.x_um, from.y_um) == (to.x_um, to.y_um);
        hold(is_level || from.z_um >= START_UM, "a travel too low")?;
        hold(to.z_um >= LOWEST_UM, "lower than the lowest height")?;
        hold(to.z_um >= from.z_um.min(START_UM) || is_setting, "lowered beyond the start without the knob")?;
        hold(!is_tripped || is_level && to.z_um >= from.z_um, "motion while the switch is tripped")
    }

    /// Where the controller thinks the machine is, it is, or will be.
    fn places_agree(&mut self) -> Verdict {
        if !self.machine.motors().stand() || !self.is_homed {
            return Ok(());
        }
        let (at, said, logical) = (self.machine.motors().at, self.machine.machine(), self.machine.logical());
        hold(at == said, "the machine is not where the controller thinks")?;
        let machine_z_um = match self.machine.keeper().correction_in_force() {
            Some(correction) => correction.machine_z_um(logical.x_um, logical.y_um, logical.z_um),
            None => logical.z_um,
        };
        hold(
            machine_z_um.abs_diff(at.z_um) <= 1 && (logical.x_um, logical.y_um) == (at.x_um, at.y_um),
            "a logical place that is another",
        )
    }

    /// Abort, let it come to rest, and the machine takes moves.
    fn ends_well(&mut self) -> Verdict {
        if self.is_measuring {
            let progress = self.machine.survey(SurveyEvent::Abort).map_err(|error| error.to_string())?;
            self.ended(progress);
        }
        for _ in 0..200 {
            let progress = self.machine.attend();
            self.ended(progress);
            self.machine.motors().tick();
        }
        hold(!self.is_measuring && self.machine.keeper().order_due() == Order::Wait, "an abort that does not end")?;
        if !self.is_homed {
            self.machine.line(b"G28").map_err(|error| error.to_string())?;
        }
        self.machine.line(b"G90 G1 X50 Y50 Z5 F6000").map_err(|error| error.to_string())
    }
}

/// One thing that is done.
#[derive(Clone, Debug, PartialEq)]
enum Doing {
    Line(String),
    Event(SurveyEvent),
    Attend,
    Tick,
    BeginSurvey,
    Temperature(i16, i16),
    Adopt,
}

/// A line as it is, or with a byte changed.
fn any_line(random: &mut Random) -> String {
    let line = match random.below(3) {
        0 => "M84",
        1 => SOUND[random.below(SOUND.len())],
        _ => UNSOUND[random.below(UNSOUND.len())],
    };
    let mut bytes = line.as_bytes().to_vec();
    if random.below(3) == 0 {
        let at = random.below(bytes.len());
        bytes[at] = b"0123456789GMXYZ .-"[random.below(18)];
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

fn any_event(random: &mut Random) -> SurveyEvent {
    match random.below(9) {
        0 => SurveyEvent::Turned { detents: random.below(60) as i16 - 40 },
        1 => SurveyEvent::Pressed,
        2 => SurveyEvent::Back,
        3 => SurveyEvent::Abort,
        4 | 5 => SurveyEvent::LimitSwitch { is_tripped: random.below(2) == 0 },
        6 => SurveyEvent::ScrewTurned,
        7 => SurveyEvent::Enough,
        _ => SurveyEvent::Temperature { bed_c: [60, 25, -273][random.below(3)], nozzle_c: 200, at_s: 1 << 20 },
    }
}
