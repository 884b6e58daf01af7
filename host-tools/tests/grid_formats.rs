//! Grids through every pair of formats: equal, or with exactly the loss that was stated; and what no parser takes.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use gapkeeper::{HeightGrid, Lattice, Surface};
use gapkeeper_host_tools::grid_file::{
    Fact, GridDocument, GridFileError, GridFileErrorKind, GridFormat, LengthUnit, Loss, MissingFacts, RowOrder,
    SurveyMarks,
};
use grid_support::{cases, facts, storable_documents};
use proptest::prelude::*;

mod grid_support;

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

/// Bytes that mean something to one format or another.
const SUBSTITUTES: &[u8] = b"0123456789-+.eE,;:|>#[](){}'\" \r\n\tnamu";

fn small() -> GridDocument {
    let lattice = Lattice { x0_um: 10_000, y0_um: -500, pitch_x_um: 50_000, pitch_y_um: 45_500, columns: 3, rows: 2 };
    GridDocument {
        shift_um: 0,
        fade: None,
        bed_temperature_c: Some(60),
        survey: None,
        lowest_machine_z_um: None,
        ..GridDocument::of_heights(HeightGrid::new(lattice, &[12, -30, 8, 5, -41, 0]).unwrap())
    }
}

fn text(format: GridFormat) -> String {
    String::from_utf8(format.render(&small(), &facts(&small(), format)).unwrap().0).unwrap()
}

/// The file without a heading, as a console shows a table.
fn bare(format: GridFormat) -> Vec<u8> {
    let (bytes, _) = format.render(&small(), &facts(&small(), format)).unwrap();
    match format {
        GridFormat::Matrix => bytes.splitn(3, |byte| *byte == b'\n').nth(2).unwrap().to_vec(),
        _ => bytes,
    }
}

fn message(format: GridFormat, bytes: &[u8]) -> String {
    format.parse("bed", bytes, &facts(&small(), format)).unwrap_err().to_string()
}

/// What should come back: the document less what the losses name, each of which must have been there.
fn less(mut document: GridDocument, losses: &[Loss]) -> GridDocument {
    for loss in losses {
        match *loss {
            Loss::ShiftUm(shift_um) => {
                assert_eq!(std::mem::take(&mut document.shift_um), shift_um);
                assert_ne!(shift_um, 0);
            }
            Loss::Fade(fade) => assert_eq!(document.fade.take(), Some(fade)),
            Loss::BedTemperatureC(degrees) => assert_eq!(document.bed_temperature_c.take(), Some(degrees)),
            Loss::LowestMachineZUm(um) => assert_eq!(document.lowest_machine_z_um.take(), Some(um)),
            Loss::Readings { readings } => {
                let older = std::mem::take(&mut document.older).readings;
                let all = std::mem::take(&mut document.readings).len() + older.iter().map(Vec::len).sum::<usize>();
                assert_eq!(all, readings);
            }
            Loss::Plate => assert!(document.plate.take().is_some()),
            Loss::Survey(marks) => assert_eq!(document.survey.take(), Some(marks)),
            Loss::NoSurvey(surface) => {
                assert_eq!(surface, document.surface_choice(None).surface, "a record would be used otherwise");
                let marks = SurveyMarks { closure_um: 0, closure_accepted: false, surface, tie: None };
                assert_eq!(document.survey.replace(marks), None);
            }
            // The reader is told where the nodes stand.
            Loss::OriginUm(x_um, y_um) => {
                assert_eq!((x_um, y_um), (document.grid.lattice().x0_um, document.grid.lattice().y0_um));
            }
            Loss::PitchUm(x_um, y_um) => {
                assert_eq!((x_um, y_um), (document.grid.lattice().pitch_x_um, document.grid.lattice().pitch_y_um));
            }
            other => panic!("a loss that no file of this program has: {other}"),
        }
    }
    document
}

/// Writes a document and reads it back, told the temperature where the file has none.
fn through(document: &GridDocument, format: GridFormat) -> GridDocument {
    let facts = facts(document, format);
    let (bytes, losses) = format.render(document, &facts).unwrap();
    let expected = less(document.clone(), &losses);
    let told = expected.bed_temperature_c.is_none().then_some(25);
    let reading = format.parse("bed", &bytes, &MissingFacts { bed_temperature_c: told, ..facts }).unwrap();
    assert_eq!(reading.document, GridDocument { bed_temperature_c: expected.bed_temperature_c.or(told), ..expected });
    assert_eq!(reading.losses, []);
    let has_setup = matches!(format, GridFormat::Record | GridFormat::Hex);
    assert_eq!(reading.setup, has_setup.then_some(7));
    reading.document
}

proptest! {
    #![proptest_config(cases(64))]

    #[test]
    fn every_pair_of_formats_gives_back_all_but_the_stated_losses(document in storable_documents()) {
        let document = GridDocument { bed_temperature_c: document.bed_temperature_c.or(Some(25)), ..document };
        for first in BOTH_WAYS {
            let between = through(&document, first);
            prop_assert_eq!(&between.grid, &document.grid);
            for second in BOTH_WAYS {
                prop_assert_eq!(&through(&between, second).grid, &document.grid);
            }
        }
    }

    #[test]
    fn any_bytes_are_a_document_or_an_error(
        which in 0..BOTH_WAYS.len(),
        damage in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..5_u8), 1..6),
        noise in proptest::collection::vec(any::<u8>(), 0..200),
        from_noise in any::<bool>(),
    ) {
        let format = BOTH_WAYS[which];
        let facts = facts(&small(), format);
        let mut bytes = if from_noise { noise } else { format.render(&small(), &facts).unwrap().0 };
        for (index, byte, action) in damage {
            let at = index.index(bytes.len().max(1)).min(bytes.len().saturating_sub(1));
            match action {
                _ if bytes.is_empty() => {}
                0 => bytes[at] = byte,
                1 => bytes[at] = SUBSTITUTES[usize::from(byte) % SUBSTITUTES.len()],
                2 => bytes.truncate(at),
                3 => { bytes.remove(at); }
                _ => bytes.insert(at, bytes[usize::from(byte) % bytes.len()]),
            }
        }
        for any_format in BOTH_WAYS.into_iter().chain([GridFormat::Stl]) {
            match any_format.parse("bed", &bytes, &facts) {
                Ok(reading) => {
                    let document = GridDocument { bed_temperature_c: Some(60), ..reading.document };
                    through(&document, GridFormat::Json);
                }
                Err(error) => prop_assert!(error.to_string().starts_with("bed:"), "{}", error),
            }
        }
    }
}

#[test]
fn files_look_as_described() {
    let heading = "# heights in mm; the first row is at the front (smallest Y), the first column at the left \
                   (smallest X)\n# first node at x 10, y -0.5 mm; nodes 50, 45.5 mm apart\n";
    assert_eq!(text(GridFormat::Matrix), format!("{heading} 0.012 -0.030  0.008\n 0.005 -0.041  0.000\n"));
    let xyz = "10.000 -0.500 0.012\n60.000 -0.500 -0.030\n110.000 -0.500 0.008\n\
               10.000 45.000 0.005\n60.000 45.000 -0.041\n110.000 45.000 0.000\n";
    assert_eq!(text(GridFormat::Xyz), xyz);
    let (record, losses) = GridFormat::Record.render(&small(), &facts(&small(), GridFormat::Record)).unwrap();
    assert_eq!(losses, [Loss::NoSurvey(Surface::Refined)]);
    // As drawn in `gapkeeper::record`: magic, layout 4, a grid, its length, save 0.
    assert_eq!(record[..12], *b"GapK\x04\x01\x4A\x00\x00\x00\x00\x00");
    assert_eq!(record.len(), 58 + 2 * 6 + 4);
    let npy = GridFormat::Npy.render(&small(), &MissingFacts::default()).unwrap();
    assert_eq!(npy.1[..2], [Loss::OriginUm(10_000, -500), Loss::PitchUm(50_000, 45_500)]);
    assert_eq!(npy.0.len(), 128 + 2 * 6);
}

#[test]
fn a_cut_file_is_refused_wherever_that_shows() {
    for (format, last_line) in [
        (GridFormat::Json, 2),
        (GridFormat::Record, 1),
        (GridFormat::Hex, 2),
        (GridFormat::Npy, 1),
        (GridFormat::Ply, 12),
    ] {
        let facts = facts(&small(), format);
        let (bytes, _) = format.render(&small(), &facts).unwrap();
        for length in 0..bytes.len() {
            match format.parse("bed", &bytes[..length], &facts) {
                Ok(reading) => {
                    // Without its line end, or in a face, which says nothing about heights.
                    assert!(bytes.len() - length < last_line, "{format:?} cut at byte {length} of {}", bytes.len());
                    assert_eq!(reading.document.grid, small().grid);
                }
                Err(error) => assert!(error.to_string().starts_with("bed:")),
            }
        }
    }
}

/// Every fact that decides and is not given is named, all of them at once.
#[test]
fn what_is_missing_is_named() {
    let none = MissingFacts::default();
    let kind = |format: GridFormat, error: GridFileError| match error.kind() {
        GridFileErrorKind::FactsMissing(facts) => facts.0.clone(),
        other => panic!("{format:?}: {other}"),
    };
    for (format, facts_missing) in [
        (GridFormat::Matrix, vec![Fact::Unit, Fact::Rows, Fact::Origin, Fact::Pitch]),
        (GridFormat::Npy, vec![Fact::Unit, Fact::Rows, Fact::Origin, Fact::Pitch]),
        (GridFormat::Xyz, vec![Fact::Unit]),
        (GridFormat::Hex, vec![Fact::Address]),
    ] {
        assert_eq!(kind(format, format.parse("bed", &bare(format), &none).unwrap_err()), facts_missing);
        assert!(facts_missing.iter().all(|fact| format.facts_of_reading().contains(fact)));
    }
    let cold = GridDocument { bed_temperature_c: None, ..small() };
    for (format, facts_missing) in [
        (GridFormat::Record, vec![Fact::BedTemperature, Fact::Setup]),
        (GridFormat::Hex, vec![Fact::BedTemperature, Fact::Setup, Fact::Address]),
        (GridFormat::Ply, vec![Fact::Exaggeration]),
        (GridFormat::Stl, vec![Fact::Exaggeration]),
    ] {
        let error = format.render(&cold, &none).unwrap_err();
        assert!(matches!(error, GridFileErrorKind::FactsMissing(facts) if facts.0 == facts_missing), "{format:?}");
    }
    let expected = "\
bed: this must be known, and the file does not say it: the unit (--unit um or mm)
  say all of it";
    assert_eq!(GridFormat::Xyz.parse("bed", b"", &none).unwrap_err().to_string(), expected);
}

#[test]
fn rows_from_the_back_are_turned_round() {
    for format in [GridFormat::Matrix, GridFormat::Npy] {
        let facts = facts(&small(), format);
        let back =
            format.parse("bed", &bare(format), &MissingFacts { rows: Some(RowOrder::FirstBack), ..facts }).unwrap();
        assert_eq!(back.document.grid.nodes_um(), [5, -41, 0, 12, -30, 8]);
    }
}

#[test]
fn a_record_keeps_what_it_must_and_refuses_the_rest() {
    let facts = facts(&small(), GridFormat::Record);
    let render = |document: &GridDocument| GridFormat::Record.render(document, &facts).map_err(|kind| kind.to_string());
    assert!(render(&GridDocument { shift_um: 40_000, ..small() }).unwrap_err().contains("40000"));
    assert!(render(&GridDocument { shift_um: 8192, ..small() }).unwrap_err().contains("8192"));
    assert!(render(&GridDocument { bed_temperature_c: Some(1001), ..small() }).unwrap_err().contains("1001 C"));
    let (mut bytes, _) = render(&small()).unwrap();
    let parse = |bytes: &[u8], said_c| {
        let facts = MissingFacts { bed_temperature_c: said_c, ..MissingFacts::default() };
        GridFormat::Record.parse("bed.gkr", bytes, &facts).map_err(|error| error.to_string())
    };
    assert_eq!(parse(&bytes, Some(60)).unwrap().setup, Some(7));
    assert!(parse(&bytes, Some(61)).unwrap_err().starts_with("bed.gkr: the file states a bed of 60 °C, but 61 °C was"));
    bytes.push(0);
    assert!(parse(&bytes, None).unwrap_err().starts_with("bed.gkr: a record of 74 bytes in a file of 75\n"));
    bytes[20] ^= 1;
    assert!(parse(&bytes, None).unwrap_err().contains("damaged"));
}

#[test]
fn another_save_number_is_a_loss() {
    let stored = gapkeeper::StoredGrid {
        grid: small().grid,
        shift_um: 0,
        fade: None,
        bed_temperature_c: 60,
        setup: 9,
        closure_um: 0,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    };
    let mut bytes = [0; 74];
    gapkeeper::record::encode_grid(&stored, 41, &mut bytes).unwrap();
    let losses = |bytes: &[u8]| GridFormat::Record.parse("bed", bytes, &MissingFacts::default()).unwrap();
    let reading = losses(&bytes);
    assert_eq!((reading.losses, reading.setup), (vec![Loss::Sequence(41)], Some(9)));
    let binding = gapkeeper::record::Binding { slot: 3, unit: 1, slot_size: 128 };
    gapkeeper::record::bind(&mut bytes, 42, binding).unwrap();
    assert_eq!(losses(&bytes).losses, [Loss::Sequence(42), Loss::Slot(3)]);
}

#[test]
fn an_image_has_the_record_at_its_address_or_none() {
    let image = text(GridFormat::Hex);
    let parse = |address| {
        let facts = MissingFacts { address: Some(address), ..MissingFacts::default() };
        GridFormat::Hex.parse("bed.hex", image.as_bytes(), &facts).map_err(|error| error.to_string())
    };
    assert_eq!(parse(0x2_FFF0).unwrap().document.grid, small().grid);
    assert!(parse(0x2_FFF1).unwrap_err().starts_with("bed.hex: no record begins here"));
    let nothing = parse(0x100).unwrap_err();
    assert!(nothing.starts_with("bed.hex: there is nothing at the address 100; data begins at 2FFF0\n"), "{nothing}");
    let high = MissingFacts { address: Some(u32::MAX), ..facts(&small(), GridFormat::Hex) };
    assert!(GridFormat::Hex.render(&small(), &high).unwrap_err().to_string().contains("beyond the last address"));
}

#[test]
fn points_are_snapped_within_the_tolerance_and_no_farther() {
    let scattered = "# probe\r\n10.01 0 0.0125\n\n20 0.02 1e-2\r\n30 0 0.02\n10 9.99 0\n20 10 -.005\n30.0 10 0.01";
    let facts = MissingFacts { unit: Some(LengthUnit::Millimetre), ..MissingFacts::default() };
    let read = |text: &str, facts: &MissingFacts| GridFormat::Xyz.parse("bed.xyz", text.as_bytes(), facts);
    let reading = read(scattered, &facts).unwrap();
    let lattice = reading.document.grid.lattice();
    assert_eq!((lattice.columns, lattice.rows, lattice.pitch_x_um), (3, 2, 9998));
    assert_eq!(reading.document.grid.nodes_um(), [13, 10, 20, 0, -5, 10]);
    assert_eq!(reading.losses[0], Loss::Rounded { numbers: 1 });
    assert!(matches!(reading.losses[1], Loss::Snapped { farthest_um: 10, .. }), "{:?}", reading.losses);
    let exact = MissingFacts { snap_um: Some(0), ..facts.clone() };
    assert!(read(scattered, &exact).unwrap_err().to_string().contains("from the nearest place of the lattice"));

    let stray = "0 0 0\n10 0 0\n20 0 0\n30 0 0\n0 10 0\n10 10 0\n24 10 0\n30 10 0\n";
    let expected = "\
bed.xyz:7:1: X 24000 um is 4000 um from the nearest place of the lattice, 20000 um
  24 10 0
  ^
  measure at the places of an even lattice, or allow a larger distance (--snap UM)";
    assert_eq!(read(stray, &facts).unwrap_err().to_string(), expected);
    for (from, to, start) in [
        ("24 10 0", "20 10 0\n20.001 10 0.1", "bed.xyz:8:1: a second height for the place of the point on line 7\n"),
        ("24 10 0\n", "", "bed.xyz: no record for x 20000 um, y 10000 um (row 2, column 3)\n"),
        ("24 10 0", "20 10 9", "bed.xyz:7:1: a height of 9000 um\n"),
        ("24 10 0", "20 10", "bed.xyz:7:1: 2 numbers on a line"),
        ("24 10 0", "20 10 0 0", "bed.xyz:7:9: 4 numbers on a line"),
        ("24 10 0", "20 10 nan", "bed.xyz:7:7: \"nan\" is no number"),
        ("24 10 0", "20 inf 0", "bed.xyz:7:4: \"inf\" is no number"),
        ("24 10 0", "1e9 10 0", "bed.xyz:7:1: \"1e9\" is no number"),
        ("24 10 0", "900 10 0", "bed.xyz:7:1: X 900000 um is"),
    ] {
        let message = read(&stray.replace(from, to), &facts).unwrap_err().to_string();
        assert!(message.starts_with(start), "{message}");
    }
    assert!(read("", &facts).unwrap_err().to_string().starts_with("bed.xyz: 0 nodes along X"));
}

#[test]
fn a_hostile_array_is_refused_with_a_sentence() {
    let (good, _) = GridFormat::Npy.render(&small(), &MissingFacts::default()).unwrap();
    let with = |header: &str, data: &[u8]| {
        let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
        bytes.extend_from_slice(&u16::try_from(header.len()).unwrap().to_le_bytes());
        bytes.extend_from_slice(header.as_bytes());
        bytes.extend_from_slice(data);
        message(GridFormat::Npy, &bytes)
    };
    let f4 = |numbers: [f32; 4]| numbers.iter().flat_map(|number| number.to_le_bytes()).collect::<Vec<u8>>();
    let header = "{'descr': '<f4', 'fortran_order': False, 'shape': (2, 2), }\n";
    for (message, part) in [
        (with(header, &f4([0.0, f32::NAN, 0.0, 0.0])), "bed: row 1 of the array, column 2, is not a finite number"),
        (
            with(header, &f4([0.0, 0.0, f32::INFINITY, 0.0])),
            "bed: row 2 of the array, column 1, is not a finite number",
        ),
        (with(header, &f4([0.0, 0.0, 0.0, 1e30])), "bed: the node at row 2, column 2 is 2147483647 um high"),
        (with(&header.replace("False", "True"), &f4([0.0; 4])), "bed: the array is in Fortran order"),
        (with(&header.replace("2, 2", "99999999999, 2"), &[]), "bed: an array of shape (99999999999, 2)"),
        (with(&header.replace("2, 2", "-2, 2"), &[]), "bed: an array of shape (-2, 2)"),
        (with(&header.replace("2, 2", "4,"), &[]), "bed: an array of shape (4,)"),
        (with(&header.replace("2, 2", "2, 2, 1"), &[]), "bed: an array of shape (2, 2, 1)"),
        (with(&header.replace("<f4", "|O"), &[]), "bed: numbers of type \"|O\""),
        (with(header, &[0; 15]), "bed: the array needs 16 bytes of data, and the file has 15"),
        (with(&header.replace(", }", ", 'shape': (2, 2), }"), &[]), "bed: the header is not one dictionary"),
        (with(&header.replace("'shape'", "'strides'"), &[]), "bed: the header is not one dictionary"),
        (with("{}", &[]), "bed: the header is not one dictionary"),
        (message(GridFormat::Npy, &good[..60]), "bed: the file ends inside its header"),
        (message(GridFormat::Npy, b"\x93NUMPY\x02\x00\x00\x00"), "bed: version 2.0 of the format"),
        (message(GridFormat::Npy, b"PK\x03\x04"), "bed: the file does not begin as an array file does"),
    ] {
        assert!(message.starts_with(part), "{message}");
    }
    // The order of the keys does not matter, nor do quotes and the last comma; big-endian numbers are read.
    let other = "{\"shape\":(2,3),\"fortran_order\":False,\"descr\":\">i2\"}";
    let mut bytes = b"\x93NUMPY\x01\x00\x33\x00".to_vec();
    bytes.extend_from_slice(format!("{other:<51}").as_bytes());
    bytes.extend([12_i16, -30, 8, 5, -41, 0].iter().flat_map(|number| number.to_be_bytes()));
    let facts = facts(&small(), GridFormat::Npy);
    assert_eq!(GridFormat::Npy.parse("bed", &bytes, &facts).unwrap().document.grid, small().grid);
}

#[test]
fn a_hostile_surface_is_refused_with_a_sentence() {
    let good = text(GridFormat::Ply);
    for (from, to, start) in [
        ("vertex 6", "vertex 18446744073709551615", "bed:18:1: a vertex of 5 numbers"),
        ("vertex 6", "vertex -6", "bed:5:1: a line of the header that is not understood"),
        ("property double z\n", "", "bed:1:1: the first element is not vertices"),
        ("property double z", "property list uchar int z", "bed:8:1: a line of the header"),
        ("property double z", "property double z\nproperty double z", "bed:9:1: a line of the header"),
        ("ascii", "binary_little_endian", "bed:2:1: the file is not in \"format ascii 1.0\""),
        ("format ascii 1.0\n", "", "bed:1:1: the file is not in"),
        ("ply\n", "plyx\n", "bed:1:1: the file does not begin"),
        ("end_header\n", "", "bed:11:1: a line of the header"),
        ("exaggeration 20", "exaggeration 0", "bed: an exaggeration of 0"),
        ("10.000 -0.500 0.240", "10.000 -0.500 nan", "bed:12:15: \"nan\" is no number"),
        ("10.000 -0.500 0.240", "10.000 -0.500", "bed:12:1: a vertex of 2 numbers, where the header states 3"),
    ] {
        assert!(good.contains(from), "{from} is not in\n{good}");
        let message = message(GridFormat::Ply, good.replace(from, to).as_bytes());
        assert!(message.starts_with(start), "{to}: {message}");
    }
    let (cut, _) = good.split_once("110.000").unwrap();
    let cut_message = message(GridFormat::Ply, cut.as_bytes());
    assert!(cut_message.starts_with("bed:14:1: the header states 6 vertices, and the file has 2"), "{cut_message}");
    assert!(message(GridFormat::Ply, b"ply\nformat ascii 1.0\n").starts_with("bed:3:1: the header has no end_header"));
    assert!(message(GridFormat::Stl, b"").starts_with("bed: surfaces of triangles are only written"));
}
