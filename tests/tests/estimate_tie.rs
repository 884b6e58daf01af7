//! What older surveys are worth after screws were turned: the share of modelled beds within 50 µm, how often the band
//! holds the bed, and how many ties are refused.
//!
//! Screws move by up to 0.25 mm, and the shape drifts by 20 µm. Few beds by default; the table of 200 beds a cell:
//! `GAPKEEPER_TIE_BEDS=200 cargo test --release -p gapkeeper-tests --test estimate_tie -- --nocapture`

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::BedHeight;
use gapkeeper_host_tools::estimate::{Estimate, Hand, TieCheck, USUAL_DRIFT_UM};
use gapkeeper_host_tools::grid_file::{OlderSurveys, StationReading};
use gapkeeper_tests::study_beds::{BEDS, Bed, Numbers, PLACES, bed, places, waves};

/// Stations stand this much inside the bed, as a share of it.
const INSET: f64 = 0.04;
const MIDDLE: f64 = 0.27;
const WITHIN_UM: f64 = 50.0;
const SCREWS_UM: f64 = 250.0;
const DRIFT_UM: f64 = 20.0;

const CELLS: [(f64, usize); 4] = [(10.0, 0), (20.0, 0), (40.0, 0), (20.0, 1)];
const WAYS: [&str; 4] = ["13 new alone", "tie with 5", "tie with 9", "13 new and 13 old"];

fn stations(way: usize) -> Vec<(f64, f64)> {
    let along = [INSET, 0.5, 1.0 - INSET];
    let nine = along.iter().flat_map(|&y| along.map(|x| (x, y)));
    let middles = [(MIDDLE, MIDDLE), (1.0 - MIDDLE, MIDDLE), (MIDDLE, 1.0 - MIDDLE), (1.0 - MIDDLE, 1.0 - MIDDLE)];
    match way {
        // Every other one of nine: the corners and the middle.
        1 => nine.step_by(2).collect(),
        2 => nine.collect(),
        _ => nine.chain(middles).collect(),
    }
}

fn read(bed: &Bed, way: usize, hand_um: f64, numbers: &mut Numbers) -> Vec<StationReading> {
    let reading = |(x, y): (f64, f64)| StationReading {
        at: BedHeight {
            x_um: (x * 1e6) as i32,
            y_um: (y * 1e6) as i32,
            height_um: (bed(x, y) + hand_um * numbers.normal()).round() as i32,
        },
        spread_um: None,
    };
    stations(way).into_iter().map(reading).collect()
}

/// Shares of a bed in per cent.
#[derive(Clone, Copy)]
struct Shares {
    within: f64,
    /// In the 95 % band.
    held: f64,
    is_refused: bool,
}

/// A bed that was surveyed, whose screws were turned, and that is measured anew in each way.
fn shares(kind: usize, hand_um: f64, numbers: &mut Numbers) -> [Shares; 4] {
    let before = bed(kind, numbers);
    let old = read(&before, 0, hand_um, numbers);
    let corners = [0; 4].map(|_| SCREWS_UM * (2.0 * numbers.uniform() - 1.0));
    let drift = waves(numbers, DRIFT_UM, 0.5);
    let now: Bed = Box::new(move |x, y| {
        let [a, b, c, d] = corners;
        let screws = (1.0 - y) * ((1.0 - x) * a + x * b) + y * ((1.0 - x) * c + x * d);
        before(x, y) + screws + drift(x, y)
    });
    let hand = Hand::of(hand_um).unwrap();
    [0, 1, 2, 3].map(|way| {
        let new = read(&now, way, hand_um, numbers);
        let readings = if way == 0 { Vec::new() } else { vec![old.clone()] };
        let older = OlderSurveys { drift_um: USUAL_DRIFT_UM, readings, ..OlderSurveys::default() };
        let estimate = Estimate::with_older(&new, &older, hand).unwrap();
        let (mut within, mut held, mut count) = (0.0, 0.0, 0.0);
        for (x, y) in every_other_place() {
            let found = estimate.at(x * 1e6, y * 1e6);
            let off_um = (now(x, y) - found.mean_um).abs();
            within += f64::from(u8::from(off_um <= WITHIN_UM));
            held += f64::from(u8::from(off_um <= found.half_width_um(found.mean_um)));
            count += 1.0;
        }
        let is_refused = way == 1 && {
            let shape = Estimate::new(&old, hand).unwrap();
            !TieCheck::new(&new, |x_um, y_um| shape.at(x_um, y_um).mean_um).unwrap().holds()
        };
        Shares { within: 100.0 * within / count, held: 100.0 * held / count, is_refused }
    })
}

/// Of those all over the bed, every other one along each axis.
fn every_other_place() -> impl Iterator<Item = (f64, f64)> {
    places()
        .enumerate()
        .filter(|(at, _)| (at / PLACES).is_multiple_of(2) && (at % PLACES).is_multiple_of(2))
        .map(|(_, place)| place)
}

fn mean(shares: &[Shares], of: fn(&Shares) -> f64) -> f64 {
    shares.iter().map(of).sum::<f64>() / shares.len() as f64
}

/// Beds of a cell from which on each cell must be covered as it should; fewer are compared all together.
const MANY: usize = 100;

#[test]
fn older_surveys_are_worth_what_the_study_found() {
    let beds = std::env::var("GAPKEEPER_TIE_BEDS").map_or(4, |beds| beds.parse::<usize>().unwrap());
    let mut numbers = Numbers(0x2026_1201);
    println!("share within 50 um, mean / worst 5 % of beds; share that the 95 % band holds; {beds} beds a cell");
    let mut all: [Vec<Shares>; 4] = Default::default();
    for (hand_um, kind) in CELLS {
        let mut found: [Vec<Shares>; 4] = Default::default();
        for _ in 0..beds {
            for (found, shares) in found.iter_mut().zip(shares(kind, hand_um, &mut numbers)) {
                found.push(shares);
            }
        }
        let mut line = format!("{hand_um} um, {:<20}", BEDS[kind]);
        for (way, shares) in WAYS.iter().zip(&found) {
            let mut within: Vec<f64> = shares.iter().map(|shares| shares.within).collect();
            within.sort_by(f64::total_cmp);
            let held = mean(shares, |shares| shares.held);
            line +=
                &format!(" | {way}: {:.0} / {:.0}, {held:.1}", mean(shares, |shares| shares.within), within[beds / 20]);
            assert!(beds < MANY || (91.0..=99.0).contains(&held), "{hand_um} {}: {way} {held} %", BEDS[kind]);
        }
        let refused = found[1].iter().filter(|shares| shares.is_refused).count();
        println!("{line} | {refused} of {beds} ties refused");
        all.iter_mut().zip(found).for_each(|(all, found)| all.extend(found));
    }
    let held = all.each_ref().map(|shares| mean(shares, |shares| shares.held));
    let within = all.each_ref().map(|shares| mean(shares, |shares| shares.within));
    println!("all: within {within:.1?} %, held {held:.1?} %");
    assert!(held.iter().all(|held| (85.0..=99.5).contains(held)), "{held:?}");
    // A tie costs little, and old readings are worth something.
    assert!(within[1] > within[0] - 12.0 && within[3] > within[0] - 0.5 && within[2] > within[1] - 2.0, "{within:?}");
}
