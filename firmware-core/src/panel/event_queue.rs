//! From a timer interrupt to the main loop, without locks.

use core::sync::atomic::Ordering::{Acquire, Relaxed, Release};
use core::sync::atomic::{AtomicBool, AtomicU8, AtomicU16};

use super::{PanelPoll, Press};

/// What happened at the panel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum PanelEvent {
    /// The level of the limit switch, at start and at each change.
    LimitSwitch {
        /// Tripped, or free.
        is_tripped: bool,
    },
    /// The button was pressed, or held.
    Pressed(Press),
    /// The knob was turned.
    Turned {
        /// Detents, negative for backwards; never 0.
        detents: i16,
    },
    /// Detents or a press were lost: turned faster than polled, or too much was waiting in the queue.
    Lost,
    /// A pin failed.
    PinFailed,
}

/// Presses that wait in a queue. One more is lost, and [`PanelEvent::Lost`] tells so.
const PRESSES: usize = 4;

const UNKNOWN: u8 = 0;
const FREE: u8 = 1;
const TRIPPED: u8 = 2;

/// Events of one panel: one context puts them in, a timer interrupt for example, and one takes them out.
///
/// - **A trip and a long press are never lost.** They do not wait in line: they are latched beside it and overtake it.
///   What was turned and pressed before is then dropped, because it was meant for what the screen showed before. So it
///   is taken for the answer to nothing else.
/// - **Detents are never lost**: they are summed, apart for the time before and after each press.
/// - Of short presses, the fifth that waits is lost, with a [`PanelEvent::Lost`].
///
/// The order is: the switch, a long press, failed pins and losses, then detents and short presses as they happened, then
/// a button that was held while the knob was turned.
///
/// It needs loads and stores of 8 and 16 bits that cannot be torn, and nothing else: no critical section, no
/// compare-and-swap, so a Cortex-M0 and an RV32IMC do as they are. Put in by two contexts or taken out by two,
/// it counts wrongly, but stays in its memory.
///
/// ```
/// use core::num::NonZeroU8;
/// use embedded_hal::digital::InputPin;
/// use gapkeeper::panel::{EventQueue, Panel, PanelEvent, Press};
///
/// static EVENTS: EventQueue = EventQueue::new();
///
/// /// In the timer interrupt, each millisecond; how it comes by its panel is the framework's business.
/// fn on_timer<P: InputPin>(panel: &mut Panel<P, P, P, P>, now_ms: u32) {
///     EVENTS.put(&panel.poll(now_ms));
/// }
///
/// /// In the main loop: nothing waits, and nothing that a hand did during a save is forgotten.
/// fn on_main_loop(mut stop_motors: impl FnMut(), mut tell_survey: impl FnMut(PanelEvent)) {
///     while let Some(event) = EVENTS.take() {
///         if event == (PanelEvent::LimitSwitch { is_tripped: true }) {
///             stop_motors();
///         }
///         tell_survey(event);
///     }
/// }
/// ```
#[derive(Debug)]
pub struct EventQueue {
    trip: Latch,
    long: Latch,
    held_forwards: Latch,
    held_backwards: Latch,
    failed: Latch,
    lost: Latch,
    level: AtomicU8,
    /// Sum of all detents, wrapping around; written by the side that puts in, as are the stamps and `pressed`.
    turned: AtomicU16,
    /// `turned` at each short press that waits.
    stamps: [AtomicU16; PRESSES],
    /// Number of short presses, wrapping around.
    pressed: AtomicU8,
    /// What of `turned`, `pressed` and `level` was taken; written by the side that takes out.
    turned_taken: AtomicU16,
    pressed_taken: AtomicU8,
    level_taken: AtomicU8,
}

impl EventQueue {
    /// An empty queue.
    pub const fn new() -> Self {
        Self {
            trip: Latch::new(),
            long: Latch::new(),
            held_forwards: Latch::new(),
            held_backwards: Latch::new(),
            failed: Latch::new(),
            lost: Latch::new(),
            level: AtomicU8::new(UNKNOWN),
            turned: AtomicU16::new(0),
            stamps: [const { AtomicU16::new(0) }; PRESSES],
            pressed: AtomicU8::new(0),
            turned_taken: AtomicU16::new(0),
            pressed_taken: AtomicU8::new(0),
            level_taken: AtomicU8::new(UNKNOWN),
        }
    }

    /// Puts in what a poll of the panel found. Takes bounded time and never waits.
    pub fn put<E>(&self, poll: &PanelPoll<E>) {
        match poll.limit_switch {
            Some(true) => {
                self.trip.raise();
                self.level.store(TRIPPED, Release);
            }
            Some(false) => self.level.store(FREE, Release),
            None => {}
        }
        if poll.errors.any() {
            self.failed.raise();
        }
        if poll.is_lost {
            self.lost.raise();
        }
        self.put_detents(poll.detents);
        match poll.press {
            Some(Press::Long) => self.long.raise(),
            Some(Press::Short) => self.put_press(),
            Some(Press::HeldForwards) => self.held_forwards.raise(),
            Some(Press::HeldBackwards) => self.held_backwards.raise(),
            None => {}
        }
    }

    fn put_detents(&self, detents: i16) {
        let turned = self.turned.load(Relaxed);
        // What is taken at once must fit an `i16`: all since the last press that waits, or since the last taking.
        let since = match self.waiting_presses() {
            0 => self.turned_taken.load(Acquire),
            _ => self.stamp(self.pressed.load(Relaxed).wrapping_sub(1)).load(Relaxed),
        };
        if turned.wrapping_sub(since).cast_signed().checked_add(detents).is_some() {
            self.turned.store(turned.wrapping_add_signed(detents), Release);
        } else {
            self.lost.raise();
        }
    }

    fn put_press(&self) {
        if usize::from(self.waiting_presses()) == PRESSES {
            self.lost.raise();
            return;
        }
        let pressed = self.pressed.load(Relaxed);
        self.stamp(pressed).store(self.turned.load(Relaxed), Relaxed);
        self.pressed.store(pressed.wrapping_add(1), Release);
    }

    /// Short presses that wait, as the side sees it that puts in.
    fn waiting_presses(&self) -> u8 {
        self.pressed.load(Relaxed).wrapping_sub(self.pressed_taken.load(Acquire))
    }

    fn stamp(&self, press: u8) -> &AtomicU16 {
        let [first, second, third, fourth] = &self.stamps;
        match press & 3 {
            0 => first,
            1 => second,
            2 => third,
            _ => fourth,
        }
    }

    /// Takes the next event out. Takes bounded time and never waits.
    pub fn take(&self) -> Option<PanelEvent> {
        let level = if self.trip.take() { TRIPPED } else { self.level.load(Acquire) };
        if level != self.level_taken.load(Relaxed) {
            self.level_taken.store(level, Relaxed);
            let is_tripped = level == TRIPPED;
            if is_tripped {
                self.drop_waiting();
            }
            return Some(PanelEvent::LimitSwitch { is_tripped });
        }
        if self.long.take() {
            self.drop_waiting();
            return Some(PanelEvent::Pressed(Press::Long));
        }
        if self.failed.take() {
            return Some(PanelEvent::PinFailed);
        }
        if self.lost.take() {
            return Some(PanelEvent::Lost);
        }
        // In this order: a press that is not yet seen then comes after all detents that are.
        let turned = self.turned.load(Acquire);
        let pressed_taken = self.pressed_taken.load(Relaxed);
        let is_press_waiting = self.pressed.load(Acquire) != pressed_taken;
        let until = if is_press_waiting { self.stamp(pressed_taken).load(Relaxed) } else { turned };
        let detents = until.wrapping_sub(self.turned_taken.load(Relaxed)).cast_signed();
        if detents != 0 {
            self.turned_taken.store(until, Release);
            return Some(PanelEvent::Turned { detents });
        }
        if is_press_waiting {
            self.pressed_taken.store(pressed_taken.wrapping_add(1), Release);
            return Some(PanelEvent::Pressed(Press::Short));
        }
        if self.held_backwards.take() {
            return Some(PanelEvent::Pressed(Press::HeldBackwards));
        }
        self.held_forwards.take().then_some(PanelEvent::Pressed(Press::HeldForwards))
    }

    /// Drops the detents and presses that wait, long ones aside; for the side that takes out. Call it when the screen has begun to
    /// show something else, so that nobody's press answers a question that was not yet on it.
    pub fn drop_waiting(&self) {
        // In this order: a press that stays was made after the detents that go.
        let turned = self.turned.load(Acquire);
        self.pressed_taken.store(self.pressed.load(Acquire), Release);
        self.turned_taken.store(turned, Release);
        self.held_forwards.take();
        self.held_backwards.take();
    }
}

impl Default for EventQueue {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(feature = "defmt")]
impl defmt::Format for EventQueue {
    fn format(&self, formatter: defmt::Formatter<'_>) {
        defmt::write!(formatter, "EventQueue");
    }
}

/// Something that happened, once or more often, since it was last taken. It is so while the two differ; each of them
/// is written by one side only.
#[derive(Debug)]
struct Latch {
    raised: AtomicBool,
    taken: AtomicBool,
}

impl Latch {
    const fn new() -> Self {
        Self { raised: AtomicBool::new(false), taken: AtomicBool::new(false) }
    }

    fn raise(&self) {
        self.raised.store(!self.taken.load(Acquire), Release);
    }

    fn take(&self) -> bool {
        let raised = self.raised.load(Acquire);
        let is_new = raised != self.taken.load(Relaxed);
        if is_new {
            self.taken.store(raised, Release);
        }
        is_new
    }
}
