//! The keeper: the one struct that a controller calls.

use core::fmt;

use crate::arc::{Arc, ArcError, Chords};
use crate::bank::{Bank, Choice, TemperatureWindows};
use crate::correction::{Correction, CorrectionError};
use crate::fade::Fade;
use crate::grid::{GridError, HeightGrid};
use crate::memory::SlotMemory;
use crate::split::{Flow, Move, Piece, Point, Split, SplitError};
use crate::store::{OtherSlot, Store, StoreError};
use crate::stored_grid::{StoredGrid, Surface};
use crate::survey::{Order, Prompt, Survey, SurveyEvent, SurveyPlan, SurveySettings};

/// When a stored grid comes into force.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum RestorePolicy {
    /// By itself after homing: old job files need no change.
    #[default]
    OnHoming,
    /// When the job or a person asks for it.
    OnRequest,
}

/// What a keeper needs to know of the machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct KeeperSettings {
    /// When a stored grid comes into force.
    pub restore: RestorePolicy,
    /// How far a grid may be from the bed's temperature.
    pub windows: TemperatureWindows,
    /// How far a piece may be off the corrected path.
    pub tolerance_um: u16,
    /// No piece of a corrected move ends below this machine height.
    pub lowest_machine_z_um: i32,
    /// One step of [`Keeper::shift_by`].
    pub shift_step_um: u16,
    /// Where new grids fade out.
    pub fade: Option<Fade>,
}

impl Default for KeeperSettings {
    fn default() -> Self {
        Self {
            restore: RestorePolicy::default(),
            windows: TemperatureWindows::default(),
            tolerance_um: crate::split::DEFAULT_TOLERANCE_UM,
            lowest_machine_z_um: i32::MIN,
            shift_step_um: 10,
            fade: None,
        }
    }
}

/// Why the keeper refuses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum KeeperError {
    /// Before homing no position means anything.
    NotHomed,
    /// While a survey moves the axes nothing else may.
    SurveyUnderWay,
    /// No survey is under way.
    NoSurvey,
    /// No grid is in force.
    NoGrid,
    /// The move cannot be split.
    Split(SplitError),
    /// The arc is none.
    Arc(ArcError),
    /// The grid cannot be refined or blended.
    Grid(GridError),
    /// The grid cannot be put in force with its shift and fade.
    Correction(CorrectionError),
}

impl fmt::Display for KeeperError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotHomed => write!(f, "not homed: home all axes first"),
            Self::SurveyUnderWay => write!(f, "a survey is under way: finish or abort it first"),
            Self::NoSurvey => write!(f, "no survey is under way: begin one"),
            Self::NoGrid => write!(f, "no grid is in force: measure or restore one"),
            Self::Split(error) => error.fmt(f),
            Self::Arc(error) => error.fmt(f),
            Self::Grid(error) => error.fmt(f),
            Self::Correction(error) => error.fmt(f),
        }
    }
}

impl core::error::Error for KeeperError {}

/// What [`Keeper::load`] found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LoadReport {
    /// Grids loaded.
    pub grids: u8,
    /// Places whose record is damaged or of a newer layout.
    pub unreadable: u8,
    /// The setup could not be told for certain, so a new one was begun and no grid holds.
    pub setup_uncertain: bool,
}

/// A grid in force and where it came from.
#[derive(Clone, Debug, PartialEq)]
struct InForce<const NODES: usize> {
    correction: Correction<NODES>,
    choice: Choice,
    bed_temperature_c: i16,
}

/// Everything between a cold machine and a grid that is right, stored and in force.
///
/// `STATIONS` is the most stations of a survey, `NODES` those of the grid in force (225 for the densest), `GRIDS` how
/// many grids are remembered.
#[derive(Clone, Debug)]
pub struct Keeper<const STATIONS: usize, const NODES: usize, const GRIDS: usize> {
    settings: KeeperSettings,
    bank: Bank<GRIDS, STATIONS>,
    /// Bit `n`: the grid at place `n` differs from what is stored.
    unsaved: u16,
    setup: u32,
    /// The memory holds the current setup.
    setup_stored: bool,
    /// A screw was turned, or it is not certain that none was, and the memory does not know yet.
    setup_unsaved: bool,
    homed: bool,
    bed_c: i16,
    in_force: Option<InForce<NODES>>,
    last_choice: Choice,
    survey: Option<Survey<STATIONS>>,
}

impl<const STATIONS: usize, const NODES: usize, const GRIDS: usize> Keeper<STATIONS, NODES, GRIDS> {
    /// A keeper that remembers nothing yet: load what is stored, then home.
    pub fn new(settings: KeeperSettings) -> Self {
        Self {
            settings,
            bank: Bank::default(),
            unsaved: 0,
            setup: 0,
            setup_stored: false,
            setup_unsaved: false,
            homed: false,
            bed_c: 20,
            in_force: None,
            last_choice: Choice::Empty,
            survey: None,
        }
    }

    /// All axes were homed. Under [`RestorePolicy::OnHoming`] the right grid comes into force, and the choice says
    /// which and why, or why none.
    ///
    /// # Errors
    /// [`KeeperError`] if the chosen grid cannot be put in force; then none is.
    pub fn homed(&mut self) -> Result<Choice, KeeperError> {
        self.homed = true;
        match self.settings.restore {
            RestorePolicy::OnHoming => self.restore(),
            RestorePolicy::OnRequest => Ok(self.last_choice),
        }
    }

    /// Motors lost their positions: nothing moves before homing.
    pub fn lost_position(&mut self) {
        self.homed = false;
        self.in_force = None;
    }

    /// Puts the right grid for the bed's temperature in force, or none: the choice says which and why.
    ///
    /// # Errors
    /// [`KeeperError::NotHomed`], or why the chosen grid cannot be put in force; then none is.
    pub fn restore(&mut self) -> Result<Choice, KeeperError> {
        self.in_force = None;
        if !self.homed {
            return Err(KeeperError::NotHomed);
        }
        let choice = self.bank.choose(self.bed_c, self.setup, self.settings.windows);
        self.last_choice = choice;
        if let Some(grid) = self.bank.chosen(choice, self.bed_c).map_err(KeeperError::Grid)? {
            self.put_in_force(&grid, choice, self.bed_c)?;
        }
        #[cfg(feature = "defmt")]
        defmt::info!("restore at {} C, setup {}: {}", self.bed_c, self.setup, choice);
        Ok(choice)
    }

    /// No grid is in force any more; nothing is forgotten.
    pub fn release(&mut self) {
        self.in_force = None;
    }

    /// How warm it is, and when on any clock that does not run backwards; an order if a survey waited for it.
    pub fn temperature(&mut self, bed_c: i16, nozzle_c: i16, at_s: u32) -> Order {
        self.bed_c = bed_c;
        match &mut self.survey {
            Some(survey) => survey.handle(SurveyEvent::Temperature { bed_c, nozzle_c, at_s }),
            None => Order::Wait,
        }
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

    /// Begins a survey; the nozzle stands at machine height `z_um`. No grid is in force from now on.
    ///
    /// # Errors
    /// [`KeeperError::NotHomed`].
    pub fn begin_survey(
        &mut self,
        plan: SurveyPlan<STATIONS>,
        settings: SurveySettings,
        z_um: i32,
    ) -> Result<Order, KeeperError> {
        if !self.homed {
            return Err(KeeperError::NotHomed);
        }
        self.in_force = None;
        let lowest_um = settings.lowest_um.max(self.settings.lowest_machine_z_um);
        self.survey = Some(Survey::new(plan, SurveySettings { lowest_um, ..settings }, z_um));
        Ok(Order::Wait)
    }

    /// Gives an event to the survey and says what is to be done. With [`Order::Done`] the grid is in the bank, in
    /// force, and not saved yet.
    ///
    /// A turned screw goes to [`Self::screw_turned`] instead.
    ///
    /// # Errors
    /// [`KeeperError::NoSurvey`], or why the new grid cannot be put in force; it is in the bank all the same.
    pub fn survey(&mut self, event: SurveyEvent) -> Result<Order, KeeperError> {
        let survey = self.survey.as_mut().ok_or(KeeperError::NoSurvey)?;
        let order = survey.handle(event);
        match order {
            Order::Done => self.keep_result()?,
            Order::Aborted => self.survey = None,
            _ => {}
        }
        Ok(order)
    }

    /// The survey under way.
    pub fn survey_under_way(&self) -> Option<&Survey<STATIONS>> {
        self.survey.as_ref()
    }

    /// Takes a grid from elsewhere, such as a file, as if it had just been measured in the current setup: it is in the
    /// bank, in force, and not saved yet. Its place is returned.
    ///
    /// # Errors
    /// [`KeeperError::NotHomed`], [`KeeperError::SurveyUnderWay`], or why it cannot be put in force; it is in the bank
    /// all the same.
    pub fn adopt(&mut self, grid: StoredGrid<STATIONS>) -> Result<usize, KeeperError> {
        self.may_move()?;
        self.keep(StoredGrid { setup: self.setup, ..grid })
    }

    /// The survey is over: what it measured is kept.
    // Never inlined, here and below: whole grids stand on the stack, and callers shall not carry them as well.
    #[inline(never)]
    fn keep_result(&mut self) -> Result<(), KeeperError> {
        let fade = self.settings.fade;
        match self.take_result() {
            Some(grid) => self.keep(StoredGrid { fade, ..grid }).map(drop),
            None => Ok(()),
        }
    }

    #[inline(never)]
    fn take_result(&mut self) -> Option<StoredGrid<STATIONS>> {
        let result = self.survey.as_ref()?.result(self.setup);
        self.survey = None;
        result
    }

    /// Takes a grid into the bank, unsaved, and puts it in force; its place is returned.
    fn keep(&mut self, grid: StoredGrid<STATIONS>) -> Result<usize, KeeperError> {
        let place = self.bank.place_for(grid.bed_temperature_c, grid.setup, self.settings.windows.nearest_c);
        let choice = Choice::Nearest { place, off_c: 0 };
        self.last_choice = choice;
        let put = self.put_in_force(&grid, choice, grid.bed_temperature_c);
        self.bank.set(place, Some(grid));
        self.mark_unsaved(place);
        put.map(|()| place)
    }

    /// A screw of the bed is going to be turned: a new setup, so every grid is stale and none is in force. Save, and only
    /// then turn: after a power cut in between, the stored grids would look valid. The order is the survey's, if one is under way.
    pub fn screw_turned(&mut self) -> Order {
        self.setup = self.setup.wrapping_add(1);
        (self.setup_stored, self.setup_unsaved) = (false, true);
        self.in_force = None;
        self.last_choice = Choice::Stale;
        #[cfg(feature = "defmt")]
        defmt::info!("screw turned: setup {}", self.setup);
        self.survey.as_mut().map_or(Order::Wait, |survey| survey.handle(SurveyEvent::ScrewTurned))
    }

    /// Raises (positive) or lowers the whole surface by steps; the shift that is now in force, in micrometres.
    ///
    /// # Errors
    /// [`KeeperError::NoGrid`] without a grid, or with a blend, which has no place of its own;
    /// [`KeeperError::Correction`] beyond the range. Nothing has changed then.
    pub fn shift_by(&mut self, steps: i16) -> Result<i16, KeeperError> {
        let Some(InForce { choice: choice @ Choice::Nearest { place, .. }, bed_temperature_c, .. }) = self.in_force
        else {
            return Err(KeeperError::NoGrid);
        };
        let grid = self.bank.grid(place).ok_or(KeeperError::NoGrid)?;
        let shift_um = i32::from(grid.shift_um) + i32::from(steps) * i32::from(self.settings.shift_step_um);
        let out_of_range = KeeperError::Correction(CorrectionError::Shift { shift_um });
        let moved = StoredGrid { shift_um: i16::try_from(shift_um).map_err(|_| out_of_range)?, ..grid.clone() };
        self.put_in_force(&moved, choice, bed_temperature_c)?;
        let shift_um = moved.shift_um;
        self.bank.set(place, Some(moved));
        self.mark_unsaved(place);
        Ok(shift_um)
    }

    /// Loads all that is stored; nothing comes into force before homing.
    ///
    /// A place that cannot be read is left empty and counted. If it is not certain that the stored setup is the
    /// current one (its last save was cut short or is damaged), a new one is begun: every grid is stale then, which
    /// costs a survey but never a bed.
    ///
    /// # Errors
    /// [`StoreError::Access`] if the memory does not answer; what was loaded before is kept, nothing is in force.
    pub fn load<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
    ) -> Result<LoadReport, StoreError<M::Error>> {
        self.in_force = None;
        let mut report = LoadReport::default();
        for place in 0..GRIDS.min(store.places()) {
            let grid = match store.load_grid(place) {
                Ok(loaded) => Some(loaded.value),
                Err(StoreError::Access(error)) => return Err(StoreError::Access(error)),
                Err(StoreError::Empty) => None,
                Err(_) => {
                    report.unreadable += 1;
                    None
                }
            };
            report.grids += u8::from(grid.is_some());
            self.bank.set(place, grid);
        }
        let (setup, is_stored, is_certain) = match store.load_setup() {
            Ok(loaded) => (loaded.value, true, loaded.other != OtherSlot::Damaged),
            Err(StoreError::Access(error)) => return Err(StoreError::Access(error)),
            // Nothing was ever saved: certain if there are no grids either.
            Err(StoreError::Empty) => (0, false, report.grids == 0 && report.unreadable == 0),
            Err(_) => (0, false, false),
        };
        self.setup = setup;
        self.unsaved = 0;
        self.setup_stored = is_stored && is_certain;
        self.setup_unsaved = !is_certain;
        report.setup_uncertain = !is_certain;
        if !is_certain {
            let is_taken = |setup| (0..GRIDS).filter_map(|place| self.bank.grid(place)).any(|grid| grid.setup == setup);
            let mut next = setup.wrapping_add(1);
            while is_taken(next) {
                next = next.wrapping_add(1);
            }
            self.setup = next;
        }
        #[cfg(feature = "defmt")]
        defmt::info!("loaded: {}, setup {}", report, self.setup);
        Ok(report)
    }

    /// Stores whatever is unsaved, the setup first: a grid must never be stored for a setup that is not.
    ///
    /// # Errors
    /// [`StoreError`]; what was stored until then is stored, the rest is still unsaved, and calling again is safe.
    pub fn save<M: SlotMemory, const BUFFER: usize>(
        &mut self,
        store: &mut Store<M, STATIONS, BUFFER>,
    ) -> Result<(), StoreError<M::Error>> {
        if !self.setup_stored && (self.setup_unsaved || self.unsaved != 0) {
            store.save_setup(self.setup)?;
            (self.setup_stored, self.setup_unsaved) = (true, false);
        }
        for place in 0..GRIDS {
            let bit = 1 << (place & 15);
            if let Some(grid) = self.bank.grid(place).filter(|_| self.unsaved & bit != 0) {
                store.save_grid(place, grid)?;
                self.unsaved &= !bit;
            }
        }
        Ok(())
    }

    /// The grids that are remembered.
    pub fn bank(&self) -> &Bank<GRIDS, STATIONS> {
        &self.bank
    }

    /// The current setup.
    pub fn setup(&self) -> u32 {
        self.setup
    }

    /// The correction in force.
    pub fn correction_in_force(&self) -> Option<&Correction<NODES>> {
        self.in_force.as_ref().map(|in_force| &in_force.correction)
    }

    /// Which grid was chosen last, and why.
    pub fn choice(&self) -> Choice {
        self.last_choice
    }

    /// Whether anything would be lost without power.
    pub fn is_unsaved(&self) -> bool {
        self.unsaved != 0 || self.setup_unsaved
    }

    /// What a screen of four lines of twenty characters should show.
    pub fn status(&self) -> Status {
        Status {
            prompt: self.survey.as_ref().map(Survey::prompt),
            homed: self.homed,
            choice: self.last_choice,
            in_force: self.in_force.is_some(),
            bed_c: self.bed_c,
            grid_bed_c: self.in_force.as_ref().map(|in_force| in_force.bed_temperature_c),
            shift_um: self.in_force.as_ref().map_or(0, |in_force| in_force.correction.shift_um()),
            unsaved: self.is_unsaved(),
        }
    }

    fn may_move(&self) -> Result<(), KeeperError> {
        match (self.homed, &self.survey) {
            (false, _) => Err(KeeperError::NotHomed),
            (true, Some(_)) => Err(KeeperError::SurveyUnderWay),
            (true, None) => Ok(()),
        }
    }

    fn mark_unsaved(&mut self, place: usize) {
        // A bank of more than sixteen grids would have to count otherwise.
        const { assert!(GRIDS <= 16) };
        self.unsaved |= 1 << (place & 15);
    }

    /// On failure what was in force stays.
    #[inline(never)]
    fn put_in_force(
        &mut self,
        grid: &StoredGrid<STATIONS>,
        choice: Choice,
        bed_temperature_c: i16,
    ) -> Result<(), KeeperError> {
        let correction = self.correction(Self::nodes(grid).map_err(KeeperError::Grid)?, grid)?;
        self.in_force = Some(InForce { correction, choice, bed_temperature_c });
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

    #[inline(never)]
    fn correction(
        &self,
        nodes: HeightGrid<NODES>,
        grid: &StoredGrid<STATIONS>,
    ) -> Result<Correction<NODES>, KeeperError> {
        let correction = Correction::new(nodes).with_lowest_machine_z(self.settings.lowest_machine_z_um);
        let correction = correction.with_shift(grid.shift_um.into()).map_err(KeeperError::Correction)?;
        match grid.fade {
            Some(fade) => correction.with_fade(fade).map_err(KeeperError::Correction),
            None => Ok(correction),
        }
    }
}

/// The pieces of a straight move; see [`Keeper::line`].
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Pieces<'a, const NODES: usize, const EXTRA: usize> {
    /// Along the corrected surface.
    Split(Split<'a, NODES, EXTRA>),
    /// Without a grid in force: the move itself.
    Whole(Option<Piece<EXTRA>>),
}

impl<const NODES: usize, const EXTRA: usize> Pieces<'_, NODES, EXTRA> {
    /// The next piece, with the first further axis, `E`, scaled by the thickness that is laid: [`Split::next_scaled`].
    /// Without a grid in force it is the same as `next`.
    pub fn next_scaled(&mut self, flow: &mut Flow) -> Option<Piece<EXTRA>> {
        match self {
            Self::Split(split) => split.next_scaled(flow),
            Self::Whole(piece) => piece.take(),
        }
    }
}

impl<const NODES: usize, const EXTRA: usize> Iterator for Pieces<'_, NODES, EXTRA> {
    type Item = Piece<EXTRA>;

    fn next(&mut self) -> Option<Self::Item> {
        match self {
            Self::Split(split) => split.next(),
            Self::Whole(piece) => piece.take(),
        }
    }
}

/// What a screen should show; its text fits four lines of twenty characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Status {
    /// What the survey asks for, while one is under way; then nothing else matters.
    pub prompt: Option<Prompt>,
    /// Whether positions mean anything.
    pub homed: bool,
    /// Which grid was chosen last, and why.
    pub choice: Choice,
    /// Whether moves are corrected.
    pub in_force: bool,
    /// How warm the bed is.
    pub bed_c: i16,
    /// Bed temperature that the grid in force is for.
    pub grid_bed_c: Option<i16>,
    /// Shift in force.
    pub shift_um: i32,
    /// Whether anything would be lost without power.
    pub unsaved: bool,
}

impl fmt::Display for Status {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(prompt) = &self.prompt {
            return prompt.fmt(f);
        }
        match (self.homed, self.in_force) {
            (false, _) => writeln!(f, "Not homed")?,
            (true, true) => writeln!(f, "Correcting")?,
            (true, false) => writeln!(f, "NOT correcting")?,
        }
        writeln!(f, "{}", self.choice)?;
        match self.grid_bed_c {
            Some(grid_bed_c) => writeln!(f, "bed {} C, grid {grid_bed_c}", self.bed_c)?,
            None => writeln!(f, "bed {} C", self.bed_c)?,
        }
        write!(f, "{:+} um{}", self.shift_um, if self.unsaved { ", NOT SAVED" } else { "" })
    }
}
