//! A long life of a machine: power cycles, temperatures, surveys, turned screws, jobs, and power cut at any instant.
//!
//! The life knows what the keeper cannot: which bed is really there. After every start it compares what the keeper
//! puts in force with that truth.

mod cells;
mod told;

use std::path::{Path, PathBuf};
use std::{fs, io};

use gapkeeper::memory::{ByteEeprom, Region};
use gapkeeper::record::max_record_size;
use gapkeeper::{
    Choice, Keeper, KeeperSettings, LoadError, Move, Order, Point, Prompt, SettingsError, Store, StoredGrid,
    SurveyEvent, SurveyPlan, SurveySettings, TemperatureWindows,
};
use gapkeeper_host_tools::{printed, write_atomically};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use crate::bed::{BedError, ModelledBed};
use crate::controller::CAPACITY;
use crate::core_settings::{keeper_settings, lowest_um, survey_plan, survey_settings, um};
use crate::scenario::Scenario;
use cells::{Cells, PowerCut};
pub use told::{Day, Fault, LifeCounts};

/// Most stations of a survey in a life.
const STATIONS: usize = 25;
/// Grids that are remembered.
const GRIDS: usize = 3;
const BUFFER: usize = max_record_size(STATIONS);
/// Room for a record and what the store adds to it.
const SLOT_BYTES: u32 = 256;
const SLOTS: u32 = 2 + 2 * GRIDS as u32;
const FIRST_ADDRESS: u32 = 64;
/// What the bytes before the slots, which no slot uses, say in every memory of a life.
const MARK: &[u8] = b"memory of a life, made by gapsim\n";
const MEMORY_BYTES: usize = (FIRST_ADDRESS + SLOTS * SLOT_BYTES) as usize;
/// Bed temperatures of the jobs.
const TEMPERATURES_C: [i16; 4] = [45, 60, 80, 100];
/// How much higher the middle of the plate stands for each degree.
const RISE_UM_PER_C: f64 = 2.0;
/// How near in temperature a grid is to hold as it is, and to be tied.
const NEAREST_C: u8 = 5;
/// Screws that can twist a plate: three hold any plane.
const TWISTING_SCREWS: usize = 4;
/// Ties take a grid no farther off than its whole survey left it: new readings of a hand of up to 20 µm, and their bow.
const TIED_OFF_UM: f64 = 150.0;

type LifeKeeper = Keeper<STATIONS, CAPACITY, GRIDS>;
type LifeStore<'a> = Store<ByteEeprom<&'a mut Cells>, STATIONS, BUFFER>;

/// Why a life cannot begin.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LifeError {
    /// The bed cannot be modelled.
    #[error(transparent)]
    Bed(#[from] BedError),
    /// The keeper could not keep to its settings.
    #[error("keeper: {0}")]
    Settings(#[from] SettingsError),
    /// The scenario's stations do not fit.
    #[error("survey.stations: a life remembers grids of up to {STATIONS} stations: use fewer")]
    Stations,
    /// The file that holds the memory cannot be read or written.
    #[error("{path}: {message}\n  check the folder, its free space and the rights to it")]
    Memory {
        /// The file.
        path: String,
        /// What is wrong.
        message: String,
    },
    /// The file that shall hold the memory holds something else.
    #[error("{path}: this is no memory of a life, and was left as it is\n  name a new file, or one of an earlier life")]
    NotOurs {
        /// The file.
        path: String,
    },
}

/// What is really the case.
struct Truth {
    /// How often screws were turned.
    setup: u32,
    /// How far the screws have raised the bed.
    raised_um: f64,
    /// How far the screws have raised the corners besides, two of them down.
    twist_um: f64,
    /// Every grid that was ever measured.
    measured: Vec<Measured>,
    /// A setup was stored: from then on the memory has always something to say.
    memory_begun: bool,
    /// Grids whose save was acknowledged, by place; `None` once something else may have taken the place.
    acknowledged: [Option<StoredGrid<STATIONS>>; GRIDS],
}

/// A grid that was measured.
struct Measured {
    /// The true setup.
    setup: u32,
    grid: StoredGrid<STATIONS>,
    /// How far off the bed its whole survey was at the worst node: what that did not see, no tie mends.
    whole_off_um: f64,
}

/// A life under way.
pub struct Life {
    bed: ModelledBed,
    plan: SurveyPlan<STATIONS>,
    screws_um: Vec<(i32, i32)>,
    middle_mm: [f64; 2],
    half_mm: [f64; 2],
    cells: Cells,
    memory: Option<PathBuf>,
    /// As it is made at every start, before it has read anything.
    unread: LifeKeeper,
    truth: Truth,
    generator: ChaCha8Rng,
    lowest_um: i32,
    /// How the scenario is measured.
    measuring: SurveySettings,
    counts: LifeCounts,
}

impl Life {
    /// A new machine with an erased memory; `memory` is the file that holds its bytes from day to day, if one shall. A
    /// memory of an earlier life in it is erased.
    ///
    /// # Errors
    /// [`LifeError`] if the scenario allows no life, or the file holds anything but the memory of one.
    pub fn new(scenario: &Scenario, seed: u64, memory: Option<PathBuf>) -> Result<Self, LifeError> {
        let plan = survey_plan(scenario, scenario.stations()).map_err(|_| LifeError::Stations)?;
        let lowest_um = lowest_um(scenario);
        let settings = KeeperSettings {
            windows: TemperatureWindows { nearest_c: NEAREST_C, blend_c: 60 },
            ..keeper_settings(scenario)
        };
        memory.as_deref().map_or(Ok(()), refuse_foreign)?;
        let mut cells = Cells::new(MEMORY_BYTES);
        cells.bytes.iter_mut().zip(MARK).for_each(|(cell, byte)| *cell = *byte);
        Ok(Self {
            bed: ModelledBed::new(scenario, scenario.warmth_measuring())?,
            plan,
            screws_um: scenario.bed.screws.iter().map(|screw| (um(screw.x_mm.0), um(screw.y_mm.0))).collect(),
            middle_mm: [scenario.bed.x_mm.middle(), scenario.bed.y_mm.middle()],
            half_mm: [scenario.bed.x_mm.length() / 2.0, scenario.bed.y_mm.length() / 2.0],
            cells,
            truth: Truth {
                setup: 0,
                raised_um: 0.0,
                twist_um: 0.0,
                measured: Vec::new(),
                memory_begun: false,
                acknowledged: [const { None }; GRIDS],
            },
            memory,
            unread: LifeKeeper::new(settings)?,
            generator: ChaCha8Rng::seed_from_u64(seed),
            lowest_um,
            measuring: survey_settings(scenario),
            counts: LifeCounts::default(),
        })
    }

    /// Counts so far.
    pub fn counts(&self) -> LifeCounts {
        let most_writes_of_a_byte = self.cells.writes.iter().copied().max().unwrap_or(0);
        LifeCounts { bytes_written: self.cells.written, most_writes_of_a_byte, ..self.counts }
    }

    /// Lives one day: a start of the controller, some work, and perhaps a power cut in the middle of it.
    ///
    /// # Errors
    /// [`LifeError::Memory`] if the file that holds the memory fails.
    pub fn day(&mut self, number: u32) -> Result<Day, LifeError> {
        let mut day = Day { number, cut_after_bytes: None, events: Vec::new(), faults: Vec::new() };
        // On every other day power will fail inside some write, if enough is written.
        let cut = self.chance(2).then(|| self.below(120));
        self.cells.left = cut;
        self.cells.torn = self.below(256) as u8;
        if self.live(&mut day).is_err() {
            self.counts.cuts += 1;
            day.cut_after_bytes = cut;
            day.events.push("power cut".to_string());
        }
        if let Some(path) = &self.memory {
            let error = |message: String| LifeError::Memory { path: printed::name(path), message };
            write_atomically(path, &self.cells.bytes).map_err(|cause| error(cause.to_string()))?;
            // What the next day finds is what the file holds, and nothing else.
            self.cells.bytes = fs::read(path).map_err(|cause| error(cause.to_string()))?;
        }
        Ok(day)
    }

    fn live(&mut self, day: &mut Day) -> Result<(), PowerCut> {
        let mut keeper = self.start(day)?;
        for _ in 0..1 + self.below(3) {
            match self.below(10) {
                0..=4 => self.job(&mut keeper, day),
                5..=7 => self.survey(&mut keeper, day)?,
                8 => self.turn_screws(&mut keeper, day)?,
                _ => self.shift(&mut keeper, day)?,
            }
        }
        Ok(())
    }

    /// Switches on: whatever was in memory is gone, only the cells are left. A memory in which no setup can be read is one
    /// that is new, or whose first start was cut short; the person knows which it is and confirms it.
    fn start(&mut self, day: &mut Day) -> Result<LifeKeeper, PowerCut> {
        self.counts.starts += 1;
        let mut keeper = self.unread.clone();
        let mut loaded = with_store(&mut self.cells, |store| keeper.load(store));
        if matches!(loaded, Ok(Err(LoadError::Blank | LoadError::Unexpected))) {
            if self.truth.memory_begun {
                day.faults.push(Fault::Lost);
            }
            day.events.push("memory confirmed".to_string());
            loaded = with_store(&mut self.cells, |store| keeper.begin_memory(store));
        }
        match loaded {
            Ok(Ok(report)) => {
                self.truth.memory_begun = true;
                self.counts.uncertain_setups += u32::from(report.setup_uncertain);
                let uncertain = if report.setup_uncertain { ", setup uncertain" } else { "" };
                day.events.push(format!("on: {} grids{uncertain}", report.grids));
                self.check_kept(&keeper, day);
                Ok(keeper)
            }
            // Nothing but the power fails here.
            Ok(Err(error)) => {
                day.events.push(format!("not loaded: {error}"));
                Err(PowerCut)
            }
            Err(error) => {
                day.events.push(format!("not loaded: {error}"));
                Err(PowerCut)
            }
        }
    }

    /// Whatever was acknowledged must be there.
    fn check_kept(&self, keeper: &LifeKeeper, day: &mut Day) {
        for (place, acknowledged) in self.truth.acknowledged.iter().enumerate() {
            if acknowledged.as_ref().is_some_and(|grid| keeper.bank().grid(place) != Some(grid)) {
                day.faults.push(Fault::Lost);
            }
        }
    }

    /// Heats, homes and runs a few moves; judges the grid in force.
    fn job(&mut self, keeper: &mut LifeKeeper, day: &mut Day) {
        // Mostly at a temperature of the jobs, sometimes in between.
        let bed_c = TEMPERATURES_C[self.below(4) as usize] + if self.chance(3) { self.below(14) as i16 } else { 0 };
        keeper.temperature(bed_c, 200, 0);
        let choice = keeper.homed();
        day.events.push(format!("job at {bed_c} C: {choice}"));
        match keeper.correction_in_force() {
            None => self.counts.uncorrected_jobs += 1,
            Some(_) => {
                self.counts.corrected_jobs += 1;
                self.judge(keeper, choice, bed_c, day);
            }
        }
        for _ in 0..8 {
            let mut coordinate = || -50_000 + self.below(400_000) as i32;
            let (x_um, y_um, to_x_um, to_y_um) = (coordinate(), coordinate(), coordinate(), coordinate());
            let z_um = self.below(1500) as i32 - 400;
            let motion = Move {
                start: Point { x_um, y_um, z_um },
                end: Point { x_um: to_x_um, y_um: to_y_um, z_um: z_um + self.below(500) as i32 },
                extra_start: [0],
                extra_end: [1000],
            };
            // A refusal is as good as a safe move.
            for piece in keeper.line(&motion).into_iter().flatten() {
                if piece.end.z_um < self.lowest_um {
                    day.faults.push(Fault::TooLow { z_um: piece.end.z_um });
                }
            }
        }
    }

    /// Compares the grid in force with what is really there.
    fn judge(&self, keeper: &LifeKeeper, choice: Choice, bed_c: i16, day: &mut Day) {
        let Ok(Some(chosen)) = keeper.bank().chosen(choice, bed_c) else {
            day.faults.push(Fault::Mixture);
            return;
        };
        // A shift is the user's own; the heights are what was measured.
        let same = |a: &StoredGrid<STATIONS>, b: &StoredGrid<STATIONS>| a.grid == b.grid;
        let sources = || match choice {
            Choice::Nearest { place, .. } => vec![keeper.bank().grid(place)],
            Choice::Blend { cooler, warmer, .. } => vec![keeper.bank().grid(cooler), keeper.bank().grid(warmer)],
            _ => Vec::new(),
        };
        for source in sources() {
            let mut setups = self
                .truth
                .measured
                .iter()
                .filter(|measured| source.is_some_and(|source| same(source, &measured.grid)))
                .map(|measured| measured.setup)
                .peekable();
            if setups.peek().is_none() {
                day.faults.push(Fault::Mixture);
            } else if !setups.any(|setup| setup == self.truth.setup) {
                day.faults.push(Fault::StaleApplied);
            }
        }
        if sources().is_empty() || chosen.grid.lattice() != self.plan.lattice() {
            day.faults.push(Fault::Mixture);
        }
    }

    fn survey(&mut self, keeper: &mut LifeKeeper, day: &mut Day) -> Result<(), PowerCut> {
        let bed_c = TEMPERATURES_C[self.below(4) as usize];
        keeper.temperature(bed_c, 200, 0);
        let settings = SurveySettings {
            bed_temperature_c: bed_c,
            nozzle_temperature_c: 200,
            soak_s: 0,
            // Turned screws take the bed anywhere.
            lowest_um: -4000,
            start_um: 2000,
            // This hand turns straight to the gap.
            coarse_um: 0,
            outlier_limit_um: 1000,
            ..self.measuring
        };
        keeper.homed();
        // After turned screws people often tie the old grid, where there is one.
        let tie = if self.chance(2) { keeper.plan_tie(bed_c, self.screws_um.iter().copied()).ok() } else { None };
        // How far off the bed the grid to tie was measured.
        let tied_off_um = tie.as_ref().map(|_| self.whole_off_um(keeper, bed_c));
        let what = if tie.is_some() { "tie" } else { "survey" };
        let Ok(mut order) = keeper.begin_survey(tie.unwrap_or_else(|| self.plan.clone()), settings, 5000) else {
            day.events.push(format!("{what} refused"));
            return Ok(());
        };
        let abort_at = self.chance(5).then(|| self.below(60));
        // The heaters time out; somebody switches them on again.
        let cools_at = self.chance(5).then(|| self.below(60));
        let (mut at, mut z_um) = ((0, 0), 5000);
        for step in 0.. {
            // Over already: nobody aborts it, and no bed that cools matters.
            if matches!(order, Order::Done | Order::Aborted) {
                break;
            }
            if cools_at == Some(step) {
                day.events.push("bed cools in mid-survey".to_string());
                keeper.temperature(bed_c - 20, 200, step);
                order = keeper.order_due();
            }
            let event = match order {
                _ if abort_at == Some(step) => SurveyEvent::Abort,
                Order::Lift { z_um: to } | Order::Approach { z_um: to } | Order::Step { z_um: to } => {
                    z_um = to;
                    SurveyEvent::Arrived
                }
                Order::Travel { x_um, y_um } => {
                    at = (x_um, y_um);
                    SurveyEvent::Arrived
                }
                Order::Wait => match keeper.status().prompt {
                    Some(Prompt::Heat { .. } | Prompt::Soak { .. }) => {
                        SurveyEvent::Temperature { bed_c, nozzle_c: 200, at_s: step }
                    }
                    Some(Prompt::SetGap { is_turned: false, .. } | Prompt::LookAgain { is_turned: false, .. }) => {
                        let error_um = f64::from(self.below(41)) - 20.0;
                        let gap_um = self.true_bed_um(at, bed_c) + f64::from(settings.feeler_um) + error_um;
                        let turn_um = gap_um - f64::from(z_um);
                        let detents = (turn_um / f64::from(settings.detent_um)).round() as i16;
                        SurveyEvent::Turned { detents }
                    }
                    _ => SurveyEvent::Pressed,
                },
                Order::Stop | Order::Done | Order::Aborted => SurveyEvent::Arrived,
            };
            match keeper.survey(event) {
                Ok(next) => order = next,
                Err(error) => {
                    day.events.push(format!("{what} at {bed_c} C: {error}"));
                    return Ok(());
                }
            }
        }
        if order == Order::Aborted {
            self.counts.aborted_surveys += 1;
            day.events.push(format!("{what} at {bed_c} C aborted"));
            return Ok(());
        }
        self.counts.surveys += 1;
        self.counts.ties += u32::from(tied_off_um.is_some());
        day.events.push(format!("{what} at {bed_c} C"));
        if let Some(grid) = (0..GRIDS)
            .filter_map(|place| keeper.bank().grid(place))
            .find(|grid| grid.bed_temperature_c == bed_c && Some(grid.setup) == keeper.setup())
        {
            let off_um = self.off_um(grid, bed_c);
            if tied_off_um.is_some() != grid.tie.is_some()
                || tied_off_um.is_some_and(|whole_off_um| off_um > whole_off_um + TIED_OFF_UM)
            {
                day.faults.push(Fault::TiedWrongly);
            }
            let whole_off_um = tied_off_um.unwrap_or(off_um);
            self.truth.measured.push(Measured { setup: self.truth.setup, grid: grid.clone(), whole_off_um });
        }
        self.save(keeper, day)
    }

    /// How far off the bed a grid is at its worst node.
    fn off_um(&self, grid: &StoredGrid<STATIONS>, bed_c: i16) -> f64 {
        let lattice = grid.grid.lattice();
        let nodes = (0..lattice.rows).flat_map(|row| (0..lattice.columns).map(move |column| (column, row)));
        let off_um = nodes.zip(grid.grid.nodes_um()).map(|((column, row), &height_um)| {
            (f64::from(height_um) - self.true_bed_um(lattice.node_um(column, row), bed_c)).abs()
        });
        off_um.fold(0.0, f64::max)
    }

    /// How far off the whole survey was of the grid that a tie starts from.
    fn whole_off_um(&self, keeper: &LifeKeeper, bed_c: i16) -> f64 {
        let place = keeper.setup().and_then(|setup| keeper.bank().place_to_tie(bed_c, setup, NEAREST_C));
        let old = place.and_then(|place| keeper.bank().grid(place));
        let is_old = |measured: &&Measured| {
            // Its shift may have changed since.
            old.is_some_and(|old| {
                old.bed_temperature_c == measured.grid.bed_temperature_c && old.grid == measured.grid.grid
            })
        };
        self.truth.measured.iter().rev().find(is_old).map_or(0.0, |measured| measured.whole_off_um)
    }

    /// The right order: remember first, then turn.
    fn turn_screws(&mut self, keeper: &mut LifeKeeper, day: &mut Day) -> Result<(), PowerCut> {
        // No survey is under way, so there is nothing to stop.
        let _ = keeper.screw_turned();
        self.save(keeper, day)?;
        self.counts.screw_turns += 1;
        self.truth.setup += 1;
        self.truth.raised_um = f64::from(self.below(400)) - 200.0;
        self.truth.twist_um =
            if self.screws_um.len() < TWISTING_SCREWS { 0.0 } else { f64::from(self.below(200)) - 100.0 };
        day.events.push("screws turned".to_string());
        Ok(())
    }

    fn shift(&mut self, keeper: &mut LifeKeeper, day: &mut Day) -> Result<(), PowerCut> {
        let steps = self.below(7) as i16 - 3;
        if let Ok(shift_um) = keeper.shift_by(steps) {
            day.events.push(format!("shift {shift_um:+} um"));
            return self.save(keeper, day);
        }
        Ok(())
    }

    fn save(&mut self, keeper: &mut LifeKeeper, day: &mut Day) -> Result<(), PowerCut> {
        // Until the answer is there, a place holds the old grid or the new one.
        for (place, acknowledged) in self.truth.acknowledged.iter_mut().enumerate() {
            if acknowledged.as_ref() != keeper.bank().grid(place) {
                *acknowledged = None;
            }
        }
        let saved = match with_store(&mut self.cells, |store| keeper.save(store)) {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(error.to_string()),
            Err(error) => Err(error),
        };
        match saved {
            Ok(()) => {
                for (place, acknowledged) in self.truth.acknowledged.iter_mut().enumerate() {
                    *acknowledged = keeper.bank().grid(place).cloned();
                }
                Ok(())
            }
            Err(error) => {
                day.events.push(format!("not saved: {error}"));
                Err(PowerCut)
            }
        }
    }

    fn true_bed_um(&self, (x_um, y_um): (i32, i32), bed_c: i16) -> f64 {
        // From -1 to 1 over the bed.
        let along = |axis: usize, um: i32| (f64::from(um) / 1000.0 - self.middle_mm[axis]) / self.half_mm[axis];
        let height_um = self.bed.height_um(f64::from(x_um) / 1000.0, f64::from(y_um) / 1000.0);
        let twist_um = self.truth.twist_um * along(0, x_um) * along(1, y_um);
        height_um
            + self.truth.raised_um
            + twist_um
            + RISE_UM_PER_C * f64::from(bed_c - 60) * f64::from(x_um) / 200_000.0
    }

    fn below(&mut self, count: u32) -> u32 {
        self.generator.next_u32() % count
    }

    fn chance(&mut self, one_in: u32) -> bool {
        self.below(one_in) == 0
    }
}

/// A file that is there must be the memory of a life: whatever else it holds would be lost.
fn refuse_foreign(path: &Path) -> Result<(), LifeError> {
    let name = || printed::name(path);
    let is_ours = match fs::metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => true,
        Ok(found) if found.is_file() && found.len() == MEMORY_BYTES as u64 => fs::read(path)
            .map_err(|cause| LifeError::Memory { path: name(), message: cause.to_string() })?
            .starts_with(MARK),
        Ok(_) => false,
        Err(cause) => return Err(LifeError::Memory { path: name(), message: cause.to_string() }),
    };
    if is_ours { Ok(()) } else { Err(LifeError::NotOurs { path: name() }) }
}

/// Does some work with the store; the error is that of the store itself, which this layout does not have.
fn with_store<T>(cells: &mut Cells, work: impl FnOnce(&mut LifeStore<'_>) -> T) -> Result<T, String> {
    let region = Region { first_address: FIRST_ADDRESS, slot_size: SLOT_BYTES, slot_count: SLOTS };
    let eeprom = ByteEeprom::new(cells, region).map_err(|error| error.to_string())?;
    let mut store = LifeStore::new(eeprom).map_err(|error| error.to_string())?;
    Ok(work(&mut store))
}

#[cfg(test)]
mod tests;
