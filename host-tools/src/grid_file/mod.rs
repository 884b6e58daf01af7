//! Grid files: a JSON document with all that belongs to a grid, and CSV with its heights alone.
//!
//! Reading is strict, and nothing is half read: a file is a whole document or an error with its place and a remedy.
//! Writing is atomic ([`crate::write_atomically`]).

mod csv;
mod error;
mod json;

use std::fmt;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use gapkeeper::{Fade, GridAxis, GridError, HeightGrid, Lattice, MAX_NODES_PER_AXIS};

pub use error::{GridFileError, GridFileErrorKind};

use crate::atomic_file::write_atomically;

/// Nodes that a document's grid may have: 15 × 15, the most along both axes.
pub const CAPACITY: usize = 225;
/// Most bytes of a file that are read: more than a hundred times what the largest grid needs.
const LARGEST_FILE_BYTES: u64 = 1 << 20;
/// Most bytes of a surface that are read: some three million places.
const LARGEST_SURFACE_BYTES: u64 = 1 << 26;

/// What a survey by hand found besides the heights.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SurveyMarks {
    /// Change found when the first station was visited again.
    pub closure_um: i16,
    /// Whether that change was above the limit and accepted all the same.
    pub closure_accepted: bool,
    /// Which surface the check stations spoke for.
    pub surface: gapkeeper::Surface,
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
}

/// Measured heights on a regular lattice that may be denser than any grid; at least two columns and two rows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Surface {
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

/// What a format cannot hold, and so was not written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Loss {
    /// A shift that is not zero.
    ShiftUm(i32),
    /// The heights of the fade.
    Fade(Fade),
    /// The bed temperature.
    BedTemperatureC(i16),
    /// What the survey found.
    Survey(SurveyMarks),
}

impl fmt::Display for Loss {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Loss::ShiftUm(shift_um) => write!(out, "the shift of {shift_um} um"),
            Loss::Fade(fade) => {
                write!(out, "the fade, full below {} um, zero above {} um", fade.full_below_um(), fade.zero_above_um())
            }
            Loss::BedTemperatureC(degrees) => write!(out, "the bed temperature of {degrees} °C"),
            Loss::Survey(marks) => write!(out, "the survey's closure of {} um and its surface", marks.closure_um),
        }
    }
}

/// The formats of grid files.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GridFormat {
    /// `.json`: the whole document.
    ///
    /// ```json
    /// {
    ///   "format": "gapkeeper-grid",
    ///   "version": 1,
    ///   "x0_um": 10000,
    ///   "y0_um": 10000,
    ///   "pitch_x_um": 100000,
    ///   "pitch_y_um": 90000,
    ///   "shift_um": -20,
    ///   "fade": { "full_below_um": 1000, "zero_above_um": 10000 },
    ///   "bed_temperature_c": 60,
    ///   "survey": { "closure_um": -20, "closure_accepted": false, "surface": "refined" },
    ///   "nodes_um": [
    ///     [12, -30, 8],
    ///     [5, -41, 0]
    ///   ]
    /// }
    /// ```
    ///
    /// The first row is the one at the smallest Y, and its first node the one at the smallest X. `fade`,
    /// `bed_temperature_c` and `survey` may be `null`; a surface is `refined` or `bilinear`; no key may be missing, and no other may be there. Numbers are those of
    /// RFC 8259; all of them are whole (`1E2` is). A change of this layout gets a new version.
    Json,
    /// `.csv` (RFC 4180): the header `x_um,y_um,height_um`, then one record for each node, in any order.
    ///
    /// All numbers are whole. There must be a record for each place of a rectangle with an even pitch along either
    /// axis. Shift, fade, bed temperature and survey have no place in it: reading gives none of them.
    Csv,
}

impl GridFormat {
    /// The format of a file by its extension, in upper or lower case.
    ///
    /// # Errors
    /// [`GridFileErrorKind::UnknownExtension`].
    pub fn of(path: &Path) -> Result<Self, GridFileError> {
        let extension = path.extension().map(|extension| extension.to_string_lossy().to_lowercase());
        match extension.as_deref() {
            Some("json") => Ok(GridFormat::Json),
            Some("csv") => Ok(GridFormat::Csv),
            _ => Err(GridFileError::new(&path.to_string_lossy(), GridFileErrorKind::UnknownExtension)),
        }
    }

    /// Reads a document from the bytes of a file; `file` is its name for errors. A byte order mark is skipped.
    ///
    /// # Errors
    /// [`GridFileError`] for anything but a whole document in this format.
    pub fn parse(self, file: &str, bytes: &[u8]) -> Result<GridDocument, GridFileError> {
        let text = without_mark(bytes);
        match self {
            GridFormat::Json => json::parse(file, text),
            GridFormat::Csv => csv::parse(file, text),
        }
    }

    /// The bytes of a file with this document, and what of it the format cannot hold.
    pub fn render(self, document: &GridDocument) -> (Vec<u8>, Vec<Loss>) {
        match self {
            GridFormat::Json => (json::render(document).into_bytes(), Vec::new()),
            GridFormat::Csv => (csv::render(&document.grid).into_bytes(), csv::losses(document)),
        }
    }
}

/// Reads a grid file; its extension tells the format.
///
/// # Errors
/// [`GridFileError`] if it cannot be read, or is anything but a whole document.
pub fn read_grid(path: &Path) -> Result<GridDocument, GridFileError> {
    let format = GridFormat::of(path)?;
    format.parse(&path.to_string_lossy(), &read_bounded(path, LARGEST_FILE_BYTES)?)
}

/// Reads a dense surface from CSV, in the same form as a grid's.
///
/// # Errors
/// [`GridFileError`] if it cannot be read, or is anything but a whole lattice.
pub fn read_surface(path: &Path) -> Result<Surface, GridFileError> {
    let bytes = read_bounded(path, LARGEST_SURFACE_BYTES)?;
    csv::parse_surface(&path.to_string_lossy(), without_mark(&bytes))
}

/// Writes a grid file as a whole or not at all; its extension tells the format. Gives what the format cannot hold.
///
/// # Errors
/// [`GridFileError`] if the extension is unknown or the file cannot be written; an old file is then as it was.
pub fn write_grid(path: &Path, document: &GridDocument) -> Result<Vec<Loss>, GridFileError> {
    let (bytes, losses) = GridFormat::of(path)?.render(document);
    write_atomically(path, &bytes)
        .map_err(|cause| GridFileError::new(&path.to_string_lossy(), GridFileErrorKind::Output(cause)))?;
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
