//! The keeper: the one struct that a controller calls.

mod measuring;
mod persistence;
mod pieces;
mod settings;
mod status;

use core::fmt;

pub use persistence::{LoadError, LoadReport, SaveError, Saving};
pub use pieces::Pieces;
pub use settings::{GridReturn, KeeperSettings, SettingsError};
pub use status::Status;

use crate::arc::{Arc, ArcError, Chords};
use crate::bank::{Bank, Choice, Unusable};
use crate::correction::Correction;
use crate::grid::{GridError, HeightGrid};
use crate::record::RecordError;
use crate::split::{Move, Piece, Point, SplitError};
use crate::stored_grid::{StoredGrid, Surface};
use crate::survey::{PlanError, Survey, SurveySettingsError};
use crate::tie::{Tie, TieError};
use crate::weights::Agreement;
use persistence::Steps;

/// Why the keeper refuses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum KeeperError {
    /// Before homing no position means anything.
    NotHomed,
    /// Before the memory was read nothing can be measured or taken in: nobody knows which setup it belongs to.
    NotLoaded,
    /// While a survey moves the axes nothing else may.
    SurveyUnderWay,
    /// No survey is under way.
    NoSurvey,
    /// No grid is in force.
    NoGrid,
    /// The move cannot be split.
    Split(SplitError),
    /// Not a valid arc.
    Arc(ArcError),
    /// The grid cannot be put in force.
    Unusable(Unusable),
    /// The grid cannot be stored.
    Record(RecordError),
    /// No survey could keep to its settings.
    SurveySettings(SurveySettingsError),
    /// No tie can be begun.
    Tie(TieError),
    /// No plan can be made of the tie.
    Plan(PlanError),
}

impl fmt::Display for KeeperError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotHomed => write!(f, "not homed: home all axes first"),
            Self::NotLoaded => write!(f, "memory not read: load first"),
            Self::SurveyUnderWay => write!(f, "a survey is under way: finish or abort it first"),
            Self::NoSurvey => write!(f, "no survey is under way: begin one"),
            Self::NoGrid => write!(f, "no grid is in force: measure one, or put a stored one in force"),
            Self::Split(error) => error.fmt(f),
            Self::Arc(error) => error.fmt(f),
            Self::Unusable(error) => error.fmt(f),
            Self::Record(error) => error.fmt(f),
            Self::SurveySettings(error) => error.fmt(f),
            Self::Tie(error) => error.fmt(f),
            Self::Plan(error) => error.fmt(f),
        }
    }
}

impl core::error::Error for KeeperError {}

/// A grid in force and where it came from.
#[derive(Clone, Debug, PartialEq)]
struct InForce<const NODES: usize> {
    correction: Correction<NODES>,
    choice: Choice,
    bed_temperature_c: i16,
    tie: Option<Tie>,
}

/// What is known of the persistent memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Knowledge {
    /// Nothing: the setup is unknown.
    Unread {
        /// Somebody said that a screw was turned meanwhile.
        screw_turned: bool,
    },
    /// All that it holds.
    Read,
    /// There is none.
    WithoutMemory,
}

/// Everything between a cold machine and a grid that is right, stored and in force.
///
/// `STATIONS` is the most stations of a survey, `NODES` those of the grid in force ([`MAX_NODES`](crate::MAX_NODES) for the densest), `GRIDS` how
/// many grids are remembered, 1 to 16.
///
/// # What holds whatever is called, in whatever order
/// 1. **Nothing moves without a hand.** No order moves an axis unless homed, and none but as the answer to a press or a turn
///    of the knob in the state that showed what it would do. After hands may have been at the screws, a press comes first.
///    ([`Survey`] says how.)
/// 2. **Nothing stale is applied.** A failed load leaves an empty bank, an unknown setup, and a [`Keeper::save`] that refuses
///    until a load has succeeded. No grid comes into force unless the memory said for certain which setup holds, and
///    nothing is written over a setup that was not read.
/// 3. **A grid carries the temperature at which its readings were taken.** A round whose bed left its window is void.
/// 4. **Every call does all of what it says, or leaves everything as it was** and says why.
/// 5. **Every state can be left.** After an abort the machine takes moves, with the grid in force that was before.
/// 6. **The order that is due can be asked for again**: [`Keeper::order_due`].
#[derive(Clone, Debug, PartialEq)]
pub struct Keeper<const STATIONS: usize, const NODES: usize, const GRIDS: usize> {
    settings: KeeperSettings,
    bank: Bank<GRIDS, STATIONS>,
    /// Bit `n`: the grid at place `n` differs from what is stored.
    unsaved: u16,
    saving: Steps,
    knowledge: Knowledge,
    /// Means nothing while the memory is unread.
    setup: u32,
    /// The memory holds the current setup.
    setup_stored: bool,
    /// A screw was turned, or it is not certain that none was, and the memory does not know yet.
    setup_unsaved: bool,
    homed: bool,
    is_tripped: bool,
    bed_c: i16,
    /// Waits while a survey is under way.
    in_force: Option<InForce<NODES>>,
    last_choice: Choice,
    survey: Option<Survey<STATIONS>>,
    /// Of the grid that was measured last, and its place; none once another grid stands there or a screw was turned.
    agreement: Option<(u8, Agreement)>,
}

impl<const STATIONS: usize, const NODES: usize, const GRIDS: usize> Keeper<STATIONS, NODES, GRIDS> {
    /// A keeper that remembers nothing yet: load what is stored, then home.
    ///
    /// # Errors
    /// [`SettingsError`] for settings that it could not keep to.
    pub fn new(settings: KeeperSettings) -> Result<Self, SettingsError> {
        settings.check()?;
        Ok(Self {
            settings,
            bank: Bank::default(),
            unsaved: 0,
            saving: Steps::default(),
            knowledge: Knowledge::Unread { screw_turned: false },
            setup: 0,
            setup_stored: false,
            setup_unsaved: false,
            homed: false,
            is_tripped: false,
            bed_c: 20,
            in_force: None,
            last_choice: Choice::NotLoaded,
            survey: None,
            agreement: None,
        })
    }

    /// A keeper for a machine that has no persistent memory: what it measures holds until the power is off.
    ///
    /// # Errors
    /// [`SettingsError`] for settings that it could not keep to.
    pub fn without_memory(settings: KeeperSettings) -> Result<Self, SettingsError> {
        let keeper = Self::new(settings)?;
        Ok(Self { knowledge: Knowledge::WithoutMemory, last_choice: Choice::Empty, ..keeper })
    }

    /// All axes were homed. Under [`GridReturn::AfterHoming`] the right grid comes into force, and the choice says
    /// which and why, or why none. A survey under way is over, without a result: its positions are no more.
    ///
    /// Tell the bed's temperature first: until then it counts as 20 °C, whatever a power cut left on it.
    pub fn homed(&mut self) -> Choice {
        self.survey = None;
        self.homed = true;
        if self.settings.grid_return == GridReturn::AfterHoming {
            self.choose_by_temperature();
        }
        self.last_choice
    }

    /// Motors lost their positions: nothing moves before homing, and a survey under way is over, without a result.
    pub fn lost_position(&mut self) {
        self.homed = false;
        self.in_force = None;
        self.survey = None;
    }

    /// Puts the right grid for the bed's temperature in force, or none: the choice says which and why.
    ///
    /// # Errors
    /// [`KeeperError::NotHomed`], [`KeeperError::SurveyUnderWay`]; then nothing has changed.
    pub fn put_stored_in_force(&mut self) -> Result<Choice, KeeperError> {
        self.may_move()?;
        self.choose_by_temperature();
        Ok(self.last_choice)
    }

    fn choose_by_temperature(&mut self) {
        self.in_force = None;
        if matches!(self.knowledge, Knowledge::Unread { .. }) {
            self.last_choice = Choice::NotLoaded;
            return;
        }
        let choice = self.bank.choose(self.bed_c, self.setup, self.settings.windows);
        self.last_choice = choice;
        match self.bank.chosen(choice, self.bed_c) {
            Ok(Some(grid)) => {
                // A blend is for the bed as it is now; a single grid is for the bed it was measured on.
                self.choose(&grid, choice, grid.bed_temperature_c);
            }
            Ok(None) => {}
            Err(error) => self.last_choice = choice.unusable(Unusable::Grid(error)),
        }
        #[cfg(feature = "defmt")]
        defmt::info!("put in force at {} C, setup {}: {}", self.bed_c, self.setup, self.last_choice);
    }

    /// Puts a chosen grid in force, or remembers why that cannot be.
    fn choose(&mut self, grid: &StoredGrid<STATIONS>, choice: Choice, bed_temperature_c: i16) {
        if let Err(KeeperError::Unusable(why)) = self.put_in_force(grid, choice, bed_temperature_c) {
            self.last_choice = choice.unusable(why);
        }
    }

    /// No grid is in force any more; nothing is forgotten.
    pub fn release(&mut self) {
        self.in_force = None;
    }

    /// The pieces of a straight move; the move itself where no grid is in force.
    ///
    /// # Errors
    /// [`KeeperError::NotHomed`], [`KeeperError::SurveyUnderWay`], or [`KeeperError::Split`] before the first piece.
    pub fn line<const EXTRA: usize>(&self, motion: &Move<EXTRA>) -> Result<Pieces<'_, NODES, EXTRA>, KeeperError> {
        self.may_move()?;
        match &self.in_force {
            Some(in_force) => {
                let split = in_force.correction.split(motion, self.settings.tolerance_um);
                split.map(Pieces::Split).map_err(KeeperError::Split)
            }
            None => {
                let lowest_machine_z_um = self.settings.lowest_machine_z_um;
                if motion.end.z_um < lowest_machine_z_um {
                    let below = SplitError::BelowLowest { end: motion.end, lowest_machine_z_um };
                    return Err(KeeperError::Split(below));
                }
                Ok(Pieces::Whole(Some(Piece { end: motion.end, extra: motion.extra_end })))
            }
        }
    }

    /// The chords of an arc, each to be given to [`Self::line`].
    ///
    /// # Errors
    /// As for [`Self::line`], or [`KeeperError::Arc`].
    pub fn arc<const EXTRA: usize>(
        &self,
        arc: Result<Arc<EXTRA>, ArcError>,
        tolerance_um: u16,
    ) -> Result<Chords<EXTRA>, KeeperError> {
        self.may_move()?;
        arc.and_then(|arc| arc.chords(tolerance_um)).map_err(KeeperError::Arc)
    }

    /// Logical position for a machine position, for reports and for stopping in mid-move.
    pub fn logical(&self, machine: Point) -> Point {
        let z_um = self.in_force.as_ref().map_or(machine.z_um, |in_force| {
            in_force.correction.logical_z_um(machine.x_um, machine.y_um, machine.z_um)
        });
        Point { z_um, ..machine }
    }

    /// The grids that are remembered.
    pub fn bank(&self) -> &Bank<GRIDS, STATIONS> {
        &self.bank
    }

    /// The current setup; none before the memory was read.
    pub fn setup(&self) -> Option<u32> {
        (!matches!(self.knowledge, Knowledge::Unread { .. })).then_some(self.setup)
    }

    /// The correction in force.
    pub fn correction_in_force(&self) -> Option<&Correction<NODES>> {
        self.in_force.as_ref().map(|in_force| &in_force.correction)
    }

    /// How well the readings agree with each other: of the survey under way once all are taken, without one of the grid in
    /// force if it was measured since the power came on. None where the stations have no table of weights.
    pub fn agreement(&self) -> Option<Agreement> {
        match &self.survey {
            Some(survey) => survey.agreement(),
            None => self.agreement_in_force(),
        }
    }

    fn agreement_in_force(&self) -> Option<Agreement> {
        let (measured, agreement) = self.agreement?;
        let is_its = |place| self.in_force.is_some() && place == usize::from(measured);
        matches!(self.last_choice, Choice::Nearest { place, .. } if is_its(place)).then_some(agreement)
    }

    /// Which grid was chosen last, and why, or why not.
    pub fn choice(&self) -> Choice {
        self.last_choice
    }

    fn may_move(&self) -> Result<(), KeeperError> {
        match (self.homed, &self.survey) {
            (false, _) => Err(KeeperError::NotHomed),
            (true, Some(_)) => Err(KeeperError::SurveyUnderWay),
            (true, None) => Ok(()),
        }
    }

    fn may_measure(&self) -> Result<(), KeeperError> {
        self.may_move()?;
        self.setup().map(drop).ok_or(KeeperError::NotLoaded)
    }

    /// On failure everything is as it was.
    #[inline(never)]
    fn put_in_force(
        &mut self,
        grid: &StoredGrid<STATIONS>,
        choice: Choice,
        bed_temperature_c: i16,
    ) -> Result<(), KeeperError> {
        let nodes = match Self::nodes(grid) {
            Ok(nodes) => nodes,
            Err(error) => return Err(KeeperError::Unusable(Unusable::Grid(error))),
        };
        let (shift_um, fade) = (grid.shift_um.into(), grid.fade);
        Correction::check(&nodes, shift_um, fade)
            .map_err(|error| KeeperError::Unusable(Unusable::Correction(error)))?;
        let in_force = InForce { correction: Correction::new(nodes), choice, bed_temperature_c, tie: grid.tie };
        let in_force = self.in_force.insert(in_force);
        in_force.correction.set(shift_um, fade, self.settings.lowest_machine_z_um);
        self.last_choice = choice;
        Ok(())
    }

    #[inline(never)]
    fn nodes(grid: &StoredGrid<STATIONS>) -> Result<HeightGrid<NODES>, GridError> {
        match grid.surface {
            Surface::Refined => grid.grid.densest(),
            Surface::Bilinear => Self::bilinear(grid),
        }
    }

    #[inline(never)]
    fn bilinear(grid: &StoredGrid<STATIONS>) -> Result<HeightGrid<NODES>, GridError> {
        HeightGrid::new(grid.grid.lattice(), grid.grid.nodes_um())
    }
}
