//! The rules that an arc must keep (NISTIR 6556, 3.5.3), in exact integers.
//!
//! Nothing overflows: places and offsets lie within [`FARTHEST_NM`] of zero, so that no way from a start or an end to a
//! centre is longer than three times that along either axis.
//!
//! [`FARTHEST_NM`]: super::decimal::FARTHEST_NM

use super::decimal::Units;
use super::error::GcodeErrorKind as Kind;

/// How far start and end may differ in radius: 0.002 mm or 0.0002 inch (NISTIR 6556, 3.5.3.2).
///
/// The units of the program choose: 0.0002 inch is more than 0.002 mm, and real programs in inches need it.
fn tolerance_nm(units: Units) -> i128 {
    match units {
        Units::Millimetre => 2_000,
        Units::Inch => 5_080,
    }
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
pub(super) fn check_centre(chord_nm: [i64; 2], centre_nm: [i64; 2], units: Units) -> Result<(), Kind> {
    let start = square_sum(centre_nm);
    let end = square_sum([chord_nm[0] - centre_nm[0], chord_nm[1] - centre_nm[1]]);
    if square_roots_differ(start.max(end), start.min(end), tolerance_nm(units)) {
        return Err(Kind::ArcRadiiDiffer { start_radius_nm: start.isqrt(), end_radius_nm: end.isqrt(), units });
    }
    Ok(())
}

/// Whether √large − √small > limit, exactly.
///
/// √large > √small + limit says the same as large − small − limit² > 2·limit·√small.
fn square_roots_differ(large: i128, small: i128, limit: i128) -> bool {
    let excess = large - small - limit * limit;
    if excess <= 0 {
        return false;
    }
    // The first comparison also keeps the square of the second within its integer.
    excess > 2 * limit * LONGEST_RADIUS_NM || excess * excess > 4 * limit * limit * small
}

/// Checks an arc given by its radius (NISTIR 6556, 3.5.3.1); `chord_nm` goes from the start to the end.
///
/// The radius may fall short of half the chord by the tolerance that the standard gives the other form.
pub(super) fn check_radius(chord_nm: [i64; 2], radius_nm: i64, units: Units) -> Result<(), Kind> {
    if chord_nm == [0, 0] {
        return Err(Kind::ArcEndIsStart);
    }
    let chord = square_sum(chord_nm);
    let reach = i128::from(radius_nm).abs() + tolerance_nm(units);
    if chord > 4 * reach * reach {
        return Err(Kind::ArcRadiusTooSmall { chord_nm: chord.isqrt() });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use Units::{Inch, Millimetre};

    /// SOURCES row G-13: centre (0,0), start (10,0), end (0,10.0019) or (0,10.0021), in millimetres.
    #[test]
    fn g13_the_limit_in_millimetres() {
        let from_start = |end_y_nm| [-10_000_000, end_y_nm];
        let centre = [-10_000_000, 0];
        assert!(check_centre(from_start(10_001_900), centre, Millimetre).is_ok());
        assert!(check_centre(from_start(10_002_000), centre, Millimetre).is_ok());
        assert!(check_centre(from_start(10_002_001), centre, Millimetre).is_err());
        assert!(check_centre(from_start(10_002_100), centre, Millimetre).is_err());
        assert!(check_centre(from_start(9_998_000), centre, Millimetre).is_ok());
        assert!(check_centre(from_start(9_997_999), centre, Millimetre).is_err());
    }

    /// SOURCES row G-13: 0.0002 inch is 5080 nm, not 2000 nm.
    #[test]
    fn g13_the_limit_in_inches() {
        let centre = [-10_000_000, 0];
        assert!(check_centre([-10_000_000, 10_005_080], centre, Inch).is_ok());
        assert!(check_centre([-10_000_000, 10_005_081], centre, Inch).is_err());
    }

    #[test]
    fn the_longest_arcs_do_not_overflow() {
        let far = 100_000_000_000_000;
        assert!(check_centre([0, 0], [far, -far], Inch).is_ok());
        // Radii that differ by 5000 / √2 and 10000 / √2 nm.
        assert!(check_centre([2 * far - 5_000, 2 * far], [far, far], Inch).is_ok());
        assert!(check_centre([2 * far - 10_000, 2 * far], [far, far], Inch).is_err());
        let longest = square_sum([3 * far, 3 * far]);
        assert!(longest < LONGEST_RADIUS_NM.pow(2));
        assert!(!square_roots_differ(longest, (longest.isqrt() - 5_079).pow(2), 5_080));
        assert!(square_roots_differ(longest, (longest.isqrt() - 5_080).pow(2), 5_080));
        assert!(square_roots_differ(longest, 0, 5_080));
    }

    /// SOURCES row G-12.
    #[test]
    fn g12_radius_arcs() {
        assert!(matches!(check_radius([0, 0], 5, Millimetre), Err(Kind::ArcEndIsStart)));
        assert!(check_radius([20_000_000, 0], 10_000_000, Millimetre).is_ok());
        assert!(check_radius([20_000_000, 0], -9_998_000, Millimetre).is_ok());
        assert!(check_radius([20_000_000, 0], 9_997_999, Millimetre).is_err());
        assert!(check_radius([20_000_000, 0], 9_994_920, Inch).is_ok());
        assert!(check_radius([20_000_000, 0], 9_994_919, Inch).is_err());
    }
}
