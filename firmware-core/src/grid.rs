//! The height grid: stored heights on a regular lattice, bilinear between them.

use core::fmt;
use core::num::NonZeroU64;

use crate::axis::{Axis, AxisFault, MAX_NODES_PER_AXIS, MAX_SPAN_UM, MIN_PITCH_UM};
use crate::fixed_point::{floor_div, low_product, round_q16, scale_q16, slope_product, wide_product};

/// Largest height of a node, up or down.
///
/// The difference of two nodes then has 15 bits and a sign, which keeps every product within 32 bits.
pub const MAX_HEIGHT_UM: i16 = 8191;

/// Where the nodes of a grid stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Lattice {
    /// X of the first column.
    pub x0_um: i32,
    /// Y of the first row.
    pub y0_um: i32,
    /// Distance between columns, [`MIN_PITCH_UM`] or more.
    pub pitch_x_um: u32,
    /// Distance between rows, [`MIN_PITCH_UM`] or more.
    pub pitch_y_um: u32,
    /// Nodes along X, 2 to [`MAX_NODES_PER_AXIS`].
    pub columns: u8,
    /// Nodes along Y, 2 to [`MAX_NODES_PER_AXIS`].
    pub rows: u8,
}

impl Lattice {
    /// Number of nodes.
    pub const fn node_count(&self) -> usize {
        self.columns as usize * self.rows as usize
    }

    /// Coordinates of a node. Columns and rows count from 0; far outside, the coordinates are held at their range.
    pub fn node_um(&self, column: u8, row: u8) -> (i32, i32) {
        let along = |start_um: i32, pitch_um: u32, index: u8| {
            start_um.saturating_add_unsigned(pitch_um.saturating_mul(u32::from(index)))
        };
        (along(self.x0_um, self.pitch_x_um, column), along(self.y0_um, self.pitch_y_um, row))
    }
}

/// One of the two axes of a grid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum GridAxis {
    /// Along a row.
    X,
    /// From row to row.
    Y,
}

/// Why there is no such grid.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum GridError {
    /// Too few or too many nodes along an axis.
    NodeCount {
        /// The axis.
        axis: GridAxis,
        /// Nodes asked for.
        nodes: u8,
    },
    /// Nodes too close together, or farther apart than a whole grid may reach.
    Pitch {
        /// The axis.
        axis: GridAxis,
        /// Pitch asked for.
        pitch_um: u32,
    },
    /// First and last node too far apart.
    Span {
        /// The axis.
        axis: GridAxis,
        /// Distance asked for.
        span_um: u32,
    },
    /// The last node's coordinate does not fit 32 bits.
    Coordinates {
        /// The axis.
        axis: GridAxis,
    },
    /// Number of heights differs from columns times rows.
    Heights {
        /// Columns times rows.
        expected: usize,
        /// Heights given.
        found: usize,
    },
    /// More nodes than the memory of this grid holds.
    Capacity {
        /// Nodes asked for.
        needed: usize,
        /// Nodes that fit.
        capacity: usize,
    },
    /// A height beyond [`MAX_HEIGHT_UM`].
    HeightOutOfRange {
        /// Column, counted from 0.
        column: u8,
        /// Row, counted from 0.
        row: u8,
        /// The height.
        height_um: i32,
    },
}

impl fmt::Display for GridError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::NodeCount { axis, nodes } => write!(f, "{nodes} nodes along {axis:?}: use 2 to {MAX_NODES_PER_AXIS}"),
            Self::Pitch { axis, pitch_um } => {
                write!(f, "a pitch of {pitch_um} um along {axis:?}: use {MIN_PITCH_UM} to {MAX_SPAN_UM} um")
            }
            Self::Span { axis, span_um } => {
                write!(f, "{span_um} um from first to last node along {axis:?}: use at most {MAX_SPAN_UM} um")
            }
            Self::Coordinates { axis } => {
                write!(f, "the last node along {axis:?} is beyond 2147483647 um: move the grid")
            }
            Self::Heights { expected, found } => write!(f, "{found} heights for {expected} nodes: give one for each"),
            Self::Capacity { needed, capacity } => {
                write!(f, "{needed} nodes where {capacity} fit: use fewer columns or rows")
            }
            // People count from 1.
            Self::HeightOutOfRange { column, row, height_um } => write!(
                f,
                "{height_um} um at column {}, row {}: heights reach from -{MAX_HEIGHT_UM} to {MAX_HEIGHT_UM} um",
                u16::from(column) + 1,
                u16::from(row) + 1
            ),
        }
    }
}

impl core::error::Error for GridError {}

/// Heights of the bed on a regular lattice, in memory for `CAPACITY` nodes.
///
/// Rows run along X, the first row at the smallest Y. A positive height means that the bed is high there. Between
/// nodes the surface is bilinear; outside the grid the edge value holds.
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct HeightGrid<const CAPACITY: usize> {
    pub(crate) x: Axis,
    pub(crate) y: Axis,
    mean_um: i16,
    lowest_um: i16,
    highest_um: i16,
    /// Bit `i`: the surface has a crease along column line `i`, so a straight path across it has a corner.
    pub(crate) creases_x: u16,
    /// The same for row lines.
    pub(crate) creases_y: u16,
    /// No straight path between two creases bends by more: the most that [`Self::bend_q16`] gives there.
    pub(crate) most_bend_um: u16,
    /// Columns beyond two: written so, a window over a cell is seen to hold its four nodes.
    columns_over_two: u8,
    /// Row by row; what is not needed is 0.
    nodes_um: [i16; CAPACITY],
}

impl<const CAPACITY: usize> HeightGrid<CAPACITY> {
    /// A grid from its heights, row by row.
    ///
    /// # Errors
    /// [`GridError`] says which number is out of range and what to use instead.
    pub fn new(lattice: Lattice, heights_um: &[i16]) -> Result<Self, GridError> {
        if heights_um.len() != lattice.node_count() {
            return Err(GridError::Heights { expected: lattice.node_count(), found: heights_um.len() });
        }
        let mut heights_um = heights_um.iter();
        Self::from_fn(lattice, |_, _| heights_um.next().map_or(0, |&height_um| i32::from(height_um)))
    }

    /// A grid from a rule that gives the height of each node, by column and row counted from 0, row by row.
    ///
    /// # Errors
    /// As for [`Self::new`].
    pub fn from_fn(lattice: Lattice, mut height_um: impl FnMut(u8, u8) -> i32) -> Result<Self, GridError> {
        let axis = |axis, start_um, pitch_um, nodes| {
            Axis::new(start_um, pitch_um, nodes).map_err(|fault| match fault {
                AxisFault::NodeCount(nodes) => GridError::NodeCount { axis, nodes },
                AxisFault::Pitch(pitch_um) => GridError::Pitch { axis, pitch_um },
                AxisFault::Span(span_um) => GridError::Span { axis, span_um },
                AxisFault::Coordinates => GridError::Coordinates { axis },
            })
        };
        let x = axis(GridAxis::X, lattice.x0_um, lattice.pitch_x_um, lattice.columns)?;
        let y = axis(GridAxis::Y, lattice.y0_um, lattice.pitch_y_um, lattice.rows)?;
        // One grid from beginning to end: two would not fit the stack of a small chip.
        let mut grid = Self {
            x,
            y,
            mean_um: 0,
            lowest_um: MAX_HEIGHT_UM,
            highest_um: -MAX_HEIGHT_UM,
            creases_x: 0,
            creases_y: 0,
            most_bend_um: 0,
            columns_over_two: lattice.columns - 2,
            nodes_um: [0; CAPACITY],
        };
        let Some(used_um) = grid.nodes_um.get_mut(..lattice.node_count()) else {
            return Err(GridError::Capacity { needed: lattice.node_count(), capacity: CAPACITY });
        };
        let mut sum_um = 0;
        let (mut column, mut row) = (0, 0);
        for node_um in used_um {
            let height_um = height_um(column, row);
            if height_um.unsigned_abs() > MAX_HEIGHT_UM.unsigned_abs().into() {
                return Err(GridError::HeightOutOfRange { column, row, height_um });
            }
            sum_um += height_um;
            *node_um = height_um as i16;
            (grid.lowest_um, grid.highest_um) = (grid.lowest_um.min(*node_um), grid.highest_um.max(*node_um));
            column += 1;
            if column == lattice.columns {
                (column, row) = (0, row + 1);
            }
        }
        let count = u32::from(lattice.columns) * u32::from(lattice.rows);
        // No axis is without nodes.
        let twice_count = NonZeroU64::new(u64::from(2 * count)).unwrap_or(NonZeroU64::MIN);
        // A mean lies between its terms, so it fits as they do.
        grid.mean_um = floor_div(2 * i64::from(sum_um) + i64::from(count), twice_count) as i16;
        let (columns, rows) = (usize::from(lattice.columns), usize::from(lattice.rows));
        grid.creases_x = creases(&grid.nodes_um, columns, rows, 1, columns);
        grid.creases_y = creases(&grid.nodes_um, rows, columns, columns, 1);
        grid.most_bend_um = grid.most_bend_um();
        Ok(grid)
    }

    fn most_bend_um(&self) -> u16 {
        let most_twist_um = (0..u32::from(self.y.nodes()) - 1)
            .flat_map(|row| (0..u32::from(self.x.nodes()) - 1).map(move |column| (column << 16, row << 16)))
            .map(|(x, y)| self.twist_um(self.first_node(x, y)).unsigned_abs())
            .fold(0, u32::max);
        let cells = longest_run(self.creases_x, self.x.nodes()) * longest_run(self.creases_y, self.y.nodes());
        // At most 2^15 by 2^8.
        (most_twist_um * cells).min(u16::MAX.into()) as u16
    }

    /// Where the nodes stand.
    pub fn lattice(&self) -> Lattice {
        Lattice {
            x0_um: self.x.start_um(),
            y0_um: self.y.start_um(),
            pitch_x_um: self.x.pitch_um(),
            pitch_y_um: self.y.pitch_um(),
            columns: self.x.nodes(),
            rows: self.y.nodes(),
        }
    }

    /// Heights of the nodes, row by row.
    pub fn nodes_um(&self) -> &[i16] {
        self.nodes_um.get(..self.lattice().node_count()).unwrap_or_default()
    }

    /// Mean height of the nodes, rounded to the nearest micrometre.
    pub fn mean_um(&self) -> i32 {
        self.mean_um.into()
    }

    /// Lowest and highest node, less the mean: the reach of the shape.
    pub fn shape_range_um(&self) -> (i32, i32) {
        (i32::from(self.lowest_um) - self.mean_um(), i32::from(self.highest_um) - self.mean_um())
    }

    /// Height of the bed, within 1 µm of the exact bilinear value (0.661 µm is the worst known).
    ///
    /// Bilinear interpolation as in Abramowitz & Stegun, *Handbook of Mathematical Functions*, 25.2.66.
    #[inline]
    pub fn height_um(&self, x_um: i32, y_um: i32) -> i32 {
        round_q16(self.height_q16(x_um, y_um))
    }

    /// Height less the mean, with 16 fractional bits; up to 2^30 either way.
    #[inline(always)]
    pub(crate) fn shape_q16(&self, x_um: i32, y_um: i32) -> i32 {
        self.height_q16(x_um, y_um) - (i32::from(self.mean_um) << 16)
    }

    /// [`Self::shape_q16`] where it matters more to be short than to be fast.
    #[inline(never)]
    pub(crate) fn shape_called_q16(&self, x_um: i32, y_um: i32) -> i32 {
        self.shape_q16(x_um, y_um)
    }

    #[inline(always)]
    fn height_q16(&self, x_um: i32, y_um: i32) -> i32 {
        let (position_x, position_y) = (self.x.position_q16(x_um), self.y.position_q16(y_um));
        let (u, v) = (position_x as u16, position_y as u16);
        let first = self.first_node(position_x, position_y);
        match self.cell_um(first) {
            Some(&[a, b, .., c, d]) => {
                let near = edge_q16(a, b, u);
                near + scale_q16(edge_q16(c, d, u) - near, v.into())
            }
            _ => self.last_height_q16(first, u, v),
        }
    }

    /// The node at or before a position along both axes.
    #[inline(always)]
    fn first_node(&self, position_x: u32, position_y: u32) -> usize {
        (position_y >> 16) as usize * (usize::from(self.columns_over_two) + 2) + (position_x >> 16) as usize
    }

    /// The nodes from the first to the fourth of a cell. At the right edge the second and the fourth are those of the
    /// next row: there they have no weight and may be any.
    #[inline(always)]
    fn cell_um(&self, first: usize) -> Option<&[i16]> {
        self.nodes_um.get(first..)?.get(..usize::from(self.columns_over_two) + 4)
    }

    /// The same where some of the four nodes do not exist and have no weight.
    #[cold]
    fn last_height_q16(&self, first: usize, u: u16, v: u16) -> i32 {
        let near = self.between_nodes_q16(first, 1, u);
        near + scale_q16(self.between_nodes_q16(first + usize::from(self.columns_over_two) + 2, 1, u) - near, v.into())
    }

    /// Height between a node and the one `step` after it, which need not exist if it has no weight.
    #[inline]
    fn between_nodes_q16(&self, first: usize, step: usize, fraction: u16) -> i32 {
        let from = self.nodes_um.get(first).copied().unwrap_or_default();
        edge_q16(from, self.nodes_um.get(first + step).copied().unwrap_or(from), fraction)
    }

    /// [`Self::shape_q16`] on a column's line: there one interpolation gives the same bits.
    #[inline]
    pub(crate) fn column_shape_q16(&self, column: u8, y_um: i32) -> i32 {
        self.line_shape_q16(&self.y, y_um, column.into(), usize::from(self.columns_over_two) + 2)
    }

    /// [`Self::shape_q16`] on a row's line.
    #[inline]
    pub(crate) fn row_shape_q16(&self, row: u8, x_um: i32) -> i32 {
        self.line_shape_q16(&self.x, x_um, usize::from(row) * (usize::from(self.columns_over_two) + 2), 1)
    }

    /// The shape along one axis, from the nodes that begin at `first` and stand `step` apart.
    #[inline(never)]
    fn line_shape_q16(&self, along: &Axis, coordinate_um: i32, first: usize, step: usize) -> i32 {
        let position = along.position_q16(coordinate_um);
        let first = first + (position >> 16) as usize * step;
        self.between_nodes_q16(first, step, position as u16) - (i32::from(self.mean_um) << 16)
    }

    /// How a straight path without corners bends, `K` in `r(s) = r0 + (r1 − r0)·s − K·s·(1 − s)`: the twist
    /// `a − b − c + d` of the cell by the parts of it that the path goes along X and along Y.
    pub(crate) fn bend_q16(&self, start: (i32, i32), end: (i32, i32)) -> i32 {
        let (x0, x1) = (self.x.position_called_q16(start.0), self.x.position_called_q16(end.0));
        let (y0, y1) = (self.y.position_called_q16(start.1), self.y.position_called_q16(end.1));
        // Several cells without a crease between them have one twist, so the middle one's will do.
        let twist_um = self.twist_um(self.first_node((x0 + x1) / 2, (y0 + y1) / 2));
        // The twist over all those cells is within four heights, and so the product within 31 bits.
        let area_q16 = (wide_product(x0.abs_diff(x1), y0.abs_diff(y1)) >> 16) as u32;
        let bend_q16 = low_product(twist_um as u32, area_q16) as i32;
        if (x0 < x1) == (y0 < y1) { bend_q16 } else { -bend_q16 }
    }

    /// Twist of the cell that begins at a node; beyond the last cell no path has an area, and so none is needed.
    fn twist_um(&self, first: usize) -> i32 {
        match self.cell_um(first) {
            Some(&[a, b, .., c, d]) => i32::from(a) - i32::from(b) - i32::from(c) + i32::from(d),
            _ => 0,
        }
    }
}

/// Height on the line from one node to the next, in 16 fractional bits.
#[inline(always)]
fn edge_q16(from_um: i16, to_um: i16, fraction: u16) -> i32 {
    let (from_um, to_um) = (i32::from(from_um), i32::from(to_um));
    (from_um << 16).wrapping_add(slope_product(to_um - from_um, fraction))
}

/// The most cells along an axis between two creases.
fn longest_run(creases: u16, nodes: u8) -> u32 {
    let (mut longest, mut run) = (0, 0);
    for line in 1..u32::from(nodes) {
        run += 1;
        longest = longest.max(run);
        if creases >> line & 1 != 0 {
            run = 0;
        }
    }
    longest
}

/// Lines across one axis along which the slope changes, as bits; `step` leads along the axis, `stride` across it.
fn creases(nodes_um: &[i16], along: usize, across: usize, step: usize, stride: usize) -> u16 {
    let node = |index: usize, line: usize| nodes_um.get(index * step + line * stride).map_or(0, |&um| i32::from(um));
    let slope_after =
        |index: usize, line: usize| if index + 1 < along { node(index + 1, line) - node(index, line) } else { 0 };
    let slope_before =
        |index: usize, line: usize| if index > 0 { node(index, line) - node(index - 1, line) } else { 0 };
    (0..along)
        .filter(|&index| (0..across).any(|line| slope_before(index, line) != slope_after(index, line)))
        .fold(0, |bits, index| bits | 1 << index)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::format;

    const LATTICE: Lattice =
        Lattice { x0_um: -1000, y0_um: 500, pitch_x_um: 10_000, pitch_y_um: 20_000, columns: 3, rows: 2 };

    #[test]
    fn every_node_and_the_far_corner_are_exact() {
        let heights_um = [10, -20, 30, -8191, 8191, 60];
        let grid = HeightGrid::<6>::new(LATTICE, &heights_um).unwrap();
        for row in 0..2 {
            for column in 0..3 {
                let (x_um, y_um) = LATTICE.node_um(column, row);
                assert_eq!(
                    grid.height_um(x_um, y_um),
                    i32::from(heights_um[usize::from(row) * 3 + usize::from(column)])
                );
            }
        }
        assert_eq!(grid.height_um(i32::MAX, i32::MAX), 60);
        assert_eq!(grid.height_um(i32::MIN, i32::MIN), 10);
        assert_eq!(grid.height_um(i32::MAX, i32::MIN), 30);
    }

    /// Row I-1: Abramowitz & Stegun, 25.2.66, with f = 1, 2, 4, 3 at p = 1/4, q = 1/2;
    /// the triangle rule 25.2.65 would give 2.75 (I-2).
    #[test]
    fn four_point_formula() {
        let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 1000, pitch_y_um: 1000, columns: 2, rows: 2 };
        let grid = HeightGrid::<4>::new(lattice, &[1000, 2000, 4000, 3000]).unwrap();
        assert_eq!(grid.height_um(250, 500), 2500);
    }

    #[test]
    fn mean_is_rounded_and_shape_is_what_remains() {
        let grid = HeightGrid::<6>::new(LATTICE, &[0, 0, 0, 0, 0, -3]).unwrap();
        assert_eq!(grid.mean_um(), 0);
        assert_eq!(grid.shape_range_um(), (-3, 0));
        let grid = HeightGrid::<6>::new(LATTICE, &[100, 101, 101, 101, 101, 102]).unwrap();
        assert_eq!((grid.mean_um(), grid.shape_range_um()), (101, (-1, 1)));
    }

    #[test]
    fn creases_are_found_where_the_slope_changes() {
        let flat = HeightGrid::<6>::new(LATTICE, &[7; 6]).unwrap();
        assert_eq!((flat.creases_x, flat.creases_y), (0, 0));
        let tilted = HeightGrid::<6>::new(LATTICE, &[0, 10, 20, 5, 15, 25]).unwrap();
        assert_eq!((tilted.creases_x, tilted.creases_y), (0b101, 0b11));
        let roof = HeightGrid::<6>::new(LATTICE, &[0, 10, 0, 0, 10, 0]).unwrap();
        assert_eq!((roof.creases_x, roof.creases_y), (0b111, 0));
    }

    #[test]
    fn what_cannot_be_a_grid_is_named() {
        let with = |change: fn(&mut Lattice)| {
            let mut lattice = LATTICE;
            change(&mut lattice);
            HeightGrid::<6>::from_fn(lattice, |_, _| 0).unwrap_err()
        };
        assert_eq!(with(|l| l.columns = 1), GridError::NodeCount { axis: GridAxis::X, nodes: 1 });
        assert_eq!(with(|l| l.rows = 17), GridError::NodeCount { axis: GridAxis::Y, nodes: 17 });
        assert_eq!(with(|l| l.pitch_y_um = 99), GridError::Pitch { axis: GridAxis::Y, pitch_um: 99 });
        assert_eq!(with(|l| l.pitch_x_um = 522_241), GridError::Span { axis: GridAxis::X, span_um: 1_044_482 });
        assert_eq!(with(|l| l.x0_um = i32::MAX), GridError::Coordinates { axis: GridAxis::X });
        assert_eq!(with(|l| l.rows = 3), GridError::Capacity { needed: 9, capacity: 6 });
        assert_eq!(HeightGrid::<6>::new(LATTICE, &[0; 5]), Err(GridError::Heights { expected: 6, found: 5 }));
        let error = HeightGrid::<6>::new(LATTICE, &[0, 0, 0, 0, 0, 8192]).unwrap_err();
        assert_eq!(error, GridError::HeightOutOfRange { column: 2, row: 1, height_um: 8192 });
        assert_eq!(format!("{error}"), "8192 um at column 3, row 2: heights reach from -8191 to 8191 um");
    }
}
