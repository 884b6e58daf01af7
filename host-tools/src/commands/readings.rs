//! The readings that commands use, and what is known of the hand that took them.

use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::Args;
use gapkeeper_host_tools::estimate::Hand;
use gapkeeper_host_tools::grid_file::{GridDocument, GridFormat, StationReading, read_readings};
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
            document.readings = readings(path)?.0;
        }
        Ok(())
    }
}

fn hand(text: &str) -> Result<Hand, String> {
    let um: f64 = text.parse().map_err(|_| "give a number of micrometres".to_owned())?;
    Hand::of(um).map_err(|error| error.to_string())
}

/// The readings of a table, or those that a grid document has kept, and then the document.
pub fn readings(path: &Path) -> anyhow::Result<(Vec<StationReading>, Option<GridDocument>)> {
    if GridFormat::of(path)? == GridFormat::Csv {
        return Ok((read_readings(path)?, None));
    }
    let document = input::grid(path)?;
    if document.readings.is_empty() {
        bail!(
            "{}: the file holds no readings, and the nodes of a surface are none\n  give a table of readings: CSV with \
             x_um,y_um,height_um",
            name(path)
        );
    }
    Ok((document.readings.clone(), Some(document)))
}
