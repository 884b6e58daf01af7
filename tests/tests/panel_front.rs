//! Knob, button and switch polled together: nothing hides anything else, and what it costs.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::cell::Cell;
use std::num::NonZeroU8;

use gapkeeper::panel::{
    ActiveLevel, DetentsPerCycle, EventQueue, Knob, LimitSwitch, Panel, PanelEvent, PanelPoll, Press, PressButton,
};
use gapkeeper_tests::hands::{Clock, ContactPin, CountingPin, Encoder, FailingPin, PinFault, WornButton};

/// A machine's hardware and a hand at it, with a switch at each pin's error.
struct Bench {
    clock: Clock,
    encoder: Encoder,
    button: WornButton,
    switch: WornButton,
    failing: [Cell<bool>; 4],
    reads: Cell<u32>,
}

impl Bench {
    /// After 1.1 s, within the same two milliseconds: a detent forward, a press, and the switch opens.
    fn new() -> Self {
        Self {
            clock: Clock::new(),
            encoder: Encoder::new(0, 0, 1).stand(1_100_000).turn(4, 3_000),
            button: WornButton::new(0, 1).press(1_089_000, 1_300_000),
            switch: WornButton::new(0, 1).press(0, 1_109_000).press(1_400_000, u64::MAX),
            failing: [const { Cell::new(false) }; 4],
            reads: Cell::new(0),
        }
    }

    /// Polls each millisecond until then, `see` what it finds.
    fn run(&self, until_us: u64, mut see: impl FnMut(u64, PanelPoll<PinFault>)) {
        let pin = |number: usize, pin| CountingPin::new(FailingPin::new(pin, &self.failing[number]), &self.reads);
        let mut panel = Panel::new(
            Knob::new(
                pin(0, ContactPin::new(&self.clock, Part::A(&self.encoder))),
                pin(1, ContactPin::new(&self.clock, Part::B(&self.encoder))),
                DetentsPerCycle::One,
                NonZeroU8::MIN,
            ),
            PressButton::new(pin(2, ContactPin::new(&self.clock, Part::Button(&self.button))), ActiveLevel::Low, 20),
            LimitSwitch::new(pin(3, ContactPin::new(&self.clock, Part::Button(&self.switch))), ActiveLevel::High, 20),
        );
        while self.clock.now_us() <= until_us {
            let found = panel.poll(self.clock.now_ms());
            see(self.clock.now_us(), found);
            self.clock.advance_us(1_000);
        }
    }
}

/// One type for all contacts, so that one closure makes all pins.
enum Part<'a> {
    A(&'a Encoder),
    B(&'a Encoder),
    Button(&'a WornButton),
}

impl gapkeeper_tests::hands::Contact for Part<'_> {
    fn is_closed(&self, at_us: u64) -> bool {
        match self {
            Self::A(encoder) => encoder.a().is_closed(at_us),
            Self::B(encoder) => encoder.b().is_closed(at_us),
            Self::Button(button) => button.is_closed(at_us),
        }
    }
}

#[test]
fn what_happens_in_one_poll_is_found_in_it_whole() {
    let bench = Bench::new();
    let mut all = Vec::new();
    bench.run(2_000_000, |at_us, found| {
        let is_any = found.limit_switch.is_some() || found.detents != 0 || found.press.is_some();
        all.extend(is_any.then_some((at_us, found.limit_switch, found.detents, found.press)));
        assert!(!found.errors.any() && !found.is_lost && !found.is_stalled);
    });
    let expected = [
        (0, Some(false), 0, None),
        // The third phase, the debounce time, and the switch.
        (1_109_000, Some(true), 1, Some(Press::Short)),
        (1_420_000, Some(false), 0, None),
    ];
    assert_eq!(all, expected);
}

#[test]
fn no_error_hides_what_other_pins_tell() {
    for failing in 0..3 {
        let bench = Bench::new();
        bench.failing[failing].set(true);
        let (mut told, mut detents, mut presses) = (Vec::new(), 0, 0);
        bench.run(2_000_000, |_, found| {
            told.extend(found.limit_switch);
            detents += found.detents;
            presses += usize::from(found.press.is_some());
            assert_eq!(found.errors.knob.is_some(), failing < 2);
            assert_eq!(found.errors.button.is_some(), failing == 2);
            assert_eq!(found.errors.limit_switch, None);
        });
        assert_eq!(told, [false, true, false], "pin {failing}");
        assert_eq!((detents, presses), if failing < 2 { (0, 1) } else { (1, 0) }, "pin {failing}");
    }
    let bench = Bench::new();
    bench.failing[3].set(true);
    let (mut told, mut detents, mut presses) = (Vec::new(), 0, 0);
    bench.run(2_000_000, |_, found| {
        told.extend(found.limit_switch);
        detents += found.detents;
        presses += usize::from(found.press.is_some());
        assert_eq!(found.errors.limit_switch, Some(PinFault));
    });
    assert_eq!((told, detents, presses), (vec![true], 1, 1));
}

#[test]
fn a_failing_pin_is_an_event_and_the_switch_comes_before_it() {
    let bench = Bench::new();
    bench.failing[0].set(true);
    let queue = EventQueue::new();
    bench.run(1_150_000, |_, found| queue.put(&found));
    let events: Vec<_> = std::iter::from_fn(|| queue.take()).collect();
    assert_eq!(events, [PanelEvent::LimitSwitch { is_tripped: true }, PanelEvent::PinFailed]);
}

/// Pins of no size, as those of most chips are.
struct Nothing;

impl embedded_hal::digital::ErrorType for Nothing {
    type Error = core::convert::Infallible;
}

impl embedded_hal::digital::InputPin for Nothing {
    fn is_high(&mut self) -> Result<bool, Self::Error> {
        Ok(true)
    }

    fn is_low(&mut self) -> Result<bool, Self::Error> {
        Ok(false)
    }
}

#[test]
fn what_it_costs() {
    let sizes = [
        ("Knob", size_of::<Knob<Nothing, Nothing>>(), 28),
        ("PressButton", size_of::<PressButton<Nothing>>(), 28),
        ("LimitSwitch", size_of::<LimitSwitch<Nothing>>(), 20),
        ("Panel", size_of::<Panel<Nothing, Nothing, Nothing, Nothing>>(), 76),
        ("EventQueue", size_of::<EventQueue>(), 32),
    ];
    for (name, bytes, most) in sizes {
        println!("{name}: {bytes} bytes");
        assert!(bytes <= most, "{name}: {bytes}");
    }
    let bench = Bench::new();
    let (mut before, mut worst) = (0, 0);
    bench.run(2_000_000, |_, _| {
        worst = worst.max(bench.reads.get() - before);
        before = bench.reads.get();
    });
    println!("{worst} pin reads a poll");
    assert_eq!(worst, 4);
}
