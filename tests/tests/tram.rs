//! Tram advice against published values, against NumPy, and over any input.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{BedHeight, BedPlane, Hold, MAX_SCREW_TRAVEL_UM, MAX_SPAN_UM, Screw, ScrewAdvice, TramAdvice};
use gapkeeper_tests::proptest_cases;
use proptest::prelude::*;

/// Coarse pitches of ISO 261 (row T-1).
const M3_UM: u16 = 500;
const M4_UM: u16 = 700;
const M5_UM: u16 = 800;

fn height((x_um, y_um, height_um): (i32, i32, i32)) -> BedHeight {
    BedHeight { x_um, y_um, height_um }
}

fn screw((x_um, y_um): (i32, i32), thread_um_per_turn: u16) -> Screw {
    Screw { x_um, y_um, thread_um_per_turn }
}

/// Three screws around a bed of 200 mm, for tests of the plane alone.
fn any_screws() -> [Screw; 3] {
    [(0, 0), (200_000, 0), (0, 200_000)].map(|place| screw(place, M4_UM))
}

#[test]
fn four_m4_screws_take_out_a_tilt() {
    // Row T-5, z = 0.02 + 0.001·x − 0.002·y in mm, the high side positive; advice to raise has the other sign.
    let readings = [(0, 0), (220_000, 0), (0, 220_000), (220_000, 220_000), (110_000, 110_000)]
        .map(|(x_um, y_um)| height((x_um, y_um, 20 + x_um / 1000 - 2 * y_um / 1000)));
    let screws =
        [(30_000, 30_000), (190_000, 30_000), (30_000, 190_000), (190_000, 190_000)].map(|place| screw(place, M4_UM));
    let advice = TramAdvice::new(readings, &screws, Hold::Screw(0)).unwrap();
    let heights_um = screws.map(|screw| advice.plane().height_um(screw.x_um, screw.y_um));
    assert_eq!(heights_um, [-10, 150, -330, -170]);
    assert_eq!(advice.plane().slope_um_per_m(), (1000, -2000));
    // 0, +0.228571, −0.457143, −0.228571 turns; 360 times that are 82.2857, 164.5714 and 82.2857 degrees.
    let turn = |screw, raise_um, raise_milliturns, raise_decidegrees| ScrewAdvice {
        screw,
        raise_um,
        raise_milliturns,
        raise_decidegrees,
    };
    let expected = [turn(0, 0, 0, 0), turn(1, -160, -229, -823), turn(2, 320, 457, 1646), turn(3, 160, 229, 823)];
    assert_eq!(advice.screws(), expected);
    assert_eq!(advice.residual(), gapkeeper::Residual::default());
    let lines: Vec<_> = advice.screws().iter().map(ToString::to_string).collect();
    assert_eq!(lines, ["1 hold", "2 lower 82 deg", "3 raise 165 deg", "4 raise 82 deg"]);

    // The same bed brought elsewhere: moves follow from the heights above.
    let raises_um = |hold| {
        let advice = TramAdvice::new(readings, &screws, hold).unwrap();
        advice.screws().iter().map(|turn| turn.raise_um).collect::<Vec<_>>()
    };
    assert_eq!(raises_um(Hold::Screw(3)), [-160, -320, 160, 0]);
    assert_eq!(raises_um(Hold::Height { target_um: 400 }), [410, 250, 730, 570]);
    assert_eq!(raises_um(Hold::Highest), [160, 0, 480, 320]);
    assert_eq!(raises_um(Hold::Lowest), [-320, -480, 0, -160]);
}

#[test]
fn turns_of_iso_threads() {
    // Row T-3: 0.05 mm are 36.0000°, 25.7143° and 22.5000°. Row T-4: an eighth of a turn is 0.0625, 0.0875, 0.1 mm.
    let level = [(0, 0, 0), (200_000, 0, 0), (0, 200_000, 0)].map(height);
    let screws = |thread_um| any_screws().map(|screw| Screw { thread_um_per_turn: thread_um, ..screw });
    let turn = |thread_um, target_um| {
        let advice = TramAdvice::new(level, &screws(thread_um), Hold::Height { target_um }).unwrap();
        (advice.screws()[2].raise_milliturns, advice.screws()[2].raise_decidegrees)
    };
    assert_eq!(turn(M3_UM, 50), (100, 360));
    assert_eq!(turn(M4_UM, 50), (71, 257));
    assert_eq!(turn(M5_UM, 50), (63, 225));
    assert_eq!(turn(M5_UM, 100), (125, 450));
    assert_eq!(turn(M5_UM, -100), (-125, -450));
    // 87.5 and 62.5 um come of two heights each.
    assert_eq!(turn(M4_UM, 175), (250, 900));
    assert_eq!(turn(M3_UM, 125), (250, 900));
}

#[test]
fn deviations_of_published_shapes() {
    let figures = |readings: &[(i32, i32, i32)]| {
        let advice = TramAdvice::new(readings.iter().copied().map(height), &any_screws(), Hold::Screw(0)).unwrap();
        (*advice.plane(), advice.residual())
    };
    // Row P-16: a twist of 0.1 mm has the level plane and 0.2 mm from peak to valley.
    let (plane, twist) = figures(&[(0, 0, 100), (100_000, 0, -100), (100_000, 100_000, 100), (0, 100_000, -100)]);
    assert_eq!((plane.height_um(12_345, 67_890), plane.slope_um_per_m()), (0, (0, 0)));
    assert_eq!((twist.lowest_um, twist.highest_um, twist.peak_to_valley_um, twist.rms_um), (-100, 100, 200, 100));

    // Row P-17, heights 100 times as large: a = 24/11 mm, b = c = −1/110, peak to valley 72/11 mm.
    let (plane, bump) = figures(&[(0, 0, 0), (120_000, 0, 0), (0, 120_000, 0), (30_000, 30_000, 6000)]);
    assert_eq!(plane.height_um(0, 0), 2182);
    assert_eq!(plane.slope_um_per_m(), (-9091, -9091));
    assert_eq!(bump.peak_to_valley_um, 6545);

    // Row P-18, and the same dish 75 times as deep: a = 1/15 mm, residuals +1/30 at the corners and −1/15 in the middle,
    // so −1/60 at the edges; peak to valley 0.1; mean square (4/900 + 4/3600 + 1/225)/9 = 1/900.
    let dish = |deeper: i32| -> Vec<_> {
        let height_um = |x_mm: i32, y_mm: i32| ((x_mm - 50).pow(2) + (y_mm - 50).pow(2)) * deeper / 50;
        let places = [0, 50, 100].map(|y_mm| [0, 50, 100].map(|x_mm| (x_mm, y_mm)));
        places.as_flattened().iter().map(|&(x, y)| (x * 1000, y * 1000, height_um(x, y))).collect()
    };
    let (plane, shape) = figures(&dish(1));
    assert_eq!((plane.height_um(0, 0), plane.height_um(77_000, 3000), plane.slope_um_per_m()), (67, 67, (0, 0)));
    assert_eq!((shape.lowest_um, shape.highest_um, shape.peak_to_valley_um, shape.rms_um), (-67, 33, 100, 33));
    let (plane, shape) = figures(&dish(75));
    assert_eq!((plane.height_um(0, 0), shape.lowest_um, shape.highest_um), (5000, -5000, 2500));
    assert_eq!((shape.peak_to_valley_um, shape.rms_um), (7500, 2500));
}

#[test]
fn nist_pontius_as_a_plane() {
    // Row P-10: load cell calibration, y of load x at 20 loads twice; a plane over X = x and Y = x². With k = x/150000:
    // X is 50 mm · k, Y is 2.25 mm · k² (all whole micrometres), and a height is 1e7·y less a plane in whole numbers,
    // (10981·k − 7·k² + 67) · 100, which leaves the certified residuals as they are.
    const Y_E5: [i32; 40] = [
        11019, 21956, 32949, 43899, 54803, 65694, 76562, 87487, 98292, 109146, 120001, 130822, 141599, 152399, 163194,
        173947, 184646, 195392, 206128, 216844, 11052, 22018, 32939, 43886, 54798, 65739, 76596, 87474, 98300, 109150,
        120004, 130818, 141613, 152408, 163159, 173965, 184696, 195445, 206177, 216829,
    ];
    let taken_out = |k: i32| (10_981 * k - 7 * k * k + 67) * 100;
    let place = |k: i32| (50_000 * k, 2250 * k * k);
    let readings = Y_E5.iter().zip((1..=20).cycle()).map(|(&y_e5, k)| {
        let (x_um, y_um) = place(k);
        height((x_um, y_um, y_e5 * 100 - taken_out(k)))
    });
    let screws = [1, 10, 20].map(|k| screw(place(k), M4_UM));
    let advice = TramAdvice::new(readings, &screws, Hold::Screw(0)).unwrap();
    let certified = |x: f64| 0.673565789473684e-3 + 0.732059160401003e-6 * x - 0.316081871345029e-14 * x * x;
    for k in 0..=20 {
        let (x_um, y_um) = place(k);
        let expected_um = 1e7 * certified(150_000.0 * f64::from(k)) - f64::from(taken_out(k));
        let found_um = f64::from(advice.plane().height_um(x_um, y_um));
        assert!((found_um - expected_um).abs() < 0.51, "k = {k}: {found_um} for {expected_um}");
    }
    // Residual sum of squares 0.155761768796992E-05 over 40 readings.
    let rms_um = 1e7 * (0.155761768796992e-5_f64 / 40.0).sqrt();
    assert!((f64::from(advice.residual().rms_um) - rms_um).abs() < 0.51, "{} {rms_um}", advice.residual().rms_um);
}

#[test]
fn montgomery_delivery_times_as_a_plane() {
    // Row P-12: 25 delivery times in minutes by cases and distance in feet; here 10 um, 10 mm and 0.5 mm for each.
    const MINUTES_E2: [i32; 25] = [
        1668, 1150, 1203, 1488, 1375, 1811, 800, 1783, 7924, 2150, 4033, 2100, 1350, 1975, 2400, 2900, 1535, 1900, 950,
        3510, 1790, 5232, 1875, 1983, 1075,
    ];
    const CASES: [i32; 25] = [7, 3, 3, 4, 6, 7, 2, 7, 30, 5, 16, 10, 4, 6, 9, 10, 6, 7, 3, 17, 10, 26, 9, 8, 4];
    const FEET: [i32; 25] = [
        560, 220, 340, 80, 150, 330, 110, 210, 1460, 605, 688, 215, 255, 462, 448, 776, 200, 132, 36, 770, 140, 810,
        450, 635, 150,
    ];
    let readings = (0..25).map(|i| height((CASES[i] * 10_000, FEET[i] * 500, MINUTES_E2[i])));
    let screws = [(20_000, 18_000), (300_000, 730_000), (100_000, 70_000)].map(|place| screw(place, M4_UM));
    let advice = TramAdvice::new(readings, &screws, Hold::Highest).unwrap();
    for (cases, feet) in [(0, 0), (30, 1460), (2, 36), (26, 36), (10, 2000)] {
        let minutes = 2.3412311451922 + 1.61590721060925 * f64::from(cases) + 0.0143848262555481 * f64::from(feet);
        let found_um = advice.plane().height_um(cases * 10_000, feet * 500);
        assert!((f64::from(found_um) - 100.0 * minutes).abs() < 0.51, "{cases} {feet}: {found_um} for {minutes} min");
    }
    // 1.61590721 minutes for 10 mm, 0.01438483 for half a millimetre.
    assert_eq!(advice.plane().slope_um_per_m(), (16_159, 2877));
    let rms_um = 100.0 * (233.731677421_f64 / 25.0).sqrt();
    assert!((f64::from(advice.residual().rms_um) - rms_um).abs() < 0.51, "{}", advice.residual().rms_um);
}

/// Numbers of one field of the table, in groups.
fn groups(field: &str) -> Vec<Vec<f64>> {
    field.split(' ').map(|group| group.split(':').map(|number| number.parse().unwrap()).collect()).collect()
}

#[test]
fn planes_agree_with_numpy() {
    // 200 random beds by numpy.linalg.lstsq: `python3 tests/data/tram_numpy.py`, NumPy 2.4.6.
    let table = include_str!("../data/tram_numpy.csv");
    let (mut cases, mut worst_um) = (0, 0.0_f64);
    for line in table.lines().skip(1) {
        let fields: Vec<_> = line.split(',').map(groups).collect();
        let [readings, screws, mean, slope_x, slope_y, heights, peak_to_valley, rms] = &fields[..] else {
            panic!("{} fields: {line}", fields.len())
        };
        let readings = readings.iter().map(|at| height((at[0] as i32, at[1] as i32, at[2] as i32)));
        let screws: Vec<_> = screws.iter().map(|at| screw((at[0] as i32, at[1] as i32), M4_UM)).collect();
        let held = cases % screws.len();
        let advice = TramAdvice::rigid(readings.clone(), &screws, Hold::Screw(held as u8)).unwrap();
        let mut compare = |what: &str, found_um: i32, expected_um: f64| {
            let error_um = (f64::from(found_um) - expected_um).abs();
            assert!(error_um < 0.51, "case {cases}, {what}: {found_um} um for {expected_um} um");
            worst_um = worst_um.max(error_um);
        };
        for ((screw, turn), expected) in screws.iter().zip(advice.screws()).zip(heights) {
            compare("height", advice.plane().height_um(screw.x_um, screw.y_um), expected[0]);
            compare("raise", turn.raise_um, heights[held][0] - expected[0]);
            let milliturns = 1000.0 * (heights[held][0] - expected[0]) / f64::from(M4_UM);
            compare("turn", turn.raise_milliturns, milliturns);
            compare("angle", turn.raise_decidegrees, 3.6 * milliturns);
        }
        let (x_um, y_um) =
            readings.clone().fold((0, 0), |sums, at| (sums.0 + i64::from(at.x_um), sums.1 + i64::from(at.y_um)));
        let count = readings.count() as i64;
        let off_mean_um = |sum_um: i64| (sum_um.rem_euclid(count)) as f64 / count as f64;
        // The nearest whole micrometres below the mean lie a fraction of a micrometre from it.
        let beside_um = mean[0][0] - slope_x[0][0] * off_mean_um(x_um) - slope_y[0][0] * off_mean_um(y_um);
        let (x_um, y_um) = (x_um.div_euclid(count) as i32, y_um.div_euclid(count) as i32);
        compare("mean", advice.plane().height_um(x_um, y_um), beside_um);
        compare("slope along X", advice.plane().slope_um_per_m().0, 1e6 * slope_x[0][0]);
        compare("slope along Y", advice.plane().slope_um_per_m().1, 1e6 * slope_y[0][0]);
        compare("peak to valley", advice.residual().peak_to_valley_um as i32, peak_to_valley[0][0]);
        compare("RMS", advice.residual().rms_um as i32, rms[0][0]);
        cases += 1;
    }
    println!("{cases} cases, worst {worst_um} um");
    assert_eq!(cases, 200);
}

#[test]
fn planes_with_twist_agree_with_numpy() {
    // 200 random beds by numpy.linalg.lstsq: `python3 tests/data/tram_twist_numpy.py`, NumPy 2.4.6.
    let table = include_str!("../data/tram_twist_numpy.csv");
    let (mut cases, mut worst_um) = (0, 0.0_f64);
    for line in table.lines().skip(1) {
        let fields: Vec<_> = line.split(',').map(groups).collect();
        let [readings, screws, heights, peak_to_valley, rms] = &fields[..] else {
            panic!("{} fields: {line}", fields.len())
        };
        let readings = readings.iter().map(|at| height((at[0] as i32, at[1] as i32, at[2] as i32)));
        let screws: Vec<_> = screws.iter().map(|at| screw((at[0] as i32, at[1] as i32), M4_UM)).collect();
        let hold = Hold::Height { target_um: 0 };
        let advice = TramAdvice::new(readings.clone(), &screws, hold).unwrap();
        assert!(advice.takes_out_twist(), "case {cases}");
        let mut compare = |what: &str, found_um: i32, expected_um: f64, twist_um: f64| {
            let error_um = (f64::from(found_um) - expected_um).abs();
            assert!(error_um < 1.0 + twist_um / 1000.0, "case {cases}, {what}: {found_um} um for {expected_um} um");
            worst_um = worst_um.max(error_um);
        };
        let plane = TramAdvice::rigid(readings, &screws, hold).unwrap();
        let mut most_um: f64 = 0.0;
        for ((turn, expected), plane) in advice.screws().iter().zip(heights).zip(plane.screws()) {
            let twist_um = f64::from(turn.raise_um.abs_diff(plane.raise_um));
            compare("raise", turn.raise_um, -expected[0], twist_um);
            most_um = most_um.max(twist_um);
        }
        compare("peak to valley", advice.residual().peak_to_valley_um as i32, peak_to_valley[0][0], most_um);
        compare("RMS", advice.residual().rms_um as i32, rms[0][0], most_um);
        cases += 1;
    }
    println!("{cases} cases, worst {worst_um} um");
    assert_eq!(cases, 200);
}

/// Four screws at the corners of 160 mm, and what they do to a thin plate: plane and `x·y`, here by the bilinear form
/// through four heights (row K-1).
fn on_four_screws(lifted_um: [i32; 4]) -> (Vec<BedHeight>, [Screw; 4]) {
    let corners = [(30_000, 30_000), (190_000, 30_000), (30_000, 190_000), (190_000, 190_000)];
    let places = (0..9).map(|i| (i64::from(i % 3) * 110_000, i64::from(i / 3) * 110_000));
    let bed = places.map(|(x_um, y_um)| {
        let (u, v) = (x_um - 30_000, y_um - 30_000);
        let [a, b, c, d] = lifted_um.map(i64::from);
        let whole = 160_000;
        let sum = (a * (whole - u) + b * u) * (whole - v) + (c * (whole - u) + d * u) * v;
        height((x_um as i32, y_um as i32, (sum as f64 / (whole * whole) as f64).round() as i32))
    });
    (bed.collect(), corners.map(|place| screw(place, M4_UM)))
}

#[test]
fn four_screws_take_out_a_twist() {
    let (readings, screws) = on_four_screws([100, -100, -100, 100]);
    let advice = TramAdvice::new(readings.iter().copied(), &screws, Hold::Highest).unwrap();
    let raise_um: Vec<_> = advice.screws().iter().map(|turn| turn.raise_um).collect();
    assert_eq!(raise_um, [0, 200, 200, 0], "two screws by 0.286 of a turn");
    assert_eq!(advice.screws()[1].raise_milliturns, 286);
    assert!(advice.residual().peak_to_valley_um <= 1);
    // A thick plate keeps its twist.
    let advice = TramAdvice::rigid(readings, &screws, Hold::Highest).unwrap();
    assert!(advice.screws().iter().all(|turn| turn.raise_um == 0) && !advice.takes_out_twist());
    assert!(advice.residual().peak_to_valley_um > 200);
}

/// After one screw was turned by half a turn, the advice is to turn that one back.
#[test]
fn one_turned_screw_is_turned_back() {
    for turned in 0..4 {
        let mut lifted_um = [0; 4];
        lifted_um[turned] = 350;
        let (readings, screws) = on_four_screws(lifted_um);
        let advice = TramAdvice::new(readings, &screws, Hold::Lowest).unwrap();
        for (index, turn) in advice.screws().iter().enumerate() {
            let expected_um = if index == turned { -350 } else { 0 };
            assert!((turn.raise_um - expected_um).abs() <= 1, "screw {index} of {turned}: {turn:?}");
        }
        assert!(advice.residual().peak_to_valley_um <= 1);
    }
}

/// Screws in a diamond make the saddle that is turned by 45 degrees.
#[test]
fn four_screws_in_a_diamond_take_out_their_twist() {
    let screws = [(110_000, 10_000), (210_000, 110_000), (110_000, 210_000), (10_000, 110_000)];
    let saddle_um = |x_um: i32, y_um: i32| {
        let (x, y) = (f64::from(x_um - 110_000), f64::from(y_um - 110_000));
        (150.0 * (x * x - y * y) / 1e10).round() as i32
    };
    let readings: Vec<_> = (0..25)
        .map(|i| (i % 5 * 55_000, i / 5 * 55_000))
        .map(|(x_um, y_um)| height((x_um, y_um, saddle_um(x_um, y_um))))
        .collect();
    let advice = TramAdvice::new(readings, &screws.map(|place| screw(place, M4_UM)), Hold::Lowest).unwrap();
    let raise_um: Vec<_> = advice.screws().iter().map(|turn| turn.raise_um).collect();
    assert_eq!(raise_um, [0, -300, 0, -300]);
    assert!(advice.residual().peak_to_valley_um <= 1);
}

/// Coordinates that may be anywhere, mostly on a bed.
fn any_um() -> impl Strategy<Value = i32> {
    prop_oneof![6 => -300_000..300_000, 1 => any::<i32>(), 1 => prop::sample::select(vec![i32::MIN, i32::MAX, 0])]
}

fn any_reading() -> impl Strategy<Value = BedHeight> {
    let any_height_um = prop_oneof![8 => -8191..=8191, 1 => any::<i32>()];
    (any_um(), any_um(), any_height_um).prop_map(height)
}

fn any_hold() -> impl Strategy<Value = Hold> {
    prop_oneof![
        (0..9_u8).prop_map(Hold::Screw),
        prop_oneof![-60_000..60_000, any::<i32>()].prop_map(|target_um| Hold::Height { target_um }),
        Just(Hold::Highest),
        Just(Hold::Lowest),
    ]
}

/// Readings on a bed of a size that a controller has, from strips to squares, and screws on it.
fn bed() -> impl Strategy<Value = (Vec<BedHeight>, Vec<Screw>)> {
    (20_000..MAX_SPAN_UM as i32 / 2, 20_000..MAX_SPAN_UM as i32 / 2, any_um(), any_um()).prop_flat_map(
        |(half_x_um, half_y_um, x_um, y_um)| {
            let far_um = MAX_SPAN_UM as i32;
            let centre =
                (x_um.clamp(i32::MIN + far_um, i32::MAX - far_um), y_um.clamp(i32::MIN + far_um, i32::MAX - far_um));
            let place =
                (-half_x_um..=half_x_um, -half_y_um..=half_y_um).prop_map(move |(x, y)| (centre.0 + x, centre.1 + y));
            let reading = (place.clone(), -8191..=8191).prop_map(|((x, y), um)| height((x, y, um)));
            let screw = (place, 100..=10_000_u16).prop_map(|(place, thread_um)| screw(place, thread_um));
            (prop::collection::vec(reading, 3..30), prop::collection::vec(screw, 3..=8))
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { max_global_rejects: 1_000_000, ..ProptestConfig::with_cases(proptest_cases()) })]

    #[test]
    fn no_input_stops_the_advice(
        readings in prop::collection::vec(any_reading(), 0..12),
        places in prop::collection::vec((any_um(), any_um(), prop_oneof![Just(M4_UM), any::<u16>()]), 0..10),
        hold in any_hold(),
    ) {
        let screws: Vec<_> = places.iter().map(|&(x_um, y_um, thread)| screw((x_um, y_um), thread)).collect();
        match TramAdvice::new(readings.iter().copied(), &screws, hold) {
            Ok(advice) => {
                prop_assert_eq!(advice.screws().len(), screws.len());
                for turn in advice.screws() {
                    prop_assert!(turn.raise_um.abs() <= MAX_SCREW_TRAVEL_UM);
                    prop_assert!(turn.to_string().len() <= 20);
                }
            }
            Err(error) => prop_assert!(!error.to_string().is_empty()),
        }
        if let Ok(plane) = BedPlane::fit(readings.iter().copied()) {
            for &(x_um, y_um, _) in &places {
                // Slopes below 9 over three spans at the most.
                prop_assert!(plane.height_um(x_um, y_um).unsigned_abs() < 60 * MAX_SPAN_UM);
            }
        }
    }

    #[test]
    fn nothing_is_left_to_turn_after_the_advice((readings, screws) in bed(), held in 0..3_u8) {
        let advice = TramAdvice::rigid(readings.iter().copied(), &screws, Hold::Screw(held));
        prop_assume!(advice.is_ok());
        let advice = advice.unwrap();
        let held_um = advice.plane().height_um(screws[usize::from(held)].x_um, screws[usize::from(held)].y_um);
        prop_assert_eq!(advice.screws()[usize::from(held)].raise_um, 0);
        let mut after = Vec::new();
        for (screw, turn) in screws.iter().zip(advice.screws()) {
            // Two heights and a difference, each rounded once.
            let height_um = advice.plane().height_um(screw.x_um, screw.y_um) + turn.raise_um;
            prop_assert!((height_um - held_um).abs() <= 1, "{} for {}", height_um, held_um);
            after.push(BedHeight { x_um: screw.x_um, y_um: screw.y_um, height_um: height_um - held_um });
        }
        // A fit never stands farther from level at its own readings than they do, by the root of their number.
        let again = TramAdvice::new(after, &screws, Hold::Height { target_um: 0 }).unwrap();
        for turn in again.screws() {
            prop_assert!(turn.raise_um.abs() <= 3, "{:?}", turn);
        }
    }

    #[test]
    fn holding_another_screw_shifts_all_alike((readings, screws) in bed(), first in 0..3_u8, second in 0..3_u8) {
        let raises_um = |held| {
            let advice = TramAdvice::new(readings.iter().copied(), &screws, Hold::Screw(held)).ok()?;
            Some(advice.screws().iter().map(|turn| turn.raise_um).collect::<Vec<_>>())
        };
        let (one, other) = (raises_um(first), raises_um(second));
        prop_assume!(one.is_some() && other.is_some());
        let (one, other) = (one.unwrap(), other.unwrap());
        let shift_um = other[usize::from(first)];
        for (one_um, other_um) in one.iter().zip(&other) {
            prop_assert!((other_um - one_um - shift_um).abs() <= 1, "{:?} {:?}", one, other);
        }
    }

    #[test]
    fn a_plane_of_three_readings_goes_through_them((readings, _) in bed()) {
        let three = &readings[..3];
        let plane = BedPlane::fit(three.iter().copied());
        prop_assume!(plane.is_ok());
        for reading in three {
            prop_assert_eq!(plane.unwrap().height_um(reading.x_um, reading.y_um), reading.height_um);
        }
    }

    #[test]
    fn a_bed_upside_down_turns_every_sign((readings, screws) in bed()) {
        let turned = readings.iter().map(|reading| BedHeight { height_um: -reading.height_um, ..*reading });
        let advice = TramAdvice::new(readings.iter().copied(), &screws, Hold::Highest);
        prop_assume!(advice.is_ok());
        let turned = TramAdvice::new(turned, &screws, Hold::Lowest).unwrap();
        for (up, down) in advice.unwrap().screws().iter().zip(turned.screws()) {
            prop_assert_eq!(up.raise_um, -down.raise_um);
            prop_assert!(up.raise_um >= 0);
        }
    }
}
