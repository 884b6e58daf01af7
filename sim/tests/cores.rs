//! A replay gives the same figures on any number of cores, to the last digit, and takes moves of any length.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::io::Cursor;
use std::num::NonZeroUsize;

use gapkeeper_sim::outcome::Outcome;
use gapkeeper_sim::replay::{Settings, replay, replay_watched};
use gapkeeper_sim::scenario::Scenario;
use gapkeeper_sim::{demo, summary};

fn settings(scenario: &Scenario, cores: usize) -> Settings<'_> {
    let cores = NonZeroUsize::new(cores);
    Settings { cores, ..Settings::new(scenario) }
}

fn figures(outcome: &Outcome) -> String {
    // The summary, and what only the page holds.
    format!("{}{:?}{:?}{:?}", summary::json(outcome), outcome.profile, outcome.layers, outcome.surfaces.printed)
}

#[test]
fn any_number_of_cores_gives_the_same_figures() {
    let scenario = demo::scenario().unwrap();
    let on = |cores| figures(&replay("demo", demo::job(), &settings(&scenario, cores)).unwrap());
    let one = on(1);
    for cores in [2, 3, 7] {
        assert!(on(cores) == one, "{cores} cores");
    }
}

/// A cutting move before the first that extrudes turns out to be travel, whichever batch it was in.
#[test]
fn printing_that_begins_late_is_the_same_too() {
    let scenario = demo::scenario().unwrap();
    let travel: String = (0..5000).map(|index| format!("G1 X{} Y{}\n", 50 + index % 90, 50 + index % 70)).collect();
    let job = format!("G90\nM83\nG1 Z0.2 F3000\n{travel}G1 X60 Y60 E1\nG1 X100 Y90 E1\n");
    let on = |cores| replay("job", Cursor::new(&job), &settings(&scenario, cores)).unwrap();
    let (one, three) = (on(1), on(3));
    assert!(figures(&one) == figures(&three));
    // From where the travel ended, X 99 Y 79.
    let length_mm = 39.0_f64.hypot(19.0) + 40.0_f64.hypot(30.0);
    let printed_mm = one.runs[0].first_layer.length_mm.total();
    assert!((printed_mm - length_mm).abs() < 1e-6 && one.counts.printing_moves == 2, "{printed_mm}");
}

/// More samples than a batch holds: every one is taken once, in order.
#[test]
fn a_very_long_move_is_sampled_once_from_end_to_end() {
    let scenario = demo::scenario().unwrap();
    let job = "G90\nM83\nG0 X20 Y30 Z0.2 F3000\nG1 X190 Y150 E10\n";
    let fine = Settings { sample_step_mm: Some(0.005), ..settings(&scenario, 2) };
    let mut fractions = Vec::new();
    let outcome = replay_watched("job", Cursor::new(job), &fine, |sample| fractions.push(sample.fraction)).unwrap();
    let length_mm = 170.0_f64.hypot(120.0);
    assert_eq!(fractions.len() as f64, (length_mm / 0.005).ceil() + 1.0);
    assert!(fractions.is_sorted_by(|a, b| a < b) && fractions[0] == 0.0 && fractions.ends_with(&[1.0]));
    let printed_mm = outcome.runs[2].first_layer.length_mm.total();
    assert!((printed_mm - length_mm).abs() < 1e-6, "{printed_mm}");
}
