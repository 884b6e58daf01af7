//! The queue between timer interrupt and main loop, against a plain list, and between two threads.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use gapkeeper::panel::{EventQueue, PanelEvent, PanelPoll, PinErrors, Press};
use gapkeeper_tests::proptest_cases;
use proptest::prelude::*;

const QUIET: PanelPoll<()> = PanelPoll {
    limit_switch: None,
    detents: 0,
    is_lost: false,
    is_stalled: false,
    press: None,
    errors: PinErrors { knob: None, button: None, limit_switch: None },
};

fn turned(detents: i16) -> PanelPoll<()> {
    PanelPoll { detents, ..QUIET }
}

fn pressed(press: Press) -> PanelPoll<()> {
    PanelPoll { press: Some(press), ..QUIET }
}

fn switch(is_tripped: bool) -> PanelPoll<()> {
    PanelPoll { limit_switch: Some(is_tripped), ..QUIET }
}

fn all(queue: &EventQueue) -> Vec<PanelEvent> {
    std::iter::from_fn(|| queue.take()).collect()
}

#[test]
fn events_come_out_in_their_order_and_detents_are_summed() {
    let queue = EventQueue::new();
    assert_eq!(all(&queue), []);
    for poll in [turned(-1), turned(-1), turned(1), pressed(Press::Short), turned(2), turned(1)] {
        queue.put(&poll);
    }
    let short = PanelEvent::Pressed(Press::Short);
    assert_eq!(all(&queue), [PanelEvent::Turned { detents: -1 }, short, PanelEvent::Turned { detents: 3 }]);
    // One poll: the detents before the press.
    queue.put(&PanelPoll { detents: 1, ..pressed(Press::Short) });
    assert_eq!(all(&queue), [PanelEvent::Turned { detents: 1 }, short]);
    // There and back is nothing.
    queue.put(&turned(5));
    queue.put(&turned(-5));
    assert_eq!(all(&queue), []);
}

#[test]
fn a_full_queue_loses_neither_a_trip_nor_a_long_press_nor_a_detent() {
    let queue = EventQueue::new();
    for _ in 0..1_000 {
        queue.put(&PanelPoll { detents: 3, ..pressed(Press::Short) });
    }
    let events = all(&queue);
    assert_eq!(events[0], PanelEvent::Lost);
    let presses = events.iter().filter(|event| matches!(event, PanelEvent::Pressed(_))).count();
    let detents: i32 = events
        .iter()
        .map(|event| if let PanelEvent::Turned { detents } = event { i32::from(*detents) } else { 0 })
        .sum();
    assert_eq!((presses, detents), (4, 3_000));
    for _ in 0..1_000 {
        queue.put(&pressed(Press::Short));
    }
    queue.put(&pressed(Press::Long));
    queue.put(&switch(true));
    queue.put(&switch(false));
    // Short trip and all; what was pressed before them is dropped.
    let expected = [
        PanelEvent::LimitSwitch { is_tripped: true },
        PanelEvent::LimitSwitch { is_tripped: false },
        PanelEvent::Pressed(Press::Long),
        PanelEvent::Lost,
    ];
    assert_eq!(all(&queue), expected);
}

#[test]
fn no_press_from_before_a_trip_answers_what_the_screen_says_of_it() {
    let queue = EventQueue::new();
    queue.put(&switch(false));
    assert_eq!(all(&queue), [PanelEvent::LimitSwitch { is_tripped: false }]);
    queue.put(&turned(-3));
    queue.put(&pressed(Press::Short));
    queue.put(&switch(true));
    assert_eq!(all(&queue), [PanelEvent::LimitSwitch { is_tripped: true }]);
    queue.put(&pressed(Press::Short));
    assert_eq!(all(&queue), [PanelEvent::Pressed(Press::Short)]);
    // And when something else than the panel has changed the screen.
    queue.put(&turned(-3));
    queue.put(&pressed(Press::Short));
    queue.drop_waiting();
    assert_eq!(all(&queue), []);
    queue.put(&turned(7));
    assert_eq!(all(&queue), [PanelEvent::Turned { detents: 7 }]);
}

#[test]
fn a_sum_that_does_not_fit_is_lost_and_does_not_turn_direction() {
    let queue = EventQueue::new();
    for _ in 0..40_000 {
        queue.put(&turned(1));
    }
    assert_eq!(all(&queue), [PanelEvent::Lost, PanelEvent::Turned { detents: i16::MAX }]);
    // The same where a press waits in between, and back as far again.
    for poll in [turned(30_000), pressed(Press::Short), turned(-30_000), turned(-2_000), turned(-1_000)] {
        queue.put(&poll);
    }
    let detents: Vec<_> = all(&queue).into_iter().filter(|event| matches!(event, PanelEvent::Turned { .. })).collect();
    assert_eq!(detents, [PanelEvent::Turned { detents: 30_000 }, PanelEvent::Turned { detents: -32_000 }]);
}

/// What either side does next.
#[derive(Clone, Debug)]
enum Act {
    Put(Option<bool>, i16, Option<Press>),
    Take,
}

fn act() -> impl Strategy<Value = Act> {
    let press = prop_oneof![8 => Just(None), 4 => Just(Some(Press::Short)), 1 => Just(Some(Press::Long))];
    let switch = prop_oneof![12 => Just(None), 1 => Just(Some(true)), 1 => Just(Some(false))];
    prop_oneof![3 => (switch, -2..=2_i16, press).prop_map(|(switch, detents, press)| Act::Put(switch, detents, press)), 2 => Just(Act::Take)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(proptest_cases()))]

    /// The queue gives what a list of everything that was put in would give.
    #[test]
    fn it_is_a_list_with_short_cuts(acts in prop::collection::vec(act(), 0..300)) {
        let queue = EventQueue::new();
        // Detents of the list are summed up to each press.
        let (mut list, mut trip, mut long, mut lost) = (VecDeque::new(), false, false, false);
        let (mut level, mut told) = (None, None);
        for act in acts {
            match act {
                Act::Put(switch, detents, press) => {
                    trip |= switch == Some(true);
                    level = switch.or(level);
                    long |= press == Some(Press::Long);
                    match list.back_mut() {
                        _ if detents == 0 => {}
                        Some(PanelEvent::Turned { detents: sum }) => *sum += detents,
                        _ => list.push_back(PanelEvent::Turned { detents }),
                    }
                    let short = PanelEvent::Pressed(Press::Short);
                    if press == Some(Press::Short) {
                        if list.iter().filter(|&&event| event == short).count() == 4 {
                            lost = true;
                        } else {
                            list.push_back(short);
                        }
                    }
                    queue.put(&PanelPoll { limit_switch: switch, detents, press, ..QUIET });
                }
                Act::Take => {
                    let next = if std::mem::take(&mut trip) { Some(true) } else { level };
                    let expected = if next != told {
                        told = next;
                        if next == Some(true) {
                            list.clear();
                        }
                        next.map(|is_tripped| PanelEvent::LimitSwitch { is_tripped })
                    } else if std::mem::take(&mut long) {
                        list.clear();
                        Some(PanelEvent::Pressed(Press::Long))
                    } else if std::mem::take(&mut lost) {
                        Some(PanelEvent::Lost)
                    } else {
                        list.retain(|event| *event != PanelEvent::Turned { detents: 0 });
                        list.pop_front()
                    };
                    prop_assert_eq!(queue.take(), expected);
                }
            }
        }
    }
}

/// A thread in place of the interrupt: nothing is lost or turned around, whatever the two sides do at once.
#[test]
fn two_threads_lose_nothing() {
    static QUEUE: EventQueue = EventQueue::new();
    static TAKEN: AtomicU32 = AtomicU32::new(0);
    static IS_DONE: AtomicBool = AtomicBool::new(false);
    const ROUNDS: u32 = 20_000;
    let events = std::thread::scope(|scope| {
        scope.spawn(|| {
            for round in 1..=ROUNDS {
                // Before each press one detent more than before the last one, so that each press tells where it belongs.
                QUEUE.put(&turned(1 + (round % 50) as i16));
                QUEUE.put(&pressed(Press::Short));
                while round - TAKEN.load(Ordering::Acquire) >= 4 {
                    std::thread::yield_now();
                }
            }
            IS_DONE.store(true, Ordering::Release);
        });
        let mut events = Vec::new();
        loop {
            let is_done = IS_DONE.load(Ordering::Acquire);
            match QUEUE.take() {
                Some(event) => {
                    events.push(event);
                    if matches!(event, PanelEvent::Pressed(_)) {
                        TAKEN.fetch_add(1, Ordering::Release);
                    }
                }
                None if is_done => break events,
                None => std::thread::yield_now(),
            }
        }
    });
    let (mut sum, mut round) = (0, 0);
    for event in events {
        match event {
            PanelEvent::Turned { detents } => sum += i32::from(detents),
            PanelEvent::Pressed(Press::Short) => {
                round += 1;
                assert_eq!(sum, 1 + (round % 50), "all detents before press {round}, and none after");
                sum = 0;
            }
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(round as u32, ROUNDS);
}

/// Trips and their ends from another thread: each trip is followed by a telling of it.
#[test]
fn no_trip_is_lost_between_threads() {
    static QUEUE: EventQueue = EventQueue::new();
    static TRIPS: AtomicU32 = AtomicU32::new(0);
    static TOLD: AtomicU32 = AtomicU32::new(0);
    const ROUNDS: u32 = 10_000;
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for round in 1..=ROUNDS {
                TRIPS.store(round, Ordering::Release);
                QUEUE.put(&switch(true));
                QUEUE.put(&switch(false));
                // A trip that nobody is told of holds this up for ever.
                while TOLD.load(Ordering::Acquire) < round {
                    std::thread::yield_now();
                }
            }
        });
        let mut is_tripped = false;
        while TOLD.load(Ordering::Relaxed) < ROUNDS {
            let trips = TRIPS.load(Ordering::Acquire);
            match QUEUE.take() {
                Some(PanelEvent::LimitSwitch { is_tripped: now }) => {
                    assert_ne!(now, is_tripped, "told once");
                    is_tripped = now;
                    if !now {
                        TOLD.store(trips, Ordering::Release);
                    }
                }
                Some(other) => panic!("{other:?}"),
                None => std::thread::yield_now(),
            }
        }
    });
}
