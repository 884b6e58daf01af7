//! Older surveys of the same plate, which tell its shape as well.

use std::path::{Path, PathBuf};

use anyhow::{anyhow, bail};
use clap::Args;
use gapkeeper::TemperatureWindows;
use gapkeeper_host_tools::estimate::USUAL_DRIFT_UM;
use gapkeeper_host_tools::grid_file::GridDocument;
use gapkeeper_host_tools::printed::{name, one_line};

use super::readings::{PlateReadings, readings};

/// The options of commands that add older surveys.
#[derive(Args)]
pub struct OlderOptions {
    /// An older survey of the same plate, a grid document that has kept its readings; several: the newest of them first
    #[arg(long, value_name = "FILE")]
    older: Vec<PathBuf>,
    /// Standard deviation of what the shape changes by from one survey to the next, 0 to 500 (default: as the older
    /// document states, else 15)
    #[arg(long, value_name = "UM", value_parser = clap::value_parser!(u16).range(..=500))]
    drift_um: Option<u16>,
}

/// What readings must share to be of one shape.
#[derive(Clone, Copy)]
pub struct Origin<'a> {
    /// The file that they come from.
    pub path: &'a Path,
    /// The name of the plate.
    pub plate: Option<&'a str>,
    /// The bed temperature.
    pub bed_temperature_c: Option<i16>,
}

impl OlderOptions {
    /// Adds the older surveys to the readings, and gives the document of the newest of them.
    pub fn add(&self, to: &mut PlateReadings, origin: Origin) -> anyhow::Result<Option<GridDocument>> {
        let mut first = None;
        for path in &self.older {
            let PlateReadings { newest, older, document } = readings(path)?;
            let document = document.ok_or_else(|| {
                anyhow!(
                    "{}: a table does not say its plate and its bed temperature\n  make a grid document of it (gapgrid \
                     estimate)",
                    name(path)
                )
            })?;
            origin.check(&Origin::of(path, &document))?;
            if to.older.readings.is_empty() {
                to.older.drift_um = if older.readings.is_empty() { USUAL_DRIFT_UM } else { older.drift_um };
            }
            to.older.readings.push(newest);
            to.older.readings.extend(older.readings);
            first = first.or(Some(document));
        }
        to.older.drift_um = self.drift_um.unwrap_or(to.older.drift_um);
        Ok(first)
    }
}

impl<'a> Origin<'a> {
    /// Where a document comes from.
    pub fn of(path: &'a Path, document: &'a GridDocument) -> Self {
        Self { path, plate: document.plate.as_deref(), bed_temperature_c: document.bed_temperature_c }
    }

    /// Whether others are of the same plate at the same temperature.
    pub fn check(&self, other: &Origin) -> anyhow::Result<()> {
        self.check_plate(other)?;
        let window_c = TemperatureWindows::default().nearest_c;
        let is_near = match (self.bed_temperature_c, other.bed_temperature_c) {
            (Some(one_c), Some(other_c)) => one_c.abs_diff(other_c) <= window_c.into(),
            (one_c, other_c) => one_c == other_c,
        };
        if !is_near {
            let temperature = |origin: &Origin| {
                let of = origin.bed_temperature_c.map_or("does not say its bed temperature".into(), |degrees| {
                    format!("was measured at {degrees} °C")
                });
                format!("{} {of}", name(origin.path))
            };
            bail!(
                "{}, {}\n  give surveys within {window_c} °C; --bed-temperature states that of the readings",
                temperature(other),
                temperature(self)
            );
        }
        Ok(())
    }

    /// Whether others are of the same plate.
    pub fn check_plate(&self, other: &Origin) -> anyhow::Result<()> {
        if self.plate != other.plate {
            let plate = |origin: &Origin| {
                let of = origin
                    .plate
                    .map_or("has no name for its plate".into(), |plate| format!("is of the plate {}", one_line(plate)));
                format!("{} {of}", name(origin.path))
            };
            bail!("{}, {}\n  give surveys of one plate; gapgrid estimate --plate names it", plate(other), plate(self));
        }
        Ok(())
    }
}
