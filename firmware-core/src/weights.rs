//! The surface of a survey by weights: each node a fixed linear combination of all readings.
//!
//! Best linear unbiased prediction (universal kriging: C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for
//! Machine Learning*, 2006, section 2.7). Plane, twist and bow are free; what a bed has besides is a rough part by the
//! Matérn 5/2 kernel with three times the spread of the hand and half the span for its length. One such choice serves
//! smooth and rough beds, careful and hasty hands, so that nobody has to choose a surface. For a given layout of
//! stations the prediction is linear in the readings: a table of constants.
//!
//! The tables are per span, so wide and deep areas share them, and the symmetries of the square leave an eighth of
//! each. A chip keeps those whose grid fits its memory.

mod tables;

use crate::axis::MAX_NODES;
use crate::deviation::Deviation;
use crate::grid::{GridAxis, GridError, HeightGrid, Lattice};

/// Fractional bits of a weight; none is as large as 1.
const BITS: u32 = 15;

/// Free terms of the surface: plane, twist and bow.
const FREE_TERMS: u64 = 6;

/// Spread of the surface from which on more stations are called for: then 5 % of it lie beyond ±50 µm.
const SPREAD_LIMIT_UM: u32 = 25;

/// A layout of stations that has a table of weights.
///
/// Stations stand on a square lattice of [`Self::nodes`] nodes along each axis, which is that of the surface too. With
/// middles every other node of it is a station: the corners of the cells of a lattice half as dense, and their middles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum WeightedLayout {
    /// 3×3 stations and the middles of their cells: 13 readings, a surface of 5×5 nodes.
    ThreeWithMiddles,
    /// 4×4 stations and the middles of their cells: 25 readings, a surface of 7×7 nodes.
    FourWithMiddles,
    /// 5×5 stations: 25 readings, a surface of 5×5 nodes.
    Five,
}

/// How well the readings of a survey agree with each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Agreement {
    /// Column of the reading that disagrees most, on the lattice of the surface.
    pub column: u8,
    /// Its row.
    pub row: u8,
    /// That reading less what all others predict.
    pub off_um: i32,
    /// Root mean square over all readings of reading less what all others predict.
    pub predicted_rms_um: u32,
    /// How far the surface is off, as a root mean square over the area: an estimate from the readings alone. It holds
    /// the hand and what the bed does between the stations, and cannot tell one from the other.
    pub surface_rms_um: u32,
}

impl Agreement {
    /// Whether the bed is too rough, or the hand too coarse, for so few stations: more than a twentieth of the surface is
    /// expected beyond ±50 µm.
    pub fn needs_more_stations(&self) -> bool {
        self.surface_rms_um > SPREAD_LIMIT_UM
    }
}

struct Table {
    nodes: u8,
    /// 1: every node is a station. 2: every other is.
    step: u8,
    /// By representative node and station.
    weights: &'static [i16],
    /// Spread of the surface over its area by that of the hand, with 8 fractional bits.
    spread_q8: u16,
}

impl WeightedLayout {
    /// The layout with these stations along the axes, if it has a table.
    pub const fn of(columns: u8, rows: u8, with_middles: bool) -> Option<Self> {
        match (columns, rows, with_middles) {
            (3, 3, true) => Some(Self::ThreeWithMiddles),
            (4, 4, true) => Some(Self::FourWithMiddles),
            (5, 5, false) => Some(Self::Five),
            _ => None,
        }
    }

    /// Written so that a chip does not carry tables that it has no memory for: those of layouts beyond are empty.
    const fn table<const CAPACITY: usize>(self) -> Table {
        match self {
            _ if self.within::<CAPACITY>().is_none() => Table { nodes: 1, step: 1, weights: &[], spread_q8: 0 },
            Self::ThreeWithMiddles => Table {
                nodes: 5,
                step: 2,
                weights: &tables::THREE_WITH_MIDDLES,
                spread_q8: tables::THREE_WITH_MIDDLES_SPREAD_Q8,
            },
            Self::FourWithMiddles => Table {
                nodes: 7,
                step: 2,
                weights: &tables::FOUR_WITH_MIDDLES,
                spread_q8: tables::FOUR_WITH_MIDDLES_SPREAD_Q8,
            },
            Self::Five => Table { nodes: 5, step: 1, weights: &tables::FIVE, spread_q8: tables::FIVE_SPREAD_Q8 },
        }
    }

    /// Whether the middles of cells are stations.
    pub const fn has_middles(self) -> bool {
        !matches!(self, Self::Five)
    }

    /// The same where the surface fits the memory.
    pub(crate) const fn within<const CAPACITY: usize>(self) -> Option<Self> {
        match self {
            Self::ThreeWithMiddles if CAPACITY >= 25 => Some(Self::ThreeWithMiddles),
            Self::Five if CAPACITY >= 25 => Some(Self::Five),
            Self::FourWithMiddles if CAPACITY >= 49 => Some(Self::FourWithMiddles),
            _ => None,
        }
    }

    /// Nodes of the surface along each axis.
    pub const fn nodes(self) -> u8 {
        match self {
            Self::ThreeWithMiddles | Self::Five => 5,
            Self::FourWithMiddles => 7,
        }
    }

    /// Number of stations.
    pub const fn stations(self) -> usize {
        match self {
            Self::ThreeWithMiddles => 13,
            Self::FourWithMiddles | Self::Five => 25,
        }
    }

    /// Which station stands at a node of the surface, counted from 0 row by row; none if none does.
    pub const fn station(self, column: u8, row: u8) -> Option<usize> {
        let nodes = self.nodes();
        let number = row as usize * nodes as usize + column as usize;
        match self {
            _ if column >= nodes || row >= nodes => None,
            Self::Five => Some(number),
            // The number of nodes along an axis is odd, so every other one in a row is every other one in a column.
            _ if number & 1 == 0 => Some(number / 2),
            _ => None,
        }
    }

    /// The surface, from readings by station, row by row.
    ///
    /// Each node is within 1 µm of the exact prediction as long as no reading is farther from the one in the middle than
    /// 4.4 mm (13 readings) or 2.1 mm (25); it is exact on a level bed. The same readings give the same bits everywhere,
    /// and readings that are mirrored or turned give the surface mirrored or turned.
    ///
    /// # Errors
    /// [`GridError`] for a lattice with other than [`Self::nodes`] nodes or one that makes no grid, for other than
    /// [`Self::stations`] readings, and for a surface beyond the range of heights.
    pub fn grid<const CAPACITY: usize>(
        self,
        lattice: Lattice,
        readings_um: &[i16],
    ) -> Result<HeightGrid<CAPACITY>, GridError> {
        let nodes = self.nodes();
        if readings_um.len() != self.stations() {
            return Err(GridError::Heights { expected: self.stations(), found: readings_um.len() });
        }
        for (axis, found) in [(GridAxis::X, lattice.columns), (GridAxis::Y, lattice.rows)] {
            if found != nodes {
                return Err(GridError::NodeCount { axis, nodes: found });
            }
        }
        HeightGrid::from_fn(lattice, |column, row| {
            // All readings are there. Weights of a node add up to less than 2 without their signs, so the sum fits 32 bits.
            self.height_q15::<CAPACITY>(column, row, readings_um)
                .map_or(0, |height| ((height + (1 << (BITS - 1))) >> BITS) as i32)
        })
    }

    /// Height of a node of the surface, with [`BITS`] fractional bits.
    fn height_q15<const CAPACITY: usize>(self, column: u8, row: u8, readings_um: &[i16]) -> Option<i64> {
        let middle_um = i32::from(*readings_um.get(readings_um.len() / 2)?);
        let weights = self.weights::<CAPACITY>(column, row);
        let mut height = i64::from(middle_um) << BITS;
        for (&reading_um, weight) in readings_um.iter().zip(weights) {
            height += i64::from(i32::from(reading_um) - middle_um) * i64::from(weight);
        }
        Some(height)
    }

    /// Weights of a node, by station.
    fn weights<const CAPACITY: usize>(self, column: u8, row: u8) -> impl Iterator<Item = i16> {
        let Table { nodes, step, weights, .. } = self.table::<CAPACITY>();
        let last = nodes - 1;
        // The symmetry that brings the node into the eighth that is kept, where the row is at most the column.
        let flip = move |at: u8, is_flipped: bool| if is_flipped { last.saturating_sub(at) } else { at };
        let flips = (column > last / 2, row > last / 2);
        let near = (flip(column, flips.0), flip(row, flips.1));
        let is_swapped = near.1 > near.0;
        let far = usize::from(near.0.max(near.1));
        let first = (far * (far + 1) / 2 + usize::from(near.0.min(near.1))) * self.stations();
        let number = move |column: u8, row: u8| usize::from(row) * usize::from(nodes) + usize::from(column);
        let brought = move |(column, row): (u8, u8)| {
            let (column, row) = (flip(column, flips.0), flip(row, flips.1));
            if is_swapped { number(row, column) } else { number(column, row) }
        };
        (0..nodes)
            .flat_map(move |row| (0..nodes).map(move |column| (column, row)))
            .filter(move |&(column, row)| step == 1 || (column ^ row) & 1 == 0)
            .filter_map(move |at| weights.get(first + (brought(at) >> (step - 1))).copied())
    }

    /// How the reading of a station stands against what all others predict; none at a node without a station, and for
    /// other than [`Self::stations`] readings.
    pub fn deviation(self, column: u8, row: u8, readings_um: &[i16]) -> Option<Deviation> {
        self.deviation_within::<MAX_NODES>(column, row, readings_um)
    }

    /// The same on a chip with memory for so many nodes.
    pub(crate) fn deviation_within<const CAPACITY: usize>(
        self,
        column: u8,
        row: u8,
        readings_um: &[i16],
    ) -> Option<Deviation> {
        let station = self.station(column, row)?;
        if readings_um.len() != self.stations() {
            return None;
        }
        // The surface at the station is a row of the hat matrix.
        let residual =
            (i64::from(*readings_um.get(station)?) << BITS) - self.height_q15::<CAPACITY>(column, row, readings_um)?;
        let free = (1 << BITS) - i64::from(self.weights::<CAPACITY>(column, row).nth(station)?);
        Some(Deviation::new(residual >> (BITS - 8), free << (16 - BITS)))
    }

    /// How well the readings agree with each other; none for other than [`Self::stations`] readings.
    pub fn agreement(self, readings_um: &[i16]) -> Option<Agreement> {
        self.agreement_within::<MAX_NODES>(readings_um)
    }

    /// The same on a chip with memory for so many nodes.
    pub(crate) fn agreement_within<const CAPACITY: usize>(self, readings_um: &[i16]) -> Option<Agreement> {
        let Table { nodes, spread_q8, .. } = self.table::<CAPACITY>();
        let middle_um = i64::from(*readings_um.get(self.stations() / 2)?);
        let mut worst: Option<(u8, u8, Deviation)> = None;
        let (mut predicted, mut scatter_q8) = (0_u64, 0_i64);
        for (column, row) in (0..nodes).flat_map(|row| (0..nodes).map(move |column| (column, row))) {
            let Some(station) = self.station(column, row) else { continue };
            let deviation = self.deviation_within::<CAPACITY>(column, row, readings_um)?;
            if worst.is_none_or(|(_, _, worst)| deviation.rank() > worst.rank()) {
                worst = Some((column, row, deviation));
            }
            predicted += u64::from(deviation.off_um().unsigned_abs()).pow(2);
            scatter_q8 += (i64::from(*readings_um.get(station)?) - middle_um) * deviation.residual_q8();
        }
        let (column, row, deviation) = worst?;
        // The squared spread of the hand as this survey shows it (restricted maximum likelihood): readings times
        // residuals over the readings that the free terms leave. It is no less than 0 but for rounding.
        let count = self.stations() as u64;
        let scatter = scatter_q8.max(0) as u64 >> 8;
        let hand_squared = scatter.checked_div(count - FREE_TERMS)?;
        let spread = u64::from(spread_q8);
        // Readings have 14 bits and a sign, so roots of their mean squares fit 32.
        Some(Agreement {
            column,
            row,
            off_um: deviation.off_um(),
            predicted_rms_um: predicted.checked_div(count)?.isqrt() as u32,
            surface_rms_um: ((hand_squared * spread * spread) >> 16).isqrt() as u32,
        })
    }
}
