//! Which slot is current, what stands beside it, and arithmetic.

use super::job::RESIDUE;
use super::slot::{Found, Slot, beside, current, next_sequence};
use super::*;

const fn found(sequence: u32, sealed: bool) -> Found {
    Found { version: 3, sequence, seals: if sealed { 2 } else { 0 }, too_many_nodes: None, is_wanted: false }
}

fn slot(sequence: u32, sealed: bool) -> Slot {
    Slot::Record(found(sequence, sealed))
}

#[test]
fn newer_by_wrap_around() {
    let index = |first: u32, second: u32| current(&[slot(first, true), slot(second, true)]);
    for base in [0, 1, 77, 0x7FFF_FFFF, 0x8000_0000, u32::MAX - 1, u32::MAX] {
        for step in [1, 2, 0x7FFF_FFFF] {
            assert_eq!(index(base, base.wrapping_add(step)), Some(1), "{base} {step}");
            assert_eq!(index(base.wrapping_add(step), base), Some(0), "{base} {step}");
        }
        // Equal, or half-way round: the first.
        assert_eq!(index(base, base), Some(0));
        assert_eq!(index(base, base.wrapping_add(1 << 31)), Some(0));
    }
}

#[test]
fn an_unsealed_record_is_current_only_if_it_is_alone_or_older() {
    for (first, second, expected) in [(true, true, 1), (true, false, 0), (false, true, 1), (false, false, 0)] {
        assert_eq!(current(&[slot(5, first), slot(6, second)]), Some(expected));
        assert_eq!(current(&[slot(6, second), slot(5, first)]), Some(1 - expected));
    }
    assert_eq!(current(&[Slot::Damaged, slot(0, false)]), Some(1));
    assert_eq!(current(&[slot(0, false), Slot::Empty]), Some(0));
    assert_eq!(current(&[Slot::Empty, Slot::Newer(4)]), None);
}

#[test]
fn layout_1_had_no_seal() {
    let first = Slot::Record(Found { version: 1, ..found(9, false) });
    assert_eq!(current(&[slot(8, true), first]), Some(1));
}

/// What a setup's other slot says, for each thing it may hold.
#[test]
fn only_the_first_save_of_all_has_nothing_beside_it() {
    let binding = record::Binding { slot: 0, unit: 1, slot_size: 0 };
    for nothing in [Slot::Empty, Slot::Foreign(binding)] {
        assert_eq!(beside(0, &found(0, true), &nothing), OtherSlot::Empty);
        assert_eq!(beside(1, &found(0, true), &nothing), OtherSlot::Damaged);
        assert_eq!(beside(0, &found(1, true), &nothing), OtherSlot::Damaged);
        assert_eq!(beside(0, &Found { version: 1, ..found(0, false) }, &nothing), OtherSlot::Damaged);
    }
    for wrong in [Slot::Damaged, slot(4, false), slot(5, true), slot(3, true), slot(6, true)] {
        assert_eq!(beside(0, &found(5, true), &wrong), OtherSlot::Damaged);
    }
    for (earlier, newer) in [(4, 5), (u32::MAX, 1), (u32::MAX, 0), (0, 1)] {
        assert_eq!(beside(0, &found(newer, true), &slot(earlier, true)), OtherSlot::Earlier);
    }
    assert_eq!([0, 1, u32::MAX - 1, u32::MAX].map(next_sequence), [1, 2, u32::MAX, 1]);
}

#[test]
fn the_residue_is_that_of_any_bytes_and_their_check_value() {
    let mut bytes = *b"123456789\0\0\0\0";
    let crc = crate::crc::crc32c(b"123456789").to_le_bytes();
    bytes[9..].copy_from_slice(&crc);
    assert_eq!(crate::crc::crc32c(&bytes), RESIDUE);
    // The catalogue states it before the register is closed: G. Cook, CRC-32/ISCSI, B798B438.
    assert_eq!(!RESIDUE, 0xB798_B438);
}

#[test]
fn rounding() {
    assert_eq!([0, 1, 8, 9].map(|size| round_up(size, 8)), [0, 8, 8, 16]);
    assert_eq!([0, 7, 8, 15].map(|size| round_down(size, 8)), [0, 0, 8, 8]);
    assert_eq!([0, 1].map(|unit| (round_up(5, unit), round_down(5, unit))), [(5, 5), (5, 5)]);
}
