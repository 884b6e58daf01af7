//! Readings where they are worth most, against readings on lattices: how many until the surface is sure, and what it is
//! then.
//!
//! Few beds and one hand by default; the table of 20 beds a row:
//! `GAPKEEPER_NEXT_BEDS=20 cargo test -p gapkeeper-tests --test estimate_next -- --nocapture`

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::BedHeight;
use gapkeeper_host_tools::estimate::{Area, Estimate, Hand};
use gapkeeper_host_tools::grid_file::StationReading;
use gapkeeper_tests::study_beds::{BEDS, Bed, Numbers, bed, places};

const SIDE_UM: f64 = 200_000.0;
const AREA: Area = [(0.04 * SIDE_UM, 0.04 * SIDE_UM), (0.96 * SIDE_UM, 0.96 * SIDE_UM)];
const TOLERANCE_UM: f64 = 50.0;
const MOST: usize = 49;
/// So many are read before it is computed anew.
const AT_ONCE: usize = 3;

fn read(bed: &Bed, x_um: f64, y_um: f64, hand_um: f64, numbers: &mut Numbers) -> StationReading {
    let height_um = (bed(x_um / SIDE_UM, y_um / SIDE_UM) + hand_um * numbers.normal()).round() as i32;
    // Whole millimetres of 200.
    StationReading {
        at: BedHeight { x_um: x_um.round() as i32, y_um: y_um.round() as i32, height_um },
        spread_um: None,
    }
}

fn lattice(nodes: usize) -> impl Iterator<Item = (f64, f64)> {
    let at = move |node: usize| AREA[0].0 + (AREA[1].0 - AREA[0].0) * node as f64 / (nodes - 1) as f64;
    (0..nodes * nodes).map(move |node| (at(node % nodes), at(node / nodes)))
}

/// All of the area that is looked at, and whether the surface is sure all over it.
fn is_sure(estimate: &Estimate, targets: &[(f64, f64)]) -> bool {
    estimate.next_readings(targets, AREA, TOLERANCE_UM, 0).0 <= TOLERANCE_UM
}

fn within(estimate: &Estimate, bed: &Bed, targets: &[(f64, f64)]) -> f64 {
    let is_good = |&&(x_um, y_um): &&(f64, f64)| {
        (estimate.at(x_um, y_um).mean_um - bed(x_um / SIDE_UM, y_um / SIDE_UM)).abs() <= TOLERANCE_UM
    };
    100.0 * targets.iter().filter(is_good).count() as f64 / targets.len() as f64
}

#[test]
fn readings_where_they_are_worth_most_are_fewer() {
    let beds = std::env::var("GAPKEEPER_NEXT_BEDS").map_or(1, |beds| beds.parse::<usize>().unwrap());
    let mut numbers = Numbers(0x2026_1202);
    let inside = |at: &(f64, f64)| (AREA[0].0..=AREA[1].0).contains(&at.0) && (AREA[0].1..=AREA[1].1).contains(&at.1);
    let targets: Vec<(f64, f64)> =
        places().map(|(x, y)| (x * SIDE_UM, y * SIDE_UM)).filter(inside).step_by(3).collect();
    println!("readings until ±50 um with 95 % everywhere, and share within that; {beds} beds a row");
    println!("{:<12}{:<22}{:>20}{:>20}", "hand", "bed", "next best", "lattices");
    let mut sums = [0.0; 2];
    let hands: &[f64] = if beds > 1 { &[10.0, 20.0] } else { &[20.0] };
    for &hand_um in hands {
        for (which, name) in BEDS.iter().enumerate() {
            let mut figures = [[0.0; 2]; 2];
            for _ in 0..beds {
                let bed = bed(which, &mut numbers);
                let hand = Hand::of(hand_um).unwrap();
                let mut readings: Vec<_> =
                    lattice(3).map(|(x_um, y_um)| read(&bed, x_um, y_um, hand_um, &mut numbers)).collect();
                let next = loop {
                    let estimate = Estimate::new(&readings, hand).unwrap();
                    let (_, next) = estimate.next_readings(&targets, AREA, TOLERANCE_UM, AT_ONCE);
                    if next.is_empty() || readings.len() >= MOST {
                        break (readings.len(), within(&estimate, &bed, &targets));
                    }
                    readings.extend(next.iter().map(|next| read(&bed, next.x_um, next.y_um, hand_um, &mut numbers)));
                };
                // A lattice is read as a whole; the next one is read anew.
                let whole = (3..=7).map(|nodes| {
                    let readings: Vec<_> =
                        lattice(nodes).map(|(x_um, y_um)| read(&bed, x_um, y_um, hand_um, &mut numbers)).collect();
                    (Estimate::new(&readings, hand).unwrap(), readings.len())
                });
                let whole: Vec<_> = whole.collect();
                let (estimate, count) =
                    whole.iter().find(|(estimate, _)| is_sure(estimate, &targets)).or(whole.last()).unwrap();
                for (figure, (count, share)) in
                    figures.iter_mut().zip([next, (*count, within(estimate, &bed, &targets))])
                {
                    figure[0] += count as f64 / beds as f64;
                    figure[1] += share / beds as f64;
                }
            }
            let text = figures.map(|[count, share]| format!("{:>20}", format!("{count:.1} / {share:.1} %"))).concat();
            println!("{:<12}{name:<22}{text}", format!("{hand_um:.0} um"));
            for (sum, figure) in sums.iter_mut().zip(figures) {
                *sum += figure[0];
            }
            assert!(figures[0][1] > 90.0, "{name}: sure, and not within: {figures:?}");
        }
    }
    assert!(sums[0] < sums[1], "{sums:?}");
}
