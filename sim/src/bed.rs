//! The modelled bed: a surface through its screws plus any number of forms, and a plate that bends and grows.

mod forms;
mod gantry;
mod material;
mod measured;
mod plate;
mod table;

use gapkeeper::{GridError, HeightGrid, Lattice};
use gapkeeper_host_tools::grid_file::GridFileError;

use crate::scenario::{Held, Plate, REFERENCE_TEMPERATURE_C, Scenario, Screw, Warmth};
use forms::Shape;
pub use material::Properties;
use plate::Sheet;
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
    /// A screw or a clamp is not where the plate is.
    #[error("bed.{what}: ({x_mm}, {y_mm}) is beside the plate: move it inside bed.x_mm and bed.y_mm")]
    BesidePlate {
        /// Which list.
        what: &'static str,
        /// Its X.
        x_mm: f64,
        /// Its Y.
        y_mm: f64,
    },
    /// The plate bends too far for thin-plate theory.
    #[error(
        "bed.plate: it would bend by {bends_um:.0} µm, more than half its thickness, where thin-plate theory ends: \
         make it thicker, support it better, or load and heat it less"
    )]
    BendsTooFar {
        /// How far it would bend away from the surface through its screws.
        bends_um: f64,
    },
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
    /// The surface of a scenario's bed as the nozzle meets it when both are so warm; measured forms are read from the
    /// scenario's folder.
    ///
    /// A nozzle that hangs lower by its gantry's sag or its own growth meets the bed higher by as much.
    ///
    /// # Errors
    /// [`BedError`] if the screws hold no plate, the plate bends too far, or a measured surface cannot be used.
    pub fn new(scenario: &Scenario, warmth: Warmth) -> Result<Self, BedError> {
        let Scenario { bed, machine, .. } = scenario;
        let middle_mm = [bed.x_mm.middle(), bed.y_mm.middle()];
        let half_mm = [bed.x_mm.length() / 2.0, bed.y_mm.length() / 2.0];
        let mut shapes: Vec<Shape> = bed
            .forms
            .iter()
            .map(|form| Shape::new(form, middle_mm, half_mm, &scenario.folder))
            .collect::<Result<_, _>>()?;
        let level = |height_um| Shape::Warped([height_um, 0.0, 0.0, 0.0]);
        let mut through_screws = surface_through(&bed.screws, middle_mm).ok_or(BedError::Screws)?;
        if let Some(plate) = &bed.plate {
            shapes.push(level(growth_um(plate, warmth)));
            let warmer_below_c = plate.cooler_above_share.0 * (warmth.bed_c - scenario.room.temperature_c.0);
            let sheet = Sheet::of_bed(bed, plate, middle_mm, warmer_below_c)?;
            if plate.held == Held::AtScrews {
                check_bend(plate, sheet.farthest_from(|u, v| warped_um(through_screws, u, v)))?;
                // The plate itself passes through the screws.
                through_screws = [0.0; 4];
            } else {
                check_bend(plate, sheet.farthest_from(|_, _| 0.0))?;
            }
            shapes.push(Shape::Sheet(sheet));
        }
        shapes.extend(machine.gantry.iter().flat_map(|gantry| gantry::shapes(gantry, machine, middle_mm)));
        if let Some(nozzle) = machine.nozzle {
            let warmer_c = warmth.nozzle_c - REFERENCE_TEMPERATURE_C;
            shapes.push(level(nozzle.expansion_um_per_m_c.0 * nozzle.hot_length_mm.0 / 1e3 * warmer_c));
        }
        Ok(Self { through_screws, middle_mm, shapes })
    }

    /// Height of the bed above the machine's zero.
    pub fn height_um(&self, x_mm: f64, y_mm: f64) -> f64 {
        let (u, v) = (x_mm - self.middle_mm[0], y_mm - self.middle_mm[1]);
        warped_um(self.through_screws, u, v) + self.shapes.iter().map(|shape| shape.height_um(u, v)).sum::<f64>()
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

/// How much thicker a plate is when warm: its lower face stays where the screws hold it.
fn growth_um(plate: &Plate, warmth: Warmth) -> f64 {
    let expansion_per_k = plate.material.properties().expansion_ppm_per_k * 1e-6;
    1e3 * plate.thickness_mm.0 * expansion_per_k * (warmth.bed_c - REFERENCE_TEMPERATURE_C)
}

/// Thin-plate theory holds up to half the thickness (*Roark's Formulas for Stress and Strain*, chapter 11).
fn check_bend(plate: &Plate, bends_um: f64) -> Result<(), BedError> {
    // No number: beyond all numbers.
    let bends_um = if bends_um.is_nan() { f64::INFINITY } else { bends_um };
    if bends_um <= 500.0 * plate.thickness_mm.0 { Ok(()) } else { Err(BedError::BendsTooFar { bends_um }) }
}

fn warped_um([c0, c1, c2, c3]: [f64; 4], u: f64, v: f64) -> f64 {
    c0 + c1 * u + c2 * v + c3 * u * v
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
    use crate::scenario::{Bed, Bounded, Extent, Form, Positive};

    fn scenario(screws: &[(f64, f64, f64)], forms: Vec<Form>) -> Scenario {
        let screws =
            screws.iter().map(|&(x, y, h)| Screw { x_mm: Bounded(x), y_mm: Bounded(y), height_um: Bounded(h) });
        let mut scenario = crate::demo::scenario().unwrap();
        scenario.bed = Bed {
            x_mm: Extent { from: 0.0, to: 200.0 },
            y_mm: Extent { from: 0.0, to: 100.0 },
            screw_pitch_mm: Positive(0.7),
            screws: screws.collect(),
            plate: None,
            forms,
        };
        scenario
    }

    fn built(scenario: &Scenario) -> Result<ModelledBed, BedError> {
        ModelledBed::new(scenario, scenario.warmth_printing())
    }

    fn model(screws: &[(f64, f64, f64)], forms: Vec<Form>) -> ModelledBed {
        built(&scenario(screws, forms)).unwrap()
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
        let line = scenario(&[(0.0, 0.0, 0.0), (50.0, 50.0, 0.0), (100.0, 100.0, 0.0)], vec![]);
        assert!(matches!(built(&line), Err(BedError::Screws)));
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
        let from_file = |file| {
            let mut scenario = scenario(&LEVEL, vec![Form::Measured { file }]);
            scenario.folder = folder.path().to_path_buf();
            scenario
        };
        let measured = built(&from_file(file)).unwrap();
        assert!((measured.height_um(80.0, 60.0) - 0.0).abs() < 1e-9);
        assert!((measured.height_um(84.0, 63.0) - (2.0 * 10.5 * 10.5 - 3.0 * 10.5 * 10.5 + 10.5 * 10.5)).abs() < 1e-9);
        assert!((measured.height_um(8.0, 114.0) - (2.0 - 3.0 * 361.0 + 19.0)).abs() < 1e-9);
        let missing = built(&from_file("nowhere.csv".into())).unwrap_err();
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
