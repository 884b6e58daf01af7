//! Straight moves of every kind and arcs, split over a bed.

use gapkeeper::{Arc, Flow, Lattice, Move, Plane, Point, SplitError, Turn};

use super::MOVES_PER_BLOCK;
use super::beds::{Bed, bed};
use super::digest::Digest;
use super::numbers::Numbers;

/// Moves over one bed; returns the number of pieces that they were split into.
pub fn block<const NODES: usize>(nodes: u8, numbers: &mut Numbers, digest: &mut Digest) -> u32 {
    let Some(bed) = bed::<NODES>(nodes, numbers) else {
        digest.word(0xBAD0_BED0);
        return 0;
    };
    let lattice = bed.correction.grid().lattice();
    digest.signed(bed.correction.grid().mean_um());
    let mut pieces = 0;
    // Where a spiral has got to: it goes on over the whole block.
    let mut here = inside(&lattice, numbers);
    for _ in 0..MOVES_PER_BLOCK {
        let (start, end) = ends(&lattice, &mut here, numbers);
        let motion = Move {
            start,
            end,
            extra_start: [numbers.any(), 0],
            extra_end: [numbers.any(), numbers.between(0, 20_000)],
        };
        pieces += split(&bed, &motion, digest);
        heights(&bed, end, digest);
    }
    pieces + arc(&bed, &lattice, numbers, digest)
}

/// Moves over one bed with `E` scaled while the shape fades; what is left over goes from bed to bed.
pub fn scaled_block<const NODES: usize>(nodes: u8, flow: &mut Flow, numbers: &mut Numbers, digest: &mut Digest) {
    let Some(bed) = bed::<NODES>(nodes, numbers) else {
        digest.word(0xBAD0_BED0);
        return;
    };
    let lattice = bed.correction.grid().lattice();
    let mut here = inside(&lattice, numbers);
    for _ in 0..MOVES_PER_BLOCK {
        let (start, end) = ends(&lattice, &mut here, numbers);
        // Drawn back now and then, and once in a while longer than `E` can be.
        let extra_end = if numbers.below(32) == 0 { [numbers.any()] } else { [numbers.between(-20_000, 200_000)] };
        let motion = Move { start, end, extra_start: [numbers.between(-9, 9)], extra_end };
        if let Ok(mut split) = bed.correction.split(&motion, bed.tolerance_um) {
            while let Some(piece) = split.next_scaled(flow) {
                point(piece.end, digest);
                digest.signed(piece.extra[0]);
            }
        }
        digest.signed(flow.remainder_q17());
    }
}

/// Where a move of any kind begins and ends.
fn ends(lattice: &Lattice, here: &mut Point, numbers: &mut Numbers) -> (Point, Point) {
    match numbers.below(8) {
        0 | 1 => level(inside(lattice, numbers), inside(lattice, numbers)),
        2 | 3 => spiral(here, numbers),
        4 => (inside(lattice, numbers), inside(lattice, numbers)),
        5 => (around(lattice, numbers), around(lattice, numbers)),
        6 => (anywhere(numbers), anywhere(numbers)),
        _ => standing(inside(lattice, numbers), numbers),
    }
}

/// One move's pieces, every bit of them.
fn split<const NODES: usize>(bed: &Bed<NODES>, motion: &Move<2>, digest: &mut Digest) -> u32 {
    let mut pieces = 0;
    match bed.correction.split(motion, bed.tolerance_um) {
        Ok(split) => {
            for piece in split {
                point(piece.end, digest);
                digest.signed(piece.extra[0]);
                digest.signed(piece.extra[1]);
                pieces += 1;
            }
        }
        Err(SplitError::BelowLowest { end, .. }) => {
            digest.word(0xB);
            point(end, digest);
        }
        Err(_) => digest.word(0xE),
    }
    digest.word(pieces);
    pieces
}

/// Heights at one place, there and back.
fn heights<const NODES: usize>(bed: &Bed<NODES>, at: Point, digest: &mut Digest) {
    let Point { x_um, y_um, z_um } = at;
    digest.signed(bed.correction.grid().height_um(x_um, y_um));
    let machine_z_um = bed.correction.machine_z_um(x_um, y_um, z_um);
    digest.signed(machine_z_um);
    digest.signed(bed.correction.logical_z_um(x_um, y_um, machine_z_um));
}

/// An arc or helix, its chords split like all moves.
fn arc<const NODES: usize>(bed: &Bed<NODES>, lattice: &Lattice, numbers: &mut Numbers, digest: &mut Digest) -> u32 {
    let start = inside(lattice, numbers);
    let full = numbers.below(2) == 0;
    let end = if full { start } else { Point { z_um: start.z_um + 50, ..inside(lattice, numbers) } };
    let motion = Move { start, end, extra_start: [0; 2], extra_end: [1_000, -1_000] };
    let turn = if numbers.below(2) == 0 { Turn::Clockwise } else { Turn::Anticlockwise };
    let plane = if numbers.below(4) == 0 { Plane::Zx } else { Plane::Xy };
    let arc = if full {
        Arc::with_centre(motion, plane, turn, [numbers.between(-9_000, 9_000), numbers.between(1, 9_000)])
    } else {
        Arc::with_radius(motion, plane, turn, numbers.between(-600_000, 1_000_000))
    };
    let Ok(chords) = arc.and_then(|arc| arc.chords(200 + numbers.below(800) as u16)) else {
        digest.word(0xA);
        return 0;
    };
    let mut pieces = 0;
    for chord in chords {
        point(chord.end, digest);
        pieces += split(bed, &chord, digest);
    }
    pieces
}

fn point(point: Point, digest: &mut Digest) {
    digest.signed(point.x_um);
    digest.signed(point.y_um);
    digest.signed(point.z_um);
}

/// Over the lattice, at the height of a print.
fn inside(lattice: &Lattice, numbers: &mut Numbers) -> Point {
    let along = |start_um: i32, pitch_um: u32, nodes: u8, numbers: &mut Numbers| {
        start_um.saturating_add_unsigned(numbers.below(pitch_um * u32::from(nodes - 1) + 1))
    };
    Point {
        x_um: along(lattice.x0_um, lattice.pitch_x_um, lattice.columns, numbers),
        y_um: along(lattice.y0_um, lattice.pitch_y_um, lattice.rows, numbers),
        z_um: numbers.between(-300, 12_000),
    }
}

/// Inside or outside, up to half a metre off.
fn around(lattice: &Lattice, numbers: &mut Numbers) -> Point {
    let point = inside(lattice, numbers);
    Point {
        x_um: point.x_um.saturating_add(numbers.between(-500_000, 500_000)),
        y_um: point.y_um.saturating_add(numbers.between(-500_000, 500_000)),
        ..point
    }
}

fn anywhere(numbers: &mut Numbers) -> Point {
    Point { x_um: numbers.any(), y_um: numbers.any(), z_um: numbers.any() }
}

fn level(start: Point, end: Point) -> (Point, Point) {
    (start, Point { z_um: start.z_um, ..end })
}

/// A short step further, and a little higher.
fn spiral(here: &mut Point, numbers: &mut Numbers) -> (Point, Point) {
    let start = *here;
    here.x_um = here.x_um.saturating_add(numbers.between(-3_000, 3_000));
    here.y_um = here.y_um.saturating_add(numbers.between(-3_000, 3_000));
    here.z_um = here.z_um.saturating_add(numbers.between(0, 40));
    (start, *here)
}

/// Straight up or down, along one axis, or not at all.
fn standing(start: Point, numbers: &mut Numbers) -> (Point, Point) {
    let mut end = start;
    match numbers.below(4) {
        0 => end.z_um = numbers.between(-300, 20_000),
        1 => end.x_um = end.x_um.saturating_add(numbers.between(-50_000, 50_000)),
        2 => end.y_um = end.y_um.saturating_add(numbers.between(-50_000, 50_000)),
        _ => {}
    }
    (start, end)
}
