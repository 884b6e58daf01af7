//! How often the 95 % band of the desk's surface holds the bed, on modelled beds of several kinds and for several
//! hands.
//!
//! Few beds by default; the table of 24 beds a cell, 2016 in all:
//! `GAPKEEPER_COVERAGE_BEDS=24 cargo test -p gapkeeper-tests --test estimate_coverage -- --nocapture`

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::BedHeight;
use gapkeeper_host_tools::estimate::{Estimate, Hand};
use gapkeeper_host_tools::grid_file::StationReading;
use gapkeeper_sim::bed::ModelledBed;
use gapkeeper_sim::demo;
use gapkeeper_sim::scenario::{
    Bounded, Clamp, Extent, Form, Held, Material, Plate, Positive, Screw, SignedShare, Warmth,
};
use gapkeeper_tests::study_beds::{BEDS, Bed, Numbers, bed, bow, places, waves};

/// Stations stand this much inside the bed, as a share of it.
const INSET: f64 = 0.04;
const MIDDLE: f64 = 0.27;

const KINDS: [&str; 7] =
    [BEDS[0], BEDS[1], BEDS[2], BEDS[3], "bow, waves of 15 um", "elastic plate", "elastic plate and rough"];

fn draw(kind: usize, numbers: &mut Numbers) -> Bed {
    match kind {
        0..4 => bed(kind, numbers),
        4 => {
            let rest = waves(numbers, 15.0, 0.2);
            Box::new(move |x, y| 300.0 * bow(x, y) + rest(x, y))
        }
        _ => elastic(kind == 6, numbers),
    }
}

/// A plate by finite elements: four screws at heights of their own, one to three clamps, warm; wide or deep.
fn elastic(is_rough: bool, numbers: &mut Numbers) -> Bed {
    let mut between = |low: f64, high: f64| low + (high - low) * numbers.uniform();
    let (x_mm, y_mm) = (between(150.0, 330.0), between(150.0, 330.0));
    let mut scenario = demo::scenario().unwrap();
    scenario.bed.x_mm = Extent { from: 0.0, to: x_mm };
    scenario.bed.y_mm = Extent { from: 0.0, to: y_mm };
    let inset = between(0.03, 0.2);
    let at = |share: f64, span: f64| Bounded(span * if share > 0.5 { 1.0 - inset } else { inset });
    scenario.bed.screws = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)]
        .map(|(u, v)| Screw { x_mm: at(u, x_mm), y_mm: at(v, y_mm), height_um: Bounded(between(-150.0, 150.0)) })
        .to_vec();
    let clamps = 1 + between(0.0, 3.0) as usize;
    let glass = between(0.0, 1.0) < 0.5;
    let (thinnest, thickest) = if glass { (3.0, 4.0) } else { (3.0, 6.0) };
    scenario.bed.plate = Some(Plate {
        material: if glass { Material::FloatGlass } else { Material::Aluminium6061 },
        thickness_mm: Positive(between(thinnest, thickest)),
        held: Held::AtScrews,
        cooler_above_share: SignedShare(if glass { between(0.0, 0.03) } else { between(0.0, 0.002) }),
        clamps: (0..clamps)
            .map(|_| Clamp {
                x_mm: Bounded(x_mm * between(0.02, 0.98)),
                y_mm: Bounded(if between(0.0, 1.0) < 0.5 { 0.02 } else { 0.98 } * y_mm),
                force_n: Bounded(between(1.0, 5.0)),
            })
            .collect(),
    });
    scenario.bed.forms = match is_rough {
        true => vec![Form::Random {
            rms_um: Positive(between(5.0, 25.0)),
            shortest_mm: Positive(between(60.0, 150.0)),
            seed: between(0.0, 1e9) as u64,
        }],
        false => Vec::new(),
    };
    let modelled = ModelledBed::new(&scenario, Warmth { bed_c: between(20.0, 70.0), nozzle_c: 20.0 }).unwrap();
    Box::new(move |x, y| modelled.height_um(x * x_mm, y * y_mm))
}

fn stations(count: usize) -> Vec<(f64, f64)> {
    let lattice = |nodes: usize| {
        let at = move |node: usize| INSET + (1.0 - 2.0 * INSET) * node as f64 / (nodes - 1) as f64;
        (0..nodes * nodes).map(move |node| (at(node % nodes), at(node / nodes)))
    };
    match count {
        13 => lattice(3)
            .chain([false, true].into_iter().flat_map(|back| {
                let at = |is_far: bool| if is_far { 1.0 - MIDDLE } else { MIDDLE };
                [false, true].map(|right| (at(right), at(back)))
            }))
            .collect(),
        _ => lattice(5).collect(),
    }
}

/// Share of the bed that the band holds, and half its width in the middle of all places.
fn covered(bed: &Bed, count: usize, hand_um: f64, stated: Hand, numbers: &mut Numbers) -> (f64, f64) {
    let readings: Vec<StationReading> = stations(count)
        .into_iter()
        .map(|(x, y)| StationReading {
            at: BedHeight {
                x_um: (x * 1e6) as i32,
                y_um: (y * 1e6) as i32,
                height_um: (bed(x, y) + hand_um * numbers.normal()).round() as i32,
            },
            spread_um: None,
        })
        .collect();
    let estimate = Estimate::new(&readings, stated).unwrap();
    let mut halves: Vec<f64> = Vec::new();
    let mut held = 0;
    for (x, y) in places() {
        let found = estimate.at(x * 1e6, y * 1e6);
        let half_um = found.half_width_um(found.mean_um);
        held += usize::from((bed(x, y) - found.mean_um).abs() <= half_um);
        halves.push(half_um);
    }
    halves.sort_by(f64::total_cmp);
    (100.0 * held as f64 / halves.len() as f64, halves[halves.len() / 2])
}

/// Beds of a cell from which on each kind must be covered as it should; fewer are compared all together.
const MANY: usize = 12;

#[test]
fn the_band_holds_the_bed_as_often_as_it_says() {
    let beds = std::env::var("GAPKEEPER_COVERAGE_BEDS").map_or(1, |beds| beds.parse::<usize>().unwrap());
    let mut numbers = Numbers(0x2026_1201);
    println!("share of the bed that the 95 % band holds / half its width in um; {beds} beds a cell");
    println!("hand 10, 20, 40 um, each with 13 and 25 readings, each with the hand stated and not");
    let mean = |found: &[(f64, f64)]| {
        let sum = found.iter().fold((0.0, 0.0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
        (sum.0 / found.len() as f64, sum.1 / found.len() as f64)
    };
    let mut all = Vec::new();
    for (kind, name) in KINDS.iter().enumerate() {
        let mut line = format!("{name:<26}");
        let mut of_kind = Vec::new();
        for hand_um in [10.0, 20.0, 40.0] {
            for (count, stated) in [13, 25].into_iter().flat_map(|count| [(count, true), (count, false)]) {
                let hand = if stated { Hand::of(hand_um).unwrap() } else { Hand::default() };
                let one = |_| {
                    let bed = draw(kind, &mut numbers);
                    covered(&bed, count, hand_um, hand, &mut numbers)
                };
                let found: Vec<(f64, f64)> = (0..beds).map(one).collect();
                let (share, half_um) = mean(&found);
                line += &format!("{share:>6.1}/{half_um:<3.0}");
                of_kind.extend(found);
            }
        }
        let (share, _) = mean(&of_kind);
        println!("{line}  {share:.1}");
        assert!(beds < MANY || (92.0..=98.0).contains(&share), "{name}: {share} %");
        all.extend(of_kind);
    }
    let (share, _) = mean(&all);
    println!("{} beds: {share:.1} %", all.len());
    assert!((92.0..=98.0).contains(&share), "{share} %");
}
