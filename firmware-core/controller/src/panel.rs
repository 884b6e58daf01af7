//! What a person touches, and the switch that the nozzle may: all of it polled, none of it waiting.

use embedded_hal::digital::InputPin;
use gapkeeper::SurveyEvent;
use gapkeeper::panel::{Knob, LimitSwitch, Press, PressButton};

/// Knob, button and limit switch of one machine.
pub struct Panel<A, B, P, L> {
    knob: Knob<A, B>,
    button: PressButton<P>,
    limit_switch: LimitSwitch<L>,
    /// How the switch was told to stand.
    told: Option<bool>,
    /// What happened and is not told yet.
    detents: i16,
    press: Option<Press>,
}

impl<E, A, B, P, L> Panel<A, B, P, L>
where
    A: InputPin<Error = E>,
    B: InputPin<Error = E>,
    P: InputPin<Error = E>,
    L: InputPin<Error = E>,
{
    /// A panel from its parts.
    pub fn new(knob: Knob<A, B>, button: PressButton<P>, limit_switch: LimitSwitch<L>) -> Self {
        Self { knob, button, limit_switch, told: None, detents: 0, press: None }
    }

    /// The next thing that happened, the switch before the person; call it every millisecond or two. How the switch stands is
    /// told at the first poll and at each change.
    ///
    /// A long press ends a survey, a short one is the reading.
    ///
    /// # Errors
    /// The pins' own. A knob or a button that fails hides neither the switch nor the other one.
    pub fn poll(&mut self, now_ms: u32) -> Result<Option<SurveyEvent>, E> {
        let (switch, knob, button) = (self.limit_switch.poll(), self.knob.poll(), self.button.poll(now_ms));
        if let Ok(detents) = &knob {
            self.detents = self.detents.saturating_add(*detents);
        }
        if let Ok(Some(press)) = &button {
            self.press = Some(*press);
        }
        let is_tripped = switch?;
        if self.told != Some(is_tripped) {
            self.told = Some(is_tripped);
            return Ok(Some(SurveyEvent::LimitSwitch { is_tripped }));
        }
        // What was turned before a press belongs to it.
        if self.detents != 0 {
            return Ok(Some(SurveyEvent::Turned { detents: core::mem::take(&mut self.detents) }));
        }
        if let Some(press) = self.press.take() {
            return Ok(Some(match press {
                Press::Short => SurveyEvent::Pressed,
                Press::Long => SurveyEvent::Abort,
            }));
        }
        knob?;
        button?;
        Ok(None)
    }
}
