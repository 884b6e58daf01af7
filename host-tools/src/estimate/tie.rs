//! Whether the shape of a plate held while screws were turned.

use gapkeeper::{HeightGrid, Lattice, TIE_LIMIT_UM};
use nalgebra::DVector;

use super::error::EstimateError;
use super::integrated::{Estimate, Hand};
use super::surveys::{reaches, screw_terms};
use crate::grid_file::{CAPACITY, GridDocument, OlderSurveys, StationReading};

/// What a few readings say of a shape that was measured before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TieCheck {
    /// How many readings.
    pub readings: usize,
    /// What plane and twist leave of readings less shape, from the lowest to the highest.
    pub residual_um: f64,
}

impl TieCheck {
    /// Readings against a shape, on any plane and twist.
    ///
    /// # Errors
    /// [`EstimateError`] for fewer than [`FEWEST_TIED`](super::FEWEST_TIED) places, and for such that do not tell plane and
    /// twist.
    pub fn new(readings: &[StationReading], height_um: impl Fn(f64, f64) -> f64) -> Result<Self, EstimateError> {
        let terms = screw_terms(readings, 0)?;
        let off = readings
            .iter()
            .map(|reading| f64::from(reading.at.height_um) - height_um(reading.at.x_um.into(), reading.at.y_um.into()));
        let off_um = DVector::from_iterator(readings.len(), off);
        // Whole singular values: nothing of them is left out.
        let change = terms.clone().svd(true, true).solve(&off_um, 0.0);
        let left_um = off_um - terms * change.map_err(|_| EstimateError::UndeterminedTie { age: 0 })?;
        Ok(Self { readings: readings.len(), residual_um: left_um.max() - left_um.min() })
    }

    /// Readings against the surface between the nodes of a grid.
    ///
    /// A pitch is a whole number of micrometres, so the last node may stand less than a micrometre per cell inside what
    /// the grid was made for; readings there are taken.
    ///
    /// # Errors
    /// As for [`Self::new`], and [`EstimateError::Outside`] for a reading beyond the grid, and [`EstimateError::Narrow`]
    /// for readings that reach over less than half of it.
    pub fn of_surface(
        readings: &[StationReading],
        grid: Lattice,
        surface: &HeightGrid<CAPACITY>,
    ) -> Result<Self, EstimateError> {
        let (last_x_um, last_y_um) = grid.node_um(grid.columns - 1, grid.rows - 1);
        // Less than the number of cells.
        let is_within = |um: i32, from_um: i32, last_um: i32, nodes: u8| {
            um >= from_um && um <= last_um.saturating_add(i32::from(nodes) - 2)
        };
        let is_outside = |reading: &&StationReading| {
            !is_within(reading.at.x_um, grid.x0_um, last_x_um, grid.columns)
                || !is_within(reading.at.y_um, grid.y0_um, last_y_um, grid.rows)
        };
        if let Some(StationReading { at, .. }) = readings.iter().find(is_outside) {
            return Err(EstimateError::Outside { x_um: at.x_um, y_um: at.y_um });
        }
        // Places of readings, which have 32 bits.
        let tie = Self::new(readings, |x_um, y_um| surface.height_um(x_um as i32, y_um as i32).into())?;
        reaches(readings, [last_x_um.abs_diff(grid.x0_um), last_y_um.abs_diff(grid.y0_um)])?;
        Ok(tie)
    }

    /// The newest readings of a document against the shape that its older surveys tell; none if the newest tell the shape
    /// themselves.
    ///
    /// # Errors
    /// [`EstimateError`] where the older ones do not tell the shape, or the newest not how the screws moved it.
    pub fn of_newest(document: &GridDocument, hand: Hand) -> Result<Option<Self>, EstimateError> {
        let GridDocument { readings, older: OlderSurveys { drift_um, readings: older, .. }, .. } = document;
        let [newest_older, rest @ ..] = older.as_slice() else { return Ok(None) };
        if Estimate::new(readings, hand).is_ok() {
            return Ok(None);
        }
        let rest = OlderSurveys { drift_um: *drift_um, readings: rest.to_vec(), ..OlderSurveys::default() };
        let shape = Estimate::with_older(newest_older, &rest, hand)?;
        Self::new(readings, |x_um, y_um| shape.at(x_um, y_um).mean_um).map(Some)
    }

    /// Whether the shape held: the core's limit for a tie.
    pub fn holds(&self) -> bool {
        self.residual_um <= TIE_LIMIT_UM.into()
    }
}
