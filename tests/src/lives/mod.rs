//! Whole lives of a keeper: random sequences of every public call, with memories that fail, tear, lie once and answer late,
//! and people who press at any time, trip the switch, home again, abort, cut the power and let the heaters time out.
//!
//! A model of the truth stands beside each (`World`): how often screws were really turned, what was measured in which
//! setup and at which temperature, where the nozzle is. It judges every call by the six promises at the head of the
//! keeper's documentation. A life follows from its seed alone; one that breaks a promise prints how to live it again.
//!
//! What people are taken to do: they tell of a screw before they turn it, and turn it once that is saved, or stay beside the
//! machine until it is. They give up on a memory, and begin it anew, after loads that did not find what is stored.

mod apply;
mod chip;
mod controller;
mod judge;
mod machine;
mod measuring;
mod mistakes;
mod operator;
mod orders;
mod storing;
mod subject;
mod tie;
mod world;

use std::fmt;

use gapkeeper::{Correction, Fade, GridReturn, KeeperSettings, Order, Point};

use crate::media::Random;
pub use controller::{Blunder, ControllerFigures, live_controller};
pub use mistakes::{Mistake, Wrong};
pub use subject::{Real, Subject};

use chip::Chip;
use world::World;

/// A life that broke a promise.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// The life.
    pub seed: u64,
    /// Which call.
    pub step: usize,
    /// What was wrong, after which call.
    pub what: String,
}

impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "GAPKEEPER_REPLAY_LIFE={} call {}: {}", self.seed, self.step, self.what)
    }
}

/// What happened in lives without a fault.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Figures {
    /// Lives.
    pub lives: u64,
    /// Calls of the keeper.
    pub calls: u64,
    /// Surveys that ended with a grid.
    pub surveys: u64,
    /// Of those, with the middles of all cells.
    pub middles: u64,
    /// Surveys that were ties, and ties that were refused.
    pub ties: [u64; 2],
    /// Corner rounds that found the bed trammed, and those that asked for screws.
    pub corners: [u64; 2],
    /// Surveys that were aborted.
    pub aborts: u64,
    /// Rounds that were voided.
    pub voids: u64,
    /// Starts of the machine.
    pub starts: u64,
    /// Loads that succeeded, and those that did not.
    pub loads: [u64; 2],
    /// Saves that succeeded, and those that did not.
    pub saves: [u64; 2],
    /// Screws that were really turned.
    pub turns: u64,
    /// Moves along a corrected surface, and those of them along a blend.
    pub corrected: [u64; 2],
}

impl Figures {
    /// Both together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            lives: self.lives + other.lives,
            calls: self.calls + other.calls,
            surveys: self.surveys + other.surveys,
            middles: self.middles + other.middles,
            ties: [self.ties[0] + other.ties[0], self.ties[1] + other.ties[1]],
            corners: [self.corners[0] + other.corners[0], self.corners[1] + other.corners[1]],
            aborts: self.aborts + other.aborts,
            voids: self.voids + other.voids,
            starts: self.starts + other.starts,
            loads: [self.loads[0] + other.loads[0], self.loads[1] + other.loads[1]],
            saves: [self.saves[0] + other.saves[0], self.saves[1] + other.saves[1]],
            turns: self.turns + other.turns,
            corrected: [self.corrected[0] + other.corrected[0], self.corrected[1] + other.corrected[1]],
        }
    }
}

/// A life under way.
struct Life<S> {
    subject: S,
    world: World,
    random: Random,
    settings: KeeperSettings,
    figures: Figures,
    /// Of 256: how often somebody does anything at all instead of what is due.
    hostility: usize,
    /// How many more times the memory may lie.
    lies: usize,
    /// What was in force when the survey under way began, and must be again if it is aborted.
    force: Option<Correction<{ subject::NODES }>>,
}

/// Calls in a life.
const CALLS: usize = 240;

/// Lives one life to its end.
///
/// # Errors
/// [`Found`], if a promise is broken.
pub fn live<S: Subject>(seed: u64, prints: bool, make: impl Fn(KeeperSettings, bool) -> S) -> Result<Figures, Found> {
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9));
    let fade = [None, Fade::new(400, 8000).ok(), Fade::new(0, 150).ok()][random.below(8).min(2)];
    let settings = KeeperSettings {
        grid_return: if random.below(4) == 0 { GridReturn::WhenAsked } else { GridReturn::AfterHoming },
        fade,
        ..KeeperSettings::default()
    };
    let has_memory = random.below(16) != 0;
    let places = [1, 3, 3, 3, 3].get(random.below(40)).copied().unwrap_or(2);
    let mut chip = Chip::blank(random.below(3), places);
    if random.below(24) == 0 {
        chip.fill_with(|| random.draw() as u8);
    }
    let mut life = Life {
        subject: make(settings, has_memory),
        world: World {
            chip,
            has_memory,
            is_loaded: !has_memory,
            failed_loads: 0,
            told_before_load: false,
            stored: None,
            is_homed: false,
            nozzle: Point { x_um: 0, y_um: 0, z_um: 1000 },
            motion: None,
            due: Order::Wait,
            bed_c: 20,
            nozzle_c: 20,
            at_s: 0,
            is_tripped: false,
            setup: 0,
            may_turn: false,
            is_turn_stored: false,
            is_turned_unstored: false,
            was_lied_to: false,
            has_open_failure: false,
            is_scarred: false,
            known: Vec::new(),
            round: None,
            fade,
        },
        settings,
        figures: Figures { lives: 1, starts: 1, ..Figures::default() },
        hostility: [0, 2, 5, 12, 30, 90, 256][random.below(7)],
        lies: [0, 1, 1, 3][random.below(4)],
        force: None,
        random,
    };
    for step in 0..CALLS {
        let op = life.choose();
        if prints {
            println!("{step:4} {op:?}");
        }
        life.apply(op, &make).map_err(|what| Found { seed, step, what: format!("{what} (after {op:?})") })?;
        if prints {
            println!("     {}", life.subject.keeper().status().to_string().replace('\n', " | "));
        }
        life.figures.calls += 1;
    }
    life.ends_well().map_err(|what| Found { seed, step: CALLS, what })?;
    Ok(life.figures)
}

/// Lives these lives, on all cores.
///
/// # Errors
/// The [`Found`] of the smallest seed.
pub fn live_all<S: Subject + Send>(
    seeds: std::ops::Range<u64>,
    make: impl Fn(KeeperSettings, bool) -> S + Sync,
) -> Result<Figures, Found> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    let results: Vec<Result<Figures, Found>> = std::thread::scope(|scope| {
        let make = &make;
        let threads: Vec<_> = (0..cores)
            .map(|core| {
                let mine = (seeds.start + core..seeds.end).step_by(cores as usize);
                scope.spawn(move || {
                    let mut figures = Figures::default();
                    for seed in mine {
                        figures = figures.and(live(seed, false, make)?);
                    }
                    Ok(figures)
                })
            })
            .collect();
        threads
            .into_iter()
            .map(|thread| thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect()
    });
    let (mut figures, mut first) = (Figures::default(), None::<Found>);
    for result in results {
        match result {
            Ok(more) => figures = figures.and(more),
            Err(found) if first.as_ref().is_none_or(|first| found.seed < first.seed) => first = Some(found),
            Err(_) => {}
        }
    }
    first.map_or(Ok(figures), Err)
}
