//! The keeper under test, and keepers with one deliberate mistake each, behind one trait.

use gapkeeper::memory::SlotMemory;
use gapkeeper::{
    Arc, Choice, Fade, Keeper, KeeperError, KeeperSettings, LoadError, LoadReport, Move, Order, Piece, Pieces,
    SaveError, Saving, Store, StoredGrid, SurveyEvent, SurveyPlan, SurveySettings, record::max_record_size,
};

use super::chip::NoAnswer;

/// Stations of a survey at the most.
pub const STATIONS: usize = 25;
/// Nodes of the grid in force at the most.
pub const NODES: usize = 25;
/// Grids that are remembered.
pub const GRIDS: usize = 2;
/// Bytes of a record at the most.
pub const BUFFER: usize = max_record_size(STATIONS);

/// The keeper of a life.
pub type LifeKeeper = Keeper<STATIONS, NODES, GRIDS>;
/// Its memory.
pub type LifeMemory<'a> = &'a mut dyn SlotMemory<Error = NoAnswer>;
/// Its store.
pub type LifeStore<'a> = Store<LifeMemory<'a>, STATIONS, BUFFER>;

/// All that a controller calls. What is not overridden is the keeper's own.
pub trait Subject: Clone {
    /// As it is after power came, with a persistent memory or for a machine without one.
    fn new(settings: KeeperSettings, has_memory: bool) -> Self;

    /// The keeper inside, for looking at.
    fn keeper(&self) -> &LifeKeeper;

    /// The keeper inside.
    fn keeper_mut(&mut self) -> &mut LifeKeeper;

    /// [`Keeper::load`]
    ///
    /// # Errors
    /// Its own; so for all that follow.
    fn load(&mut self, store: &mut LifeStore<'_>) -> Result<LoadReport, LoadError<NoAnswer>> {
        self.keeper_mut().load(store)
    }

    /// [`Keeper::begin_memory`]
    ///
    /// # Errors
    /// Its own.
    fn begin_memory(&mut self, store: &mut LifeStore<'_>) -> Result<LoadReport, LoadError<NoAnswer>> {
        self.keeper_mut().begin_memory(store)
    }

    /// [`Keeper::save`]
    ///
    /// # Errors
    /// Its own.
    fn save(&mut self, store: &mut LifeStore<'_>) -> Result<(), SaveError<NoAnswer, GRIDS>> {
        self.keeper_mut().save(store)
    }

    /// [`Keeper::save_step`]
    ///
    /// # Errors
    /// Its own.
    fn save_step(&mut self, store: &mut LifeStore<'_>) -> Result<Saving, SaveError<NoAnswer, GRIDS>> {
        self.keeper_mut().save_step(store)
    }

    /// [`Keeper::homed`]
    fn homed(&mut self) -> Choice {
        self.keeper_mut().homed()
    }

    /// [`Keeper::lost_position`]
    fn lost_position(&mut self) {
        self.keeper_mut().lost_position();
    }

    /// [`Keeper::put_stored_in_force`]
    ///
    /// # Errors
    /// Its own.
    fn put_stored_in_force(&mut self) -> Result<Choice, KeeperError> {
        self.keeper_mut().put_stored_in_force()
    }

    /// [`Keeper::release`]
    fn release(&mut self) {
        self.keeper_mut().release();
    }

    /// [`Keeper::temperature`]
    fn temperature(&mut self, bed_c: i16, nozzle_c: i16, at_s: u32) {
        self.keeper_mut().temperature(bed_c, nozzle_c, at_s);
    }

    /// [`Keeper::line`], all pieces at once.
    ///
    /// # Errors
    /// Its own.
    fn line(&self, motion: &Move<1>) -> Result<Vec<Piece<1>>, KeeperError> {
        self.keeper().line(motion).map(Pieces::collect)
    }

    /// [`Keeper::arc`]
    ///
    /// # Errors
    /// Its own.
    fn arc(&self, arc: Arc<1>) -> Result<usize, KeeperError> {
        self.keeper().arc(Ok(arc), 5).map(Iterator::count)
    }

    /// [`Keeper::begin_survey`]
    ///
    /// # Errors
    /// Its own.
    fn begin_survey(
        &mut self,
        plan: SurveyPlan<STATIONS>,
        settings: SurveySettings,
        z_um: i32,
    ) -> Result<Order, KeeperError> {
        self.keeper_mut().begin_survey(plan, settings, z_um)
    }

    /// [`Keeper::survey`]
    ///
    /// # Errors
    /// Its own.
    fn survey(&mut self, event: SurveyEvent) -> Result<Order, KeeperError> {
        self.keeper_mut().survey(event)
    }

    /// [`Keeper::order_due`]
    fn order_due(&self) -> Order {
        self.keeper().order_due()
    }

    /// [`Keeper::screw_turned`]
    fn screw_turned(&mut self) -> Order {
        self.keeper_mut().screw_turned()
    }

    /// [`Keeper::adopt`]
    ///
    /// # Errors
    /// Its own.
    fn adopt(&mut self, grid: StoredGrid<STATIONS>) -> Result<usize, KeeperError> {
        self.keeper_mut().adopt(grid)
    }

    /// [`Keeper::shift_by`]
    ///
    /// # Errors
    /// Its own.
    fn shift_by(&mut self, steps: i16) -> Result<i16, KeeperError> {
        self.keeper_mut().shift_by(steps)
    }

    /// [`Keeper::set_fade`]
    ///
    /// # Errors
    /// Its own.
    fn set_fade(&mut self, fade: Option<Fade>) -> Result<(), KeeperError> {
        self.keeper_mut().set_fade(fade)
    }
}

/// The keeper as it is.
#[derive(Clone, Debug)]
pub struct Real(LifeKeeper);

impl Subject for Real {
    #[allow(clippy::unwrap_used, reason = "the settings of a life are sound")]
    fn new(settings: KeeperSettings, has_memory: bool) -> Self {
        let keeper = if has_memory { Keeper::new(settings) } else { Keeper::without_memory(settings) };
        Self(keeper.unwrap())
    }

    fn keeper(&self) -> &LifeKeeper {
        &self.0
    }

    fn keeper_mut(&mut self) -> &mut LifeKeeper {
        &mut self.0
    }
}
