//! A plate that bends and grows, from its scenario to the gap that a job sees.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::path::PathBuf;

use gapkeeper_sim::bed::{BedError, ModelledBed};
use gapkeeper_sim::outcome::{Outcome, Run};
use gapkeeper_sim::replay::{Settings, replay};
use gapkeeper_sim::scenario::{
    Bounded, Celsius, Clamp, Extent, Gantry, Held, Material, NotNegative, Nozzle, Plate, Positive, Scenario,
    SignedShare, Warmth,
};
use gapkeeper_sim::{demo, summary};

const GLASS: &str = include_str!("../demo/glass.toml");

fn glass() -> Scenario {
    Scenario::parse(GLASS, "glass.toml", PathBuf::new()).unwrap()
}

/// The glass scenario with nothing but its plate: no clamps, level screws, an ideal gantry and nozzle.
fn plain(side_mm: f64, plate: Plate, screws_at_mm: f64) -> Scenario {
    let mut scenario = glass();
    let side = Extent { from: 0.0, to: side_mm };
    (scenario.machine.gantry, scenario.machine.nozzle) = (None, None);
    (scenario.bed.x_mm, scenario.bed.y_mm) = (side, side);
    for (index, screw) in scenario.bed.screws.iter_mut().enumerate() {
        let end = |upper: bool| Bounded(if upper { side_mm - screws_at_mm } else { screws_at_mm });
        (screw.x_mm, screw.y_mm, screw.height_um) = (end(index % 2 == 1), end(index / 2 == 1), Bounded(0.0));
    }
    scenario.bed.plate = Some(plate);
    scenario
}

fn plate(material: Material, thickness_mm: f64, cooler_above_share: f64) -> Plate {
    Plate {
        material,
        thickness_mm: Positive(thickness_mm),
        held: Held::AtScrews,
        cooler_above_share: SignedShare(cooler_above_share),
        clamps: Vec::new(),
    }
}

fn at(scenario: &Scenario, bed_c: f64) -> ModelledBed {
    ModelledBed::new(scenario, Warmth { bed_c, nozzle_c: 20.0 }).unwrap()
}

fn close(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() < within, "{found} instead of {wanted}");
}

/// Row M-10: own weight of squares on four corner points. Centre, and once mid-edge.
#[test]
fn plates_sag_by_their_own_weight() {
    for (material, side_mm, thickness_mm, centre_um) in [
        (Material::FloatGlass, 220.0, 3.0, 27.2508),
        (Material::FloatGlass, 220.0, 4.0, 15.3286),
        (Material::FloatGlass, 300.0, 3.0, 94.2267),
        (Material::BorosilicateGlass, 220.0, 3.0, 27.0086),
        (Material::Aluminium6061, 220.0, 3.0, 27.2403),
        (Material::Aluminium6061, 300.0, 3.0, 94.1904),
        (Material::Aluminium5083, 300.0, 4.0, 50.6533),
    ] {
        let bed = at(&plain(side_mm, plate(material, thickness_mm, 0.0), 0.0), 20.0);
        close(-bed.height_um(side_mm / 2.0, side_mm / 2.0), centre_um, 2e-3 * centre_um);
    }
    let bed = at(&plain(220.0, plate(Material::FloatGlass, 3.0, 0.0), 0.0), 20.0);
    close(-bed.height_um(0.0, 110.0), 18.1395, 0.03);
}

/// M-9: `αΔT·L²/(8h)` between mid-edge and centre for 1 K through the plate; H-25: 3.776 and 8.496 µm of growth.
#[test]
fn plates_bow_and_grow_with_their_temperature() {
    for (material, rise_um) in [
        (Material::Aluminium6061, 47.5933),
        (Material::FloatGlass, 18.15),
        (Material::BorosilicateGlass, 6.655),
        (Material::SpringSteel, 23.1917),
    ] {
        // A hundredth of 100 K.
        let scenario = plain(220.0, plate(material, 3.0, 0.01), 0.0);
        let (cold, hot) = (at(&scenario, 20.0), at(&scenario, 120.0));
        let bow = |x: f64, y: f64| hot.height_um(x, y) - cold.height_um(x, y);
        close(bow(110.0, 0.0) - bow(110.0, 110.0), rise_um, 1e-3);
        close(bow(0.0, 0.0) - bow(110.0, 110.0), 2.0 * rise_um, 1e-3);
    }
    let scenario = plain(200.0, plate(Material::Aluminium6061, 4.0, 0.0), 10.0);
    let grown = |bed_c| at(&scenario, bed_c).height_um(70.0, 40.0) - at(&scenario, 20.0).height_um(70.0, 40.0);
    close(grown(60.0), 3.776, 1e-6);
    close(grown(110.0), 8.496, 1e-6);
}

/// H-22: 20 mm of brass grow by 84 µm from 20 to 220 °C, and the bed comes nearer by as much.
#[test]
fn the_nozzle_and_its_gantry_bring_the_bed_nearer() {
    let mut scenario = demo::scenario().unwrap();
    let ideal = at(&scenario, 60.0);
    scenario.machine.nozzle = Some(Nozzle { hot_length_mm: Positive(20.0), expansion_um_per_m_c: NotNegative(21.0) });
    let hot = ModelledBed::new(&scenario, Warmth { bed_c: 60.0, nozzle_c: 220.0 }).unwrap();
    close(hot.height_um(33.0, 150.0) - ideal.height_um(33.0, 150.0), 84.0, 1e-9);

    scenario.machine.nozzle = None;
    scenario.machine.gantry = Some(Gantry {
        ends_x_mm: Extent { from: -35.0, to: 265.0 },
        own_sag_um: NotNegative(10.0),
        carriage_sag_um: NotNegative(30.0),
        twist_um: Bounded(50.0),
    });
    let hung = at(&scenario, 60.0);
    let nearer = |x: f64, y: f64| hung.height_um(x, y) - ideal.height_um(x, y);
    close(nearer(115.0, 100.0), 40.0, 1e-9);
    close(nearer(230.0, 200.0) - nearer(230.0, 100.0), -50.0, 1e-9);
    close(nearer(0.0, 200.0) - nearer(0.0, 100.0), 50.0, 1e-9);
}

fn outcome(scenario: &Scenario) -> Outcome {
    let settings = Settings::new(scenario);
    replay(demo::JOB_NAME, demo::job(), &settings).unwrap()
}

/// The same plate, the same grid read at 20 °C: good as long as the plate is cold, wrong once it is hot, and wrong by
/// what the closed form says. Measured hot, it is good again.
#[test]
fn a_grid_measured_cold_is_wrong_when_hot() {
    let printed_at = |bed_c: f64| {
        let mut scenario = glass();
        scenario.printing.bed_temperature_c = Some(Celsius(bed_c));
        outcome(&scenario)
    };
    let first_layer = |outcome: &Outcome| outcome.runs[Run::Refined as usize].first_layer;
    let (cold, warm, hot) = (printed_at(20.0), printed_at(60.0), printed_at(100.0));
    let shares = [&cold, &warm, &hot].map(|outcome| first_layer(outcome).good());
    assert!(shares[0] == 1.0 && shares[1] > 0.99 && shares[2] < 0.75, "{shares:?}");

    // αΔT/h of curvature sinks the middle below the circle through the screws, 100 and 85 mm away; the growth of the
    // plate lifts it. What the nozzle is told stays.
    for (outcome, warmer_c) in [(&warm, 40.0), (&hot, 80.0)] {
        let curvature_um_per_mm2 = 9e-6 * 0.03 * warmer_c / 3.0 * 1e3;
        let sinks_um = curvature_um_per_mm2 / 2.0 * (100.0 * 100.0 + 85.0 * 85.0) - 9e-6 * 3e3 * warmer_c;
        let middle = |outcome: &Outcome| {
            let field = outcome.surfaces.gap_error(Run::Refined);
            field.values_um[field.rows / 2 * field.columns + field.columns / 2]
        };
        close(middle(outcome) - middle(&cold), sinks_um, 1e-6);
    }

    let said = summary::text(&outcome(&glass()));
    assert!(
        include_str!("../../README.md").contains(said.lines().next().unwrap()),
        "the README says otherwise: {said}"
    );

    let mut measured_hot = glass();
    measured_hot.measuring.bed_temperature_c = 100;
    let figures = first_layer(&outcome(&measured_hot));
    assert!(figures.good() == 1.0 && figures.errors.unwrap().rms_um < 5.0, "{figures:?}");
}

/// What each key is refused for, and where the message points.
#[test]
fn wrong_plates_are_shown_with_their_line() {
    let message = |from: &str, to: &str| {
        assert!(GLASS.contains(from), "{from}");
        Scenario::parse(&GLASS.replacen(from, to, 1), "glass.toml", PathBuf::new()).unwrap_err().to_string()
    };
    let wood = message("\"float_glass\"", "\"wood\"");
    assert!(wood.contains("wood") && wood.contains("| material = \"wood\"") && wood.contains("^^^^"), "{wood}");
    let thick = message("thickness_mm = 3", "thickness_mm = 60");
    assert!(thick.contains("bed.plate.thickness_mm: at most a quarter of the shorter side"), "{thick}");
    assert!(message("share = 0.03", "share = 3").contains("3 must be -1 to 1"));
    assert!(message("force_n", "force_kg").contains("unknown field `force_kg`"));
    assert!(message("bed_temperature_c = 100", "bed_temperature_c = 1000").contains("1000 °C: use -40 to 500"));
    assert!(message("[-45, 275]", "[10, 275]").contains("machine.gantry.ends_x_mm"));
}

#[test]
fn plates_beyond_the_theory_are_refused() {
    let build = |scenario: &Scenario| ModelledBed::new(scenario, scenario.warmth_printing()).unwrap_err();
    let soft = plain(220.0, plate(Material::SpringSteel, 0.5, 0.0), 0.0);
    let error = build(&soft);
    assert!(matches!(error, BedError::BendsTooFar { .. }) && error.to_string().contains("make it thicker"), "{error}");
    let mut beside = glass();
    beside.bed.screws[1].x_mm = Bounded(231.0);
    let error = build(&beside);
    assert!(error.to_string().starts_with("bed.screws: (231, 15) is beside the plate"), "{error}");
}

/// Whatever a scenario may say, a bed has finite heights or is refused.
#[test]
fn no_plate_has_heights_that_are_no_numbers() {
    let mut built = 0;
    for thickness_mm in [1e-300, 1e-3, 0.5, 3.0, 1e4] {
        for side_mm in [1e-9, 0.3, 50.0, 2000.0] {
            for (held, force_n) in [(Held::AtScrews, 1e5), (Held::AtScrews, 0.0), (Held::AlongEdges, -1e5)] {
                for share in [-1.0, 0.0, 1.0] {
                    let stiff = Plate { held, ..plate(Material::SpringSteel, thickness_mm, share) };
                    let mut scenario = plain(side_mm, stiff, side_mm / 7.0);
                    scenario.bed.y_mm.to = 60.0_f64.min(side_mm * 1e3);
                    let middle = (side_mm / 2.0, scenario.bed.y_mm.to / 3.0);
                    let clamp = Clamp { x_mm: Bounded(middle.0), y_mm: Bounded(middle.1), force_n: Bounded(force_n) };
                    scenario.bed.screws.iter_mut().for_each(|screw| screw.y_mm.0 *= 60.0_f64.min(side_mm) / side_mm);
                    scenario.bed.plate.as_mut().unwrap().clamps.push(clamp);
                    if let Ok(bed) = ModelledBed::new(&scenario, Warmth { bed_c: 500.0, nozzle_c: 500.0 }) {
                        let height_um = bed.height_um(middle.0, middle.1);
                        assert!(height_um.is_finite() && bed.sample_step_mm().is_finite(), "{height_um}: {scenario:?}");
                        built += 1;
                    }
                }
            }
        }
    }
    assert!(built > 20, "{built}");
}
