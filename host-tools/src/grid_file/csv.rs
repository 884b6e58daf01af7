//! Heights as CSV (RFC 4180).

use std::collections::BTreeMap;

use ::csv::{ByteRecord, ReaderBuilder};
use gapkeeper::{BedHeight, GridAxis, HeightGrid, Lattice, MAX_HEIGHT_UM};

use super::{
    CAPACITY, GridDocument, GridFileError, GridFileErrorKind as Kind, LARGEST_SPREAD_UM, MeasuredHeights,
    StationReading, grid_of, nodes_along,
};

/// A table of readings may have the last column, a grid has not.
const HEADER: [&str; 4] = ["x_um", "y_um", "height_um", "spread_um"];
/// The columns of a grid.
const COLUMNS: usize = 3;

/// A record as it stands in the file.
struct Node {
    reading: StationReading,
    /// The record, the header being 1.
    record: usize,
    /// Where in the text the record starts.
    offset: usize,
}

/// A grid document, of which CSV holds the heights alone.
pub(super) fn parse(file: &str, text: &[u8]) -> Result<GridDocument, GridFileError> {
    let surface = parse_surface(file, text)?;
    let error = |kind| GridFileError::new(file, kind);
    let lattice = Lattice {
        x0_um: surface.x0_um,
        y0_um: surface.y0_um,
        pitch_x_um: surface.pitch_x_um,
        pitch_y_um: surface.pitch_y_um,
        columns: nodes_along(GridAxis::X, surface.columns).map_err(error)?,
        rows: nodes_along(GridAxis::Y, surface.rows).map_err(error)?,
    };
    let grid = grid_of(lattice, &surface.heights_um).map_err(error)?;
    Ok(GridDocument::of_heights(grid))
}

/// Heights at any places, in the order of the file.
pub(super) fn parse_readings(file: &str, text: &[u8]) -> Result<Vec<StationReading>, GridFileError> {
    Ok(read_nodes(file, text, HEADER.len())?.into_iter().map(|node| node.reading).collect())
}

/// Heights on a regular lattice of any size.
pub(super) fn parse_surface(file: &str, text: &[u8]) -> Result<MeasuredHeights, GridFileError> {
    // A map from Y and X: in the order of a grid's nodes.
    let mut nodes: BTreeMap<(i32, i32), Node> = BTreeMap::new();
    for node in read_nodes(file, text, COLUMNS)? {
        let BedHeight { x_um, y_um, .. } = node.reading.at;
        if let Some(Node { record: first_record, .. }) = nodes.get(&(y_um, x_um)) {
            let kind = Kind::Duplicate { record: node.record, first_record: *first_record, x_um, y_um };
            return Err(GridFileError::at(file, text, node.offset, kind));
        }
        nodes.insert((y_um, x_um), node);
    }
    let mut columns_um: Vec<i32> = nodes.keys().map(|(_, x_um)| *x_um).collect();
    columns_um.sort_unstable();
    columns_um.dedup();
    let mut rows_um: Vec<i32> = nodes.keys().map(|(y_um, _)| *y_um).collect();
    rows_um.dedup();

    let pitch_um = |axis, values_um: &[i32]| {
        pitch_um(axis, values_um).map_err(|kind| match kind {
            Kind::Uneven { found_um, .. } => {
                let column = usize::from(axis == GridAxis::Y);
                let is_there = |(y_um, x_um): &(i32, i32)| found_um == if axis == GridAxis::X { *x_um } else { *y_um };
                let node = nodes.iter().filter(|(place, _)| is_there(place)).map(|(_, node)| node);
                let offset = node.map(|node| node.offset).min().unwrap_or(0);
                GridFileError::at(file, text, field_offset(text, offset, column), kind)
            }
            kind => GridFileError::new(file, kind),
        })
    };
    let (pitch_x_um, pitch_y_um) = (pitch_um(GridAxis::X, &columns_um)?, pitch_um(GridAxis::Y, &rows_um)?);
    for (row, y_um) in rows_um.iter().enumerate() {
        for (column, x_um) in columns_um.iter().enumerate() {
            if !nodes.contains_key(&(*y_um, *x_um)) {
                let kind = Kind::MissingPlace { row: row + 1, column: column + 1, x_um: *x_um, y_um: *y_um };
                return Err(GridFileError::new(file, kind));
            }
        }
    }
    Ok(MeasuredHeights {
        x0_um: columns_um[0],
        y0_um: rows_um[0],
        pitch_x_um,
        pitch_y_um,
        columns: columns_um.len(),
        rows: rows_um.len(),
        // Within MAX_HEIGHT_UM.
        heights_um: nodes.values().map(|node| node.reading.at.height_um as i16).collect(),
    })
}

/// All records, of which a table of heights has three fields and one of readings up to `most_columns`.
fn read_nodes(file: &str, text: &[u8], most_columns: usize) -> Result<Vec<Node>, GridFileError> {
    let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text);
    let mut nodes = Vec::new();
    let mut fields = ByteRecord::new();
    let (mut record, mut columns) = (0, COLUMNS);
    loop {
        let start = usize::try_from(reader.position().byte()).unwrap_or(text.len());
        // Reading from memory does not fail; if it did, there would be no further record.
        if !reader.read_byte_record(&mut fields).unwrap_or(false) {
            break;
        }
        record += 1;
        // The line end before a record may be left over from the one before.
        let offset = start + text[start..].iter().take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
        let at = |column, kind| GridFileError::at(file, text, field_offset(text, offset, column), kind);
        if record == 1 {
            columns = fields.len().clamp(COLUMNS, most_columns);
            check_header(&fields, columns).map_err(|kind| at(0, kind))?;
            continue;
        }
        if fields.len() != columns {
            let surplus = fields.len().min(columns + 1).saturating_sub(1);
            return Err(at(surplus, Kind::FieldCount { record, expected: columns, found: fields.len() }));
        }
        let whole = |column: usize, least: i32, most: i32| {
            let number = std::str::from_utf8(&fields[column]).ok().and_then(|field| field.parse().ok());
            number.filter(|number| (least..=most).contains(number)).ok_or_else(|| {
                let text = String::from_utf8_lossy(&fields[column]).into_owned();
                at(column, Kind::Field { record, column: HEADER[column], text, least, most })
            })
        };
        let highest = i32::from(MAX_HEIGHT_UM);
        let place = BedHeight {
            x_um: whole(0, i32::MIN, i32::MAX)?,
            y_um: whole(1, i32::MIN, i32::MAX)?,
            height_um: whole(2, -highest, highest)?,
        };
        let has_spread = columns > COLUMNS && !fields[COLUMNS].is_empty();
        let spread_um = if has_spread { Some(whole(COLUMNS, 1, LARGEST_SPREAD_UM.into())?) } else { None };
        // Within LARGEST_SPREAD_UM.
        let reading = StationReading { at: place, spread_um: spread_um.map(|um| um as u16) };
        nodes.push(Node { reading, record, offset });
    }
    if record == 0 {
        return Err(GridFileError::at(file, text, 0, Kind::Header));
    }
    Ok(nodes)
}

fn check_header(fields: &ByteRecord, columns: usize) -> Result<(), Kind> {
    if fields.iter().eq(HEADER.iter().take(columns).map(|name| name.as_bytes())) {
        return Ok(());
    }
    let is_plain = |field: &[u8]| {
        let name = field.trim_ascii().to_ascii_lowercase();
        matches!(name.as_slice(), b"x" | b"y" | b"z" | b"h" | b"height")
    };
    Err(if fields.iter().any(is_plain) { Kind::HeaderWithoutUnits } else { Kind::Header })
}

/// The even distance of values that are sorted and different; there must be two of them at least.
fn pitch_um(axis: GridAxis, values_um: &[i32]) -> Result<u32, Kind> {
    let &[first_um, second_um, ..] = values_um else {
        return Err(Kind::NodeCount { axis, found: values_um.len() });
    };
    let pitch_um = second_um.abs_diff(first_um);
    match values_um.windows(2).find(|pair| pair[1].abs_diff(pair[0]) != pitch_um) {
        Some(pair) => Err(Kind::Uneven { axis, before_um: pair[0], found_um: pair[1], pitch_um }),
        None => Ok(pitch_um),
    }
}

/// Where a field starts, counted from 0 in the record that starts at `record`.
fn field_offset(text: &[u8], record: usize, field: usize) -> usize {
    let mut is_quoted = false;
    let commas = text[record..].iter().enumerate().filter(|(_, byte)| {
        is_quoted ^= **byte == b'"';
        **byte == b',' && !is_quoted
    });
    match field {
        0 => record,
        _ => commas.map(|(offset, _)| record + offset + 1).nth(field - 1).unwrap_or(record),
    }
}

/// Rows from the smallest Y, each from the smallest X; line ends are CRLF (RFC 4180, 2).
pub(super) fn render(grid: &HeightGrid<CAPACITY>) -> String {
    let lattice = grid.lattice();
    let places = (0..lattice.rows).flat_map(|row| (0..lattice.columns).map(move |column| lattice.node_um(column, row)));
    let mut text = format!("{}\r\n", HEADER[..COLUMNS].join(","));
    for ((x_um, y_um), height_um) in places.zip(grid.nodes_um()) {
        text += &format!("{x_um},{y_um},{height_um}\r\n");
    }
    text
}
