//! One setup for every command: a scenario, and what a grid brings with it.
//!
//! A grid that was measured or saved knows its shift and fade, which surface suits it, how warm the bed was, and whether
//! the screws were raised on the way. Here it is decided, once, what of that holds.

use std::path::{Path, PathBuf};
use std::{fs, io};

use anyhow::Context;
use gapkeeper::{GridError, HeightGrid, Lattice, MAX_SCREWS, PlanError, Surface, TemperatureWindows};
use gapkeeper_host_tools::check::CheckSettings;
use gapkeeper_host_tools::estimate::{Band, Estimate, surveys_of};
use gapkeeper_host_tools::grid_file::{
    GridDocument, GridFileErrorKind, GridFormat, MissingFacts, OlderSurveys, StationReading, SurveyMarks, read_grid,
    write_grid,
};
use gapkeeper_host_tools::{FileError, printed, write_all_atomically};
use serde::{Deserialize, Serialize};

use crate::bed::ModelledBed;
use crate::controller::CAPACITY;
use crate::core_settings::{add_screws, lowest_um, raised, refine, survey_plan, with_screws};
use crate::outcome::Run;
use crate::replay_error::ReplayError;
use crate::scenario::{Bounded, Extent, FadeSettings, OldGrid, Scenario};
use crate::survey::SurveyOutcome;

/// A scenario with the grid that is to be in force over it.
#[derive(Clone, Debug)]
pub struct Setup {
    /// Machine and bed, with the grid's own shift, fade and raised bed.
    pub scenario: Scenario,
    /// The heights.
    pub grid: HeightGrid<CAPACITY>,
    /// Where they come from, in words.
    pub origin: String,
    /// The surface that would be used.
    pub surface: Surface,
    /// How warm the bed was when they were read, if that is known.
    pub bed_temperature_c: Option<f64>,
    /// Whether a person read them, or they were read off the model.
    pub by_hand: bool,
    /// The saved document that they are of, which may have kept its readings.
    pub document: Option<GridDocument>,
}

impl Setup {
    /// Read off the modelled bed at the scenario's stations, without a fault.
    ///
    /// # Errors
    /// [`ReplayError`] if the bed cannot be modelled or the stations make no grid.
    pub fn read_off(scenario: &Scenario) -> Result<Self, ReplayError> {
        let warmth = scenario.warmth_measuring();
        Ok(Self {
            scenario: scenario.clone(),
            grid: grid_at_stations(scenario, &ModelledBed::new(scenario, warmth)?)?,
            origin: "read off the modelled bed at its stations".into(),
            surface: Surface::Refined,
            bed_temperature_c: Some(warmth.bed_c),
            by_hand: false,
            document: None,
        })
    }

    /// As a survey left it: the screws stay where they were turned to.
    pub fn surveyed(scenario: &Scenario, found: &SurveyOutcome) -> Self {
        Self {
            scenario: found.left(scenario),
            grid: found.grid.grid.clone(),
            origin: "surveyed by hand".into(),
            surface: found.grid.surface,
            bed_temperature_c: Some(found.grid.bed_temperature_c.into()),
            by_hand: true,
            document: None,
        }
    }

    /// A saved grid. Formats that hold shift and fade mean what they say; the others leave both to the scenario. Where
    /// the screws were raised during the survey, the note beside the file says so.
    ///
    /// # Errors
    /// A message that names the file if it or its note cannot be read.
    pub fn saved(scenario: &Scenario, path: &Path) -> anyhow::Result<Self> {
        let document = read_grid(path)?;
        let (raised_um, screws_um) = read_note(path, &document.grid)?;
        let mut scenario = with_screws(raised(scenario, raised_um), &screws_um);
        if matches!(GridFormat::of(path)?, GridFormat::Json | GridFormat::Record | GridFormat::Hex) {
            scenario.correction.shift_um = document.shift_um;
            scenario.correction.fade = document.fade.map(FadeSettings);
        }
        Ok(Self {
            scenario,
            origin: format!("read from {}", printed::file_name(&printed::name(path))),
            surface: document.surface_choice(None).surface,
            grid: document.grid.clone(),
            bed_temperature_c: document.bed_temperature_c.map(f64::from),
            by_hand: true,
            document: Some(document),
        })
    }

    /// The grid whose bilinear surface would be used.
    ///
    /// # Errors
    /// [`GridError`] if the refined surface cannot be made.
    pub fn surface_grid(&self) -> Result<HeightGrid<CAPACITY>, GridError> {
        match self.surface {
            Surface::Bilinear => Ok(self.grid.clone()),
            Surface::Refined => refine(&self.scenario, &self.grid),
        }
    }

    /// How sure that surface is over the area of the grid, by the limits of a check; none where no readings tell it.
    pub fn band(&self) -> Option<Band> {
        let CheckSettings { hand, tolerance_um, .. } = CheckSettings::default();
        let estimate = Estimate::of(self.document.as_ref()?, hand).ok()?;
        Band::over(&estimate, &self.surface_grid().ok()?, tolerance_um.into())
    }
}

/// Lets a survey of this scenario tie the grid of an earlier one, whose raised screws stay where they are.
///
/// # Errors
/// A message that names the file if it or its note cannot be read, if it does not say how warm the bed was, if the
/// nozzle cannot reach its stations, or if they make no tie.
pub fn tie_to(scenario: &mut Scenario, path: &Path) -> anyhow::Result<()> {
    let document = read_grid(path).map_err(|error| match unsaid(path, error.kind()) {
        Some(unsaid) => anyhow::Error::msg(unsaid),
        None => error.into(),
    })?;
    let (raised_um, screws_raised_um) = read_note(path, &document.grid)?;
    let (surveys, plate) = (surveys_of(&document), document.plate.clone());
    let facts = MissingFacts { setup: Some(0), ..MissingFacts::default() };
    let grid = document.stored(&facts).map_err(|kind| match unsaid(path, &kind) {
        Some(unsaid) => anyhow::Error::msg(unsaid),
        None => anyhow::Error::new(kind).context(printed::name(path)),
    })?;
    let [x_mm, y_mm] = ends_mm(grid.grid.lattice());
    if let Err(outside) = scenario.reach(x_mm, y_mm) {
        anyhow::bail!("{}: {outside}\n  tie a grid that was measured on this machine", printed::name(path));
    }
    *scenario = with_screws(raised(scenario, raised_um), &screws_raised_um);
    scenario.tie = Some(Box::new(OldGrid { grid, screws_raised_um, surveys, plate }));
    // Beyond so many screws no grid helps.
    if scenario.bed.screws.len() <= MAX_SCREWS
        && let Err(PlanError::Tie) = survey_plan::<CAPACITY>(scenario, scenario.stations())
    {
        anyhow::bail!(
            "{}: its stations near the screws and in the middle are too few for a tie, or in one line\n  tie a grid of more \
             stations, 3 x 3 or more, or measure the whole bed without --tie",
            printed::name(path)
        );
    }
    Ok(())
}

/// What a grid to tie does not say, and how its owner can: here there are no options for it.
fn unsaid(path: &Path, kind: &GridFileErrorKind) -> Option<String> {
    let GridFileErrorKind::FactsMissing(facts) = kind else { return None };
    let name = printed::name(path);
    let mut remedy = format!("make a document of it first: gapgrid convert {name} to-tie.json");
    for fact in &facts.0 {
        // Its option stands in brackets.
        remedy.extend(fact.to_string().split(['(', ')']).nth(1).map(|option| format!(" {option}")));
    }
    Some(format!("{name}: {kind}\n  {remedy}"))
}

/// Between which ends a scenario has the stations of a lattice.
fn ends_mm(lattice: Lattice) -> [Extent; 2] {
    let last_um = lattice.node_um(lattice.columns - 1, lattice.rows - 1);
    // Whole micrometres may be off by half a one at the first station, and at every other pitch, since middles halve them.
    let ends = |first_um: i32, last_um: i32, nodes: u8| Extent {
        from: (f64::from(first_um) + 0.5) / 1000.0,
        to: (f64::from(last_um) - 0.5 * f64::from(nodes)) / 1000.0,
    };
    [ends(lattice.x0_um, last_um.0, lattice.columns), ends(lattice.y0_um, last_um.1, lattice.rows)]
}

/// The run with a surface in force.
pub(crate) fn run_of(surface: Surface) -> Run {
    match surface {
        Surface::Bilinear => Run::Corrected,
        Surface::Refined => Run::Refined,
    }
}

/// Writes what a survey found, and a note beside it if the screws were raised; what of it the format cannot hold.
///
/// # Errors
/// A message that names the file.
pub fn save(scenario: &Scenario, found: &SurveyOutcome, path: &Path) -> anyhow::Result<Vec<String>> {
    let older = scenario.tie.as_ref().map_or_else(OlderSurveys::default, |old| old.surveys.clone());
    // The few of a tie are worth nothing without those that tell the shape.
    let is_told = found.grid.tie.is_none() || !older.readings.is_empty();
    let readings = found.readings.iter().filter(|_| is_told);
    let document = GridDocument {
        shift_um: scenario.correction.shift_um,
        fade: found.grid.fade,
        bed_temperature_c: Some(found.grid.bed_temperature_c),
        survey: Some(SurveyMarks {
            closure_um: found.grid.closure_um,
            closure_accepted: found.grid.closure_accepted,
            surface: found.grid.surface,
            tie: found.grid.tie,
        }),
        lowest_machine_z_um: Some(lowest_um(scenario)),
        readings: readings.map(|&at| StationReading { at, spread_um: None }).collect(),
        older,
        plate: scenario.tie.as_ref().and_then(|old| old.plate.clone()),
        ..GridDocument::of_heights(found.grid.grid.clone())
    };
    let by_um = found.raised_um() + scenario.bed.raised_um.0;
    let mut screws_um = found.screws_raised_um();
    if let Some(old) = &scenario.tie {
        add_screws(&mut screws_um, &old.screws_raised_um);
    }
    let note = note_path(path);
    let losses = if by_um == 0.0 && screws_um.is_empty() {
        let losses = write_grid(path, &document)?;
        // A note of an earlier survey must not outlive its grid.
        match fs::remove_file(&note) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(FileError::output(&note)(error).into()),
            _ => losses,
        }
    } else {
        let rendered = GridFormat::of(path)?.render(&document, &MissingFacts::default());
        let (bytes, losses) = rendered.map_err(anyhow::Error::new).with_context(|| printed::name(path))?;
        let text = Note::new(by_um, screws_um, &document.grid).text(path)?;
        write_all_atomically(&[(note, text.into_bytes()), (path.to_owned(), bytes)])?;
        losses
    };
    Ok(losses.iter().map(ToString::to_string).collect())
}

/// What no format of grids has a place for.
#[derive(Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
struct Note {
    format: String,
    version: u32,
    /// How far all screws are raised over the scenario's own heights.
    bed_raised_um: f64,
    /// How far each screw is raised besides, in the order of the scenario; none is, if it is empty.
    #[serde(default)]
    screws_raised_um: Vec<f64>,
    /// Heights of the grid that it belongs to: two files take their names one after the other, and power may fail
    /// between.
    nodes_um: Vec<i16>,
}

impl Note {
    fn new(bed_raised_um: f64, screws_raised_um: Vec<f64>, grid: &HeightGrid<CAPACITY>) -> Self {
        let nodes_um = grid.nodes_um().to_vec();
        Self { format: NOTE_FORMAT.into(), version: NOTE_VERSION, bed_raised_um, screws_raised_um, nodes_um }
    }

    fn text(&self, grid: &Path) -> anyhow::Result<String> {
        Ok(format!("# How far the survey of {} raised the screws.\n{}", printed::name(grid), toml::to_string(self)?))
    }
}

const NOTE_FORMAT: &str = "gapkeeper-setup";
const NOTE_VERSION: u32 = 3;
/// The oldest that is read: without screws that were raised one by one.
const OLDEST_NOTE: u32 = 2;

/// What tells the kind of a note; other keys are not looked at yet.
#[derive(Deserialize)]
struct NoteHeader {
    format: String,
    version: u32,
}

/// The note beside a grid: `grid.json` has `grid.json.setup.toml`.
pub fn note_path(grid: &Path) -> PathBuf {
    let mut name = grid.as_os_str().to_owned();
    name.push(".setup.toml");
    name.into()
}

fn read_note(path: &Path, grid: &HeightGrid<CAPACITY>) -> anyhow::Result<(f64, Vec<f64>)> {
    let path = note_path(path);
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok((0.0, Vec::new())),
        Err(error) => return Err(FileError::input(&path)(error).into()),
    };
    let name = printed::name(&path);
    let header: NoteHeader = toml::from_str(&text).with_context(|| name.clone())?;
    anyhow::ensure!(
        header.format == NOTE_FORMAT && (OLDEST_NOTE..=NOTE_VERSION).contains(&header.version),
        "{name}: format must be {NOTE_FORMAT}, version {OLDEST_NOTE} to {NOTE_VERSION}; {REMEDY}"
    );
    let note: Note = toml::from_str(&text).with_context(|| name.clone())?;
    anyhow::ensure!(
        note.nodes_um == grid.nodes_um(),
        "{name}: it belongs to another grid than the one beside it; {REMEDY}"
    );
    let bounded = |um: f64, key: &str| {
        Bounded::try_from(um).map_err(anyhow::Error::msg).with_context(|| format!("{name}: {key}"))
    };
    for &um in &note.screws_raised_um {
        bounded(um, "screws_raised_um")?;
    }
    Ok((bounded(note.bed_raised_um, "bed_raised_um")?.0, note.screws_raised_um))
}

const REMEDY: &str = "measure again, or delete it to take the scenario's own screws";

/// A word about a grid that was read at another temperature than the job is printed at.
pub(crate) fn temperature_note(scenario: &Scenario, grid_c: Option<f64>) -> Option<String> {
    let printing_c = scenario.warmth_printing().bed_c;
    let grid_c =
        grid_c.filter(|grid_c| (grid_c - printing_c).abs() > TemperatureWindows::default().nearest_c.into())?;
    Some(format!(
        "The grid was read at {grid_c:.0} °C and the bed is at {printing_c:.0} °C while the job runs: \
         measure at the temperature of the job."
    ))
}

/// The grid that faultless readings at the scenario's stations give.
///
/// # Errors
/// [`ReplayError::Grid`] if the stations make no grid.
pub fn grid_at_stations(scenario: &Scenario, bed: &ModelledBed) -> Result<HeightGrid<CAPACITY>, ReplayError> {
    bed.read_off(scenario.stations()).map_err(|source| ReplayError::Grid { what: "survey", source })
}
