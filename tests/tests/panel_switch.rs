//! The limit switch at wires that break: a level, told at the first poll and at each change.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::cell::Cell;

use gapkeeper::panel::{ActiveLevel, LimitSwitch};
use gapkeeper_tests::hands::{BrokenWire, Clock, Contact, ContactPin, FailingPin, WornButton};
use gapkeeper_tests::proptest_cases;
use proptest::prelude::*;

const RELEASE_MS: u16 = 20;

/// What a normally closed switch tells, with the times, polled with these pauses over and over.
fn told(contact: impl Contact, until_us: u64, pauses_us: impl IntoIterator<Item = u64>) -> Vec<(u64, bool)> {
    let clock = Clock::new();
    let mut switch = LimitSwitch::new(ContactPin::new(&clock, contact), ActiveLevel::High, RELEASE_MS);
    let mut told = Vec::new();
    for pause_us in pauses_us {
        switch.poll(clock.now_ms()).unwrap();
        told.extend(switch.take_change().map(|is_tripped| (clock.now_us(), is_tripped)));
        clock.advance_us(pause_us);
        if clock.now_us() > until_us {
            break;
        }
    }
    told
}

/// A normally closed switch that opens for a time: a button that is let go meanwhile.
fn opened(from_us: u64, until_us: u64, bounce_us: u64, seed: u64) -> WornButton {
    WornButton::new(bounce_us, seed).press(0, from_us).press(until_us, u64::MAX)
}

#[test]
fn a_wire_that_is_broken_when_switched_on_is_told_by_the_first_poll() {
    let broken = BrokenWire::new(true).open(0..u64::MAX);
    assert_eq!(told(&broken, 10_000_000, std::iter::repeat(1_000)), [(0, true)]);
    let sound = BrokenWire::new(true);
    assert_eq!(told(&sound, 10_000_000, std::iter::repeat(1_000)), [(0, false)]);
}

#[test]
fn a_wire_that_breaks_later_is_told_by_the_next_poll() {
    let broken = BrokenWire::new(true).open(500_500..u64::MAX);
    assert_eq!(told(&broken, 10_000_000, std::iter::repeat(1_000)), [(0, false), (501_000, true)]);
}

#[test]
fn a_loose_wire_stays_tripped() {
    // Each few slots of chance it is closed for a while, never for the release time.
    let loose = BrokenWire::new(true).loose(500_000..3_000_000, 3);
    let told = told(&loose, 10_000_000, std::iter::repeat(1_000));
    assert_eq!(told.iter().map(|&(_, is_tripped)| is_tripped).collect::<Vec<_>>(), [false, true, false]);
    assert!((3_015_000..3_022_000).contains(&told[2].0), "{told:?}");
}

#[test]
fn a_pin_that_fails_is_tripped_until_it_answers_again() {
    let (clock, is_failing) = (Clock::new(), Cell::new(true));
    let pin = FailingPin::new(ContactPin::new(&clock, true), &is_failing);
    let mut switch = LimitSwitch::new(pin, ActiveLevel::High, RELEASE_MS);
    let mut poll = || {
        clock.advance_us(10_000);
        (switch.poll(clock.now_ms()).is_err(), switch.take_change())
    };
    assert_eq!((poll(), poll()), ((true, Some(true)), (true, None)));
    is_failing.set(false);
    assert_eq!([poll(), poll(), poll()], [(false, None), (false, None), (false, Some(false))]);
    is_failing.set(true);
    assert_eq!(poll(), (true, Some(true)));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(proptest_cases()))]

    /// The delays that the documentation states, for a switch that bounces.
    #[test]
    fn delays_are_bounded(
        seed: u64, bounce_us in 0..15_000_u64, from_ms in 100..200_u64, for_ms in 30..300_u64,
        pauses_us in prop::collection::vec(200..9_000_u64, 1..40),
    ) {
        let (from_us, until_us) = (1_000 * from_ms, 1_000 * (from_ms + for_ms));
        let slowest_us = *pauses_us.iter().max().unwrap();
        let switch = opened(from_us, until_us, bounce_us, seed);
        let told = told(&switch, until_us + 200_000, pauses_us.into_iter().cycle());
        prop_assert_eq!(told.iter().map(|&(_, is_tripped)| is_tripped).collect::<Vec<_>>(), [false, true, false]);
        let (tripped_us, free_us) = (told[1].0, told[2].0);
        prop_assert!(tripped_us >= from_us && tripped_us <= from_us + bounce_us + slowest_us);
        let release_us = 1_000 * u64::from(RELEASE_MS);
        prop_assert!(free_us <= until_us + bounce_us + release_us + 2 * slowest_us + 1_000);
        prop_assert!(free_us >= until_us + release_us - 1_000);
    }

    /// Whatever the loop does: what was told last is the level, unless it is on its way to free; no poll that finds it open
    /// goes without.
    #[test]
    fn no_trip_that_a_poll_finds_is_swallowed(
        trips_ms in prop::collection::vec((1..300_u64, 1..300_u64), 1..10),
        pauses_us in prop::collection::vec(prop_oneof![3 => 200..5_000_u64, 1 => 200..900_000_u64], 1..40),
    ) {
        let (mut at_us, mut wire) = (0, BrokenWire::new(true));
        for (closed_ms, open_ms) in trips_ms {
            wire = wire.open(at_us + 1_000 * closed_ms..at_us + 1_000 * (closed_ms + open_ms));
            at_us += 1_000 * (closed_ms + open_ms);
        }
        let clock = Clock::new();
        let mut switch = LimitSwitch::new(ContactPin::new(&clock, &wire), ActiveLevel::High, RELEASE_MS);
        let mut level = None;
        for pause_us in pauses_us.into_iter().cycle().take(2_000) {
            switch.poll(clock.now_ms()).unwrap();
            level = switch.take_change().or(level);
            prop_assert_eq!(level, Some(switch.is_tripped()));
            prop_assert!(level == Some(true) || wire.is_closed(clock.now_us()));
            clock.advance_us(pause_us);
        }
    }
}
