//! A survey of nine stations by an operator whose hand the generator leads.

use gapkeeper::{Order, Survey, SurveyEvent, SurveyPlan, SurveySettings};

use super::beds::lattice;
use super::digest::Digest;
use super::numbers::Numbers;

/// Events after which the operator gives up.
const PATIENCE: u16 = 400;

/// One survey, every order and the grid of it.
pub fn survey(numbers: &mut Numbers, digest: &mut Digest) {
    let Ok(plan) = SurveyPlan::<9>::new(lattice(3, numbers)) else {
        digest.word(0xBAD0_91A0);
        return;
    };
    let settings =
        SurveySettings { soak_s: 30, check_stations: numbers.below(2) == 0, lowest_um: -900, ..Default::default() };
    let mut survey = Survey::new(plan, settings, 5_000);
    let mut now_s = 0;
    let mut last = Order::Wait;
    for _ in 0..PATIENCE {
        now_s += 5;
        let rare = numbers.below(8) == 0;
        let event = match (last, numbers.below(40)) {
            (_, 0) => SurveyEvent::Back,
            (_, 1) if rare => SurveyEvent::LimitSwitchTripped,
            (_, 2) if rare => SurveyEvent::ScrewTurned,
            (_, 3 | 4) => SurveyEvent::Temperature {
                bed_c: 18 + numbers.below(5) as i16,
                nozzle_c: 18 + numbers.below(4) as i16,
                at_s: now_s,
            },
            (Order::Lift { .. } | Order::Travel { .. } | Order::Approach { .. }, _) => SurveyEvent::Arrived,
            (Order::RaiseBed { .. }, _) => SurveyEvent::ScrewTurned,
            (Order::Step { .. }, 5..20) => SurveyEvent::Pressed,
            (Order::Wait, 5..10) => SurveyEvent::Temperature { bed_c: 20, nozzle_c: 20, at_s: now_s },
            _ => SurveyEvent::Turned { detents: numbers.between(-30, 5) as i16 },
        };
        let order = survey.handle(event);
        fold(order, digest);
        if order != Order::Wait {
            last = order;
        } else if event == SurveyEvent::Arrived || matches!(event, SurveyEvent::Temperature { .. }) {
            last = Order::Wait;
        }
        if matches!(order, Order::Done | Order::Aborted) {
            break;
        }
    }
    if let Some(stored) = survey.result(7) {
        digest.signed(stored.closure_um.into());
        digest.word(u32::from(stored.closure_accepted));
        for &height_um in stored.grid.nodes_um() {
            digest.signed(height_um.into());
        }
    }
}

fn fold(order: Order, digest: &mut Digest) {
    let (kind, first, second) = match order {
        Order::Wait => (0, 0, 0),
        Order::Lift { z_um } => (1, z_um, 0),
        Order::Travel { x_um, y_um } => (2, x_um, y_um),
        Order::Approach { z_um } => (3, z_um, 0),
        Order::Step { z_um } => (4, z_um, 0),
        Order::RaiseBed { by_um } => (5, by_um.into(), 0),
        Order::Done => (6, 0, 0),
        Order::Aborted => (7, 0, 0),
    };
    digest.word(kind);
    digest.signed(first);
    digest.signed(second);
}
