//! Grid files: a JSON document with all that belongs to a grid, the core's own record, and formats of bare heights.
//!
//! What a file does not say about itself comes from the caller ([`MissingFacts`]), and is never guessed; what a change
//! of format gives up is told ([`Loss`]).
//!
//! Reading is strict, and nothing is half read: a file is a whole document or an error with its place and a remedy.
//! Writing is atomic ([`crate::write_atomically`]).

mod csv;
mod error;
mod facts;
mod faults;
mod format;
mod hex;
mod json;
mod loss;
mod matrix;
mod npy;
mod number;
mod ply;
mod points;
mod record;
mod source;
mod stl;
mod surface;
mod table;
mod xyz;

use std::fs::File;
use std::io::Read;
use std::path::Path;

use gapkeeper::{
    BedHeight, Fade, GridAxis, GridError, HeightGrid, Lattice, MAX_NODES, MAX_NODES_PER_AXIS, StoredGrid, Tie,
};

pub use error::{GridFileError, GridFileErrorKind};
pub use facts::{Fact, FactList, LengthUnit, MissingFacts, RowOrder};
pub use faults::{HexFault, MatrixFault, NpyFault, PlyFault, PointFault, Readings};
pub use format::GridFormat;
pub use loss::{Loss, times_tied};
pub use matrix::table;
pub use source::{Language, source};
pub use surface::{SurfaceChoice, SurfaceReason, surface_word};

use crate::atomic_file::write_atomically;

/// Nodes that a document's grid may have: the most that there can be.
pub const CAPACITY: usize = MAX_NODES;
/// Most bytes of a file that are read: more than a hundred times what the largest grid needs.
const LARGEST_FILE_BYTES: u64 = 1 << 20;
/// Largest spread of a reading that is taken, and largest drift of a shape.
const LARGEST_SPREAD_UM: u16 = 1000;
/// Most bytes of a plate's name.
const LONGEST_PLATE_BYTES: usize = 60;
/// Most bytes of a surface that are read: some three million places.
const LARGEST_SURFACE_BYTES: u64 = 1 << 26;

/// What a survey by hand found besides the heights.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SurveyMarks {
    /// Change found when the first station was visited again.
    pub closure_um: i16,
    /// Whether that change was above the limit and accepted all the same.
    pub closure_accepted: bool,
    /// Which surface the survey asks for.
    pub surface: gapkeeper::Surface,
    /// How the grid was tied to an older one; none for a whole survey.
    pub tie: Option<Tie>,
}

/// A reading of the bed at a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StationReading {
    /// Where, and how high the bed is there.
    pub at: BedHeight,
    /// Its own standard deviation, if it is known; else that of the hand.
    pub spread_um: Option<u16>,
}

/// Older surveys of the same plate. Screws were turned after each, so they tell the shape alone.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OlderSurveys {
    /// Standard deviation of what the shape changes by from one survey to the next.
    pub drift_um: u16,
    /// The readings of each, the newest of them first.
    pub readings: Vec<Vec<StationReading>>,
    /// The bed temperature of each, in the same order; it may be empty where none is known.
    pub bed_temperatures_c: Vec<Option<i16>>,
}

impl OlderSurveys {
    /// Adds one that is older than all others.
    pub fn push(&mut self, readings: Vec<StationReading>, bed_temperature_c: Option<i16>) {
        self.bed_temperatures_c.resize(self.readings.len(), None);
        self.readings.push(readings);
        self.bed_temperatures_c.push(bed_temperature_c);
    }

    /// The bed temperature of one of them, if it is known.
    pub fn bed_temperature_c(&self, survey: usize) -> Option<i16> {
        self.bed_temperatures_c.get(survey).copied().flatten()
    }
}

/// A height grid and what is stored with it.
#[derive(Clone, Debug, PartialEq)]
pub struct GridDocument {
    /// The heights of the bed.
    pub grid: HeightGrid<CAPACITY>,
    /// Raises (positive) or lowers the whole grid.
    pub shift_um: i32,
    /// Where the correction fades; none: it never does.
    pub fade: Option<Fade>,
    /// Bed temperature at which the grid was measured, if it is known.
    pub bed_temperature_c: Option<i16>,
    /// What the survey found, if the grid comes from one.
    pub survey: Option<SurveyMarks>,
    /// The machine height below which nothing may go, if the machine that was measured has one.
    pub lowest_machine_z_um: Option<i32>,
    /// The readings behind the heights, if they were kept: the nodes of a computed surface are none.
    pub readings: Vec<StationReading>,
    /// Older surveys that tell the shape as well.
    pub older: OlderSurveys,
    /// The name of the plate, if there are several.
    pub plate: Option<String>,
}

impl GridDocument {
    /// A grid of which nothing but its heights is known.
    pub fn of_heights(grid: HeightGrid<CAPACITY>) -> Self {
        Self {
            grid,
            shift_um: 0,
            fade: None,
            bed_temperature_c: None,
            survey: None,
            lowest_machine_z_um: None,
            readings: Vec::new(),
            older: OlderSurveys::default(),
            plate: None,
        }
    }

    /// The grid as a machine remembers it.
    ///
    /// # Errors
    /// [`GridFileErrorKind`] for a temperature or setup that nobody knows, and for a shift that no record holds.
    pub fn stored(&self, facts: &MissingFacts) -> Result<StoredGrid<CAPACITY>, GridFileErrorKind> {
        record::stored(self, facts)
    }
}

/// A document as it was read, and what its file had besides.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// The grid and what is stored with it.
    pub document: GridDocument,
    /// The setup that a record belongs to; other formats know of none.
    pub setup: Option<u32>,
    /// What of the file was given up.
    pub losses: Vec<Loss>,
}

/// Measured heights on a regular lattice that may be denser than any grid; at least two columns and two rows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MeasuredHeights {
    /// X of the first column.
    pub x0_um: i32,
    /// Y of the first row.
    pub y0_um: i32,
    /// Distance between columns.
    pub pitch_x_um: u32,
    /// Distance between rows.
    pub pitch_y_um: u32,
    /// Places along X.
    pub columns: usize,
    /// Places along Y.
    pub rows: usize,
    /// Rows along X, the first row at the smallest Y.
    pub heights_um: Vec<i16>,
}

/// Reads a grid file that says everything itself; its extension tells the format.
///
/// # Errors
/// [`GridFileError`] if it cannot be read, or is anything but a whole document.
pub fn read_grid(path: &Path) -> Result<GridDocument, GridFileError> {
    read_grid_as(path, GridFormat::of(path)?, &MissingFacts::default()).map(|reading| reading.document)
}

/// Reads a grid file in a given format, with what it does not say itself.
///
/// # Errors
/// [`GridFileError`] if it cannot be read, or is anything but a whole document.
pub fn read_grid_as(path: &Path, format: GridFormat, facts: &MissingFacts) -> Result<Reading, GridFileError> {
    format.parse(&path.to_string_lossy(), &read_bounded(path, LARGEST_FILE_BYTES)?, facts)
}

/// Reads a dense surface from CSV, in the same form as a grid's.
///
/// # Errors
/// [`GridFileError`] if it cannot be read, or is anything but a whole lattice.
pub fn read_surface(path: &Path) -> Result<MeasuredHeights, GridFileError> {
    let bytes = read_bounded(path, LARGEST_SURFACE_BYTES)?;
    csv::parse_surface(&path.to_string_lossy(), without_mark(&bytes))
}

/// Reads heights at any places from CSV, in the same form as a grid's, in the order of the file.
///
/// There may be several readings of one place, and a fourth column with the spread of each reading, `spread_um`.
///
/// # Errors
/// [`GridFileError`] if it cannot be read, or is no such table.
pub fn read_readings(path: &Path) -> Result<Vec<StationReading>, GridFileError> {
    let bytes = read_bounded(path, LARGEST_FILE_BYTES)?;
    csv::parse_readings(&path.to_string_lossy(), without_mark(&bytes))
}

/// Writes a grid file as a whole or not at all; its extension tells the format. Gives what the format cannot hold.
///
/// # Errors
/// [`GridFileError`] if the extension is unknown, the format needs to be told more, or the file cannot be written; an
/// old file is then as it was.
pub fn write_grid(path: &Path, document: &GridDocument) -> Result<Vec<Loss>, GridFileError> {
    write_grid_as(path, GridFormat::of(path)?, document, &MissingFacts::default())
}

/// Writes a grid file in a given format, with what the document does not say. Gives what the format cannot hold.
///
/// # Errors
/// As for [`write_grid`].
pub fn write_grid_as(
    path: &Path,
    format: GridFormat,
    document: &GridDocument,
    facts: &MissingFacts,
) -> Result<Vec<Loss>, GridFileError> {
    let error = |kind| GridFileError::new(&path.to_string_lossy(), kind);
    let (bytes, losses) = format.render(document, facts).map_err(error)?;
    write_atomically(path, &bytes).map_err(|cause| error(GridFileErrorKind::Output(cause)))?;
    Ok(losses)
}

fn read_bounded(path: &Path, limit_bytes: u64) -> Result<Vec<u8>, GridFileError> {
    let error = |kind| GridFileError::new(&path.to_string_lossy(), kind);
    let mut bytes = Vec::new();
    // One byte more than may be there tells that there is too much.
    File::open(path)
        .and_then(|file| file.take(limit_bytes + 1).read_to_end(&mut bytes))
        .map_err(|cause| error(GridFileErrorKind::Input(cause)))?;
    if bytes.len() as u64 > limit_bytes {
        return Err(error(GridFileErrorKind::TooLarge { limit_bytes }));
    }
    Ok(bytes)
}

/// The name of a plate, if it can be one.
///
/// # Errors
/// [`GridFileErrorKind::Plate`] for an empty, a long or an unprintable one.
pub fn plate_name(text: &str) -> Result<String, GridFileErrorKind> {
    let is_name = (1..=LONGEST_PLATE_BYTES).contains(&text.len()) && !text.chars().any(char::is_control);
    is_name.then(|| text.to_owned()).ok_or(GridFileErrorKind::Plate)
}

/// The text behind a byte order mark.
fn without_mark(bytes: &[u8]) -> &[u8] {
    bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes)
}

/// The number of nodes along an axis, if a grid may have so many.
fn nodes_along(axis: GridAxis, found: usize) -> Result<u8, GridFileErrorKind> {
    let nodes = u8::try_from(found).ok().filter(|nodes| (2..=MAX_NODES_PER_AXIS).contains(nodes));
    nodes.ok_or(GridFileErrorKind::NodeCount { axis, found })
}

/// A grid from its heights; errors count rows and columns from 1.
fn grid_of(lattice: Lattice, nodes_um: &[i16]) -> Result<HeightGrid<CAPACITY>, GridFileErrorKind> {
    HeightGrid::new(lattice, nodes_um).map_err(|error| match error {
        GridError::HeightOutOfRange { column, row, height_um } => {
            GridFileErrorKind::Height { row: usize::from(row) + 1, column: usize::from(column) + 1, height_um }
        }
        other => GridFileErrorKind::Grid(other),
    })
}
