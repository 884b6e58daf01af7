//! What a replay needs besides the job.

use std::num::NonZeroUsize;

use gapkeeper::HeightGrid;
use gapkeeper_host_tools::estimate::Band;
use gapkeeper_host_tools::job::FirstLayerHeights;

use crate::controller::CAPACITY;
use crate::outcome::Run;
use crate::scenario::Scenario;
use crate::setup::{Setup, run_of};

/// What a replay needs besides the job.
#[derive(Clone, Copy, Debug)]
pub struct Settings<'a> {
    /// Machine and bed.
    pub scenario: &'a Scenario,
    /// The grid in force and where it came from; none: it is read off the bed at the scenario's stations.
    pub grid: Option<(&'a HeightGrid<CAPACITY>, &'a str)>,
    /// How warm the bed was when that grid was read, if it is known.
    pub grid_temperature_c: Option<f64>,
    /// The run that would be used: the one with the best surface of the grid.
    pub run_in_use: Run,
    /// Whether a person read that grid; otherwise it is read off the model, and the bed is still to be measured.
    pub by_hand: bool,
    /// How sure the surface of that grid is ([`Setup::band`]), printed with the figures; if none, nothing is printed.
    pub band: Option<Band>,
    /// Try out what could be done, and name it in the verdict.
    pub advise: bool,
    /// Make a map of every layer, as the page shows them; then all that is printed is sampled, which takes time.
    pub layer_maps: bool,
    /// Gap errors up to this are good, as far as the squeeze is.
    pub tolerance_um: f64,
    /// Heights at which the first layer is looked for.
    pub first_layer_heights: FirstLayerHeights,
    /// Distance between samples along the path; none: fine enough for the bed.
    pub sample_step_mm: Option<f64>,
    /// Count lines that cannot be read instead of stopping at the first.
    pub keep_going: bool,
    /// Of two words of one modal group on a line the later one counts.
    pub lenient: bool,
    /// Cores to use; none: all that there are. The outcome is the same.
    pub cores: Option<NonZeroUsize>,
}

impl<'a> Settings<'a> {
    /// A grid read off the bed, 50 µm either way, and the rest as it comes.
    pub const fn new(scenario: &'a Scenario) -> Self {
        Self {
            scenario,
            grid: None,
            grid_temperature_c: None,
            run_in_use: Run::Refined,
            by_hand: false,
            band: None,
            advise: false,
            layer_maps: false,
            tolerance_um: 50.0,
            first_layer_heights: FirstLayerHeights { from_mm: None, to_mm: 1.0 },
            sample_step_mm: None,
            keep_going: false,
            lenient: false,
            cores: None,
        }
    }
}

impl Setup {
    /// Settings for a replay of it; everything else as it comes.
    pub fn settings(&self) -> Settings<'_> {
        Settings {
            grid: Some((&self.grid, &self.origin)),
            run_in_use: run_of(self.surface),
            grid_temperature_c: self.bed_temperature_c,
            by_hand: self.by_hand,
            ..Settings::new(&self.scenario)
        }
    }
}
