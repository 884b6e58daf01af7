//! The gate's file: limits, and the cases that must keep them, in TOML.

use std::path::{Path, PathBuf};

use gapkeeper::Surface;
use serde::Deserialize;

use crate::scenario::{Count, Positive, ScenarioError};
use gapkeeper_host_tools::job::FirstLayerHeights;

/// A gate.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gate {
    /// Always `gapkeeper-gate`.
    #[serde(rename = "format")]
    _format: FormatName,
    /// Always 1 so far.
    #[serde(rename = "version")]
    _version: FormatVersion,
    /// What must be kept.
    pub limits: Limits,
    /// In which cases.
    pub matrix: Matrix,
    /// How a recorded trace is judged.
    #[serde(default)]
    pub trace: TraceSettings,
    /// Folder against which file names in the gate are understood.
    #[serde(skip)]
    pub folder: PathBuf,
}

#[derive(Clone, Debug, Deserialize)]
enum FormatName {
    #[serde(rename = "gapkeeper-gate")]
    Gate,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(try_from = "u32")]
struct FormatVersion;

impl TryFrom<u32> for FormatVersion {
    type Error = String;

    fn try_from(version: u32) -> Result<Self, String> {
        if version == 1 {
            Ok(Self)
        } else {
            Err(format!("version {version} of the gate format is not known here, only 1: use a newer gapsim"))
        }
    }
}

/// What must be kept. A limit that is left out is not looked at, but that the three for Z speeds are then those of the
/// scenario's machine, as far as it states them.
#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// Largest absolute gap error on the first layer.
    pub first_layer_gap_error_um: Option<Positive>,
    /// Largest share of the first layer that has no gap, since it is refused or beyond the plate; left out: 5.
    pub first_layer_not_judged_percent: Option<Positive>,
    /// Largest distance between pieces and the exact corrected path.
    pub chord_error_um: Option<Positive>,
    /// Largest Z speed of a feed move.
    pub z_rate_mm_s: Option<Positive>,
    /// Largest step of the Z speed at a border of cells.
    pub z_rate_step_mm_s: Option<Positive>,
    /// Largest Z acceleration within a cell.
    pub z_acceleration_mm_s2: Option<Positive>,
    /// Largest change of layer thickness by the fade.
    pub thickness_change_percent: Option<Positive>,
    /// Most pieces a second, over at least a tenth of a second.
    pub pieces_per_s: Option<Positive>,
}

/// Which surface is in force.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GateSurface {
    /// Bilinear between the readings.
    Bilinear,
    /// A denser grid computed from them.
    Refined,
}

impl GateSurface {
    /// As the core names it.
    pub(super) const fn surface(self) -> Surface {
        match self {
            Self::Bilinear => Surface::Bilinear,
            Self::Refined => Surface::Refined,
        }
    }

    /// The word used on screens and in files.
    pub const fn label(self) -> &'static str {
        match self {
            Self::Bilinear => "bilinear",
            Self::Refined => "refined",
        }
    }
}

/// The cases: every scenario with every job, grid and surface.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Matrix {
    /// Scenario files, relative to the gate's.
    pub scenarios: Vec<PathBuf>,
    /// Job files, relative to the gate's.
    pub jobs: Vec<PathBuf>,
    /// Stations along X and Y; left out: the scenario's.
    #[serde(default)]
    pub stations: Vec<[Count; 2]>,
    /// Surveys by the virtual operator; left out: the bed is read without a fault.
    #[serde(default)]
    pub seeds: Vec<u64>,
    /// Saved grids instead of measured ones, relative to the gate's.
    #[serde(default)]
    pub grids: Vec<PathBuf>,
    /// Heights of the first layer, such as "0.15..0.3"; left out: all up to 1 mm.
    #[serde(default)]
    pub first_layer_mm: FirstLayerHeights,
    /// Surfaces; left out: refined.
    #[serde(default = "refined")]
    pub surfaces: Vec<GateSurface>,
}

fn refined() -> Vec<GateSurface> {
    vec![GateSurface::Refined]
}

/// How a recorded trace is judged.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TraceSettings {
    /// How far from the job's line a piece may end.
    pub xy_um: Positive,
    /// The same on arcs, which controllers cut into chords as they like.
    pub arc_xy_um: Positive,
    /// How far from the model's height a piece may end.
    pub z_um: Positive,
    /// How far from the model's height a piece may be between its ends.
    pub chord_error_um: Positive,
    /// How far `E` may be from its share of the move.
    pub e_um: Positive,
    /// Whether the controller scales `E` by the thickness really laid in the fade.
    pub e_scaled: bool,
    /// Grids that might have been in force instead, relative to the gate's file.
    pub stale_grids: Vec<PathBuf>,
}

impl Default for TraceSettings {
    fn default() -> Self {
        Self {
            xy_um: Positive(2.0),
            arc_xy_um: Positive(25.0),
            z_um: Positive(2.0),
            chord_error_um: Positive(2.0),
            e_um: Positive(1.0),
            e_scaled: false,
            stale_grids: Vec::new(),
        }
    }
}

impl Gate {
    /// Reads a gate's file.
    ///
    /// # Errors
    /// [`ScenarioError`] names the file and the place in it.
    pub fn read(path: &Path) -> Result<Self, ScenarioError> {
        let file = gapkeeper_host_tools::printed::name(path);
        let text =
            std::fs::read_to_string(path).map_err(|source| ScenarioError::Read { path: file.clone(), source })?;
        let folder = path.parent().unwrap_or(Path::new("")).to_path_buf();
        Self::parse(&text, &file, folder)
    }

    /// Reads a gate from text; `file` is named in errors, `folder` is where the files that it names are looked for.
    ///
    /// # Errors
    /// As for [`Self::read`].
    pub fn parse(text: &str, file: &str, folder: PathBuf) -> Result<Self, ScenarioError> {
        let gate: Self = toml::from_str(text)
            .map_err(|error| ScenarioError::Text { file: file.to_string(), message: error.to_string() })?;
        let contradiction = |key, message: &str| {
            Err(ScenarioError::Contradiction { file: file.to_string(), key, message: message.to_string() })
        };
        let Matrix { scenarios, jobs, surfaces, grids, stations, seeds, .. } = &gate.matrix;
        if scenarios.is_empty() || jobs.is_empty() || surfaces.is_empty() {
            return contradiction("matrix", "without a scenario, a job and a surface nothing would be looked at");
        }
        if !(grids.is_empty() || stations.is_empty() && seeds.is_empty()) {
            return contradiction("matrix.grids", "saved grids leave nothing to measure: drop stations and seeds");
        }
        Ok(Self { folder, ..gate })
    }
}
