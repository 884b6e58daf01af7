//! Grids in every format.

use gapkeeper::record::decode_grid;
use gapkeeper::{Correction, CorrectionError, Fade, HeightGrid, Lattice, Surface, Tie};
use gapkeeper_host_tools::grid_file::{
    CAPACITY, GridDocument, GridFormat, LengthUnit, MissingFacts, RowOrder, SurveyMarks,
};

use super::memory::sealed;

/// The formats that are read as well as written.
const BOTH_WAYS: [GridFormat; 8] = [
    GridFormat::Json,
    GridFormat::Csv,
    GridFormat::Record,
    GridFormat::Hex,
    GridFormat::Matrix,
    GridFormat::Xyz,
    GridFormat::Npy,
    GridFormat::Ply,
];

/// A JSON document.
pub fn json(bytes: &[u8]) {
    check(GridFormat::Json, bytes);
}

/// A CSV table.
pub fn csv(bytes: &[u8]) {
    check(GridFormat::Csv, bytes);
}

/// A record as a file, as it is and with a frame and a check value that fit.
pub fn record(bytes: &[u8]) {
    check(GridFormat::Record, bytes);
    let sealed = sealed(bytes);
    check(GridFormat::Record, &sealed);
    let Ok(record) = decode_grid::<CAPACITY>(&sealed) else { return };
    // What has been read could be put in force; but for a fade too short for the shape, which layout 3 keeps.
    let correction = Correction::new(record.value.grid).with_shift(record.value.shift_um.into());
    let correction = correction.unwrap_or_else(|error| panic!("a record with a shift that cannot be: {error}"));
    match record.value.fade.map(|fade| correction.with_fade(fade)) {
        Some(Err(CorrectionError::FadeTooShort { .. })) if record.version >= 3 => {}
        Some(Err(error)) => panic!("a record with a fade that cannot be: {error}"),
        _ => {}
    }
}

/// An image of the memory.
pub fn hex(bytes: &[u8]) {
    check(GridFormat::Hex, bytes);
}

/// A pasted table.
pub fn matrix(bytes: &[u8]) {
    check(GridFormat::Matrix, bytes);
}

/// Points of a lattice.
pub fn points(bytes: &[u8]) {
    check(GridFormat::Xyz, bytes);
}

/// An array.
pub fn npy(bytes: &[u8]) {
    check(GridFormat::Npy, bytes);
}

/// A surface.
pub fn ply(bytes: &[u8]) {
    check(GridFormat::Ply, bytes);
}

/// A document made of the bytes, through a pair of formats that they choose and back.
pub fn pairs(bytes: &[u8]) {
    let Some((document, choice)) = document(bytes) else { return };
    let [first, second] = [choice, choice / BOTH_WAYS.len()].map(|choice| BOTH_WAYS[choice % BOTH_WAYS.len()]);
    let Some(between) = through(&document, first) else { return };
    let Some(there) = through(&between, second) else { return };
    assert_eq!(there.grid, document.grid, "{first:?} {second:?}");
    let back = through(&there, first).map(|back| back.grid);
    assert_eq!(back.as_ref(), Some(&document.grid), "{first:?} {second:?} {first:?}");
}

/// Reads with and without facts; what is read can be written as a document and read again.
fn check(format: GridFormat, bytes: &[u8]) {
    let told = facts(format, bytes.first().copied().unwrap_or(0));
    for facts in [MissingFacts::default(), told] {
        match format.parse("bed", bytes, &facts) {
            Ok(reading) => {
                let again = through(&reading.document, GridFormat::Json);
                assert_eq!(again.as_ref(), Some(&reading.document));
                through(&reading.document, format);
            }
            Err(error) => assert!(error.to_string().starts_with("bed:"), "{error}"),
        }
    }
}

/// Writes a document and reads it: the same heights at the same places, and the same bytes if it is written again; none
/// if the format cannot hold it.
fn through(document: &GridDocument, format: GridFormat) -> Option<GridDocument> {
    let lattice = document.grid.lattice();
    let facts = MissingFacts {
        origin_um: Some((lattice.x0_um, lattice.y0_um)),
        pitch_um: Some((lattice.pitch_x_um, lattice.pitch_y_um)),
        bed_temperature_c: Some(document.bed_temperature_c.unwrap_or(25)),
        ..facts(format, 0)
    };
    // A record has narrower ranges than a document.
    let (bytes, losses) = format.render(document, &facts).ok()?;
    let told = if format == GridFormat::Json { MissingFacts::default() } else { facts.clone() };
    let reading = format.parse("bed", &bytes, &told).unwrap_or_else(|error| panic!("{format:?}: {error}"));
    assert_eq!(reading.document.grid, document.grid, "{format:?}");
    assert!(reading.losses.is_empty(), "{format:?}: {:?}", reading.losses);
    let (again, left) = format.render(&reading.document, &facts).unwrap_or_else(|error| panic!("{format:?}: {error}"));
    assert_eq!(again, bytes, "{format:?}");
    assert!(left.len() <= losses.len() + 1, "{format:?}: {left:?} {losses:?}");
    Some(reading.document)
}

/// All that a file may have to be told; the switches for pasted tables from the bits of a byte.
fn facts(format: GridFormat, switches: u8) -> MissingFacts {
    let answer = |bit: u8| (switches >> bit & 1 != 0).then_some(switches >> (bit + 1) & 1 != 0);
    MissingFacts {
        unit: Some(if format == GridFormat::Npy { LengthUnit::Micrometre } else { LengthUnit::Millimetre }),
        rows: Some(if switches >> 7 & 1 == 0 { RowOrder::FirstFront } else { RowOrder::FirstBack }),
        origin_um: Some((-5_000, 7_500)),
        pitch_um: Some((50_000, 45_500)),
        bed_temperature_c: None,
        setup: Some(7),
        surface: None,
        address: Some(0x2_FFF0),
        exaggeration: Some(20),
        row_labels: answer(0),
        column_labels: answer(2),
        decimal_comma: answer(4),
        snap_um: None,
    }
}

/// Any document that can be, from its bytes, and a number for choices; missing bytes are zero.
fn document(bytes: &[u8]) -> Option<(GridDocument, usize)> {
    let mut rest = bytes.iter().copied();
    let mut byte = || rest.next().unwrap_or(0);
    let mut word = || u32::from_le_bytes([byte(), byte(), byte(), byte()]);
    let (size, has) = (word(), word());
    let lattice = Lattice {
        x0_um: word() as i32,
        y0_um: word() as i32,
        pitch_x_um: word() % 100_000,
        pitch_y_um: word() % 100_000,
        columns: 2 + (size % 15) as u8,
        rows: 2 + (size / 15 % 15) as u8,
    };
    let (fade_um, shift_um, temperature, closure) = ((word() as i32, word() % 1_048_576), word(), word(), word());
    let nodes: Vec<i16> = (0..lattice.node_count()).map(|_| (word() % 16_383) as i16 - 8191).collect();
    let bit = |bit: u32| has >> bit & 1 != 0;
    let document = GridDocument {
        shift_um: if bit(0) { shift_um as i32 } else { (shift_um % 16_383) as i32 - 8191 },
        fade: Fade::new(fade_um.0, fade_um.0.saturating_add_unsigned(fade_um.1)).ok().filter(|_| bit(1)),
        bed_temperature_c: bit(2).then_some(temperature as i16),
        survey: bit(3).then_some(SurveyMarks {
            closure_um: closure as i16,
            closure_accepted: bit(4),
            surface: if bit(5) { Surface::Refined } else { Surface::Bilinear },
            tie: Tie::new((closure as u8) & 3, (closure as u8) % 101),
        }),
        lowest_machine_z_um: bit(6).then_some(shift_um as i32),
        ..GridDocument::of_heights(HeightGrid::new(lattice, &nodes).ok()?)
    };
    Some((document, (has >> 8) as usize))
}
