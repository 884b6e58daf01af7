//! What is true, whatever the keeper believes: the bed's screws, the nozzle, what was measured when.

use gapkeeper::{Fade, HeightGrid, Lattice, Order, Point, SurveySettings, WeightedLayout};

use super::chip::Chip;
use super::subject::{GRIDS, STATIONS};
use super::tie::TieRound;

/// A grid that was really measured, or that somebody vouched for.
#[derive(Clone, Debug)]
pub struct Known {
    /// Its heights.
    pub grid: HeightGrid<STATIONS>,
    /// Screw turns of the bed until then.
    pub setup: u32,
}

/// What was last said to be stored, by a save without trouble.
#[derive(Clone, Debug, PartialEq)]
pub struct Stored {
    /// The setup.
    pub setup: u32,
    /// Every place.
    pub grids: [Option<gapkeeper::StoredGrid<STATIONS>>; GRIDS],
}

/// The round that a survey is in, as somebody who watches the machine sees it.
#[derive(Clone, Debug)]
pub struct Round {
    /// As the survey was begun.
    pub settings: SurveySettings,
    /// Its stations.
    pub lattice: Lattice,
    /// Surely above the bed: goes up when the bed is raised.
    pub start_um: i32,
    /// By node: nozzle height at the last press that was taken, and the bed's screw turns then.
    pub readings: [Option<(i32, u32)>; STATIONS],
    /// Bed temperatures as told last at these presses.
    pub temperatures_c: Vec<i16>,
    /// It is a tie.
    pub tie: Option<TieRound>,
    /// The first station was read again.
    pub is_closed: bool,
    /// The bed has been in its window since then, as far as the survey was told.
    pub warm_since_s: Option<u32>,
    /// Between the press that began the round and its last reading.
    pub is_visiting: bool,
    /// The knob was turned since the nozzle arrived.
    pub is_turned: bool,
    /// A screw was told of since the switch tripped last.
    pub is_told: bool,
    /// The end was asked for.
    pub is_aborted: bool,
    /// The middles of the cells are visited too, after this many stations.
    pub middles_after: Option<u16>,
    /// Somebody had enough before all middles were read.
    pub has_enough: bool,
    /// The survey comes after a corner round of so many stations; 0 without one.
    pub corners: usize,
    /// The corners are still to be found trammed.
    pub in_corner_round: bool,
    /// All of them are read, and the nozzle is being lifted.
    pub has_corners: bool,
}

impl Round {
    /// Nothing that was read counts any more.
    pub fn void(&mut self) {
        self.readings = [None; STATIONS];
        self.temperatures_c.clear();
        (self.is_closed, self.is_visiting, self.is_turned, self.has_enough) = (false, false, false, false);
        self.has_corners = false;
    }

    /// Heights that were read, the lowest and the highest.
    pub fn range_um(&self) -> Option<(i32, i32)> {
        let read_um = || self.readings.iter().flatten().map(|&(um, _)| um);
        Some((read_um().min()?, read_um().max()?))
    }

    /// A screw was told of: another bed, and its corners are not trammed.
    pub fn told_of_screw(&mut self) {
        self.is_told = true;
        self.void();
        self.in_corner_round = self.corners > 0;
    }

    /// Heights of the bed by node, where they were read.
    pub fn heights_um(&self) -> Vec<Option<f64>> {
        let height_um = |um: i32| f64::from(um - i32::from(self.settings.feeler_um));
        self.readings.iter().map(|reading| reading.map(|(um, _)| height_um(um))).collect()
    }

    /// What the readings make: the lattice and its heights; none if one of those that count is missing.
    pub fn surface(&self) -> Option<HeightGrid<STATIONS>> {
        let feeler_um = i32::from(self.settings.feeler_um);
        let height_um = |column: u8, row: u8| {
            let (reading_um, _) = self.readings[self.node((column, row))]?;
            i16::try_from(reading_um - feeler_um).ok()
        };
        let Lattice { columns, rows, pitch_x_um, pitch_y_um, .. } = self.lattice;
        let nodes = || (0..rows).flat_map(|row| (0..columns).map(move |column| (column, row)));
        if self.middles_after.is_none() {
            let heights_um: Option<Vec<i16>> = nodes().map(|(column, row)| height_um(column, row)).collect();
            return HeightGrid::new(self.lattice, &heights_um?).ok();
        }
        let stations: Option<Vec<i16>> =
            nodes().filter(|(column, row)| column % 2 == row % 2).map(|(column, row)| height_um(column, row)).collect();
        if let Some(readings_um) = stations.filter(|_| self.has_all_middles()) {
            return WeightedLayout::ThreeWithMiddles.grid(self.lattice, &readings_um).ok();
        }
        let lattice =
            Lattice { columns: 3, rows: 3, pitch_x_um: 2 * pitch_x_um, pitch_y_um: 2 * pitch_y_um, ..self.lattice };
        let corners: Option<Vec<i16>> = nodes()
            .filter(|(column, row)| column % 2 == 0 && row % 2 == 0)
            .map(|(column, row)| height_um(column, row))
            .collect();
        HeightGrid::new(lattice, &corners?).ok()
    }

    /// All stations and all middles enter the surface.
    pub fn has_all_middles(&self) -> bool {
        self.middles_after.is_some() && !self.has_enough
    }

    /// Screw turns at the readings that are there.
    pub fn setups(&self) -> impl Iterator<Item = u32> {
        self.readings.iter().flatten().map(|&(_, setup)| setup)
    }

    /// No waiting nozzle may be lower.
    pub fn waiting_um(&self) -> i32 {
        let highest_um = self.readings.iter().flatten().map(|&(um, _)| um).max();
        let expected_um = highest_um.map_or(i32::MIN, |um| um + i32::from(self.settings.clearance_um));
        expected_um.max(self.start_um).min(8191)
    }

    /// Number of a station's node.
    pub fn node(&self, (column, row): (u8, u8)) -> usize {
        usize::from(row) * usize::from(self.lattice.columns) + usize::from(column)
    }
}

/// The machine and its memory.
#[derive(Clone, Debug)]
pub struct World {
    /// The memory.
    pub chip: Chip,
    /// There is one.
    pub has_memory: bool,
    /// The keeper has read it since power came.
    pub is_loaded: bool,
    /// Loads since then that were not answered with what is stored.
    pub failed_loads: u32,
    /// Somebody said before the memory was read that a screw was turned.
    pub told_before_load: bool,
    /// It lied at that load, or under a save since then: what is stored need not be what the keeper has.
    pub was_lied_to: bool,
    /// Some write or cell went wrong in this life.
    pub is_scarred: bool,
    /// What it must hold, as long as nothing befell it.
    pub stored: Option<Stored>,
    /// A step of a save failed, and no save came to its end since then.
    pub has_open_failure: bool,
    /// Positions mean something.
    pub is_homed: bool,
    /// Where the nozzle really is.
    pub nozzle: Point,
    /// What the motors are doing.
    pub motion: Option<Order>,
    /// What the keeper has ordered last and nobody has said to be carried out.
    pub due: Order,
    /// As told last.
    pub bed_c: i16,
    /// As told last.
    pub nozzle_c: i16,
    /// A clock.
    pub at_s: u32,
    /// The limit switch, always told at once.
    pub is_tripped: bool,
    /// How often screws were turned.
    pub setup: u32,
    /// It was told that a screw will be turned, and nothing was measured since.
    pub may_turn: bool,
    /// And that is stored.
    pub is_turn_stored: bool,
    /// A screw was turned before that was stored: somebody stays beside the machine until it is.
    pub is_turned_unstored: bool,
    /// All that was ever measured.
    pub known: Vec<Known>,
    /// The survey under way.
    pub round: Option<Round>,
    /// Where new grids fade.
    pub fade: Option<Fade>,
}

impl World {
    /// Where an order leads from here.
    pub fn target(&self, order: Order) -> Point {
        match order {
            Order::Lift { z_um } | Order::Approach { z_um } | Order::Step { z_um } => Point { z_um, ..self.nozzle },
            Order::Travel { x_um, y_um } => Point { x_um, y_um, ..self.nozzle },
            _ => self.nozzle,
        }
    }

    /// Whatever moved stops somewhere on its way, `part` of 256 of it done.
    pub fn halt(&mut self, part: i32) {
        if let Some(order) = self.motion.take() {
            let (from, to) = (self.nozzle, self.target(order));
            let along = |from: i32, to: i32| from + (to - from) / 256 * part;
            self.nozzle = Point {
                x_um: along(from.x_um, to.x_um),
                y_um: along(from.y_um, to.y_um),
                z_um: along(from.z_um, to.z_um),
            };
        }
    }

    /// Whether the bed is as the survey wants it, as far as was told.
    pub fn bed_is_warm(&self, settings: &SurveySettings) -> bool {
        self.bed_c.abs_diff(settings.bed_temperature_c) <= settings.temperature_window_c.into()
    }

    /// The same of the nozzle.
    pub fn nozzle_is_warm(&self, settings: &SurveySettings) -> bool {
        self.nozzle_c.abs_diff(settings.nozzle_temperature_c) <= settings.temperature_window_c.into()
    }

    /// Whether these heights were measured on the bed as it is now.
    pub fn is_fresh(&self, grid: &HeightGrid<STATIONS>) -> bool {
        self.known.iter().any(|known| known.setup == self.setup && known.grid == *grid)
    }

    /// Whether they were ever measured.
    pub fn is_known(&self, grid: &HeightGrid<STATIONS>) -> bool {
        self.known.iter().any(|known| known.grid == *grid)
    }
}
