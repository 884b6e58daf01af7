//! What the readings of a survey are worth by the surface that is laid through them, with the core's own arithmetic.
//!
//! Few draws by default; the table of 200 draws:
//! `GAPKEEPER_STUDY_DRAWS=200 cargo test --release -p gapkeeper-tests --test survey_study -- --nocapture`

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::f64::consts::PI;

use gapkeeper::{HeightGrid, Lattice, WeightedLayout};

/// The bed is 200 mm square, its stations 8 mm inside.
const BED_UM: f64 = 200_000.0;
const INSET_UM: i32 = 8_000;
/// Places along each axis at which the surface is looked at.
const PLACES: usize = 31;
const TOLERANCE_UM: f64 = 50.0;

/// G. Marsaglia's xorshift of 64 bits with the shifts 13, 7, 17 (Journal of Statistical Software 8(14), 2003).
struct Numbers(u64);

impl Numbers {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// G. E. P. Box and M. E. Muller, 1958.
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (2.0 * PI * self.uniform()).cos()
    }
}

type Bed = Box<dyn Fn(f64, f64) -> f64>;

/// Smooth random shape from waves of up to four half waves along an axis, its range scaled to `range_um`.
fn shape(numbers: &mut Numbers, range_um: f64) -> Bed {
    let mut waves = Vec::new();
    for (i, j) in (0..5).flat_map(|i| (0..5).map(move |j| (i, j))).filter(|(i, j)| (1..6).contains(&(i + j))) {
        let (i, j) = (f64::from(i), f64::from(j));
        waves.push((numbers.normal() / (1.0 + i * i + j * j), PI * i, PI * j));
    }
    let height = move |x: f64, y: f64| waves.iter().map(|(a, i, j)| a * (i * x).cos() * (j * y).cos()).sum::<f64>();
    let heights: Vec<f64> = places().map(|(x, y)| height(x, y)).collect();
    let low = heights.iter().copied().fold(f64::MAX, f64::min);
    let range = heights.iter().copied().fold(f64::MIN, f64::max) - low;
    Box::new(move |x, y| range_um * (height(x, y) - low) / range)
}

/// Random waves of the length and the spread given.
fn waves(numbers: &mut Numbers, spread_um: f64, length: f64) -> Bed {
    let waves: Vec<_> =
        (0..60).map(|_| (numbers.normal() / length, numbers.normal() / length, 2.0 * PI * numbers.uniform())).collect();
    let scale_um = spread_um * (2.0_f64 / 60.0).sqrt();
    Box::new(move |x, y| scale_um * waves.iter().map(|(i, j, phase)| (i * x + j * y + phase).cos()).sum::<f64>())
}

fn bow(x: f64, y: f64) -> f64 {
    1.0 - 2.0 * ((x - 0.5).powi(2) + (y - 0.5).powi(2))
}

const BEDS: [&str; 4] = ["bow and little rough", "rough 0.4 mm", "waves of 40 um", "bow alone"];

fn bed(which: usize, numbers: &mut Numbers) -> Bed {
    match which {
        0 => {
            let (by_um, tilt_x_um, tilt_y_um) =
                (340.0 * (0.5 + 0.7 * numbers.uniform()), 100.0 * numbers.normal(), 100.0 * numbers.normal());
            let rest = shape(numbers, 80.0);
            Box::new(move |x, y| by_um * bow(x, y) + tilt_x_um * (x - 0.5) + tilt_y_um * (y - 0.5) + rest(x, y))
        }
        1 => shape(numbers, 400.0),
        2 => waves(numbers, 40.0, 0.3),
        _ => Box::new(|x, y| 300.0 * bow(x, y)),
    }
}

fn places() -> impl Iterator<Item = (f64, f64)> {
    let place = |at: usize| at as f64 / (PLACES - 1) as f64;
    (0..PLACES).flat_map(move |row| (0..PLACES).map(move |column| (place(column), place(row))))
}

fn lattice(nodes: u8) -> Lattice {
    let pitch_um = (BED_UM as u32 - 2 * INSET_UM as u32) / u32::from(nodes - 1);
    Lattice {
        x0_um: INSET_UM,
        y0_um: INSET_UM,
        pitch_x_um: pitch_um,
        pitch_y_um: pitch_um,
        columns: nodes,
        rows: nodes,
    }
}

/// Share of the bed within the tolerance, in percent.
fn within<const N: usize>(bed: &Bed, grid: &HeightGrid<N>) -> f64 {
    let is_good = |&(x, y): &(f64, f64)| {
        let found_um = f64::from(grid.height_um((x * BED_UM) as i32, (y * BED_UM) as i32));
        (found_um - bed(x, y)).abs() <= TOLERANCE_UM
    };
    100.0 * places().filter(is_good).count() as f64 / (PLACES * PLACES) as f64
}

const WAYS: [&str; 6] =
    ["9 bilinear", "9 refined", "13 by weights", "25 refined", "25 by weights", "16 and 9 by weights"];

/// One survey of a bed in every way, with the same hand.
fn survey(bed: &Bed, hand_um: f64, numbers: &mut Numbers) -> [f64; 6] {
    let mut read_um = |lattice: Lattice, (column, row): (u8, u8)| {
        let (x_um, y_um) = lattice.node_um(column, row);
        (bed(f64::from(x_um) / BED_UM, f64::from(y_um) / BED_UM) + hand_um * numbers.normal()).round() as i16
    };
    let mut through = |nodes: u8| {
        let lattice = lattice(nodes);
        HeightGrid::<225>::from_fn(lattice, |column, row| read_um(lattice, (column, row)).into()).unwrap()
    };
    let (nine, twenty_five) = (through(3), through(5));
    let weighted = |layout: WeightedLayout, readings_um: &[i16]| {
        let grid: HeightGrid<225> = layout.grid(lattice(layout.nodes()), readings_um).unwrap();
        within(bed, &grid.densest::<225>().unwrap())
    };
    let five = weighted(WeightedLayout::Five, twenty_five.nodes_um());
    // The same nine readings, and four middles besides.
    let thirteen: Vec<i16> = (0..25_u8)
        .step_by(2)
        .map(|node| match (node % 5, node / 5) {
            (column, row) if column % 2 == 0 => nine.nodes_um()[usize::from(row / 2 * 3 + column / 2)],
            at => read_um(lattice(5), at),
        })
        .collect();
    let sixteen: Vec<i16> = (0..49_u8).step_by(2).map(|node| read_um(lattice(7), (node % 7, node / 7))).collect();
    [
        within(bed, &nine),
        within(bed, &nine.densest::<225>().unwrap()),
        weighted(WeightedLayout::ThreeWithMiddles, &thirteen),
        within(bed, &twenty_five.densest::<225>().unwrap()),
        five,
        weighted(WeightedLayout::FourWithMiddles, &sixteen),
    ]
}

#[test]
fn thirteen_readings_by_weights_are_worth_more_than_any_surface_through_nine() {
    let draws = std::env::var("GAPKEEPER_STUDY_DRAWS").map_or(20, |draws| draws.parse::<usize>().unwrap());
    let mut numbers = Numbers(0x2026_1130);
    println!("share of the bed within 50 um, %: mean / worst 5 % of {draws} beds");
    println!("{:<12}{:<22}{}", "hand", "bed", WAYS.map(|way| format!("{way:>20}")).concat());
    for hand_um in [10.0, 20.0, 40.0] {
        for (which, name) in BEDS.iter().enumerate() {
            let found: Vec<[f64; 6]> = (0..draws)
                .map(|_| {
                    let bed = bed(which, &mut numbers);
                    survey(&bed, hand_um, &mut numbers)
                })
                .collect();
            let figures = [0, 1, 2, 3, 4, 5].map(|way| {
                let mut shares: Vec<f64> = found.iter().map(|shares| shares[way]).collect();
                shares.sort_by(f64::total_cmp);
                (shares.iter().sum::<f64>() / draws as f64, shares[draws / 20])
            });
            let text = figures.map(|(mean, low)| format!("{:>20}", format!("{mean:.0} / {low:.0}"))).concat();
            println!("{:<12}{name:<22}{text}", format!("{hand_um:.0} um"));
            let [bilinear, refined, thirteen, _, _, _] = figures.map(|(mean, _)| mean);
            // Both are near 100 % for a careful hand over a smooth bed.
            assert!(thirteen > bilinear - 0.5 && thirteen > refined - 0.5, "{hand_um} um, {name}: {figures:?}");
            if hand_um >= 20.0 && which == 1 {
                assert!(thirteen > bilinear.max(refined) + 3.0, "{hand_um} um, {name}: {figures:?}");
            }
        }
    }
}
