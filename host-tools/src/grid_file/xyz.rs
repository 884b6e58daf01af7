//! Points as plain text: X, Y and height on a line, with blanks between; lines that begin with `#` are remarks.

use super::error::given;
use super::faults::PointFault;
use super::loss::{beside_heights, rounded};
use super::number::length;
use super::points::{Point, SNAP_UM, on_lattice};
use super::{Fact, GridDocument, GridFileError, GridFileErrorKind as Kind, LengthUnit, Loss, MissingFacts, Reading};

/// The words of a line with the offsets at which they start.
pub(super) fn words(line: &[u8], start: usize) -> impl Iterator<Item = (usize, &[u8])> {
    let mut offset = start;
    line.split(u8::is_ascii_whitespace).filter_map(move |word| {
        let at = offset;
        offset += word.len() + 1;
        (!word.is_empty()).then_some((at, word))
    })
}

pub(super) fn parse(file: &str, text: &[u8], facts: &MissingFacts) -> Result<Reading, GridFileError> {
    let error = |kind| GridFileError::new(file, kind);
    facts.need(&[Fact::Unit]).map_err(error)?;
    let unit = given(facts.unit, Fact::Unit).map_err(error)?;
    let (mut points, mut roundings) = (Vec::new(), 0);
    let mut start = 0;
    for line in text.split_inclusive(|byte| *byte == b'\n') {
        let first = words(line, start).next();
        if let Some((offset, _)) = first.filter(|(_, word)| !word.starts_with(b"#")) {
            let at = |offset, fault| GridFileError::at(file, text, offset, Kind::Points(fault));
            let numbers: Vec<(usize, &[u8])> = words(line, start).take(4).collect();
            let &[x, y, height] = numbers.as_slice() else {
                let surplus = numbers.get(3).map_or(offset, |word| word.0);
                return Err(at(surplus, PointFault::Count(words(line, start).count())));
            };
            let (um, rounded) = point_um([x.1, y.1, height.1], unit).map_err(|index| {
                let (offset, word) = [x, y, height][index];
                at(offset, PointFault::Number(String::from_utf8_lossy(word).into_owned()))
            })?;
            roundings += rounded;
            // `point_um` checked the range of both.
            points.push(Point { x_um: um[0] as i32, y_um: um[1] as i32, height_um: um[2], offset });
        }
        start += line.len();
    }
    let (document, snapped) = on_lattice(file, text, &points, facts.snap_um.unwrap_or(SNAP_UM))?;
    Ok(Reading { document, setup: None, losses: rounded(roundings).into_iter().chain(snapped).collect() })
}

/// X, Y and height in whole micrometres and how many were rounded; or the index of what is no such number.
pub(super) fn point_um(words: [&[u8]; 3], unit: LengthUnit) -> Result<([i64; 3], usize), usize> {
    let (mut um, mut rounded) = ([0; 3], 0);
    for (index, word) in words.into_iter().enumerate() {
        let length = std::str::from_utf8(word).ok().and_then(|word| length(word, '.', unit)).ok_or(index)?;
        if i32::try_from(length.um).is_err() {
            return Err(index);
        }
        um[index] = length.um;
        rounded += usize::from(length.is_rounded);
    }
    Ok((um, rounded))
}

/// Whole micrometres as millimetres, exactly.
pub(super) fn millimetres(um: i64) -> String {
    let sign = if um < 0 { "-" } else { "" };
    format!("{sign}{}.{:03}", um.unsigned_abs() / 1000, um.unsigned_abs() % 1000)
}

/// Millimetres, row by row from the front.
pub(super) fn render(document: &GridDocument) -> (Vec<u8>, Vec<Loss>) {
    let text: String = nodes(document)
        .map(|(x_um, y_um, height_um)| {
            let [x, y, height] = [x_um.into(), y_um.into(), height_um.into()].map(millimetres);
            format!("{x} {y} {height}\n")
        })
        .collect();
    (text.into_bytes(), beside_heights(document))
}

/// X, Y and height of every node, row by row from the front.
pub(super) fn nodes(document: &GridDocument) -> impl Iterator<Item = (i32, i32, i16)> {
    let lattice = document.grid.lattice();
    let places = (0..lattice.rows).flat_map(move |row| (0..lattice.columns).map(move |column| (column, row)));
    places.zip(document.grid.nodes_um()).map(move |((column, row), height_um)| {
        let (x_um, y_um) = lattice.node_um(column, row);
        (x_um, y_um, *height_um)
    })
}
