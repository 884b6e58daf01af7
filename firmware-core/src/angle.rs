//! Angles as fractions of a turn, in integers: the polar angle of a vector, sine and cosine.
//!
//! CORDIC after J. E. Volder, *The CORDIC Trigonometric Computing Technique*, IRE Trans. EC-8, 1959, 330-334:
//! shifts and additions only, so the same bits on every chip.

/// Steps of the iteration; each adds about one bit.
const STEPS: usize = 30;

/// atan(2^-i) in units of 2^-32 turn.
const ARCTANGENTS: [u32; STEPS] = [
    536_870_912,
    316_933_406,
    167_458_907,
    85_004_756,
    42_667_331,
    21_354_465,
    10_679_838,
    5_340_245,
    2_670_163,
    1_335_087,
    667_544,
    333_772,
    166_886,
    83_443,
    41_722,
    20_861,
    10_430,
    5_215,
    2_608,
    1_304,
    652,
    326,
    163,
    81,
    41,
    20,
    10,
    5,
    3,
    1,
];

/// Product of all cos(atan(2^-i)), with 30 fractional bits: what the iteration lengthens a vector by, undone.
const GAIN_Q30: i32 = 652_032_874;

/// Polar angle in 2^-32 turns, anticlockwise from the first axis; 0 for a vector of no length.
///
/// Vectors shorter than 2^39. The error is below 2^-27 turn for vectors longer than 2^10.
pub(crate) fn polar_angle(first: i64, second: i64) -> u32 {
    let longest = first.unsigned_abs().max(second.unsigned_abs());
    if longest == 0 {
        return 0;
    }
    // The longest component gets 29 bits: room for the lengthening by 1.65 and the diagonal's 1.41.
    let bits = 64 - longest.leading_zeros();
    let scale = |value: i64| if bits > 29 { (value >> (bits - 29)) as i32 } else { (value << (29 - bits)) as i32 };
    let (mut x, mut y) = (scale(first), scale(second));
    let mut angle = 0_u32;
    if x < 0 {
        // Half a turn first, since the iteration only reaches a little over a quarter.
        (x, y, angle) = (-x, -y, 1 << 31);
    }
    for (step, &arctangent) in ARCTANGENTS.iter().enumerate() {
        if y > 0 {
            (x, y) = (x + (y >> step), y - (x >> step));
            angle = angle.wrapping_add(arctangent);
        } else {
            (x, y) = (x - (y >> step), y + (x >> step));
            angle = angle.wrapping_sub(arctangent);
        }
    }
    angle
}

/// Cosine and sine of an angle in 2^-32 turns, with 30 fractional bits; the error is below 2^-25.
pub(crate) fn cos_sin_q30(angle: u32) -> (i32, i32) {
    // To within an eighth of a turn of the nearest quarter.
    let quarters = angle.wrapping_add(1 << 29) >> 30;
    let mut rest = angle.wrapping_sub(quarters << 30) as i32;
    let (mut x, mut y) = (GAIN_Q30, 0);
    for (step, &arctangent) in ARCTANGENTS.iter().enumerate() {
        // The largest has 30 bits.
        let arctangent = arctangent as i32;
        if rest >= 0 {
            (x, y) = (x - (y >> step), y + (x >> step));
            rest -= arctangent;
        } else {
            (x, y) = (x + (y >> step), y - (x >> step));
            rest += arctangent;
        }
    }
    match quarters & 3 {
        0 => (x, y),
        1 => (-y, x),
        2 => (-x, -y),
        _ => (y, -x),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn table_and_gain_against_f64() {
        let mut gain = 1.0;
        for (step, &arctangent) in ARCTANGENTS.iter().enumerate() {
            let exact = 0.5_f64.powi(step as i32).atan();
            assert_eq!(f64::from(arctangent), (exact / TAU * 2f64.powi(32)).round(), "step {step}");
            gain *= exact.cos();
        }
        assert_eq!(f64::from(GAIN_Q30), (gain * 2f64.powi(30)).round());
    }

    #[test]
    fn cosine_and_sine_against_f64() {
        let mut worst = 0.0_f64;
        for index in 0..200_000_u32 {
            let angle = index.wrapping_mul(2_654_435_769);
            let (cos, sin) = cos_sin_q30(angle);
            let (exact_sin, exact_cos) = (f64::from(angle) / 2f64.powi(32) * TAU).sin_cos();
            let scale = 2f64.powi(30);
            worst =
                worst.max((f64::from(cos) / scale - exact_cos).abs()).max((f64::from(sin) / scale - exact_sin).abs());
        }
        assert!(worst < 2f64.powi(-25), "{worst:e}");
        assert_eq!((cos_sin_q30(0).0 - (1 << 30)).abs() >> 4, 0);
    }

    #[test]
    fn polar_angle_against_f64() {
        let mut worst = 0.0_f64;
        for index in 0..100_000_u32 {
            let exact = f64::from(index.wrapping_mul(2_654_435_769)) / 2f64.powi(32);
            for radius in [1500.0, 1e6, 3e7, 3e11] {
                let (first, second) = ((exact * TAU).cos() * radius, (exact * TAU).sin() * radius);
                let found = f64::from(polar_angle(first.round() as i64, second.round() as i64)) / 2f64.powi(32);
                let reference = second.round().atan2(first.round()) / TAU;
                let off = (found - reference).rem_euclid(1.0);
                worst = worst.max(off.min(1.0 - off));
            }
        }
        assert!(worst < 2f64.powi(-27), "{worst:e}");
        assert_eq!(polar_angle(0, 0), 0);
    }
}
