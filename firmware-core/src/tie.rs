//! The tie: a new grid from an old one and a few readings, after screws were turned.
//!
//! Screws move a plate by a plane, and by a twist where they are four or more; its shape stays. So readings near the
//! screws say what the screws have done, and one in the middle says whether the shape held: the rises (reading less old
//! surface) are fitted by least squares, and what the fit leaves of them is the residual.
//!
//! Plane and twist of the new grid come from the new readings alone. So a tie to a tied grid adds nothing but its rounding,
//! half a micrometre; what grows old is the shape, and [`MAX_TIES`] ends that. A surveyor ties new work to old points the same way.

use core::fmt;
use core::num::NonZeroU8;

use crate::grid::HeightGrid;
use crate::tram::{BedHeight, ScrewChange, TramError};

/// Ties since the last whole survey: after so many a whole survey is needed (common practice, no source).
pub const MAX_TIES: u8 = 3;

/// Largest residual of a tie: beyond it the shape did not hold, or a reading is wrong.
pub const TIE_LIMIT_UM: u8 = 100;

/// That a grid was tied to an older one, and how well that went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tie {
    /// Ties since the last whole survey, up to [`MAX_TIES`].
    pub count: NonZeroU8,
    /// Residual of the last one, from the lowest reading to the highest: for four screws how much more the middle has risen
    /// or sunk than the screws did. Up to [`TIE_LIMIT_UM`].
    pub residual_um: u8,
}

impl Tie {
    /// The tie after this one; none after the last that may be.
    pub(crate) fn next(tie: Option<Self>) -> Option<NonZeroU8> {
        let count = tie.map_or(Some(NonZeroU8::MIN), |tie| tie.count.checked_add(1))?;
        (count.get() <= MAX_TIES).then_some(count)
    }
}

/// Why there is no tie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum TieError {
    /// No grid of any setup was measured near this bed temperature.
    NoGrid {
        /// The temperature.
        bed_temperature_c: i16,
    },
    /// The newest grid has been tied [`MAX_TIES`] times.
    TooOften,
    /// The stations of the plan are not nodes of the newest grid: make the plan from that grid.
    Stations,
    /// The shape did not hold, or a reading is wrong.
    Shape {
        /// The residual.
        residual_um: u16,
    },
    /// The bed moved farther than heights reach.
    Heights,
}

impl fmt::Display for TieError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::NoGrid { bed_temperature_c } => {
                write!(f, "no grid to tie to for a bed at {bed_temperature_c} C: a whole survey is needed")
            }
            Self::TooOften => write!(f, "tied {MAX_TIES} times since the last whole survey: a whole survey is needed"),
            Self::Stations => write!(f, "stations of another grid: plan the tie from the newest one"),
            Self::Shape { residual_um } => {
                write!(f, "the shape is off by {residual_um} um, more than {TIE_LIMIT_UM}: a whole survey is needed")
            }
            Self::Heights => write!(f, "the bed moved out of range: a whole survey is needed"),
        }
    }
}

impl core::error::Error for TieError {}

impl<const CAPACITY: usize> HeightGrid<CAPACITY> {
    /// This grid on the bed as it stands now, and the residual, from heights of the bed at some of its nodes (column, row,
    /// height). `is_twisted`: four or more screws hold the plate.
    ///
    /// # Errors
    /// [`TieError::Shape`] for a residual beyond [`TIE_LIMIT_UM`], [`TieError::Heights`] for a bed that moved out of range,
    /// [`TieError::Stations`] if the nodes are fewer than three, in one line, or none of this grid.
    #[inline(never)]
    pub fn tied(
        &self,
        heights: impl Iterator<Item = (u8, u8, i16)> + Clone,
        is_twisted: bool,
    ) -> Result<(Self, u8), TieError> {
        let (lattice, nodes_um) = (self.lattice(), self.nodes_um());
        let node = |column: u8, row: u8| {
            let is_inside = column < lattice.columns && row < lattice.rows;
            is_inside.then_some(usize::from(row) * usize::from(lattice.columns) + usize::from(column))
        };
        let old_um = |column, row| nodes_um.get(node(column, row)?).copied().map(i32::from);
        if heights.clone().any(|(column, row, _)| old_um(column, row).is_none()) {
            return Err(TieError::Stations);
        }
        let rises = heights.filter_map(|(column, row, height_um)| {
            let (x_um, y_um) = lattice.node_um(column, row);
            Some(BedHeight { x_um, y_um, height_um: i32::from(height_um) - old_um(column, row)? })
        });
        let change = ScrewChange::fit(rises, is_twisted).map_err(|error| match error {
            TramError::HeightOutOfRange { .. } => TieError::Heights,
            _ => TieError::Stations,
        })?;
        let residual_um = change.residual().peak_to_valley_um;
        let residual_um = u8::try_from(residual_um).ok().filter(|&um| um <= TIE_LIMIT_UM).ok_or(TieError::Shape {
            // Rises have 14 bits and a sign.
            residual_um: residual_um as u16,
        })?;
        let tied = HeightGrid::from_fn(lattice, |column, row| {
            let (x_um, y_um) = lattice.node_um(column, row);
            old_um(column, row).unwrap_or(0).saturating_add(change.height_um(x_um, y_um))
        });
        tied.map(|tied| (tied, residual_um)).map_err(|_| TieError::Heights)
    }
}
