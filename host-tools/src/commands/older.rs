//! Older surveys of the same plate, which tell its shape as well.

use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::Args;
use gapkeeper::TemperatureWindows;
use gapkeeper_host_tools::estimate::surveys_of;
use gapkeeper_host_tools::grid_file::{GridDocument, GridFormat, OlderSurveys};
use gapkeeper_host_tools::printed::{name, one_line};

use super::input;
use super::readings::PlateReadings;

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
        // Its own as well: the temperature may be stated for the first time.
        origin.check_older(&to.older, origin)?;
        for path in &self.older {
            if GridFormat::of(path)? == GridFormat::Csv {
                bail!(
                    "{0}: a table does not say its plate and its bed temperature\n  make a grid document that keeps its \
                     readings: gapgrid estimate {0} --bed-temperature C -o OLDER.json",
                    name(path)
                );
            }
            let document = input::grid(path)?;
            if document.readings.is_empty() {
                bail!(
                    "{0}: the file holds no readings\n  if its nodes were measured, make a document that keeps them: gapgrid \
                     convert {0} NODES.csv, then gapgrid estimate NODES.csv --bed-temperature C -o OLDER.json",
                    name(path)
                );
            }
            let from = Origin::of(path, &document);
            origin.check(&from)?;
            origin.check_older(&document.older, from)?;
            let surveys = surveys_of(&document);
            if to.older.readings.is_empty() {
                to.older.drift_um = surveys.drift_um;
            }
            for (survey, readings) in surveys.readings.iter().enumerate() {
                to.older.push(readings.clone(), surveys.bed_temperature_c(survey));
            }
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

    /// Whether the older surveys of a file were measured at the same temperature.
    ///
    /// A document of which no temperature is known does not tell those of its surveys either.
    fn check_older(&self, older: &OlderSurveys, file: Origin) -> anyhow::Result<()> {
        let window_c = TemperatureWindows::default().nearest_c;
        for survey in 0..older.readings.len() {
            let bed_temperature_c = older.bed_temperature_c(survey);
            // A document that was made before temperatures were kept can be computed again, but not be added to another.
            let is_own_unknown = bed_temperature_c.is_none() && file.path == self.path;
            if is_own_unknown || self.is_near(bed_temperature_c) {
                continue;
            }
            let of = bed_temperature_c
                .map_or("does not say its bed temperature".into(), |degrees| format!("was measured at {degrees} °C"));
            let now = self.bed_temperature_c.map_or("none is known".into(), |degrees| format!("{degrees} °C"));
            bail!(
                "{}: its older survey {} {of}, the readings of {}: {now}\n  give surveys within {window_c} °C; \
                 bed_temperatures_c in the file states those of its older ones",
                name(file.path),
                survey + 1,
                name(self.path)
            );
        }
        Ok(())
    }

    fn is_near(&self, other_c: Option<i16>) -> bool {
        match (self.bed_temperature_c, other_c) {
            (Some(one_c), Some(other_c)) => one_c.abs_diff(other_c) <= TemperatureWindows::default().nearest_c.into(),
            (one_c, other_c) => one_c == other_c,
        }
    }

    /// Whether others are of the same plate at the same temperature.
    pub fn check(&self, other: &Origin) -> anyhow::Result<()> {
        self.check_plate(other)?;
        let window_c = TemperatureWindows::default().nearest_c;
        if !self.is_near(other.bed_temperature_c) {
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
