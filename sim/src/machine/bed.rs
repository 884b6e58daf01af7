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
use plate::Sheet;
pub(crate) use table::HeightTable;

/// Coarsest distance between samples along a path.
const LONGEST_SAMPLE_STEP_MM: f64 = 2.0;
/// Finest distance between samples along a path.
const SHORTEST_SAMPLE_STEP_MM: f64 = 0.02;
/// Screws nearer to each other, or to a line, hold nothing.
const NEAREST_MM: f64 = 1.0;
/// Screws that are off their best plane by no more stand in it.
const FLAT_UM: f64 = 1e-6;
/// How much may hide between two samples.
const HIDDEN_UM: f64 = 0.25;

/// Why a bed cannot be modelled.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
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
    /// The best plane through the screws: height at the middle, slope along X and Y, in µm and mm.
    plane: [f64; 3],
    middle_mm: [f64; 2],
    /// What the forms of the scenario add.
    forms: Vec<Shape>,
    /// What everything else adds: screws that stand in no plane, plate, gantry, nozzle.
    shapes: Vec<Shape>,
}

impl ModelledBed {
    /// The surface of a scenario's bed as the nozzle meets it when both are so warm; measured forms are read from the
    /// scenario's folder.
    ///
    /// An ideal bed passes through its screws with the least bending energy of a free plate. A nozzle that hangs lower by
    /// its gantry's sag or its own growth meets the bed higher by as much.
    ///
    /// # Errors
    /// [`BedError`] if the screws hold no plate, the plate bends too far, or a measured surface cannot be used.
    pub fn new(scenario: &Scenario, warmth: Warmth) -> Result<Self, BedError> {
        let Scenario { bed, machine, .. } = scenario;
        let middle_mm = [bed.x_mm.middle(), bed.y_mm.middle()];
        let level = |height_um| Shape::Warped([height_um, 0.0, 0.0, 0.0]);
        let mut shapes = Vec::new();
        if bed.raised_um.0 != 0.0 {
            shapes.push(level(bed.raised_um.0));
        }
        let (mut plane, off_plane_um) = plane_through(&bed.screws, middle_mm).ok_or(BedError::Screws)?;
        let is_elastic = bed.plate.as_ref().is_some_and(|plate| plate.held == Held::AtScrews);
        // The plate itself passes through the screws if it is elastic.
        let bent = off_plane_um.iter().any(|um| um.abs() > FLAT_UM) && !is_elastic;
        let ideal =
            if bent { Some(Sheet::ideal(bed, middle_mm, &off_plane_um).ok_or(BedError::Screws)?) } else { None };
        if let Some(plate) = &bed.plate {
            shapes.push(level(growth_um(plate, warmth)));
            let warmer_below_c = plate.cooler_above_share.0 * (warmth.bed_c - scenario.room.temperature_c.0);
            let sheet = Sheet::of_bed(bed, plate, middle_mm, warmer_below_c)?;
            let frame_um = |u: f64, v: f64| ideal.as_ref().map_or(0.0, |ideal| ideal.height_um(u, v));
            check_bend(plate, sheet.farthest_from_a_plane(frame_um))?;
            if is_elastic {
                plane = [0.0; 3];
            }
            shapes.push(Shape::Sheet(sheet));
        }
        shapes.extend(ideal.map(Shape::Sheet));
        shapes.extend(machine.gantry.iter().flat_map(|gantry| Shape::of_gantry(gantry, machine, middle_mm)));
        if let Some(nozzle) = machine.nozzle {
            let warmer_c = warmth.nozzle_c - REFERENCE_TEMPERATURE_C;
            shapes.push(level(nozzle.expansion_um_per_m_c.0 * nozzle.hot_length_mm.0 / 1e3 * warmer_c));
        }
        Self { plane, middle_mm, forms: Vec::new(), shapes }.with_forms_of(scenario)
    }

    /// The same bed with the forms of another scenario, which differs from its own in nothing else.
    ///
    /// # Errors
    /// [`BedError::Measured`] if a measured surface cannot be used.
    pub(crate) fn with_forms_of(&self, scenario: &Scenario) -> Result<Self, BedError> {
        let half_mm = [scenario.bed.x_mm.length() / 2.0, scenario.bed.y_mm.length() / 2.0];
        let shape = |form| Shape::new(form, self.middle_mm, half_mm, &scenario.folder);
        let forms = scenario.bed.forms.iter().map(shape).collect::<Result<_, _>>()?;
        Ok(Self { forms, ..self.clone() })
    }

    fn all_shapes(&self) -> impl Iterator<Item = &Shape> {
        self.forms.iter().chain(&self.shapes)
    }

    /// Height of the bed above the machine's zero.
    pub fn height_um(&self, x_mm: f64, y_mm: f64) -> f64 {
        let (u, v) = (x_mm - self.middle_mm[0], y_mm - self.middle_mm[1]);
        let [c0, c1, c2] = self.plane;
        c0 + c1 * u + c2 * v + self.all_shapes().map(|shape| shape.height_um(u, v)).sum::<f64>()
    }

    /// Distance between samples along a path at which no more than a quarter of a micrometre hides between two.
    ///
    /// Between samples `h` apart a surface of curvature `c` rises by at most `c·h²/8` above its chord (the remainder of
    /// linear interpolation), and the curvatures of all forms are added.
    pub fn sample_step_mm(&self) -> f64 {
        // An empty sum would be a negative zero.
        let curvature_um_per_mm2 = self.all_shapes().map(Shape::largest_curvature).fold(0.0, |sum, more| sum + more);
        (8.0 * HIDDEN_UM / curvature_um_per_mm2).sqrt().clamp(SHORTEST_SAMPLE_STEP_MM, LONGEST_SAMPLE_STEP_MM)
    }

    /// What faultless readings at the nodes of a lattice give.
    ///
    /// # Errors
    /// [`GridError`] if the lattice is not valid, or the bed is too high or too low for a grid.
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

/// The best plane through screws (least squares), and how far each is off it; none if they stand in a line, or two in
/// one place.
fn plane_through(screws: &[Screw], middle_mm: [f64; 2]) -> Option<([f64; 3], Vec<f64>)> {
    let places: Vec<[f64; 3]> = screws
        .iter()
        .map(|screw| [screw.x_mm.0 - middle_mm[0], screw.y_mm.0 - middle_mm[1], screw.height_um.0])
        .collect();
    let apart_mm = |one: &[f64; 3], other: &[f64; 3]| (one[0] - other[0]).hypot(one[1] - other[1]);
    let all = places.as_slice();
    let pairs =
        move || all.iter().enumerate().flat_map(move |(index, one)| all[..index].iter().map(move |two| (one, two)));
    if pairs().any(|(one, other)| apart_mm(one, other) < NEAREST_MM) {
        return None;
    }
    // The farthest pair, and the screw farthest from the line through it.
    let (one, other) = pairs().max_by(|a, b| apart_mm(a.0, a.1).total_cmp(&apart_mm(b.0, b.1)))?;
    let aside_mm = |place: &[f64; 3]| {
        ((other[0] - one[0]) * (place[1] - one[1]) - (other[1] - one[1]) * (place[0] - one[0])).abs()
            / apart_mm(one, other)
    };
    if !places.iter().any(|place| aside_mm(place) >= NEAREST_MM) {
        return None;
    }
    let plane = best_plane(places.iter().copied())?;
    let off_plane_um = places.iter().map(|[u, v, um]| um - plane[0] - plane[1] * u - plane[2] * v).collect();
    Some((plane, off_plane_um))
}

/// The plane of least squares through places and heights: normal equations about their mean.
fn best_plane(places: impl Iterator<Item = [f64; 3]> + Clone) -> Option<[f64; 3]> {
    let count = places.clone().count() as f64;
    let mean = [0, 1, 2].map(|axis| places.clone().map(|place| place[axis]).sum::<f64>() / count);
    let sum = |a: usize, b: usize| places.clone().map(|place| (place[a] - mean[a]) * (place[b] - mean[b])).sum::<f64>();
    let (uu, uv, vv, uw, vw) = (sum(0, 0), sum(0, 1), sum(1, 1), sum(0, 2), sum(1, 2));
    let determinant = uu * vv - uv * uv;
    let (slope_u, slope_v) = ((uw * vv - vw * uv) / determinant, (vw * uu - uw * uv) / determinant);
    let found = [mean[2] - slope_u * mean[0] - slope_v * mean[1], slope_u, slope_v];
    found.iter().all(|value| value.is_finite()).then_some(found)
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
            raised_um: Bounded(0.0),
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

    /// A level bed without forms is as straight as any.
    #[test]
    fn a_straight_bed_is_sampled_too() {
        assert_eq!(model(&LEVEL, vec![]).sample_step_mm(), LONGEST_SAMPLE_STEP_MM);
    }

    #[test]
    fn screws_in_a_line_hold_nothing() {
        for screws in [
            &[(0.0, 0.0, 0.0), (50.0, 50.0, 0.0), (100.0, 100.0, 0.0)][..],
            &[(10.0, 10.0, 0.0), (10.4, 10.0, 5.0), (100.0, 10.0, 0.0), (50.0, 90.0, 0.0)],
        ] {
            assert!(matches!(built(&scenario(screws, vec![])), Err(BedError::Screws)), "{screws:?}");
        }
    }

    /// Row FE-2 (scikit-fem, Argyris elements): screws in a diamond below 3 mm of aluminium, the
    /// last raised by 50 µm, give the plate's corners +37.4, −8.6, +46.1 and −17.3 µm, own weight included. That weight is
    /// the same at opposite corners, so half of their difference is the weightless plate's too.
    #[test]
    fn screws_in_a_diamond_or_in_the_middle_hold_a_plate() {
        let diamond = |aside_mm: f64, plate: Option<Plate>| {
            let mut scenario = scenario(
                &[
                    (115.0, 10.0, 0.0),
                    (220.0, 90.0 + aside_mm, 0.0),
                    (115.0 + aside_mm, 190.0, 0.0),
                    (10.0, 110.0, 50.0),
                ],
                vec![],
            );
            (scenario.bed.x_mm.to, scenario.bed.y_mm.to) = (230.0, 200.0);
            scenario.bed.plate = plate;
            ModelledBed::new(&scenario, Warmth { bed_c: 20.0, nozzle_c: 20.0 }).unwrap()
        };
        let corners = |bed: &ModelledBed| {
            [(0.0, 0.0), (230.0, 0.0), (0.0, 200.0), (230.0, 200.0)].map(|(x, y)| bed.height_um(x, y))
        };
        let aluminium = Plate {
            material: crate::scenario::Material::Aluminium6061,
            thickness_mm: Positive(3.0),
            held: Held::AtScrews,
            cooler_above_share: Default::default(),
            clamps: Vec::new(),
        };
        let elastic = corners(&diamond(0.0, Some(aluminium)));
        for (found, wanted) in elastic.into_iter().zip([37.4, -8.6, 46.1, -17.3]) {
            assert!((found - wanted).abs() < 0.1, "{elastic:?}");
        }
        let bed = diamond(0.0, None);
        let ideal = corners(&bed);
        for (one, opposite, wanted) in [(0, 3, 27.35), (2, 1, 27.35)] {
            assert!(((ideal[one] - ideal[opposite]) / 2.0 - wanted).abs() < 0.1, "{ideal:?}");
        }
        // A little aside, or with one more in the middle, it is nearly the same bed.
        let moved = diamond(5.0, None);
        assert!((moved.height_um(0.0, 0.0) - bed.height_um(0.0, 0.0)).abs() < 10.0);
        let middle =
            [(10.0, 10.0, 30.0), (190.0, 10.0, -20.0), (10.0, 90.0, 0.0), (190.0, 90.0, 55.0), (100.0, 50.0, 90.0)];
        let bed = model(&middle, vec![]);
        for (x, y, height) in middle {
            assert!((bed.height_um(x, y) - height).abs() < 1e-6);
        }
        assert!(bed.height_um(0.0, 0.0).abs() < 200.0 && bed.height_um(200.0, 100.0).abs() < 200.0);
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
