//! The ways in which the lines of a pasted text may be a table, and the one that is meant.

use gapkeeper::MAX_NODES_PER_AXIS;

use super::{Fact, FactList, Kind, Line, MatrixFault, MissingFacts, Number, Readings};
use crate::grid_file::LengthUnit;
use crate::grid_file::number::length;

/// Heights in rows, as one reading has them.
#[derive(Debug)]
pub(super) struct Rows<'a> {
    pub numbers: Vec<Vec<Number<'a>>>,
    /// What stands before fractions.
    pub point: char,
}

/// A way to read the lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Way {
    decimal_comma: bool,
    column_labels: bool,
    row_labels: bool,
}

type Fault = (Option<usize>, Kind);

/// The only way in which the lines are a table, as far as the caller leaves it open.
pub(super) fn choose<'a>(lines: &[Line<'a>], facts: &MissingFacts) -> Result<Rows<'a>, Fault> {
    let mut possible: Vec<(Way, Rows<'a>)> = Vec::new();
    for decimal_comma in [false, true] {
        let Some(parted) = part_at_commas(lines, decimal_comma) else { continue };
        for column_labels in [false, true] {
            for row_labels in [false, true] {
                let way = Way { decimal_comma, column_labels, row_labels };
                possible.extend(read(lines, &parted, way).map(|rows| (way, rows)));
            }
        }
    }
    if possible.is_empty() {
        return Err(why_none(lines));
    }
    let is_said = |said: Option<bool>, here: bool| said.is_none_or(|said| said == here);
    possible.retain(|(way, _)| {
        is_said(facts.decimal_comma, way.decimal_comma)
            && is_said(facts.column_labels, way.column_labels)
            && is_said(facts.row_labels, way.row_labels)
    });
    if possible.len() > 1 {
        let first = possible[0].0;
        let differs = |part: fn(&Way) -> bool| possible.iter().any(|(way, _)| part(way) != part(&first));
        let facts = [
            (Fact::RowLabels, differs(|way| way.row_labels)),
            (Fact::ColumnLabels, differs(|way| way.column_labels)),
            (Fact::DecimalComma, differs(|way| way.decimal_comma)),
        ];
        let decide = FactList(facts.into_iter().filter(|fact| fact.1).map(|fact| fact.0).collect());
        let readings = possible.iter().map(|(way, rows)| in_words(*way, rows)).collect();
        return Err((None, Kind::Ambiguous(Readings { readings, decide })));
    }
    possible.pop().map(|(_, rows)| rows).ok_or((None, Kind::Matrix(MatrixFault::NotAsSaid)))
}

/// The numbers of each line, with commas between digits parting them or not; none where that cannot be.
fn part_at_commas<'a>(lines: &[Line<'a>], decimal_comma: bool) -> Option<Vec<Vec<Number<'a>>>> {
    let numbers = || lines.iter().flat_map(|line| &line.numbers);
    let has_comma = numbers().any(|number| number.text.contains(','));
    if decimal_comma && (!has_comma || numbers().any(|number| number.text.contains('.'))) {
        return None;
    }
    let point = if decimal_comma { ',' } else { '.' };
    let mut parted = Vec::with_capacity(lines.len());
    for line in lines {
        let mut row = Vec::with_capacity(line.numbers.len());
        for number in &line.numbers {
            if decimal_comma {
                row.push(*number);
                continue;
            }
            let mut offset = number.offset;
            let count = number.text.split(',').count();
            for (index, text) in number.text.split(',').enumerate() {
                // The unit stands behind the last of them.
                let unit = number.unit.filter(|_| index + 1 == count);
                row.push(Number { text, unit, offset });
                offset += text.len() + 1;
            }
        }
        // The unit does not matter for what is a number at all.
        if row.iter().any(|number| length(number.text, point, LengthUnit::Micrometre).is_none()) {
            return None;
        }
        parted.push(row);
    }
    Some(parted)
}

/// The rows in this way, if they are a table in it.
fn read<'a>(lines: &[Line<'a>], parted: &[Vec<Number<'a>>], way: Way) -> Option<Rows<'a>> {
    let first = usize::from(way.column_labels);
    let (lines, rows) = (lines.get(first..)?, parted.get(first..)?);
    let all_labelled = lines.iter().all(|line| line.is_labelled);
    let numbers: Vec<Vec<Number<'a>>> = if way.row_labels {
        let labels: Option<Vec<i64>> = rows.iter().map(|row| row.first().and_then(Number::whole)).collect();
        if !all_labelled && !is_count(&labels?) {
            return None;
        }
        rows.iter().map(|row| row[1..].to_vec()).collect()
    } else if lines.iter().any(|line| line.is_labelled) {
        return None;
    } else {
        rows.to_vec()
    };
    let columns = numbers.first()?.len();
    let limit = 2..=usize::from(MAX_NODES_PER_AXIS);
    if !limit.contains(&columns) || !limit.contains(&numbers.len()) || numbers.iter().any(|row| row.len() != columns) {
        return None;
    }
    if way.column_labels {
        let labels: Option<Vec<i64>> = parted.first()?.iter().map(Number::whole).collect();
        labels.filter(|labels| labels.len() == columns && is_count(labels))?;
    }
    Some(Rows { numbers, point: if way.decimal_comma { ',' } else { '.' } })
}

/// Whether labels count up or down by one.
fn is_count(labels: &[i64]) -> bool {
    let goes = |step: i64| labels.windows(2).all(|pair| pair[0].checked_add(step) == Some(pair[1]));
    goes(1) || goes(-1)
}

fn in_words(way: Way, rows: &Rows<'_>) -> String {
    let columns = rows.numbers.first().map_or(0, Vec::len);
    let row_labels = if way.row_labels { " behind row labels" } else { "" };
    let column_labels = if way.column_labels { " under column labels" } else { "" };
    let comma = if way.decimal_comma { " with decimal commas" } else { "" };
    let first: Vec<&str> = rows.numbers.iter().flatten().take(columns.min(4)).map(|number| number.text).collect();
    let more = if columns > first.len() { " ..." } else { "" };
    let (count, first) = (rows.numbers.len(), first.join("  "));
    format!("{count} rows of {columns} heights{row_labels}{column_labels}{comma}, beginning with {first}{more}")
}

/// The first line that is not as long as most, or that there is no table.
fn why_none(lines: &[Line<'_>]) -> Fault {
    let count = |line: &Line<'_>| line.numbers.len() - usize::from(line.is_labelled);
    let how_often = |length: usize| lines.iter().filter(|line| count(line) == length).count();
    let usual = lines.iter().map(count).max_by_key(|length| how_often(*length)).unwrap_or(0);
    // The first line may be labels of columns, so it is the last to blame.
    let odd = lines.iter().skip(1).chain(lines.first()).find(|line| count(line) != usual);
    match odd.filter(|_| how_often(usual) > 1) {
        Some(line) => (Some(line.offset), Kind::Matrix(MatrixFault::Ragged(count(line), usual))),
        None => (lines.first().map(|line| line.offset), Kind::Matrix(MatrixFault::NoTable)),
    }
}
