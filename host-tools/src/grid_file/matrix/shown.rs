//! The table that `gapgrid show` prints, and its way back.
//!
//! ```text
//! heights in um; X to the right and Y to the back, in mm
//! Y \ X |    -10     40     90
//! ------+---------------------
//!  52.5 |     12    -30   8191
//!  12.5 |      5    -41      0
//! ```
//!
//! Places, unit and row order are in it. What a console shows before the table and after the blank line that ends it is
//! none of its business.

use std::fmt::Write as _;

use gapkeeper::HeightGrid;

use super::{Kind, MatrixFault, MissingFacts, Reading, RowOrder, heading};
use crate::grid_file::number::length;
use crate::grid_file::points::{Point, on_lattice};
use crate::grid_file::xyz::words;
use crate::grid_file::{GridFileError, LengthUnit};

const HEADING: &str = "heights in um; X to the right and Y to the back, in mm";
const CORNER: &str = "Y \\ X";

/// The heights as a table, the row at the back first.
pub fn table<const CAPACITY: usize>(grid: &HeightGrid<CAPACITY>) -> String {
    let lattice = grid.lattice();
    let mm = |um: i32| (f64::from(um) / 1000.0).to_string();
    let columns_mm: Vec<String> = (0..lattice.columns).map(|column| mm(lattice.node_um(column, 0).0)).collect();
    let rows_mm: Vec<String> = (0..lattice.rows).map(|row| mm(lattice.node_um(0, row).1)).collect();
    let width = |texts: &[String], least: usize| texts.iter().map(String::len).max().unwrap_or(0).max(least);
    let (label, cell) = (width(&rows_mm, CORNER.len()), 2 + width(&columns_mm, 5));

    let mut out = format!("{HEADING}\n");
    // Writing to a string does not fail.
    let _ = write!(out, "{CORNER:>label$} |");
    columns_mm.iter().for_each(|x| out.push_str(&format!("{x:>cell$}")));
    let _ = writeln!(out, "\n{:-<label$}-+{}", "", "-".repeat(cell * columns_mm.len()));
    let rows = grid.nodes_um().chunks(columns_mm.len());
    for (y, heights_um) in rows_mm.iter().zip(rows).rev() {
        let _ = write!(out, "{y:>label$} |");
        heights_um.iter().for_each(|um| out.push_str(&format!("{um:>cell$}")));
        out.push('\n');
    }
    out
}

type Fault = (usize, MatrixFault);
/// A word and where it starts.
type Word<'a> = (usize, &'a [u8]);

/// The grid of a text that has such a table; none if it has none.
pub(super) fn parse(file: &str, text: &[u8], facts: &MissingFacts) -> Option<Result<Reading, GridFileError>> {
    let mut start = 0;
    let mut lines = text.split_inclusive(|byte| *byte == b'\n').map(|line| {
        let at = start;
        start += line.len();
        (at, line)
    });
    lines.find(|(_, line)| line.trim_ascii_end() == HEADING.as_bytes())?;
    let lines: Vec<(usize, &[u8])> = lines.take_while(|(_, line)| !line.trim_ascii().is_empty()).collect();
    Some(read(file, text, &lines, facts))
}

fn read(file: &str, text: &[u8], lines: &[(usize, &[u8])], facts: &MissingFacts) -> Result<Reading, GridFileError> {
    let points = points(lines).map_err(|(offset, fault)| GridFileError::at(file, text, offset, Kind::Matrix(fault)))?;
    let (document, _) = on_lattice(file, text, &points, 0)?;
    let lattice = document.grid.lattice();
    let own = MissingFacts {
        unit: Some(LengthUnit::Micrometre),
        rows: Some(RowOrder::FirstBack),
        origin_um: Some((lattice.x0_um, lattice.y0_um)),
        pitch_um: Some((lattice.pitch_x_um, lattice.pitch_y_um)),
        ..MissingFacts::default()
    };
    heading::with_own(facts, &own).map_err(|kind| GridFileError::new(file, kind))?;
    Ok(Reading { document, setup: None, losses: Vec::new() })
}

/// Every height with its place.
fn points(lines: &[(usize, &[u8])]) -> Result<Vec<Point>, Fault> {
    let [(top, labels), (rule, dashes), rows @ ..] = lines else {
        return Err((lines.first().map_or(0, |line| line.0), MatrixFault::NoTable));
    };
    let (corner, x_words) = at_bar(*top, labels)?;
    if corner.trim_ascii() != CORNER.as_bytes() {
        return Err((*top, MatrixFault::NoTable));
    }
    if !dashes.trim_ascii().iter().all(|byte| b"-+".contains(byte)) {
        return Err((*rule, MatrixFault::Interrupted));
    }
    let columns_um =
        x_words.into_iter().map(|word| whole_um(word, LengthUnit::Millimetre)).collect::<Result<Vec<i32>, Fault>>()?;
    let mut points = Vec::new();
    for (start, line) in rows {
        let (label, heights) = at_bar(*start, line)?;
        let label = words(label, *start).next().ok_or((*start, MatrixFault::NoTable))?;
        let y_um = whole_um(label, LengthUnit::Millimetre)?;
        if heights.len() != columns_um.len() {
            return Err((*start, MatrixFault::Ragged(heights.len(), columns_um.len())));
        }
        for (x_um, height) in columns_um.iter().zip(heights) {
            let height_um = whole_um(height, LengthUnit::Micrometre)?.into();
            points.push(Point { x_um: *x_um, y_um, height_um, offset: height.0 });
        }
    }
    Ok(points)
}

/// What stands before the bar of a line, and the words after it.
fn at_bar(start: usize, line: &[u8]) -> Result<(&[u8], Vec<Word<'_>>), Fault> {
    let bar = line.iter().position(|byte| *byte == b'|').ok_or((start, MatrixFault::Interrupted))?;
    Ok((&line[..bar], words(&line[bar + 1..], start + bar + 1).collect()))
}

/// A length that is whole in micrometres.
fn whole_um((offset, word): Word<'_>, unit: LengthUnit) -> Result<i32, Fault> {
    let text = String::from_utf8_lossy(word);
    let exact = length(&text, '.', unit).filter(|length| !length.is_rounded);
    let um = exact.and_then(|length| i32::try_from(length.um).ok());
    um.ok_or_else(|| (offset, MatrixFault::Stray(text.into_owned())))
}

#[cfg(test)]
mod tests {
    use gapkeeper::Lattice;

    use super::*;

    fn grid(heights_um: [i16; 6]) -> HeightGrid<6> {
        let lattice =
            Lattice { x0_um: -10_000, y0_um: 12_500, pitch_x_um: 50_000, pitch_y_um: 40_000, columns: 3, rows: 2 };
        HeightGrid::new(lattice, &heights_um).unwrap()
    }

    #[test]
    fn a_table_has_the_back_on_top() {
        let expected = "\
heights in um; X to the right and Y to the back, in mm
Y \\ X |    -10     40     90
------+---------------------
 52.5 |     12    -30   8191
 12.5 |      5    -41      0
";
        assert_eq!(table(&grid([5, -41, 0, 12, -30, 8191])), expected);
    }

    #[test]
    fn what_was_printed_is_read_back_and_what_was_changed_is_told() {
        let text = table(&grid([5, -41, 0, 12, -30, 8191]));
        let read = |text: &str| {
            let reading = parse("a.txt", text.as_bytes(), &MissingFacts::default());
            reading.unwrap().map(|reading| reading.document.grid).map_err(|error| error.to_string())
        };
        let whole = read(&format!("$ gapgrid show a\r\n{text}\n 52.5 |   |\nany 1 2\n")).unwrap();
        assert_eq!(
            (whole.lattice(), whole.nodes_um()),
            (grid([0; 6]).lattice(), [5, -41, 0, 12, -30, 8191].as_slice())
        );
        for (old, new, part) in [
            ("-41", "-4l", "a.txt:5:"),
            ("    -41", "       ", "2 numbers on this line, and 3 on most lines"),
            ("8191", "8192", "a height of 8192 um"),
            ("52.5", "12.5", "1 nodes along Y"),
            ("    40 ", "  40.1 ", "from the nearest place"),
            (" 12.5 |", " 12.5  ", "interrupted"),
            ("Y \\ X", "X \\ Y", "no table"),
            ("--+--", "--1--", "interrupted"),
        ] {
            assert!(text.contains(old), "{old}");
            let error = read(&text.replacen(old, new, 1)).unwrap_err();
            assert!(error.contains(part), "{old} {new}: {error}");
        }
        assert!(parse("a.txt", b"0.1 0.2\n", &MissingFacts::default()).is_none());
    }
}
