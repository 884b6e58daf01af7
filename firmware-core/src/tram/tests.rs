//! What is refused, in which words, and how advice reads on a small display.

use super::*;
use std::format;
use std::string::ToString;
use std::vec::Vec as StdVec;

const M4_UM: u16 = 700;

/// Corners of a square of 160 mm, M4.
const CORNERS: [Screw; 4] =
    [screw(30_000, 30_000), screw(190_000, 30_000), screw(30_000, 190_000), screw(190_000, 190_000)];

const fn screw(x_um: i32, y_um: i32) -> Screw {
    Screw { x_um, y_um, thread_um_per_turn: M4_UM }
}

fn level(places_um: &[(i32, i32)]) -> StdVec<BedHeight> {
    places_um.iter().map(|&(x_um, y_um)| BedHeight { x_um, y_um, height_um: 0 }).collect()
}

fn corners() -> StdVec<BedHeight> {
    CORNERS.iter().map(|screw| BedHeight { x_um: screw.x_um, y_um: screw.y_um, height_um: 0 }).collect()
}

fn refused(readings: &[BedHeight], screws: &[Screw]) -> TramError {
    TramAdvice::new(readings.iter().copied(), screws, Hold::Screw(0)).unwrap_err()
}

#[test]
fn badly_placed_readings_are_refused_each_for_its_reason() {
    for found in [0, 1, 2] {
        assert_eq!(refused(&corners()[..found], &CORNERS), TramError::ReadingCount { found });
    }
    let crowd = [corners()[0]; 300];
    assert_eq!(refused(&crowd, &CORNERS), TramError::ReadingCount { found: 257 });
    assert_eq!(refused(&level(&[(0, 0), (50_000, 50_000), (99_000, 99_000)]), &CORNERS), TramError::ReadingsInLine);
    assert_eq!(refused(&[corners()[1]; 5], &CORNERS), TramError::ReadingsInLine);
    let far = level(&[(0, 0), (100_000, 0), (0, 1_044_481)]);
    assert_eq!(refused(&far, &CORNERS), TramError::ReadingTooFar { reading: 2 });
    let ends = level(&[(i32::MIN, 0), (i32::MAX, 0), (0, i32::MIN)]);
    assert_eq!(refused(&ends, &CORNERS), TramError::ReadingTooFar { reading: 1 });
    for height_um in [8192, -8192, i32::MAX, i32::MIN] {
        let mut readings = corners();
        readings[1].height_um = height_um;
        assert_eq!(refused(&readings, &CORNERS), TramError::HeightOutOfRange { reading: 1, height_um });
    }
    // In a corner of 3 mm, where the screw at the other end hangs on a lever of 160 mm.
    let crowded = level(&[(30_000, 30_000), (33_000, 30_000), (30_000, 33_000)]);
    assert_eq!(refused(&crowded, &CORNERS), TramError::ReadingsTooNarrow { screw: 1 });
}

#[test]
fn badly_placed_screws_are_refused_each_for_its_reason() {
    assert_eq!(refused(&corners(), &CORNERS[..2]), TramError::ScrewCount { found: 2 });
    assert_eq!(refused(&corners(), &[CORNERS[0]; 9]), TramError::ScrewCount { found: 9 });
    for thread_um_per_turn in [0, 99, 10_001] {
        let mut screws = CORNERS;
        screws[2].thread_um_per_turn = thread_um_per_turn;
        assert_eq!(refused(&corners(), &screws), TramError::Thread { screw: 2, thread_um_per_turn });
    }
    let mut screws = CORNERS;
    screws[3].y_um = 30_000 + 1_044_481;
    assert_eq!(refused(&corners(), &screws), TramError::ScrewTooFar { screw: 3 });
    screws[3] = screw(190_999, 29_001);
    assert_eq!(refused(&corners(), &screws), TramError::ScrewsInOnePlace { first: 1, second: 3 });
    let line = [screw(30_000, 30_000), screw(190_000, 190_000), screw(110_000, 110_000)];
    assert_eq!(refused(&corners(), &line), TramError::ScrewsInLine);
    let crowded = [screw(30_000, 30_000), screw(36_000, 30_000), screw(30_000, 36_000)];
    assert_eq!(refused(&corners(), &crowded), TramError::ScrewsTooNarrow { reading: 1 });
    let advice = TramAdvice::new(corners(), &CORNERS, Hold::Screw(4));
    assert_eq!(advice, Err(TramError::NoSuchScrew { screw: 4, screws: 4 }));
    let advice = TramAdvice::new(corners(), &CORNERS, Hold::Height { target_um: -50_001 });
    assert_eq!(advice, Err(TramError::TooFarToTurn { screw: 0, raise_um: -50_001 }));
    assert!(TramAdvice::new(corners(), &CORNERS, Hold::Height { target_um: -50_000 }).is_ok());
}

#[test]
fn messages_count_from_one_and_say_what_to_do() {
    let messages = [
        (TramError::ReadingCount { found: 2 }, "2 readings: take 3 to 256"),
        (
            TramError::Thread { screw: 0, thread_um_per_turn: 7 },
            "7 um a turn at screw 1: threads reach from 100 to 10000 um",
        ),
        (TramError::ScrewsInOnePlace { first: 1, second: 3 }, "screws 2 and 4 are in one place: give each screw once"),
        (TramError::NoSuchScrew { screw: 255, screws: 4 }, "screw 256 cannot be held: there are 4"),
    ];
    for (error, message) in messages {
        assert_eq!(error.to_string(), message);
    }
}

#[test]
fn advice_fits_a_line_of_twenty_characters() {
    let one = |screw, raise_um: i32, thread_um_per_turn| {
        ScrewAdvice::new(screw, i64::from(raise_um) << FRACTION_BITS, thread_um_per_turn).to_string()
    };
    assert_eq!(one(0, 160, M4_UM), "1 raise 82 deg");
    assert_eq!(one(1, -160, M4_UM), "2 lower 82 deg");
    assert_eq!(one(2, 860, M4_UM), "3 raise 1t 82 deg");
    // Half a degree is 0.97 um.
    assert_eq!((one(7, 0, M4_UM), one(7, -1, M4_UM)), ("8 hold".into(), "8 lower 1 deg".into()));
    assert_eq!(one(3, 698, M4_UM), "4 raise 359 deg");
    assert_eq!(one(3, 7000, 7000), "4 raise 1t 0 deg");
    for raise_um in [MAX_SCREW_TRAVEL_UM, -MAX_SCREW_TRAVEL_UM, -MAX_SCREW_TRAVEL_UM + 1, 49_999] {
        let text = one(7, raise_um, MIN_THREAD_UM);
        assert!(text.len() <= 20, "{text}");
    }
    let advice = TramAdvice::new(corners(), &CORNERS, Hold::Screw(2)).unwrap();
    assert_eq!(format!("{}", advice.screws()[2]), "3 hold");
}

#[test]
fn far_outside_the_plane_goes_on_no_farther() {
    let readings = [(0, 0, 0), (100_000, 0, 1000), (0, 100_000, -2000)];
    let readings = readings.map(|(x_um, y_um, height_um)| BedHeight { x_um, y_um, height_um });
    let plane = BedPlane::fit(readings).unwrap();
    // Twice the longest span, 2 · 1 044 480 um, up by 1 in 100 and down by 1 in 50.
    let (last_um, last_height_um) = (2_088_960, 20_890);
    assert_eq!(plane.height_um(last_um - 100, 0), last_height_um - 1);
    for x_um in [last_um, last_um + 1000, i32::MAX] {
        assert_eq!(plane.height_um(x_um, 0), last_height_um);
        assert_eq!(plane.height_um(0, -x_um), 2 * last_height_um - 1);
    }
    assert_eq!(plane.height_um(i32::MIN, 0), -last_height_um);
}
