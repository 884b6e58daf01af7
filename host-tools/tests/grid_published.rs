//! Grid files against published bytes: rows of `tests/SOURCES.md`.
//!
//! Rows are checked beside the reader of images of memory, X-1 to X-4 in `grid_files.rs`.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use gapkeeper::{HeightGrid, Lattice};
use gapkeeper_host_tools::grid_file::{GridDocument, GridFormat, LengthUnit, Loss, MissingFacts, Reading, RowOrder};

/// Row X-14, 56 bytes; its four points are those of rows too.
const XYZ: &str = "0.0 0.0 0.125\n10.0 0.0 -0.25\n0.0 10.0 1.0\n10.0 10.0 0.5\n";

/// Row X-12, 202 bytes.
const PLY: &str = "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n\
    element face 1\nproperty list uchar int vertex_indices\nend_header\n\
    0 0 0.125\n10 0 -0.25\n10 10 0.5\n0 10 1\n4 0 1 2 3\n";

fn facts() -> MissingFacts {
    MissingFacts {
        unit: Some(LengthUnit::Millimetre),
        rows: Some(RowOrder::FirstFront),
        origin_um: Some((0, 0)),
        pitch_um: Some((10_000, 10_000)),
        exaggeration: Some(1),
        ..MissingFacts::default()
    }
}

fn four_points() -> GridDocument {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 10_000, pitch_y_um: 10_000, columns: 2, rows: 2 };
    GridDocument {
        shift_um: 0,
        fade: None,
        bed_temperature_c: None,
        survey: None,
        lowest_machine_z_um: None,
        ..GridDocument::of_heights(HeightGrid::new(lattice, &[125, -250, 1000, 500]).unwrap())
    }
}

/// An array file whose header is written as row X-11 says, and its data.
fn npy(descr: &str, columns: usize, data: &[u8]) -> Vec<u8> {
    let header = format!("{{'descr': '{descr}', 'fortran_order': False, 'shape': (2, {columns}), }}");
    let mut bytes = b"\x93NUMPY\x01\x00\x76\x00".to_vec();
    bytes.extend_from_slice(format!("{header:<117}\n").as_bytes());
    bytes.extend_from_slice(data);
    bytes
}

fn read_npy(descr: &str, columns: usize, data: &[u8]) -> Reading {
    GridFormat::Npy.parse("bed.npy", &npy(descr, columns, data), &facts()).unwrap()
}

/// Row X-11 (NumPy Enhancement Proposal 1). The last height is 62.5 um, which is the one loss.
#[test]
fn x11_an_array_of_another_program() {
    let payload = [
        0x00, 0x00, 0x00, 0x3e, 0x00, 0x00, 0x80, 0xbe, 0x00, 0x00, 0x00, 0x3f, 0x00, 0x00, 0x80, 0x3f, 0x00, 0x00,
        0x00, 0xc0, 0x00, 0x00, 0x80, 0x3d,
    ];
    assert_eq!(npy("<f4", 3, &payload).len(), 152);
    let reading = read_npy("<f4", 3, &payload);
    assert_eq!(reading.document.grid.nodes_um(), [125, -250, 500, 1000, -2000, 63]);
    assert_eq!(reading.losses, [Loss::Rounded { numbers: 1 }]);
}

/// Row X-11, the same form in what this program writes: length field 118, padding to 128 bytes, one newline.
#[test]
fn x11_arrays_are_written_in_the_published_form() {
    let (bytes, _) = GridFormat::Npy.render(&four_points(), &MissingFacts::default()).unwrap();
    let data: Vec<u8> = [125_i16, -250, 1000, 500].iter().flat_map(|height_um| height_um.to_le_bytes()).collect();
    assert_eq!(bytes, npy("<i2", 2, &data));
}

/// Row X-12 (G. Turk, 1994). The corners run round the face, so they are not in the order of a grid.
#[test]
fn x12_a_surface_of_another_program() {
    assert_eq!(PLY.len(), 202);
    let reading = GridFormat::Ply.parse("bed.ply", PLY.as_bytes(), &facts()).unwrap();
    assert_eq!((reading.document, reading.losses), (four_points(), vec![]));
    let error = GridFormat::Ply.parse("bed.ply", PLY.as_bytes(), &MissingFacts::default()).unwrap_err().to_string();
    assert!(error.contains("the unit") && error.contains("how much heights are exaggerated"), "{error}");
}

/// Row X-13 (Library of Congress, fdd000504): sizes, and the normals of the two triangles.
#[test]
fn x13_triangles_of_the_published_sizes_and_normals() {
    let (bytes, losses) = GridFormat::Stl.render(&four_points(), &facts()).unwrap();
    assert_eq!((bytes.len(), losses), (184, vec![]));
    assert_eq!(bytes[80..84], [2, 0, 0, 0]);
    assert!(!bytes.starts_with(b"solid"), "readers would take it for text");
    let vectors = |triangle: usize| -> Vec<f32> {
        let at = 84 + 50 * triangle;
        bytes[at..at + 48].chunks(4).map(|four| f32::from_le_bytes(four.try_into().unwrap())).collect()
    };
    for (triangle, normal, corners) in [
        (0, [0.037_368_855, -0.074_737_710, 0.996_502_806], [0.0, 0.0, 0.125, 10.0, 0.0, -0.25, 10.0, 10.0, 0.5]),
        (1, [0.049_748_012, -0.087_059_020, 0.994_960_232], [0.0, 0.0, 0.125, 10.0, 10.0, 0.5, 0.0, 10.0, 1.0]),
    ] {
        let found = vectors(triangle);
        assert_eq!(found[3..], corners);
        for (found, published) in found[..3].iter().zip(normal) {
            assert!((f64::from(*found) - published).abs() < 1e-7, "{found} {published}");
        }
    }
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 10_000, pitch_y_um: 10_000, columns: 5, rows: 5 };
    let flat = GridDocument { grid: HeightGrid::new(lattice, &[0; 25]).unwrap(), ..four_points() };
    assert_eq!(GridFormat::Stl.render(&flat, &facts()).unwrap().0.len(), 1684);
}

/// Single precision has 24 bits: a thousandth of a millimetre is lost beyond some ten metres, and that is said.
#[test]
fn triangles_far_away_lose_digits() {
    let lattice = Lattice { x0_um: 2_000_000_001, ..four_points().grid.lattice() };
    let far = GridDocument { grid: HeightGrid::new(lattice, &[0; 4]).unwrap(), ..four_points() };
    assert_eq!(GridFormat::Stl.render(&far, &facts()).unwrap().1, [Loss::SinglePrecision]);
}

/// Row X-14.
#[test]
fn x14_points_of_another_program() {
    assert_eq!(XYZ.len(), 56);
    let reading = GridFormat::Xyz.parse("bed.xyz", XYZ.as_bytes(), &facts()).unwrap();
    assert_eq!((reading.document, reading.losses), (four_points(), vec![]));
}

/// Row X-16 (IEEE 754, binary32): what stands for a whole micrometre is no loss, though no float is 0.1.
#[test]
fn x16_floats() {
    let payload = [
        0x00, 0x00, 0x00, 0x3e, 0x00, 0x00, 0x80, 0xbe, 0xcd, 0xcc, 0xcc, 0x3d, 0xf4, 0xfd, 0x54, 0xbd, 0x64, 0x3b,
        0x9f, 0x3e, 0x00, 0x00, 0x00, 0x00,
    ];
    let reading = read_npy("<f4", 3, &payload);
    assert_eq!(reading.document.grid.nodes_um(), [125, -250, 100, -52, 311, 0]);
    assert_eq!(reading.losses, []);
}

#[test]
fn arrays_of_every_type_are_read() {
    let numbers = [125_i16, -250, 1000, 500];
    let big = |bytes: &dyn Fn(i16) -> Vec<u8>| numbers.iter().flat_map(|number| bytes(*number)).collect::<Vec<u8>>();
    let um = MissingFacts { unit: Some(LengthUnit::Micrometre), ..facts() };
    for (descr, data) in [
        ("<i2", big(&|number| number.to_le_bytes().to_vec())),
        (">i2", big(&|number| number.to_be_bytes().to_vec())),
        ("<i4", big(&|number| i32::from(number).to_le_bytes().to_vec())),
        (">i4", big(&|number| i32::from(number).to_be_bytes().to_vec())),
        ("<f4", big(&|number| f32::from(number).to_le_bytes().to_vec())),
        (">f4", big(&|number| f32::from(number).to_be_bytes().to_vec())),
        ("<f8", big(&|number| f64::from(number).to_le_bytes().to_vec())),
        (">f8", big(&|number| f64::from(number).to_be_bytes().to_vec())),
    ] {
        let reading = GridFormat::Npy.parse("bed.npy", &npy(descr, 2, &data), &um).unwrap();
        assert_eq!((reading.document, reading.losses), (four_points(), vec![]), "{descr}");
    }
}
