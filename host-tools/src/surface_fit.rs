//! Surfaces of first and second degree by least squares.

use gapkeeper::BedHeight;

/// Terms of a full quadratic surface: 1, x, y, x², xy, y².
const TERMS: usize = 6;

/// The degree of a surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Degree {
    /// A plane.
    First,
    /// A plane with bow and twist.
    Second,
}

/// The surface that makes the sum of the squared deviations along Z least.
#[derive(Clone, Debug)]
pub struct SurfaceFit {
    middle_um: [f64; 2],
    reach_um: [f64; 2],
    coefficients_um: [f64; TERMS],
}

impl SurfaceFit {
    /// Fits a surface to points.
    ///
    /// The normal equations, solved by elimination in coordinates that reach from −1 to 1 on the points: raw ones cost
    /// half the digits. A term that the points cannot tell from the ones before it (the bow along an axis with two
    /// columns) is left out; without any point the surface is zero.
    pub fn new(points: &[BedHeight], degree: Degree) -> Self {
        let axis = |coordinate: fn(&BedHeight) -> i32| {
            let ends = points.iter().map(|point| f64::from(coordinate(point)));
            let (low, high) =
                ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), um| (low.min(um), high.max(um)));
            if low < high { ((low + high) / 2.0, (high - low) / 2.0) } else { (0.0, 1.0) }
        };
        let ((x_um, reach_x_um), (y_um, reach_y_um)) = (axis(|point| point.x_um), axis(|point| point.y_um));
        let mut fit =
            Self { middle_um: [x_um, y_um], reach_um: [reach_x_um, reach_y_um], coefficients_um: [0.0; TERMS] };
        let terms = match degree {
            Degree::First => 3,
            Degree::Second => TERMS,
        };
        let mut squares = [[0.0; TERMS]; TERMS];
        let mut products = [0.0; TERMS];
        for point in points {
            let basis = fit.basis(point.x_um.into(), point.y_um.into());
            for (row, value) in basis.iter().enumerate() {
                products[row] += value * f64::from(point.height_um);
                for (column, other) in basis.iter().enumerate() {
                    squares[row][column] += value * other;
                }
            }
        }
        fit.coefficients_um = solve(squares, products, terms);
        fit
    }

    /// Height of the surface at a place.
    pub fn height_um(&self, x_um: f64, y_um: f64) -> f64 {
        self.basis(x_um, y_um).iter().zip(self.coefficients_um).map(|(value, coefficient)| value * coefficient).sum()
    }

    fn basis(&self, x_um: f64, y_um: f64) -> [f64; TERMS] {
        let x = (x_um - self.middle_um[0]) / self.reach_um[0];
        let y = (y_um - self.middle_um[1]) / self.reach_um[1];
        [1.0, x, y, x * x, x * y, y * y]
    }
}

/// Solves the first `terms` of symmetric equations; unknowns that hang on earlier ones are zero.
fn solve(mut squares: [[f64; TERMS]; TERMS], mut products: [f64; TERMS], terms: usize) -> [f64; TERMS] {
    /// What rounding may leave of a term that says nothing new, as a share of its square.
    const NOTHING: f64 = 1e-10;
    let full: Vec<f64> = (0..terms).map(|term| squares[term][term]).collect();
    let mut is_told = [false; TERMS];
    for pivot in 0..terms {
        is_told[pivot] = squares[pivot][pivot] > full[pivot] * NOTHING;
        if !is_told[pivot] {
            continue;
        }
        for row in pivot + 1..terms {
            let factor = squares[row][pivot] / squares[pivot][pivot];
            let upper = squares[pivot];
            squares[row].iter_mut().zip(upper).for_each(|(value, above)| *value -= factor * above);
            products[row] -= factor * products[pivot];
        }
    }
    let mut solution = [0.0; TERMS];
    for row in (0..terms).rev().filter(|&row| is_told[row]) {
        let known: f64 = (row + 1..terms).map(|column| squares[row][column] * solution[column]).sum();
        solution[row] = (products[row] - known) / squares[row][row];
    }
    solution
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point((x_um, y_um, height_um): (i32, i32, i32)) -> BedHeight {
        BedHeight { x_um, y_um, height_um }
    }

    /// P-12: Montgomery, Peck & Vining, *Introduction to Linear Regression Analysis*, delivery time data; the book says
    /// 2.341, 1.616, 0.0144, the digits beyond were computed with NumPy.
    #[test]
    fn the_plane_of_the_delivery_time_data() {
        const TIME: [i32; 25] = [
            1668, 1150, 1203, 1488, 1375, 1811, 800, 1783, 7924, 2150, 4033, 2100, 1350, 1975, 2400, 2900, 1535, 1900,
            950, 3510, 1790, 5232, 1875, 1983, 1075,
        ];
        const CASES: [i32; 25] = [7, 3, 3, 4, 6, 7, 2, 7, 30, 5, 16, 10, 4, 6, 9, 10, 6, 7, 3, 17, 10, 26, 9, 8, 4];
        const DISTANCE: [i32; 25] = [
            560, 220, 340, 80, 150, 330, 110, 210, 1460, 605, 688, 215, 255, 462, 448, 776, 200, 132, 36, 770, 140,
            810, 450, 635, 150,
        ];
        let points: Vec<BedHeight> = (0..25).map(|at| point((CASES[at], DISTANCE[at], TIME[at]))).collect();
        let fit = SurfaceFit::new(&points, Degree::First);
        // Times were taken a hundredfold to be whole.
        let constant = fit.height_um(0.0, 0.0) / 100.0;
        let rise = |x_um, y_um| (fit.height_um(x_um, y_um) - fit.height_um(0.0, 0.0)) / 100.0;
        assert!((constant - 2.341_231_145_192_2).abs() < 1e-11, "{constant}");
        assert!((rise(1.0, 0.0) - 1.615_907_210_609_25).abs() < 1e-11);
        assert!((rise(0.0, 1000.0) - 14.384_826_255_548_1).abs() < 1e-10);
        let squares: f64 = points
            .iter()
            .map(|point| f64::from(point.height_um) - fit.height_um(point.x_um.into(), point.y_um.into()))
            .map(|off| (off / 100.0).powi(2))
            .sum();
        assert!((squares - 233.731_677_421).abs() < 1e-7, "{squares}");
    }

    /// P-10: NIST StRD, linear regression, data set Pontius (load cell calibration, a quadratic), certified values.
    #[test]
    fn the_parabola_of_the_load_cell() {
        // In hundred-thousandths; two rounds of loads from 150000 to 3000000.
        const DEFLECTION: [i32; 40] = [
            11_019, 21_956, 32_949, 43_899, 54_803, 65_694, 76_562, 87_487, 98_292, 109_146, 120_001, 130_822, 141_599,
            152_399, 163_194, 173_947, 184_646, 195_392, 206_128, 216_844, 11_052, 22_018, 32_939, 43_886, 54_798,
            65_739, 76_596, 87_474, 98_300, 109_150, 120_004, 130_818, 141_613, 152_408, 163_159, 173_965, 184_696,
            195_445, 206_177, 216_829,
        ];
        let points: Vec<BedHeight> =
            (0..40).map(|at| point((150_000 * (at % 20 + 1), 7, DEFLECTION[at as usize]))).collect();
        let fit = SurfaceFit::new(&points, Degree::Second);
        let certified =
            |x: f64| 1e5 * (0.673_565_789_473_684e-3 + x * (0.732_059_160_401_003e-6 - x * 0.316_081_871_345_029e-14));
        for x in [0.0, 150_000.0, 1_234_567.0, 3_000_000.0] {
            let off = fit.height_um(x, 7.0) - certified(x);
            assert!(off.abs() < 1e-7, "{x}: {off}");
        }
        let squares: f64 = points
            .iter()
            .map(|at| f64::from(at.height_um) - fit.height_um(at.x_um.into(), 7.0))
            .map(|off| off * off)
            .sum();
        assert!((squares / 1e10 - 0.155_761_768_796_992e-5).abs() < 1e-17, "{squares}");
    }

    /// P-18, own: the plane through a dish is level, at a fifteenth of a millimetre.
    #[test]
    fn the_plane_of_a_dish() {
        let dish = |at: i32| {
            let (x, y) = (50 * (at % 3), 50 * (at / 3));
            point((1000 * x, 1000 * y, ((x - 50).pow(2) + (y - 50).pow(2)) / 50))
        };
        let points: Vec<BedHeight> = (0..9).map(dish).collect();
        let plane = SurfaceFit::new(&points, Degree::First);
        assert!((plane.height_um(3.0, 7e4) - 1000.0 / 15.0).abs() < 1e-9);
        assert!((plane.height_um(9e4, -5e4) - 1000.0 / 15.0).abs() < 1e-9);
    }

    /// By definition: a surface of the second degree fits itself, and a row of two tells nothing of its bow.
    #[test]
    fn a_quadratic_surface_fits_itself() {
        let height = |u: i32, v: i32| 300 - 12 * u + 7 * v + 5 * u * u - 3 * u * v + 2 * v * v;
        for columns in 2..6 {
            let points: Vec<BedHeight> = (0..columns * 4)
                .map(|at| (at % columns, at / columns))
                .map(|(u, v)| point((90_000 + 35_000 * u, 20_000 * v - 400, height(u, v))))
                .collect();
            let fit = SurfaceFit::new(&points, Degree::Second);
            for point in &points {
                let found = fit.height_um(point.x_um.into(), point.y_um.into());
                assert!((found - f64::from(point.height_um)).abs() < 1e-7, "{columns}: {found}");
            }
        }
        assert!(SurfaceFit::new(&[], Degree::Second).height_um(5.0, 5.0) == 0.0);
        assert!((SurfaceFit::new(&[point((4, 4, 9))], Degree::Second).height_um(4.0, 4.0) - 9.0).abs() < 1e-9);
    }
}
