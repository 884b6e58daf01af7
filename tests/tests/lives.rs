//! Whole lives of a keeper under every sort of trouble, judged by a model of the truth; and keepers with a deliberate
//! mistake, each of which the same judge must catch.
//!
//! `GAPKEEPER_LIVES=1000000 cargo test --release -p gapkeeper-tests --test lives` lives more of them, and
//! `GAPKEEPER_REPLAY_LIFE=123 ... -- --nocapture replay` one of them again, call by call.

use gapkeeper_tests::lives::{Blunder, Found, Mistake, Real, Subject, Wrong, live, live_all, live_controller};

fn number(variable: &str) -> Option<u64> {
    std::env::var(variable).ok()?.parse().ok()
}

fn lives() -> u64 {
    number("GAPKEEPER_LIVES").unwrap_or(DEFAULT_LIVES)
}

/// Enough to catch every wrong keeper below.
const DEFAULT_LIVES: u64 = 3000;

#[test]
fn no_life_breaks_a_promise() {
    let begin = std::time::Instant::now();
    match live_all::<Real>(0..lives(), Real::new) {
        Ok(figures) => println!("{figures:?} in {:.1} s", begin.elapsed().as_secs_f64()),
        Err(found) => panic!("{found}"),
    }
}

#[test]
fn every_wrong_keeper_is_caught() {
    let mut missed = Vec::new();
    for mistake in Mistake::ALL {
        let caught = (0..DEFAULT_LIVES).find_map(|seed| {
            let make = |settings, has_memory| {
                let mut wrong = Wrong::new(settings, has_memory);
                wrong.mistake = Some(mistake);
                wrong
            };
            live(seed, false, make).err()
        });
        match caught {
            Some(found) => println!("{mistake:?}: {found}"),
            None => missed.push(mistake),
        }
    }
    assert!(missed.is_empty(), "not caught: {missed:?}");
}

/// Without a mistake it passes all that the others fail.
#[test]
fn the_wrapper_of_the_wrong_keepers_passes() {
    if let Err(found) = live_all::<Wrong>(0..DEFAULT_LIVES / 4, Wrong::new) {
        panic!("{found}");
    }
}

#[test]
fn replay() {
    if let Some(seed) = number("GAPKEEPER_REPLAY_LIFE") {
        match live(seed, true, Real::new) {
            Ok(figures) => println!("{figures:?}"),
            Err(found) => panic!("{found}"),
        }
    }
    if let Some(seed) = number("GAPKEEPER_REPLAY_CONTROLLER") {
        match live_controller(seed, None, true) {
            Ok(figures) => println!("{figures:?}"),
            Err(found) => panic!("{}", of_a_controller(&found)),
        }
    }
}

fn of_a_controller(found: &Found) -> String {
    found.to_string().replace("GAPKEEPER_REPLAY_LIFE", "GAPKEEPER_REPLAY_CONTROLLER")
}

/// A controller's life costs as much as twenty of a keeper's.
#[test]
fn no_life_of_the_controller_breaks_a_promise() {
    let mut all = [0; 6];
    for seed in 0..lives() / 20 {
        match live_controller(seed, None, false) {
            Ok(life) => {
                let [done, refused] = life.lines;
                let more = [life.calls, done, refused, life.surveys, life.aborts, life.corrected];
                all = std::array::from_fn(|index| all[index] + more[index]);
            }
            Err(found) => panic!("{}", of_a_controller(&found)),
        }
    }
    let [calls, done, refused, surveys, aborts, corrected] = all;
    println!(
        "{calls} calls: {done} lines done, {refused} refused; {surveys} surveys, {aborts} aborted; {corrected} moves corrected"
    );
}

#[test]
fn every_wrong_controller_is_caught() {
    for blunder in Blunder::ALL {
        match (0..DEFAULT_LIVES / 20).find_map(|seed| live_controller(seed, Some(blunder), false).err()) {
            Some(found) => println!("{blunder:?}: {}", of_a_controller(&found)),
            None => panic!("{blunder:?} is not caught"),
        }
    }
}
