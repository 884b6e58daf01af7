//! The button among contacts that bounce and loops that stall: a long press is one that was seen held.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::panel::{ActiveLevel, Press, PressButton};
use gapkeeper_tests::hands::{Clock, ContactPin, WornButton};
use gapkeeper_tests::proptest_cases;
use proptest::prelude::*;

const DEBOUNCE_MS: u16 = 20;
const LONG_MS: u16 = 800;

/// Presses reported, with the time, polled with these pauses over and over.
fn reported(button: &WornButton, until_us: u64, pauses_us: impl IntoIterator<Item = u64>) -> Vec<(u64, Press)> {
    let clock = Clock::new();
    let pin = ContactPin::new(&clock, button);
    let mut part = PressButton::new(pin, ActiveLevel::Low, DEBOUNCE_MS).with_long_press(LONG_MS);
    let mut reported = Vec::new();
    for pause_us in pauses_us {
        if let Some(press) = part.poll(clock.now_ms()).unwrap() {
            reported.push((clock.now_us(), press));
        }
        clock.advance_us(pause_us);
        if clock.now_us() > until_us {
            break;
        }
    }
    reported
}

fn presses(reported: &[(u64, Press)]) -> Vec<Press> {
    reported.iter().map(|&(_, press)| press).collect()
}

/// Held for 100 ms, while the loop stalls for 800 ms, at any time of it.
#[test]
fn a_stall_makes_no_short_press_a_long_one() {
    for stall_from_us in (90_000..200_000).step_by(1_000) {
        let button = WornButton::new(3_000, 7).press(100_000, 200_000);
        let polls = stall_from_us / 1_000;
        let pauses_us = (0..).map(|poll| if poll == polls { 800_000 } else { 1_000 });
        let found = presses(&reported(&button, 2_000_000, pauses_us));
        // Reported where the debounce time of it was seen, after up to 3 ms of bounce.
        assert!(found.is_empty() || found == [Press::Short], "stall from {stall_from_us}: {found:?}");
        assert!(!found.is_empty() || stall_from_us < 125_000, "stall from {stall_from_us}");
    }
}

#[test]
fn held_when_switched_on_it_reports_nothing_until_it_was_let_go() {
    // The contact is open for a moment at the first poll, and again and again.
    let held = WornButton::new(0, 1).press(0, 3_000_000).opening(50_000, 15_000);
    assert_eq!(reported(&held, 4_000_000, std::iter::repeat(1_000)), []);
    let again = held.press(3_100_000, 3_200_000);
    assert_eq!(presses(&reported(&again, 4_000_000, std::iter::repeat(1_000))), [Press::Short]);
}

/// Times of presses after a free second: pause before it and how long it is held, in milliseconds.
fn hand() -> impl Strategy<Value = Vec<(u64, u64)>> {
    prop::collection::vec((60..400_u64, prop_oneof![60..700_u64, 850..1_500_u64]), 1..6)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(proptest_cases()))]

    /// Polled each few milliseconds, each press is reported once and for what it was.
    #[test]
    fn each_press_is_reported_once(
        seed: u64, bounce_us in 0..8_000_u64, hand in hand(), pauses_us in prop::collection::vec(200..5_000_u64, 1..40),
    ) {
        let mut button = WornButton::new(bounce_us, seed).opening(90_000, 9_000);
        let (mut at_us, mut expected) = (200_000, Vec::new());
        for (before_ms, held_ms) in hand {
            at_us += 1_000 * before_ms;
            button = button.press(at_us, at_us + 1_000 * held_ms);
            at_us += 1_000 * held_ms;
            // The contact's moments of opening do not count as held: each takes a tenth and up to two polls.
            expected.push(if held_ms < 700 { Some(Press::Short) } else if held_ms > 1_100 { Some(Press::Long) } else { None });
        }
        let found = presses(&reported(&button, at_us + 200_000, pauses_us.into_iter().cycle()));
        prop_assert_eq!(found.len(), expected.len());
        for (found, expected) in found.iter().zip(expected) {
            prop_assert!(expected.is_none_or(|expected| expected == *found));
        }
    }

    /// A press that is shorter than a long one is none, whenever the loop looks.
    #[test]
    fn no_loop_makes_a_short_press_long(
        seed: u64, bounce_us in 0..8_000_u64, held_ms in 1..790_u64,
        pauses_us in prop::collection::vec(prop_oneof![3 => 200..5_000_u64, 1 => 200..2_000_000_u64], 1..40),
    ) {
        let button = WornButton::new(bounce_us, seed).press(2_000_000, 2_000_000 + 1_000 * held_ms);
        let found = presses(&reported(&button, 10_000_000, pauses_us.into_iter().cycle()));
        prop_assert!(found.is_empty() || found == [Press::Short], "{:?}", found);
    }

    /// A press that lasts is a long one in the end, however the loop stalls now and then.
    #[test]
    fn a_press_that_lasts_becomes_long(
        seed: u64, bounce_us in 0..8_000_u64,
        pauses_us in prop::collection::vec(prop_oneof![20 => 200..5_000_u64, 1 => 200..200_000_u64], 1..40),
    ) {
        let button = WornButton::new(bounce_us, seed).press(2_000_000, 200_000_000);
        prop_assert_eq!(presses(&reported(&button, 150_000_000, pauses_us.into_iter().cycle())), [Press::Long]);
    }
}
