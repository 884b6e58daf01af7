//! Arcs and the rules that they must keep (NISTIR 6556, 3.5.3), in exact integers.
//!
//! Nothing overflows: places and offsets lie within [`FARTHEST_NM`] of zero, so that no way from a start or an end to a
//! centre is longer than three times that along either axis.
//!
//! [`FARTHEST_NM`]: super::decimal::FARTHEST_NM

use gapkeeper::Plane;

use super::block::{Block, Letters};
use super::decimal::Units;
use super::error::{Fault, GcodeErrorKind as Kind};
use super::motion::{Action, ArcMotion, ArcShape};
use super::state::{ARC_LETTERS, AXES, EXTRUDER, State, belongs_to_no_arc, plane_axes};
use super::word::Word;

/// Most turns of one arc.
const MOST_TURNS: u32 = 10_000;

impl State {
    pub(super) fn arc(&mut self, block: &Block<'_>, clockwise: bool) -> Result<Action, Fault> {
        let [first, second, _] = plane_axes(self.plane);
        let (offsets, outside) = match self.plane {
            Plane::Xy => (*b"IJ", b'K'),
            Plane::Zx => (*b"KI", b'J'),
            Plane::Yz => (*b"JK", b'I'),
        };
        let at_arc = block.offset_of(Letters::of(b"G").or(Letters::AXES).or(ARC_LETTERS));
        // A full circle may be given by its centre alone (common practice).
        if block.letters.without_all(&[AXES[first], AXES[second]]) && block.letters.without_all(&offsets) {
            return Err(Fault::new(at_arc, Kind::ArcWithoutEnd));
        }
        if block.letters.has(outside) {
            return Err(belongs_to_no_arc(block, Letters::of(&[outside]), Kind::ArcOffsetOutsidePlane));
        }
        self.check_feed(block)?;
        let (start, before_nm) = (self.position(), self.position_nm);
        self.go(block)?;
        let chord_nm = [first, second].map(|axis| self.position_nm[axis] - before_nm[axis]);
        let words = [AXES[first], AXES[second], offsets[0], offsets[1], b'R'].map(|letter| block.word(letter));
        let limit_nm = limit_nm(self.units, decimals(&words));
        let (shape, at_shape, checked) = match (block.word(b'R'), offsets.map(|letter| block.word(letter))) {
            (None, [None, None]) => return Err(Fault::new(at_arc, Kind::ArcWithoutCentre)),
            (None, [first, second]) => {
                let length_nm = |word: Option<&Word>| word.map_or(Ok(0), |word| self.length_nm(word));
                let centre_nm = [length_nm(first)?, length_nm(second)?];
                let shape = ArcShape::Centre { first_nm: centre_nm[0], second_nm: centre_nm[1] };
                (shape, Letters::of(&offsets), check_centre(chord_nm, centre_nm, limit_nm))
            }
            (Some(radius), [None, None]) => {
                let radius_nm = self.length_nm(radius)?;
                let shape = ArcShape::Radius { radius_nm };
                (shape, Letters::of(b"R"), check_radius(chord_nm, radius_nm, limit_nm))
            }
            (Some(radius), _) => return Err(Fault::new(radius.start(), Kind::ArcTwoForms)),
        };
        // Where the start is not known, nobody knows how far it is from the centre.
        let is_start_lost = self.lost_before.has(first) || self.lost_before.has(second);
        if self.incremental || !is_start_lost || !self.is_doubtful {
            checked.map_err(|kind| Fault::new(block.offset_of(at_shape), kind))?;
        }
        Ok(Action::Arc(ArcMotion {
            start,
            turns: turns(block)?,
            end: self.position(),
            plane: self.plane,
            clockwise,
            shape,
            extruded_nm: self.position_nm[EXTRUDER] - before_nm[EXTRUDER],
            feed_nm_min: self.feed(),
        }))
    }
}

fn turns(block: &Block<'_>) -> Result<u32, Fault> {
    let Some(word) = block.word(b'P') else { return Ok(1) };
    let turns = word.number_as_written().and_then(|number| number.whole_within_tolerance(1));
    turns.filter(|turns| (1..=MOST_TURNS).contains(turns)).ok_or_else(|| Fault::new(word.start(), Kind::ArcTurns))
}

/// Most decimals that any of the words has. Fewer may have been printed where zeros were left out at the end.
fn decimals(words: &[Option<&Word>]) -> u8 {
    words.iter().flatten().filter_map(|word| word.number_as_written()).map(|number| number.scale()).max().unwrap_or(0)
}

/// How far start and end may differ in radius: 0.002 mm or 0.0002 inch (NISTIR 6556, 3.5.3.2), or what rounding to the
/// printed decimals explains, if that is more.
///
/// The units of the program choose: 0.0002 inch is more than 0.002 mm, and real programs in inches need it. Rounding
/// moves start, end and centre by at most half a digit along each axis, and the difference of the radii by at most four
/// such ways, each half the square root of two of a digit: 2.83 digits. Fewer decimals than two, or three of an inch, are
/// taken for zeros left out.
fn limit_nm(units: Units, decimals: u8) -> i128 {
    let (of_standard_nm, fewest) = match units {
        Units::Millimetre => (2_000, 2),
        Units::Inch => (5_080, 3),
    };
    let digit_nm = units.nm() / 10_i64.pow(u32::from(decimals.max(fewest)).min(9));
    i128::from(digit_nm * 283 / 100).max(of_standard_nm)
}

/// No radius is longer: the diagonal of a square with sides of 3 × 10^14 nm is 4.25 × 10^14 nm.
const LONGEST_RADIUS_NM: i128 = 500_000_000_000_000;

fn square_sum([first, second]: [i64; 2]) -> i128 {
    let (first, second) = (i128::from(first), i128::from(second));
    first * first + second * second
}

/// Checks an arc given by its centre.
///
/// `chord_nm` and `centre_nm` go from the start to the end and to the centre, along the plane's two axes.
fn check_centre(chord_nm: [i64; 2], centre_nm: [i64; 2], limit_nm: i128) -> Result<(), Kind> {
    let start = square_sum(centre_nm);
    let end = square_sum([chord_nm[0] - centre_nm[0], chord_nm[1] - centre_nm[1]]);
    if square_roots_differ(start.max(end), start.min(end), limit_nm) {
        return Err(Kind::ArcRadiiDiffer { start_radius_nm: start.isqrt(), end_radius_nm: end.isqrt(), limit_nm });
    }
    Ok(())
}

/// Whether √large − √small > limit, exactly; with squares too large for 128 bits, to a millionth of a nanometre.
///
/// √large > √small + limit says the same as large − small − limit² > 2·limit·√small.
fn square_roots_differ(large: i128, small: i128, limit: i128) -> bool {
    let excess = large - small - limit * limit;
    if excess <= 0 {
        return false;
    }
    // Keeps the excess below 2^67.
    if excess > 2 * limit * LONGEST_RADIUS_NM {
        return true;
    }
    match excess.checked_mul(excess).zip((4 * limit * limit).checked_mul(small)) {
        Some((excess, root)) => excess > root,
        // The root with 14 fractional bits; below 2^98 before the shift.
        None => excess << 14 > 2 * limit * (small << 28).isqrt(),
    }
}

/// Checks an arc given by its radius (NISTIR 6556, 3.5.3.1); `chord_nm` goes from the start to the end.
///
/// The radius may fall short of half the chord by the tolerance that the standard gives the other form.
fn check_radius(chord_nm: [i64; 2], radius_nm: i64, limit_nm: i128) -> Result<(), Kind> {
    if chord_nm == [0, 0] {
        return Err(Kind::ArcEndIsStart);
    }
    let chord = square_sum(chord_nm);
    let reach = i128::from(radius_nm).abs() + limit_nm;
    if chord > 4 * reach * reach {
        return Err(Kind::ArcRadiusTooSmall { chord_nm: chord.isqrt() });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    const MILLIMETRE: i128 = 2_000;
    const INCH: i128 = 5_080;

    /// Inches without decimals on the longest radii: the squares are beyond 128 bits.
    #[test]
    fn long_radii_and_coarse_limits_are_compared() {
        for radius in [1, 40_000_000, 100_000_000_000_000, 424_000_000_000_000_i128] {
            for limit in [MILLIMETRE, 28_300, 71_882] {
                let differ = |by: i128| square_roots_differ((radius + limit + by).pow(2), radius.pow(2), limit);
                assert_eq!([-1, 0, 1].map(differ), [false, false, true], "{radius} {limit}");
            }
        }
    }

    #[test]
    fn the_limit_follows_the_decimals() {
        let limits = [(Units::Millimetre, 4, 2_000), (Units::Millimetre, 3, 2_830), (Units::Millimetre, 2, 28_300)];
        for (units, decimals, expected_nm) in limits.into_iter().chain([
            (Units::Millimetre, 0, 28_300),
            (Units::Inch, 5, 5_080),
            (Units::Inch, 4, 7_188),
            (Units::Inch, 1, 71_882),
        ]) {
            assert_eq!(limit_nm(units, decimals), expected_nm, "{units:?} {decimals}");
        }
    }

    /// SOURCES row G-13: centre (0,0), start (10,0), end (0,10.0019) or (0,10.0021), in millimetres.
    #[test]
    fn g13_the_limit_in_millimetres() {
        let from_start = |end_y_nm| [-10_000_000, end_y_nm];
        let centre = [-10_000_000, 0];
        assert!(check_centre(from_start(10_001_900), centre, MILLIMETRE).is_ok());
        assert!(check_centre(from_start(10_002_000), centre, MILLIMETRE).is_ok());
        assert!(check_centre(from_start(10_002_001), centre, MILLIMETRE).is_err());
        assert!(check_centre(from_start(10_002_100), centre, MILLIMETRE).is_err());
        assert!(check_centre(from_start(9_998_000), centre, MILLIMETRE).is_ok());
        assert!(check_centre(from_start(9_997_999), centre, MILLIMETRE).is_err());
    }

    /// SOURCES row G-13: 0.0002 inch is 5080 nm, not 2000 nm.
    #[test]
    fn g13_the_limit_in_inches() {
        let centre = [-10_000_000, 0];
        assert!(check_centre([-10_000_000, 10_005_080], centre, INCH).is_ok());
        assert!(check_centre([-10_000_000, 10_005_081], centre, INCH).is_err());
    }

    #[test]
    fn the_longest_arcs_do_not_overflow() {
        let far = 100_000_000_000_000;
        assert!(check_centre([0, 0], [far, -far], INCH).is_ok());
        // Radii that differ by 5000 / √2 and 10000 / √2 nm.
        assert!(check_centre([2 * far - 5_000, 2 * far], [far, far], INCH).is_ok());
        assert!(check_centre([2 * far - 10_000, 2 * far], [far, far], INCH).is_err());
        let longest = square_sum([3 * far, 3 * far]);
        assert!(longest < LONGEST_RADIUS_NM.pow(2));
        assert!(!square_roots_differ(longest, (longest.isqrt() - 5_079).pow(2), 5_080));
        assert!(square_roots_differ(longest, (longest.isqrt() - 5_080).pow(2), 5_080));
        assert!(square_roots_differ(longest, 0, 5_080));
    }

    /// SOURCES row G-12.
    #[test]
    fn g12_radius_arcs() {
        assert!(matches!(check_radius([0, 0], 5, MILLIMETRE), Err(Kind::ArcEndIsStart)));
        assert!(check_radius([20_000_000, 0], 10_000_000, MILLIMETRE).is_ok());
        assert!(check_radius([20_000_000, 0], -9_998_000, MILLIMETRE).is_ok());
        assert!(check_radius([20_000_000, 0], 9_997_999, MILLIMETRE).is_err());
        assert!(check_radius([20_000_000, 0], 9_994_920, INCH).is_ok());
        assert!(check_radius([20_000_000, 0], 9_994_919, INCH).is_err());
    }
}
