//! Whatever comes in whatever order, a tripped switch lets nothing go down, and no press is a reading that nobody turned.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{Lattice, Order, Prompt, Survey, SurveyEvent, SurveyPlan, SurveySettings};
use proptest::prelude::*;

const STATIONS: Lattice =
    Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 2, rows: 2 };

/// What happens next.
#[derive(Clone, Copy, Debug)]
enum Happening {
    Event(SurveyEvent),
    /// The axes come to rest if they move.
    Rest,
}

fn any_happening() -> impl Strategy<Value = Happening> {
    let warm = SurveyEvent::Temperature { bed_c: 20, nozzle_c: 20, at_s: 1000 };
    let cold = SurveyEvent::Temperature { bed_c: 5, nozzle_c: 20, at_s: 1000 };
    let cold_nozzle = SurveyEvent::Temperature { bed_c: 20, nozzle_c: 5, at_s: 1000 };
    let rare = |event| Just(Happening::Event(event));
    prop_oneof![
        20 => Just(Happening::Rest),
        12 => Just(Happening::Event(SurveyEvent::Pressed)),
        8 => (-120..60_i16).prop_map(|detents| Happening::Event(SurveyEvent::Turned { detents })),
        1 => rare(SurveyEvent::LimitSwitch { is_tripped: true }),
        3 => rare(SurveyEvent::LimitSwitch { is_tripped: false }),
        1 => rare(SurveyEvent::Back),
        1 => rare(SurveyEvent::ScrewTurned),
        1 => rare(SurveyEvent::Enough),
        1 => rare(cold),
        1 => rare(cold_nozzle),
        4 => rare(warm),
    ]
}

/// The axes as the orders leave them.
struct Axes {
    z_um: i32,
    is_moving: bool,
}

fn check(happenings: &[Happening], corner_round: bool) -> Result<usize, String> {
    let settings = SurveySettings { soak_s: 0, coarse_um: 0, corner_limit_um: 600, ..SurveySettings::default() };
    let plan = SurveyPlan::<9>::new(STATIONS).unwrap();
    let corners = [(0, 0), (200_000, 0), (0, 200_000)];
    let plan = if corner_round { plan.with_corner_round(corners).unwrap() } else { plan };
    let mut survey = Survey::new(plan, settings, 5000).unwrap();
    let mut axes = Axes { z_um: 5000, is_moving: false };
    let (mut is_tripped, mut is_turned, mut readings) = (false, false, 0);
    for &happening in happenings {
        let event = match happening {
            Happening::Rest if axes.is_moving => SurveyEvent::Arrived,
            Happening::Rest => continue,
            Happening::Event(event) => event,
        };
        let (before, was_moving) = (survey.prompt(), axes.is_moving);
        match event {
            SurveyEvent::LimitSwitch { is_tripped: now } => is_tripped = now,
            SurveyEvent::Arrived => axes.is_moving = false,
            _ => {}
        }
        let order = survey.handle(event);
        let asks_for_a_gap = matches!(before, Prompt::SetGap { .. } | Prompt::LookAgain { .. });
        if asks_for_a_gap && event == SurveyEvent::Pressed && matches!(order, Order::Lift { .. }) {
            readings += 1;
            if !is_turned || was_moving || is_tripped {
                return Err(format!("a reading, turned {is_turned}, moving {was_moving}, tripped {is_tripped}"));
            }
        }
        let by_hand = matches!(event, SurveyEvent::Pressed | SurveyEvent::Turned { .. } | SurveyEvent::Back);
        match order {
            Order::Wait | Order::Done | Order::Aborted => {}
            Order::Stop => axes.is_moving = true,
            order if !by_hand && event != SurveyEvent::Arrived => return Err(format!("{event:?} moves: {order:?}")),
            Order::Lift { z_um } => {
                if z_um < axes.z_um {
                    return Err(format!("a lift from {} to {z_um}", axes.z_um));
                }
                (axes.z_um, axes.is_moving, is_turned) = (z_um, true, false);
            }
            Order::Travel { .. } | Order::Approach { .. } if is_tripped => {
                return Err(format!("{order:?} while the switch is tripped"));
            }
            Order::Travel { .. } => axes.is_moving = true,
            Order::Approach { z_um } => (axes.z_um, axes.is_moving) = (z_um, true),
            Order::Step { z_um } => {
                if is_tripped {
                    return Err(format!("a step to {z_um} while the switch is tripped"));
                }
                (axes.z_um, axes.is_moving, is_turned) = (z_um, true, true);
            }
        }
    }
    Ok(readings)
}

fn cases() -> u32 {
    std::env::var("PROPTEST_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(256)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn nothing_goes_down_onto_a_tripped_switch_and_no_bare_press_is_a_reading(
        happenings in prop::collection::vec(any_happening(), 0..400), corner_round in any::<bool>(),
    ) {
        let found = check(&happenings, corner_round);
        prop_assert!(found.is_ok(), "{}", found.unwrap_err());
    }
}

/// The attack reaches readings at all.
#[test]
fn well_behaved_hands_get_their_readings() {
    let warm = Happening::Event(SurveyEvent::Temperature { bed_c: 20, nozzle_c: 20, at_s: 0 });
    let press = Happening::Event(SurveyEvent::Pressed);
    let turn = Happening::Event(SurveyEvent::Turned { detents: -3 });
    let mut all = vec![warm, press];
    for _ in 0..4 {
        all.extend([Happening::Rest, Happening::Rest, Happening::Rest, turn, Happening::Rest, press]);
    }
    assert_eq!(check(&all, false), Ok(4));
    // Three corners, a press, and the first station.
    let before_the_last = all.len() - 6;
    all.splice(before_the_last..before_the_last, [Happening::Rest, press]);
    assert_eq!(check(&all, true), Ok(4));
}
