//! The built-in demonstration: a drawer tray on a bench-top machine whose heated plate bows.

use std::io::{Cursor, Read};
use std::path::PathBuf;

use flate2::bufread::GzDecoder;

use crate::scenario::{Scenario, ScenarioError};

/// Name of the job, as shown.
pub const JOB_NAME: &str = "drawer_tray.gcode";

/// The scenario's text: a starting point for one's own.
pub const SCENARIO_TEXT: &str = include_str!("../../demo/scenario.toml");

/// The job, made by `examples/make_demo_job.rs`.
const JOB_GZ: &[u8] = include_bytes!("../../demo/drawer_tray.gcode.gz");

/// The built-in scenario.
///
/// # Errors
/// None as long as this file and the scenario format agree, which a test sees to.
pub fn scenario() -> Result<Scenario, ScenarioError> {
    Scenario::parse(SCENARIO_TEXT, "built-in scenario", PathBuf::new())
}

/// The built-in job, unpacked.
///
/// It is whole as long as this archive is, which a test sees to: what cannot be unpacked is missing at its end.
pub fn job() -> Cursor<Vec<u8>> {
    let mut job = Vec::new();
    let _ = GzDecoder::new(JOB_GZ).read_to_end(&mut job);
    Cursor::new(job)
}
