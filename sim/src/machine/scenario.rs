//! The scenario file: a machine and a modelled bed, in TOML.
//!
//! Every key carries its unit. ReadingOptions is strict: an unknown key or a number out of range is an error that shows the
//! line and points at the place.

mod physics;

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use gapkeeper::{Fade, Lattice, MAX_NODES_PER_AXIS, MAX_TOLERANCE_UM, StoredGrid};
use gapkeeper_host_tools::gcode::moves;
use gapkeeper_host_tools::grid_file::OlderSurveys;
use gapkeeper_host_tools::job::ReadingOptions;
use serde::Deserialize;

use crate::controller::CAPACITY;

pub use physics::{
    Celsius, Clamp, Gantry, Held, Material, Nozzle, Plate, Printing, REFERENCE_TEMPERATURE_C, Room, SignedShare, Warmth,
};

/// Why a scenario cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ScenarioError {
    /// The file cannot be read.
    #[error("{path}: {source}")]
    Read {
        /// The file.
        path: String,
        /// What the system said.
        source: io::Error,
    },
    /// The text is no scenario; the message shows the line and a caret.
    #[error("{file}: {message}")]
    Text {
        /// The file.
        file: String,
        /// What is wrong, with line and caret.
        message: String,
    },
    /// Two facts do not go together.
    #[error("{file}: {key}: {message}")]
    Contradiction {
        /// The file.
        file: String,
        /// The key to look at.
        key: &'static str,
        /// What is wrong and what to do.
        message: String,
    },
}

/// A finite number above zero.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(try_from = "f64")]
pub struct Positive(pub f64);

impl TryFrom<f64> for Positive {
    type Error = String;

    fn try_from(value: f64) -> Result<Self, String> {
        if value.is_finite() && value > 0.0 { Ok(Self(value)) } else { Err(format!("{value} must be above 0")) }
    }
}

/// A finite number within ±100,000: more is no bed and no height.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(try_from = "f64")]
pub struct Bounded(pub f64);

impl TryFrom<f64> for Bounded {
    type Error = String;

    fn try_from(value: f64) -> Result<Self, String> {
        if value.abs() <= 1e5 { Ok(Self(value)) } else { Err(format!("{value} is beyond 100000 either way")) }
    }
}

/// A stretch of an axis: its lower and its upper end.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(try_from = "[Bounded; 2]")]
pub struct Extent {
    /// Lower end.
    pub from: f64,
    /// Upper end.
    pub to: f64,
}

impl TryFrom<[Bounded; 2]> for Extent {
    type Error = String;

    fn try_from([from, to]: [Bounded; 2]) -> Result<Self, String> {
        if from.0 < to.0 {
            Ok(Self { from: from.0, to: to.0 })
        } else {
            Err(format!("[{}, {}]: the first must be below the second", from.0, to.0))
        }
    }
}

impl Extent {
    /// Lower end, upper end.
    pub fn ends(self) -> [f64; 2] {
        [self.from, self.to]
    }

    /// Distance between the ends.
    pub fn length(self) -> f64 {
        self.to - self.from
    }

    /// Half-way between the ends.
    pub fn middle(self) -> f64 {
        (self.from + self.to) / 2.0
    }

    /// Whether a coordinate lies within, ends included.
    pub fn contains(self, coordinate: f64) -> bool {
        (self.from..=self.to).contains(&coordinate)
    }
}

/// A whole scenario.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Always `gapkeeper-scenario`.
    #[serde(rename = "format")]
    _format: FormatName,
    /// Always 1 so far.
    #[serde(rename = "version")]
    _version: FormatVersion,
    /// Shown on pictures and pages.
    pub name: String,
    /// What moves.
    pub machine: Machine,
    /// What it moves over.
    pub bed: Bed,
    /// Where the gap is read.
    pub survey: Survey,
    /// Who measures, how, and how warm.
    #[serde(default)]
    pub measuring: Measuring,
    /// How warm the machine is while the job runs.
    #[serde(default)]
    pub printing: Printing,
    /// The air around it.
    #[serde(default)]
    pub room: Room,
    /// How the readings are applied.
    #[serde(default)]
    pub correction: CorrectionSettings,
    /// Folder against which file names in the scenario are understood.
    #[serde(skip)]
    pub folder: PathBuf,
    /// An older grid that is tied instead of a whole survey; no key of a file, for it belongs to screws of another day.
    #[serde(skip)]
    pub tie: Option<Box<OldGrid>>,
}

/// A grid of an earlier survey, and what that survey did to the screws.
#[derive(Clone, Debug)]
pub struct OldGrid {
    /// The grid.
    pub grid: StoredGrid<CAPACITY>,
    /// How far the survey raised each screw; the scenario's heights hold that already.
    pub screws_raised_um: Vec<f64>,
    /// The surveys behind the grid, as far as their readings were kept: they tell the shape that a tie takes over.
    pub surveys: OlderSurveys,
    /// The name of the plate, if it has one.
    pub plate: Option<String>,
}

#[derive(Clone, Debug, Deserialize)]
enum FormatName {
    #[serde(rename = "gapkeeper-scenario")]
    Scenario,
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
            Err(format!("version {version} of the scenario format is not known here, only 1: use a newer gapsim"))
        }
    }
}

/// The machine.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Machine {
    /// Travel of X.
    pub travel_x_mm: Extent,
    /// Travel of Y.
    pub travel_y_mm: Extent,
    /// Travel of Z.
    pub travel_z_mm: Extent,
    /// Motor steps per millimetre.
    pub steps_per_mm: StepsPerMm,
    /// Fastest Z.
    pub z_rate_limit_mm_s: Positive,
    /// Largest sudden change of the Z speed that the motor takes; left out: not known.
    pub z_rate_step_limit_mm_s: Option<Positive>,
    /// Largest Z acceleration; left out: not known.
    pub z_acceleration_limit_mm_s2: Option<Positive>,
    /// Machine height at which the limit switch trips; no corrected move may go below it.
    pub limit_switch_trips_at_mm: Bounded,
    /// What carries the nozzle; left out: it moves in a plane.
    pub gantry: Option<Gantry>,
    /// How the nozzle grows with its temperature; left out: it does not.
    pub nozzle: Option<Nozzle>,
    /// Diameter of the filament that `E` feeds; left out: [`FILAMENT_MM`], which is then said to be a guess.
    pub filament_mm: Option<Positive>,
    /// How wide the job's lines are meant to be: the room that what is fed must fill; left out: [`LINE_WIDTH_MM`], which
    /// is then said to be a guess.
    pub line_width_mm: Option<Positive>,
}

/// The common diameter of filament (common practice, no source).
pub const FILAMENT_MM: f64 = 1.75;
/// A common width of lines from a nozzle of 0.4 mm (common practice, no source).
pub const LINE_WIDTH_MM: f64 = 0.45;

impl Machine {
    /// Cross-section of the filament.
    pub fn filament_mm2(&self) -> f64 {
        self.filament_mm.map_or(FILAMENT_MM, |mm| mm.0).powi(2) * std::f64::consts::FRAC_PI_4
    }

    /// How wide lines are meant to be.
    pub(crate) fn meant_width_mm(&self) -> f64 {
        self.line_width_mm.map_or(LINE_WIDTH_MM, |mm| mm.0)
    }
}

/// Motor steps per millimetre on each axis.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StepsPerMm {
    /// On X.
    pub x: Positive,
    /// On Y.
    pub y: Positive,
    /// On Z.
    pub z: Positive,
}

/// The bed.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bed {
    /// Where the plate lies along X.
    pub x_mm: Extent,
    /// Where the plate lies along Y.
    pub y_mm: Extent,
    /// Height that one turn of a screw makes.
    pub screw_pitch_mm: Positive,
    /// Three to nine screws that hold the plate.
    pub screws: Vec<Screw>,
    /// How far all screws have been raised over these heights.
    #[serde(default)]
    pub raised_um: Bounded,
    /// What the plate is made of and held by; left out: it is ideal and rests on the surface through its screws.
    pub plate: Option<Plate>,
    /// What the plate adds to the surface through its screws, whatever makes it do so.
    #[serde(default)]
    pub forms: Vec<Form>,
}

/// One screw below the bed.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Screw {
    /// Its X.
    pub x_mm: Bounded,
    /// Its Y.
    pub y_mm: Bounded,
    /// Height of the bed above the machine's zero there.
    pub height_um: Bounded,
}

/// One form of the plate, added to all others.
#[derive(Clone, Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Form {
    /// A paraboloid: the middle stands above the corners by this height.
    Bow {
        /// Middle over corners; negative for a hollow.
        height_um: Bounded,
    },
    /// Two opposite corners up and two down by this height.
    Twist {
        /// Height of the corner at the largest X and Y.
        height_um: Bounded,
    },
    /// A straight wave crest through a point.
    Ridge {
        /// X of a point on the crest.
        x_mm: Bounded,
        /// Y of a point on the crest.
        y_mm: Bounded,
        /// Direction of the crest, anticlockwise from X.
        angle_deg: Bounded,
        /// Distance from the crest to where it is gone.
        half_width_mm: Positive,
        /// Height of the crest.
        height_um: Bounded,
    },
    /// A round hollow.
    Dent {
        /// X of its middle.
        x_mm: Bounded,
        /// Y of its middle.
        y_mm: Bounded,
        /// Distance from the middle to where it is gone.
        radius_mm: Positive,
        /// Depth of the middle.
        depth_um: Bounded,
    },
    /// Waves of one length over the whole bed.
    Ripple {
        /// Height of a crest above the mean.
        height_um: Bounded,
        /// From crest to crest.
        wavelength_mm: Positive,
        /// Direction in which the waves follow each other, anticlockwise from X.
        #[serde(default)]
        angle_deg: Bounded,
        /// Phase in the middle of the bed.
        #[serde(default)]
        phase_deg: Bounded,
    },
    /// A smooth random surface; the same seed gives the same surface on every machine.
    Random {
        /// Root mean square height over many seeds.
        rms_um: Positive,
        /// Shortest wave in it.
        shortest_mm: Positive,
        /// Which of the surfaces.
        seed: u64,
    },
    /// A measured surface: CSV with the header `x_um,y_um,height_um`, a regular lattice of any size.
    Measured {
        /// The file, relative to the scenario's.
        file: PathBuf,
    },
}

/// Where the gap is read.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Survey {
    /// Stations along X and along Y.
    pub stations: [Count; 2],
    /// First and last station along X.
    pub x_mm: Extent,
    /// First and last station along Y.
    pub y_mm: Extent,
    /// Nodes of the refined grid; left out: as many as a grid may have that keeps the stations' own.
    pub refined: Option<[Count; 2]>,
}

/// Who measures, how, and how warm.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Measuring {
    /// Bed temperature while measuring.
    pub bed_temperature_c: i16,
    /// Nozzle temperature while measuring.
    pub nozzle_temperature_c: i16,
    /// How long both must have been right before the first reading.
    pub soak_s: u16,
    /// Thickness of the paper or blade.
    pub feeler_um: u16,
    /// One detent of the knob.
    pub detent_um: u16,
    /// Change at the first station that is still no reason to doubt the round.
    pub closure_limit_um: u16,
    /// Whether the middles of the cells are read too, where there are weights for them: 3 × 3 and 4 × 4 stations.
    #[serde(alias = "check_stations")]
    pub middles: bool,
    /// With a corner round first, until the corners lie within this of each other; no key of a file, for it moves the screws.
    #[serde(skip)]
    pub corner_limit_um: Option<u16>,
    /// Standard deviation of a reading by hand.
    pub feel_um: NotNegative,
    /// By how much every reading is too high.
    pub bias_um: Bounded,
    /// Share of readings that are wrong by a sheet of paper or two.
    pub blunder_share: Share,
    /// Time that a person takes at a station.
    pub station_s: NotNegative,
    /// How far the middle of the plate still rises once the bed is at its temperature.
    pub settle_um: Bounded,
    /// In this time all but a third of that is done.
    pub settle_s: Positive,
}

impl Default for Measuring {
    fn default() -> Self {
        Self {
            bed_temperature_c: 60,
            nozzle_temperature_c: 200,
            soak_s: 300,
            feeler_um: 100,
            detent_um: 10,
            closure_limit_um: 40,
            middles: true,
            corner_limit_um: None,
            feel_um: NotNegative(20.0),
            bias_um: Bounded(0.0),
            blunder_share: Share(0.0),
            station_s: NotNegative(30.0),
            settle_um: Bounded(0.0),
            settle_s: Positive(240.0),
        }
    }
}

/// A finite number of zero or more.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(try_from = "f64")]
pub struct NotNegative(pub f64);

impl TryFrom<f64> for NotNegative {
    type Error = String;

    fn try_from(value: f64) -> Result<Self, String> {
        if (0.0..=1e5).contains(&value) { Ok(Self(value)) } else { Err(format!("{value} must be 0 to 100000")) }
    }
}

/// A share of 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(try_from = "f64")]
pub struct Share(pub f64);

impl TryFrom<f64> for Share {
    type Error = String;

    fn try_from(value: f64) -> Result<Self, String> {
        if (0.0..=1.0).contains(&value) { Ok(Self(value)) } else { Err(format!("{value} must be 0 to 1")) }
    }
}

/// A number of nodes along an axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "u8")]
pub struct Count(pub u8);

impl TryFrom<u8> for Count {
    type Error = String;

    fn try_from(count: u8) -> Result<Self, String> {
        if (2..=MAX_NODES_PER_AXIS).contains(&count) {
            Ok(Self(count))
        } else {
            Err(format!("{count} nodes along an axis: use 2 to {MAX_NODES_PER_AXIS}"))
        }
    }
}

/// How the readings are applied.
#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CorrectionSettings {
    /// Moves the nozzle away from the bed (positive) or nearer.
    pub shift_um: i32,
    /// Where the correction dies out; left out: it never does.
    pub fade: Option<FadeSettings>,
    /// How far a piece may be off the corrected path; left out: 2.
    pub tolerance_um: Option<u16>,
    /// How far a chord of an arc may be off the arc, before it is corrected: it comes on top; left out: 5.
    #[serde(default)]
    pub arc_tolerance_um: ArcTolerance,
}

/// How far a chord may be off its arc.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "u16")]
pub struct ArcTolerance(pub u16);

impl Default for ArcTolerance {
    fn default() -> Self {
        Self(moves::ARC_TOLERANCE_UM)
    }
}

impl TryFrom<u16> for ArcTolerance {
    type Error = String;

    fn try_from(um: u16) -> Result<Self, String> {
        if (1..=MAX_TOLERANCE_UM).contains(&um) {
            Ok(Self(um))
        } else {
            Err(format!("{um} um off an arc: use 1 to {MAX_TOLERANCE_UM}"))
        }
    }
}

/// Where the correction dies out.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields, try_from = "FadeHeights")]
pub struct FadeSettings(pub Fade);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FadeHeights {
    full_below_um: i32,
    zero_above_um: i32,
}

impl TryFrom<FadeHeights> for FadeSettings {
    type Error = String;

    fn try_from(heights: FadeHeights) -> Result<Self, String> {
        Fade::new(heights.full_below_um, heights.zero_above_um).map(Self).map_err(|error| error.to_string())
    }
}

const LONGEST_MESSAGE_BYTES: usize = 1000;
/// More than any scenario needs.
const LARGEST_FILE_BYTES: u64 = 1 << 20;

fn read_bounded(path: &Path) -> io::Result<String> {
    let mut text = String::new();
    // One byte more than may be there tells that there is too much.
    File::open(path)?.take(LARGEST_FILE_BYTES + 1).read_to_string(&mut text)?;
    if text.len() as u64 > LARGEST_FILE_BYTES {
        let message = format!("a scenario of more than {LARGEST_FILE_BYTES} bytes");
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, message));
    }
    Ok(text)
}

/// The place under its line; without the line if that is too long to be looked at.
fn message(error: &toml::de::Error, text: &str) -> String {
    let message = error.to_string();
    if message.len() <= LONGEST_MESSAGE_BYTES {
        return message;
    }
    let before = &text.as_bytes()[..error.span().map_or(0, |span| span.start.min(text.len()))];
    let line = before.iter().filter(|byte| **byte == b'\n').count() + 1;
    let column = before.iter().rev().take_while(|byte| **byte != b'\n').count() + 1;
    let what: String = error.message().chars().take(LONGEST_MESSAGE_BYTES).collect();
    format!("TOML parse error at line {line}, column {column}: {what}")
}

impl Bed {
    /// Where the plate lies, along X and along Y.
    pub(crate) fn ends_mm(&self) -> [[f64; 2]; 2] {
        [self.x_mm.ends(), self.y_mm.ends()]
    }
}

impl Scenario {
    /// How jobs for it are read.
    pub fn reading(&self) -> ReadingOptions {
        ReadingOptions { arc_tolerance_um: self.correction.arc_tolerance_um.0, ..ReadingOptions::default() }
    }

    /// Reads a scenario file.
    ///
    /// # Errors
    /// [`ScenarioError`] names the file and the place in it.
    pub fn read(path: &Path) -> Result<Self, ScenarioError> {
        let file = gapkeeper_host_tools::printed::name(path);
        let text = read_bounded(path).map_err(|source| ScenarioError::Read { path: file.clone(), source })?;
        let folder = path.parent().unwrap_or(Path::new("")).to_path_buf();
        Self::parse(&text, &file, folder)
    }

    /// Reads a scenario from text; `file` is named in errors, `folder` is where further files are looked for.
    ///
    /// # Errors
    /// As for [`Self::read`].
    pub fn parse(text: &str, file: &str, folder: PathBuf) -> Result<Self, ScenarioError> {
        let mut scenario: Self = toml::from_str(text)
            .map_err(|error| ScenarioError::Text { file: file.to_string(), message: message(&error, text) })?;
        scenario.folder = folder;
        let contradiction = |key, message: &str| {
            Err(ScenarioError::Contradiction { file: file.to_string(), key, message: message.to_string() })
        };
        let Scenario { bed, machine, .. } = &scenario;
        if !(3..=9).contains(&bed.screws.len()) {
            return contradiction("bed.screws", "a plate rests on three to nine screws");
        }
        if bed.x_mm.length() > 2000.0 || bed.y_mm.length() > 2000.0 {
            return contradiction("bed.x_mm, bed.y_mm", "a bed longer than 2 m is not modelled");
        }
        if let Err(outside) = scenario.reach(scenario.survey.x_mm, scenario.survey.y_mm) {
            return contradiction("survey.x_mm, survey.y_mm", outside);
        }
        if machine.travel_z_mm.from > machine.limit_switch_trips_at_mm.0 {
            return contradiction("machine.travel_z_mm", "must reach down to limit_switch_trips_at_mm");
        }
        // Thicker ones are no thin plates (*Roark's Formulas for Stress and Strain*, chapter 11).
        let thickest_mm = bed.x_mm.length().min(bed.y_mm.length()) / 4.0;
        if bed.plate.as_ref().is_some_and(|plate| plate.thickness_mm.0 > thickest_mm) {
            return contradiction("bed.plate.thickness_mm", "at most a quarter of the shorter side");
        }
        if let Some(Gantry { ends_x_mm: ends, .. }) = machine.gantry
            && !(ends.contains(machine.travel_x_mm.from) && ends.contains(machine.travel_x_mm.to))
        {
            return contradiction("machine.gantry.ends_x_mm", "must reach as far as travel_x_mm on both sides");
        }
        Ok(scenario)
    }

    /// Whether the nozzle can reach the bed at stations between these ends.
    ///
    /// # Errors
    /// What stations must do, in words.
    pub(crate) fn reach(&self, x_mm: Extent, y_mm: Extent) -> Result<(), &'static str> {
        let Scenario { bed, machine, .. } = self;
        let reaches = |stations: Extent, within: [Extent; 2]| {
            within.iter().all(|within| within.contains(stations.from) && within.contains(stations.to))
        };
        if reaches(x_mm, [bed.x_mm, machine.travel_x_mm]) && reaches(y_mm, [bed.y_mm, machine.travel_y_mm]) {
            Ok(())
        } else {
            Err("stations must lie on the bed and within the travel")
        }
    }

    /// The lattice of the stations, in whole micrometres.
    pub fn stations(&self) -> Lattice {
        let Survey { stations: [columns, rows], x_mm, y_mm, .. } = self.survey;
        let pitch_um = |extent: Extent, Count(count)| (extent.length() * 1000.0 / f64::from(count - 1)).round() as u32;
        Lattice {
            x0_um: (x_mm.from * 1000.0).round() as i32,
            y0_um: (y_mm.from * 1000.0).round() as i32,
            pitch_x_um: pitch_um(x_mm, columns),
            pitch_y_um: pitch_um(y_mm, rows),
            columns: columns.0,
            rows: rows.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = include_str!("../../demo/scenario.toml");

    fn error(from: &str, to: &str) -> String {
        assert!(TEXT.contains(from), "{from}");
        Scenario::parse(&TEXT.replacen(from, to, 1), "bench.toml", PathBuf::new()).unwrap_err().to_string()
    }

    #[test]
    fn the_demo_scenario_reads() {
        let scenario = Scenario::parse(TEXT, "demo", PathBuf::new()).unwrap();
        assert_eq!(scenario.stations().columns, 3);
    }

    #[test]
    fn a_wrong_number_is_shown_with_its_line() {
        let message = error("z_rate_limit_mm_s = 8", "z_rate_limit_mm_s = -8");
        assert!(message.starts_with("bench.toml: ") && message.contains("-8 must be above 0"), "{message}");
        assert!(message.contains("| z_rate_limit_mm_s = -8") && message.contains("^^"), "{message}");
    }

    #[test]
    fn unknown_keys_kinds_and_versions_are_refused_by_name() {
        assert!(error("[machine]", "[machine]\ncolour = 1").contains("unknown field `colour`"));
        assert!(error("kind = \"bow\"", "kind = \"banana\"").contains("banana"));
        assert!(error("version = 1", "version = 2").contains("version 2 of the scenario format is not known here"));
        assert!(error("stations = [3, 3]", "stations = [3, 17]").contains("17 nodes along an axis: use 2 to 16"));
        assert!(error("zero_above_um = ", "zero_above_um = -").contains("zero above must be higher"));
    }
}
