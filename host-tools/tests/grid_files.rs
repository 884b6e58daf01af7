//! Grid files: round trips, the bytes that are written, and what is refused.
//!
//! Row names (X-1 and so on) are those of `tests/SOURCES.md`.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;

use gapkeeper::{BedHeight, Fade, HeightGrid, Lattice, Surface};
use gapkeeper_host_tools::grid_file::{
    GridDocument, GridFileError, GridFileErrorKind, GridFormat, Loss, MissingFacts, OlderSurveys, StationReading,
    SurveyMarks, read_grid, write_grid,
};
use grid_support::{cases, documents};
use proptest::prelude::*;

mod grid_support;

fn document() -> GridDocument {
    let lattice =
        Lattice { x0_um: -10_000, y0_um: 15_000, pitch_x_um: 100_000, pitch_y_um: 90_500, columns: 3, rows: 2 };
    GridDocument {
        shift_um: -20,
        fade: Some(Fade::new(1_000, 10_000).unwrap()),
        bed_temperature_c: Some(60),
        survey: Some(MARKS),
        lowest_machine_z_um: Some(-450),
        ..GridDocument::of_heights(HeightGrid::new(lattice, &[12, -30, 8, 5, -41, 0]).unwrap())
    }
}

const MARKS: SurveyMarks =
    SurveyMarks { closure_um: -55, closure_accepted: true, surface: Surface::Bilinear, tie: None };

const JSON: &str = r#"{
  "format": "gapkeeper-grid",
  "version": 1,
  "x0_um": -10000,
  "y0_um": 15000,
  "pitch_x_um": 100000,
  "pitch_y_um": 90500,
  "shift_um": -20,
  "fade": { "full_below_um": 1000, "zero_above_um": 10000 },
  "bed_temperature_c": 60,
  "survey": { "closure_um": -55, "closure_accepted": true, "surface": "bilinear" },
  "lowest_machine_z_um": -450,
  "nodes_um": [
    [12, -30, 8],
    [5, -41, 0]
  ]
}
"#;

const CSV: &str = "x_um,y_um,height_um\r\n\
    -10000,15000,12\r\n90000,15000,-30\r\n190000,15000,8\r\n\
    -10000,105500,5\r\n90000,105500,-41\r\n190000,105500,0\r\n";

/// A document of a format that needs to be told nothing.
fn parse(format: GridFormat, file: &str, bytes: &[u8]) -> Result<GridDocument, GridFileError> {
    format.parse(file, bytes, &MissingFacts::default()).map(|reading| {
        assert_eq!((reading.setup, reading.losses), (None, Vec::new()));
        reading.document
    })
}

fn render(format: GridFormat, document: &GridDocument) -> (Vec<u8>, Vec<Loss>) {
    format.render(document, &MissingFacts::default()).unwrap()
}

fn json_message(text: &str) -> String {
    parse(GridFormat::Json, "bed.json", text.as_bytes()).unwrap_err().to_string()
}

fn csv_message(text: &str) -> String {
    parse(GridFormat::Csv, "bed.csv", text.as_bytes()).unwrap_err().to_string()
}

#[test]
fn the_json_document_is_as_described() {
    let (bytes, losses) = render(GridFormat::Json, &document());
    assert_eq!(String::from_utf8(bytes).unwrap(), JSON);
    assert_eq!(losses, []);
    assert_eq!(parse(GridFormat::Json, "bed.json", JSON.as_bytes()).unwrap(), document());
    assert_eq!(parse(GridFormat::Json, "bed.json", format!("\u{feff}{JSON}").as_bytes()).unwrap(), document());
    let plain = GridDocument { shift_um: -20, ..GridDocument::of_heights(document().grid) };
    let (bytes, _) = render(GridFormat::Json, &plain);
    let text = String::from_utf8(bytes).unwrap();
    assert!(
        text.contains("\"fade\": null,\n  \"bed_temperature_c\": null,\n  \"survey\": null,\n  \"nodes_um\""),
        "{text}"
    );
    assert_eq!(parse(GridFormat::Json, "bed.json", text.as_bytes()).unwrap(), plain);
}

/// Row X-1 (RFC 4180, section 2): CRLF, one header, the same number of fields in every record.
#[test]
fn x1_the_csv_is_as_described() {
    let (bytes, losses) = render(GridFormat::Csv, &document());
    assert_eq!(String::from_utf8(bytes).unwrap(), CSV);
    let fade = Fade::new(1_000, 10_000).unwrap();
    let temperature = Loss::BedTemperatureC(60);
    let lowest = Loss::LowestMachineZUm(-450);
    assert_eq!(losses, [Loss::ShiftUm(-20), Loss::Fade(fade), temperature, Loss::Survey(MARKS), lowest]);
    let words: Vec<String> = losses.iter().map(Loss::to_string).collect();
    let expected = [
        "the shift of -20 um",
        "the fade, full below 1000 um, zero above 10000 um",
        "the bed temperature of 60 °C",
        "the survey's closure of -55 um and its surface",
        "the lowest machine height, -450 um",
    ];
    assert_eq!(words, expected);
    let heights = GridDocument::of_heights(document().grid);
    assert_eq!(render(GridFormat::Csv, &heights).1, []);
}

/// Row X-1: the last line end may be missing, fields may be quoted, blanks belong to a field. Line ends of LF alone
/// and a byte order mark are taken too, since spreadsheets write them.
#[test]
fn x1_forms_of_csv_that_are_read() {
    let heights = GridDocument::of_heights(document().grid);
    let read = |text: &str| parse(GridFormat::Csv, "bed.csv", text.as_bytes());
    assert_eq!(read(CSV).unwrap(), heights);
    assert_eq!(read(CSV.trim_end()).unwrap(), heights);
    assert_eq!(read(&CSV.replace("\r\n", "\n")).unwrap(), heights);
    assert_eq!(read(&format!("\u{feff}{CSV}")).unwrap(), heights);
    assert_eq!(read(&CSV.replace("-41", "\"-41\"")).unwrap(), heights);
    let (header, records) = CSV.split_once("\r\n").unwrap();
    let mut records: Vec<&str> = records.lines().collect();
    records.reverse();
    assert_eq!(read(&format!("{header}\n{}", records.join("\n"))).unwrap(), heights);
    assert!(csv_message(&CSV.replace(",-41", ", -41")).starts_with("bed.csv:6:14: record 6: height_um is \" -41\""));
}

/// Row X-2 is a CSV without units: it is refused for them.
#[test]
fn x2_units_must_be_stated() {
    let expected = "\
bed.csv:1:1: the first record names columns without their units
  x,y,z
  ^
  units must be stated: convert to micrometres and name them x_um,y_um,height_um";
    assert_eq!(csv_message("x,y,z\r\n0,0,0.125\r\n10,0,-0.25\r\n0,10,1.0\r\n10,10,0.5\r\n"), expected);
}

/// Row X-3 (RFC 8259, section 6), at a place where a whole number is asked for.
#[test]
fn x3_numbers_of_json() {
    let shift = |token: &str| {
        let text = JSON.replace("\"shift_um\": -20", &format!("\"shift_um\": {token}"));
        parse(GridFormat::Json, "bed.json", text.as_bytes()).map(|document| document.shift_um).ok()
    };
    for (token, value) in [("0", 0), ("-0", 0), ("1E2", 100), ("-1.50e1", -15), ("2147483647", i32::MAX)] {
        assert_eq!(shift(token), Some(value), "{token}");
    }
    for token in ["01", "1.", "+1", ".5", "NaN", "Infinity", "1E400", "0.125", "2147483648", "3.14159", "\"1\"", "null"]
    {
        assert_eq!(shift(token), None, "{token}");
    }
}

/// Row X-4 is another JSON document with heights: it is refused, not guessed at.
#[test]
fn x4_other_documents_are_refused() {
    let expected = "\
bed.json:1:53: missing field `format`
  {\"x\":[0,10],\"y\":[0,10],\"z\":[[0.125,-0.25],[1.0,0.5]]}
                                                      ^
  correct it; the document has exactly the keys that this program writes";
    assert_eq!(json_message("{\"x\":[0,10],\"y\":[0,10],\"z\":[[0.125,-0.25],[1.0,0.5]]}"), expected);
    let foreign = JSON.replace("gapkeeper-grid", "something else");
    assert!(json_message(&foreign).starts_with("bed.json: the format is \"something else\", not \"gapkeeper-grid\"\n"));
    // A newer version may have keys that are unknown here; its version is what is told.
    let newer = JSON.replace("\"version\": 1", "\"version\": 3, \"new\": true");
    let expected = "\
bed.json: version 3 of the format, where this program reads versions 1 and 2
  use the program that wrote it, or a newer one of this";
    assert_eq!(json_message(&newer), expected);
}

/// Older surveys and the name of the plate come back as they are, and what cannot be one is refused with its place.
#[test]
fn json_keeps_older_surveys_and_the_plate() {
    let older = "\"older\": { \"drift_um\": 15, \"bed_temperatures_c\": [-5, null], \"readings_um\": [[\n    [1, 2, 3, 4]\n  ], [\n    [5, 6, 7],\n    [8, 9, 10]\n  ]] }";
    let kept = JSON
        .replace("\"version\": 1", "\"version\": 2")
        .replace("  \"nodes_um\"", "  \"plate\": \"glass \\\"2\\\"\",\n  \"nodes_um\"")
        .replace("\n  ]\n}", &format!("\n  ],\n  {older}\n}}"));
    let found = parse(GridFormat::Json, "bed.json", kept.as_bytes()).unwrap();
    let reading =
        |x_um, y_um, height_um, spread_um| StationReading { at: BedHeight { x_um, y_um, height_um }, spread_um };
    let readings = vec![vec![reading(1, 2, 3, Some(4))], vec![reading(5, 6, 7, None), reading(8, 9, 10, None)]];
    assert_eq!(found.older, OlderSurveys { drift_um: 15, readings, bed_temperatures_c: vec![Some(-5), None] });
    assert_eq!(found.plate.as_deref(), Some("glass \"2\""));
    let (bytes, losses) = GridFormat::Json.render(&found, &MissingFacts::default()).unwrap();
    assert_eq!((String::from_utf8(bytes).unwrap(), losses), (kept.clone(), Vec::new()));
    // Documents were written without.
    let bare = kept.replace("\"bed_temperatures_c\": [-5, null], ", "");
    let found = parse(GridFormat::Json, "bed.json", bare.as_bytes()).unwrap();
    assert_eq!((0..2).map(|survey| found.older.bed_temperature_c(survey)).collect::<Vec<_>>(), [None, None]);
    let (bytes, _) = GridFormat::Json.render(&found, &MissingFacts::default()).unwrap();
    assert_eq!(String::from_utf8(bytes).unwrap(), bare);
    let long = format!("\"{}\"", "x".repeat(61));
    for (from, to, start) in [
        ("[8, 9, 10]", "[8, 9]", "bed.json: older survey 2: reading 2 has 2 numbers, not 3 or 4\n"),
        ("[8, 9, 10]", "[8, 9, 8192]", "bed.json: older survey 2: reading 2 is 8192 um high"),
        ("2, 3, 4]", "2, 3, 0]", "bed.json: older survey 1: reading 1 has a spread of 0 um"),
        ("\"drift_um\": 15", "\"drift_um\": 1001", "bed.json: older surveys have a drift of 1001 um, not 0 to 1000\n"),
        ("\"drift_um\": 15", "\"drift_um\": -1", "bed.json:18:26: invalid value: integer `-1`"),
        ("\"drift_um\": 15, ", "", "bed.json:"),
        ("[-5, null]", "[-5]", "bed.json: 1 bed temperatures of 2 older surveys\n"),
        ("[-5, null]", "[-5, 0.5]", "bed.json:"),
        ("\"glass \\\"2\\\"\"", "\"\"", "bed.json: the name of the plate is empty"),
        ("\"glass \\\"2\\\"\"", "\"a\\nb\"", "bed.json: the name of the plate is empty"),
        ("\"glass \\\"2\\\"\"", &long, "bed.json: the name of the plate is empty, longer than 60 bytes"),
        ("\"glass \\\"2\\\"\"", "7", "bed.json:13:12: invalid type: integer `7`"),
    ] {
        assert_eq!(kept.matches(from).count(), 1, "{from}");
        let message = json_message(&kept.replace(from, to));
        assert!(message.starts_with(start) && message.contains("\n  "), "{to}: {message}");
    }
}

/// The readings behind the heights, with the spread of those that have one of their own.
#[test]
fn json_keeps_readings() {
    let kept = JSON
        .replace("\n  ]\n}", "\n  ],\n  \"readings_um\": [\n    [-10000, 15000, 14],\n    [0, -7, -8191, 6]\n  ]\n}");
    let found = parse(GridFormat::Json, "bed.json", kept.as_bytes()).unwrap();
    let reading =
        |x_um, y_um, height_um, spread_um| StationReading { at: BedHeight { x_um, y_um, height_um }, spread_um };
    assert_eq!(found.readings, [reading(-10_000, 15_000, 14, None), reading(0, -7, -8191, Some(6))]);
    let (bytes, losses) = GridFormat::Json.render(&found, &MissingFacts::default()).unwrap();
    assert_eq!((String::from_utf8(bytes).unwrap(), losses), (kept.clone(), Vec::new()));
    for (from, to, start) in [
        ("14]", "14, 6, 7]", "bed.json: reading 1 has 5 numbers, not 3 or 4\n"),
        ("15000, 14]", "15000]", "bed.json: reading 1 has 2 numbers, not 3 or 4\n"),
        ("-8191, 6", "-8192, 6", "bed.json: reading 2 is -8192 um high, beyond 8191\n"),
        ("-8191, 6", "-8191, 0", "bed.json: reading 2 has a spread of 0 um, not 1 to 1000\n"),
        ("-8191, 6", "-8191, 1e3", ""),
        ("-8191, 6", "0.25, 6", "bed.json:19:13: invalid value: floating point `0.25`"),
        ("-8191, 6", "NaN, 6", "bed.json:19:13: expected value"),
    ] {
        let outcome = parse(GridFormat::Json, "bed.json", kept.replace(from, to).as_bytes());
        match outcome {
            Ok(_) => assert_eq!(start, "", "{to} is taken"),
            Err(error) => assert!(!start.is_empty() && error.to_string().starts_with(start), "{error}"),
        }
    }
}

#[test]
fn json_is_read_strictly() {
    let unknown = "\
bed.json:4:3: unknown field `x0_mm`, expected one of `format`, `version`, `x0_um`, `y0_um`, `pitch_x_um`, `pitch_y_um`, \
`shift_um`, `fade`, `bed_temperature_c`, `survey`, `lowest_machine_z_um`, `nodes_um`, `readings_um`, `older`, `plate`
    \"x0_mm\": -10,
    ^
  correct it; the document has exactly the keys that this program writes";
    assert_eq!(json_message(&JSON.replace("\"x0_um\": -10000", "\"x0_mm\": -10")), unknown);
    let fraction = "\
bed.json:14:10: invalid value: floating point `-30.5`, expected a whole number of 16 bits
      [12, -30.5, 8],
           ^
  correct it; the document has exactly the keys that this program writes";
    assert_eq!(json_message(&JSON.replace("-30", "-30.5")), fraction);
    for (from, to, start) in [
        ("-30", "40000", "bed.json:14:10: invalid value: integer `40000`, expected a whole number of 16 bits\n"),
        ("-30", "8192", "bed.json: the node at row 1, column 2 is 8192 um high\n"),
        ("[5, -41, 0]", "[5, -41]", "bed.json: row 2 has 2 nodes, but row 1 has 3\n"),
        (",\n    [5, -41, 0]", "", "bed.json: 1 nodes along Y, where a grid has 2 to 16\n"),
        ("[12, -30, 8],\n    [5, -41, 0]", "", "bed.json: 0 nodes along X, where a grid has 2 to 16\n"),
        ("100000", "0", "bed.json: a pitch of 0 um along X: use 100 to 1044480 um\n"),
        ("10000 }", "1000 }", "bed.json: full below 1000 um, zero above 1000 um: zero above must be higher by"),
        ("  \"bed_temperature_c\": 60,\n", "", "bed.json:16:1: missing field `bed_temperature_c`\n"),
        ("\"version\": 1,", "\"version\": 1, \"version\": 1,", "bed.json:3:17: duplicate field `version`\n"),
        ("\"version\": 1", "\"version\" \"1\"", "bed.json:3:13: expected `:`\n"),
        ("]\n}\n", "]\n} more", "bed.json:17:3: trailing characters\n"),
        ("]\n}\n", "]\n", "bed.json:17:1: EOF while parsing an object\n"),
    ] {
        let message = json_message(&JSON.replace(from, to));
        assert!(message.starts_with(start), "{to}: {message}");
    }
}

#[test]
fn csv_is_read_strictly() {
    let missing = "\
bed.csv: no record for x 90000 um, y 105500 um (row 2, column 2)
  add it: every place of the rectangle needs a height";
    assert_eq!(csv_message(&CSV.replace("90000,105500,-41\r\n", "")), missing);
    let uneven = "\
bed.csv:4:1: X 190001 um follows 90000 um, but the first two are 100000 um apart
  190001,15000,8
  ^
  correct the coordinate, or add what is missing between: pitches must be even";
    assert_eq!(csv_message(&CSV.replace("190000", "190001")), uneven);
    let fraction = "\
bed.csv:6:14: record 6: height_um is \"-41.5\", not a whole number from -8191 to 8191
  90000,105500,-41.5
               ^
  write whole micrometres, without blanks and without a unit";
    assert_eq!(csv_message(&CSV.replace("-41", "-41.5")), fraction);
    for (from, to, start) in [
        ("x_um", "y_um", "bed.csv:1:1: the first record is not x_um,y_um,height_um\n"),
        ("190000,15000,8", "190000,15000,8,1", "bed.csv:4:16: record 4 has 4 fields, not 3\n"),
        ("190000,15000,8", "\"190000,15000\",8", "bed.csv:4:16: record 4 has 2 fields, not 3\n"),
        ("190000,15000,8", "190000;15000;8", "bed.csv:4:1: record 4 has 1 fields, not 3\n"),
        (
            "190000,15000,8",
            "-10000,15000,8",
            "bed.csv:4:1: record 4 is for x -10000 um, y 15000 um, and so is record 2\n",
        ),
        (
            "190000,15000,8",
            "3000000000,15000,8",
            "bed.csv:4:1: record 4: x_um is \"3000000000\", not a whole number from -2147483648 to 2147483647\n",
        ),
        ("90000,15000,-30", "90000,15000,-8192", "bed.csv:3:13: record 3: height_um is \"-8192\""),
        ("105500", "15001", "bed.csv: a pitch of 1 um along Y: use 100 to 1044480 um\n"),
    ] {
        let message = csv_message(&CSV.replace(from, to));
        assert!(message.starts_with(start), "{to}: {message}");
    }
    assert!(csv_message("").starts_with("bed.csv:1:1: the first record is not"));
    assert!(csv_message("x_um,y_um,height_um\r\n").starts_with("bed.csv: 0 nodes along X"));
}

#[test]
fn files_are_written_and_read_by_their_extension() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bed.JSON");
    assert_eq!(write_grid(&path, &document()).unwrap(), []);
    assert_eq!(read_grid(&path).unwrap(), document());
    let path = folder.path().join("bed.csv");
    assert_eq!(write_grid(&path, &document()).unwrap().len(), 5);
    assert_eq!(fs::read_to_string(&path).unwrap(), CSV);
    assert_eq!(read_grid(&path).unwrap().grid, document().grid);

    for name in ["bed.obj", "bed"] {
        let error = write_grid(&folder.path().join(name), &document()).unwrap_err();
        assert!(matches!(error.kind(), GridFileErrorKind::UnknownExtension));
        assert!(error.to_string().ends_with(".gkr or .hex (a record)"));
    }
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
    let absent = read_grid(&folder.path().join("absent.csv")).unwrap_err();
    assert!(matches!(absent.kind(), GridFileErrorKind::Input(_)));
    fs::write(&path, vec![b'0'; (1 << 20) + 1]).unwrap();
    assert!(matches!(read_grid(&path).unwrap_err().kind(), GridFileErrorKind::TooLarge { .. }));
}

/// One of the two files above with a few bytes changed.
fn damaged_files() -> impl Strategy<Value = Vec<u8>> {
    let damage = proptest::collection::vec(
        (
            any::<prop::sample::Index>(),
            prop_oneof![any::<u8>(), proptest::sample::select(b"0123456789-+.eE,;\"{}[]\r\n\\ ".to_vec()),],
        ),
        1..6,
    );
    (any::<bool>(), damage).prop_map(|(json, damage)| {
        let mut bytes = if json { JSON } else { CSV }.as_bytes().to_vec();
        for (index, byte) in damage {
            let at = index.index(bytes.len());
            bytes[at] = byte;
        }
        bytes
    })
}

proptest! {
    #![proptest_config(cases(64))]

    #[test]
    fn documents_come_back_as_they_were(document in documents()) {
        let (bytes, losses) = render(GridFormat::Json, &document);
        prop_assert!(losses.is_empty());
        prop_assert_eq!(&parse(GridFormat::Json, "bed", &bytes).unwrap(), &document);
        let (bytes, _) = render(GridFormat::Csv, &document);
        prop_assert_eq!(parse(GridFormat::Csv, "bed", &bytes).unwrap().grid, document.grid);
    }

    #[test]
    fn any_bytes_are_a_document_or_an_error_with_a_place_inside(
        bytes in prop_oneof![damaged_files(), proptest::collection::vec(any::<u8>(), 0..200)],
    ) {
        for format in [GridFormat::Json, GridFormat::Csv] {
            match parse(format, "bed", &bytes) {
                Ok(document) => {
                    let (rendered, _) = render(format, &document);
                    prop_assert_eq!(parse(format, "bed", &rendered).unwrap(), document);
                }
                Err(error) => {
                    let lines = 1 + bytes.iter().filter(|byte| **byte == b'\n').count() as u64;
                    prop_assert!(error.position().is_none_or(|place| place.line() <= lines));
                    prop_assert!(error.to_string().starts_with("bed:"));
                }
            }
        }
    }
}
