//! From what a line of a job does to moves of the core.

use super::{ArcMotion, ArcShape, Position};
use gapkeeper::{Arc, Move, Plane, Point, Turn};

/// Chords of an arc stay this near to it unless the caller says otherwise: well below what a first layer notices.
pub const ARC_TOLERANCE_UM: u16 = 5;
/// What the core takes of a difference between the radii at both ends, after rounding.
const RADII_DIFFER_NM: i128 = 5_080;

/// Whether a move lays something down: in a job that extrudes, what feeds `E` forwards, by `G0` as well; in any other,
/// whatever is fed.
#[inline]
pub const fn prints(extruded_nm: i64, is_rapid: bool, extrudes: bool) -> bool {
    extruded_nm > 0 || !(is_rapid || extrudes)
}

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

/// The chords of an arc of the job, with all its turns; none is farther from it than the tolerance.
///
/// # Errors
/// A message if a coordinate or the circle is beyond what the core holds, or the tolerance is 0.
pub fn chords(arc: &ArcMotion, tolerance_um: u16) -> Result<impl Iterator<Item = Move<1>>, String> {
    let motion = straight(arc.start, arc.end, arc.extruded_nm)?;
    let turn = if arc.clockwise { Turn::Clockwise } else { Turn::Anticlockwise };
    let (chord_nm, centre_nm) = circle(arc);
    let centre_um = [whole_um(centre_nm[0])?, whole_um(centre_nm[1])?];
    let is_short = is_shorter_than_a_micrometre(arc, &motion, chord_nm, centre_nm);
    let last = |motion: Move<1>| Arc::with_centre(motion, arc.plane, turn, centre_um);
    let mut last_motion = motion;
    let mut circles = Vec::new();
    if arc.turns > 1 {
        // What the whole turns take of the way across the plane, and of `E`.
        let last_sweep =
            if is_short { 0 } else { last(motion).map_err(|error| error.to_string())?.sweep().unsigned_abs() };
        let all = (u64::from(arc.turns - 1) << 32) + last_sweep;
        let mut before = motion;
        for index in 1..arc.turns {
            let circle = before_turn(&motion, arc.plane, before, u64::from(index) << 32, all);
            circles.push(last(circle).map_err(|error| error.to_string())?);
            before = circle;
        }
        last_motion.start = before.end;
        last_motion.extra_start = before.extra_end;
    }
    // Where it ends within the micrometre where it starts there is no circle.
    let rest = is_short.then_some(last_motion);
    if !is_short {
        circles.push(last(last_motion).map_err(|error| error.to_string())?);
    }
    let chords = circles.into_iter().map(|arc| arc.chords(tolerance_um)).collect::<Result<Vec<_>, _>>();
    Ok(chords.map_err(|error| error.to_string())?.into_iter().flatten().chain(rest))
}

/// One whole turn that begins where another one has ended; `through` of `all` is done after it.
fn before_turn(motion: &Move<1>, plane: Plane, before: Move<1>, through: u64, all: u64) -> Move<1> {
    let part = |from: i32, to: i32| {
        let way = i128::from(to) - i128::from(from);
        // Between two numbers of 32 bits.
        (i128::from(from) + way * i128::from(through) / i128::from(all.max(1))) as i32
    };
    let (start, end) = (motion.start, motion.end);
    let end = match plane {
        Plane::Xy => Point { z_um: part(start.z_um, end.z_um), ..start },
        Plane::Zx => Point { y_um: part(start.y_um, end.y_um), ..start },
        Plane::Yz => Point { x_um: part(start.x_um, end.x_um), ..start },
    };
    let is_first = before.end == motion.end && before.start == motion.start;
    let (start, extra_start) =
        if is_first { (motion.start, motion.extra_start) } else { (before.end, before.extra_end) };
    Move { start, end, extra_start, extra_end: [part(motion.extra_start[0], motion.extra_end[0])] }
}

/// The ways from the start to the end and to the centre, along the plane's axes.
///
/// The centre of an arc by radius is found before anything is rounded: half a micrometre at the ends of half a turn
/// moves it by many. The centre of an arc whose radii differ by more than the core takes moves to where they do not.
fn circle(arc: &ArcMotion) -> ([i64; 2], [i64; 2]) {
    let in_plane = |position: Position| match arc.plane {
        Plane::Xy => [position.x_nm, position.y_nm],
        Plane::Zx => [position.z_nm, position.x_nm],
        Plane::Yz => [position.y_nm, position.z_nm],
    };
    let (start, end) = (in_plane(arc.start), in_plane(arc.end));
    let chord_nm = [end[0] - start[0], end[1] - start[1]];
    let [along, across] = chord_nm.map(i128::from);
    let chord_square = along * along + across * across;
    let centre_nm = match arc.shape {
        ArcShape::Centre { first_nm, second_nm } => {
            let [first, second] = [first_nm, second_nm].map(i128::from);
            let end_radius = ((along - first).pow(2) + (across - second).pow(2)).isqrt();
            let differ = ((first * first + second * second).isqrt() - end_radius).abs();
            if chord_square == 0 || differ <= RADII_DIFFER_NM {
                [first_nm, second_nm]
            } else {
                // The nearest point that is equally far from both ends, along the chord from the centre.
                let beyond = 2 * (first * along + second * across) - chord_square;
                let moved = |centre: i128, way: i128| (centre - way * beyond / (2 * chord_square)) as i64;
                [moved(first, along), moved(second, across)]
            }
        }
        ArcShape::Radius { radius_nm } => {
            let radius = i128::from(radius_nm);
            let height_square = (4 * radius * radius - chord_square).max(0);
            // Half the height is the distance of the centre from the middle of the chord.
            let is_left = arc.clockwise != (radius_nm > 0);
            let (height, chord) = (height_square.isqrt(), chord_square.isqrt().max(1));
            let aside = |way: i128| if is_left { way * height / chord } else { -(way * height / chord) };
            [((along - aside(across)) / 2) as i64, ((across + aside(along)) / 2) as i64]
        }
    };
    (chord_nm, centre_nm)
}

/// Whether the arc, without whole turns, is less than half a turn to an end within the micrometre of its start.
fn is_shorter_than_a_micrometre(arc: &ArcMotion, motion: &Move<1>, chord_nm: [i64; 2], centre_nm: [i64; 2]) -> bool {
    let (start, end) = (motion.start, motion.end);
    let is_closed = match arc.plane {
        Plane::Xy => (start.x_um, start.y_um) == (end.x_um, end.y_um),
        Plane::Zx => (start.z_um, start.x_um) == (end.z_um, end.x_um),
        Plane::Yz => (start.y_um, start.z_um) == (end.y_um, end.z_um),
    };
    let [along, across] = chord_nm.map(i128::from);
    let [first, second] = centre_nm.map(i128::from);
    // Anticlockwise the centre lies on the left.
    let left = along * second - across * first;
    is_closed && chord_nm != [0, 0] && if arc.clockwise { left < 0 } else { left > 0 }
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
