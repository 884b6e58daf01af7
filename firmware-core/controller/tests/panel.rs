//! The panel: the switch first, and nothing is lost to a neighbour that fails.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::cell::Cell;
use std::num::NonZeroU8;

use embedded_hal::digital::{ErrorKind, ErrorType, InputPin};
use gapkeeper::SurveyEvent;
use gapkeeper::panel::{ActiveLevel, DetentsPerCycle, Knob, LimitSwitch, PressButton};
use gapkeeper_controller::Panel;

/// A level, or a pin that cannot be read.
struct Pin<'a>(&'a Cell<Option<bool>>);

impl ErrorType for Pin<'_> {
    type Error = ErrorKind;
}

impl InputPin for Pin<'_> {
    fn is_high(&mut self) -> Result<bool, ErrorKind> {
        self.0.get().ok_or(ErrorKind::Other)
    }

    fn is_low(&mut self) -> Result<bool, ErrorKind> {
        self.is_high().map(|high| !high)
    }
}

struct Wires {
    a: Cell<Option<bool>>,
    b: Cell<Option<bool>>,
    button: Cell<Option<bool>>,
    switch: Cell<Option<bool>>,
}

const fn wires() -> Wires {
    Wires {
        a: Cell::new(Some(false)),
        b: Cell::new(Some(false)),
        button: Cell::new(Some(false)),
        switch: Cell::new(Some(false)),
    }
}

type WiredPanel<'a> = Panel<Pin<'a>, Pin<'a>, Pin<'a>, Pin<'a>>;

/// A panel whose button says a press as soon as it is held for 5 ms.
fn panel(wires: &Wires) -> WiredPanel<'_> {
    panel_with(wires, PressButton::new(Pin(&wires.button), ActiveLevel::High, 5))
}

fn panel_with<'a>(wires: &'a Wires, button: PressButton<Pin<'a>>) -> WiredPanel<'a> {
    Panel::new(
        Knob::new(Pin(&wires.a), Pin(&wires.b), DetentsPerCycle::One, NonZeroU8::MIN),
        button,
        LimitSwitch::new(Pin(&wires.switch), ActiveLevel::High, 2),
    )
}

/// So long the knob stands still until it knows its clicks.
const STANDS_MS: u32 = 1_100;

/// All that so many polls say, one each millisecond.
fn polls(panel: &mut WiredPanel<'_>, now_ms: &mut u32, times: u32) -> Vec<Result<SurveyEvent, ErrorKind>> {
    let mut said = Vec::new();
    for _ in 0..times {
        *now_ms += 1;
        said.extend(panel.poll(*now_ms).transpose());
    }
    said
}

const fn switch(is_tripped: bool) -> Result<SurveyEvent, ErrorKind> {
    Ok(SurveyEvent::LimitSwitch { is_tripped })
}

#[test]
fn how_the_switch_stands_is_told_at_the_start_and_at_each_change() {
    let (wires, mut now_ms) = (wires(), 0);
    let mut panel = panel(&wires);
    assert_eq!(polls(&mut panel, &mut now_ms, 5), [switch(false)]);
    wires.switch.set(Some(true));
    assert_eq!(polls(&mut panel, &mut now_ms, 50), [switch(true)]);
    wires.switch.set(Some(false));
    assert_eq!(polls(&mut panel, &mut now_ms, 50), [switch(false)]);
}

/// A wire that is broken from the start: the switch counts as tripped at the first poll.
#[test]
fn a_switch_that_is_open_from_the_start_is_told() {
    let (wires, mut now_ms) = (wires(), 0);
    wires.switch.set(Some(true));
    assert_eq!(polls(&mut panel(&wires), &mut now_ms, 10), [switch(true)]);
}

#[test]
fn a_knob_that_fails_hides_neither_switch_nor_button() {
    let (wires, mut now_ms) = (wires(), 0);
    let mut panel = panel(&wires);
    polls(&mut panel, &mut now_ms, STANDS_MS);
    wires.a.set(None);
    wires.switch.set(Some(true));
    wires.button.set(Some(true));
    let said = polls(&mut panel, &mut now_ms, 10);
    assert!(said.contains(&switch(true)) && said.contains(&Ok(SurveyEvent::Pressed)), "{said:?}");
    assert!(said.contains(&Err(ErrorKind::Other)), "{said:?}");
}

#[test]
fn a_press_takes_no_detent_away() {
    let (wires, mut now_ms) = (wires(), 0);
    let mut panel = panel(&wires);
    polls(&mut panel, &mut now_ms, STANDS_MS);
    // The step that makes the detent comes at the poll at which the button counts as pressed.
    for (a, b) in [(false, true), (true, true)] {
        wires.a.set(Some(a));
        wires.b.set(Some(b));
        assert_eq!(polls(&mut panel, &mut now_ms, 1), []);
    }
    wires.button.set(Some(true));
    assert_eq!(polls(&mut panel, &mut now_ms, 5), []);
    wires.b.set(Some(false));
    let said = polls(&mut panel, &mut now_ms, 5);
    assert_eq!(said, [Ok(SurveyEvent::Turned { detents: -1 }), Ok(SurveyEvent::Pressed)]);
}

/// All that a survey asks a hand for, with one knob and its button.
#[test]
fn held_while_the_knob_is_turned_the_button_goes_back_or_has_enough() {
    let phases = [(false, true), (true, true), (true, false), (false, false)];
    for (is_forward, event) in [(false, SurveyEvent::Back), (true, SurveyEvent::Enough)] {
        let (wires, mut now_ms) = (wires(), 0);
        let button = PressButton::new(Pin(&wires.button), ActiveLevel::High, 5).with_long_press(800);
        let mut panel = panel_with(&wires, button);
        polls(&mut panel, &mut now_ms, STANDS_MS);
        wires.button.set(Some(true));
        assert_eq!(polls(&mut panel, &mut now_ms, 10), []);
        let mut said = Vec::new();
        for (a, b) in phases.into_iter().cycle().take(8) {
            wires.a.set(Some(if is_forward { b } else { a }));
            wires.b.set(Some(if is_forward { a } else { b }));
            said.extend(polls(&mut panel, &mut now_ms, 3));
        }
        // A long press is reported once, and releasing the button reports nothing.
        said.extend(polls(&mut panel, &mut now_ms, 1_000));
        wires.button.set(Some(false));
        said.extend(polls(&mut panel, &mut now_ms, 10));
        assert_eq!(said, [Ok(event)]);
    }
}
