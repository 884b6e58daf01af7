//! Whatever the memory holds, the machine moves within bounds.
//!
//! For many images: what is loaded becomes a correction or is refused; then corrected Z is within the stated limit of
//! the commanded Z, steady from micrometre to micrometre, and equal to it above the fade apart from the datum.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::record::{decode_grid, encode_grid};
use gapkeeper::{Correction, CorrectionError, MAX_HEIGHT_UM, StoredGrid};
use gapkeeper_tests::media::Random;
use gapkeeper_tests::stores::{BUFFER, CAPACITY, Value, repair, value};

/// Shift and height, each up to 8191 µm, and 1 µm of rounding.
const LIMIT_UM: i64 = 2 * MAX_HEIGHT_UM as i64 + 1;

/// What a record with a right check value and random fields decodes to, if it does.
fn any_stored(random: &mut Random) -> Option<StoredGrid<CAPACITY>> {
    let mut bytes = [0; BUFFER];
    let Value::Grid(stored) = value(false, random.below(6)) else { return None };
    let length = encode_grid(&stored, 0, &mut bytes).unwrap();
    for _ in 0..random.below(12) {
        let address = 12 + random.below(length - 16);
        bytes[address] = match random.below(3) {
            0 => random.draw() as u8,
            1 => [0, 0x1F, 0xE0, 0x7F, 0x80, 0xFF][random.below(6)],
            _ => bytes[address] ^ 1 << random.below(8),
        };
    }
    repair(&mut bytes[..length]);
    decode_grid(&bytes[..length]).ok().map(|record| record.value)
}

fn coordinate(random: &mut Random, start_um: i32, pitch_um: u32) -> i32 {
    match random.below(8) {
        0 => random.draw() as i32,
        1 => i32::MIN,
        2 => i32::MAX,
        3 => start_um.saturating_add_unsigned(pitch_um),
        _ => (i64::from(start_um) + (random.draw() % (3 * u64::from(pitch_um))) as i64 - i64::from(pitch_um) / 2)
            .clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32,
    }
}

#[test]
fn motion_stays_within_bounds_whatever_is_stored() {
    let mut random = Random(12);
    let (mut images, mut moves, mut refused) = (0_u64, 0_u64, 0_u64);
    while images < 4000 {
        let Some(stored) = any_stored(&mut random) else { continue };
        images += 1;
        let lattice = stored.grid.lattice();
        let datum_um = i64::from(stored.shift_um) + i64::from(stored.grid.mean_um());
        // A record that decodes can be put in force, unless its fade is too short for its shape.
        let mut correction = Correction::new(stored.grid).with_shift(stored.shift_um.into()).unwrap();
        if let Some(fade) = stored.fade {
            correction = match correction.with_fade(fade) {
                Ok(correction) => correction,
                Err(CorrectionError::FadeTooShort { .. }) => {
                    refused += 1;
                    continue;
                }
                Err(error) => panic!("{error}"),
            };
        }
        let (lowest_um, highest_um) = correction.grid().shape_range_um();
        let drop_um = i64::from(highest_um) - i64::from(lowest_um);
        for _ in 0..60 {
            moves += 1;
            let x_um = coordinate(&mut random, lattice.x0_um, lattice.pitch_x_um);
            let y_um = coordinate(&mut random, lattice.y0_um, lattice.pitch_y_um);
            let z_um = match random.below(4) {
                0 => random.draw() as i32,
                _ => random.below(40_000) as i32 - 10_000,
            };
            let at = |x_um: i32, y_um: i32, z_um: i32| i64::from(correction.machine_z_um(x_um, y_um, z_um));
            let machine_um = at(x_um, y_um, z_um);
            assert!((machine_um - i64::from(z_um)).abs() <= LIMIT_UM, "{machine_um} for {z_um}");
            // One micrometre along either axis is at most this part of a cell, plus rounding on both sides.
            let step_um = drop_um / i64::from(lattice.pitch_x_um.min(lattice.pitch_y_um)) + 3;
            assert!((at(x_um.saturating_add(1), y_um, z_um) - machine_um).abs() <= step_um);
            assert!((at(x_um, y_um.saturating_add(1), z_um) - machine_um).abs() <= step_um);
            // Up is never down.
            assert!(at(x_um, y_um, z_um.saturating_add(1)) >= machine_um - 1);
            if let Some(fade) = correction.fade()
                && z_um >= fade.zero_above_um()
            {
                let held = (i64::from(z_um) + datum_um).clamp(i32::MIN.into(), i32::MAX.into());
                assert_eq!(machine_um, held);
            }
        }
    }
    println!("{images} images, {refused} with too short a fade, {moves} places, all within {LIMIT_UM} um");
}
