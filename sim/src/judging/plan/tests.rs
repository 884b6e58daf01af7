use std::io::Cursor;

use super::*;
use crate::demo;
use crate::replay::{Settings, replay};
use crate::scenario::{Bounded, Extent, Form, Positive};
use crate::setup::Setup;
use crate::survey::survey;

/// A level bed at rest, measured from edge to edge, and no fade.
fn level() -> Scenario {
    let mut scenario = demo::scenario().unwrap();
    scenario.bed.forms.clear();
    scenario.bed.screws.iter_mut().for_each(|screw| screw.height_um = Bounded(0.0));
    scenario.bed.x_mm = Extent { from: 0.0, to: 200.0 };
    scenario.bed.y_mm = Extent { from: 0.0, to: 200.0 };
    scenario.survey.x_mm = scenario.bed.x_mm;
    scenario.survey.y_mm = scenario.bed.y_mm;
    scenario.measuring.settle_um = Bounded(0.0);
    // At a station the correction is the reading.
    scenario.measuring.middles = false;
    scenario.correction.fade = None;
    scenario.machine.steps_per_mm.z = Positive(1000.0);
    scenario
}

fn settings(stations: &[u8], feels_um: &[f64], draws: u32) -> PlanSettings {
    PlanSettings {
        feels_um: feels_um.iter().copied().map(NotNegative).collect(),
        stations: stations.iter().copied().map(Count).collect(),
        draws,
        ..PlanSettings::default()
    }
}

fn figures(plan: &Plan, stations: u8, refined: bool) -> &Figures {
    let row = plan.rows.iter().find(|row| row.stations == stations && row.refined == refined).unwrap();
    row.figures.as_ref().unwrap_or_else(|| panic!("{row:?}"))
}

/// A dot at the station in the middle of 3 × 3.
const DOT: &str = "G0 X99.99 Y100 Z0.2 F1200\nG1 X100.01\n";

/// On a level bed at a whole detent, a hand of 20 µm reads ±20 µm or less with a knob of 10 µm if it feels less than
/// 25 µm off: Φ(1.25) = 0.8944 and Φ(2.25) = 0.9878 (tables of the normal distribution, such as Abramowitz & Stegun
/// 26.1, from memory). At a station the correction is the reading. 4.0 % feel more than 35 µm off upwards and 10.6 %
/// more than 25 µm, so that the upper end of 90 % is 30 µm.
#[test]
fn at_a_station_the_share_within_is_the_normal_distributions() {
    let scenario = level();
    let draws = 2000;
    for (tolerance_um, expected) in [(22.0, 2.0 * 0.8944 - 1.0), (42.0, 2.0 * 0.9878 - 1.0)] {
        let settings = PlanSettings { tolerance_um, ..settings(&[3], &[20.0], draws) };
        let plan = plan(&scenario, "dot", Cursor::new(DOT), &settings).unwrap();
        let found = figures(&plan, 3, false);
        // Three standard deviations of a share of 2000, and of their mean.
        let margin = 3.0 * f64::sqrt(expected * (1.0 - expected) / f64::from(draws));
        assert!((found.good.mean - expected).abs() < margin, "{} {expected}", found.good.mean);
        let margin_um = 3.0 * 20.3 / f64::from(draws).sqrt();
        assert!(found.mean_um.mean.abs() < margin_um, "{}", found.mean_um.mean);
        assert_eq!((found.mean_um.low, found.mean_um.high), (-30.0, 30.0));
    }
}

/// With independent errors σ at the nodes, the variance at a place is σ²·Σw² (law of propagation of uncertainty, JCGM
/// 100:2008, 5.1.2); over a cell (1−t)² + t² has the mean 2/3 along each axis, so the mean square is 4/9·σ² (own).
#[test]
fn over_a_cell_the_mean_square_is_four_ninths() {
    let mut scenario = level();
    scenario.measuring.bias_um = Bounded(7.0);
    let job: String = (0..100)
        .map(|line| {
            let y_mm = 0.5 + f64::from(line);
            format!("G0 X0 Y{y_mm} Z0.2\nG1 X100 F1200\n")
        })
        .collect();
    let heights = FirstLayerHeights::default();
    let footprint = Footprint::of("cell", Cursor::new(&job), &scenario, heights, 4.0).unwrap();
    let ways = [(NotNegative(20.0), Count(3))];
    let beds = [(); 2].map(|()| ModelledBed::new(&scenario, scenario.warmth_printing()).unwrap());
    let draws = 2400;
    let (mut square, mut mean) = (0.0, 0.0);
    for number in 0..draws {
        let settings = PlanSettings { seed: u64::from(1 + number % 4), ..settings(&[3], &[20.0], 1) };
        let (_, mut found) = draw(&scenario, &footprint, &beds, &ways, &settings, number / 4).unwrap();
        let [bilinear, _] = found.remove(0);
        let bilinear = bilinear.unwrap();
        square += (bilinear.errors.rms_um.powi(2) - 7.0_f64.powi(2) - 2.0 * 7.0 * (bilinear.errors.mean_um - 7.0))
            / f64::from(draws);
        mean += bilinear.errors.mean_um / f64::from(draws);
    }
    let variance = 20.0_f64.powi(2) + 10.0_f64.powi(2) / 12.0;
    assert!((square / variance - 4.0 / 9.0).abs() < 0.02, "{}", square / variance);
    // The bias goes straight through; its mean over a cell of four nodes has the deviation σ/2/√n. The first 600 draws
    // of seed 1 alone lie 3.4 of them off; 18,000 draws of seeds 1 to 30 gave 6.97 ± 0.08.
    assert!((mean - 7.0).abs() < 3.0 * variance.sqrt() / 2.0 / f64::from(draws).sqrt(), "{mean}");
}

/// Rows I-4 and I-5: a dish of sag `s` along each axis, sampled on n × n, is off by
/// `2·s/(n−1)²` in the middle of a cell; every quadratic is refined exactly.
#[test]
fn a_bow_leaves_what_the_remainder_of_linear_interpolation_says() {
    let mut scenario = level();
    scenario.measuring.detent_um = 1;
    scenario.bed.forms.push(Form::Bow { height_um: Bounded(200.0) });
    let job: String = (1..200).map(|y| format!("G0 X1 Y{y} Z0.2\nG1 X199 F1200\n")).collect();
    let plan = plan(&scenario, "all", Cursor::new(job), &settings(&[3, 4, 5, 9], &[0.0], 1)).unwrap();
    for stations in [3, 4, 5, 9] {
        let expected_um = 2.0 * 100.0 / f64::from(stations - 1).powi(2);
        let found_um = figures(&plan, stations, false).worst_um.mean;
        // Pieces are within 2 um of the correction.
        assert!((found_um - expected_um).abs() < 3.5, "{stations}: {found_um} {expected_um}");
        if stations < 9 {
            let found_um = figures(&plan, stations, true).worst_um.mean;
            assert!(found_um < 6.0, "{stations}: {found_um}");
        }
    }
}

/// Soaking, every visit, and the way: twice the lift and the lattice's serpentine at 50 mm/s, and a wait for the
/// thermometer.
#[test]
fn minutes_are_soaking_visits_and_ways() {
    let scenario = level();
    let plan = plan(&scenario, "dot", Cursor::new(DOT), &settings(&[3, 5], &[0.0], 2)).unwrap();
    for (stations, visits) in [(3_u8, 9.0 + 1.0), (5, 25.0 + 1.0)] {
        let least_s = 600.0 + visits * 30.0;
        let way_s = visits * (200.0 + 2.0 * 10.0) / 50.0 + 30.0;
        let found_s = figures(&plan, stations, false).minutes.mean * 60.0;
        assert!((least_s..least_s + way_s).contains(&found_s), "{stations}: {found_s} {least_s}");
    }
}

#[test]
fn the_same_seed_gives_the_same_table_on_any_number_of_cores() {
    let scenario = demo::scenario().unwrap();
    let table = |cores, seed| {
        let settings = PlanSettings { cores: NonZeroUsize::new(cores), seed, ..settings(&[3, 4], &[20.0], 9) };
        plan(&scenario, "cross", Cursor::new(CROSS), &settings).unwrap().json()
    };
    let first = table(1, 5);
    assert_eq!(first, table(2, 5));
    assert_eq!(first, table(3, 5));
    assert_ne!(first, table(1, 6));
}

const CROSS: &str = "G0 X20 Y20 Z0.2\nG1 X200 Y180 F1200\nG0 X200 Y20\nG1 X20 Y180\n";

/// What the plan says of a draw is what the survey of its seed and a replay with the grid say, to every digit printed; also
/// where the switch stood in the way and the screws were raised.
#[test]
fn a_draw_is_the_survey_of_its_seed_and_the_replay_of_its_grid() {
    for (switch_mm, corner_limit_um) in [(-0.45, None), (0.1, None), (-0.45, Some(25))] {
        let mut scenario = demo::scenario().unwrap();
        scenario.measuring.corner_limit_um = corner_limit_um;
        scenario.machine.limit_switch_trips_at_mm = Bounded(switch_mm);
        scenario.correction.shift_um = 15;
        let settings = PlanSettings { seed: 4, same_bed: true, tolerance_um: 25.0, ..settings(&[3], &[20.0], 1) };
        let plan = plan(&scenario, "cross", Cursor::new(CROSS), &settings).unwrap();
        let measured = survey(&scenario, scenario.stations(), 4).unwrap();
        assert_eq!(measured.raised_um() > 0.0, switch_mm > 0.0);
        assert_eq!(measured.screws_raised_um().is_empty(), corner_limit_um.is_none());
        let setup = Setup::surveyed(&scenario, &measured);
        let settings = Settings { tolerance_um: 25.0, ..setup.settings() };
        let outcome = replay("cross", Cursor::new(CROSS), &settings).unwrap();
        for (run, planned) in [(1, figures(&plan, 3, false)), (2, figures(&plan, 3, true))] {
            let replayed = &outcome.runs[run].first_layer;
            let errors = replayed.errors.unwrap();
            // Heights of the raised bed are looked up as single floats.
            assert!((planned.rms_um.mean - errors.rms_um).abs() < 1e-3, "{planned:?} {replayed:?}");
            assert!((planned.mean_um.mean - errors.mean_um).abs() < 1e-3);
            assert!((planned.good.mean - replayed.good()).abs() < 1e-9, "{} {}", planned.good.mean, replayed.good());
            assert!((planned.worst_um.mean - errors.largest_um()).abs() < 1e-3);
            assert_eq!(planned.minutes.mean, measured.seconds / 60.0);
        }
    }
}

/// The scenario's own hand is a row of its own, and the advice is for it; from 58 draws there is none.
#[test]
fn the_own_hand_is_advised_and_few_draws_are_not_enough() {
    let mut scenario = demo::scenario().unwrap();
    scenario.measuring.feel_um = NotNegative(30.0);
    let of = |draws| plan(&scenario, "cross", Cursor::new(CROSS), &settings(&[3], &[10.0, 40.0], draws)).unwrap();
    let (few, enough) = (of(58), of(59));
    let hands: Vec<f64> = few.rows.iter().map(|row| row.feel_um).collect();
    assert_eq!(hands, [10.0, 10.0, 30.0, 30.0, 40.0, 40.0]);
    assert!(few.advice.starts_with("No advice from 58 draws: it takes 59"), "{}", few.advice);
    assert!(enough.advice.contains("your hand of 30 um"), "{}", enough.advice);
    let row = enough.rows[2].figures.as_ref().unwrap();
    assert!(row.good_at_least.is_some_and(|share| share <= row.good.low), "{row:?}");
}

/// NumPy 2.4: `numpy.percentile([15, 20, 35, 40, 50], [0, 5, 40, 100])` gives 15, 16, 29, 50.
#[test]
fn quantiles_are_numpys() {
    let sorted = [15.0, 20.0, 35.0, 40.0, 50.0];
    for (share, expected) in [(0.0, 15.0), (0.05, 16.0), (0.4, 29.0), (1.0, 50.0)] {
        assert!((quantile(&sorted, share) - expected).abs() < 1e-9, "{share}");
    }
    assert!(quantile(&[], 0.5).is_nan());
}

#[test]
fn memory_is_what_the_core_takes() {
    assert_eq!(memory_bytes(9), size_of::<Correction<9>>());
    assert_eq!(memory_bytes(169), size_of::<Correction<169>>());
    assert_eq!(memory_bytes(225), size_of::<Correction<225>>());
    assert_eq!(memory_bytes(256), size_of::<Correction<256>>());
    assert_eq!(memory_bytes(4), size_of::<Correction<4>>());
}

#[test]
fn what_cannot_be_measured_is_a_row_that_says_why() {
    let mut scenario = level();
    scenario.survey.x_mm = Extent { from: 20.0, to: 20.5 };
    let plan = plan(&scenario, "dot", Cursor::new(DOT), &settings(&[3, 9], &[20.0], 3)).unwrap();
    let row = plan.rows.last().unwrap();
    assert!(
        row.figures.is_none() && row.refused.as_ref().is_some_and(|(count, why)| *count == 3 && why.contains("pitch"))
    );
    assert!(plan.text().contains("refused 3 times"), "{}", plan.text());
    assert!(
        crate::picture::plan_svg(&plan, "Measure 3 x 3").ends_with("</svg>\n")
            && crate::picture::plan_svg(&plan, "").contains("What a survey is worth")
    );
}

#[test]
fn the_advice_is_the_tables() {
    let mut scenario = level();
    let run = |scenario: &Scenario, job: &str| {
        plan(scenario, "job", Cursor::new(job), &settings(&[3, 4, 5], &[10.0, 40.0], 60)).unwrap()
    };
    assert!(run(&scenario, CROSS).advice.starts_with("Leave it as it is"));
    scenario.bed.forms.push(Form::Bow { height_um: Bounded(350.0) });
    scenario.measuring.feel_um = NotNegative(12.0);
    let bowed = run(&scenario, CROSS);
    assert!(bowed.advice.starts_with("Measure 3 x 3 stations ("), "{}", bowed.advice);
    assert!(bowed.text().starts_with(&format!("{}\n", bowed.advice)));
    scenario.measuring.feel_um = NotNegative(60.0);
    assert!(run(&scenario, CROSS).advice.starts_with("Measure with more care"), "{}", run(&scenario, CROSS).advice);
    let ripple = Form::Ripple {
        height_um: Bounded(150.0),
        wavelength_mm: Positive(17.0),
        angle_deg: Bounded(0.0),
        phase_deg: Bounded(0.0),
    };
    scenario.bed.forms = vec![ripple];
    assert!(run(&scenario, CROSS).advice.starts_with("No way of measuring"), "{}", run(&scenario, CROSS).advice);
}
