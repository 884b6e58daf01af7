//! The JSON document (RFC 8259).

use std::fmt::{self, Write as _};
use std::marker::PhantomData;

use gapkeeper::record::RecordError;
use gapkeeper::{BedHeight, Fade, GridAxis, Lattice, MAX_HEIGHT_UM, Surface, Tie};
use serde::de::{Deserialize, Deserializer, Unexpected, Visitor};

use super::{
    GridDocument, GridFileError, GridFileErrorKind as Kind, LARGEST_SPREAD_UM, OlderSurveys, StationReading,
    SurveyMarks, grid_of, nodes_along, plate_name, surface_word,
};
use crate::printed::one_line;

const FORMAT: &str = "gapkeeper-grid";
/// The newest; a document without a tie, a plate or older surveys is written as version 1, which had none.
const VERSION: i64 = 2;
/// Integers up to here are exact in every JSON reader (RFC 8259, section 6).
const LARGEST_EXACT: f64 = 9_007_199_254_740_991.0;

/// What tells the kind of a document; other keys are not looked at yet.
#[derive(serde::Deserialize)]
#[serde(expecting = "a grid document in { }")]
struct Header {
    format: String,
    version: Whole<i64>,
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields, expecting = "a grid document in { }")]
struct Body {
    #[serde(rename = "format")]
    _format: String,
    #[serde(rename = "version")]
    _version: Whole<i64>,
    x0_um: Whole<i32>,
    y0_um: Whole<i32>,
    pitch_x_um: Whole<u32>,
    pitch_y_um: Whole<u32>,
    shift_um: Whole<i32>,
    // With a function named, a missing key is an error rather than a null.
    #[serde(deserialize_with = "Option::deserialize")]
    fade: Option<FadeHeights>,
    #[serde(deserialize_with = "Option::deserialize")]
    bed_temperature_c: Option<Whole<i16>>,
    #[serde(deserialize_with = "Option::deserialize")]
    survey: Option<Marks>,
    /// It may be left out.
    #[serde(default)]
    lowest_machine_z_um: Option<Whole<i32>>,
    nodes_um: Vec<Vec<Whole<i16>>>,
    /// X, Y, height, and the reading's own spread if it is known; they may be left out.
    #[serde(default)]
    readings_um: Vec<Vec<Whole<i32>>>,
    /// It may be left out.
    #[serde(default)]
    older: Option<Older>,
    /// It may be left out.
    #[serde(default)]
    plate: Option<String>,
}

/// Older surveys, the newest of them first.
#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields, expecting = "older surveys in { }")]
struct Older {
    drift_um: Whole<u16>,
    /// It may be left out, or be null for some.
    #[serde(default)]
    bed_temperatures_c: Vec<Option<Whole<i16>>>,
    readings_um: Vec<Vec<Vec<Whole<i32>>>>,
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields, expecting = "what a survey found in { }")]
struct Marks {
    closure_um: Whole<i16>,
    closure_accepted: bool,
    surface: SurfaceName,
    /// It may be left out; since version 2.
    #[serde(default)]
    tie: Option<TieMark>,
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields, expecting = "the count and the residual of ties in { }")]
struct TieMark {
    count: Whole<u8>,
    residual_um: Whole<u8>,
}

#[derive(Clone, Copy, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
enum SurfaceName {
    Bilinear,
    Refined,
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields, expecting = "the heights of a fade in { }")]
struct FadeHeights {
    full_below_um: Whole<i32>,
    zero_above_um: Whole<i32>,
}

/// A whole number in any of the ways in which JSON writes one: `100`, `1E2`, `-0`.
struct Whole<T>(T);

impl<'de, T: TryFrom<i64>> Deserialize<'de> for Whole<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(WholeVisitor(PhantomData))
    }
}

struct WholeVisitor<T>(PhantomData<T>);

impl<T: TryFrom<i64>> Visitor<'_> for WholeVisitor<T> {
    type Value = Whole<T>;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "a whole number of {} bits", 8 * size_of::<T>())
    }

    fn visit_i64<E: serde::de::Error>(self, value: i64) -> Result<Self::Value, E> {
        T::try_from(value).map(Whole).map_err(|_| E::invalid_value(Unexpected::Signed(value), &self))
    }

    fn visit_u64<E: serde::de::Error>(self, value: u64) -> Result<Self::Value, E> {
        match i64::try_from(value) {
            Ok(value) => self.visit_i64(value),
            Err(_) => Err(E::invalid_value(Unexpected::Unsigned(value), &self)),
        }
    }

    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Self::Value, E> {
        if value.fract() == 0.0 && value.abs() <= LARGEST_EXACT {
            // Whole and within 53 bits.
            self.visit_i64(value as i64)
        } else {
            Err(E::invalid_value(Unexpected::Float(value), &self))
        }
    }
}

pub(super) fn parse(file: &str, text: &[u8]) -> Result<GridDocument, GridFileError> {
    let error = |kind| GridFileError::new(file, kind);
    // A newer document may have keys that are unknown here: its version is the thing to be told, not those.
    let header: Header = serde_json::from_slice(text).map_err(|cause| at_place(file, text, &cause))?;
    if header.format != FORMAT {
        return Err(error(Kind::WrongFormat(header.format)));
    }
    if !(1..=VERSION).contains(&header.version.0) {
        return Err(error(Kind::UnknownVersion(header.version.0)));
    }
    let body: Body = serde_json::from_slice(text).map_err(|cause| at_place(file, text, &cause))?;

    let columns = body.nodes_um.first().map_or(0, Vec::len);
    if let Some((index, row)) = body.nodes_um.iter().enumerate().find(|(_, row)| row.len() != columns) {
        return Err(error(Kind::Ragged { row: index + 1, expected: columns, found: row.len() }));
    }
    let lattice = Lattice {
        x0_um: body.x0_um.0,
        y0_um: body.y0_um.0,
        pitch_x_um: body.pitch_x_um.0,
        pitch_y_um: body.pitch_y_um.0,
        columns: nodes_along(GridAxis::X, columns).map_err(error)?,
        rows: nodes_along(GridAxis::Y, body.nodes_um.len()).map_err(error)?,
    };
    let nodes_um: Vec<i16> = body.nodes_um.iter().flatten().map(|node| node.0).collect();
    let fade = body.fade.map(|fade| Fade::new(fade.full_below_um.0, fade.zero_above_um.0));
    Ok(GridDocument {
        grid: grid_of(lattice, &nodes_um).map_err(error)?,
        shift_um: body.shift_um.0,
        fade: fade.transpose().map_err(|cause| error(Kind::Fade(cause)))?,
        bed_temperature_c: body.bed_temperature_c.map(|degrees| degrees.0),
        survey: body.survey.map(survey_marks).transpose().map_err(error)?,
        lowest_machine_z_um: body.lowest_machine_z_um.map(|lowest| lowest.0),
        readings: readings(&body.readings_um).map_err(error)?,
        older: body.older.map_or_else(|| Ok(OlderSurveys::default()), older).map_err(error)?,
        plate: body.plate.map(|name| plate_name(&name)).transpose().map_err(error)?,
    })
}

fn survey_marks(marks: Marks) -> Result<SurveyMarks, Kind> {
    let tie = marks.tie.map(|TieMark { count: Whole(count), residual_um: Whole(residual_um) }| {
        Tie::new(count, residual_um).ok_or(Kind::Record(RecordError::Tie { count, residual_um }))
    });
    Ok(SurveyMarks {
        closure_um: marks.closure_um.0,
        closure_accepted: marks.closure_accepted,
        surface: match marks.surface {
            SurfaceName::Bilinear => Surface::Bilinear,
            SurfaceName::Refined => Surface::Refined,
        },
        tie: tie.transpose()?,
    })
}

fn readings(rows: &[Vec<Whole<i32>>]) -> Result<Vec<StationReading>, Kind> {
    (1..).zip(rows).map(|(number, row)| reading(number, row)).collect()
}

fn older(Older { drift_um: Whole(drift_um), bed_temperatures_c, readings_um }: Older) -> Result<OlderSurveys, Kind> {
    if drift_um > LARGEST_SPREAD_UM {
        return Err(Kind::Drift { drift_um });
    }
    let (surveys, found) = (readings_um.len(), bed_temperatures_c.len());
    if found != 0 && found != surveys {
        return Err(Kind::OlderTemperatures { surveys, found });
    }
    let of_survey = |(survey, rows): (usize, &Vec<_>)| {
        readings(rows).map_err(|cause| Kind::OlderSurvey { survey, cause: Box::new(cause) })
    };
    Ok(OlderSurveys {
        drift_um,
        readings: (1..).zip(&readings_um).map(of_survey).collect::<Result<_, _>>()?,
        bed_temperatures_c: bed_temperatures_c
            .into_iter()
            .map(|degrees| degrees.map(|Whole(degrees)| degrees))
            .collect(),
    })
}

/// A reading from its row, the first of which is number 1.
fn reading(number: usize, row: &[Whole<i32>]) -> Result<StationReading, Kind> {
    let (place, spread) = match row {
        [x, y, height] => ([x.0, y.0, height.0], None),
        [x, y, height, spread] => ([x.0, y.0, height.0], Some(spread.0)),
        _ => return Err(Kind::ReadingFields { number, found: row.len() }),
    };
    let [x_um, y_um, height_um] = place;
    if height_um.unsigned_abs() > MAX_HEIGHT_UM.unsigned_abs().into() {
        return Err(Kind::ReadingHeight { number, height_um });
    }
    let held = |um: i32| u16::try_from(um).ok().filter(|um| (1..=LARGEST_SPREAD_UM).contains(um));
    let spread_um = spread.map(|um| held(um).ok_or(Kind::ReadingSpread { number, spread_um: um })).transpose()?;
    Ok(StationReading { at: BedHeight { x_um, y_um, height_um }, spread_um })
}

/// Takes the place out of the JSON reader's message, to show it as in every other file.
fn at_place(file: &str, text: &[u8], cause: &serde_json::Error) -> GridFileError {
    let message = cause.to_string();
    let message = message.rsplit_once(" at line ").map_or(message.as_str(), |(message, _)| message);
    let line_start = match cause.line() {
        0 | 1 => 0,
        line => memchr::memchr_iter(b'\n', text).nth(line - 2).map_or(text.len(), |newline| newline + 1),
    };
    let mut offset = (line_start + cause.column().saturating_sub(1)).min(text.len());
    // What is well formed but unwanted is told at its end: people look for its start.
    if cause.is_data() {
        offset = value_start(text, offset);
    }
    // It may quote keys and values of the file.
    GridFileError::at(file, text, offset, Kind::Json(one_line(message).into_owned()))
}

/// The start of the number, word or string that ends at `end`.
fn value_start(text: &[u8], end: usize) -> usize {
    let is_inside: fn(&u8) -> bool = match text.get(end) {
        Some(b'"') => |byte| *byte != b'"',
        Some(byte) if byte.is_ascii_alphanumeric() => |byte| byte.is_ascii_alphanumeric() || b"+-.".contains(byte),
        _ => return end,
    };
    let inside = text[..end].iter().rev().take_while(|byte| is_inside(byte)).count();
    // A string's start is its opening quote.
    (end - inside).saturating_sub(usize::from(text[end] == b'"'))
}

pub(super) fn render(document: &GridDocument) -> String {
    let lattice = document.grid.lattice();
    let null = || "null".to_owned();
    let fade = document.fade.map_or_else(null, |fade| {
        let (full_below_um, zero_above_um) = (fade.full_below_um(), fade.zero_above_um());
        format!("{{ \"full_below_um\": {full_below_um}, \"zero_above_um\": {zero_above_um} }}")
    });
    let survey = document.survey.map_or_else(null, |marks| {
        let SurveyMarks { closure_um, closure_accepted, surface, tie } = marks;
        let surface = surface_word(surface);
        let tie = tie.map_or_else(String::new, |tie| {
            format!(", \"tie\": {{ \"count\": {}, \"residual_um\": {} }}", tie.count(), tie.residual_um())
        });
        format!(
            "{{ \"closure_um\": {closure_um}, \"closure_accepted\": {closure_accepted}, \"surface\": \"{surface}\"{tie} }}"
        )
    });
    let is_tied = document.survey.is_some_and(|marks| marks.tie.is_some());
    let is_new = is_tied || document.plate.is_some() || !document.older.readings.is_empty();
    let version = if is_new { VERSION } else { 1 };
    let numbers = [
        ("version", version.to_string()),
        ("x0_um", lattice.x0_um.to_string()),
        ("y0_um", lattice.y0_um.to_string()),
        ("pitch_x_um", lattice.pitch_x_um.to_string()),
        ("pitch_y_um", lattice.pitch_y_um.to_string()),
        ("shift_um", document.shift_um.to_string()),
        ("fade", fade),
        ("bed_temperature_c", document.bed_temperature_c.map_or_else(null, |degrees| degrees.to_string())),
        ("survey", survey),
    ];
    let mut text = format!("{{\n  \"format\": \"{FORMAT}\",\n");
    for (key, value) in numbers {
        // Writing to a string does not fail.
        let _ = writeln!(text, "  \"{key}\": {value},");
    }
    if let Some(lowest_um) = document.lowest_machine_z_um {
        let _ = writeln!(text, "  \"lowest_machine_z_um\": {lowest_um},");
    }
    if let Some(plate) = &document.plate {
        let _ = writeln!(text, "  \"plate\": {},", serde_json::Value::from(plate.as_str()));
    }
    // A row of nodes on a row of text, so that people can read and compare them.
    let row = |nodes_um: &[i16]| {
        let nodes: Vec<String> = nodes_um.iter().map(i16::to_string).collect();
        format!("    [{}]", nodes.join(", "))
    };
    let rows: Vec<String> = document.grid.nodes_um().chunks(usize::from(lattice.columns)).map(row).collect();
    let _ = write!(text, "  \"nodes_um\": [\n{}\n  ]", rows.join(",\n"));
    if !document.readings.is_empty() {
        let _ = write!(text, ",\n  \"readings_um\": [\n{}\n  ]", reading_rows(&document.readings));
    }
    let OlderSurveys { drift_um, readings, bed_temperatures_c } = &document.older;
    if !readings.is_empty() {
        let surveys: Vec<String> =
            readings.iter().map(|readings| format!("[\n{}\n  ]", reading_rows(readings))).collect();
        let degrees = |degrees: &Option<i16>| degrees.map_or_else(null, |degrees| degrees.to_string());
        let temperatures: Vec<String> = bed_temperatures_c.iter().map(degrees).collect();
        let temperatures = match temperatures.as_slice() {
            [] => String::new(),
            some => format!("\"bed_temperatures_c\": [{}], ", some.join(", ")),
        };
        let _ = write!(
            text,
            ",\n  \"older\": {{ \"drift_um\": {drift_um}, {temperatures}\"readings_um\": [{}] }}",
            surveys.join(", ")
        );
    }
    text + "\n}\n"
}

/// A reading on a row of text.
fn reading_rows(readings: &[StationReading]) -> String {
    let row = |StationReading { at, spread_um }: &StationReading| {
        let spread = spread_um.map_or_else(String::new, |um| format!(", {um}"));
        format!("    [{}, {}, {}{spread}]", at.x_um, at.y_um, at.height_um)
    };
    readings.iter().map(row).collect::<Vec<_>>().join(",\n")
}
