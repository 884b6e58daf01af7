//! What was read, and what follows from it.

use heapless::Vec;

use super::outlier;
use super::plan::Tying;
use super::{State, Survey, Then, Visit};
use crate::deviation::Deviation;
use crate::grid::{HeightGrid, Lattice, MAX_HEIGHT_UM};
use crate::stored_grid::{StoredGrid, Surface};
use crate::tie::{Tie, TieError};
use crate::weights::{Agreement, WeightedLayout};

impl<const CAPACITY: usize> Survey<CAPACITY> {
    /// Height of the bed at a station, as far as it has been read.
    pub fn height_um(&self, column: u8, row: u8) -> Option<i16> {
        let reading_um = self.readings_um.get(self.plan.node(column, row)?).copied()??;
        Some(self.bed_um(reading_um))
    }

    /// What was measured; none before [`Order::Done`](super::Order::Done), and of a tie, which has [`Self::tied`].
    ///
    /// The nodes are the surface of all readings where the layout has a table of weights
    /// ([`WeightedLayout`]), else the readings; between them it is to be refined. The bed temperature
    /// is the mean of those at the presses that took the readings.
    pub fn result(&self, setup: u32) -> Option<StoredGrid<CAPACITY>> {
        if self.state != State::Done {
            return None;
        }
        Some(self.stored(self.grid()?, setup))
    }

    /// What was measured in a tie, on the old grid that it started from.
    ///
    /// # Errors
    /// [`TieError`] where a whole survey is needed instead; [`TieError::Stations`] too before
    /// [`Order::Done`](super::Order::Done), and of a whole survey.
    #[inline(never)]
    pub fn tied(&self, old: &StoredGrid<CAPACITY>, setup: u32) -> Result<StoredGrid<CAPACITY>, TieError> {
        match self.plan.tying().filter(|_| self.state == State::Done) {
            Some(Tying { tie, .. }) => tie(self, old, setup),
            None => Err(TieError::Stations),
        }
    }

    pub(super) fn tie_to(&self, old: &StoredGrid<CAPACITY>, setup: u32) -> Result<StoredGrid<CAPACITY>, TieError> {
        if old.grid.lattice() != self.plan.lattice() {
            return Err(TieError::Stations);
        }
        let heights =
            self.plan.order().iter().filter_map(|&(column, row)| Some((column, row, self.height_um(column, row)?)));
        let is_twisted = self.plan.tying().is_some_and(|tying| tying.is_twisted);
        let (grid, residual_um) = old.grid.tied(heights, is_twisted)?;
        let tie = Tie::after(old.tie, residual_um).ok_or(TieError::TooOften)?;
        Ok(StoredGrid { surface: old.surface, tie: Some(tie), ..self.stored(grid, setup) })
    }

    /// A grid with what this survey was measured under.
    fn stored(&self, grid: HeightGrid<CAPACITY>, setup: u32) -> StoredGrid<CAPACITY> {
        StoredGrid {
            grid,
            shift_um: 0,
            fade: None,
            bed_temperature_c: self.mean_bed_c(),
            setup,
            closure_um: self.closure_um,
            closure_accepted: self.closure_um.unsigned_abs() > self.settings.closure_limit_um,
            surface: Surface::Refined,
            tie: None,
        }
    }

    /// How well the readings agree with each other, and whether they are enough for this bed; none before all of them are
    /// taken, and where the layout has no table of weights.
    // Never inlined: all readings stand on the stack, and a grid on that of callers.
    #[inline(never)]
    pub fn agreement(&self) -> Option<Agreement> {
        self.layout()?.agreement_within::<CAPACITY>(&self.heights_um(true)?)
    }

    /// What makes the surface of all readings, if they are all to be taken.
    fn layout(&self) -> Option<WeightedLayout> {
        if self.visits < self.plan.len() { None } else { self.plan.layout()?.within::<CAPACITY>() }
    }

    /// Height of the bed for a reading.
    pub(super) fn bed_um(&self, reading_um: i16) -> i16 {
        // A feeler is thin; a reading is at least the lowest height.
        let height_um = i32::from(reading_um) - i32::from(self.settings.feeler_um);
        height_um.max(-i32::from(MAX_HEIGHT_UM)) as i16
    }

    /// Heights of the bed at the stations, row by row, with the middles of cells or without; none unless all are read.
    fn heights_um(&self, with_middles: bool) -> Option<Vec<i16, CAPACITY>> {
        let mut heights_um = Vec::new();
        let Lattice { columns, rows, .. } = self.plan.lattice();
        let has_middles = self.plan.has_middles();
        for (column, row) in (0..rows).flat_map(|row| (0..columns).map(move |column| (column, row))) {
            // Where there are middles, stations stand at two even numbers and middles at two odd ones.
            let is_station =
                !has_middles || if with_middles { (column ^ row) & 1 == 0 } else { (column | row) & 1 == 0 };
            if is_station {
                heights_um.push(self.height_um(column, row)?).ok()?;
            }
        }
        Some(heights_um)
    }

    fn grid(&self) -> Option<HeightGrid<CAPACITY>> {
        let surface = self.layout().and_then(|layout| layout.grid(self.plan.lattice(), &self.heights_um(true)?).ok());
        // Readings fit a grid; the surface through steep ones may not.
        surface.or_else(|| HeightGrid::new(self.plan.without_middles(), &self.heights_um(false)?).ok())
    }

    /// A reading is taken; what follows the lift off the bed.
    pub(super) fn read(&mut self, visit: Visit) -> Then {
        // Held within the heights of a grid by `turn` and the settings.
        let reading_um = self.z_um.max(-i32::from(MAX_HEIGHT_UM)).min(MAX_HEIGHT_UM.into()) as i16;
        self.bed_sum_c = self.bed_sum_c.saturating_add(self.bed_c.into());
        self.presses = self.presses.saturating_add(1);
        match visit {
            Visit::Station(index) => {
                self.set(index, reading_um);
                let is_last = index + 1 >= self.visits;
                if is_last && self.in_corner_round {
                    return Then::Corners;
                }
                Then::Visit(if is_last { self.after_stations() } else { Visit::Station(index + 1) })
            }
            Visit::Again(index) => {
                self.set(index, reading_um);
                Then::Visit(self.after_stations())
            }
            Visit::Closure => {
                let first_um = self.reading_um(0).unwrap_or(reading_um);
                self.closure_um = reading_um.saturating_sub(first_um);
                // Nobody leaves a hot nozzle standing on the paper, whatever the answer.
                let is_large = self.closure_um.unsigned_abs() > self.settings.closure_limit_um;
                if is_large { Then::AskClosure } else { Then::Done }
            }
        }
    }

    /// Takes the reading before a visit away; the visit that takes it again, if there is one.
    pub(super) fn step_back(&mut self, visit: Visit) -> Option<Visit> {
        let index = match visit {
            Visit::Station(index) => index.checked_sub(1)?,
            Visit::Again(_) | Visit::Closure => self.visits.saturating_sub(1),
        };
        if let Some(reading_um) = self.reading_mut(index) {
            *reading_um = None;
        }
        Some(Visit::Station(index))
    }

    /// Whatever was read in this round is void.
    pub(super) fn forget(&mut self) {
        self.readings_um.clear();
        self.looked_again.clear();
        self.visits = if self.in_corner_round { self.plan.corner_round().len() } else { self.plan.len() };
        for _ in 0..self.plan.lattice().node_count() {
            // The plan has no more nodes than fit.
            let _ = self.readings_um.push(None);
            let _ = self.looked_again.push(false);
        }
        (self.bed_sum_c, self.presses, self.closure_um) = (0, 0, 0);
    }

    /// Rounded; each summand lies within the survey's window, so the mean does.
    fn mean_bed_c(&self) -> i16 {
        let count = i32::from(self.presses);
        let half = if self.bed_sum_c < 0 { -(count / 2) } else { count / 2 };
        let mean_c = self.bed_sum_c.saturating_add(half).checked_div(count);
        // A mean of values of 16 bits.
        mean_c.map_or(self.settings.bed_temperature_c, |mean_c| mean_c as i16)
    }

    fn reading_um(&self, index: usize) -> Option<i16> {
        let (column, row) = self.station_of(index)?;
        self.readings_um.get(self.plan.node(column, row)?).copied()?
    }

    fn reading_mut(&mut self, index: usize) -> Option<&mut Option<i16>> {
        let (column, row) = self.station_of(index)?;
        self.readings_um.get_mut(self.plan.node(column, row)?)
    }

    fn set(&mut self, index: usize, reading_um: i16) {
        if let Some(slot) = self.reading_mut(index) {
            *slot = Some(reading_um);
        }
    }

    /// Once all stations are read: one that is to be looked at again, or the first one once more.
    pub(super) fn after_stations(&mut self) -> Visit {
        let heights_um = self.heights_um(self.layout().is_some()).unwrap_or_default();
        let doubtful = (0..self.visits)
            .filter(|&index| self.looked_again.get(index) == Some(&false))
            .filter_map(|index| Some((index, self.deviation(index, &heights_um)?)))
            .max_by_key(|(_, deviation)| deviation.rank());
        if let Some((index, off_um)) = doubtful.map(|(index, deviation)| (index, deviation.off_um()))
            && off_um.unsigned_abs() > self.settings.outlier_limit_um.into()
        {
            if let Some(looked_again) = self.looked_again.get_mut(index) {
                *looked_again = true;
            }
            self.off_um = off_um.max(i16::MIN.into()).min(i16::MAX.into()) as i16;
            return Visit::Again(index);
        }
        Visit::Closure
    }

    /// How the reading of a station stands against all others.
    fn deviation(&self, index: usize, heights_um: &[i16]) -> Option<Deviation> {
        let (column, row) = self.station_of(index)?;
        if let Some(layout) = self.layout() {
            return layout.deviation_within::<CAPACITY>(column, row, heights_um);
        }
        let Lattice { columns, rows, .. } = self.plan.without_middles();
        let (column, row) = match self.plan.has_middles() {
            // A middle that was read before somebody had enough.
            true if column % 2 == 1 => return None,
            true => (column / 2, row / 2),
            false => (column, row),
        };
        let node = usize::from(row) * usize::from(columns) + usize::from(column);
        outlier::deviation(columns, rows, node, |node| heights_um.get(node).copied().map(i32::from))
    }
}
