//! A hand at the panel: it turns the knob phase by phase until the feeler drags, and presses.

use core::cell::Cell;
use core::convert::Infallible;
use core::num::NonZeroU8;

use embedded_hal::digital::{ErrorType, InputPin};
use gapkeeper::memory::SlotMemory;
use gapkeeper::panel::{ActiveLevel, DetentsPerCycle, Knob, LimitSwitch, PressButton};
use gapkeeper::{Prompt, SurveyEvent, SurveyPlan, SurveySettings};
use gapkeeper_controller::{ControllerStore, Panel};

use super::{Fault, HEIGHTS_UM, MachineController, Path, STATIONS_AT};

const FEELER_UM: u16 = 100;

/// The limit switch is free again after so long.
const RELEASE_MS: u16 = 2;

/// So long the knob stands still until it knows its clicks.
const STANDS_MS: u32 = 1_001;

/// Polls until a contact of the button counts.
const PRESS_POLLS: u32 = 10;

/// More visits than a survey of nine stations has.
const PATIENCE: u32 = 20;

/// More detents than from any waiting height down to any station.
const MOST_DETENTS: u32 = 2_000;

/// Levels of both contacts while the knob goes one detent backwards, which lowers the nozzle.
const BACKWARDS: [(bool, bool); 4] = [(false, true), (true, true), (true, false), (false, false)];

/// Levels on the panel's wires.
#[derive(Default)]
struct Wires {
    a: Cell<bool>,
    b: Cell<bool>,
    button: Cell<bool>,
    limit_switch: Cell<bool>,
}

struct Pin<'a>(&'a Cell<bool>);

impl ErrorType for Pin<'_> {
    type Error = Infallible;
}

impl InputPin for Pin<'_> {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.0.get())
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.get())
    }
}

/// The panel, the hand's wires, and a clock of milliseconds.
struct Hand<'a> {
    wires: &'a Wires,
    panel: Panel<Pin<'a>, Pin<'a>, Pin<'a>, Pin<'a>>,
    now_ms: u32,
}

impl<'a> Hand<'a> {
    fn new(wires: &'a Wires) -> Self {
        let panel = Panel::new(
            Knob::new(Pin(&wires.a), Pin(&wires.b), DetentsPerCycle::One, NonZeroU8::MIN),
            PressButton::new(Pin(&wires.button), ActiveLevel::High, 5).with_long_press(1_000),
            LimitSwitch::new(Pin(&wires.limit_switch), ActiveLevel::High, RELEASE_MS),
        );
        Self { wires, panel, now_ms: 0 }
    }

    /// The controller polls, and does what follows.
    fn poll(&mut self, controller: &mut MachineController, times: u32) -> Result<(), Fault> {
        for _ in 0..times {
            self.now_ms += 1;
            if let Ok(Some(event)) = self.panel.poll(self.now_ms) {
                controller.survey(event).map_err(|_| Fault::Controller)?;
            }
            controller.attend();
        }
        Ok(())
    }

    fn lower_by_one_detent(&mut self, controller: &mut MachineController) -> Result<(), Fault> {
        for (a, b) in BACKWARDS {
            self.wires.a.set(a);
            self.wires.b.set(b);
            self.poll(controller, 1)?;
        }
        Ok(())
    }

    fn press(&mut self, controller: &mut MachineController) -> Result<(), Fault> {
        self.wires.button.set(true);
        self.poll(controller, PRESS_POLLS)?;
        self.wires.button.set(false);
        self.poll(controller, PRESS_POLLS)
    }

    /// The switch is in the way, and lets go again.
    fn trip(&mut self, controller: &mut MachineController) -> Result<(), Fault> {
        self.wires.limit_switch.set(true);
        self.poll(controller, 1)?;
        self.wires.limit_switch.set(false);
        self.poll(controller, u32::from(RELEASE_MS) + 1)
    }

    /// What the screen should show.
    fn sees(&self, controller: &mut MachineController, wanted: fn(Prompt) -> bool) -> Result<(), Fault> {
        let prompt = controller.keeper().survey_under_way().map(|survey| survey.prompt());
        if prompt.is_some_and(wanted) { Ok(()) } else { Err(Fault::Controller) }
    }
}

/// Where the nozzle stands when the feeler drags, by the heights of the bed.
fn dragging_um(path: &Path) -> Option<i32> {
    let index = |at_um: i32, from_um: i32, pitch_um: u32| {
        usize::try_from(at_um.checked_sub(from_um)?.checked_div(pitch_um.cast_signed())?).ok()
    };
    let column = index(path.at().x_um, STATIONS_AT.x0_um, STATIONS_AT.pitch_x_um)?;
    let row = index(path.at().y_um, STATIONS_AT.y0_um, STATIONS_AT.pitch_y_um)?;
    let height_um = HEIGHTS_UM.get(row * usize::from(STATIONS_AT.columns) + column)?;
    Some(i32::from(*height_um) + i32::from(FEELER_UM))
}

/// A survey from a cold machine on. At the first station the limit switch is in the way, so the screws are turned and the
/// survey begins anew.
#[inline(never)]
pub fn survey<M: SlotMemory>(controller: &mut MachineController, store: &mut ControllerStore<M>) -> Result<(), Fault> {
    for line in [&b"M140 S60\n"[..], b"M104 S200\n", b"G28\n"] {
        controller.line(line).map_err(|_| Fault::Controller)?;
    }
    let settings = SurveySettings {
        bed_temperature_c: 60,
        nozzle_temperature_c: 200,
        soak_s: 600,
        feeler_um: FEELER_UM,
        detent_um: 1,
        start_um: 400,
        ..SurveySettings::default()
    };
    let plan = SurveyPlan::new(STATIONS_AT).map_err(|_| Fault::Controller)?;
    controller.begin_survey(plan, settings).map_err(|_| Fault::Controller)?;
    for at_s in [0, 600] {
        controller.temperature(60, 200, at_s);
    }
    let wires = Wires::default();
    let mut hand = Hand::new(&wires);
    // A button that is held when it is first looked at says nothing, nor does a knob that has not stood still.
    hand.poll(controller, STANDS_MS)?;
    hand.sees(controller, |prompt| matches!(prompt, Prompt::Ready { .. }))?;
    hand.press(controller)?;
    hand.trip(controller)?;
    hand.sees(controller, |prompt| prompt == Prompt::SwitchTripped { press_lifts: true })?;
    hand.press(controller)?;
    hand.sees(controller, |prompt| matches!(prompt, Prompt::RaiseBed { is_told: false, .. }))?;
    // Said and saved before the screws are turned.
    controller.survey(SurveyEvent::ScrewTurned).map_err(|_| Fault::Controller)?;
    controller.save(store).map_err(|_| Fault::Store)?;
    hand.sees(controller, |prompt| matches!(prompt, Prompt::RaiseBed { is_told: true, .. }))?;
    hand.press(controller)?;
    hand.sees(controller, |prompt| matches!(prompt, Prompt::Ready { .. }))?;
    hand.press(controller)?;
    for _ in 0..PATIENCE {
        if controller.keeper().survey_under_way().is_none() {
            return Ok(());
        }
        let dragging_um = dragging_um(controller.motors()).ok_or(Fault::Controller)?;
        for _ in 0..MOST_DETENTS {
            if controller.motors().at().z_um <= dragging_um {
                break;
            }
            hand.lower_by_one_detent(controller)?;
        }
        hand.press(controller)?;
    }
    Err(Fault::Controller)
}
