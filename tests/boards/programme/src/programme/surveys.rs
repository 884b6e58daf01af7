//! A survey of nine stations, with middles of cells or without, by an operator whose hand the generator leads.

use gapkeeper::{Order, Prompt, Survey, SurveyEvent, SurveyPlan, SurveySettings};

use super::beds::lattice;
use super::digest::Digest;
use super::numbers::Numbers;

/// Events after which the operator gives up.
const PATIENCE: u16 = 400;

/// One survey, every order and the grid of it.
pub fn survey(numbers: &mut Numbers, digest: &mut Digest) {
    let settings = SurveySettings { soak_s: 30, lowest_um: -900, ..Default::default() };
    let with_middles = numbers.below(2) == 0;
    let plan = SurveyPlan::<25>::new(lattice(3, numbers)).ok();
    let plan = if with_middles { plan.and_then(|plan| plan.with_middles().ok()) } else { plan };
    let Some(mut survey) = plan.and_then(|plan| Survey::new(plan, settings, 5_000).ok()) else {
        digest.word(0xBAD0_91A0);
        return;
    };
    carry_out(&mut survey, numbers, digest);
}

// Never inlined: the compiler for the AVR gets frames of the size of all of this wrong.
#[inline(never)]
fn carry_out(survey: &mut Survey<25>, numbers: &mut Numbers, digest: &mut Digest) {
    let mut now_s = 0;
    for _ in 0..PATIENCE {
        now_s += 5;
        let order = survey.handle(event(survey, now_s, numbers));
        fold(order, digest);
        if matches!(order, Order::Done | Order::Aborted) {
            break;
        }
    }
    if let Some(stored) = survey.result(7) {
        digest.signed(stored.bed_temperature_c.into());
        digest.signed(stored.closure_um.into());
        digest.word(u32::from(stored.closure_accepted));
        for &height_um in stored.grid.nodes_um() {
            digest.signed(height_um.into());
        }
    }
}

/// Mostly what the prompt asks for, now and then something else.
fn event(survey: &Survey<25>, now_s: u32, numbers: &mut Numbers) -> SurveyEvent {
    let rare = numbers.below(8) == 0;
    match numbers.below(40) {
        0 => return SurveyEvent::Back,
        6 if rare => return SurveyEvent::Enough,
        1 if rare => return SurveyEvent::LimitSwitch { is_tripped: true },
        2 if rare => return SurveyEvent::ScrewTurned,
        3 if rare => return SurveyEvent::Temperature { bed_c: 14, nozzle_c: 20, at_s: now_s },
        4 => return SurveyEvent::LimitSwitch { is_tripped: false },
        5 => {
            let (bed_c, nozzle_c) = (18 + numbers.below(5) as i16, 18 + numbers.below(4) as i16);
            return SurveyEvent::Temperature { bed_c, nozzle_c, at_s: now_s };
        }
        _ => {}
    }
    if survey.order_due() != Order::Wait {
        return SurveyEvent::Arrived;
    }
    match survey.prompt() {
        Prompt::Heat { .. } | Prompt::Soak { .. } => SurveyEvent::Temperature { bed_c: 20, nozzle_c: 20, at_s: now_s },
        Prompt::SetGap { is_turned, .. } | Prompt::LookAgain { is_turned, .. }
            if !is_turned || numbers.below(3) == 0 =>
        {
            SurveyEvent::Turned { detents: numbers.between(-30, 5) as i16 }
        }
        Prompt::RaiseBed { is_told: false, .. } => SurveyEvent::ScrewTurned,
        Prompt::SwitchTripped { press_lifts: false } => SurveyEvent::LimitSwitch { is_tripped: false },
        _ => SurveyEvent::Pressed,
    }
}

fn fold(order: Order, digest: &mut Digest) {
    let (kind, first, second) = match order {
        Order::Wait => (0, 0, 0),
        Order::Lift { z_um } => (1, z_um, 0),
        Order::Travel { x_um, y_um } => (2, x_um, y_um),
        Order::Approach { z_um } => (3, z_um, 0),
        Order::Step { z_um } => (4, z_um, 0),
        Order::Stop => (5, 0, 0),
        Order::Done => (6, 0, 0),
        Order::Aborted => (7, 0, 0),
    };
    digest.word(kind);
    digest.signed(first);
    digest.signed(second);
}
