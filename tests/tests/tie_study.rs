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
/// A plate that was bent meanwhile, or has dirt under it.
const BENT_UM: f64 = 200.0;
/// Spread of the change of the bow from one setup to the next.
const DRIFT_UM: f64 = 20.0;

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

/// What a tie of five readings makes of a grid; none if it is refused.
fn tie(old: &Grid, bed: &Bed, hand_um: f64, numbers: &mut Numbers) -> Option<Grid> {
    let heights = STATIONS.map(|(column, row)| (column, row, read_um(bed, hand_um, (column, row), numbers)));
    old.tied(heights.into_iter(), true).ok().map(|(tied, _)| tied)
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
    let heads = ["13 readings", "tie", "third tie", "kept as it was", "refused, %", "bent, refused"];
    println!("{:<8}{:<22}{}", "hand", "bed", heads.map(|head| format!("{head:>16}")).concat());
    for (hand_um, which) in [(10.0, 0), (20.0, 0), (20.0, 1), (40.0, 0)] {
        let mut found: [Vec<f64>; 4] = Default::default();
        let (mut refused, mut bent_refused) = (0, 0);
        while found[1].len() < draws {
            let before = bed(which, &mut numbers);
            let old = whole(&before, hand_um, &mut numbers);
            let mut bed = turned(before, &mut numbers);
            let share = |grid: &Grid, bed: &Bed| within(bed, &grid.densest::<225>().unwrap());
            let Some(mut tied) = tie(&old, &bed, hand_um, &mut numbers) else {
                refused += 1;
                continue;
            };
            found[0].push(share(&whole(&bed, hand_um, &mut numbers), &bed));
            found[1].push(share(&tied, &bed));
            found[3].push(share(&old, &bed));
            // Screws turned twice more, and tied each time; who is refused reads again.
            for _ in 0..2 {
                bed = turned(bed, &mut numbers);
                let again = (0..20).find_map(|_| tie(&tied, &bed, hand_um, &mut numbers));
                tied = again.unwrap_or(tied);
            }
            found[2].push(share(&tied, &bed));
            let bent: Bed = Box::new(move |x, y| bed(x, y) + BENT_UM * bow(x, y));
            bent_refused += usize::from(tie(&tied, &bent, hand_um, &mut numbers).is_none());
        }
        let percent = |part: usize, of: usize| 100.0 * part as f64 / of as f64;
        let refused_percent = percent(refused, refused + draws);
        let bent_percent = percent(bent_refused, draws);
        let figures = found.map(figures);
        let text = figures.map(|(mean, low)| format!("{:>16}", format!("{mean:.0} / {low:.0}"))).concat();
        println!(
            "{:<8}{:<22}{text}{refused_percent:>16.1}{bent_percent:>16.1}",
            format!("{hand_um:.0} um"),
            BEDS[which]
        );
        let [(whole, _), (tied, _), (third, _), (kept, _)] = figures;
        assert!(tied > kept + 20.0 && tied <= whole + 3.0 && third <= tied + 3.0, "{hand_um}: {figures:?}");
        // A hand of 20 um is within four points of a whole survey on a plate that bows, and within eight on a rough one.
        let allowed = [6.0, 10.0, 18.0][usize::from(which == 1) + 2 * usize::from(hand_um > 20.0)];
        assert!(whole - tied < allowed, "{hand_um} um: {figures:?}");
        assert!(refused_percent < 20.0 && bent_percent > 80.0, "{hand_um} um: {refused_percent} {bent_percent}");
    }
}
