//! Colours, and how each run is drawn; a run always differs by its dashes and its name too.

pub(crate) use gapkeeper_host_tools::picture::palette::{INK, INK_SOFT};

use crate::outcome::Run;

/// The inside of the bed.
pub(crate) const BED_FILL: &str = "#d9cdb8";
/// The surface of the bed.
pub(crate) const BED_LINE: &str = "#7b6a4c";
/// Where the first layer sticks.
pub(crate) const STICKS_FILL: &str = "#e4efe6";
/// Border of where the first layer sticks.
pub(crate) const STICKS_LINE: &str = "#5d8a68";
/// A worst place.
pub(crate) const WORST: &str = "#a5113b";

/// How a run's line is drawn.
pub(crate) struct RunStyle {
    /// Colour of lines and of areas (areas are drawn half transparent).
    pub(crate) colour: &'static str,
    /// Dashes as SVG wants them.
    pub(crate) dashes: &'static str,
    /// Width of the line in px.
    pub(crate) width: f64,
}

/// The style of a run.
pub(crate) const fn run_style(run: Run) -> RunStyle {
    match run {
        Run::Uncorrected => RunStyle { colour: "#b4491f", dashes: "7 4", width: 1.8 },
        Run::Corrected => RunStyle { colour: "#3a76b4", dashes: "2 2.5", width: 1.8 },
        Run::Refined => RunStyle { colour: "#14365c", dashes: "none", width: 2.0 },
    }
}
