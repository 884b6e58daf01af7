//! A recorded trace: CSV with one row for each piece that a controller went.

use std::fmt;
use std::io::{self, BufRead, Read as _};

use gapkeeper_host_tools::TextPosition;

/// Longest line that is read.
const LONGEST_LINE_BYTES: u64 = 4096;
/// No machine is larger.
const FARTHEST_UM: f64 = 1e9;
const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";
const COLUMNS: &str =
    "columns are job_line, x, y, z and, if it is known, e; all but the first end with _mm, _um or _nm";

/// Why a trace cannot be read: where, what, and what to do about it.
#[derive(Debug)]
pub struct TraceError {
    place: TextPosition,
    message: String,
    remedy: &'static str,
}

impl fmt::Display for TraceError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.place.write_report(out, &self.message, self.remedy)
    }
}

impl std::error::Error for TraceError {}

/// Units that a column may be in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Units {
    /// `_nm`
    Nanometres,
    /// `_um`
    Micrometres,
    /// `_mm`
    Millimetres,
}

impl Units {
    fn to_um(self, value: f64) -> f64 {
        match self {
            Self::Nanometres => value / 1000.0,
            Self::Micrometres => value,
            Self::Millimetres => value * 1000.0,
        }
    }
}

/// The end of one piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Row {
    /// Line of the trace.
    pub line: u64,
    /// Line of the job that it belongs to.
    pub job_line: u64,
    /// Machine position.
    pub end_um: [f64; 3],
    /// All that was fed since the start of the job.
    pub e_um: Option<f64>,
}

#[derive(Clone, Copy)]
enum Column {
    JobLine,
    Axis(usize, Units),
}

/// Reads rows one by one.
pub(super) struct Trace<R> {
    input: R,
    file: String,
    line: u64,
    raw: Vec<u8>,
    columns: Vec<Column>,
    last_job_line: u64,
    next: Option<Row>,
}

impl<R: BufRead> Trace<R> {
    /// Reads the header and the first row.
    pub(super) fn new(file: String, input: R) -> Result<Self, TraceError> {
        let (columns, raw) = (Vec::new(), Vec::new());
        let mut trace = Self { input, file, line: 0, raw, columns, last_job_line: 0, next: None };
        if !trace.read_line()? {
            return Err(trace.error(0, "an empty file".into(), COLUMNS));
        }
        trace.header()?;
        trace.next = trace.read_row()?;
        Ok(trace)
    }

    /// Whether there is a column for `E`.
    pub(super) fn has_e(&self) -> bool {
        self.columns.iter().any(|column| matches!(column, Column::Axis(3, _)))
    }

    /// The next row, which stays.
    pub(super) fn peek(&self) -> Option<&Row> {
        self.next.as_ref()
    }

    /// The next row if it belongs to a line of the job before the one given, or to that one.
    pub(super) fn take_up_to(&mut self, job_line: u64) -> Result<Option<Row>, TraceError> {
        let Some(row) = self.next.filter(|row| row.job_line <= job_line) else { return Ok(None) };
        self.next = self.read_row()?;
        Ok(Some(row))
    }

    fn error(&self, offset: usize, message: String, remedy: &'static str) -> TraceError {
        TraceError {
            place: TextPosition::new(self.file.as_str(), self.line.max(1), &self.raw, offset),
            message,
            remedy,
        }
    }

    /// Reads a line that is not blank; none at the end.
    fn read_line(&mut self) -> Result<bool, TraceError> {
        loop {
            self.raw.clear();
            self.line += 1;
            let read = (&mut self.input).take(LONGEST_LINE_BYTES).read_until(b'\n', &mut self.raw);
            if let Err(error) = read {
                return Err(self.error(0, format!("cannot be read: {error}"), "look at the file and its folder"));
            }
            if self.raw.is_empty() {
                return Ok(false);
            }
            if self.raw.len() as u64 == LONGEST_LINE_BYTES && !self.raw.ends_with(b"\n") {
                let message = format!("a line longer than {LONGEST_LINE_BYTES} bytes");
                return Err(self.error(self.raw.len(), message, "one piece a line: is this a trace?"));
            }
            if !self.raw.trim_ascii().is_empty() {
                return Ok(true);
            }
        }
    }

    /// Fields of the line with their offsets, blanks around them left out.
    fn fields(&self) -> Vec<(usize, String)> {
        let start = if self.line == 1 && self.raw.starts_with(BYTE_ORDER_MARK) { BYTE_ORDER_MARK.len() } else { 0 };
        let end = self.raw.trim_ascii_end().len().max(start);
        let mut offset = start;
        let field = |field: &[u8]| {
            let blanks = field.len() - field.trim_ascii_start().len();
            let found = (offset + blanks, String::from_utf8_lossy(field.trim_ascii()).into_owned());
            offset += field.len() + 1;
            found
        };
        self.raw[start..end].split(|&byte| byte == b',').map(field).collect()
    }

    fn header(&mut self) -> Result<(), TraceError> {
        let mut seen = [false; 5];
        for (offset, name) in self.fields() {
            let (column, index) = match name.split_once('_') {
                Some(("job", "line")) => (Column::JobLine, 0),
                Some((axis, units)) => {
                    let axis = ["x", "y", "z", "e"].iter().position(|&name| name == axis);
                    let units = match units {
                        "nm" => Some(Units::Nanometres),
                        "um" => Some(Units::Micrometres),
                        "mm" => Some(Units::Millimetres),
                        _ => None,
                    };
                    let (Some(axis), Some(units)) = (axis, units) else {
                        return Err(self.error(offset, format!("no column is called {name:?}"), COLUMNS));
                    };
                    (Column::Axis(axis, units), axis + 1)
                }
                None => return Err(self.error(offset, format!("no column is called {name:?}"), COLUMNS)),
            };
            if std::mem::replace(&mut seen[index], true) {
                return Err(self.error(offset, format!("a second column {name:?}"), "leave one out"));
            }
            self.columns.push(column);
        }
        let names = ["job_line", "x", "y", "z"];
        if let Some(missing) = names.iter().zip(seen).find_map(|(name, seen)| (!seen).then_some(name)) {
            return Err(self.error(self.raw.len(), format!("no column for {missing}"), COLUMNS));
        }
        Ok(())
    }

    fn read_row(&mut self) -> Result<Option<Row>, TraceError> {
        if !self.read_line()? {
            return Ok(None);
        }
        let fields = self.fields();
        if fields.len() != self.columns.len() {
            let (offset, _) = fields.get(self.columns.len()).cloned().unwrap_or((self.raw.len(), String::new()));
            let message = format!("{} fields, but the header has {}", fields.len(), self.columns.len());
            return Err(self.error(offset, message, "record the row whole, or leave it out"));
        }
        let mut row = Row { line: self.line, job_line: 0, end_um: [0.0; 3], e_um: None };
        for (column, (offset, text)) in self.columns.iter().zip(fields) {
            match *column {
                Column::JobLine => {
                    row.job_line = match text.parse() {
                        Ok(job_line) if job_line >= self.last_job_line.max(1) => job_line,
                        Ok(_) => {
                            let message = format!("job line {text} after job line {}", self.last_job_line);
                            let remedy = "lines count from 1; write the pieces in the order in which they were gone";
                            return Err(self.error(offset, message, remedy));
                        }
                        Err(_) => {
                            let message = format!("{text:?} is no line of a job");
                            return Err(self.error(offset, message, "write a whole number, counted from 1"));
                        }
                    };
                }
                Column::Axis(axis, units) => {
                    let value = text.parse().ok().map(|value: f64| units.to_um(value));
                    let Some(um) = value.filter(|um| um.abs() <= FARTHEST_UM) else {
                        let message = format!("{text:?} is no length that a machine could have");
                        return Err(self.error(offset, message, "write a decimal number within a kilometre"));
                    };
                    match row.end_um.get_mut(axis) {
                        Some(end_um) => *end_um = um,
                        None => row.e_um = Some(um),
                    }
                }
            }
        }
        self.last_job_line = row.job_line;
        Ok(Some(row))
    }
}

impl TraceError {
    /// A trace that cannot be opened.
    pub(super) fn opening(file: &str, error: &io::Error) -> Self {
        let place = TextPosition::new(file, 1, b"", 0);
        Self { place, message: format!("cannot be opened: {error}"), remedy: "look at the file and its folder" }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Vec<Row>, String> {
        let mut trace = Trace::new("trace.csv".into(), text.as_bytes()).map_err(|error| error.to_string())?;
        let mut rows = Vec::new();
        while let Some(row) = trace.take_up_to(u64::MAX).map_err(|error| error.to_string())? {
            rows.push(row);
        }
        Ok(rows)
    }

    #[test]
    fn columns_may_stand_in_any_order_and_in_any_units() {
        let rows =
            read("\u{feff}z_um, job_line,x_mm,y_nm,e_mm\r\n200,7,1.5,-2500000,0.25\r\n\r\n 201 ,7,2,0,1").unwrap();
        assert_eq!(rows[0], Row { line: 2, job_line: 7, end_um: [1500.0, -2500.0, 200.0], e_um: Some(250.0) });
        assert_eq!((rows.len(), rows[1].line, rows[1].end_um), (2, 4, [2000.0, 0.0, 201.0]));
    }

    #[test]
    fn hostile_traces_get_a_line_and_a_caret() {
        let head = "job_line,x_mm,y_mm,z_mm\n";
        for (text, place, message) in [
            ("", "1:1", "an empty file"),
            ("job_line,x,y,z\n", "1:10", "no column is called \"x\""),
            ("job_line,x_mm,y_mm,z_in\n", "1:20", "no column is called \"z_in\""),
            ("job_line,x_mm,y_mm\n", "1:19", "no column for z"),
            ("job_line,x_mm,x_um,y_mm,z_mm\n", "1:15", "a second column"),
            (&format!("{head}1,2,3,NaN\n"), "2:7", "\"NaN\" is no length"),
            (&format!("{head}1,2,3,inf\n"), "2:7", "\"inf\" is no length"),
            (&format!("{head}1,2,3,1e300\n"), "2:7", "is no length"),
            (&format!("{head}1,2,3\n"), "2:6", "3 fields, but the header has 4"),
            (&format!("{head}1,2,3,4,5\n"), "2:9", "5 fields, but the header has 4"),
            (&format!("{head}0,2,3,4\n"), "2:1", "job line 0 after"),
            (&format!("{head}9,2,3,4\n8,2,3,4\n"), "3:1", "job line 8 after job line 9"),
            (&format!("{head}one,2,3,4\n"), "2:1", "\"one\" is no line of a job"),
            (&format!("{head}{}", "1".repeat(5000)), "2:4097", "a line longer than 4096 bytes"),
        ] {
            let error = read(text).unwrap_err();
            assert!(error.starts_with(&format!("trace.csv:{place}: ")) && error.contains(message), "{error}");
            let lines: Vec<&str> = error.lines().collect();
            assert!(lines.len() == 4 && lines[2].trim() == "^", "{error}");
        }
    }
}
