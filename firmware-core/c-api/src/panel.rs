//! Knob, button and limit switch over the caller's pins, read in a timer interrupt, taken out by the main loop.

use core::ffi::c_void;
use core::num::NonZeroU8;

use embedded_hal::digital::{Error, ErrorKind, ErrorType, InputPin};
use gapkeeper::panel::{
    ActiveLevel, DetentsPerCycle, EventQueue, Knob, LimitSwitch, Panel, PanelEvent, Press, PressButton,
};

use crate::pointer::{self, Answer, Plain};
use crate::result::{GapkeeperResult, answer};
use crate::storage::{Content, GapkeeperPanel, Storage};
use crate::survey::{GapkeeperEvent, GapkeeperEventKind};

/// Which pin is to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperPin {
    /// One of the knob's.
    KnobA = 0,
    /// The other.
    KnobB = 1,
    /// The button's.
    Button = 2,
    /// The limit switch's.
    LimitSwitch = 3,
}

/// What a pin's level means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperActive {
    /// Low is pressed or tripped: a contact to ground, with a pull-up resistor. For a limit switch: normally open.
    Low = 0,
    /// High is: a contact to the supply, or one to ground that opens when it is tripped; a broken wire then trips as well.
    High = 1,
}

/// How a panel is wired. Begin with `gapkeeper_panel_settings_default`.
#[derive(Clone, Copy)]
#[repr(C)]
pub struct GapkeeperPanelSettings {
    /// Given to the function; may be null.
    pub context: *mut c_void,
    /// Reads a GapkeeperPin: 0 for low, 1 for high; any other number if it cannot be read.
    pub read_pin: Option<unsafe extern "C" fn(context: *mut c_void, pin: u8) -> u8>,
    /// How long the button must be seen otherwise before that counts.
    pub debounce_ms: u16,
    /// How long a press is a long one; 0: there are none.
    pub long_press_ms: u16,
    /// How long the limit switch must be seen free before that counts.
    pub release_ms: u16,
    /// Clicks of the knob for one cycle of its contacts: 1, 2 or 4.
    pub detents_per_cycle: u8,
    /// How long a contact of the knob is steady at the fastest turn, 1 or more.
    pub knob_steady_ms: u8,
    /// A GapkeeperActive.
    pub button_active: u8,
    /// A GapkeeperActive.
    pub limit_switch_active: u8,
}

/// What happened at a panel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum GapkeeperPanelEventKind {
    /// `event`, to be given to `gapkeeper_survey_event` as it is. A long press is `GAPKEEPER_EVENT_KIND_ABORT`; where there
    /// are long presses, a button held while the knob is turned by two detents is `GAPKEEPER_EVENT_KIND_BACK`, or
    /// `GAPKEEPER_EVENT_KIND_ENOUGH` if forwards.
    Survey = 0,
    /// Detents or a press were lost: turned faster than polled, or too much was waiting. Show it.
    Lost = 1,
    /// A pin could not be read. Show it; a limit switch then counts as tripped.
    PinFailed = 2,
}

/// What happened at a panel. Fields that do not belong to the kind are 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[repr(C)]
pub struct GapkeeperPanelEvent {
    /// For the survey.
    pub event: GapkeeperEvent,
    /// A GapkeeperPanelEventKind.
    pub kind: u8,
}

// SAFETY: a pointer, a function that may be null, of which this crate trusts none before it is asked to; and integers.
unsafe impl Plain for GapkeeperPanelSettings {}
// SAFETY: integers only, so any bytes are a value.
unsafe impl Plain for GapkeeperPanelEvent {}

/// What stands in a panel's storage.
pub(crate) struct PanelContent {
    /// For the side that polls.
    panel: Panel<CallerPin, CallerPin, CallerPin, CallerPin>,
    /// For both sides.
    events: EventQueue,
}

impl Content for PanelContent {
    type Opaque = GapkeeperPanel;
    const MAGIC: u32 = 0x4761_704E;
}

/// One of the caller's pins.
struct CallerPin {
    context: *mut c_void,
    read_pin: unsafe extern "C" fn(*mut c_void, u8) -> u8,
    pin: GapkeeperPin,
}

/// A pin that could not be read.
#[derive(Clone, Copy, Debug)]
struct PinFailure;

impl Error for PinFailure {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

impl ErrorType for CallerPin {
    type Error = PinFailure;
}

impl InputPin for CallerPin {
    fn is_high(&mut self) -> Result<bool, PinFailure> {
        // SAFETY: the function does what the header says, see `gapkeeper_panel_init`.
        match unsafe { (self.read_pin)(self.context, self.pin as u8) } {
            0 => Ok(false),
            1 => Ok(true),
            _ => Err(PinFailure),
        }
    }

    fn is_low(&mut self) -> Result<bool, PinFailure> {
        self.is_high().map(|is_high| !is_high)
    }
}

impl GapkeeperPanelSettings {
    fn panel(&self) -> Result<Panel<CallerPin, CallerPin, CallerPin, CallerPin>, GapkeeperResult> {
        let (context, read_pin) = (self.context, self.read_pin.ok_or(GapkeeperResult::NullPointer)?);
        let pin = |pin| CallerPin { context, read_pin, pin };
        let unknown = GapkeeperResult::UnknownKind;
        let active = |kind: u8| match kind {
            kind if kind == GapkeeperActive::Low as u8 => Ok(ActiveLevel::Low),
            kind if kind == GapkeeperActive::High as u8 => Ok(ActiveLevel::High),
            _ => Err(unknown),
        };
        let detents_per_cycle = match self.detents_per_cycle {
            1 => DetentsPerCycle::One,
            2 => DetentsPerCycle::Two,
            4 => DetentsPerCycle::Four,
            _ => return Err(unknown),
        };
        let steady_ms = NonZeroU8::new(self.knob_steady_ms).ok_or(GapkeeperResult::SettingsSteady)?;
        let knob = Knob::new(pin(GapkeeperPin::KnobA), pin(GapkeeperPin::KnobB), detents_per_cycle, steady_ms);
        let button = PressButton::new(pin(GapkeeperPin::Button), active(self.button_active)?, self.debounce_ms);
        let button = match self.long_press_ms {
            0 => button,
            long_ms => button.with_long_press(long_ms),
        };
        let switch = pin(GapkeeperPin::LimitSwitch);
        let limit_switch = LimitSwitch::new(switch, active(self.limit_switch_active)?, self.release_ms);
        Ok(Panel::new(knob, button, limit_switch))
    }
}

impl From<PanelEvent> for GapkeeperPanelEvent {
    fn from(event: PanelEvent) -> Self {
        let of = |kind: GapkeeperPanelEventKind| Self { kind: kind as u8, ..Self::default() };
        let survey = |kind: GapkeeperEventKind| GapkeeperEvent { kind: kind as u8, ..GapkeeperEvent::default() };
        let event = match event {
            PanelEvent::Lost => return of(GapkeeperPanelEventKind::Lost),
            PanelEvent::PinFailed => return of(GapkeeperPanelEventKind::PinFailed),
            PanelEvent::LimitSwitch { is_tripped } => {
                GapkeeperEvent { is_tripped: is_tripped.into(), ..survey(GapkeeperEventKind::LimitSwitch) }
            }
            PanelEvent::Turned { detents } => GapkeeperEvent { detents, ..survey(GapkeeperEventKind::Turned) },
            PanelEvent::Pressed(Press::Short) => survey(GapkeeperEventKind::Pressed),
            PanelEvent::Pressed(Press::Long) => survey(GapkeeperEventKind::Abort),
            PanelEvent::Pressed(Press::HeldForwards) => survey(GapkeeperEventKind::Enough),
            PanelEvent::Pressed(Press::HeldBackwards) => survey(GapkeeperEventKind::Back),
        };
        Self { event, ..of(GapkeeperPanelEventKind::Survey) }
    }
}

/// A knob of one click a cycle that is steady for 2 ms, contacts to ground with pull-up resistors, a normally closed
/// limit switch, 20 ms for both to settle, long presses from 800 ms on. Only `read_pin` is missing.
///
/// # Safety
/// `settings` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_panel_settings_default(settings: *mut GapkeeperPanelSettings) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        unsafe { Answer::at(settings) }?.give(GapkeeperPanelSettings {
            context: core::ptr::null_mut(),
            read_pin: None,
            debounce_ms: 20,
            long_press_ms: 800,
            release_ms: 20,
            detents_per_cycle: 1,
            knob_steady_ms: 2,
            button_active: GapkeeperActive::Low as u8,
            limit_switch_active: GapkeeperActive::High as u8,
        });
        Ok(())
    })
}

/// Makes a panel, whatever the storage held; nothing is read yet. Pass `sizeof(GapkeeperPanel)`. If it fails, the storage
/// holds no panel. A panel stays where it is.
///
/// # Safety
/// `panel` is null or may be written for `size` bytes, and nobody polls it meanwhile; `settings` is null or may be read,
/// and its function does what [`GapkeeperPanelSettings`] says as long as the panel is used.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_panel_init(
    panel: *mut GapkeeperPanel,
    size: usize,
    settings: *const GapkeeperPanelSettings,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { Storage::<PanelContent>::fresh(panel, size) }?;
        // SAFETY: as the caller promises.
        let panel = unsafe { pointer::read(settings) }?.panel()?;
        storage.fill(PanelContent { panel, events: EventQueue::new() });
        Ok(())
    })
}

/// Reads all four pins, each millisecond, from one timer interrupt or one loop. The clock goes on while nothing polls; it
/// may wrap around.
///
/// # Safety
/// `panel` is null or storage for a panel, and nobody else polls it meanwhile; `gapkeeper_panel_take` may be broken into.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_panel_poll(panel: *mut GapkeeperPanel, now_ms: u32) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let content = unsafe { Storage::<PanelContent>::filled(panel) }?.content();
        // SAFETY: filled and writable; the other side looks at the events only, which both may share.
        let (panel, events) = unsafe { (&mut (*content).panel, &(*content).events) };
        events.put(&panel.poll(now_ms));
        Ok(())
    })
}

/// Takes out what happened next, or `GAPKEEPER_RESULT_END`. A trip of the switch and a long press overtake all else, and
/// what was turned and pressed before them is dropped.
///
/// # Safety
/// `panel` is null or storage for a panel, and nobody else takes from it meanwhile; `event` is null or may be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_panel_take(
    panel: *mut GapkeeperPanel,
    event: *mut GapkeeperPanelEvent,
) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let (storage, event) = unsafe { (Storage::<PanelContent>::filled(panel)?, Answer::at(event)?) };
        // SAFETY: filled; both sides may share the events.
        let taken = unsafe { &(*storage.content()).events }.take();
        event.give(taken.ok_or(GapkeeperResult::End)?.into());
        Ok(())
    })
}

/// Drops the detents and short presses that wait. Call it when the screen has begun to ask something else, so that
/// nobody's press answers a question that was not yet on it.
///
/// # Safety
/// As for `gapkeeper_panel_take`.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn gapkeeper_panel_drop_waiting(panel: *mut GapkeeperPanel) -> GapkeeperResult {
    answer(|| {
        // SAFETY: as the caller promises.
        let storage = unsafe { Storage::<PanelContent>::filled(panel) }?;
        // SAFETY: filled; both sides may share the events.
        unsafe { &(*storage.content()).events }.drop_waiting();
        Ok(())
    })
}
