//! What a table that we wrote says about itself, in remarks that other programs skip.
//!
//! ```text
//! # heights in mm; the first row is at the front (smallest Y), the first column at the left (smallest X)
//! # first node at x -10, y 12.5 mm; nodes 50, 45.125 mm apart
//! ```
//!
//! Only these very lines are understood: with any other word a line is judged as a part of the table.

use gapkeeper::Lattice;

use super::{Fact, Kind, LengthUnit, MatrixFault, MissingFacts, RowOrder};
use crate::grid_file::number::length;

const ORDER: &str =
    "# heights in mm; the first row is at the front (smallest Y), the first column at the left (smallest X)";

/// The remarks of a table on this lattice.
pub(super) fn render(lattice: Lattice) -> String {
    let mm = |um: i64| (um as f64 / 1000.0).to_string();
    let (x0, y0) = (mm(lattice.x0_um.into()), mm(lattice.y0_um.into()));
    let (pitch_x, pitch_y) = (mm(lattice.pitch_x_um.into()), mm(lattice.pitch_y_um.into()));
    format!("{ORDER}\n# first node at x {x0}, y {y0} mm; nodes {pitch_x}, {pitch_y} mm apart\n")
}

/// Takes what a line says, if it is a remark of ours; otherwise it is left to the table.
pub(super) fn take(line: &[u8], facts: &mut MissingFacts) -> bool {
    let Ok(line) = std::str::from_utf8(line) else { return false };
    let line = line.trim_end();
    if line == ORDER {
        facts.unit = Some(LengthUnit::Millimetre);
        facts.rows = Some(RowOrder::FirstFront);
        return true;
    }
    let Some((origin_um, pitch_um)) = places(line) else { return false };
    (facts.origin_um, facts.pitch_um) = (Some(origin_um), Some(pitch_um));
    true
}

fn places(line: &str) -> Option<((i32, i32), (u32, u32))> {
    let (origin, pitch) =
        line.strip_prefix("# first node at x ")?.strip_suffix(" mm apart")?.split_once(" mm; nodes ")?;
    let (x, y) = origin.split_once(", y ")?;
    let (pitch_x, pitch_y) = pitch.split_once(", ")?;
    let um =
        |text| length(text, '.', LengthUnit::Millimetre).filter(|length| !length.is_rounded).map(|length| length.um);
    let place = |text| i32::try_from(um(text)?).ok();
    let distance = |text| u32::try_from(um(text)?).ok();
    Some(((place(x)?, place(y)?), (distance(pitch_x)?, distance(pitch_y)?)))
}

/// The caller's facts with those of the text, which must not contradict each other.
pub(super) fn with_own(facts: &MissingFacts, own: &MissingFacts) -> Result<MissingFacts, Kind> {
    let differs = [
        (Fact::Unit, facts.unit.is_some() && own.unit.is_some_and(|unit| facts.unit != Some(unit))),
        (Fact::Rows, facts.rows.is_some() && own.rows.is_some_and(|rows| facts.rows != Some(rows))),
        (Fact::Origin, facts.origin_um.is_some() && own.origin_um.is_some_and(|um| facts.origin_um != Some(um))),
        (Fact::Pitch, facts.pitch_um.is_some() && own.pitch_um.is_some_and(|um| facts.pitch_um != Some(um))),
    ];
    if let Some((fact, _)) = differs.into_iter().find(|(_, differs)| *differs) {
        return Err(Kind::Matrix(MatrixFault::OtherFact(fact)));
    }
    Ok(MissingFacts {
        unit: own.unit.or(facts.unit),
        rows: own.rows.or(facts.rows),
        origin_um: own.origin_um.or(facts.origin_um),
        pitch_um: own.pitch_um.or(facts.pitch_um),
        ..facts.clone()
    })
}
