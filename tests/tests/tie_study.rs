//! What a tie is worth after screws were turned, beside a whole survey and the grid kept as it was, with the core's own
//! arithmetic.
//!
//! Few draws by default; the table of 200 draws:
//! `GAPKEEPER_STUDY_DRAWS=200 cargo test --release -p gapkeeper-tests --test tie_study -- --nocapture`

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{HeightGrid, WeightedLayout};
use gapkeeper_tests::study_beds::{BED_UM, BEDS, Bed, Numbers, bed, bow, lattice, within};

type Grid = HeightGrid<225>;

/// Nodes of the stations at the corners, and in the middle.
const STATIONS: [(u8, u8); 5] = [(0, 0), (4, 0), (4, 4), (0, 4), (2, 2)];
/// How far a corner is moved by its screw, up or down.
const MOVED_UM: f64 = 250.0;
/// Spread of the change of the bow from one setup to the next.
const DRIFT_UM: f64 = 20.0;
/// Shares of what the middle is off that were tried as a bow, in percent.
const SHARES: [i32; 2] = [0, 50];

fn height_um(bed: &Bed, (column, row): (u8, u8)) -> f64 {
    let (x_um, y_um) = lattice(5).node_um(column, row);
    bed(f64::from(x_um) / BED_UM, f64::from(y_um) / BED_UM)
}

fn read_um(bed: &Bed, hand_um: f64, at: (u8, u8), numbers: &mut Numbers) -> i16 {
    (height_um(bed, at) + hand_um * numbers.normal()).round() as i16
}

/// Thirteen readings, by weights.
fn whole(bed: &Bed, hand_um: f64, numbers: &mut Numbers) -> Grid {
    let readings_um: Vec<i16> =
        (0..25_u8).step_by(2).map(|node| read_um(bed, hand_um, (node % 5, node / 5), numbers)).collect();
    WeightedLayout::ThreeWithMiddles.grid(lattice(5), &readings_um).unwrap()
}

/// The same plate on screws that were turned: a plane and a twist, and a bow that has drifted.
fn turned(bed: Bed, numbers: &mut Numbers) -> Bed {
    let mut corner = || MOVED_UM * (2.0 * numbers.uniform() - 1.0);
    let [a, b, c, d] = [corner(), corner(), corner(), corner()];
    let drift_um = DRIFT_UM * numbers.normal();
    Box::new(move |x, y| {
        let screws_um = (1.0 - y) * (a + (b - a) * x) + y * (c + (d - c) * x);
        bed(x, y) + screws_um + drift_um * bow(x, y)
    })
}

/// What a tie of five readings makes of a grid, with a share of the middle's own rise given back as a bow.
fn tie(old: &Grid, bed: &Bed, hand_um: f64, numbers: &mut Numbers) -> Option<[Grid; 2]> {
    let readings = STATIONS.map(|(column, row)| (column, row, read_um(bed, hand_um, (column, row), numbers)));
    let rise_um = |(column, row, height_um): (u8, u8, i16)| {
        i32::from(height_um) - i32::from(old.nodes_um()[usize::from(row) * 5 + usize::from(column)])
    };
    let [corners @ .., middle] = readings.map(rise_um);
    let off_um = f64::from(middle) - f64::from(corners.iter().sum::<i32>()) / 4.0;
    let (tied, residual_um) = old.tied(readings.into_iter(), true).ok()?;
    assert!((off_um.abs() - f64::from(residual_um)).abs() <= 1.5);
    Some(SHARES.map(|percent| {
        let share_um = off_um * f64::from(percent) / 100.0;
        Grid::from_fn(lattice(5), |column, row| {
            let (u, v) = (f64::from(column) / 4.0, f64::from(row) / 4.0);
            let tied_um = f64::from(tied.nodes_um()[usize::from(row) * 5 + usize::from(column)]);
            // The least squares have given back a fifth already.
            (tied_um + share_um * (bow(u, v) - 0.2)).round() as i32
        })
        .unwrap()
    }))
}

/// Mean, and the worst of the best 95 %.
fn figures(mut shares: Vec<f64>) -> (f64, f64) {
    shares.sort_by(f64::total_cmp);
    (shares.iter().sum::<f64>() / shares.len() as f64, shares[shares.len() / 20])
}

#[test]
fn a_tie_is_worth_nearly_a_whole_survey() {
    let draws = std::env::var("GAPKEEPER_STUDY_DRAWS").map_or(20, |draws| draws.parse::<usize>().unwrap());
    let mut numbers = Numbers(0x2026_1201);
    println!("share of the bed within 50 um, %: mean / worst 5 % of {draws} beds whose screws were turned");
    let heads = ["13 new", "tie with 5", "half a bow", "third tie", "third, half bows", "kept as it was", "refused, %"];
    println!("{:<8}{:<22}{}", "hand", "bed", heads.map(|head| format!("{head:>16}")).concat());
    for (hand_um, which) in [(10.0, 0), (20.0, 0), (20.0, 1), (40.0, 0)] {
        let mut found: [Vec<f64>; 6] = Default::default();
        let (mut ties, mut refused) = (0, 0);
        while ties < draws {
            let before = bed(which, &mut numbers);
            let old = whole(&before, hand_um, &mut numbers);
            let bed = turned(before, &mut numbers);
            let share = |grid: &Grid| within(&bed, &grid.densest::<225>().unwrap());
            let Some(tied) = tie(&old, &bed, hand_um, &mut numbers) else {
                refused += 1;
                continue;
            };
            ties += 1;
            found[0].push(share(&whole(&bed, hand_um, &mut numbers)));
            for (shares, grid) in found[1..3].iter_mut().zip(&tied) {
                shares.push(share(grid));
            }
            found[5].push(share(&old));
            // Screws turned twice more, and tied each time.
            let mut bed = bed;
            let mut grids = tied;
            for _ in 0..2 {
                bed = turned(bed, &mut numbers);
                for (share, grid) in grids.iter_mut().enumerate() {
                    if let Some(next) = tie(grid, &bed, hand_um, &mut numbers) {
                        *grid = next[share].clone();
                    }
                }
            }
            for (shares, grid) in found[3..5].iter_mut().zip(&grids) {
                shares.push(within(&bed, &grid.densest::<225>().unwrap()));
            }
        }
        let refused_percent = 100.0 * f64::from(refused) / (f64::from(refused) + ties as f64);
        let figures = found.map(figures);
        let text = figures.map(|(mean, low)| format!("{:>16}", format!("{mean:.0} / {low:.0}"))).concat();
        println!("{:<8}{:<22}{text}{refused_percent:>16.1}", format!("{hand_um:.0} um"), BEDS[which]);
    }
}
