//! The form in which thicknesses are filled, as CSV.

use csv::{ReaderBuilder, StringRecord};

use super::error::PatchError;
use crate::gcode::{Decimal, Units};

const HEADER: &str = "patch,x_um,y_um,asked_um,nozzle_um,thickness_mm";
const COLUMNS: [&str; 6] = ["patch", "x_um", "y_um", "asked_um", "nozzle_um", "thickness_mm"];
/// Nothing that is printed in one layer is thicker.
const THICKEST_NM: i64 = 10_000_000;

/// One patch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PatchRow {
    /// Its number, from 1.
    pub number: u32,
    /// X of its middle.
    pub x_um: i32,
    /// Y of its middle.
    pub y_um: i32,
    /// How thick it was asked to be.
    pub asked_um: i32,
    /// Machine height of the nozzle in its middle.
    pub nozzle_um: i32,
    /// How thick it is, once that is filled in.
    pub thickness_um: Option<i32>,
}

/// All patches of a print.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PatchForm {
    /// In the order of printing.
    pub rows: Vec<PatchRow>,
}

impl PatchForm {
    /// The form as text, thicknesses in millimetres or left out.
    pub fn text(&self) -> String {
        let row = |row: &PatchRow| {
            let PatchRow { number, x_um, y_um, asked_um, nozzle_um, thickness_um } = row;
            let thickness = thickness_um.map_or_else(String::new, |um| {
                let sign = if um < 0 { "-" } else { "" };
                format!("{sign}{}.{:03}", um.unsigned_abs() / 1000, um.unsigned_abs() % 1000)
            });
            format!("{number},{x_um},{y_um},{asked_um},{nozzle_um},{thickness}\r\n")
        };
        format!("{HEADER}\r\n{}", self.rows.iter().map(row).collect::<String>())
    }

    /// Reads a form, filled in or not.
    ///
    /// # Errors
    /// [`PatchError`] for anything but such a form.
    pub fn parse(text: &str) -> Result<Self, PatchError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text.as_bytes());
        let mut rows = Vec::new();
        for (record, fields) in (1..).zip(reader.records()) {
            // The text is in memory and is UTF-8.
            let fields = fields.unwrap_or_default();
            if record == 1 {
                if !fields.iter().map(str::trim).eq(COLUMNS) {
                    return Err(PatchError::Header(HEADER));
                }
                continue;
            }
            rows.push(row(record, &fields)?);
        }
        if rows.is_empty() { Err(PatchError::Header(HEADER)) } else { Ok(Self { rows }) }
    }
}

fn row(record: usize, fields: &StringRecord) -> Result<PatchRow, PatchError> {
    let text = |column: usize| fields.get(column).unwrap_or_default().trim();
    let wrong = |column: usize, remedy| PatchError::Field {
        record,
        column: COLUMNS[column],
        text: text(column).to_owned(),
        remedy,
    };
    let whole =
        |column: usize| text(column).parse::<i32>().map_err(|_| wrong(column, "leave the other columns as they are"));
    let thickness = || {
        let millimetres = "write millimetres with a decimal point, such as 0.21; leave out what was not measured";
        let decimal = Decimal::parse(text(5).as_bytes()).ok().and_then(|decimal| decimal.to_nm(Units::Millimetre));
        let nm = decimal.filter(|nm| (0..=THICKEST_NM).contains(nm));
        // At most ten millimetres.
        nm.map(|nm| ((nm + 500) / 1000) as i32).ok_or_else(|| wrong(5, millimetres))
    };
    if fields.len() > COLUMNS.len() {
        return Err(PatchError::Field {
            record,
            column: "such column",
            text: fields.get(COLUMNS.len()).unwrap_or_default().to_owned(),
            remedy: "write thicknesses with a decimal point, not a comma",
        });
    }
    Ok(PatchRow {
        number: text(0).parse().map_err(|_| wrong(0, "leave the other columns as they are"))?,
        x_um: whole(1)?,
        y_um: whole(2)?,
        asked_um: whole(3)?,
        nozzle_um: whole(4)?,
        thickness_um: if text(5).is_empty() { None } else { Some(thickness()?) },
    })
}
