//! How far apart two colours are, for eyes that see fewer colours as well.

/// An eye: full colour vision, or one kind of cone missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Vision {
    /// All three kinds of cones.
    Full,
    /// No cones for long waves.
    Protanopia,
    /// No cones for middle waves.
    Deuteranopia,
    /// No cones for short waves.
    Tritanopia,
}

impl Vision {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Full, Self::Protanopia, Self::Deuteranopia, Self::Tritanopia];

    /// What becomes of linear red, green and blue: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, *A
    /// Physiologically-based Model for Simulation of Color Vision Deficiency*, IEEE Transactions on Visualization and
    /// Computer Graphics 15 (2009), severity 1; values from memory, each row adds up to 1.
    const fn matrix(self) -> [[f64; 3]; 3] {
        match self {
            Self::Full => [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            Self::Protanopia => [
                [0.152_286, 1.052_583, -0.204_868],
                [0.114_503, 0.786_281, 0.099_216],
                [-0.003_882, -0.048_116, 1.051_998],
            ],
            Self::Deuteranopia => [
                [0.367_322, 0.860_646, -0.227_968],
                [0.280_085, 0.672_501, 0.047_413],
                [-0.011_820, 0.042_940, 0.968_881],
            ],
            Self::Tritanopia => [
                [1.255_528, -0.076_749, -0.178_779],
                [-0.078_411, 0.930_809, 0.147_602],
                [0.004_733, 0.691_367, 0.303_900],
            ],
        }
    }
}

/// Difference of two colours as an eye sees them: the distance in CIELAB (ISO/CIE 11664-4), about 2 of which are just
/// seen side by side.
pub fn difference(one: &str, other: &str, vision: Vision) -> f64 {
    let [a, b] = [one, other].map(|colour| lab(seen(linear(colour), vision)));
    a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
}

/// Lightness of a colour, 0 for black and 100 for white: what is left of it on grey paper.
pub fn lightness(colour: &str) -> f64 {
    lab(linear(colour))[0]
}

/// Linear parts of a colour written as `#rrggbb` (IEC 61966-2-1); black for anything else.
fn linear(colour: &str) -> [f64; 3] {
    let part = |from: usize| {
        let byte = colour.get(from..from + 2).and_then(|digits| u8::from_str_radix(digits, 16).ok()).unwrap_or(0);
        let share = f64::from(byte) / 255.0;
        if share <= 0.04045 { share / 12.92 } else { ((share + 0.055) / 1.055).powf(2.4) }
    };
    [part(1), part(3), part(5)]
}

fn seen(rgb: [f64; 3], vision: Vision) -> [f64; 3] {
    times(vision.matrix(), rgb).map(|part| part.clamp(0.0, 1.0))
}

fn times(matrix: [[f64; 3]; 3], vector: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row.iter().zip(vector).map(|(a, b)| a * b).sum())
}

/// CIELAB of linear parts, white being D65.
fn lab(rgb: [f64; 3]) -> [f64; 3] {
    const TO_XYZ: [[f64; 3]; 3] = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]];
    const WHITE: [f64; 3] = [0.9505, 1.0, 1.089];
    let xyz = times(TO_XYZ, rgb);
    let root = |part: f64| if part > 216.0 / 24_389.0 { part.cbrt() } else { (24_389.0 / 27.0 * part + 16.0) / 116.0 };
    let [x, y, z] = [0, 1, 2].map(|axis| root(xyz[axis] / WHITE[axis]));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Red, green and blue of sRGB in CIELAB by the definition (L*, a*, b*: 53.24, 80.09, 67.20 and so on; tables from
    /// memory, to a tenth).
    #[test]
    fn lightness_of_known_colours() {
        for (colour, expected) in
            [("#ffffff", 100.0), ("#000000", 0.0), ("#ff0000", 53.2), ("#00ff00", 87.7), ("#0000ff", 32.3)]
        {
            assert!((lightness(colour) - expected).abs() < 0.1, "{colour}: {}", lightness(colour));
        }
        assert!((difference("#ff0000", "#ffffff", Vision::Full) - 114.5).abs() < 0.3);
    }

    #[test]
    fn grey_is_grey_for_every_eye() {
        for vision in Vision::ALL {
            assert!(vision.matrix().iter().all(|row| (row.iter().sum::<f64>() - 1.0).abs() < 2e-6));
            let [l, a, b] = lab(seen(linear("#777777"), vision));
            assert!(a.abs() < 0.1 && b.abs() < 0.1 && (l - lightness("#777777")).abs() < 0.1, "{vision:?}");
        }
    }

    /// What the deficiencies are known for: red and green of one lightness nearly fall together without the cones that
    /// tell them apart, and stay apart without those for short waves.
    #[test]
    fn red_and_green_fall_together_where_they_should() {
        let (red, green) = ("#c04000", "#7a7a00");
        let of = |vision| difference(red, green, vision);
        assert!(of(Vision::Deuteranopia) < 0.45 * of(Vision::Full));
        assert!(of(Vision::Protanopia) < 0.6 * of(Vision::Full));
        assert!(of(Vision::Tritanopia) > 0.6 * of(Vision::Full));
    }
}
