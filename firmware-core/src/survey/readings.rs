//! What was read, and what follows from it.

use heapless::Vec;

use super::outlier::{self, Deviation};
use super::{State, Survey, Then, Visit};
use crate::grid::{HeightGrid, Lattice, MAX_HEIGHT_UM};
use crate::split::Point;
use crate::stored_grid::{StoredGrid, Surface};

/// How well two surfaces predict the check stations.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CheckResiduals {
    /// Root mean square of reading less bilinear surface.
    pub bilinear_rms_um: u32,
    /// Root mean square of reading less refined surface.
    pub refined_rms_um: u32,
}

impl<const CAPACITY: usize> Survey<CAPACITY> {
    /// Height of the bed at a station, as far as it has been read.
    pub fn height_um(&self, column: u8, row: u8) -> Option<i16> {
        let reading_um = self.readings_um.get(self.plan.node(column, row)?).copied()??;
        Some(self.bed_um(reading_um))
    }

    /// What was measured; none before [`Order::Done`](super::Order::Done).
    ///
    /// The surface is the one that predicts the check stations better, refined where there are none. The bed temperature
    /// is the mean of those at the presses that took the readings.
    pub fn result(&self, setup: u32) -> Option<StoredGrid<CAPACITY>> {
        if self.state != State::Done {
            return None;
        }
        let prefers_bilinear = self.check_residuals().is_some_and(|found| found.bilinear_rms_um < found.refined_rms_um);
        Some(StoredGrid {
            grid: self.grid()?,
            shift_um: 0,
            fade: None,
            bed_temperature_c: self.mean_bed_c(),
            setup,
            closure_um: self.closure_um,
            closure_accepted: self.closure_um.unsigned_abs() > self.settings.closure_limit_um,
            surface: if prefers_bilinear { Surface::Bilinear } else { Surface::Refined },
        })
    }

    /// How well both surfaces predict the check stations; none without check stations or before they are read.
    pub fn check_residuals(&self) -> Option<CheckResiduals> {
        let count = self.plan.checks(&self.settings);
        if count == 0 || self.checks_um.len() < count {
            return None;
        }
        let grid = self.grid()?;
        let lattice = self.plan.lattice();
        // Twice as dense where it fits: then the middle of every cell is a node.
        let dense = |nodes: u8| if nodes <= 8 { 2 * nodes - 1 } else { nodes };
        let refined = grid.refined::<225>(dense(lattice.columns), dense(lattice.rows)).ok()?;
        let (mut bilinear, mut smooth) = (0_u64, 0_u64);
        for (index, &reading_um) in self.checks_um.iter().enumerate() {
            let Point { x_um, y_um, .. } = self.plan.check(index);
            let height_um = i32::from(self.bed_um(reading_um));
            bilinear += u64::from(grid.height_um(x_um, y_um).abs_diff(height_um)).pow(2);
            smooth += u64::from(refined.height_um(x_um, y_um).abs_diff(height_um)).pow(2);
        }
        // Heights have 14 bits, so roots of their mean squares fit 32.
        let root_of_mean = |sum: u64| sum.checked_div(count as u64).unwrap_or(0).isqrt() as u32;
        Some(CheckResiduals { bilinear_rms_um: root_of_mean(bilinear), refined_rms_um: root_of_mean(smooth) })
    }

    /// Height of the bed for a reading.
    fn bed_um(&self, reading_um: i16) -> i16 {
        // A feeler is thin; a reading is at least the lowest height.
        let height_um = i32::from(reading_um) - i32::from(self.settings.feeler_um);
        height_um.max(-i32::from(MAX_HEIGHT_UM)) as i16
    }

    fn grid(&self) -> Option<HeightGrid<CAPACITY>> {
        let mut heights_um = Vec::<i16, CAPACITY>::new();
        for reading_um in &self.readings_um {
            heights_um.push(self.bed_um((*reading_um)?)).ok()?;
        }
        HeightGrid::new(self.plan.lattice(), &heights_um).ok()
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
                let is_last = index + 1 >= self.plan.len();
                Then::Visit(if is_last { self.after_stations() } else { Visit::Station(index + 1) })
            }
            Visit::Again(index) => {
                self.set(index, reading_um);
                Then::Visit(self.after_stations())
            }
            Visit::Check(index) => {
                self.checks_um.truncate(index);
                let _ = self.checks_um.push(reading_um);
                let is_last = index + 1 >= self.plan.checks(&self.settings);
                Then::Visit(if is_last { Visit::Closure } else { Visit::Check(index + 1) })
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
        let last = self.plan.len().saturating_sub(1);
        let to = match visit {
            Visit::Station(index) => Visit::Station(index.checked_sub(1)?),
            Visit::Again(_) | Visit::Check(0) => Visit::Station(last),
            Visit::Check(index) => Visit::Check(index - 1),
            Visit::Closure => match self.plan.checks(&self.settings) {
                0 => Visit::Station(last),
                count => Visit::Check(count - 1),
            },
        };
        match to {
            Visit::Station(index) => {
                if let Some(reading_um) = self.plan.node_of(index).and_then(|node| self.readings_um.get_mut(node)) {
                    *reading_um = None;
                }
            }
            Visit::Check(index) => self.checks_um.truncate(index),
            Visit::Again(_) | Visit::Closure => {}
        }
        Some(to)
    }

    /// Whatever was read in this round is void.
    pub(super) fn forget(&mut self) {
        self.readings_um.clear();
        self.looked_again.clear();
        self.checks_um.clear();
        for _ in 0..self.plan.len() {
            // The plan has no more stations than fit.
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
        self.readings_um.get(self.plan.node_of(index)?).copied()?
    }

    fn set(&mut self, index: usize, reading_um: i16) {
        if let Some(slot) = self.plan.node_of(index).and_then(|node| self.readings_um.get_mut(node)) {
            *slot = Some(reading_um);
        }
    }

    /// Once all stations are read: one that is to be looked at again, a check station, or the first one once more.
    fn after_stations(&mut self) -> Visit {
        let doubtful = (0..self.plan.len())
            .filter(|&index| self.looked_again.get(index) == Some(&false))
            .filter_map(|index| Some((index, self.deviation(index)?)))
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
        if self.plan.checks(&self.settings) > 0 { Visit::Check(0) } else { Visit::Closure }
    }

    /// How the reading of a station stands against all others.
    fn deviation(&self, index: usize) -> Option<Deviation> {
        let Lattice { columns, rows, .. } = self.plan.lattice();
        let reading_um = |node: usize| self.readings_um.get(node).copied().flatten().map(i32::from);
        outlier::deviation(columns, rows, self.plan.node_of(index)?, reading_um)
    }
}
