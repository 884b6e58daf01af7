//! Which stations a survey visits, and in which order.

use core::fmt;

use heapless::Vec;

use super::Survey;
use crate::grid::{GridError, HeightGrid, Lattice};
use crate::split::Point;
use crate::stored_grid::StoredGrid;
use crate::tie::TieError;
use crate::tram::{MAX_SCREWS, MIN_SCREWS};
use crate::weights::WeightedLayout;

/// Readings that plane and twist take up.
const PLANE_AND_TWIST: usize = 4;

/// Why there is no such plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum PlanError {
    /// The stations make no grid.
    Grid(GridError),
    /// The margins leave no area.
    Margins,
    /// No table of weights for these stations and the middles of their cells.
    Middles {
        /// Stations along X.
        columns: u8,
        /// Stations along Y.
        rows: u8,
    },
    /// The stations nearest to the screws are fewer than three or in one line, or there are more than eight screws.
    Corners,
    /// A tie reads no more stations than plane and twist take up, so nothing would tell whether the shape held.
    Tie,
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
            Self::Middles { columns, rows } => {
                write!(f, "no middles for {columns} x {rows} stations: use 3 x 3 or 4 x 4, or leave the middles out")
            }
            Self::Corners => write!(
                f,
                "too few stations near the screws, or all in one line: name 3 to 8 screws, or leave out the corner round"
            ),
            Self::Tie => {
                write!(
                    f,
                    "too few stations for a tie, or all in one line: name 3 to 8 screws, or measure the whole bed"
                )
            }
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
    /// With middles that of the surface, on which every other node is a station.
    lattice: Lattice,
    /// What makes the surface of all readings; none where it goes through the readings.
    layout: Option<WeightedLayout>,
    /// Column and row by visit.
    order: Vec<(u8, u8), CAPACITY>,
    /// The same of the corner round; none without one.
    corners: Vec<(u8, u8), MAX_SCREWS>,
    /// How a tie becomes a grid; none for a whole survey.
    tying: Option<Tying<CAPACITY>>,
}

/// How a tie becomes a grid.
#[derive(Clone, Copy)]
pub(super) struct Tying<const CAPACITY: usize> {
    /// Four or more screws hold the plate, and can twist it.
    pub(super) is_twisted: bool,
    /// A pointer, so that a program that plans no tie does not link its arithmetic.
    pub(super) tie: fn(&Survey<CAPACITY>, &StoredGrid<CAPACITY>, u32) -> Result<StoredGrid<CAPACITY>, TieError>,
}

// All of them tie in the same way.
impl<const CAPACITY: usize> PartialEq for Tying<CAPACITY> {
    fn eq(&self, other: &Self) -> bool {
        self.is_twisted == other.is_twisted
    }
}

impl<const CAPACITY: usize> Eq for Tying<CAPACITY> {}

impl<const CAPACITY: usize> fmt::Debug for Tying<CAPACITY> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tying").field("is_twisted", &self.is_twisted).finish_non_exhaustive()
    }
}

#[cfg(feature = "defmt")]
impl<const CAPACITY: usize> defmt::Format for Tying<CAPACITY> {
    fn format(&self, f: defmt::Formatter<'_>) {
        defmt::write!(f, "Tying {{ is_twisted: {} }}", self.is_twisted);
    }
}

impl<const CAPACITY: usize> SurveyPlan<CAPACITY> {
    /// All nodes of a lattice, row by row and to and fro, so that no travel is longer than a pitch.
    ///
    /// # Errors
    /// [`PlanError::Grid`] if the lattice makes no grid or has more nodes than fit.
    pub fn new(lattice: Lattice) -> Result<Self, PlanError> {
        let layout = WeightedLayout::of(lattice.columns, lattice.rows, false);
        let mut plan = Self::empty(lattice, layout)?;
        for row in 0..lattice.rows {
            plan.visit_row(lattice.columns, row % 2 == 0, |column| (column, row));
        }
        Ok(plan)
    }

    /// The same stations and then the middles of all cells, on the way back to the first station: 13 readings for 3×3
    /// stations, 25 for 4×4. All of them enter the surface, and somebody who has had [enough](super::SurveyEvent::Enough)
    /// before the middles gets what the stations alone can give.
    ///
    /// The surface has nodes at the stations, at the middles and between them: [`Self::lattice`] is its lattice, 5×5 or
    /// 7×7, and the memory has to hold that. Its pitch is rounded down to whole micrometres.
    ///
    /// # Errors
    /// [`PlanError::Middles`] for other numbers of stations, [`PlanError::Grid`] if the surface does not fit.
    pub fn with_middles(&self) -> Result<Self, PlanError> {
        let Lattice { columns, rows, pitch_x_um, pitch_y_um, .. } = self.lattice;
        let layout = if self.has_middles() || self.is_tie() { None } else { WeightedLayout::of(columns, rows, true) };
        let layout = layout.ok_or(PlanError::Middles { columns, rows })?;
        let nodes = layout.nodes();
        let (pitch_x_um, pitch_y_um) = (pitch_x_um / 2, pitch_y_um / 2);
        let lattice = Lattice { pitch_x_um, pitch_y_um, columns: nodes, rows: nodes, ..self.lattice };
        let mut plan = Self::empty(lattice, Some(layout))?;
        for &(column, row) in &self.order {
            // There are fewer stations than the surface has nodes, which fit.
            let _ = plan.order.push((2 * column, 2 * row));
        }
        for &(column, row) in &self.corners {
            // As many as there were.
            let _ = plan.corners.push((2 * column, 2 * row));
        }
        for row in 0..rows - 1 {
            // From where the last row of stations ended.
            let is_forward = (rows % 2 == 0) == (row % 2 == 0);
            plan.visit_row(columns - 1, is_forward, |column| (2 * column + 1, 2 * (rows - 2 - row) + 1));
        }
        Ok(plan)
    }

    /// No visit yet.
    fn empty(lattice: Lattice, layout: Option<WeightedLayout>) -> Result<Self, PlanError> {
        HeightGrid::<CAPACITY>::from_fn(lattice, |_, _| 0).map_err(PlanError::Grid)?;
        Ok(Self { lattice, layout, order: Vec::new(), corners: Vec::new(), tying: None })
    }

    fn visit_row(&mut self, count: u8, is_forward: bool, station: impl Fn(u8) -> (u8, u8)) {
        for along in 0..count {
            // As many as the grid has nodes at the most, which fit.
            let _ = self.order.push(station(if is_forward { along } else { count - 1 - along }));
        }
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

    /// The same survey after a corner round: first the stations nearest to the screws are visited, in the order of the screws
    /// (X and Y of each, 3 to 8 of them), until the bed is trammed. [`Survey`](super::Survey) says how it goes.
    ///
    /// # Errors
    /// [`PlanError::Corners`] if fewer than three stations are the nearest to a screw, or all of them lie in one line.
    pub fn with_corner_round(self, screws_um: impl IntoIterator<Item = (i32, i32)>) -> Result<Self, PlanError> {
        let corners = self.nearest(screws_um).ok_or(PlanError::Corners)?;
        Ok(Self { corners, ..self })
    }

    /// A [tie](crate::Tie): of the nodes of an older grid, those nearest to the screws (X and Y of each, 3 to 8 of them), in
    /// the order of the screws, and the one in the middle.
    ///
    /// [`Keeper::plan_tie`](crate::Keeper::plan_tie) makes one for the grid that it remembers.
    ///
    /// # Errors
    /// [`PlanError::Grid`] as [`Self::new`]. [`PlanError::Tie`] if fewer than three nodes are the nearest to a screw, if all of
    /// them lie in one line, or if with the middle there are no more than plane and twist take up.
    pub fn tie(lattice: Lattice, screws_um: impl IntoIterator<Item = (i32, i32)>) -> Result<Self, PlanError> {
        let whole = Self { layout: None, ..Self::new(lattice)? };
        let corners = whole.nearest(screws_um).ok_or(PlanError::Tie)?;
        let mut order = Vec::new();
        let middle = (lattice.columns / 2, lattice.rows / 2);
        for &station in corners.iter().chain((!corners.contains(&middle)).then_some(&middle)) {
            // As many as the whole survey has at the most, which fit.
            let _ = order.push(station);
        }
        if order.len() <= corners.len().min(PLANE_AND_TWIST) {
            return Err(PlanError::Tie);
        }
        let tying = Tying { is_twisted: corners.len() >= PLANE_AND_TWIST, tie: Survey::tie_to };
        Ok(Self { order, tying: Some(tying), ..whole })
    }

    /// Whether this is a [tie](Self::tie), not a whole survey.
    pub fn is_tie(&self) -> bool {
        self.tying.is_some()
    }

    /// How a tie becomes a grid; none for a whole survey.
    pub(super) fn tying(&self) -> Option<Tying<CAPACITY>> {
        self.tying
    }

    /// The stations nearest to the screws, each once; none if they are fewer than three, more than eight or in one line.
    fn nearest(&self, screws_um: impl IntoIterator<Item = (i32, i32)>) -> Option<Vec<(u8, u8), MAX_SCREWS>> {
        let mut corners = Vec::new();
        for at_um in screws_um {
            let station = *self.order.iter().min_by_key(|&&station| self.square_of_distance(station, at_um))?;
            if !corners.contains(&station) {
                corners.push(station).ok()?;
            }
        }
        let along =
            |from: (u8, u8), to: (u8, u8)| (i32::from(to.0) - i32::from(from.0), i32::from(to.1) - i32::from(from.1));
        let spreads = match *corners.as_slice() {
            [first, second, ref others @ ..] if corners.len() >= MIN_SCREWS => others.iter().any(|&other| {
                let ((a, b), (c, d)) = (along(first, second), along(first, other));
                a * d != b * c
            }),
            _ => false,
        };
        spreads.then_some(corners)
    }

    fn square_of_distance(&self, (column, row): (u8, u8), at_um: (i32, i32)) -> u64 {
        let (x_um, y_um) = self.lattice.node_um(column, row);
        let square = |from: i32, to: i32| u64::from(from.abs_diff(to)).pow(2);
        square(x_um, at_um.0).saturating_add(square(y_um, at_um.1))
    }

    /// The same stations in an order of one's own, as columns and rows of [`Self::lattice`].
    ///
    /// # Errors
    /// [`PlanError::Order`] unless every station is visited exactly once.
    pub fn with_order(self, order: &[(u8, u8)]) -> Result<Self, PlanError> {
        let wrong = order.iter().enumerate().position(|(position, &at)| {
            let repeated = order.iter().take(position).any(|&before| before == at);
            repeated || !self.order.contains(&at)
        });
        let position = match wrong {
            Some(position) => position,
            None if order.len() == self.order.len() => {
                return match Vec::from_slice(order) {
                    Ok(order) => Ok(Self { order, ..self }),
                    Err(_) => Err(PlanError::Order { position: CAPACITY }),
                };
            }
            None => order.len(),
        };
        Err(PlanError::Order { position })
    }

    /// Where the stations stand: all nodes of this lattice, with middles every other one, in a tie a few.
    pub fn lattice(&self) -> Lattice {
        self.lattice
    }

    /// Stations, in the order of their visits, as column and row.
    pub fn order(&self) -> &[(u8, u8)] {
        &self.order
    }

    /// Stations of the corner round, in the order of their visits, as column and row; empty without one.
    pub fn corner_round(&self) -> &[(u8, u8)] {
        &self.corners
    }

    pub(super) fn len(&self) -> usize {
        self.order.len()
    }

    /// Number of a node in a grid; none outside the lattice.
    pub(super) fn node(&self, column: u8, row: u8) -> Option<usize> {
        let inside = column < self.lattice.columns && row < self.lattice.rows;
        inside.then_some(usize::from(row) * usize::from(self.lattice.columns) + usize::from(column))
    }

    pub(super) fn place(&self, (column, row): (u8, u8)) -> Point {
        let (x_um, y_um) = self.lattice.node_um(column, row);
        Point { x_um, y_um, z_um: 0 }
    }

    /// What makes the surface of all readings; none where the surface goes through the readings.
    pub(super) fn layout(&self) -> Option<WeightedLayout> {
        self.layout
    }

    /// Whether the middles of the cells are stations too.
    pub(super) fn has_middles(&self) -> bool {
        self.layout.is_some_and(WeightedLayout::has_middles)
    }

    /// Whether from a visit on there are only middles of cells to come.
    pub(super) fn only_middles_from(&self, index: usize) -> bool {
        self.has_middles() && self.order.iter().skip(index).all(|&(column, _)| column % 2 == 1)
    }

    /// The lattice of the stations without the middles.
    pub(super) fn without_middles(&self) -> Lattice {
        let lattice = self.lattice;
        if !self.has_middles() {
            return lattice;
        }
        // Halves of pitches that fitted.
        Lattice {
            pitch_x_um: 2 * lattice.pitch_x_um,
            pitch_y_um: 2 * lattice.pitch_y_um,
            columns: lattice.columns.div_ceil(2),
            rows: lattice.rows.div_ceil(2),
            ..lattice
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
    fn the_middles_are_visited_on_the_way_back() {
        let plan = SurveyPlan::<25>::new(LATTICE).unwrap().with_middles().unwrap();
        assert_eq!(plan.lattice(), Lattice { pitch_x_um: 45_000, pitch_y_um: 40_000, columns: 5, rows: 5, ..LATTICE });
        let order = [(0, 0), (2, 0), (4, 0), (4, 2), (2, 2), (0, 2), (0, 4), (2, 4), (4, 4)];
        assert_eq!(plan.order().split_at(9), (&order[..], &[(3, 3), (1, 3), (1, 1), (3, 1)][..]));
        assert_eq!((plan.only_middles_from(8), plan.only_middles_from(9)), (false, true));
        assert_eq!(plan.without_middles(), LATTICE);
        assert_eq!(plan.clone().with_middles(), Err(PlanError::Middles { columns: 5, rows: 5 }));

        let sixteen = Lattice { columns: 4, rows: 4, ..LATTICE };
        let plan = SurveyPlan::<49>::new(sixteen).unwrap().with_middles().unwrap();
        let middles = [(1, 5), (3, 5), (5, 5), (5, 3), (3, 3), (1, 3), (1, 1), (3, 1), (5, 1)];
        assert_eq!(plan.order().split_at(16).1, middles);
        assert_eq!(plan.order()[15], (0, 6));
        let small = SurveyPlan::<25>::new(sixteen).unwrap().with_middles();
        assert_eq!(small, Err(PlanError::Grid(GridError::Capacity { needed: 49, capacity: 25 })));
        let wide = SurveyPlan::<25>::new(Lattice { columns: 4, ..LATTICE }).unwrap().with_middles();
        assert_eq!(wide, Err(PlanError::Middles { columns: 4, rows: 3 }));
    }

    #[test]
    fn the_corner_round_visits_the_stations_nearest_to_the_screws() {
        let plan = || SurveyPlan::<25>::new(LATTICE).unwrap();
        let four = [(0, 0), (i32::MAX, -5), (190_000, 160_000), (10_000, i32::MAX)];
        let round = plan().with_corner_round(four).unwrap();
        assert_eq!(round.corner_round(), [(0, 0), (2, 0), (2, 2), (0, 2)]);
        assert_eq!(round.order(), plan().order());
        // Both ways round, and in another order of the stations too.
        let doubled = round.clone().with_middles().unwrap();
        assert_eq!(doubled.corner_round(), [(0, 0), (4, 0), (4, 4), (0, 4)]);
        assert_eq!(plan().with_middles().unwrap().with_corner_round(four).unwrap(), doubled);
        let mut order = plan().order().to_vec();
        order.reverse();
        assert_eq!(round.clone().with_order(&order).unwrap().corner_round(), round.corner_round());
        // Two screws at one station are one; a screw between two takes the first.
        let five = [(0, 0), (1_000, 0), (200_000, 0), (65_000, 170_000), (200_000, 170_000)];
        let corners = plan().with_corner_round(five).unwrap().corners;
        assert_eq!(corners, [(0, 0), (2, 0), (0, 2), (2, 2)]);
        assert_eq!(plan().corner_round(), []);

        let refused: [&[(i32, i32)]; 5] = [
            &[],
            &four[..2],
            &[four[0], four[1], four[0]],
            &[(0, 0), (110_000, 90_000), (200_000, 170_000)],
            &[(20_000, 10_000), (110_000, 10_000), (200_000, 10_000), (20_000, 0)],
        ];
        for screws in refused {
            assert_eq!(plan().with_corner_round(screws.iter().copied()), Err(PlanError::Corners), "{screws:?}");
        }
        let nine = plan().order.clone().into_iter().map(|(column, row)| LATTICE.node_um(column, row));
        assert_eq!(plan().with_corner_round(nine.clone()), Err(PlanError::Corners));
        assert!(plan().with_corner_round(nine.take(8)).is_ok());
    }

    #[test]
    fn an_order_of_ones_own_knows_the_middles() {
        let plan = SurveyPlan::<25>::new(LATTICE).unwrap().with_middles().unwrap();
        let mut order = plan.order().to_vec();
        order.reverse();
        assert_eq!(plan.clone().with_order(&order).unwrap().order(), order);
        order[3] = (1, 0);
        assert_eq!(plan.with_order(&order), Err(PlanError::Order { position: 3 }));
    }
}
