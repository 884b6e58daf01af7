//! The keeper as a controller calls it: homing, restoring, moving, measuring, shifting, turning screws.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::memory::{ByteEeprom, ByteMemory, Region};
use gapkeeper::record::max_record_size;
use gapkeeper::{
    BedHeight, Choice, Fade, Hold, Keeper, KeeperError, KeeperSettings, Lattice, LoadReport, Move, Order, Point,
    Prompt, RestorePolicy, Screw, SplitError, Store, SurveyEvent, SurveyPlan, SurveySettings, TramAdvice,
};

type TestKeeper = Keeper<9, 225, 3>;

const STATIONS: Lattice =
    Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };

fn settings() -> KeeperSettings {
    KeeperSettings { fade: Some(Fade::new(400, 8000).unwrap()), ..KeeperSettings::default() }
}

fn bow_um(x_um: i32, y_um: i32) -> i32 {
    let (u, v) = ((f64::from(x_um) - 110_000.0) / 90_000.0, (f64::from(y_um) - 100_000.0) / 80_000.0);
    (100.0 - 150.0 * (u * u + v * v)).round() as i32
}

/// Measures all stations of a bed without error, at a bed temperature.
fn measure(keeper: &mut TestKeeper, bed_c: i16, bed_um: impl Fn(i32, i32) -> i32) {
    measure_plan(keeper, SurveyPlan::new(STATIONS).unwrap(), bed_c, bed_um);
}

fn measure_plan(keeper: &mut TestKeeper, plan: SurveyPlan<9>, bed_c: i16, bed_um: impl Fn(i32, i32) -> i32) {
    let settings = SurveySettings {
        bed_temperature_c: bed_c,
        nozzle_temperature_c: 200,
        soak_s: 0,
        detent_um: 1,
        // This hand knows the bed and turns straight to the gap.
        coarse_um: 0,
        ..SurveySettings::default()
    };
    keeper.begin_survey(plan, settings, 5000).unwrap();
    keeper.temperature(bed_c, 200, 0);
    let mut order = keeper.temperature(bed_c, 200, 1);
    let (mut at, mut z_um) = ((0, 0), 5000);
    loop {
        let event = match order {
            Order::Lift { z_um: to } | Order::Approach { z_um: to } | Order::Step { z_um: to } => {
                z_um = to;
                if matches!(order, Order::Step { .. }) { SurveyEvent::Pressed } else { SurveyEvent::Arrived }
            }
            Order::Travel { x_um, y_um } => {
                at = (x_um, y_um);
                SurveyEvent::Arrived
            }
            Order::Wait => SurveyEvent::Turned { detents: (bed_um(at.0, at.1) + 100 - z_um) as i16 },
            Order::Done => break,
            other => panic!("{other:?}"),
        };
        order = keeper.survey(event).unwrap();
    }
}

fn level_move(z_um: i32) -> Move<1> {
    let start = Point { x_um: 20_000, y_um: 20_000, z_um };
    Move { start, end: Point { x_um: 200_000, y_um: 180_000, z_um }, extra_start: [0], extra_end: [9000] }
}

#[test]
fn nothing_moves_before_homing() {
    let mut keeper = TestKeeper::new(settings());
    assert_eq!(keeper.line(&level_move(200)).unwrap_err(), KeeperError::NotHomed);
    assert_eq!(keeper.restore(), Err(KeeperError::NotHomed));
    assert!(keeper.begin_survey(SurveyPlan::new(STATIONS).unwrap(), SurveySettings::default(), 0).is_err());
    assert_eq!(keeper.homed(), Ok(Choice::Empty));
    // Without a grid the move is what it is.
    let pieces: Vec<_> = keeper.line(&level_move(200)).unwrap().collect();
    assert_eq!(pieces.len(), 1);
    assert_eq!((pieces[0].end, pieces[0].extra), (level_move(200).end, [9000]));
    keeper.lost_position();
    assert_eq!(keeper.line(&level_move(200)).unwrap_err(), KeeperError::NotHomed);
}

#[test]
fn a_measured_grid_is_in_force_at_once_and_said_to_be_unsaved() {
    let mut keeper = TestKeeper::new(settings());
    keeper.homed().unwrap();
    assert!(!keeper.is_unsaved());
    measure(&mut keeper, 60, bow_um);
    // Common practice, no source: unsaved grids are said to be unsaved.
    assert!(keeper.is_unsaved() && keeper.status().to_string().contains("NOT SAVED"));
    let pieces: Vec<_> = keeper.line(&level_move(200)).unwrap().collect();
    assert!(pieces.len() > 5);
    let mut last = Point::default();
    for piece in pieces {
        let Point { x_um, y_um, z_um } = piece.end;
        // The mean of the nodes is a datum; what remains of the bow is corrected to a few micrometres.
        assert!((z_um - 200 - bow_um(x_um, y_um)).abs() <= 5, "{:?}", piece.end);
        last = piece.end;
        let logical = keeper.logical(piece.end);
        assert!((logical.z_um - 200).abs() <= 1);
    }
    assert_eq!((last.x_um, last.y_um), (200_000, 180_000));
    keeper.release();
    assert_eq!(keeper.line(&level_move(200)).unwrap().count(), 1);
    assert_eq!(keeper.logical(last), last);
}

/// Common practice, no source: a grid belongs to its temperature.
#[test]
fn homing_restores_the_grid_of_the_temperature() {
    let mut keeper = TestKeeper::new(settings());
    keeper.homed().unwrap();
    measure(&mut keeper, 60, bow_um);
    measure(&mut keeper, 100, |x_um, y_um| bow_um(x_um, y_um) + 80);
    let height_um = |keeper: &TestKeeper| {
        keeper.correction_in_force().map(|correction| correction.grid().height_um(110_000, 100_000))
    };
    keeper.temperature(61, 200, 10);
    assert_eq!(keeper.homed(), Ok(Choice::Nearest { place: 0, off_c: 1 }));
    assert_eq!(height_um(&keeper), Some(100));
    keeper.temperature(99, 200, 20);
    assert_eq!(keeper.homed(), Ok(Choice::Nearest { place: 1, off_c: 1 }));
    assert_eq!(height_um(&keeper), Some(180));
    keeper.temperature(80, 200, 30);
    assert!(matches!(keeper.homed(), Ok(Choice::Blend { cooler: 0, warmer: 1, .. })));
    assert_eq!(height_um(&keeper), Some(140));
    // Too cold for either: nothing is extrapolated, and the machine says why it does not correct.
    keeper.temperature(20, 20, 40);
    assert_eq!(keeper.homed(), Ok(Choice::TooFar { nearest_c: 60 }));
    assert_eq!(height_um(&keeper), None);
    assert!(keeper.status().to_string().contains("NOT correcting\nonly one for 60 C"));
}

#[test]
fn on_request_the_job_asks() {
    let mut keeper = TestKeeper::new(KeeperSettings { restore: RestorePolicy::OnRequest, ..settings() });
    keeper.homed().unwrap();
    measure(&mut keeper, 60, bow_um);
    keeper.lost_position();
    keeper.homed().unwrap();
    assert!(keeper.correction_in_force().is_none());
    keeper.temperature(60, 200, 9);
    assert_eq!(keeper.restore(), Ok(Choice::Nearest { place: 0, off_c: 0 }));
    assert!(keeper.correction_in_force().is_some());
}

/// Common practice, no source: one shift moves the whole surface, whatever its shape.
#[test]
fn a_shift_moves_the_whole_surface() {
    let mut keeper = TestKeeper::new(settings());
    keeper.homed().unwrap();
    assert_eq!(keeper.shift_by(1), Err(KeeperError::NoGrid));
    measure(&mut keeper, 60, bow_um);
    let heights = |keeper: &TestKeeper| {
        let correction = keeper.correction_in_force().unwrap().clone();
        let places = (0..12).flat_map(|x| (0..10).map(move |y| (x * 20_000, y * 20_000)));
        places
            .flat_map(|(x_um, y_um)| [200, 4000, 9000].map(|z| correction.machine_z_um(x_um, y_um, z)))
            .collect::<Vec<_>>()
    };
    let before = heights(&keeper);
    assert_eq!(keeper.shift_by(-3), Ok(-30));
    assert!(heights(&keeper).iter().zip(&before).all(|(after, before)| *after == before - 30));
    // Common practice, no source: positive is farther from the bed.
    assert_eq!(keeper.shift_by(5), Ok(20));
    assert!(heights(&keeper).iter().zip(&before).all(|(after, before)| *after == before + 20));
    assert_eq!(keeper.shift_by(-5), Ok(-30));
    assert!(matches!(keeper.shift_by(i16::MAX), Err(KeeperError::Correction(_))));
    assert!(heights(&keeper).iter().zip(&before).all(|(after, before)| *after == before - 30), "unchanged by an error");
    // The shift belongs to the grid and comes back with it.
    keeper.temperature(60, 200, 9);
    keeper.homed().unwrap();
    assert_eq!(keeper.status().shift_um, -30);
}

/// Common practice, no source: corners are trammed first. Tilt goes out by the screws, what is left by the grid.
#[test]
fn corners_are_trammed_before_all_stations_are_measured() {
    let screws = [(15_000, 15_000), (215_000, 15_000), (15_000, 185_000), (215_000, 185_000)]
        .map(|(x_um, y_um)| Screw { x_um, y_um, thread_um_per_turn: 700 });
    let tilted = |x_um: i32, y_um: i32| bow_um(x_um, y_um) + x_um / 500 - y_um / 800;
    let mut keeper = TestKeeper::new(settings());
    keeper.homed().unwrap();
    let plan = SurveyPlan::new(STATIONS).unwrap();
    measure_plan(&mut keeper, plan.corners().unwrap(), 60, tilted);
    let corners = keeper.bank().grid(0).unwrap().grid.clone();
    let readings = (0..4_u8).map(|index| {
        let (x_um, y_um) = corners.lattice().node_um(index % 2, index / 2);
        BedHeight { x_um, y_um, height_um: corners.nodes_um()[usize::from(index)].into() }
    });
    let advice = TramAdvice::new(readings.collect::<Vec<_>>(), &screws, Hold::Screw(0)).unwrap();
    let raised_um: Vec<i32> = advice.screws().iter().map(|screw| screw.raise_um).collect();
    assert_eq!(raised_um[0], 0);
    assert!((raised_um[1] + 400).abs() <= 3 && (raised_um[2] - 212).abs() <= 3, "{raised_um:?}");
    keeper.screw_turned();
    // Both pairs of screws now move the plate about its plane.
    let trammed = |x_um: i32, y_um: i32| {
        let (u, v) = (f64::from(x_um - 15_000) / 200_000.0, f64::from(y_um - 15_000) / 170_000.0);
        tilted(x_um, y_um) + (u * f64::from(raised_um[1]) + v * f64::from(raised_um[2])).round() as i32
    };
    measure(&mut keeper, 60, trammed);
    let grid = keeper.bank().grid(0).unwrap();
    assert_eq!(grid.setup, 1);
    let node = |index: usize| grid.grid.nodes_um()[index];
    let corner_spread = [node(0), node(2), node(6), node(8)];
    let spread_um = corner_spread.iter().max().unwrap() - corner_spread.iter().min().unwrap();
    assert!(spread_um <= 5, "corners level to a few micrometres: {corner_spread:?}");
    assert!(node(4) - node(0) >= 290, "the bow is left for the grid");
}

/// Common practice, no source: any screw turned means measuring again.
#[test]
fn a_turned_screw_makes_every_grid_stale() {
    let mut keeper = TestKeeper::new(settings());
    keeper.homed().unwrap();
    measure(&mut keeper, 60, bow_um);
    assert_eq!(keeper.setup(), 0);
    keeper.screw_turned();
    assert_eq!(keeper.setup(), 1);
    assert!(keeper.correction_in_force().is_none());
    for bed_c in [20, 60, 100] {
        keeper.temperature(bed_c, 200, 9);
        assert_eq!(keeper.homed(), Ok(Choice::Stale));
        assert!(keeper.correction_in_force().is_none());
    }
    measure(&mut keeper, 60, |x_um, y_um| bow_um(x_um, y_um) + 20);
    keeper.temperature(60, 200, 9);
    assert_eq!(keeper.homed(), Ok(Choice::Nearest { place: 0, off_c: 0 }), "in place of the stale one");
}

#[test]
fn too_low_a_move_is_refused_with_and_without_a_grid() {
    let mut keeper = TestKeeper::new(KeeperSettings { lowest_machine_z_um: -50, ..settings() });
    keeper.homed().unwrap();
    let refused = |keeper: &TestKeeper, z_um| {
        matches!(keeper.line(&level_move(z_um)).map(drop), Err(KeeperError::Split(SplitError::BelowLowest { .. })))
    };
    assert!(refused(&keeper, -51) && !refused(&keeper, -50));
    // The switch would be in the way of this bed's corners: the survey may not go below either.
    measure(&mut keeper, 60, |x_um, y_um| bow_um(x_um, y_um) + 200);
    assert!(refused(&keeper, -100) && !refused(&keeper, 0));
}

#[test]
fn while_measuring_nothing_else_moves() {
    let mut keeper = TestKeeper::new(settings());
    keeper.homed().unwrap();
    assert_eq!(keeper.survey(SurveyEvent::Arrived), Err(KeeperError::NoSurvey));
    keeper.begin_survey(SurveyPlan::new(STATIONS).unwrap(), SurveySettings::default(), 5000).unwrap();
    assert_eq!(keeper.line(&level_move(200)).unwrap_err(), KeeperError::SurveyUnderWay);
    assert!(matches!(keeper.status().prompt, Some(Prompt::Heat { .. })));
    assert!(matches!(keeper.survey(SurveyEvent::Abort), Ok(Order::Lift { .. })));
    assert_eq!(keeper.survey(SurveyEvent::Arrived), Ok(Order::Aborted));
    assert!(keeper.line(&level_move(200)).is_ok());
    assert!(!keeper.is_unsaved(), "an aborted survey leaves nothing");
}

/// Byte-writable memory that loses power after so many bytes written.
struct Cells {
    bytes: [u8; 1024],
    writes_left: u32,
}

impl ByteMemory for Cells {
    type Error = &'static str;

    fn capacity(&self) -> u32 {
        1024
    }

    fn read_byte(&mut self, address: u32) -> Result<u8, Self::Error> {
        Ok(self.bytes[address as usize])
    }

    fn write_byte(&mut self, address: u32, byte: u8) -> Result<(), Self::Error> {
        self.writes_left = self.writes_left.checked_sub(1).ok_or("power is gone")?;
        self.bytes[address as usize] = byte;
        Ok(())
    }
}

type TestStore = Store<ByteEeprom<Cells>, 9, { max_record_size(9) }>;

fn store(bytes: [u8; 1024], writes_left: u32) -> TestStore {
    let slot_size = gapkeeper::store::slot_size(9, 1) as u32;
    let region = Region { first_address: 16, slot_size, slot_count: 8 };
    Store::new(ByteEeprom::new(Cells { bytes, writes_left }, region).unwrap()).unwrap()
}

fn bytes_of(store: TestStore) -> [u8; 1024] {
    store.release().release().bytes
}

#[test]
fn what_is_saved_comes_back_after_homing() {
    let mut keeper = TestKeeper::new(settings());
    keeper.homed().unwrap();
    let mut memory = store([0xFF; 1024], u32::MAX);
    assert_eq!(keeper.load(&mut memory).unwrap(), LoadReport::default());
    measure(&mut keeper, 60, bow_um);
    keeper.shift_by(2).unwrap();
    keeper.save(&mut memory).unwrap();
    assert!(!keeper.is_unsaved());
    let correction = keeper.correction_in_force().cloned();

    let mut keeper = TestKeeper::new(settings());
    let mut memory = store(bytes_of(memory), u32::MAX);
    assert_eq!(keeper.load(&mut memory).unwrap(), LoadReport { grids: 1, ..LoadReport::default() });
    assert!(keeper.correction_in_force().is_none(), "not before homing");
    keeper.temperature(60, 200, 0);
    assert_eq!(keeper.homed(), Ok(Choice::Nearest { place: 0, off_c: 0 }));
    assert_eq!(keeper.correction_in_force().cloned(), correction);
    assert!(!keeper.is_unsaved());
}

/// Power may fail at any byte while a turned screw is being saved: no stale grid ever comes back.
#[test]
fn a_turned_screw_survives_power_loss_at_any_byte() {
    let mut keeper = TestKeeper::new(settings());
    keeper.homed().unwrap();
    let mut memory = store([0xFF; 1024], u32::MAX);
    measure(&mut keeper, 60, bow_um);
    keeper.save(&mut memory).unwrap();
    let bytes = bytes_of(memory);
    let (mut kept, mut cut) = (0, 0);
    for writes_left in 0.. {
        let mut memory = store(bytes, writes_left);
        let mut keeper = TestKeeper::new(settings());
        keeper.load(&mut memory).unwrap();
        keeper.screw_turned();
        let acknowledged = keeper.save(&mut memory).is_ok();
        // The screw is turned after that; power fails or not, the next start must not trust the old grid.
        let mut memory = store(bytes_of(memory), u32::MAX);
        let mut keeper = TestKeeper::new(settings());
        keeper.load(&mut memory).unwrap();
        keeper.temperature(60, 200, 0);
        let choice = keeper.homed().unwrap();
        if acknowledged {
            assert_eq!(choice, Choice::Stale, "after {writes_left} writes");
            kept += 1;
            break;
        }
        // Not acknowledged, so not turned: the old grid or none, but nothing else.
        assert!(matches!(choice, Choice::Stale | Choice::Nearest { place: 0, .. }), "{choice:?}");
        cut += 1;
    }
    assert!(kept == 1 && cut > 10, "{kept} {cut}");
}

#[test]
fn grids_without_a_setup_are_not_trusted() {
    let mut keeper = TestKeeper::new(settings());
    keeper.homed().unwrap();
    let mut memory = store([0xFF; 1024], u32::MAX);
    measure(&mut keeper, 60, bow_um);
    keeper.save(&mut memory).unwrap();
    let mut bytes = bytes_of(memory);
    // Both setup records are gone.
    let setups = 16..16 + 2 * gapkeeper::store::slot_size(9, 1);
    bytes[setups].fill(0x5A);
    let mut keeper = TestKeeper::new(settings());
    let report = keeper.load(&mut store(bytes, u32::MAX)).unwrap();
    assert!(report.setup_uncertain && report.grids == 1, "{report:?}");
    keeper.temperature(60, 200, 0);
    assert_eq!(keeper.homed(), Ok(Choice::Stale));
    assert!(keeper.is_unsaved(), "the new setup wants to be saved");
}

#[test]
fn the_status_fits_the_display() {
    let mut keeper = TestKeeper::new(settings());
    let fits = |keeper: &TestKeeper| {
        let text = keeper.status().to_string();
        assert!(text.lines().count() <= 4 && text.lines().all(|line| line.chars().count() <= 20), "{text}");
    };
    fits(&keeper);
    keeper.homed().unwrap();
    fits(&keeper);
    measure(&mut keeper, 100, bow_um);
    keeper.shift_by(-800).unwrap();
    fits(&keeper);
    keeper.screw_turned();
    fits(&keeper);
    keeper.begin_survey(SurveyPlan::new(STATIONS).unwrap(), SurveySettings::default(), 5000).unwrap();
    fits(&keeper);
}
