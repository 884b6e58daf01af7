//! What can be wrong with a grid file, each with its place and a remedy.

use std::fmt;
use std::io;

use gapkeeper::record::RecordError;
use gapkeeper::{FadeError, GridAxis, GridError, MAX_HEIGHT_UM};

use super::facts::{Fact, FactList, MissingFacts};
use super::faults::{HexFault, MatrixFault, NpyFault, PlyFault, PointFault, Readings};
use super::{LARGEST_SPREAD_UM, LONGEST_PLATE_BYTES};
use crate::TextPosition;
use crate::file_error::{INPUT_REMEDY, OUTPUT_REMEDY};
use crate::printed::one_line;

/// A mistake in a grid file, or in the way to it.
///
/// Where the place is known it is shown as `file:line:column: what`, the line, a caret and the remedy; otherwise as
/// `file: what` and the remedy.
#[derive(Debug)]
pub struct GridFileError {
    file: String,
    place: Option<TextPosition>,
    // Boxed, so that results stay small.
    kind: Box<GridFileErrorKind>,
}

impl GridFileError {
    /// A mistake that has no place inside the file.
    pub(super) fn new(file: &str, kind: GridFileErrorKind) -> Self {
        Self { file: file.to_owned(), place: None, kind: Box::new(kind) }
    }

    /// A mistake at byte `offset` of a text.
    pub(super) fn at(file: &str, text: &[u8], offset: usize, kind: GridFileErrorKind) -> Self {
        let before = &text[..offset.min(text.len())];
        let start = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |newline| newline + 1);
        let end = memchr::memchr(b'\n', &text[start..]).map_or(text.len(), |newline| start + newline + 1);
        let line = 1 + before.iter().filter(|byte| **byte == b'\n').count();
        // `u64` holds any length of memory.
        let place = TextPosition::new(file, line as u64, &text[start..end], offset - start);
        Self { place: Some(place), ..Self::new(file, kind) }
    }

    /// The file's name.
    pub fn file(&self) -> &str {
        &self.file
    }

    /// Where it is, if one place can be told.
    pub fn position(&self) -> Option<&TextPosition> {
        self.place.as_ref()
    }

    /// What it is.
    pub fn kind(&self) -> &GridFileErrorKind {
        &self.kind
    }
}

impl fmt::Display for GridFileError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (kind, remedy) = (&self.kind, self.kind.remedy());
        match &self.place {
            Some(place) => place.write_report(out, kind, remedy),
            None => write!(out, "{}: {kind}\n  {remedy}", one_line(&self.file)),
        }
    }
}

impl std::error::Error for GridFileError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match &*self.kind {
            GridFileErrorKind::Input(error) | GridFileErrorKind::Output(error) => Some(error),
            _ => None,
        }
    }
}

/// The kinds of mistakes. Rows, columns and records are counted from 1.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum GridFileErrorKind {
    /// The file cannot be read.
    #[error("cannot be read: {0}")]
    Input(#[source] io::Error),
    /// The file cannot be written.
    #[error("cannot be written: {0}")]
    Output(#[source] io::Error),
    /// No grid is that large.
    #[error("more than {limit_bytes} bytes")]
    TooLarge {
        /// The most bytes that are read.
        limit_bytes: u64,
    },
    /// The extension is of no format that is known.
    #[error("the extension says no format that is known here")]
    UnknownExtension,
    /// Not JSON, or not the document's keys and values; in the words of the JSON reader.
    #[error("{0}")]
    Json(String),
    /// Some other JSON document.
    #[error("the format is {0:?}, not \"gapkeeper-grid\"")]
    WrongFormat(String),
    /// A version that this program does not know.
    #[error("version {0} of the format, where this program reads versions 1 and 2")]
    UnknownVersion(i64),
    /// Rows of different lengths.
    #[error("row {row} has {found} nodes, but row 1 has {expected}")]
    Ragged {
        /// The row that differs.
        row: usize,
        /// Nodes of the first row.
        expected: usize,
        /// Nodes of this row.
        found: usize,
    },
    /// A height beyond what a grid holds.
    #[error("the node at row {row}, column {column} is {height_um} um high")]
    Height {
        /// Row, the first at the smallest Y.
        row: usize,
        /// Column, the first at the smallest X.
        column: usize,
        /// The height.
        height_um: i32,
    },
    /// No such grid can be.
    #[error("{0}")]
    Grid(GridError),
    /// No such fade can be.
    #[error("{0}")]
    Fade(FadeError),
    /// A header with other names.
    #[error("the first record is not x_um,y_um,height_um")]
    Header,
    /// A header whose names state no units.
    #[error("the first record names columns without their units")]
    HeaderWithoutUnits,
    /// Too few or too many fields in a record.
    #[error("record {record} has {found} fields, not {expected}")]
    FieldCount {
        /// The record, the header being 1.
        record: usize,
        /// Those of the header.
        expected: usize,
        /// Its fields.
        found: usize,
    },
    /// A reading of a document with too few or too many numbers.
    #[error("reading {number} has {found} numbers, not 3 or 4")]
    ReadingFields {
        /// The reading, counted from 1.
        number: usize,
        /// Its numbers.
        found: usize,
    },
    /// A reading that no grid holds.
    #[error("reading {number} is {height_um} um high, beyond {MAX_HEIGHT_UM}")]
    ReadingHeight {
        /// The reading, counted from 1.
        number: usize,
        /// Its height.
        height_um: i32,
    },
    /// A spread that no reading has.
    #[error("reading {number} has a spread of {spread_um} um, not 1 to {LARGEST_SPREAD_UM}")]
    ReadingSpread {
        /// The reading, counted from 1.
        number: usize,
        /// Its spread.
        spread_um: i32,
    },
    /// As many bed temperatures as older surveys, or none.
    #[error("{found} bed temperatures of {surveys} older surveys")]
    OlderTemperatures {
        /// How many surveys there are.
        surveys: usize,
        /// How many temperatures.
        found: usize,
    },
    /// A drift that no plate has.
    #[error("older surveys have a drift of {drift_um} um, not 0 to {LARGEST_SPREAD_UM}")]
    Drift {
        /// The drift.
        drift_um: u16,
    },
    /// Something is wrong with a reading of an older survey.
    #[error("older survey {survey}: {cause}")]
    OlderSurvey {
        /// The survey, counted from 1.
        survey: usize,
        /// What is wrong.
        cause: Box<GridFileErrorKind>,
    },
    /// The plate's name is not allowed.
    #[error("the name of the plate is empty, longer than {LONGEST_PLATE_BYTES} bytes, or cannot be printed")]
    Plate,
    /// A field that is no whole number, or too large a one.
    #[error("record {record}: {column} is {text:?}, not a whole number from {least} to {most}")]
    Field {
        /// The record, the header being 1.
        record: usize,
        /// The column's name.
        column: &'static str,
        /// What the field holds.
        text: String,
        /// Least number possible.
        least: i32,
        /// Largest number possible.
        most: i32,
    },
    /// Two records for one place.
    #[error("record {record} is for x {x_um} um, y {y_um} um, and so is record {first_record}")]
    Duplicate {
        /// The later record, the header being 1.
        record: usize,
        /// The earlier record.
        first_record: usize,
        /// Its X.
        x_um: i32,
        /// Its Y.
        y_um: i32,
    },
    /// Too few or too many nodes along an axis.
    #[error("{found} nodes along {axis:?}, where a grid has 2 to {}", gapkeeper::MAX_NODES_PER_AXIS)]
    NodeCount {
        /// The axis.
        axis: GridAxis,
        /// Nodes in the file; in CSV different values of the axis.
        found: usize,
    },
    /// Values along an axis are not evenly spaced.
    #[error("{axis:?} {found_um} um follows {before_um} um, but the first two are {pitch_um} um apart")]
    Uneven {
        /// The axis.
        axis: GridAxis,
        /// The value before.
        before_um: i32,
        /// The value that is out of step.
        found_um: i32,
        /// Distance of the first two.
        pitch_um: u32,
    },
    /// A place of the lattice without a record.
    #[error("no record for x {x_um} um, y {y_um} um (row {row}, column {column})")]
    MissingPlace {
        /// Row, the first at the smallest Y.
        row: usize,
        /// Column, the first at the smallest X.
        column: usize,
        /// Its X.
        x_um: i32,
        /// Its Y.
        y_um: i32,
    },
    /// What the file does not say and the caller does not either.
    #[error("this must be known, and the file does not say it: {0}")]
    FactsMissing(FactList),
    /// A text with more than one meaning.
    #[error("{0}")]
    Ambiguous(Readings),
    /// The caller's temperature and the file's.
    #[error("the file states a bed of {found_c} °C, but {said_c} °C was asked for")]
    OtherTemperature {
        /// In the file.
        found_c: i16,
        /// Said by the caller.
        said_c: i16,
    },
    /// Heights drawn zero times or far too many times too high.
    #[error("an exaggeration of {0}")]
    Exaggeration(u32),
    /// A format that is only written.
    #[error("surfaces of triangles are only written")]
    OutOnly,
    /// The core does not take the record.
    #[error("{0}")]
    Record(RecordError),
    /// Something follows the record.
    #[error("a record of {length} bytes in a file of {found}")]
    AfterRecord {
        /// Bytes of the record.
        length: usize,
        /// Bytes of the file.
        found: usize,
    },
    /// An image of memory.
    #[error("{0}")]
    Hex(HexFault),
    /// A pasted table.
    #[error("{0}")]
    Matrix(MatrixFault),
    /// Scattered points.
    #[error("{0}")]
    Points(PointFault),
    /// An array.
    #[error("{0}")]
    Npy(NpyFault),
    /// A surface.
    #[error("{0}")]
    Ply(PlyFault),
}

impl GridFileErrorKind {
    /// What the person who has the file can do.
    pub fn remedy(&self) -> &'static str {
        use GridFileErrorKind as Kind;
        match self {
            Kind::Input(_) => INPUT_REMEDY,
            Kind::Output(_) => OUTPUT_REMEDY,
            Kind::TooLarge { .. } => "check that this is a grid file",
            Kind::UnknownExtension => {
                "use .json (a whole document), .csv, .txt, .xyz, .npy, .ply, .stl (heights), .gkr or .hex (a record)"
            }
            Kind::Json(_) => "correct it; the document has exactly the keys that this program writes",
            Kind::WrongFormat(_) => "check that this is a grid document",
            Kind::UnknownVersion(_) => "use the program that wrote it, or a newer one of this",
            Kind::Ragged { .. } => "give every row the same number of nodes",
            Kind::Height { .. } => "heights reach from -8191 to 8191 um: measure again, or correct the number",
            Kind::Grid(_) | Kind::Fade(_) => "nothing was read; correct the numbers and try again",
            Kind::Header => "begin the file with x_um,y_um,height_um and give whole micrometres",
            Kind::HeaderWithoutUnits => {
                "units must be stated: convert to micrometres and name them x_um,y_um,height_um"
            }
            Kind::FieldCount { .. } => "write x, y and height, with commas between and without a decimal comma",
            Kind::ReadingFields { .. } => "write x, y, height and, if it is known, the spread, in micrometres",
            Kind::ReadingHeight { .. } => "leave the reading out, or correct it",
            Kind::ReadingSpread { .. } => "leave the spread out if it is not known",
            Kind::OlderTemperatures { .. } => "write one for each of them, null where it is not known, or none at all",
            Kind::Drift { .. } => "write how far the shape of the plate drifts, in micrometres",
            Kind::OlderSurvey { cause, .. } => cause.remedy(),
            Kind::Plate => "write a short name",
            Kind::Field { .. } => "write whole micrometres, without blanks and without a unit",
            Kind::Duplicate { .. } => "keep one of the two",
            Kind::NodeCount { .. } => "give the heights of a rectangle of evenly spaced places",
            Kind::Uneven { .. } => "correct the coordinate, or add what is missing between: pitches must be even",
            Kind::FactsMissing(_) => "say all of it",
            Kind::Ambiguous(_) => "say which is meant",
            Kind::OtherTemperature { .. } => "take the file's, or correct it there",
            Kind::Exaggeration(_) => "give a whole number from 1 to 100000",
            Kind::OutOnly => "read the file that the surface was made from",
            Kind::Record(_) => "nothing of it is taken",
            Kind::AfterRecord { .. } => "give the record alone, or an image of the memory with the record's address",
            Kind::Hex(fault) => fault.remedy(),
            Kind::Matrix(fault) => fault.remedy(),
            Kind::Points(fault) => fault.remedy(),
            Kind::Npy(fault) => fault.remedy(),
            Kind::Ply(fault) => fault.remedy(),
            Kind::MissingPlace { .. } => "add it: every place of the rectangle needs a height",
        }
    }
}

impl MissingFacts {
    /// Every fact of the list that is not given, all in one error, so that a person is asked once.
    pub(super) fn need(&self, facts: &[Fact]) -> Result<(), GridFileErrorKind> {
        let missing: Vec<Fact> = facts.iter().copied().filter(|fact| !self.has(*fact)).collect();
        if missing.is_empty() { Ok(()) } else { Err(GridFileErrorKind::FactsMissing(FactList(missing))) }
    }
}

/// A fact that a parser may rely on after [`MissingFacts::need`], or the error that names it.
pub(super) fn given<T: Copy>(value: Option<T>, fact: Fact) -> Result<T, GridFileErrorKind> {
    value.ok_or_else(|| GridFileErrorKind::FactsMissing(FactList(vec![fact])))
}
