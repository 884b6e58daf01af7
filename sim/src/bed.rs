//! The modelled bed: a surface through its screws plus any number of forms.

mod forms;
mod measured;
mod table;

use gapkeeper::{GridError, HeightGrid, Lattice};
use gapkeeper_host_tools::grid_file::GridFileError;

use crate::scenario::{Bed, Screw};
use forms::Shape;
pub(crate) use table::HeightTable;

/// Coarsest distance between samples along a path.
const LONGEST_SAMPLE_STEP_MM: f64 = 2.0;
/// Finest distance between samples along a path.
const SHORTEST_SAMPLE_STEP_MM: f64 = 0.02;
/// How much may hide between two samples.
const HIDDEN_UM: f64 = 0.25;

/// Why a bed cannot be modelled.
#[derive(Debug, thiserror::Error)]
pub enum BedError {
    /// The screws do not hold a plate.
    #[error("bed.screws: the screws stand in a line, or two in one place: no plate rests on them; move one")]
    Screws,
    /// A measured surface cannot be used.
    #[error(transparent)]
    Measured(#[from] GridFileError),
}

/// A bed's surface as a function of place.
#[derive(Clone, Debug)]
pub struct ModelledBed {
    /// Height at the middle, slope along X and Y, and twist: `c0 + c1·u + c2·v + c3·u·v`, in µm and mm.
    through_screws: [f64; 4],
    middle_mm: [f64; 2],
    shapes: Vec<Shape>,
}

impl ModelledBed {
    /// The surface that a scenario's bed describes; measured forms are read from `folder`.
    ///
    /// # Errors
    /// [`BedError`] if the screws hold no plate or a measured surface cannot be used.
    pub fn new(bed: &Bed, folder: &std::path::Path) -> Result<Self, BedError> {
        let middle_mm = [bed.x_mm.middle(), bed.y_mm.middle()];
        let half_mm = [bed.x_mm.length() / 2.0, bed.y_mm.length() / 2.0];
        let shapes =
            bed.forms.iter().map(|form| Shape::new(form, middle_mm, half_mm, folder)).collect::<Result<_, _>>()?;
        Ok(Self { through_screws: surface_through(&bed.screws, middle_mm).ok_or(BedError::Screws)?, middle_mm, shapes })
    }

    /// Height of the bed above the machine's zero.
    pub fn height_um(&self, x_mm: f64, y_mm: f64) -> f64 {
        let (u, v) = (x_mm - self.middle_mm[0], y_mm - self.middle_mm[1]);
        let [c0, c1, c2, c3] = self.through_screws;
        c0 + c1 * u + c2 * v + c3 * u * v + self.shapes.iter().map(|shape| shape.height_um(u, v)).sum::<f64>()
    }

    /// Distance between samples along a path at which no more than a quarter of a micrometre hides between two.
    ///
    /// Between samples `h` apart a surface of curvature `c` rises by at most `c·h²/8` above its chord (the remainder of
    /// linear interpolation), and the curvatures of all forms are added.
    pub fn sample_step_mm(&self) -> f64 {
        let curvature_um_per_mm2 =
            2.0 * self.through_screws[3].abs() + self.shapes.iter().map(Shape::largest_curvature).sum::<f64>();
        (8.0 * HIDDEN_UM / curvature_um_per_mm2).sqrt().clamp(SHORTEST_SAMPLE_STEP_MM, LONGEST_SAMPLE_STEP_MM)
    }

    /// What faultless readings at the nodes of a lattice give.
    ///
    /// # Errors
    /// [`GridError`] if the lattice is none, or the bed is too high or too low for a grid.
    pub fn read_off<const N: usize>(&self, lattice: Lattice) -> Result<HeightGrid<N>, GridError> {
        HeightGrid::from_fn(lattice, |column, row| {
            let (x_um, y_um) = lattice.node_um(column, row);
            self.height_um(f64::from(x_um) / 1000.0, f64::from(y_um) / 1000.0).round() as i32
        })
    }
}

/// The plane through three screws, or the simplest warped surface (a hyperbolic paraboloid) through four.
fn surface_through(screws: &[Screw], middle_mm: [f64; 2]) -> Option<[f64; 4]> {
    // Coordinates in units of 100 mm, so that the terms are of one size.
    let mut rows: Vec<[f64; 5]> = screws
        .iter()
        .map(|screw| {
            let (u, v) = ((screw.x_mm.0 - middle_mm[0]) / 100.0, (screw.y_mm.0 - middle_mm[1]) / 100.0);
            [1.0, u, v, u * v, screw.height_um.0]
        })
        .collect();
    let unknowns = rows.len().min(4);
    // Gauss elimination with the largest pivot of each column.
    for pivot in 0..unknowns {
        let best = (pivot..unknowns).max_by(|&a, &b| rows[a][pivot].abs().total_cmp(&rows[b][pivot].abs()))?;
        rows.swap(pivot, best);
        let pivot_row = rows[pivot];
        if pivot_row[pivot].abs() < 1e-6 {
            return None;
        }
        for (_, row) in rows.iter_mut().enumerate().filter(|(index, _)| *index != pivot) {
            let factor = row[pivot] / pivot_row[pivot];
            for (value, &above) in row.iter_mut().zip(&pivot_row).skip(pivot) {
                *value -= factor * above;
            }
        }
    }
    let mut coefficients = [0.0; 4];
    for (index, coefficient) in coefficients.iter_mut().enumerate().take(unknowns) {
        *coefficient = rows[index][4] / rows[index][index];
    }
    let [c0, c1, c2, c3] = coefficients;
    Some([c0, c1 / 100.0, c2 / 100.0, c3 / 10_000.0])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::{Bounded, Extent, Form, Positive};

    fn bed(screws: &[(f64, f64, f64)], forms: Vec<Form>) -> Bed {
        let screws =
            screws.iter().map(|&(x, y, h)| Screw { x_mm: Bounded(x), y_mm: Bounded(y), height_um: Bounded(h) });
        Bed {
            x_mm: Extent { from: 0.0, to: 200.0 },
            y_mm: Extent { from: 0.0, to: 100.0 },
            screw_pitch_mm: Positive(0.7),
            screws: screws.collect(),
            forms,
        }
    }

    fn model(screws: &[(f64, f64, f64)], forms: Vec<Form>) -> ModelledBed {
        ModelledBed::new(&bed(screws, forms), std::path::Path::new("")).unwrap()
    }

    const LEVEL: [(f64, f64, f64); 3] = [(0.0, 0.0, 0.0), (200.0, 0.0, 0.0), (0.0, 100.0, 0.0)];

    #[test]
    fn the_surface_passes_through_its_screws() {
        for screws in [
            &[(10.0, 10.0, 30.0), (190.0, 10.0, -20.0), (10.0, 90.0, 0.0)][..],
            &[(10.0, 10.0, 30.0), (190.0, 10.0, -20.0), (10.0, 90.0, 0.0), (190.0, 90.0, 55.0)],
            // Four screws in a diamond, where the twist term alone would not do.
            &[(100.0, 0.0, 30.0), (190.0, 40.0, -20.0), (110.0, 90.0, 0.0), (10.0, 60.0, 55.0)],
        ] {
            let bed = model(screws, vec![]);
            for &(x, y, height) in screws {
                assert!((bed.height_um(x, y) - height).abs() < 1e-6, "{screws:?}");
            }
        }
    }

    #[test]
    fn screws_in_a_line_hold_nothing() {
        let line = bed(&[(0.0, 0.0, 0.0), (50.0, 50.0, 0.0), (100.0, 100.0, 0.0)], vec![]);
        assert!(matches!(ModelledBed::new(&line, std::path::Path::new("")), Err(BedError::Screws)));
    }

    #[test]
    fn forms_have_their_heights_where_they_say() {
        let at = |form: Form, places: &[(f64, f64, f64)]| {
            let bed = model(&LEVEL, vec![form.clone()]);
            for &(x, y, height) in places {
                let found = bed.height_um(x, y);
                assert!((found - height).abs() < 1e-9, "{form:?} at {x}, {y}: {found}");
            }
        };
        at(Form::Bow { height_um: Bounded(300.0) }, &[(100.0, 50.0, 300.0), (0.0, 0.0, 0.0), (200.0, 50.0, 150.0)]);
        at(Form::Twist { height_um: Bounded(80.0) }, &[(200.0, 100.0, 80.0), (0.0, 0.0, 80.0), (200.0, 0.0, -80.0)]);
        let dent =
            Form::Dent { x_mm: Bounded(60.0), y_mm: Bounded(40.0), radius_mm: Positive(20.0), depth_um: Bounded(50.0) };
        at(dent, &[(60.0, 40.0, -50.0), (70.0, 40.0, -25.0), (80.0, 40.0, 0.0), (150.0, 40.0, 0.0)]);
        let ridge = Form::Ridge {
            x_mm: Bounded(100.0),
            y_mm: Bounded(50.0),
            angle_deg: Bounded(90.0),
            half_width_mm: Positive(10.0),
            height_um: Bounded(40.0),
        };
        at(ridge, &[(100.0, 5.0, 40.0), (105.0, 99.0, 20.0), (111.0, 50.0, 0.0)]);
        let ripple = Form::Ripple {
            height_um: Bounded(10.0),
            wavelength_mm: Positive(40.0),
            angle_deg: Bounded(0.0),
            phase_deg: Bounded(0.0),
        };
        at(ripple, &[(100.0, 0.0, 0.0), (110.0, 70.0, 10.0), (130.0, 70.0, -10.0)]);
    }

    /// A dense lattice of a quadratic comes back exactly at its points and, by Keys' interpolant, between them.
    #[test]
    fn a_measured_surface_is_read_from_its_file() {
        let folder = tempfile::tempdir().unwrap();
        let mut text = String::from("x_um,y_um,height_um\r\n");
        for (x, y) in (0..30).flat_map(|x| (0..20).map(move |y| (x, y))) {
            text += &format!("{},{},{}\r\n", x * 8000, y * 6000, 2 * x * x - 3 * y * y + x * y);
        }
        std::fs::write(folder.path().join("plate.csv"), text).unwrap();
        let file = std::path::PathBuf::from("plate.csv");
        let measured = ModelledBed::new(&bed(&LEVEL, vec![Form::Measured { file }]), folder.path()).unwrap();
        assert!((measured.height_um(80.0, 60.0) - 0.0).abs() < 1e-9);
        assert!((measured.height_um(84.0, 63.0) - (2.0 * 10.5 * 10.5 - 3.0 * 10.5 * 10.5 + 10.5 * 10.5)).abs() < 1e-9);
        assert!((measured.height_um(8.0, 114.0) - (2.0 - 3.0 * 361.0 + 19.0)).abs() < 1e-9);
        let nowhere = Form::Measured { file: "nowhere.csv".into() };
        let missing = ModelledBed::new(&bed(&LEVEL, vec![nowhere]), folder.path()).unwrap_err();
        assert!(missing.to_string().contains("nowhere.csv"), "{missing}");
    }

    #[test]
    fn a_random_surface_has_the_roughness_asked_for_and_repeats() {
        let surface =
            |seed| model(&LEVEL, vec![Form::Random { rms_um: Positive(20.0), shortest_mm: Positive(15.0), seed }]);
        let mut mean_square = 0.0;
        for seed in 0..40 {
            let bed = surface(seed);
            let places = (0..20).flat_map(|x| (0..10).map(move |y| (f64::from(x) * 10.0, f64::from(y) * 10.0)));
            mean_square += places.map(|(x, y)| bed.height_um(x, y).powi(2)).sum::<f64>() / 200.0 / 40.0;
        }
        assert!((mean_square.sqrt() - 20.0).abs() < 2.0, "{}", mean_square.sqrt());
        assert_eq!(surface(3).height_um(12.0, 34.0), surface(3).height_um(12.0, 34.0));
        assert_ne!(surface(3).height_um(12.0, 34.0), surface(4).height_um(12.0, 34.0));
    }

    /// The promise of `sample_step_mm`, on every form at once, along lines in several directions.
    #[test]
    fn nothing_hides_between_samples() {
        let forms = vec![
            Form::Bow { height_um: Bounded(300.0) },
            Form::Ridge {
                x_mm: Bounded(60.0),
                y_mm: Bounded(50.0),
                angle_deg: Bounded(70.0),
                half_width_mm: Positive(8.0),
                height_um: Bounded(60.0),
            },
            Form::Dent {
                x_mm: Bounded(120.0),
                y_mm: Bounded(40.0),
                radius_mm: Positive(10.0),
                depth_um: Bounded(80.0),
            },
            Form::Random { rms_um: Positive(10.0), shortest_mm: Positive(20.0), seed: 1 },
        ];
        let bed = model(&[(0.0, 0.0, 0.0), (200.0, 0.0, 90.0), (0.0, 100.0, 0.0), (200.0, 100.0, -90.0)], forms);
        let step_mm = bed.sample_step_mm();
        let mut worst_um = 0.0_f64;
        for (index, direction) in [0.0, 0.3, 0.9, 1.4, 2.2].into_iter().enumerate() {
            let (dy, dx) = f64::sin_cos(direction);
            let (x0, y0) = (if dx < 0.0 { 190.0 } else { 10.0 }, 5.0 + 9.0 * index as f64);
            for sample in 0..(95.0 / step_mm) as u32 {
                let along = f64::from(sample) * step_mm;
                let height = |along: f64| bed.height_um(x0 + along * dx, y0 + along * dy);
                let chord_um = (height(along) + height(along + step_mm)) / 2.0;
                worst_um = worst_um.max((height(along + step_mm / 2.0) - chord_um).abs());
            }
        }
        assert!(worst_um <= HIDDEN_UM, "{worst_um} um hide between samples {step_mm} mm apart");
        assert!(step_mm > 0.1, "needlessly fine: {step_mm} mm");
    }
}
