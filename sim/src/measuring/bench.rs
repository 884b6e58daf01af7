//! A modelled machine to measure on: nozzle, bed that still settles, limit switch, clock, and the keeper in between.

use gapkeeper::{
    BedHeight, Hold, Keeper, KeeperError, KeeperSettings, Lattice, Order, PlanError, Point, Prompt, Screw, ScrewAdvice,
    SettingsError, SurveyEvent, SurveySettings, TieError, TramAdvice, TramError,
};

use crate::bed::{BedError, ModelledBed};
use crate::controller::CAPACITY;
use crate::core_settings::{keeper_settings, lowest_um, survey_plan, survey_settings, um, with_screws};
use crate::scenario::Scenario;

/// Where the nozzle stands before a survey.
const PARKED_UM: i32 = 5000;
/// Room below the limit switch that the knob may still ask for, so that the switch is met and not the end of the range.
const BELOW_SWITCH_UM: i32 = 100;
/// How often a bench says how warm it is.
const THERMOMETER_S: f64 = 5.0;
/// Speed of every travel on the bench.
const TRAVEL_MM_S: f64 = 50.0;
/// How finely travels are looked at for a bed in the way.
const SAMPLE_UM: f64 = 2000.0;

/// The keeper of the bench: as many stations as a grid may have, the densest grid in force, four grids remembered.
pub(crate) type BenchKeeper = Keeper<CAPACITY, CAPACITY, 4>;

/// Why nothing can be measured.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BenchError {
    /// The bed cannot be modelled.
    #[error(transparent)]
    Bed(#[from] BedError),
    /// There is no such plan of stations.
    #[error("stations: {0}")]
    Plan(PlanError),
    /// The keeper could not keep to its settings.
    #[error("keeper: {0}")]
    Settings(#[from] SettingsError),
    /// No advice for the corners that were read.
    #[error("corner round: {0}")]
    Tram(TramError),
    /// The keeper refuses.
    #[error("keeper: {0}")]
    Keeper(KeeperError),
    /// The bed is where the machine was to move by itself.
    #[error(
        "the nozzle was driven into the bed by {by_um:.0} um at X {x_mm:.1}, Y {y_mm:.1}: \
         a survey takes every bed for lower than {} um; lower the bed",
        SurveySettings::default().start_um
    )]
    Met {
        /// How far into it, at the first place where it was met.
        by_um: f64,
        /// Where.
        x_mm: f64,
        /// Where.
        y_mm: f64,
    },
    /// The tie was refused.
    #[error("tie: {0}")]
    Tie(TieError),
    /// The survey came to no end.
    #[error("the survey came to no end: look for a limit that can never be met")]
    Endless,
}

/// A machine to measure on.
pub struct Bench {
    /// As its screws stand now, but for what all of them were raised by.
    scenario: Scenario,
    bed: ModelledBed,
    middle_mm: [f64; 2],
    half_mm: [f64; 2],
    screws: Vec<Screw>,
    /// How far the screws have raised the bed since the scenario's own heights.
    raised_um: f64,
    settle_um: f64,
    settle_s: f64,
    warm_c: [i16; 2],
    switch_um: i32,
    nozzle: Point,
    clock_s: f64,
    said_s: f64,
    /// How the limit switch was told to stand.
    is_tripped: bool,
    keeper: BenchKeeper,
}

impl Bench {
    /// The scenario's machine, homed, its bed and nozzle just at their temperatures.
    ///
    /// # Errors
    /// [`BenchError`] if bed or keeper cannot be.
    pub fn new(scenario: &Scenario) -> Result<Self, BenchError> {
        Self::with_bed(scenario, ModelledBed::new(scenario, scenario.warmth_measuring())?)
    }

    /// The same with a bed that has been modelled already.
    ///
    /// # Errors
    /// [`BenchError::Settings`] if the keeper refuses the scenario's.
    pub(crate) fn with_bed(scenario: &Scenario, bed: ModelledBed) -> Result<Self, BenchError> {
        let switch_um = lowest_um(scenario);
        let settings = KeeperSettings { lowest_machine_z_um: switch_um - BELOW_SWITCH_UM, ..keeper_settings(scenario) };
        let mut keeper = BenchKeeper::without_memory(settings)?;
        keeper.homed();
        // From half a millimetre to a few, as threads go.
        let thread_um_per_turn = (scenario.bed.screw_pitch_mm.0 * 1000.0).round().min(65_535.0) as u16;
        let screw = |screw: &crate::scenario::Screw| Screw {
            x_um: um(screw.x_mm.0),
            y_um: um(screw.y_mm.0),
            thread_um_per_turn,
        };
        let measuring = &scenario.measuring;
        Ok(Self {
            scenario: scenario.clone(),
            bed,
            middle_mm: [scenario.bed.x_mm.middle(), scenario.bed.y_mm.middle()],
            half_mm: [scenario.bed.x_mm.length() / 2.0, scenario.bed.y_mm.length() / 2.0],
            screws: scenario.bed.screws.iter().map(screw).collect(),
            raised_um: 0.0,
            settle_um: measuring.settle_um.0,
            settle_s: measuring.settle_s.0,
            warm_c: [measuring.bed_temperature_c, measuring.nozzle_temperature_c],
            switch_um,
            nozzle: Point { x_um: 0, y_um: 0, z_um: PARKED_UM },
            clock_s: 0.0,
            said_s: 0.0,
            is_tripped: false,
            keeper,
        })
    }

    /// Begins a survey of the scenario's stations, or of others; or the tie of its old grid.
    ///
    /// # Errors
    /// [`BenchError`] if the stations make no plan or the keeper refuses.
    pub fn begin(&mut self, scenario: &Scenario, stations: Lattice) -> Result<Order, BenchError> {
        let settings = SurveySettings { lowest_um: self.switch_um - BELOW_SWITCH_UM, ..survey_settings(scenario) };
        let plan = survey_plan(scenario, stations).map_err(BenchError::Plan)?;
        if let Some(old) = &scenario.tie {
            self.keeper.adopt(old.grid.clone()).map_err(BenchError::Keeper)?;
            // Since it was measured; nothing moves.
            let _ = self.event(SurveyEvent::ScrewTurned)?;
        }
        self.keeper.begin_survey(plan, settings, self.nozzle.z_um).map_err(BenchError::Keeper)
    }

    /// The keeper.
    pub fn keeper(&self) -> &BenchKeeper {
        &self.keeper
    }

    /// What the survey asks for now.
    pub fn prompt(&self) -> Option<Prompt> {
        self.keeper.survey_under_way().map(gapkeeper::Survey::prompt)
    }

    /// Where the nozzle stands.
    pub fn nozzle(&self) -> Point {
        self.nozzle
    }

    /// Seconds since the bench was switched on.
    pub(crate) fn clock_s(&self) -> f64 {
        self.clock_s
    }

    /// Height of the bed above the machine's zero, now.
    pub fn bed_um(&self, x_um: i32, y_um: i32) -> f64 {
        let (x_mm, y_mm) = (f64::from(x_um) / 1000.0, f64::from(y_um) / 1000.0);
        let (u, v) = ((x_mm - self.middle_mm[0]) / self.half_mm[0], (y_mm - self.middle_mm[1]) / self.half_mm[1]);
        // What the middle has still to rise, in the form of a bow.
        let missing_um = self.settle_um * (-self.clock_s / self.settle_s).exp() * (1.0 - (u * u + v * v) / 2.0);
        self.bed.height_um(x_mm, y_mm) + self.raised_um - missing_um
    }

    /// True distance from the nozzle to the bed below it.
    pub fn gap_um(&self) -> f64 {
        f64::from(self.nozzle.z_um) - self.bed_um(self.nozzle.x_um, self.nozzle.y_um)
    }

    /// Lets time pass; bed and nozzle hold their temperatures.
    pub fn wait(&mut self, seconds: f64) {
        self.clock_s += seconds;
        self.say_temperatures();
    }

    /// Gives an event to the survey.
    ///
    /// # Errors
    /// [`BenchError::Keeper`] if the keeper refuses.
    pub fn event(&mut self, event: SurveyEvent) -> Result<Order, BenchError> {
        self.keeper.survey(event).map_err(BenchError::Keeper)
    }

    /// Moves as ordered, tells how the limit switch stands, and says that all has arrived, until the survey waits for a
    /// person or is over; the last order is returned.
    ///
    /// # Errors
    /// [`BenchError::Keeper`] if the keeper refuses, [`BenchError::Met`] if the bed is in the way of what the machine
    /// does by itself; the knob may bring the nozzle anywhere.
    pub fn carry_out(&mut self, mut order: Order) -> Result<Order, BenchError> {
        loop {
            let from = self.nozzle;
            match order {
                Order::Lift { z_um } | Order::Approach { z_um } | Order::Step { z_um } => self.nozzle.z_um = z_um,
                Order::Travel { x_um, y_um } => (self.nozzle.x_um, self.nozzle.y_um) = (x_um, y_um),
                // Whatever was under way had just ended.
                Order::Stop => {}
                Order::Wait | Order::Done | Order::Aborted => return Ok(order),
            }
            let along = |from: i32, to: i32| f64::from(from.abs_diff(to)) / 1000.0;
            let length_mm = along(from.x_um, self.nozzle.x_um).hypot(along(from.y_um, self.nozzle.y_um));
            self.clock_s += (length_mm + along(from.z_um, self.nozzle.z_um)) / TRAVEL_MM_S;
            // Straight up is the way out of the bed.
            if matches!(order, Order::Travel { .. } | Order::Approach { .. }) {
                self.look_for_bed(from)?;
            }
            if self.clock_s - self.said_s >= THERMOMETER_S {
                self.say_temperatures();
            }
            let is_tripped = self.nozzle.z_um <= self.switch_um;
            if is_tripped != self.is_tripped {
                self.is_tripped = is_tripped;
                if self.event(SurveyEvent::LimitSwitch { is_tripped })? == Order::Stop {
                    order = Order::Stop;
                    continue;
                }
            }
            order = self.event(SurveyEvent::Arrived)?;
        }
    }

    /// Looks along the straight path from a point to the nozzle for a bed in the way.
    fn look_for_bed(&self, from: Point) -> Result<(), BenchError> {
        let ends = |from: i32, to: i32| (f64::from(from), f64::from(to) - f64::from(from));
        let ((x_um, along_x_um), (y_um, along_y_um), (z_um, along_z_um)) =
            (ends(from.x_um, self.nozzle.x_um), ends(from.y_um, self.nozzle.y_um), ends(from.z_um, self.nozzle.z_um));
        let samples = (along_x_um.hypot(along_y_um) / SAMPLE_UM).ceil().max(1.0);
        // As many as two kilometres have at the most.
        for share in (0..=samples as u32).map(|sample| f64::from(sample) / samples) {
            let (x_um, y_um) = (x_um + along_x_um * share, y_um + along_y_um * share);
            let by_um = self.bed_um(x_um.round() as i32, y_um.round() as i32) - (z_um + along_z_um * share);
            if by_um > 0.0 {
                return Err(BenchError::Met { by_um, x_mm: x_um / 1000.0, y_mm: y_um / 1000.0 });
            }
        }
        Ok(())
    }

    /// Somebody says that screws are turned, which begins a new setup, and raises the bed at every screw.
    ///
    /// # Errors
    /// [`BenchError::Keeper`] if the keeper refuses.
    pub(crate) fn raise_bed(&mut self, by_um: f64) -> Result<Order, BenchError> {
        let order = self.event(SurveyEvent::ScrewTurned)?;
        self.raised_um += by_um;
        Ok(order)
    }

    /// Advice from the corners that were read, the highest of them held.
    ///
    /// # Errors
    /// [`TramError`] if screws or corners do not hold a plane; none where the corner round asks for no screws.
    pub(crate) fn corner_advice(&self) -> Option<Result<TramAdvice, TramError>> {
        let heights = self.keeper.survey_under_way()?.corner_heights()?;
        Some(self.tram_advice(&heights))
    }

    /// Somebody says that screws are turned, which begins a new setup, and raises the bed by so much at each.
    ///
    /// # Errors
    /// [`BenchError`] if the keeper refuses or such a bed cannot be modelled.
    pub(crate) fn turn_screws(&mut self, raised_um: &[f64]) -> Result<Order, BenchError> {
        let order = self.event(SurveyEvent::ScrewTurned)?;
        self.scenario = with_screws(self.scenario.clone(), raised_um);
        self.bed = ModelledBed::new(&self.scenario, self.scenario.warmth_measuring())?;
        Ok(order)
    }

    /// Tram advice from what has been measured, the highest corner held.
    ///
    /// # Errors
    /// [`TramError`] if screws or stations do not hold a plane; none before a grid is measured.
    pub(crate) fn tram_advice(&self, stations: &[BedHeight]) -> Result<TramAdvice, TramError> {
        TramAdvice::new(stations.iter().copied(), &self.screws, Hold::Highest)
    }

    fn say_temperatures(&mut self) {
        self.said_s = self.clock_s;
        self.keeper.temperature(self.warm_c[0], self.warm_c[1], self.clock_s as u32);
    }
}

/// One line of advice: which screw, which way, how far.
pub(crate) fn advice_line(advice: &ScrewAdvice, screw: &crate::scenario::Screw) -> String {
    format!("screw {advice} ({:+} um), at X {:.0} Y {:.0}", advice.raise_um, screw.x_mm.0, screw.y_mm.0)
}
