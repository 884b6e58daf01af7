//! The job that prints patches.

use std::f64::consts::FRAC_PI_4;
use std::fmt::Write as _;

use gapkeeper::{HeightGrid, Lattice};

use super::error::PatchError;
use super::form::{PatchForm, PatchRow};
use crate::grid_file::{CAPACITY, GridDocument};

/// Between patches the nozzle travels this far above them.
const LIFT_UM: u32 = 2000;
/// Free way between patches.
const APART_UM: u32 = 2000;
/// How far the nozzle may have stood from where the grid given puts it. If that grid and not the form's was in force, each
/// reading is off by as much; beyond what a first layer may be off by, it tells nothing (own limit, no source).
const OTHER_GRID_UM: u32 = 50;

/// How patches are printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PatchSettings {
    /// Thickness asked for.
    pub layer_um: u32,
    /// Distance of lines.
    pub line_um: u32,
    /// Diameter of what is fed.
    pub filament_um: u32,
    /// Side of a patch.
    pub size_um: u32,
    /// Feed while printing.
    pub feed_mm_min: u32,
    /// How far what is fed is drawn back while travelling.
    pub draw_back_um: u32,
}

impl Default for PatchSettings {
    /// Thick enough for a bed that is off by a tenth of a millimetre, and large enough for the jaws of a calliper
    /// (common practice, no source).
    fn default() -> Self {
        Self { layer_um: 300, line_um: 450, filament_um: 1750, size_um: 12_000, feed_mm_min: 1200, draw_back_um: 800 }
    }
}

/// Where the nozzle stands over a place with this grid in force.
fn nozzle_um(document: &GridDocument, surface: &HeightGrid<CAPACITY>, asked_um: i32, at_um: (i32, i32)) -> i32 {
    asked_um.saturating_add(document.shift_um).saturating_add(surface.height_um(at_um.0, at_um.1))
}

impl PatchForm {
    /// The largest distance between where the nozzle stood according to the form and where this grid puts it: 0 if the
    /// patches were printed with this grid in force.
    ///
    /// # Errors
    /// [`PatchError::OtherGrid`] beyond 50 µm.
    pub fn farthest_from_um(&self, document: &GridDocument, surface: &HeightGrid<CAPACITY>) -> Result<u32, PatchError> {
        let apart_um =
            |row: &PatchRow| row.nozzle_um.abs_diff(nozzle_um(document, surface, row.asked_um, (row.x_um, row.y_um)));
        let apart_um = self.rows.iter().map(apart_um).max().unwrap_or(0);
        if apart_um > OTHER_GRID_UM {
            Err(PatchError::OtherGrid { apart_um, limit_um: OTHER_GRID_UM })
        } else {
            Ok(apart_um)
        }
    }
}

impl PatchSettings {
    /// The form and the lines of the job for patches with their middles at the nodes of a lattice, to be printed with
    /// this grid in force and the surface given.
    ///
    /// The lines state their units and modes, and neither home nor heat: what begins and ends a job is the machine's
    /// own.
    ///
    /// # Errors
    /// [`PatchError`] for settings that no machine has, patches that lie on each other, and a fade on the layer.
    pub fn job(
        &self,
        document: &GridDocument,
        surface: &HeightGrid<CAPACITY>,
        middles: Lattice,
    ) -> Result<(PatchForm, String), PatchError> {
        self.check(document, middles)?;
        let places = (0..middles.rows).flat_map(|row| (0..middles.columns).map(move |column| (column, row)));
        let mut form = PatchForm::default();
        let mut job = "G21 G90 M83\n".to_owned();
        for (number, (column, row)) in (1..).zip(places) {
            let (x_um, y_um) = middles.node_um(column, row);
            // Checked to be a few millimetres at most.
            let asked_um = self.layer_um as i32;
            let nozzle_um = nozzle_um(document, surface, asked_um, (x_um, y_um));
            form.rows.push(PatchRow { number, x_um, y_um, asked_um, nozzle_um, thickness_um: None });
            self.patch(&mut job, number, [x_um, y_um].map(i64::from));
        }
        Ok((form, job))
    }

    fn check(&self, document: &GridDocument, middles: Lattice) -> Result<(), PatchError> {
        for (what, um, least, most) in [
            ("layer", self.layer_um, 100, 1000),
            ("line", self.line_um, 100, 2000),
            ("filament", self.filament_um, 1000, 4000),
            ("patch", self.size_um, 5000, 50_000),
            ("way of drawing back", self.draw_back_um, 0, 10_000),
        ] {
            if !(least..=most).contains(&um) {
                return Err(PatchError::Setting { what, um, least, most });
            }
        }
        let pitch_um = middles.pitch_x_um.min(middles.pitch_y_um);
        if pitch_um < self.size_um + APART_UM {
            return Err(PatchError::Crowded { size_um: self.size_um, pitch_um });
        }
        match document.fade.map(|fade| fade.full_below_um()) {
            Some(full_below_um) if i64::from(full_below_um) < self.layer_um.into() => {
                Err(PatchError::Fades { full_below_um })
            }
            _ => Ok(()),
        }
    }

    /// Lines along X, to and fro, without lifting between them.
    fn patch(&self, job: &mut String, number: u32, [x_um, y_um]: [i64; 2]) {
        let mm = |um: i64| um as f64 / 1000.0;
        let lines = self.size_um / self.line_um;
        let (half_um, step_um) = (i64::from(self.size_um) / 2, i64::from(self.line_um));
        let (left_um, right_um) = (x_um - half_um, x_um + half_um);
        let front_um = y_um - step_um * i64::from(lines) / 2;
        let strand_mm2 = f64::from(self.layer_um) * f64::from(self.line_um) / 1e6;
        let fed_mm =
            |way_um: i64| mm(way_um) * strand_mm2 / (FRAC_PI_4 * (f64::from(self.filament_um) / 1000.0).powi(2));
        let (feed, low, high) = (self.feed_mm_min, mm(self.layer_um.into()), mm((self.layer_um + LIFT_UM).into()));
        let back = mm(self.draw_back_um.into());
        // Writing to a string does not fail.
        let _ = writeln!(job, "; patch {number}");
        let _ = writeln!(job, "G0 Z{high:.3}\nG0 X{:.3} Y{:.3}\nG1 Z{low:.3} F600", mm(left_um), mm(front_um));
        if number > 1 && self.draw_back_um > 0 {
            let _ = writeln!(job, "G1 E{back:.3} F1800");
        }
        let _ = writeln!(job, "G1 F{feed}");
        for line in 0..=i64::from(lines) {
            let to_um = if line % 2 == 0 { right_um } else { left_um };
            if line > 0 {
                let _ = writeln!(job, "G1 Y{:.3} E{:.5}", mm(front_um + line * step_um), fed_mm(step_um));
            }
            let _ = writeln!(job, "G1 X{:.3} E{:.5}", mm(to_um), fed_mm(2 * half_um));
        }
        if self.draw_back_um > 0 {
            let _ = writeln!(job, "G1 E-{back:.3} F1800");
        }
        let _ = writeln!(job, "G0 Z{high:.3}");
    }
}
