//! What the readings of a survey are worth by the surface that is laid through them, with the core's own arithmetic.
//!
//! Few draws by default; the table of 200 draws:
//! `GAPKEEPER_STUDY_DRAWS=200 cargo test --release -p gapkeeper-tests --test survey_study -- --nocapture`

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{HeightGrid, Lattice, WeightedLayout};
use gapkeeper_tests::study_beds::{BED_UM, BEDS, Bed, Numbers, bed, lattice, within};

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
