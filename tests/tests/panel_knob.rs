//! The knob among contacts that bounce, hands of any speed and polls at any time: what its documentation promises.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::num::NonZeroU8;

use gapkeeper::panel::{DetentsPerCycle, Knob};
use gapkeeper_tests::hands::{Clock, ContactPin, Encoder};
use gapkeeper_tests::proptest_cases;
use proptest::prelude::*;

/// A stand after which the knob knows its clicks.
const STAND_US: u64 = 1_100_000;

const KINDS: [DetentsPerCycle; 3] = [DetentsPerCycle::One, DetentsPerCycle::Two, DetentsPerCycle::Four];

const fn phases_per_detent(kind: DetentsPerCycle) -> i32 {
    match kind {
        DetentsPerCycle::One => 4,
        DetentsPerCycle::Two => 2,
        DetentsPerCycle::Four => 1,
    }
}

/// What a knob counted.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Counted {
    /// Each detent, with the time of the poll.
    detents: Vec<(u64, i16)>,
    lost: u16,
    stalls: u16,
}

impl Counted {
    fn total(&self) -> i32 {
        self.detents.iter().map(|&(_, detent)| i32::from(detent)).sum()
    }

    fn has(&self, sign: i16) -> bool {
        self.detents.iter().any(|&(_, detent)| detent == sign)
    }
}

/// Polls a knob of a steady time until the encoder's end, with these pauses over and over.
fn counted(encoder: &Encoder, kind: DetentsPerCycle, steady_ms: u8, is_reversed: bool, pauses_us: &[u64]) -> Counted {
    let clock = Clock::new();
    let (a, b) = (ContactPin::new(&clock, encoder.a()), ContactPin::new(&clock, encoder.b()));
    let (a, b) = if is_reversed { (b, a) } else { (a, b) };
    let mut knob = Knob::new(a, b, kind, NonZeroU8::new(steady_ms).unwrap());
    let mut detents = Vec::new();
    let mut pauses_us = pauses_us.iter().cycle();
    while clock.now_us() < encoder.end_us() {
        clock.advance_us(*pauses_us.next().unwrap());
        let turned = knob.poll(clock.now_ms()).unwrap();
        if turned != 0 {
            detents.push((clock.now_us(), turned));
        }
    }
    Counted { detents, lost: knob.lost(), stalls: knob.stalls() }
}

/// Polled each millisecond.
fn watched(encoder: &Encoder, kind: DetentsPerCycle) -> Counted {
    counted(encoder, kind, 2, false, &[1_000])
}

#[test]
fn sampled_at_50_hz_it_counts_nothing_and_tells_so() {
    // 40 detents a second upwards, a phase each 6.25 ms. Compared with each other, those samples would count -10.
    let encoder = Encoder::new(0, 0, 1).stand(STAND_US).turn(160, 6_250).stand(100_000);
    let slow = counted(&encoder, DetentsPerCycle::One, 3, false, &[20_000]);
    assert_eq!((slow.detents.as_slice(), slow.lost > 30), (&[][..], true), "{slow:?}");
    let fast = counted(&encoder, DetentsPerCycle::One, 3, false, &[1_000]);
    assert_eq!((fast.total(), fast.lost, fast.stalls), (40, 0, 0));
    // So slow a loop never learns where the clicks are, but a loop that stalls now and then goes on as before.
    let stalling: Vec<_> = [1_000].repeat(1_300).into_iter().chain([300_000]).collect();
    let stalled = counted(&encoder.stand(STAND_US).turn(40, 6_250), DetentsPerCycle::One, 3, false, &stalling);
    assert!(stalled.stalls >= 1 && stalled.total() > 10 && !stalled.has(-1), "{stalled:?}");
}

/// The limit of promise 2 to the millisecond: three phases between two polls that are twice the steady time apart, as the
/// clock counts it. They look like one phase backwards.
#[test]
fn three_phases_between_two_polls_are_not_one_backwards() {
    for (steady_ms, kind) in (1..=5).flat_map(|steady_ms| KINDS.map(|kind| (steady_ms, kind))) {
        let phase_us = 1_000 * u64::from(steady_ms);
        let late_us = 2 * phase_us + 900;
        // The knob learns its clicks; then, again and again, it turns by three phases while nobody looks.
        let mut encoder = Encoder::new(0, 0, 1).stand(1_100_000);
        let mut pauses_us = [1_000].repeat(1_100);
        for _ in 0..40 {
            encoder = encoder.turn(1, 100).turn(2, phase_us).stand(900).stand(3_000 - 100);
            pauses_us.extend([late_us, 100, 1_000, 1_000, 900]);
        }
        let found = counted(&encoder, kind, steady_ms, false, &pauses_us);
        assert!(!found.has(-1) && found.stalls >= 40, "{kind:?}: {found:?}");
    }
}

#[test]
fn each_detent_counts_at_the_phase_behind_the_middle_and_at_no_other() {
    let forward = |kind| {
        let encoder = Encoder::new(2, 0, 1).stand(STAND_US).turn(8, 10_000).stand(20_000);
        watched(&encoder, kind).detents.iter().map(|&(at_us, _)| (at_us - STAND_US) / 10_000).collect::<Vec<_>>()
    };
    assert_eq!(forward(DetentsPerCycle::One), [3, 7]);
    assert_eq!(forward(DetentsPerCycle::Two), [2, 4, 6, 8]);
    assert_eq!(forward(DetentsPerCycle::Four), [2, 3, 4, 5, 6, 7, 8]);
}

#[test]
fn half_a_click_forth_and_back_is_nothing() {
    for (kind, half) in [(DetentsPerCycle::One, 2), (DetentsPerCycle::Two, 1)] {
        let mut encoder = Encoder::new(0, 1_000, 1).stand(STAND_US);
        for _ in 0..10 {
            encoder = encoder.turn(half, 10_000).turn(-2 * half, 10_000).turn(half, 10_000);
        }
        assert_eq!(watched(&encoder.stand(10_000), kind).detents, [], "{kind:?}");
    }
}

#[test]
fn a_wrong_first_sample_costs_nothing() {
    for kind in [DetentsPerCycle::One, DetentsPerCycle::Two] {
        let per_detent = phases_per_detent(kind);
        for seed in 0..16 {
            let mut encoder = Encoder::new(0, 1_000, seed).noise_until(5_000).stand(STAND_US);
            for _ in 0..6 {
                encoder = encoder.turn(per_detent, 10_000).stand(50_000).turn(-per_detent, 10_000).stand(50_000);
            }
            let signs: Vec<_> = watched(&encoder, kind).detents.iter().map(|&(_, detent)| detent).collect();
            assert_eq!(signs, [1, -1].repeat(6), "{kind:?}, seed {seed}");
        }
    }
}

#[test]
fn held_between_two_clicks_at_the_start_it_finds_its_clicks_later_and_tells_so() {
    for (kind, half) in [(DetentsPerCycle::One, 2), (DetentsPerCycle::Two, 1)] {
        let misled = Encoder::new(0, 1_000, 1).turn(half, 5_000).stand(STAND_US).turn(half, 10_000).stand(STAND_US);
        let mut encoder = misled;
        for _ in 0..3 {
            encoder = encoder.turn(-2 * half, 10_000).stand(50_000).turn(2 * half, 10_000).stand(50_000);
        }
        let found = watched(&encoder, kind);
        let signs: Vec<_> = found.detents.iter().map(|&(_, detent)| detent).collect();
        assert_eq!((signs, found.lost), ([-1, 1].repeat(3), 1), "{kind:?}");
    }
}

#[test]
fn chatter_on_a_four_edge_knob_ends_after_one_detent() {
    // Stands after a turn forward; A chatters between this phase and the next.
    let encoder = Encoder::new(0, 0, 1).stand(STAND_US).turn(4, 10_000).stand(10_000_000);
    let encoder = encoder.chatter(STAND_US + 100_000..u64::MAX, 40_000, false);
    let before = 3;
    assert_eq!(watched(&encoder, DetentsPerCycle::Four).total(), before + 1);
    assert!(!watched(&encoder, DetentsPerCycle::Four).has(-1));
}

/// How a hand turns: phases one way, and how much longer than the shortest time each takes; then a stand.
type Motion = Vec<(i32, u64, u64)>;

fn motion() -> impl Strategy<Value = Motion> {
    prop::collection::vec((-12..=12, 0..8_000_u64, prop::sample::select(vec![0, 200, 30_000])), 0..12)
}

fn kind() -> impl Strategy<Value = DetentsPerCycle> {
    prop::sample::select(KINDS.to_vec())
}

/// Contacts that are steady for `steady_ms` and bounce before that, turned as the motion says, by `way`.
fn turned(start: Encoder, steady_ms: u8, bounce_us: u64, motion: &Motion, way: Option<i32>) -> Encoder {
    let shortest_us = 1_000 * u64::from(steady_ms) + bounce_us;
    motion.iter().fold(start, |encoder, &(phases, longer_us, stand_us)| {
        let phases = way.map_or(phases, |way| way * phases.abs());
        encoder.turn(phases, shortest_us + longer_us).stand(stand_us)
    })
}

/// Pauses between polls of up to so many milliseconds, at any phase.
fn pauses_us(most_ms: u8) -> impl Strategy<Value = Vec<u64>> {
    prop::collection::vec(50..=1_000 * u64::from(most_ms), 1..40)
}

/// Pauses of a loop that stalls: mostly short, or even, or anything.
fn any_pauses_us() -> impl Strategy<Value = Vec<u64>> {
    prop_oneof![
        (100..100_000_u64).prop_map(|pause_us| vec![pause_us]),
        prop::collection::vec(prop_oneof![4 => 100..3_000_u64, 1 => 100..100_000_u64], 1..60),
        prop::collection::vec(100..30_000_u64, 1..60),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(proptest_cases()))]

    /// Promise 1, with promise 5 before it: polled each steady time, the count is the net rotation, and nothing is lost.
    #[test]
    fn polled_each_steady_time_it_loses_nothing(
        kind in kind(), seed: u64, bounce_us in 0..4_000_u64, first_phase in 0..4, noise_us in 0..20_000_u64,
        is_reversed: bool, motion in motion(),
        (steady_ms, pauses_us) in (1..6_u8).prop_flat_map(|steady_ms| (Just(steady_ms), pauses_us(steady_ms))),
    ) {
        let start = Encoder::new(first_phase, bounce_us, seed).noise_until(noise_us).stand(noise_us + STAND_US);
        let mut encoder = turned(start, steady_ms, bounce_us, &motion, None);
        let per_detent = phases_per_detent(kind);
        let beyond = (encoder.phase() - first_phase).rem_euclid(per_detent);
        encoder = encoder.turn(-beyond, 10_000).stand(10_000);
        let found = counted(&encoder, kind, steady_ms, is_reversed, &pauses_us);
        let net = (encoder.phase() - first_phase) / per_detent * if is_reversed { -1 } else { 1 };
        // Noise jumps over phases; from then on nothing is lost.
        if noise_us == 0 {
            prop_assert_eq!(found.lost, 0);
        }
        prop_assert_eq!(found.stalls, 0);
        let play = i32::from(kind == DetentsPerCycle::Four);
        prop_assert!((found.total() - net).abs() <= play, "{:?} for {}", found, net);
    }

    /// Promise 2: turned one way only, it never counts the other way, whatever the times of the polls.
    #[test]
    fn it_never_turns_direction(
        kind in kind(), seed: u64, bounce_us in 0..4_000_u64, first_phase in 0..4, noise_us in 0..20_000_u64,
        is_reversed: bool, is_forward: bool, steady_ms in 1..6_u8, motion in motion(), pauses_us in any_pauses_us(),
    ) {
        let way = if is_forward { 1 } else { -1 };
        let start = Encoder::new(first_phase, bounce_us, seed).noise_until(noise_us).stand(noise_us + STAND_US);
        let encoder = turned(start, steady_ms, bounce_us, &motion, Some(way)).stand(10_000);
        let found = counted(&encoder, kind, steady_ms, is_reversed, &pauses_us);
        prop_assert!(!found.has(if is_forward == is_reversed { 1 } else { -1 }), "{:?}", found);
        let net = (encoder.phase() - first_phase).abs() / phases_per_detent(kind) + 1;
        prop_assert!(found.total().abs() <= net, "more than was turned");
    }

    /// The same where it is hardest: a hand at its fastest and most even, polled at an even pace.
    #[test]
    fn an_even_pace_does_not_turn_it_either(
        kind in kind(), seed: u64, bounce_us in 0..4_000_u64, steady_ms in 1..6_u8, first_phase in 0..4,
        phases in 1..12_u64, off_us in -1_200..1_200_i64,
    ) {
        let phase_us = 1_000 * u64::from(steady_ms) + bounce_us;
        let pause_us = (phases * phase_us).saturating_add_signed(off_us).max(100);
        let encoder = Encoder::new(first_phase, bounce_us, seed).stand(STAND_US).turn(600, phase_us).stand(10_000);
        // Even polls at first, so that the knob knows its clicks.
        let pauses_us: Vec<_> = [1_000].repeat(1_080).into_iter().chain([pause_us].repeat(10_000)).collect();
        let found = counted(&encoder, kind, steady_ms, false, &pauses_us);
        prop_assert!(!found.has(-1), "{:?}", found);
    }

    /// Promise 3: without a stall, the count is off by no more than it tells to have lost.
    #[test]
    fn it_tells_what_it_lost(
        kind in kind(), seed: u64, bounce_us in 0..4_000_u64, first_phase in 0..4, motion in motion(),
        (steady_ms, pauses_us) in (2..6_u8).prop_flat_map(|steady_ms| (Just(steady_ms), pauses_us(2 * steady_ms - 1))),
    ) {
        let start = Encoder::new(first_phase, bounce_us, seed).stand(STAND_US);
        let encoder = turned(start, steady_ms, bounce_us, &motion, None).stand(30_000);
        let found = counted(&encoder, kind, steady_ms, false, &pauses_us);
        prop_assert_eq!(found.stalls, 0);
        let each = match kind { DetentsPerCycle::One => 1, DetentsPerCycle::Two => 2, DetentsPerCycle::Four => 3 };
        let per_detent = phases_per_detent(kind);
        let off = (found.total() * per_detent - (encoder.phase() - first_phase)).abs();
        prop_assert!(off <= per_detent * (1 + each * i32::from(found.lost)), "{:?}: off by {} phases", found, off);
    }

    /// Promise 4: a contact chatters as long and as fast or slowly as it likes.
    #[test]
    fn chatter_is_nothing(
        kind in kind(), seed: u64, first_phase in 0..4, away in 0..4, half_us in 100..3_000_000_u64, is_b: bool,
        pauses_us in any_pauses_us(),
    ) {
        let start = Encoder::new(first_phase, 0, seed).stand(STAND_US);
        let encoder = start.turn(away, 20_000).stand(20_000);
        let quiet = counted(&encoder, kind, 5, false, &pauses_us);
        let from_us = encoder.end_us();
        let chattering = encoder.stand(20_000_000).chatter(from_us..u64::MAX, half_us, is_b);
        let found = counted(&chattering, kind, 5, false, &pauses_us);
        let more = found.detents.len() - quiet.detents.len();
        let is_at_click = kind != DetentsPerCycle::Four && away % phases_per_detent(kind) == 0;
        prop_assert!(more <= usize::from(!is_at_click), "{} more: {:?}", more, found);
    }
}
