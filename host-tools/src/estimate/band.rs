//! How sure a surface is over an area.

use std::fmt;

use gapkeeper::{GridError, HeightGrid, Lattice, MAX_HEIGHT_UM};
use serde_json::{Value, json};

use super::integrated::Estimate;
use crate::grid_file::CAPACITY;

/// Places along each axis at which an area is looked at.
const PLACES: u8 = 25;
/// Nodes along each axis of a band that is shown.
const SHOWN_NODES: u8 = 9;

/// A place and half the width of the 95 % band there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandPlace {
    /// X.
    pub x_um: f64,
    /// Y.
    pub y_um: f64,
    /// How far the surface may be off, with 95 %.
    pub half_width_um: f64,
}

/// How sure a surface is over an area, with 95 % at each place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Readings that tell it.
    pub readings: usize,
    /// Spread of a reading as they show it.
    pub hand_um: f64,
    /// Half the places are surer than this.
    pub middle_um: f64,
    /// The least sure place.
    pub worst: BandPlace,
    /// How far the surface may be off.
    pub tolerance_um: f64,
    /// Share of the places where it is off by less, with 95 %.
    pub sure_share: f64,
}

impl Band {
    /// The band of a surface, or of the estimate itself, at these places; none without a place.
    pub fn at(
        estimate: &Estimate,
        surface: Option<&HeightGrid<CAPACITY>>,
        places: &[(f64, f64)],
        tolerance_um: f64,
    ) -> Option<Self> {
        let mut found: Vec<BandPlace> = places
            .iter()
            .map(|&(x_um, y_um)| BandPlace { x_um, y_um, half_width_um: half_width_um(estimate, surface, x_um, y_um) })
            .collect();
        found.sort_by(|one, other| one.half_width_um.total_cmp(&other.half_width_um));
        let sure = found.partition_point(|place| place.half_width_um <= tolerance_um);
        Some(Self {
            readings: estimate.readings(),
            hand_um: estimate.hand_um(),
            middle_um: found.get(found.len() / 2)?.half_width_um,
            worst: *found.last()?,
            tolerance_um,
            sure_share: sure as f64 / found.len() as f64,
        })
    }

    /// The band over the area of a lattice.
    pub fn over(estimate: &Estimate, surface: &HeightGrid<CAPACITY>, tolerance_um: f64) -> Option<Self> {
        Self::at(estimate, Some(surface), &places(&surface.lattice()), tolerance_um)
    }

    /// Half widths at half of the places and at the least sure one, in words without a full stop.
    pub fn widths(&self) -> String {
        let Self { middle_um, worst, .. } = self;
        let mm = |um: f64| (um / 100.0).round() / 10.0;
        format!(
            "95 % sure within ±{middle_um:.0} um at half of the places and ±{:.0} um at the least sure one (x {}, y {} mm)",
            worst.half_width_um,
            mm(worst.x_um),
            mm(worst.y_um)
        )
    }

    /// Figures for scripts: lengths in micrometres, `middle_um`, `worst_um`, `worst_x_um`, `worst_y_um`, `hand_um`, and
    /// `readings`, `sure_share` (0 to 1, within the tolerance).
    pub fn to_json(&self) -> Value {
        json!({
            "readings": self.readings,
            "hand_um": self.hand_um,
            "middle_um": self.middle_um,
            "worst_um": self.worst.half_width_um,
            "worst_x_um": self.worst.x_um,
            "worst_y_um": self.worst.y_um,
            "sure_share": self.sure_share,
        })
    }

    /// Half widths over the area of a surface, as a grid to be shown.
    ///
    /// # Errors
    /// [`GridError`] where the area is too large for a grid.
    pub fn shown(estimate: &Estimate, surface: &HeightGrid<CAPACITY>) -> Result<HeightGrid<CAPACITY>, GridError> {
        let lattice = surface.lattice();
        let pitch = |pitch_um: u32, nodes: u8| (pitch_um * u32::from(nodes - 1) / u32::from(SHOWN_NODES - 1)).max(1);
        let shown = Lattice {
            pitch_x_um: pitch(lattice.pitch_x_um, lattice.columns),
            pitch_y_um: pitch(lattice.pitch_y_um, lattice.rows),
            columns: SHOWN_NODES,
            rows: SHOWN_NODES,
            ..lattice
        };
        HeightGrid::from_fn(shown, |column, row| {
            let (x_um, y_um) = shown.node_um(column, row);
            let half_um = half_width_um(estimate, Some(surface), x_um.into(), y_um.into());
            // Beyond the heights of a grid it is as wide as matters.
            half_um.round().min(MAX_HEIGHT_UM.into()) as i32
        })
    }
}

/// The widths, the share within the tolerance, and what tells them.
impl fmt::Display for Band {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { readings, hand_um, tolerance_um, sure_share, .. } = self;
        write!(
            out,
            "{}; within ±{tolerance_um} um at {:.0} % of them; from {readings} readings with a spread of {hand_um:.0} um",
            self.widths(),
            // No share is rounded up to all.
            (100.0 * sure_share).floor()
        )
    }
}

fn half_width_um(estimate: &Estimate, surface: Option<&HeightGrid<CAPACITY>>, x_um: f64, y_um: f64) -> f64 {
    let found = estimate.at(x_um, y_um);
    // Places of a lattice, which has 32 bits.
    let height = |surface: &HeightGrid<CAPACITY>| surface.height_um(x_um.round() as i32, y_um.round() as i32).into();
    found.half_width_um(surface.map_or(found.mean_um, height))
}

/// Places all over a lattice.
pub(super) fn places(lattice: &Lattice) -> Vec<(f64, f64)> {
    let along = |start_um: i32, pitch_um: u32, nodes: u8| {
        let step_um = f64::from(pitch_um) * f64::from(nodes - 1) / f64::from(PLACES - 1);
        (0..PLACES).map(move |place| f64::from(start_um) + step_um * f64::from(place))
    };
    along(lattice.y0_um, lattice.pitch_y_um, lattice.rows)
        .flat_map(|y_um| along(lattice.x0_um, lattice.pitch_x_um, lattice.columns).map(move |x_um| (x_um, y_um)))
        .collect()
}
