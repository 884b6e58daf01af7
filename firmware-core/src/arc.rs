//! Circular arcs and helices become straight chords.

use core::fmt;
use core::num::NonZeroU64;

use crate::angle::{cos_sin_q30, polar_angle};
use crate::fixed_point::{between, floor_div, hold_i32};
use crate::reciprocal::Reciprocal;
use crate::split::{Move, Point};

/// Largest radius, a little under 17 m: up to here a point on the circle is right to half a micrometre and its rounding.
pub const MAX_RADIUS_UM: i32 = 1 << 24;

/// Largest difference of the radii at both ends.
///
/// NISTIR 6556, 3.5.3.2, allows 0.0002 inch, which is 5.08 µm, and rounding three points to whole micrometres adds
/// up to 2. A reader of files checks the exact limit of the file's own unit.
pub const MAX_RADIUS_DIFFERENCE_UM: u32 = 7;

/// The plane of an arc; its axes in the right-handed order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Plane {
    /// First axis X, second Y (`G17`).
    Xy,
    /// First axis Z, second X (`G18`).
    Zx,
    /// First axis Y, second Z (`G19`).
    Yz,
}

/// Sense of rotation, seen from the positive end of the axis that stands on the plane.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Turn {
    /// `G2`
    Clockwise,
    /// `G3`
    Anticlockwise,
}

/// Why there is no such arc.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ArcError {
    /// The radius is zero or above [`MAX_RADIUS_UM`].
    Radius {
        /// The radius, as far as it fits.
        radius_um: i32,
    },
    /// The ends are not equally far from the centre.
    UnequalRadii {
        /// Radius at the start.
        start_um: u32,
        /// Radius at the end.
        end_um: u32,
    },
    /// In radius form: the ends are the same point, which leaves the centre open.
    NoChord,
    /// In radius form: the ends are farther apart than a diameter.
    ChordTooLong {
        /// Distance of the ends.
        chord_um: u32,
        /// The radius.
        radius_um: i32,
    },
    /// Part of the circle is beyond the coordinate range.
    Coordinates,
    /// The chord tolerance is zero.
    Tolerance,
}

impl fmt::Display for ArcError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Radius { radius_um } => write!(f, "an arc of radius {radius_um} um: use 1 to {MAX_RADIUS_UM} um"),
            Self::UnequalRadii { start_um, end_um } => write!(
                f,
                "the arc starts {start_um} um from its centre and ends {end_um} um from it: \
                 the two may differ by {MAX_RADIUS_DIFFERENCE_UM} um"
            ),
            Self::NoChord => write!(f, "an arc by radius ends where it starts: give its centre instead"),
            Self::ChordTooLong { chord_um, radius_um } => {
                write!(f, "the ends are {chord_um} um apart, more than twice the radius of {radius_um} um")
            }
            Self::Coordinates => write!(f, "the circle reaches beyond 2147483647 um"),
            Self::Tolerance => write!(f, "a chord tolerance of 0 um: use 1 um or more"),
        }
    }
}

impl core::error::Error for ArcError {}

/// A circular arc or helix at logical height.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Arc<const EXTRA: usize> {
    motion: Move<EXTRA>,
    plane: Plane,
    /// From the centre to the start.
    spoke_um: [i32; 2],
    centre_um: [i32; 2],
    /// In 2^-32 turns, positive anticlockwise; a full turn is 2^32.
    sweep: i64,
    /// What is missing at the end of the sweep, for the radii may differ and the ends are rounded; 8 fractional bits.
    closing_q8: [i32; 2],
}

impl<const EXTRA: usize> Arc<EXTRA> {
    /// An arc by its centre, given as offset from the start along the plane's first and second axis.
    ///
    /// If it ends where it starts it is a full circle. The height along the third axis, and the further axes, change
    /// in proportion to the angle.
    ///
    /// # Errors
    /// [`ArcError`] says what is wrong with the circle.
    pub fn with_centre(
        motion: Move<EXTRA>,
        plane: Plane,
        turn: Turn,
        centre_offset_um: [i32; 2],
    ) -> Result<Self, ArcError> {
        let (start, end) = (in_plane(plane, motion.start), in_plane(plane, motion.end));
        let spoke = centre_offset_um.map(|offset_um| -i64::from(offset_um));
        let centre = [i64::from(start[0]) - spoke[0], i64::from(start[1]) - spoke[1]];
        let end_spoke = [i64::from(end[0]) - centre[0], i64::from(end[1]) - centre[1]];
        let (radius_um, end_radius_um) = (length_um(spoke), length_um(end_spoke));
        if radius_um == 0 || radius_um > u64::from(MAX_RADIUS_UM.unsigned_abs()) {
            return Err(ArcError::Radius { radius_um: hold_i32(radius_um as i64) });
        }
        if radius_um.abs_diff(end_radius_um) > MAX_RADIUS_DIFFERENCE_UM.into() {
            return Err(ArcError::UnequalRadii {
                start_um: radius_um as u32,
                end_um: end_radius_um.min(u32::MAX.into()) as u32,
            });
        }
        let reach = i64::from(MAX_RADIUS_DIFFERENCE_UM) + radius_um as i64;
        if centre.iter().any(|&middle| middle - reach < i32::MIN.into() || middle + reach > i32::MAX.into()) {
            return Err(ArcError::Coordinates);
        }
        let sweep = if start == end {
            1_i64 << 32
        } else {
            let anticlockwise = polar_angle(end_spoke[0], end_spoke[1]).wrapping_sub(polar_angle(spoke[0], spoke[1]));
            i64::from(if turn == Turn::Anticlockwise { anticlockwise } else { anticlockwise.wrapping_neg() })
        };
        let sweep = if turn == Turn::Anticlockwise { sweep } else { -sweep };
        let mut arc = Self {
            motion,
            plane,
            spoke_um: spoke.map(hold_i32),
            centre_um: centre.map(hold_i32),
            sweep,
            closing_q8: [0; 2],
        };
        let reached_q8 = arc.spoke_q8(arc.sweep as u32);
        for ((closing_q8, end), reached_q8) in arc.closing_q8.iter_mut().zip(end_spoke).zip(reached_q8) {
            *closing_q8 = hold_i32((end << 8) - reached_q8);
        }
        Ok(arc)
    }

    /// An arc by its radius: positive for the shorter way round, negative for the longer (NISTIR 6556, 3.5.3.1).
    ///
    /// # Errors
    /// [`ArcError`]; among others if the ends are the same point.
    pub fn with_radius(motion: Move<EXTRA>, plane: Plane, turn: Turn, radius_um: i32) -> Result<Self, ArcError> {
        let (start, end) = (in_plane(plane, motion.start), in_plane(plane, motion.end));
        let radius = u64::from(radius_um.unsigned_abs());
        if radius == 0 || radius > u64::from(MAX_RADIUS_UM.unsigned_abs()) {
            return Err(ArcError::Radius { radius_um });
        }
        let chord = [i64::from(end[0]) - i64::from(start[0]), i64::from(end[1]) - i64::from(start[1])];
        if chord == [0, 0] {
            return Err(ArcError::NoChord);
        }
        let chord_um = length_um(chord);
        if chord_um > 2 * radius + u64::from(MAX_RADIUS_DIFFERENCE_UM) {
            return Err(ArcError::ChordTooLong { chord_um: chord_um.min(u32::MAX.into()) as u32, radius_um });
        }
        let square = |[first, second]: [i64; 2]| first.unsigned_abs().pow(2) + second.unsigned_abs().pow(2);
        // Twice the distance from chord to centre, and the chord, with 5 fractional bits: up to 2^50 before the shift.
        let twice_height_q5 = ((4 * radius * radius).saturating_sub(square(chord)) << 10).isqrt() as i64;
        // The chord has nonzero length.
        let chord_q5 = NonZeroU64::new((square(chord) << 10).isqrt()).unwrap_or(NonZeroU64::MIN);
        // The shorter way round anticlockwise has its centre on the left, the side of (-second, first).
        let left = (turn == Turn::Anticlockwise) == (radius_um > 0);
        let across = if left { [-chord[1], chord[0]] } else { [chord[1], -chord[0]] };
        let mut centre_offset_um = [0; 2];
        for ((offset_um, along), across) in centre_offset_um.iter_mut().zip(chord).zip(across) {
            let sideways = across * twice_height_q5;
            // At most 2^38.
            let half = (chord_q5.get() / 2) as i64;
            *offset_um = hold_i32((along + floor_div(sideways + half, chord_q5) + 1) >> 1);
        }
        Self::with_centre(motion, plane, turn, centre_offset_um)
    }

    /// Centre along the plane's first and second axis.
    pub fn centre_um(&self) -> [i32; 2] {
        self.centre_um
    }

    /// Angle travelled in 2^-32 turns, positive anticlockwise; a full turn is 2^32.
    pub fn sweep(&self) -> i64 {
        self.sweep
    }

    /// Straight chords that stay within `tolerance_um` of the arc, plus 2 µm for rounding its ends, centre and chords.
    ///
    /// Equal angles, as few as the tolerance allows: a chord over the angle θ is off by `r·(1 − cos(θ/2))`. Every end
    /// is computed from the centre, so nothing drifts, and the last is the arc's own.
    ///
    /// # Errors
    /// [`ArcError::Tolerance`] for a tolerance of 0.
    pub fn chords(&self, tolerance_um: u16) -> Result<Chords<EXTRA>, ArcError> {
        if tolerance_um == 0 {
            return Err(ArcError::Tolerance);
        }
        let radius = length_um(self.spoke_um.map(i64::from));
        let tolerance = u64::from(tolerance_um).min(radius);
        // Half the chord is sqrt(2·r·e − e²), its distance from the centre r − e; with 12 fractional bits below 2^39.
        let half_chord_q12 = ((2 * radius * tolerance - tolerance * tolerance) << 24).isqrt();
        let half_angle = polar_angle(((radius - tolerance) << 12) as i64, half_chord_q12 as i64);
        // Never more than a sixth of a turn, or a small circle would be no circle.
        let chord_sweep = half_angle.saturating_mul(2).min(u32::MAX / 6);
        // The divisor is far from 0 up to the largest radius, so the quotient is small. Ends at one angle from the centre
        // may differ, as the radii may: then it is one chord.
        let count = (self.sweep.unsigned_abs() + u64::from(chord_sweep) - 1)
            .checked_div(chord_sweep.into())
            .unwrap_or(1)
            .max(1) as u32;
        let reciprocal = Reciprocal::of(count);
        Ok(Chords { arc: *self, count, reciprocal, index: 0, here: self.motion.start, extra: self.motion.extra_start })
    }

    /// The point in space for a point in the plane, at a fraction of the way along the third axis.
    fn lift(&self, [first_um, second_um]: [i32; 2], fraction_q32: u32) -> Point {
        let (start, end) = (self.motion.start, self.motion.end);
        match self.plane {
            Plane::Xy => Point { x_um: first_um, y_um: second_um, z_um: between(start.z_um, end.z_um, fraction_q32) },
            Plane::Zx => Point { z_um: first_um, x_um: second_um, y_um: between(start.y_um, end.y_um, fraction_q32) },
            Plane::Yz => Point { y_um: first_um, z_um: second_um, x_um: between(start.x_um, end.x_um, fraction_q32) },
        }
    }

    /// From the centre to the point at an angle from the start, before closing; 8 fractional bits.
    fn spoke_q8(&self, angle: u32) -> [i64; 2] {
        let (cos, sin) = cos_sin_q30(angle);
        let (cos, sin) = (i64::from(cos), i64::from(sin));
        let [first, second] = self.spoke_um.map(i64::from);
        let round = |value_q30: i64| (value_q30 + (1 << 21)) >> 22;
        [round(first * cos - second * sin), round(first * sin + second * cos)]
    }
}

/// The chords of an arc; see [`Arc::chords`].
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Chords<const EXTRA: usize> {
    arc: Arc<EXTRA>,
    count: u32,
    reciprocal: Reciprocal,
    index: u32,
    here: Point,
    extra: [i32; EXTRA],
}

impl<const EXTRA: usize> Iterator for Chords<EXTRA> {
    type Item = Move<EXTRA>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.index >= self.count {
            return None;
        }
        self.index += 1;
        let (start, extra_start) = (self.here, self.extra);
        if self.index == self.count {
            (self.here, self.extra) = (self.arc.motion.end, self.arc.motion.extra_end);
        } else {
            let fraction_q32 = self.reciprocal.fraction_q32(self.index);
            // At most one turn, so the product has 64 bits; a full turn times a fraction is the fraction.
            let travelled = match self.arc.sweep.unsigned_abs() {
                turn if turn >> 32 != 0 => fraction_q32,
                part => ((part * u64::from(fraction_q32)) >> 32) as u32,
            };
            let angle = if self.arc.sweep < 0 { travelled.wrapping_neg() } else { travelled };
            let mut at = self.arc.centre_um;
            for ((at_um, spoke_q8), closing_q8) in at.iter_mut().zip(self.arc.spoke_q8(angle)).zip(self.arc.closing_q8)
            {
                let offset_q8 = spoke_q8 + i64::from(between(0, closing_q8, fraction_q32));
                *at_um = hold_i32(i64::from(*at_um) + ((offset_q8 + 128) >> 8));
            }
            self.here = self.arc.lift(at, fraction_q32);
            self.extra = self.arc.motion.extra_at(fraction_q32);
        }
        Some(Move { start, end: self.here, extra_start, extra_end: self.extra })
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        let left = (self.count - self.index) as usize;
        (left, Some(left))
    }
}

impl<const EXTRA: usize> ExactSizeIterator for Chords<EXTRA> {}
impl<const EXTRA: usize> core::iter::FusedIterator for Chords<EXTRA> {}

/// First and second coordinate of a point in a plane.
fn in_plane(plane: Plane, point: Point) -> [i32; 2] {
    match plane {
        Plane::Xy => [point.x_um, point.y_um],
        Plane::Zx => [point.z_um, point.x_um],
        Plane::Yz => [point.y_um, point.z_um],
    }
}

fn length_um(vector: [i64; 2]) -> u64 {
    // Components have at most 34 bits; beyond 31 the arc is refused anyway.
    let [first, second] = vector.map(|component| component.unsigned_abs().min(1 << 31));
    let square = first * first + second * second;
    let root = square.isqrt();
    if square - root * root > root { root + 1 } else { root }
}
