//! From what a line of a job does to moves of the core.

use super::{ArcMotion, ArcShape, Position};
use gapkeeper::{Arc, Chords, Move, Point, Turn};

/// Chords of an arc stay this near to it: well below what a first layer notices.
const ARC_TOLERANCE_UM: u16 = 5;

/// The straight move between two positions of the job, with the change of `E` as further axis.
///
/// # Errors
/// A message if a coordinate is beyond what the core holds.
#[inline]
pub fn straight(start: Position, end: Position, extruded_nm: i64) -> Result<Move<1>, String> {
    // Nanometres of E as far as they fit 32 bits, which is two metres of filament in one move.
    let extruded_nm = extruded_nm.clamp(i32::MIN.into(), i32::MAX.into()) as i32;
    Ok(Move { start: point(start)?, end: point(end)?, extra_start: [0], extra_end: [extruded_nm] })
}

/// The chords of an arc of the job.
///
/// # Errors
/// A message if a coordinate or the circle is beyond what the core holds.
pub fn chords(arc: &ArcMotion) -> Result<Chords<1>, String> {
    let motion = straight(arc.start, arc.end, arc.extruded_nm)?;
    let turn = if arc.clockwise { Turn::Clockwise } else { Turn::Anticlockwise };
    let arc = match arc.shape {
        ArcShape::Centre { first_nm, second_nm } => {
            Arc::with_centre(motion, arc.plane, turn, [whole_um(first_nm)?, whole_um(second_nm)?])
        }
        ArcShape::Radius { radius_nm } => Arc::with_radius(motion, arc.plane, turn, whole_um(radius_nm)?),
    };
    arc.and_then(|arc| arc.chords(ARC_TOLERANCE_UM)).map_err(|error| error.to_string())
}

/// Feed in millimetres a second.
pub fn feed_mm_s(feed_nm_min: Option<u64>) -> Option<f64> {
    feed_nm_min.map(|feed_nm_min| feed_nm_min as f64 / 60e6).filter(|&feed_mm_s| feed_mm_s > 0.0)
}

#[inline]
fn point(position: Position) -> Result<Point, String> {
    let [x_um, y_um, z_um] =
        position.to_um().ok_or("a coordinate is beyond 2147 m: look for a missing decimal point")?;
    Ok(Point { x_um, y_um, z_um })
}

fn whole_um(nm: i64) -> Result<i32, String> {
    let um = (nm + 500 * nm.signum()) / 1000;
    i32::try_from(um).map_err(|_| "an arc larger than 2147 m: look for a missing decimal point".to_string())
}
