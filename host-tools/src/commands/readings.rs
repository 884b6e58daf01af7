//! The readings that commands use, and what is known of the hand that took them.

use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::Args;
use gapkeeper_host_tools::estimate::{Estimate, EstimateError, Hand};
use gapkeeper_host_tools::grid_file::{GridDocument, GridFormat, OlderSurveys, StationReading, read_readings};
use gapkeeper_host_tools::printed::name;

use super::input;

/// The option that every command has which says how sure a surface is.
#[derive(Args)]
pub struct HandOption {
    /// Standard deviation of a reading, 1 to 500 (default: as the readings tell, about 20)
    #[arg(long, value_name = "UM", value_parser = hand)]
    hand_um: Option<Hand>,
}

impl HandOption {
    /// What is known of the hand.
    pub fn hand(&self) -> Hand {
        self.hand_um.unwrap_or_default()
    }
}

/// The option of commands that judge a grid which may have kept no readings.
#[derive(Args)]
pub struct ReadingsOption {
    /// Readings behind the grid, CSV with x_um,y_um,height_um (default: those that the grid has kept)
    #[arg(long, value_name = "FILE")]
    readings: Option<PathBuf>,
}

impl ReadingsOption {
    /// Puts the readings into the document, if there are others than its own.
    pub fn replace(&self, document: &mut GridDocument) -> anyhow::Result<()> {
        if let Some(path) = &self.readings {
            let PlateReadings { newest, older, .. } = readings(path)?;
            (document.readings, document.older) = (newest, older);
        }
        Ok(())
    }
}

fn hand(text: &str) -> Result<Hand, String> {
    let um: f64 = text.parse().map_err(|_| "give a number of micrometres".to_owned())?;
    Hand::of(um).map_err(|error| error.to_string())
}

/// The readings of a file.
pub struct PlateReadings {
    /// Those of the survey.
    pub newest: Vec<StationReading>,
    /// Older surveys that the file holds.
    pub older: OlderSurveys,
    /// The grid document, if it is one.
    pub document: Option<GridDocument>,
}

impl PlateReadings {
    /// The surface that they tell.
    pub fn estimate(&self, hand: Hand) -> Result<Estimate, EstimateError> {
        Estimate::with_older(&self.newest, &self.older, hand)
    }

    /// The readings of all surveys.
    pub fn all(&self) -> Vec<StationReading> {
        self.newest.iter().chain(self.older.readings.iter().flatten()).copied().collect()
    }
}

/// The readings of a table, or those that a grid document has kept.
pub fn readings(path: &Path) -> anyhow::Result<PlateReadings> {
    if GridFormat::of(path)? == GridFormat::Csv {
        let newest = read_readings(path)?;
        return Ok(PlateReadings { newest, older: OlderSurveys::default(), document: None });
    }
    let document = input::grid(path)?;
    if document.readings.is_empty() {
        bail!(
            "{}: the file holds no readings, and the nodes of a surface are none\n  give a table of readings: CSV with \
             x_um,y_um,height_um",
            name(path)
        );
    }
    Ok(PlateReadings { newest: document.readings.clone(), older: document.older.clone(), document: Some(document) })
}
