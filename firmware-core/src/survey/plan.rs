//! Which stations a survey visits, and in which order.

use core::fmt;

use heapless::Vec;

use super::{MAX_CHECK_STATIONS, SurveySettings};
use crate::grid::{GridError, HeightGrid, Lattice};
use crate::split::Point;

/// Why there is no such plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum PlanError {
    /// The stations make no grid.
    Grid(GridError),
    /// The margins leave no area.
    Margins,
    /// The order does not visit every station exactly once.
    Order {
        /// Where in the order it goes wrong, from 0.
        position: usize,
    },
}

impl fmt::Display for PlanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Grid(error) => error.fmt(f),
            Self::Margins => write!(f, "the margins leave no area for stations: make them smaller"),
            Self::Order { position } => {
                let number = position.saturating_add(1);
                write!(f, "entry {number} of the order is missing, repeated or no station: visit each exactly once")
            }
        }
    }
}

impl core::error::Error for PlanError {}

/// The stations of a survey, in the order of their visits.
#[derive(Clone, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SurveyPlan<const CAPACITY: usize> {
    lattice: Lattice,
    /// Column and row by visit.
    order: Vec<(u8, u8), CAPACITY>,
}

impl<const CAPACITY: usize> SurveyPlan<CAPACITY> {
    /// All nodes of a lattice, row by row and to and fro, so that no travel is longer than a pitch.
    ///
    /// # Errors
    /// [`PlanError::Grid`] if the lattice makes no grid or has more nodes than fit.
    pub fn new(lattice: Lattice) -> Result<Self, PlanError> {
        HeightGrid::<CAPACITY>::from_fn(lattice, |_, _| 0).map_err(PlanError::Grid)?;
        let mut order = Vec::new();
        for row in 0..lattice.rows {
            for along in 0..lattice.columns {
                let column = if row % 2 == 0 { along } else { lattice.columns - 1 - along };
                // As many as the grid has nodes, which fit.
                let _ = order.push((column, row));
            }
        }
        Ok(Self { lattice, order })
    }

    /// `columns` by `rows` stations over a rectangle, the outermost this far inside it.
    ///
    /// # Errors
    /// [`PlanError::Margins`] if nothing is left between the margins, else as [`Self::new`].
    pub fn over([from, to]: [(i32, i32); 2], margin_um: u32, columns: u8, rows: u8) -> Result<Self, PlanError> {
        let along = |from_um: i32, to_um: i32, nodes: u8| -> Option<(i32, u32)> {
            let start_um = from_um.checked_add_unsigned(margin_um)?;
            let end_um = to_um.checked_sub_unsigned(margin_um)?;
            let length_um = u32::try_from(end_um.checked_sub(start_um)?).ok()?;
            Some((start_um, length_um.checked_div(u32::from(nodes).checked_sub(1)?)?))
        };
        let (x0_um, pitch_x_um) = along(from.0, to.0, columns).ok_or(PlanError::Margins)?;
        let (y0_um, pitch_y_um) = along(from.1, to.1, rows).ok_or(PlanError::Margins)?;
        Self::new(Lattice { x0_um, y0_um, pitch_x_um, pitch_y_um, columns, rows })
    }

    /// The four corners of the same area: the round to tram the bed by, before all stations are measured.
    ///
    /// # Errors
    /// [`PlanError::Grid`] if four stations do not fit the memory.
    pub fn corners(&self) -> Result<Self, PlanError> {
        let lattice = self.lattice;
        // Spans are a little over a metre at most.
        let span_um = |pitch_um: u32, nodes: u8| pitch_um.saturating_mul(u32::from(nodes) - 1);
        Self::new(Lattice {
            pitch_x_um: span_um(lattice.pitch_x_um, lattice.columns),
            pitch_y_um: span_um(lattice.pitch_y_um, lattice.rows),
            columns: 2,
            rows: 2,
            ..lattice
        })
    }

    /// The same stations in an order of one's own, as columns and rows.
    ///
    /// # Errors
    /// [`PlanError::Order`] unless every station is visited exactly once.
    pub fn with_order(self, order: &[(u8, u8)]) -> Result<Self, PlanError> {
        let lattice = self.lattice;
        let wrong = order.iter().enumerate().position(|(position, &(column, row))| {
            let repeated = order.iter().take(position).any(|&before| before == (column, row));
            repeated || column >= lattice.columns || row >= lattice.rows
        });
        let position = match wrong {
            Some(position) => position,
            None if order.len() == lattice.node_count() => {
                return match Vec::from_slice(order) {
                    Ok(order) => Ok(Self { lattice, order }),
                    Err(_) => Err(PlanError::Order { position: CAPACITY }),
                };
            }
            None => order.len(),
        };
        Err(PlanError::Order { position })
    }

    /// Where the stations stand.
    pub fn lattice(&self) -> Lattice {
        self.lattice
    }

    /// Stations, in the order of their visits, as column and row.
    pub fn order(&self) -> &[(u8, u8)] {
        &self.order
    }

    pub(super) fn len(&self) -> usize {
        self.order.len()
    }

    pub(super) fn station(&self, index: usize) -> Option<(u8, u8)> {
        self.order.get(index).copied()
    }

    /// Number of a node in a grid; none outside the lattice.
    pub(super) fn node(&self, column: u8, row: u8) -> Option<usize> {
        let inside = column < self.lattice.columns && row < self.lattice.rows;
        inside.then_some(usize::from(row) * usize::from(self.lattice.columns) + usize::from(column))
    }

    pub(super) fn node_of(&self, index: usize) -> Option<usize> {
        let (column, row) = self.station(index)?;
        self.node(column, row)
    }

    pub(super) fn place(&self, index: usize) -> Point {
        let (column, row) = self.station(index).unwrap_or((0, 0));
        let (x_um, y_um) = self.lattice.node_um(column, row);
        Point { x_um, y_um, z_um: 0 }
    }

    /// How many check stations are visited.
    pub(super) fn checks(&self, settings: &SurveySettings) -> usize {
        if !settings.check_stations {
            return 0;
        }
        let along = |nodes: u8| if nodes > 2 { 2 } else { 1 };
        (along(self.lattice.columns) * along(self.lattice.rows)).min(MAX_CHECK_STATIONS)
    }

    /// A check station: the middle of a cell, one in each quarter of the lattice, to and fro.
    pub(super) fn check(&self, index: usize) -> Point {
        let Lattice { columns, rows, pitch_x_um, pitch_y_um, .. } = self.lattice;
        let along_x = if columns > 2 { 2 } else { 1 };
        let (row, column) = (index / along_x, index % along_x);
        let upper_column = (column == 1) != (row == 1);
        let cell = |nodes: u8, upper: bool| {
            let cells = nodes - 1;
            let lower = cells / 4;
            if upper { cells - 1 - lower } else { lower }
        };
        let upper_column = if along_x == 1 { false } else { upper_column };
        let (x_um, y_um) = self.lattice.node_um(cell(columns, upper_column), cell(rows, row == 1));
        Point {
            x_um: x_um.saturating_add_unsigned(pitch_x_um / 2),
            y_um: y_um.saturating_add_unsigned(pitch_y_um / 2),
            z_um: 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LATTICE: Lattice =
        Lattice { x0_um: 20_000, y0_um: 10_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };

    #[test]
    fn nine_stations_to_and_fro() {
        let plan = SurveyPlan::<9>::new(LATTICE).unwrap();
        let order = [(0, 0), (1, 0), (2, 0), (2, 1), (1, 1), (0, 1), (0, 2), (1, 2), (2, 2)];
        assert_eq!(plan.order(), order);
        assert!(matches!(SurveyPlan::<8>::new(LATTICE), Err(PlanError::Grid(GridError::Capacity { .. }))));
    }

    #[test]
    fn corners_of_the_same_area() {
        let plan = SurveyPlan::<9>::new(LATTICE).unwrap();
        let corners = plan.corners().unwrap();
        assert_eq!(corners.order(), [(0, 0), (1, 0), (1, 1), (0, 1)]);
        assert_eq!(corners.lattice().node_um(1, 1), LATTICE.node_um(2, 2));
        assert_eq!(corners.corners(), Ok(corners));
    }

    #[test]
    fn over_a_rectangle_with_margins() {
        let plan = SurveyPlan::<9>::over([(0, 0), (220_000, 200_000)], 20_000, 3, 3).unwrap();
        assert_eq!(plan.lattice(), Lattice { x0_um: 20_000, y0_um: 20_000, ..LATTICE });
        for margin_um in [110_000, 120_000, u32::MAX] {
            assert!(SurveyPlan::<9>::over([(0, 0), (220_000, 200_000)], margin_um, 3, 3).is_err());
        }
        assert_eq!(SurveyPlan::<9>::over([(0, 0), (220_000, 200_000)], 0, 1, 3), Err(PlanError::Margins));
    }

    #[test]
    fn an_order_of_ones_own_visits_each_once() {
        let plan = || SurveyPlan::<9>::new(LATTICE).unwrap();
        let mut order = [(0, 0), (1, 0), (2, 0), (0, 1), (1, 1), (2, 1), (0, 2), (1, 2), (2, 2)];
        assert_eq!(plan().with_order(&order).unwrap().order(), order);
        assert_eq!(plan().with_order(&order[..8]), Err(PlanError::Order { position: 8 }));
        order[4] = (0, 1);
        assert_eq!(plan().with_order(&order), Err(PlanError::Order { position: 4 }));
        order[4] = (3, 1);
        assert_eq!(plan().with_order(&order), Err(PlanError::Order { position: 4 }));
    }

    #[test]
    fn check_stations_are_in_the_middle_of_cells_one_a_quarter() {
        let settings = SurveySettings { check_stations: true, ..SurveySettings::default() };
        let plan = SurveyPlan::<9>::new(LATTICE).unwrap();
        assert_eq!(plan.checks(&settings), 4);
        let places = [0, 1, 2, 3].map(|index| (plan.check(index).x_um, plan.check(index).y_um));
        assert_eq!(places, [(65_000, 50_000), (155_000, 50_000), (155_000, 130_000), (65_000, 130_000)]);
        let narrow = SurveyPlan::<9>::new(Lattice { columns: 2, ..LATTICE }).unwrap();
        assert_eq!(narrow.checks(&settings), 2);
        assert_eq!((narrow.check(1).x_um, narrow.check(1).y_um), (65_000, 130_000));
    }
}
