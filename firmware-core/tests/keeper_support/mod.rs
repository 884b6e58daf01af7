//! A machine to call the keeper on: a bowed bed, a hand without error, a memory.

#![allow(dead_code, reason = "each test takes what it needs")]

use gapkeeper::memory::{ByteEeprom, ByteMemory, Region};
use gapkeeper::record::max_record_size;
use gapkeeper::{
    Fade, Keeper, KeeperError, KeeperSettings, Lattice, Move, Order, Point, Prompt, Store, SurveyEvent, SurveyPlan,
    SurveySettings,
};

pub type TestKeeper = Keeper<9, 225, 3>;

pub const STATIONS: Lattice =
    Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };

pub fn settings() -> KeeperSettings {
    KeeperSettings { fade: Some(Fade::new(400, 8000).unwrap()), ..KeeperSettings::default() }
}

pub fn keeper_with(settings: KeeperSettings) -> TestKeeper {
    TestKeeper::without_memory(settings).unwrap()
}

pub fn keeper() -> TestKeeper {
    keeper_with(settings())
}

/// One that is just switched on.
pub fn unread() -> TestKeeper {
    TestKeeper::new(settings()).unwrap()
}

pub fn bow_um(x_um: i32, y_um: i32) -> i32 {
    let (u, v) = ((f64::from(x_um) - 110_000.0) / 90_000.0, (f64::from(y_um) - 100_000.0) / 80_000.0);
    (100.0 - 150.0 * (u * u + v * v)).round() as i32
}

/// Measures all stations of a bed without error, at a bed temperature.
pub fn measure(keeper: &mut TestKeeper, bed_c: i16, bed_um: impl Fn(i32, i32) -> i32) {
    measure_plan(keeper, SurveyPlan::new(STATIONS).unwrap(), bed_c, bed_um);
}

pub fn measure_plan<const STATIONS: usize>(
    keeper: &mut Keeper<STATIONS, 225, 3>,
    plan: SurveyPlan<STATIONS>,
    bed_c: i16,
    bed_um: impl Fn(i32, i32) -> i32,
) {
    assert_eq!(begin_plan(keeper, plan, bed_c), Ok(Order::Wait));
    keeper.temperature(bed_c, 200, 0);
    assert_eq!(read_all(keeper, bed_um), Order::Done);
}

pub fn begin_plan<const STATIONS: usize>(
    keeper: &mut Keeper<STATIONS, 225, 3>,
    plan: SurveyPlan<STATIONS>,
    bed_c: i16,
) -> Result<Order, KeeperError> {
    let settings = SurveySettings {
        bed_temperature_c: bed_c,
        nozzle_temperature_c: 200,
        soak_s: 0,
        detent_um: 1,
        // This hand knows the bed and turns straight to the gap.
        coarse_um: 0,
        ..SurveySettings::default()
    };
    keeper.begin_survey(plan, settings, 5000)
}

/// From the press that begins the round to its end, or to a tie that is refused.
pub fn read_all<const STATIONS: usize>(
    keeper: &mut Keeper<STATIONS, 225, 3>,
    bed_um: impl Fn(i32, i32) -> i32,
) -> Order {
    let mut order = keeper.survey(SurveyEvent::Pressed).unwrap();
    let (mut at, mut z_um) = ((0, 0), 5000);
    loop {
        let event = match order {
            Order::Lift { z_um: to } | Order::Approach { z_um: to } | Order::Step { z_um: to } => {
                z_um = to;
                SurveyEvent::Arrived
            }
            Order::Travel { x_um, y_um } => {
                at = (x_um, y_um);
                SurveyEvent::Arrived
            }
            Order::Wait if matches!(keeper.status().prompt, Some(Prompt::TieRefused { .. })) => return order,
            Order::Wait if z_um == bed_um(at.0, at.1) + 100 => SurveyEvent::Pressed,
            Order::Wait => SurveyEvent::Turned { detents: (bed_um(at.0, at.1) + 100 - z_um) as i16 },
            Order::Done => return order,
            other => panic!("{other:?}"),
        };
        order = keeper.survey(event).unwrap();
    }
}

pub fn begin(keeper: &mut TestKeeper) -> Result<Order, KeeperError> {
    keeper.begin_survey(SurveyPlan::new(STATIONS).unwrap(), SurveySettings::default(), 5000)
}

pub fn level_move(z_um: i32) -> Move<1> {
    let start = Point { x_um: 20_000, y_um: 20_000, z_um };
    Move { start, end: Point { x_um: 200_000, y_um: 180_000, z_um }, extra_start: [0], extra_end: [9000] }
}

/// Byte-writable memory that loses power after so many bytes written; if told to, its `n`-th read from now fails, and so
/// many reads from now find the plug out.
pub struct Cells {
    pub bytes: [u8; 1024],
    pub writes_left: u32,
    pub failing_read: Option<u32>,
    pub unplugged_reads: u32,
}

impl ByteMemory for Cells {
    type Error = &'static str;

    fn capacity(&self) -> u32 {
        1024
    }

    fn read_byte(&mut self, address: u32) -> Result<u8, Self::Error> {
        if let Some(left) = &mut self.failing_read {
            let Some(fewer) = left.checked_sub(1) else {
                self.failing_read = None;
                return Err("does not answer");
            };
            *left = fewer;
        }
        if let Some(fewer) = self.unplugged_reads.checked_sub(1) {
            self.unplugged_reads = fewer;
            return Ok(0xFF);
        }
        Ok(self.bytes[address as usize])
    }

    fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), Self::Error> {
        self.writes_left = self.writes_left.checked_sub(1).ok_or("power is gone")?;
        self.bytes[address as usize] = byte;
        Ok(())
    }
}

pub type TestStore = Store<ByteEeprom<Cells>, 9, { max_record_size(9) }>;

pub fn store(bytes: [u8; 1024], writes_left: u32) -> TestStore {
    store_on(Cells { bytes, writes_left, failing_read: None, unplugged_reads: 0 })
}

pub fn store_on(cells: Cells) -> TestStore {
    let slot_size = gapkeeper::store::slot_size(9, 1) as u32;
    let region = Region { first_address: 16, slot_size, slot_count: 8 };
    Store::new(ByteEeprom::new(cells, region).unwrap()).unwrap()
}

pub fn bytes_of(store: TestStore) -> [u8; 1024] {
    store.release().release().bytes
}
