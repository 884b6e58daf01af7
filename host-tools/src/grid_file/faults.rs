//! What can be wrong with a grid file of each format, and what to do about it.

use gapkeeper::GridAxis;

use super::facts::{Fact, FactList, LengthUnit};

/// What can be wrong with an image of memory.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum HexFault {
    /// A line that does not begin with a colon.
    #[error("a line does not begin with a colon")]
    NoColon,
    /// Something else than a digit, or an odd number of them.
    #[error("a line has something else than pairs of hexadecimal digits")]
    Digits,
    /// Stated and found bytes of data.
    #[error("the line states {0} bytes of data and has {1}")]
    Length(usize, usize),
    /// Stated and right check value.
    #[error("the check value is {0:02X}, but the line's bytes ask for {1:02X}")]
    Checksum(u8, u8),
    /// A type that the specification does not know.
    #[error("there is no line of type {0:02X}")]
    Type(u8),
    /// A line of this type with a wrong number of bytes.
    #[error("a line of type {0:02X} does not have {1} bytes of data")]
    TypeLength(u8, usize),
    /// Two values for one address.
    #[error("the address {0:X} already has another value")]
    Conflict(u32),
    /// Lines follow the end.
    #[error("there are lines after the line that says the end")]
    AfterEnd,
    /// There is no end.
    #[error("the last line does not say the end: a part of the file is missing")]
    NoEnd,
    /// Nothing at the address; where there is data.
    #[error("there is nothing at the address {0:X}; data begins at {1}")]
    NothingAt(u32, String),
    /// The record would reach beyond 32 bits.
    #[error("a record at {0:X} reaches beyond the last address")]
    BeyondMemory(u32),
}

impl HexFault {
    pub(super) fn remedy(&self) -> &'static str {
        match self {
            HexFault::NothingAt(..) | HexFault::BeyondMemory(_) => "give the address at which the record is kept",
            HexFault::Conflict(_) => "read the memory again: one address can hold one value only",
            _ => "read the memory again; nothing of a damaged image is taken",
        }
    }
}

/// What can be wrong with a pasted table.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum MatrixFault {
    /// A word among numbers.
    #[error("{0:?} is neither a height nor a label")]
    Stray(String),
    /// A node that nobody measured.
    #[error("{0:?} stands where a height should")]
    NoHeight(String),
    /// Text or a blank line inside the table.
    #[error("the table is interrupted before this line")]
    Interrupted,
    /// Numbers on this line, numbers on most lines.
    #[error("{0} numbers on this line, and {1} on most lines")]
    Ragged(usize, usize),
    /// No table at all.
    #[error("there is no table of 2 to {} rows and columns of numbers", gapkeeper::MAX_NODES_PER_AXIS)]
    NoTable,
    /// A table, but not in the way that the caller says.
    #[error("the table has no such labels or commas as were stated")]
    NotAsSaid,
    /// What the caller says otherwise than the text.
    #[error("{0}: the text states something else")]
    OtherFact(Fact),
    /// The unit at the number, the unit that the caller says.
    #[error("the unit here is {0}, but {1} was stated")]
    OtherUnit(LengthUnit, LengthUnit),
}

impl MatrixFault {
    pub(super) fn remedy(&self) -> &'static str {
        match self {
            MatrixFault::Stray(_) => "take it out, or put it on a line of its own outside the table",
            MatrixFault::NoHeight(_) => "every node needs a height: measure it, or fill it in",
            MatrixFault::Interrupted => "leave one table in the file, its rows one after the other",
            MatrixFault::Ragged(..) => "give every row the same number of heights",
            MatrixFault::NoTable => "paste the rows of one table, each on a line of its own",
            MatrixFault::NotAsSaid => "look at the text again, or leave the option out",
            MatrixFault::OtherFact(_) => "leave the option out, or take the heading out of the text",
            MatrixFault::OtherUnit(..) => "say the unit that the text says, or none",
        }
    }
}

/// Text that can be read in more than one way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Readings {
    /// Each of them in words.
    pub readings: Vec<String>,
    /// What decides between them.
    pub decide: FactList,
}

impl std::fmt::Display for Readings {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "the text can be read in {} ways:", self.readings.len())?;
        for reading in &self.readings {
            write!(out, "\n    {reading}")?;
        }
        write!(out, "\n  what decides is {}", self.decide)
    }
}

/// What can be wrong with an array file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NpyFault {
    /// The file begins otherwise.
    #[error("the file does not begin as an array file does")]
    Magic,
    /// Major and minor version.
    #[error("version {0}.{1} of the format, where this program reads version 1.0")]
    Version(u8, u8),
    /// The file ends inside its header.
    #[error("the file ends inside its header")]
    CutHeader,
    /// The header is not the dictionary that the format describes.
    #[error("the header is not one dictionary of descr, fortran_order and shape")]
    Header,
    /// A type of numbers that is not read.
    #[error("numbers of type {0:?}")]
    Type(String),
    /// Columns before rows.
    #[error("the array is in Fortran order, columns before rows")]
    FortranOrder,
    /// The shape is no table.
    #[error("an array of shape {0}, where a grid is a table of rows and columns")]
    Shape(String),
    /// Bytes of data needed and found.
    #[error("the array needs {0} bytes of data, and the file has {1}")]
    Size(usize, usize),
    /// Row and column, from 1 in the order of the file, of what is not a number or infinite.
    #[error("row {0} of the array, column {1}, is not a finite number")]
    NotFinite(usize, usize),
}

impl NpyFault {
    pub(super) fn remedy(&self) -> &'static str {
        match self {
            NpyFault::Type(_) => "save it as one of i2, i4, f4, f8",
            NpyFault::Shape(_) => "save one table of 2 to 16 rows and columns",
            NpyFault::FortranOrder => "save it in C order, rows first",
            NpyFault::NotFinite(..) => "every node needs a height: measure it, or fill it in",
            NpyFault::Version(..) => "save the array in version 1.0, which holds every table of plain numbers",
            _ => "save the array again; nothing of a damaged file is taken",
        }
    }
}

/// What can be wrong with a surface file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PlyFault {
    /// The file begins otherwise.
    #[error("the file does not begin with the line \"ply\"")]
    Magic,
    /// Another encoding than text, or another version.
    #[error("the file is not in \"format ascii 1.0\"")]
    Format,
    /// A line of the header that is not understood.
    #[error("a line of the header that is not understood")]
    Header,
    /// The header does not end.
    #[error("the header has no end_header")]
    NoEnd,
    /// The first element is not the vertices, or has not x, y and z.
    #[error("the first element is not vertices with the properties x, y and z")]
    NoVertices,
    /// Vertices stated and found.
    #[error("the header states {0} vertices, and the file has {1}")]
    Count(u64, u64),
    /// Lines of all elements stated and found.
    #[error("the header states {0} lines of vertices and faces, and the file has {1}")]
    Lines(u64, u64),
    /// Properties stated and numbers found.
    #[error("a vertex of {1} numbers, where the header states {0} properties")]
    Vertex(usize, usize),
}

impl PlyFault {
    pub(super) fn remedy(&self) -> &'static str {
        match self {
            PlyFault::Format => "save it as text (ascii)",
            PlyFault::NoVertices => "save a surface whose first element is its vertices",
            _ => "save it again; nothing of a damaged file is taken",
        }
    }
}

/// What can be wrong with points.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PointFault {
    /// Fewer or more numbers on a line than a point has.
    #[error("{0} numbers on a line, where a point has X, Y and height")]
    Count(usize),
    /// What stands where a number should.
    #[error("{0:?} is no number, or one too large for any machine")]
    Number(String),
    /// The coordinate, the nearest place, the tolerance.
    #[error("{axis:?} {at_um} um is {away_um} um from the nearest place of the lattice, {place_um} um")]
    OffLattice {
        /// The axis along which it is too far away.
        axis: GridAxis,
        /// The coordinate.
        at_um: i32,
        /// The nearest place.
        place_um: i64,
        /// The distance.
        away_um: u64,
    },
    /// The line of an earlier point for the same place.
    #[error("a second height for the place of the point on line {0}")]
    Twice(usize),
    /// The height in micrometres.
    #[error("a height of {0} um")]
    Height(i64),
}

impl PointFault {
    pub(super) fn remedy(&self) -> &'static str {
        match self {
            PointFault::Count(_) | PointFault::Number(_) => "write X, Y and height, with blanks between",
            PointFault::OffLattice { .. } => {
                "measure at the places of an even lattice, or allow a larger distance (--snap UM)"
            }
            PointFault::Twice(_) => "keep one of the two, or allow a smaller distance (--snap UM)",
            PointFault::Height(_) => "heights reach from -8191 to 8191 um: check the unit",
        }
    }
}
