//! NumPy's `.npy`, version 1.0 (NumPy Enhancement Proposal 1): a table of numbers, without places and without a unit.

use super::error::given;
use super::faults::NpyFault;
use super::loss::{beside_table, rounded};
use super::table::{Cell, Table};
use super::{Fact, GridDocument, GridFileErrorKind as Kind, LengthUnit, Loss, MissingFacts, Reading};

const MAGIC: &[u8] = b"\x93NUMPY";
/// Magic, version and the length of the header.
const FRAME_SIZE: usize = 10;
/// The whole header is a multiple of this.
const ALIGNMENT: usize = 64;

/// The types of numbers that are read.
#[derive(Clone, Copy)]
enum Number {
    I2,
    I4,
    F4,
    F8,
}

impl Number {
    const fn size(self) -> usize {
        match self {
            Number::I2 => 2,
            Number::I4 | Number::F4 => 4,
            Number::F8 => 8,
        }
    }
}

struct Header {
    number: Number,
    is_big_endian: bool,
    rows: usize,
    columns: usize,
}

pub(super) fn parse(bytes: &[u8], facts: &MissingFacts) -> Result<Reading, Kind> {
    let (header, data) = parse_header(bytes).map_err(Kind::Npy)?;
    facts.need(&[Fact::Unit, Fact::Rows, Fact::Origin, Fact::Pitch])?;
    let unit = given(facts.unit, Fact::Unit)?;
    let mut roundings = 0;
    let mut rows = Vec::with_capacity(header.rows);
    for (row, bytes) in data.chunks_exact(header.columns * header.number.size()).enumerate() {
        let mut cells = Vec::with_capacity(header.columns);
        for (column, bytes) in bytes.chunks_exact(header.number.size()).enumerate() {
            let (um, is_rounded) =
                height_um(&header, bytes, unit).ok_or(Kind::Npy(NpyFault::NotFinite(row + 1, column + 1)))?;
            roundings += usize::from(is_rounded);
            cells.push(Cell { um, offset: None });
        }
        rows.push(cells);
    }
    let document = Table { rows }.document(facts).map_err(|(_, kind)| kind)?;
    Ok(Reading { document, setup: None, losses: rounded(roundings).into_iter().collect() })
}

/// The header, and the data in the length that it says.
fn parse_header(bytes: &[u8]) -> Result<(Header, &[u8]), NpyFault> {
    let rest = bytes.strip_prefix(MAGIC).ok_or(NpyFault::Magic)?;
    let &[major, minor, low, high, ref rest @ ..] = rest else {
        return Err(NpyFault::CutHeader);
    };
    if (major, minor) != (1, 0) {
        return Err(NpyFault::Version(major, minor));
    }
    let length = usize::from(u16::from_le_bytes([low, high]));
    let (text, data) = rest.split_at_checked(length).ok_or(NpyFault::CutHeader)?;
    let text = std::str::from_utf8(text).map_err(|_| NpyFault::Header)?;
    let mut dictionary = Dictionary::default();
    dictionary.read(text).ok_or(NpyFault::Header)?;
    let (Some(descr), Some(is_fortran), Some(shape)) = (dictionary.descr, dictionary.fortran_order, dictionary.shape)
    else {
        return Err(NpyFault::Header);
    };
    let (order, number) = match descr.split_at_checked(1) {
        Some((order @ ("<" | ">"), "i2")) => (order, Number::I2),
        Some((order @ ("<" | ">"), "i4")) => (order, Number::I4),
        Some((order @ ("<" | ">"), "f4")) => (order, Number::F4),
        Some((order @ ("<" | ">"), "f8")) => (order, Number::F8),
        _ => return Err(NpyFault::Type(descr.to_owned())),
    };
    if is_fortran {
        return Err(NpyFault::FortranOrder);
    }
    let sizes: Option<Vec<usize>> =
        shape.split(',').map(str::trim).filter(|size| !size.is_empty()).map(|size| size.parse().ok()).collect();
    let limit = usize::from(gapkeeper::MAX_NODES_PER_AXIS);
    let (rows, columns) = match sizes.as_deref() {
        Some(&[rows, columns]) if (2..=limit).contains(&rows) && (2..=limit).contains(&columns) => (rows, columns),
        _ => return Err(NpyFault::Shape(format!("({shape})"))),
    };
    let needed = rows * columns * number.size();
    if data.len() != needed {
        return Err(NpyFault::Size(needed, data.len()));
    }
    Ok((Header { number, is_big_endian: order == ">", rows, columns }, data))
}

/// The three entries, in whatever order they come; each once.
#[derive(Default)]
struct Dictionary<'a> {
    descr: Option<&'a str>,
    fortran_order: Option<bool>,
    /// What stands between the round brackets.
    shape: Option<&'a str>,
}

impl<'a> Dictionary<'a> {
    /// None if the text is anything but a dictionary of these entries.
    fn read(&mut self, text: &'a str) -> Option<()> {
        let mut rest = text.trim().strip_prefix('{')?.strip_suffix('}')?.trim();
        while !rest.is_empty() {
            let (key, after) = quoted(rest)?;
            let value = after.trim_start().strip_prefix(':')?.trim_start();
            let is_new;
            (is_new, rest) = match key {
                "descr" => {
                    let (descr, rest) = quoted(value)?;
                    (self.descr.replace(descr).is_none(), rest)
                }
                "fortran_order" => match value.strip_prefix("False") {
                    Some(rest) => (self.fortran_order.replace(false).is_none(), rest),
                    None => (self.fortran_order.replace(true).is_none(), value.strip_prefix("True")?),
                },
                "shape" => {
                    let (shape, rest) = value.strip_prefix('(')?.split_once(')')?;
                    (self.shape.replace(shape).is_none(), rest)
                }
                _ => return None,
            };
            rest = rest.trim_start();
            // The comma after the last entry is optional.
            rest = match rest.strip_prefix(',') {
                Some(rest) => rest.trim_start(),
                None if rest.is_empty() => rest,
                None => return None,
            };
            if !is_new {
                return None;
            }
        }
        Some(())
    }
}

/// A string in single or double quotes, and what follows it.
fn quoted(text: &str) -> Option<(&str, &str)> {
    let quote = text.chars().next().filter(|quote| matches!(quote, '\'' | '"'))?;
    text[1..].split_once(quote)
}

/// Whole micrometres and whether that took rounding; none for what is not finite.
fn height_um(header: &Header, bytes: &[u8], unit: LengthUnit) -> Option<(i64, bool)> {
    let mut little = [0; 8];
    for (index, byte) in bytes.iter().enumerate() {
        little[if header.is_big_endian { bytes.len() - 1 - index } else { index }] = *byte;
    }
    let [b0, b1, b2, b3, ..] = little;
    let um_per_unit = i64::from(unit.um());
    let exact = |value: i32| Some((i64::from(value) * um_per_unit, false));
    let rounded = |value: f64, is_nearest: &dyn Fn(f64) -> bool| {
        // Saturates, far beyond any height.
        let um = (value * um_per_unit as f64).round();
        value.is_finite().then_some((um as i64, !is_nearest(um / um_per_unit as f64)))
    };
    match header.number {
        Number::I2 => exact(i16::from_le_bytes([b0, b1]).into()),
        Number::I4 => exact(i32::from_le_bytes([b0, b1, b2, b3])),
        // 0.012 in single precision is as near to 12 um as it can be: nothing was lost.
        Number::F4 => {
            let value = f32::from_le_bytes([b0, b1, b2, b3]);
            rounded(value.into(), &|nearest| nearest as f32 == value)
        }
        Number::F8 => {
            let value = f64::from_le_bytes(little);
            rounded(value, &|nearest| nearest == value)
        }
    }
}

/// Micrometres as `<i2`, the first row at the front.
pub(super) fn render(document: &GridDocument) -> (Vec<u8>, Vec<Loss>) {
    let lattice = document.grid.lattice();
    let mut header =
        format!("{{'descr': '<i2', 'fortran_order': False, 'shape': ({}, {}), }}", lattice.rows, lattice.columns);
    while !(FRAME_SIZE + header.len() + 1).is_multiple_of(ALIGNMENT) {
        header.push(' ');
    }
    header.push('\n');
    let mut bytes = MAGIC.to_vec();
    bytes.extend_from_slice(&[1, 0]);
    // 118: far below 16 bits.
    bytes.extend_from_slice(&(header.len() as u16).to_le_bytes());
    bytes.extend_from_slice(header.as_bytes());
    bytes.extend(document.grid.nodes_um().iter().flat_map(|height_um| height_um.to_le_bytes()));
    (bytes, beside_table(document))
}
