//! The tests are tested. Stores with one deliberate mistake each, all of which the same searches must catch.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper_tests::faults::{failing_calls, worn_cells};
use gapkeeper_tests::media::{ByteChip, I2cChip, Medium, NorChip};
use gapkeeper_tests::power_cuts::{Scenario, search};
use gapkeeper_tests::stores::{Mistake, Sketch};

/// What catches it, on one medium: the cheap searches before the deep ones.
fn check<M: Medium>(mistake: Mistake, depth: usize, scenarios: &[Scenario], seed: u64) -> Option<&'static str> {
    let subject = Sketch(mistake);
    // A store that cannot even begin a scenario is caught too.
    let outcome = std::panic::catch_unwind(|| {
        for &scenario in scenarios {
            search::<M>(&subject, scenario, depth, seed).map_err(|_| ["one cut", "two cuts"][depth - 1])?;
            if depth == 1 {
                failing_calls::<M>(&subject, scenario).map_err(|_| "a failing call")?;
                worn_cells::<M>(&subject, scenario).map_err(|_| "a worn cell")?;
            }
        }
        Ok(())
    });
    outcome.unwrap_or(Err("the first saves")).err()
}

/// The first that catches it; one after the other until one does.
fn caught(mistake: Mistake) -> Option<(char, &'static str)> {
    let deep = [Scenario::Retry, Scenario::Shift];
    let cheap = [Scenario::First, Scenario::Overwrite, Scenario::Wrap];
    let with = |letter| move |by| (letter, by);
    check::<NorChip>(mistake, 1, &cheap, 1)
        .map(with('N'))
        .or_else(|| check::<ByteChip>(mistake, 1, &cheap, 1).map(with('B')))
        .or_else(|| check::<I2cChip>(mistake, 1, &cheap, 1).map(with('I')))
        .or_else(|| check::<NorChip>(mistake, 2, &deep, 1).map(with('N')))
        .or_else(|| check::<ByteChip>(mistake, 2, &deep, 1).map(with('B')))
        // Whether an unstable cell reads right at the moment that matters is a matter of chance.
        .or_else(|| (2..6).find_map(|seed| check::<NorChip>(mistake, 2, &deep, seed)).map(with('N')))
}

/// Without a mistake the sketch passes all that the others fail.
#[test]
fn the_sketch_itself_passes() {
    assert_eq!(caught(Mistake::None), None);
}

#[test]
fn every_mistake_is_caught() {
    for mistake in Mistake::ALL {
        let caught = caught(mistake);
        println!("{mistake:?}: {caught:?}");
        assert!(caught.is_some(), "{mistake:?} is not caught");
    }
}
