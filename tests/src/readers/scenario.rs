//! The scenario file.

use std::path::PathBuf;

use gapkeeper_sim::bed::ModelledBed;
use gapkeeper_sim::scenario::Scenario;

/// Reads a scenario and builds its bed, unless that wants further files.
pub fn scenario(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match Scenario::parse(text, "bench.toml", PathBuf::from("nowhere")) {
        Ok(scenario) => {
            let _ = scenario.stations();
            if let Ok(bed) = ModelledBed::new(&scenario, scenario.warmth_printing()) {
                let height_um = bed.height_um(scenario.bed.x_mm.middle(), scenario.bed.y_mm.middle());
                assert!(height_um.is_finite(), "{height_um}");
            }
        }
        Err(error) => assert!(error.to_string().contains("bench.toml"), "{error}"),
    }
}
