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
use super::faults::{MatrixFault, Readings};
use super::loss::{beside_heights, rounded};
use super::number::length;
use super::table::{Cell, Table};
use super::xyz::millimetres;
use super::{
    Fact, FactList, GridDocument, GridFileError, GridFileErrorKind as Kind, LengthUnit, Loss, MissingFacts, RowOrder,
};

use line::{Line, Number, lines};
pub use shown::table;

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
        (here, said) => super::error::given(here.or(said), Fact::Unit)?,
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
