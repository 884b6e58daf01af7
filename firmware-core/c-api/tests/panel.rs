//! The panel over a caller's pins: what a hand does comes out as events for the survey, in the order that is safe.

#[macro_use]
mod session;

use core::ffi::c_void;

use gapkeeper_c_api::*;
use session::{LATTICE, Session, plain, zeroed};

/// Four pins and a clock. Pressed is low, tripped is high, as in the default settings.
struct Wires {
    levels: [u8; 4],
    now_ms: u32,
    panel: GapkeeperPanel,
}

const REST: [u8; 4] = [0, 0, 1, 0];

unsafe extern "C" fn read_pin(context: *mut c_void, pin: u8) -> u8 {
    // SAFETY: the context that the test gave.
    unsafe { (*context.cast::<[u8; 4]>())[usize::from(pin)] }
}

fn panel_settings() -> GapkeeperPanelSettings {
    let mut settings: GapkeeperPanelSettings = zeroed();
    assert_eq!(call!(gapkeeper_panel_settings_default(&raw mut settings)), GapkeeperResult::Ok);
    GapkeeperPanelSettings { read_pin: Some(read_pin), ..settings }
}

impl Wires {
    fn new() -> Box<Self> {
        let mut wires = Box::new(Self { levels: REST, now_ms: 0xFFFF_FF00, panel: zeroed() });
        let context = (&raw mut wires.levels).cast();
        let settings = GapkeeperPanelSettings { context, ..panel_settings() };
        let made = call!(gapkeeper_panel_init(&raw mut wires.panel, GAPKEEPER_PANEL_SIZE, &settings));
        assert_eq!(made, GapkeeperResult::Ok);
        wires
    }

    /// Polls each millisecond with one pin at a level.
    fn hold(&mut self, pin: GapkeeperPin, level: u8, ms: u32) {
        self.levels[pin as usize] = level;
        for _ in 0..ms {
            self.now_ms = self.now_ms.wrapping_add(1);
            assert_eq!(call!(gapkeeper_panel_poll(&raw mut self.panel, self.now_ms)), GapkeeperResult::Ok);
        }
    }

    fn press(&mut self, ms: u32) {
        self.hold(GapkeeperPin::Button, 0, ms);
        self.hold(GapkeeperPin::Button, 1, 40);
    }

    /// One click: A before B is forward.
    fn click(&mut self, forward: bool) {
        let (first, second) = match forward {
            true => (GapkeeperPin::KnobA, GapkeeperPin::KnobB),
            false => (GapkeeperPin::KnobB, GapkeeperPin::KnobA),
        };
        for (pin, level) in [(first, 1), (second, 1), (first, 0), (second, 0)] {
            self.hold(pin, level, 5);
        }
    }

    fn take(&mut self) -> Option<GapkeeperPanelEvent> {
        let mut event = zeroed();
        match call!(gapkeeper_panel_take(&raw mut self.panel, &raw mut event)) {
            GapkeeperResult::Ok => Some(event),
            result => {
                assert_eq!(result, GapkeeperResult::End);
                None
            }
        }
    }

    /// All that waits.
    fn taken(&mut self) -> Vec<GapkeeperPanelEvent> {
        core::iter::from_fn(|| self.take()).collect()
    }

    /// Switched on, seen at rest for long enough.
    fn at_rest() -> Box<Self> {
        let mut wires = Self::new();
        wires.hold(GapkeeperPin::LimitSwitch, 0, 1200);
        assert_eq!(wires.taken(), [of(switch(0))]);
        wires
    }
}

fn of(event: GapkeeperEvent) -> GapkeeperPanelEvent {
    GapkeeperPanelEvent { event, kind: GapkeeperPanelEventKind::Survey as u8 }
}

fn switch(is_tripped: u8) -> GapkeeperEvent {
    GapkeeperEvent { is_tripped, ..plain(GapkeeperEventKind::LimitSwitch) }
}

fn turned(detents: i16) -> GapkeeperEvent {
    GapkeeperEvent { detents, ..plain(GapkeeperEventKind::Turned) }
}

#[test]
fn what_a_hand_does_comes_out_in_order() {
    let mut wires = Wires::at_rest();
    for _ in 0..3 {
        wires.click(true);
    }
    wires.press(100);
    wires.click(false);
    let pressed = plain(GapkeeperEventKind::Pressed);
    assert_eq!(wires.taken(), [of(turned(3)), of(pressed), of(turned(-1))]);
    wires.press(1000);
    assert_eq!(wires.taken(), [of(plain(GapkeeperEventKind::Abort))]);
    wires.click(true);
    assert_eq!(call!(gapkeeper_panel_drop_waiting(&raw mut wires.panel)), GapkeeperResult::Ok);
    assert_eq!(wires.taken(), []);
}

/// The button held while the knob turns by two clicks is an event of its own. One click is ignored: pressing may cause it.
#[test]
fn a_button_that_is_held_while_the_knob_is_turned() {
    let cases = [
        (true, 1, GapkeeperEventKind::Pressed),
        (false, 1, GapkeeperEventKind::Pressed),
        (true, 2, GapkeeperEventKind::Enough),
        (false, 2, GapkeeperEventKind::Back),
        (true, 9, GapkeeperEventKind::Enough),
        (false, 60, GapkeeperEventKind::Back),
    ];
    let mut wires = Wires::at_rest();
    for (forward, clicks, kind) in cases {
        wires.hold(GapkeeperPin::Button, 0, 40);
        for _ in 0..clicks {
            wires.click(forward);
        }
        wires.hold(GapkeeperPin::Button, 1, 40);
        assert_eq!(wires.taken(), [of(plain(kind))], "{clicks}");
        wires.click(forward);
        assert_eq!(wires.taken(), [of(turned(if forward { 1 } else { -1 }))]);
    }
    // To and fro is nothing, and held long it is a long press still.
    wires.hold(GapkeeperPin::Button, 0, 40);
    for forward in [true, false, true, false] {
        wires.click(forward);
    }
    wires.hold(GapkeeperPin::Button, 0, 1000);
    wires.hold(GapkeeperPin::Button, 1, 40);
    assert_eq!(wires.taken(), [of(plain(GapkeeperEventKind::Abort))]);
    // What waits is dropped like all else.
    for drops in [true, false] {
        wires.hold(GapkeeperPin::Button, 0, 40);
        wires.click(true);
        wires.click(true);
        wires.hold(GapkeeperPin::Button, 1, 40);
        if drops {
            assert_eq!(call!(gapkeeper_panel_drop_waiting(&raw mut wires.panel)), GapkeeperResult::Ok);
        } else {
            wires.hold(GapkeeperPin::LimitSwitch, 1, 3);
            assert_eq!(wires.take(), Some(of(switch(1))));
        }
        assert_eq!(wires.taken(), []);
    }
}

/// A wire that is broken from the start is a tripped switch, and a trip overtakes what waits.
#[test]
fn a_trip_comes_first() {
    let mut wires = Wires::new();
    wires.hold(GapkeeperPin::LimitSwitch, 1, 30);
    assert_eq!(wires.taken(), [of(switch(1))]);
    let mut wires = Wires::at_rest();
    wires.click(true);
    wires.press(100);
    wires.hold(GapkeeperPin::LimitSwitch, 1, 3);
    wires.hold(GapkeeperPin::LimitSwitch, 0, 100);
    assert_eq!(wires.taken(), [of(switch(1)), of(switch(0))]);
}

/// A pin that cannot be read is said, hides no other, and is a trip where it is the switch's.
#[test]
fn a_pin_that_fails_is_said() {
    let failed = GapkeeperPanelEvent { kind: GapkeeperPanelEventKind::PinFailed as u8, ..zeroed() };
    let mut wires = Wires::at_rest();
    wires.hold(GapkeeperPin::KnobA, 7, 2);
    wires.levels = REST;
    assert_eq!(wires.taken(), [failed]);
    wires.hold(GapkeeperPin::LimitSwitch, 2, 2);
    assert_eq!(wires.taken(), [of(switch(1)), failed]);
}

/// The events go into a survey as they are.
#[test]
fn a_survey_is_begun_from_the_panel() {
    let (mut s, mut wires) = (Session::begun(), Wires::at_rest());
    let mut settings = zeroed();
    assert_eq!(call!(gapkeeper_survey_settings_default(&raw mut settings)), GapkeeperResult::Ok);
    let keeper = &raw mut s.keeper;
    assert_eq!(call!(gapkeeper_survey_begin(keeper, &LATTICE, &settings, 5000, &mut zeroed())), GapkeeperResult::Ok);
    for at_s in [0, 300] {
        let cold = GapkeeperTemperature { at_s, bed_c: 20, nozzle_c: 20 };
        assert_eq!(call!(gapkeeper_temperature(keeper, &cold, &mut zeroed())), GapkeeperResult::Ok);
    }
    wires.press(100);
    let orders: Vec<_> = wires.taken().iter().map(|taken| s.event(taken.event).expect("a survey").kind).collect();
    assert_eq!(orders, [GapkeeperOrderKind::Lift as u8]);
    wires.press(1000);
    let orders: Vec<_> = wires.taken().iter().map(|taken| s.event(taken.event).expect("a survey").kind).collect();
    assert_eq!(orders, [GapkeeperOrderKind::Lift as u8], "on the way out");
}

#[test]
fn what_is_no_panel_is_refused() {
    let good = panel_settings();
    let mut panel: GapkeeperPanel = zeroed();
    let panel = &raw mut panel;
    let cases = [
        (GapkeeperPanelSettings { read_pin: None, ..good }, GapkeeperResult::NullPointer),
        (GapkeeperPanelSettings { detents_per_cycle: 3, ..good }, GapkeeperResult::UnknownKind),
        (GapkeeperPanelSettings { knob_steady_ms: 0, ..good }, GapkeeperResult::SettingsSteady),
        (GapkeeperPanelSettings { button_active: 2, ..good }, GapkeeperResult::UnknownKind),
        (GapkeeperPanelSettings { limit_switch_active: 2, ..good }, GapkeeperResult::UnknownKind),
    ];
    let not = GapkeeperResult::NotInitialised;
    for (settings, expected) in cases {
        assert_eq!(call!(gapkeeper_panel_init(panel, GAPKEEPER_PANEL_SIZE, &settings)), expected);
        assert_eq!(call!(gapkeeper_panel_poll(panel, 0)), not);
        assert_eq!(call!(gapkeeper_panel_take(panel, &mut zeroed())), not);
        assert_eq!(call!(gapkeeper_panel_drop_waiting(panel)), not);
    }
    let (null, nowhere) = (GapkeeperResult::NullPointer, core::ptr::null_mut());
    let refused = [
        call!(gapkeeper_panel_settings_default(core::ptr::null_mut())),
        call!(gapkeeper_panel_init(nowhere, GAPKEEPER_PANEL_SIZE, &good)),
        call!(gapkeeper_panel_init(panel, GAPKEEPER_PANEL_SIZE, core::ptr::null())),
        call!(gapkeeper_panel_poll(nowhere, 0)),
        call!(gapkeeper_panel_take(nowhere, &mut zeroed())),
        call!(gapkeeper_panel_drop_waiting(nowhere)),
    ];
    assert_eq!(refused, [null; 6]);
    assert_eq!(call!(gapkeeper_panel_init(panel, GAPKEEPER_PANEL_SIZE - 1, &good)), GapkeeperResult::WrongSize);
    let wires = Wires::new();
    let panel = (&raw const wires.panel).cast_mut();
    assert_eq!(call!(gapkeeper_panel_take(panel, core::ptr::null_mut())), null);
    assert_eq!(call!(gapkeeper_panel_take(panel.wrapping_byte_add(1), &mut zeroed())), GapkeeperResult::Misaligned);
    assert_eq!(call!(gapkeeper_homed(panel.cast(), &mut zeroed())), not, "a panel is no keeper");
}
