//! A surface as ASCII PLY (G. Turk, Stanford, 1994).
//!
//! Lengths are millimetres as decimals, so no digit is lost; heights are multiplied by the exaggeration. Two lines of
//! comment say both, and reading takes them from there: `comment unit mm` and `comment exaggeration 20`.

use std::fmt::Write as _;

use super::error::given;
use super::faults::PlyFault;
use super::faults::PointFault;
use super::loss::{beside_heights, rounded};
use super::points::{Point, SNAP_UM, on_lattice};
use super::stl::{cells, exaggeration};
use super::xyz::{millimetres, nodes, point_um, words};
use super::{Fact, GridDocument, GridFileError, GridFileErrorKind as Kind, LengthUnit, Loss, MissingFacts, Reading};

/// What the header says about the vertices.
#[derive(Default)]
struct Header {
    vertices: u64,
    /// Lines of all elements together.
    lines: u64,
    /// Numbers of a vertex.
    properties: usize,
    /// Where among them x, y and z are.
    axes: [Option<usize>; 3],
    unit: Option<LengthUnit>,
    exaggeration: Option<u32>,
    /// Elements seen so far.
    elements: usize,
}

impl Header {
    /// Takes a line in; true if it ends the header.
    fn take(&mut self, line: &[&str]) -> Result<bool, PlyFault> {
        match *line {
            ["end_header"] => return Ok(true),
            ["format", "ascii", "1.0"] => {}
            ["format", ..] => return Err(PlyFault::Format),
            ["comment", "unit", "mm"] => self.unit = Some(LengthUnit::Millimetre),
            ["comment", "unit", "um"] => self.unit = Some(LengthUnit::Micrometre),
            ["comment", "exaggeration", number] => {
                self.exaggeration = Some(number.parse().map_err(|_| PlyFault::Header)?);
            }
            ["comment" | "obj_info", ..] => {}
            ["element", name, count] => {
                let count = count.parse().map_err(|_| PlyFault::Header)?;
                self.elements += 1;
                self.lines = self.lines.saturating_add(count);
                if self.elements == 1 {
                    self.vertices = count;
                }
                if self.elements == 1 && name != "vertex" {
                    return Err(PlyFault::NoVertices);
                }
            }
            ["property", "list", _, _, _] if self.elements > 1 => {}
            ["property", _, _] if self.elements > 1 => {}
            ["property", _, name] if self.elements == 1 => {
                if let Some(axis) = ["x", "y", "z"].iter().position(|axis| *axis == name)
                    && self.axes[axis].replace(self.properties).is_some()
                {
                    return Err(PlyFault::Header);
                }
                self.properties += 1;
            }
            _ => return Err(PlyFault::Header),
        }
        Ok(false)
    }
}

pub(super) fn parse(file: &str, text: &[u8], facts: &MissingFacts) -> Result<Reading, GridFileError> {
    let at = |offset, fault| GridFileError::at(file, text, offset, Kind::Ply(fault));
    let mut lines = text.split_inclusive(|byte| *byte == b'\n').scan(0, |end, line| {
        let start = *end;
        *end += line.len();
        Some((start, line))
    });
    if lines.next().is_none_or(|(_, line)| line.trim_ascii_end() != b"ply") {
        return Err(at(0, PlyFault::Magic));
    }
    let mut header = Header::default();
    let mut has_format = false;
    loop {
        let (start, line) = lines.next().ok_or_else(|| at(text.len(), PlyFault::NoEnd))?;
        let line = std::str::from_utf8(line).map_err(|_| at(start, PlyFault::Header))?;
        let words: Vec<&str> = line.split_ascii_whitespace().collect();
        has_format |= words.first() == Some(&"format");
        if header.take(&words).map_err(|fault| at(start, fault))? {
            break;
        }
    }
    if !has_format {
        return Err(at(0, PlyFault::Format));
    }
    let [Some(x), Some(y), Some(z)] = header.axes else {
        return Err(at(0, PlyFault::NoVertices));
    };
    // What the file says about itself holds; the facts are for what it leaves open.
    let told = MissingFacts {
        unit: header.unit.or(facts.unit),
        exaggeration: header.exaggeration.or(facts.exaggeration),
        ..facts.clone()
    };
    let error = |kind| GridFileError::new(file, kind);
    told.need(&[Fact::Unit, Fact::Exaggeration]).map_err(error)?;
    let unit = given(told.unit, Fact::Unit).map_err(error)?;
    let exaggeration = i64::from(exaggeration(&told).map_err(error)?);
    let (mut points, mut roundings) = (Vec::new(), 0);
    let mut body_lines = 0;
    for (start, line) in lines {
        let mut found = words(line, start).peekable();
        body_lines += u64::from(found.peek().is_some());
        // The faces that follow say nothing about heights.
        let Some(&(offset, _)) = found.peek().filter(|_| (points.len() as u64) < header.vertices) else { continue };
        let numbers: Vec<(usize, &[u8])> = found.collect();
        if numbers.len() != header.properties {
            return Err(at(offset, PlyFault::Vertex(header.properties, numbers.len())));
        }
        let axes = [x, y, z].map(|index| numbers[index]);
        let (um, rounded) = point_um(axes.map(|axis| axis.1), unit).map_err(|index| {
            let (offset, word) = axes[index];
            let fault = PointFault::Number(String::from_utf8_lossy(word).into_owned());
            GridFileError::at(file, text, offset, Kind::Points(fault))
        })?;
        let height_um = (2 * um[2] + exaggeration).div_euclid(2 * exaggeration);
        roundings += rounded + usize::from(height_um * exaggeration != um[2]);
        // `point_um` checked the range of both.
        points.push(Point { x_um: um[0] as i32, y_um: um[1] as i32, height_um, offset });
    }
    if points.len() as u64 != header.vertices {
        return Err(at(text.len(), PlyFault::Count(header.vertices, points.len() as u64)));
    }
    // A file that is cut in its last vertex would have all of them, one with fewer digits.
    if body_lines != header.lines {
        return Err(at(text.len(), PlyFault::Lines(header.lines, body_lines)));
    }
    let (document, snapped) = on_lattice(file, text, &points, facts.snap_um.unwrap_or(SNAP_UM))?;
    Ok(Reading { document, setup: None, losses: rounded(roundings).into_iter().chain(snapped).collect() })
}

/// Vertices row by row from the front, and a four-sided face for each cell.
pub(super) fn render(document: &GridDocument, facts: &MissingFacts) -> Result<(Vec<u8>, Vec<Loss>), Kind> {
    let exaggeration = exaggeration(facts)?;
    let (vertices, faces) = (document.grid.nodes_um().len(), cells(document).count());
    let mut text = format!(
        "ply\nformat ascii 1.0\ncomment unit mm\ncomment exaggeration {exaggeration}\nelement vertex {vertices}\n\
         property double x\nproperty double y\nproperty double z\nelement face {faces}\n\
         property list uchar int vertex_indices\nend_header\n"
    );
    for (x_um, y_um, height_um) in nodes(document) {
        let z_um = i64::from(height_um) * i64::from(exaggeration);
        let [x, y, z] = [x_um.into(), y_um.into(), z_um].map(millimetres);
        // Writing to a string does not fail.
        let _ = writeln!(text, "{x} {y} {z}");
    }
    for [a, b, c, d] in cells(document) {
        let _ = writeln!(text, "4 {a} {b} {c} {d}");
    }
    Ok((text.into_bytes(), beside_heights(document)))
}
