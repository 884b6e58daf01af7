//! No public function of the core panics, whatever it is given; these tests are built with overflow checks.
//!
//! Few rounds by default; `GAPKEEPER_EXTREMES=100000 cargo test -p gapkeeper-tests --test extremes` asks for more.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::hint::black_box;
use std::num::NonZeroU8;

use embedded_hal::digital::{ErrorType, InputPin};
use gapkeeper::memory::{AddressBytes, ByteEeprom, ByteMemory, Cells, I2cEeprom, I2cEepromPart, Region, SlotMemory};
use gapkeeper::panel::{ActiveLevel, DetentsPerCycle, EventQueue, Knob, LimitSwitch, Panel, PressButton};
use gapkeeper::record::{self, max_record_size};
use gapkeeper::{
    Arc, BedHeight, BedPlane, Correction, Flow, HeightGrid, Hold, Move, Plane, Screw, Store, StoredGrid, Surface,
    SurveyPlan, Tie, TramAdvice, Turn,
};
use gapkeeper_tests::extremes::{Extremes, rounds};

/// Without them this file would show nothing.
#[test]
fn overflow_is_checked() {
    if cfg!(debug_assertions) {
        let most = black_box(i32::MAX);
        assert!(std::panic::catch_unwind(|| most + black_box(1)).is_err());
    }
}

/// Every error is shown to a person, so its text is made too.
fn say<T, E: std::fmt::Display>(result: Result<T, E>) -> Option<T> {
    result.map_err(|error| black_box(error.to_string())).ok()
}

#[test]
fn lattices_and_grids() {
    for seed in 0..20 * rounds() {
        let mut any = Extremes::new(seed);
        let lattice = any.lattice();
        black_box((lattice.node_um(any.u8(), any.u8()), lattice.node_count()));
        say(HeightGrid::<0>::from_fn(lattice, |_, _| 0));
        say(HeightGrid::<256>::from_fn(lattice, |_, _| any.i32()));
        say(HeightGrid::<9>::new(lattice, &[any.i16(); 4]));
        say(SurveyPlan::<9>::new(lattice));
        say(HeightGrid::<256>::from_fn(any.sound_lattice(16), |_, _| i32::from(any.i16())));
    }
}

#[test]
fn heights_and_refinement() {
    for seed in 0..rounds() {
        let mut any = Extremes::new(seed);
        let grid = any.grid::<256>();
        let lattice = grid.lattice();
        for _ in 0..20 {
            let place = any.place_near(lattice);
            assert!(grid.height_um(place.x_um, place.y_um).abs() <= 8191);
            if let Some(deviation) = grid.deviation(any.u8() % 17, any.u8() % 17) {
                black_box((deviation.off_um(), deviation.rank()));
            }
            assert!(grid.deviation(any.u8() | 16, 0).is_none());
        }
        black_box(grid.shape_range_um());
        say(grid.refined::<256>(any.u8(), any.u8()));
        say(grid.refined::<256>(2 + any.u8() % 15, 2 + any.u8() % 15));
        say(grid.refined::<3>(2, 2));
        say(grid.densest::<256>());
        say(grid.densest::<4>());
    }
}

/// A correction with any shift, fade and lowest height that the core takes.
fn correction(any: &mut Extremes) -> Correction<256> {
    let mut correction = Correction::new(any.grid::<256>());
    correction = say(correction.clone().with_shift(any.i32() % 8192)).unwrap_or(correction);
    say(correction.clone().with_shift(any.i32()));
    if let Some(fade) = any.fade() {
        correction = say(correction.clone().with_fade(fade)).unwrap_or(correction);
    }
    if any.bool() { correction.with_lowest_machine_z(any.i32()) } else { correction }
}

#[test]
fn corrections_and_moves() {
    for seed in 0..rounds() {
        let mut any = Extremes::new(seed);
        let correction = correction(&mut any);
        let lattice = correction.grid().lattice();
        black_box((correction.thickness_change_permille(), correction.shift_um(), correction.lowest_machine_z_um()));
        if let Some(fade) = correction.fade() {
            black_box((fade.share_q16(any.i32()), fade.zero_above_um(), fade.range_um()));
        }
        for _ in 0..20 {
            let place = any.place_near(lattice);
            let (x_um, y_um, z_um) = (place.x_um, place.y_um, place.z_um);
            let machine_z_um = correction.machine_z_um(x_um, y_um, z_um);
            assert!(i64::from(machine_z_um).abs_diff(z_um.into()) <= 4 * 8191);
            black_box(correction.logical_z_um(x_um, y_um, z_um));
            assert!(correction.thickness_q16(x_um, y_um, z_um) <= 131_072);
        }
        for _ in 0..4 {
            let motion = match any.bool() {
                true => any.motion::<2>(),
                false => {
                    let (start, end) = (any.place_near(lattice), any.place_near(lattice));
                    Move { start, end, extra_start: [any.i32(), 0], extra_end: [any.i32(), any.i32()] }
                }
            };
            let tolerance_um = if any.bool() { 2 } else { any.u16() };
            let Some(pieces) = say(correction.split(&motion, tolerance_um)) else { continue };
            // A steep grid gives many; each is made, the first ones are looked at.
            let mut last = None;
            for piece in pieces.clone() {
                assert!(piece.end.z_um >= correction.lowest_machine_z_um());
                last = Some(piece);
            }
            let last = last.unwrap();
            assert_eq!(
                (last.end.x_um, last.end.y_um, last.extra),
                (motion.end.x_um, motion.end.y_um, motion.extra_end)
            );
            let (mut scaled, mut flow) = (pieces, Flow::with_remainder_q17(any.i32()));
            while let Some(piece) = scaled.next_scaled(&mut flow) {
                black_box(piece);
            }
            assert!((-65_536..65_536).contains(&flow.remainder_q17()));
        }
    }
}

#[test]
fn arcs() {
    for seed in 0..10 * rounds() {
        let mut any = Extremes::new(seed);
        let mut motion = any.motion::<1>();
        // Two far places are no ends of an arc.
        if any.bool() {
            let offset_um = any.i32() >> (any.u8() % 32);
            motion.end.x_um = motion.start.x_um.saturating_add(offset_um);
            motion.end.y_um = motion.start.y_um.saturating_sub(if any.bool() { offset_um } else { 0 });
        }
        let plane = [Plane::Xy, Plane::Zx, Plane::Yz][usize::from(any.u8() % 3)];
        let turn = if any.bool() { Turn::Clockwise } else { Turn::Anticlockwise };
        let arcs = [
            say(Arc::with_centre(motion, plane, turn, [any.i32(), any.i32()])),
            say(Arc::with_centre(Move { end: motion.start, ..motion }, plane, turn, [any.i32() >> 8, any.i32() >> 20])),
            say(Arc::with_radius(motion, plane, turn, any.i32())),
            say(Arc::with_radius(motion, plane, turn, any.i32() >> (any.u8() % 32))),
        ];
        for arc in arcs.into_iter().flatten() {
            black_box((arc.centre_um(), arc.sweep()));
            say(arc.chords(0));
            let Some(chords) = say(arc.chords(any.u16())) else { continue };
            let last = chords.last().unwrap();
            assert_eq!(last.extra_end, motion.extra_end);
        }
    }
}

/// The radii at both ends may differ, so two ends may stand at one angle from the centre: there is something to travel.
#[test]
fn ends_at_one_angle_from_the_centre_are_reached() {
    let mut hairs = 0;
    for (start_um, end_um) in (1..=7).flat_map(|apart_um| [(0, apart_um), (apart_um, 0)]) {
        for turn in [Turn::Clockwise, Turn::Anticlockwise] {
            let point = |x_um| gapkeeper::Point { x_um, y_um: 0, z_um: 0 };
            let motion = Move { start: point(start_um), end: point(end_um), extra_start: [0], extra_end: [7] };
            let arc = Arc::with_centre(motion, Plane::Xy, turn, [-10_000, 0]).unwrap();
            assert_eq!(arc.chords(5).unwrap().last().unwrap().end, motion.end);
            hairs += u32::from(arc.sweep() == 0);
        }
    }
    assert!(hairs > 0, "the case that once had no chord");
}

#[test]
fn plans() {
    for seed in 0..10 * rounds() {
        let mut any = Extremes::new(seed);
        let corners = [(any.i32(), any.i32()), (any.i32(), any.i32())];
        say(SurveyPlan::<25>::over(corners, any.u32(), any.u8(), any.u8()));
        let plan = SurveyPlan::<25>::new(any.sound_lattice(5)).unwrap();
        let plan = if any.bool() { plan.with_middles().unwrap_or(plan) } else { plan };
        black_box((plan.lattice(), plan.order()));
        let screws: Vec<_> = (0..any.u8() % 12).map(|_| (any.i32(), any.i32())).collect();
        say(plan.clone().with_corner_round(screws));
        let order: Vec<_> = (0..any.u8() % 30).map(|_| (any.u8() % 6, any.u8() % 6)).collect();
        say(plan.clone().with_order(&order));
        say(plan.clone().with_order(&[(any.u8(), any.u8())]));
        let mut backwards = plan.order().to_vec();
        backwards.reverse();
        plan.with_order(&backwards).unwrap();
    }
}

#[test]
fn tramming() {
    let mut advised = 0;
    for seed in 0..20 * rounds() {
        let mut any = Extremes::new(seed);
        // Half of them on a bed of usual size.
        let is_usual = any.bool();
        let place = |any: &mut Extremes| if is_usual { any.0.below(300_000) as i32 } else { any.i32() };
        let height_um = |any: &mut Extremes| if is_usual { any.i16() % 8192 } else { any.i16() };
        let count = if any.bool() { 9 } else { usize::from(any.u8()) + usize::from(any.u8() % 3) };
        let readings: Vec<_> = (0..count)
            .map(|_| BedHeight { x_um: place(&mut any), y_um: place(&mut any), height_um: height_um(&mut any).into() })
            .collect();
        let thread = |any: &mut Extremes| if is_usual { 100 + any.u16() % 9901 } else { any.u16() };
        let screws: Vec<_> = (0..any.u8() % 10)
            .map(|_| Screw { x_um: place(&mut any), y_um: place(&mut any), thread_um_per_turn: thread(&mut any) })
            .collect();
        let hold = match any.u8() % 4 {
            0 => Hold::Screw(any.u8() % 9),
            1 => Hold::Height { target_um: any.i32() },
            2 => Hold::Highest,
            _ => Hold::Lowest,
        };
        if let Some(plane) = say(BedPlane::fit(readings.iter().copied())) {
            black_box((plane.height_um(any.i32(), any.i32()), plane.slope_um_per_m()));
        }
        let rigid = say(TramAdvice::rigid(readings.iter().copied(), &screws, hold));
        let thin = say(TramAdvice::new(readings.iter().copied(), &screws, hold));
        for advice in rigid.into_iter().chain(thin) {
            advised += 1;
            black_box((advice.residual(), advice.plane()));
            for screw in advice.screws() {
                black_box(screw.to_string());
            }
        }
    }
    assert!(advised > rounds() / 2, "{advised}: many of them must be sound");
}

/// What is remembered with a grid, each part as far out as its type allows.
fn stored(any: &mut Extremes) -> StoredGrid<9> {
    StoredGrid {
        grid: any.grid(),
        shift_um: any.i16(),
        fade: any.fade(),
        bed_temperature_c: any.i16(),
        setup: any.u32(),
        closure_um: any.i16(),
        closure_accepted: any.bool(),
        surface: if any.bool() { Surface::Bilinear } else { Surface::Refined },
        tie: Tie::new(any.u8() % 8, any.u8() % 128),
    }
}

#[test]
fn records() {
    let mut kept = 0;
    for seed in 0..10 * rounds() {
        let mut any = Extremes::new(seed);
        let (stored, sequence) = (stored(&mut any), any.u32());
        let mut bytes = [0; max_record_size(9)];
        if let Some(length) = say(record::encode_grid(&stored, sequence, &mut bytes)) {
            kept += 1;
            assert_eq!(record::decode_grid::<9>(&bytes).unwrap().value, stored);
            say(record::decode_grid::<4>(&bytes));
            say(record::decode_grid::<0>(&bytes));
            say(record::decode_grid::<9>(&bytes[..length - 1]));
        }
        let short = any.u8() as usize % bytes.len();
        say(record::encode_grid(&stored, sequence, &mut bytes[..short]));
        say(record::encode_setup(any.u32(), sequence, &mut bytes[..short]));
        // Any field of a header, with the check value put right, so that the fields behind it are read.
        for _ in 0..8 {
            let field = any.u8() as usize % 12;
            bytes[field] = any.u8();
            let stated = usize::from(u16::from_le_bytes([bytes[6], bytes[7]]));
            if let Some(content) = stated.checked_sub(4).filter(|_| stated <= bytes.len()) {
                let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&bytes[..content]);
                bytes[content..stated].copy_from_slice(&crc.to_le_bytes());
            }
            say(record::decode_grid::<9>(&bytes));
            say(record::decode_setup(&bytes));
        }
    }
    assert!(kept > 0, "some of them must be sound");
    black_box((max_record_size(usize::MAX), gapkeeper::store::slot_size(usize::MAX, usize::MAX)));
    black_box((gapkeeper::store::slot_size(0, 0), gapkeeper::store::slot_size(usize::MAX, 0)));
}

/// A memory of any size that answers anything.
#[derive(Debug)]
struct AnyMemory {
    any: Extremes,
    slots: usize,
    slot_size: usize,
    unit: usize,
}

impl SlotMemory for AnyMemory {
    type Error = &'static str;

    fn slot_count(&self) -> usize {
        self.slots
    }

    fn slot_size(&self) -> usize {
        self.slot_size
    }

    fn unit(&self) -> usize {
        self.unit
    }

    fn read(&mut self, _: usize, _: usize, bytes: &mut [u8]) -> Result<Cells, Self::Error> {
        let kind = self.any.u8() % 4;
        for byte in bytes.iter_mut() {
            *byte = if kind == 0 { 0xFF } else { self.any.u8() };
        }
        // The beginning of a record, of any layout and length.
        if let (1, Some(magic)) = (kind, bytes.get_mut(..4)) {
            magic.copy_from_slice(b"GapK");
        }
        match self.any.u8() % 16 {
            0 => Err("no answer"),
            1 => Ok(Cells::Damaged),
            _ => Ok(Cells::Readable),
        }
    }

    fn erase(&mut self, _: usize) -> Result<(), Self::Error> {
        if self.any.bool() { Ok(()) } else { Err("no answer") }
    }

    fn write(&mut self, _: usize, _: usize, _: &[u8]) -> Result<(), Self::Error> {
        if self.any.bool() { Ok(()) } else { Err("no answer") }
    }
}

#[test]
fn stores_in_any_memory() {
    for seed in 0..10 * rounds() {
        let mut any = Extremes::new(seed);
        let mut memory = AnyMemory { any, slots: any.usize(), slot_size: any.usize(), unit: any.usize() };
        if any.bool() {
            (memory.slots, memory.slot_size, memory.unit) = (6, 512, 1 << (any.u8() % 8));
        }
        let Ok(mut store) = Store::<_, 9, { max_record_size(9) }>::new(memory).map_err(|error| error.to_string())
        else {
            continue;
        };
        black_box(store.places());
        for place in [0, any.usize()] {
            say(store.load_grid(place));
            say(store.load_setup());
            say(store.save_grid(place, &stored(&mut any)));
            say(store.save_setup(any.u32()));
            say(store.forget_grid(place));
        }
    }
}

/// A bus, a delay and a byte memory that answer anything.
struct AnyPart(Extremes);

impl embedded_hal::i2c::ErrorType for AnyPart {
    type Error = embedded_hal::i2c::ErrorKind;
}

impl embedded_hal::i2c::I2c for AnyPart {
    fn transaction(&mut self, _: u8, _: &mut [embedded_hal::i2c::Operation<'_>]) -> Result<(), Self::Error> {
        if self.0.bool() { Ok(()) } else { Err(embedded_hal::i2c::ErrorKind::Bus) }
    }
}

impl embedded_hal::delay::DelayNs for AnyPart {
    fn delay_ns(&mut self, _: u32) {}
}

impl ByteMemory for AnyPart {
    type Error = &'static str;

    fn capacity(&self) -> u32 {
        1 << (self.0.0.0 % 32)
    }

    fn read_byte(&mut self, _: u32) -> Result<u8, Self::Error> {
        if self.0.bool() { Ok(self.0.u8()) } else { Err("no answer") }
    }

    fn write_byte(&mut self, _: u32, _: u8) -> Result<(), Self::Error> {
        if self.0.bool() { Ok(()) } else { Err("no answer") }
    }
}

fn every_call(mut memory: impl SlotMemory, any: &mut Extremes) {
    let mut bytes = [0; 70];
    black_box((memory.slot_count(), memory.slot_size(), memory.unit()));
    for (slot, offset) in [(0, 0), (1, any.u8().into()), (any.usize(), any.usize())] {
        black_box(memory.read(slot, offset, &mut bytes).is_ok());
        black_box((memory.erase(slot).is_ok(), memory.write(slot, offset, &bytes).is_ok()));
        black_box(memory.write(slot, offset, &[]).is_ok());
    }
}

#[test]
fn memories_in_any_region() {
    for seed in 0..10 * rounds() {
        let mut any = Extremes::new(seed);
        let mut region = Region { first_address: any.u32(), slot_size: any.u32(), slot_count: any.u32() };
        if any.bool() {
            region = Region { first_address: 64, slot_size: 64 * (1 + u32::from(any.u8() % 4)), slot_count: 4 };
        }
        if let Some(memory) = say(ByteEeprom::new(AnyPart(any), region)) {
            every_call(memory, &mut any);
        }
        let part = I2cEepromPart {
            device_address: any.u8(),
            capacity: any.u32(),
            page_size: if any.bool() { 64 } else { any.u32() },
            address_bytes: if any.bool() { AddressBytes::One } else { AddressBytes::Two },
            polls: any.u16() % 3,
            poll_interval_us: any.u32(),
        };
        if let Some(memory) = say(I2cEeprom::new(AnyPart(any), AnyPart(any), part, region)) {
            every_call(memory, &mut any);
        }
    }
}

/// A pin with any level.
struct AnyPin(Extremes);

impl ErrorType for AnyPin {
    type Error = std::convert::Infallible;
}

impl InputPin for AnyPin {
    fn is_high(&mut self) -> Result<bool, Self::Error> {
        Ok(self.0.bool())
    }

    fn is_low(&mut self) -> Result<bool, Self::Error> {
        Ok(self.0.bool())
    }
}

#[test]
fn panels() {
    for seed in 0..rounds() {
        let mut any = Extremes::new(seed);
        let pin = |any: &mut Extremes| AnyPin(Extremes::new(any.u32().into()));
        let detents = [DetentsPerCycle::One, DetentsPerCycle::Two, DetentsPerCycle::Four][usize::from(any.u8() % 3)];
        let level = if any.bool() { ActiveLevel::High } else { ActiveLevel::Low };
        let steady_ms = NonZeroU8::new(any.u8() | 1).unwrap();
        let knob = Knob::new(pin(&mut any), pin(&mut any), detents, steady_ms);
        let button = PressButton::new(pin(&mut any), level, any.u16()).with_long_press(any.u16());
        let switch = LimitSwitch::new(pin(&mut any), level, any.u16());
        let mut panel = Panel::new(knob, button, switch);
        let queue = EventQueue::new();
        for _ in 0..200 {
            let poll = panel.poll(if any.bool() { any.u32() } else { any.u8().into() });
            assert!(poll.detents.abs() <= 3);
            queue.put(&poll);
            if any.bool() {
                black_box(queue.take());
            }
            black_box((panel.knob().lost(), panel.knob().stalls(), panel.is_tripped()));
        }
        queue.drop_waiting();
    }
}
