//! What a person touches, and the switch that the nozzle may: all of it polled, none of it waiting.

use embedded_hal::digital::InputPin;
use gapkeeper::SurveyEvent;
use gapkeeper::panel::{Knob, LimitSwitch, Press, PressButton};

/// Knob, button and limit switch of one machine.
pub struct Panel<A, B, P, L> {
    knob: Knob<A, B>,
    button: PressButton<P>,
    limit_switch: LimitSwitch<L>,
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
        Self { knob, button, limit_switch }
    }

    /// The next thing that happened, the switch before the person; call it every millisecond or two.
    ///
    /// A long press ends a survey, a short one is the reading.
    ///
    /// # Errors
    /// The pins' own.
    pub fn poll(&mut self, now_ms: u32) -> Result<Option<SurveyEvent>, E> {
        self.limit_switch.poll()?;
        let detents = self.knob.poll()?;
        let press = self.button.poll(now_ms)?;
        if self.limit_switch.take_trip() {
            return Ok(Some(SurveyEvent::LimitSwitchTripped));
        }
        Ok(match press {
            Some(Press::Short) => Some(SurveyEvent::Pressed),
            Some(Press::Long) => Some(SurveyEvent::Abort),
            None => (detents != 0).then_some(SurveyEvent::Turned { detents }),
        })
    }
}
