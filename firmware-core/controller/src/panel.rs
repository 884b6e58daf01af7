//! What a person touches, and the switch that the nozzle may: all of it polled, none of it waiting.

use embedded_hal::digital::InputPin;
use gapkeeper::SurveyEvent;
use gapkeeper::panel::{self, EventQueue, Knob, LimitSwitch, PanelEvent, Press, PressButton};

/// Knob, button and limit switch of one machine.
pub struct Panel<A, B, P, L> {
    parts: panel::Panel<A, B, P, L>,
    events: EventQueue,
    is_lost: bool,
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
        Self { parts: panel::Panel::new(knob, button, limit_switch), events: EventQueue::new(), is_lost: false }
    }

    /// The next thing that happened, the switch before the person; call it every millisecond. How the switch stands is told
    /// at the first poll and at each change.
    ///
    /// A long press ends a survey, a short one is the reading. With the button held, two detents backwards
    /// are [`SurveyEvent::Back`], two forwards [`SurveyEvent::Enough`].
    ///
    /// # Errors
    /// The pins' own, when nothing else is to be told. A switch whose pin fails counts as tripped.
    pub fn poll(&mut self, now_ms: u32) -> Result<Option<SurveyEvent>, E> {
        let polled = self.parts.poll(now_ms);
        self.events.put(&polled);
        while let Some(event) = self.events.take() {
            match event {
                PanelEvent::LimitSwitch { is_tripped } => return Ok(Some(SurveyEvent::LimitSwitch { is_tripped })),
                PanelEvent::Pressed(Press::Long) => return Ok(Some(SurveyEvent::Abort)),
                PanelEvent::Pressed(Press::Short) => return Ok(Some(SurveyEvent::Pressed)),
                PanelEvent::Pressed(Press::HeldForwards) => return Ok(Some(SurveyEvent::Enough)),
                PanelEvent::Pressed(Press::HeldBackwards) => return Ok(Some(SurveyEvent::Back)),
                PanelEvent::Turned { detents } => return Ok(Some(SurveyEvent::Turned { detents })),
                PanelEvent::Lost | PanelEvent::PinFailed => self.is_lost = true,
            }
        }
        let errors = polled.errors;
        errors.limit_switch.or(errors.knob).or(errors.button).map_or(Ok(None), Err)
    }

    /// Whether a turn or a press was lost since the last time this was asked: for the screen.
    pub fn take_lost(&mut self) -> bool {
        core::mem::take(&mut self.is_lost)
    }
}
