//! The formats of grid files, what they hold and how a file's name tells them.

use std::path::Path;

use super::facts::Fact;
use super::loss::beside_heights;
use super::{
    GridDocument, GridFileError, GridFileErrorKind, Loss, MissingFacts, Reading, csv, hex, json, matrix, npy, ply,
    record, stl, without_mark, xyz,
};

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
    ///   "lowest_machine_z_um": -450,
    ///   "plate": "glass",
    ///   "nodes_um": [
    ///     [12, -30, 8],
    ///     [5, -41, 0]
    ///   ],
    ///   "readings_um": [
    ///     [10000, 10000, 14],
    ///     [210000, 10000, 9, 12]
    ///   ],
    ///   "older": { "drift_um": 15, "readings_um": [[
    ///     [10000, 10000, 61]
    ///   ]] }
    /// }
    /// ```
    ///
    /// The first row is the one at the smallest Y, and its first node the one at the smallest X. `fade`,
    /// `bed_temperature_c` and `survey` may be `null`; a surface is `refined` or `bilinear`. Four keys may be left out: the
    /// lowest machine height, below which nothing may go; the name of the plate; the readings, each X, Y, height and its
    /// own spread if that is known; older surveys of the same plate, the newest of them first. A survey that was a tie has a
    /// key `"tie": { "count": 1, "residual_um": 12 }` besides. With a tie, a plate or older surveys it is version 2. No other
    /// key may be missing, and no other may be there. Numbers are those of RFC 8259; all of them are whole (`1E2` is). A change of this layout
    /// gets a new version.
    Json,
    /// `.csv` (RFC 4180): the header `x_um,y_um,height_um`, then one record for each node, in any order.
    ///
    /// All numbers are whole. There must be a record for each place of a rectangle with an even pitch along either
    /// axis. Shift, fade, bed temperature and survey have no place in it: reading gives none of them.
    Csv,
    /// `.gkr`: the bytes of one record of the persistent memory ([`gapkeeper::record`]), and nothing else.
    ///
    /// It always has a temperature, a setup and the marks of a survey. It is written as save number 0.
    Record,
    /// `.hex` or `.ihex`: an image of the persistent memory (Intel, 1988) with a record at an address.
    ///
    /// Only the record is read; only the record is written.
    Hex,
    /// `.txt`: heights in rows as pasted from a console. Written are millimetres, the first row at the front.
    ///
    /// Around the numbers may stand brackets, commas, bars, prompts, labels of rows and columns, and units behind
    /// numbers. Unit (if none is there), row order, origin and pitch must be told, unless a heading that this program
    /// writes, or the table that `gapgrid show` prints, says them.
    Matrix,
    /// `.xyz`: X, Y and height on each line, in any order of the points. Written are millimetres.
    ///
    /// The points must stand on an even lattice within a tolerance (20 um, or [`MissingFacts::snap_um`]). The unit must
    /// be told.
    Xyz,
    /// `.npy`, version 1.0: a table of `i2`, `i4`, `f4` or `f8`, rows first. Written are micrometres as `<i2`, the
    /// first row at the front.
    ///
    /// Unit, row order, origin and pitch must be told.
    Npy,
    /// `.ply`: a surface of vertices and faces as text. Written in millimetres with heights exaggerated; its
    /// comments hold unit and factor, and are read.
    Ply,
    /// `.stl`: a surface of triangles, binary, in millimetres, heights exaggerated; only written.
    Stl,
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
            Some("gkr") => Ok(GridFormat::Record),
            Some("hex" | "ihex") => Ok(GridFormat::Hex),
            Some("txt") => Ok(GridFormat::Matrix),
            Some("xyz") => Ok(GridFormat::Xyz),
            Some("npy") => Ok(GridFormat::Npy),
            Some("ply") => Ok(GridFormat::Ply),
            Some("stl") => Ok(GridFormat::Stl),
            _ => Err(GridFileError::new(&path.to_string_lossy(), GridFileErrorKind::UnknownExtension)),
        }
    }

    /// Reads a document from the bytes of a file; `file` is its name for errors. A byte order mark is skipped.
    ///
    /// The facts are what the file does not say ([`GridFormat::facts_of_reading`]); those it says itself are taken from
    /// it. A bed temperature that contradicts the file's is an error.
    ///
    /// # Errors
    /// [`GridFileError`] for anything but a whole document in this format.
    pub fn parse(self, file: &str, bytes: &[u8], facts: &MissingFacts) -> Result<Reading, GridFileError> {
        let text = without_mark(bytes);
        let error = |kind| GridFileError::new(file, kind);
        let plain = |document| Reading { document, setup: None, losses: Vec::new() };
        let mut reading = match self {
            GridFormat::Json => json::parse(file, text).map(plain),
            GridFormat::Csv => csv::parse(file, text).map(plain),
            GridFormat::Record => record::parse(bytes).map_err(error),
            GridFormat::Hex => hex::parse(file, text, facts),
            GridFormat::Matrix => matrix::parse(file, text, facts),
            GridFormat::Xyz => xyz::parse(file, text, facts),
            GridFormat::Npy => npy::parse(bytes, facts).map_err(error),
            GridFormat::Ply => ply::parse(file, text, facts),
            GridFormat::Stl => Err(error(GridFileErrorKind::OutOnly)),
        }?;
        match (reading.document.bed_temperature_c, facts.bed_temperature_c) {
            (Some(found_c), Some(said_c)) if found_c != said_c => {
                Err(error(GridFileErrorKind::OtherTemperature { found_c, said_c }))
            }
            (found_c, said_c) => {
                reading.document.bed_temperature_c = found_c.or(said_c);
                Ok(reading)
            }
        }
    }

    /// The bytes of a file with this document, and what of it the format cannot hold.
    ///
    /// The facts are what the document does not say ([`GridFormat::facts_of_writing`]).
    ///
    /// # Errors
    /// [`GridFileErrorKind::FactsMissing`], or what keeps the document from being written in this format.
    pub fn render(
        self,
        document: &GridDocument,
        facts: &MissingFacts,
    ) -> Result<(Vec<u8>, Vec<Loss>), GridFileErrorKind> {
        Ok(match self {
            GridFormat::Json => (json::render(document).into_bytes(), Vec::new()),
            GridFormat::Csv => (csv::render(&document.grid).into_bytes(), beside_heights(document)),
            GridFormat::Record => record::render(document, facts)?,
            GridFormat::Hex => hex::render(document, facts)?,
            GridFormat::Matrix => matrix::render(document),
            GridFormat::Xyz => xyz::render(document),
            GridFormat::Npy => npy::render(document),
            GridFormat::Ply => ply::render(document, facts)?,
            GridFormat::Stl => stl::render(document, facts)?,
        })
    }
}

impl GridFormat {
    /// What reading a file of this format may have to be told.
    pub fn facts_of_reading(self) -> &'static [Fact] {
        match self {
            GridFormat::Json | GridFormat::Csv | GridFormat::Record | GridFormat::Stl => &[Fact::BedTemperature],
            GridFormat::Hex => &[Fact::Address, Fact::BedTemperature],
            GridFormat::Xyz => &[Fact::Unit, Fact::BedTemperature, Fact::Snap],
            GridFormat::Ply => &[Fact::Unit, Fact::BedTemperature, Fact::Exaggeration, Fact::Snap],
            GridFormat::Npy => &[Fact::Unit, Fact::Rows, Fact::Origin, Fact::Pitch, Fact::BedTemperature],
            GridFormat::Matrix => &[
                Fact::Unit,
                Fact::Rows,
                Fact::Origin,
                Fact::Pitch,
                Fact::BedTemperature,
                Fact::RowLabels,
                Fact::ColumnLabels,
                Fact::DecimalComma,
            ],
        }
    }

    /// What writing a file of this format may have to be told.
    pub fn facts_of_writing(self) -> &'static [Fact] {
        match self {
            GridFormat::Record => &[Fact::Setup, Fact::Surface],
            GridFormat::Hex => &[Fact::Setup, Fact::Address, Fact::Surface],
            GridFormat::Ply | GridFormat::Stl => &[Fact::Exaggeration],
            GridFormat::Json | GridFormat::Csv | GridFormat::Matrix | GridFormat::Xyz | GridFormat::Npy => &[],
        }
    }
}
