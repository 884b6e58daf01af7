//! A table of heights as it is pasted from a console: numbers in rows, with whatever else stands around them.
//!
//! Brackets, bars, semicolons, quotes and commas part numbers; prompts (`>`, `$`, a word that ends in one) before a
//! row, lines without a digit around the table, labels of rows and columns and units behind numbers are understood.
//! Anything else is refused with its place. Columns run from the smallest X.
//!
//! A table that this program wrote or printed says unit, row order and places itself.
//!
//! A text that can be read in two ways is refused with both of them and the facts that decide.

mod heading;
mod line;
mod readings;
mod shown;

use super::Reading;
use super::loss::{beside_heights, rounded};
use super::number::length;
use super::table::{Cell, Table};
use super::xyz::millimetres;
use super::{
    Fact, FactList, GridDocument, GridFileError, GridFileErrorKind as Kind, LengthUnit, Loss, MissingFacts, RowOrder,
};

use line::{Line, Number, lines};
pub use shown::table;

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
    #[error("the table has no such labels or commas as were said")]
    NotAsSaid,
    /// What the caller says otherwise than the text.
    #[error("{0}: the text says it otherwise")]
    OtherFact(Fact),
    /// The unit at the number, the unit that the caller says.
    #[error("the unit here is {0}, but {1} was said")]
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

pub(super) fn parse(file: &str, text: &[u8], facts: &MissingFacts) -> Result<Reading, GridFileError> {
    let at = |(offset, kind): (Option<usize>, Kind)| match offset {
        Some(offset) => GridFileError::at(file, text, offset, kind),
        None => GridFileError::new(file, kind),
    };
    if let Some(shown) = shown::parse(file, text, facts) {
        return shown;
    }
    let mut own = MissingFacts::default();
    let lines = lines(text, &mut own).map_err(|(offset, fault)| at((Some(offset), Kind::Matrix(fault))))?;
    let facts = &heading::with_own(facts, &own).map_err(|kind| at((None, kind)))?;
    let rows = readings::choose(&lines, facts).map_err(at)?;
    if rows.numbers.iter().flatten().any(|number| number.unit.is_none()) {
        facts.need(&[Fact::Unit, Fact::Rows, Fact::Origin, Fact::Pitch]).map_err(|kind| at((None, kind)))?;
    }
    let mut roundings = 0;
    let mut cells = Vec::with_capacity(rows.numbers.len());
    for row in &rows.numbers {
        let mut heights = Vec::with_capacity(row.len());
        for number in row {
            let (um, is_rounded) =
                height_um(number, rows.point, facts).map_err(|kind| at((Some(number.offset), kind)))?;
            roundings += usize::from(is_rounded);
            heights.push(Cell { um, offset: Some(number.offset) });
        }
        cells.push(heights);
    }
    let document = Table { rows: cells }.document(facts).map_err(at)?;
    Ok(Reading { document, setup: None, losses: rounded(roundings).into_iter().collect() })
}

fn height_um(number: &Number<'_>, point: char, facts: &MissingFacts) -> Result<(i64, bool), Kind> {
    let unit = match (number.unit, facts.unit) {
        (Some(here), Some(said)) if here != said => return Err(Kind::Matrix(MatrixFault::OtherUnit(here, said))),
        (here, said) => super::facts::given(here.or(said), Fact::Unit)?,
    };
    let stray = || Kind::Matrix(MatrixFault::Stray(number.text.to_owned()));
    let length = length(number.text, point, unit).ok_or_else(stray)?;
    Ok((length.um, length.is_rounded))
}

/// Millimetres, the first row at the front, columns under each other; a heading says so.
pub(super) fn render(document: &GridDocument) -> (Vec<u8>, Vec<Loss>) {
    let columns = usize::from(document.grid.lattice().columns);
    let row = |nodes_um: &[i16]| {
        let heights: Vec<String> =
            nodes_um.iter().map(|height_um| format!("{:>6}", millimetres((*height_um).into()))).collect();
        format!("{}\n", heights.join(" "))
    };
    let text = heading::render(document.grid.lattice())
        + &document.grid.nodes_um().chunks(columns).map(row).collect::<String>();
    (text.into_bytes(), beside_heights(document))
}
