//! The core's numeric contract, over random grids, pitches, places and moves.
//!
//! Few cases by default; `PROPTEST_CASES=20000 cargo test -p gapkeeper-tests --test core_contract` asks for more.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{
    Arc, Correction, Fade, HeightGrid, Lattice, MAX_NODES, MAX_NODES_PER_AXIS, MAX_SPAN_UM, MIN_PITCH_UM, Move, Plane,
    Point, Turn,
};
use gapkeeper_tests::{exact_height_um, height_um, machine_z_um, proptest_cases};
use proptest::prelude::*;

/// Start, pitch and node count along one axis: any that a grid may have.
fn axis() -> impl Strategy<Value = (i32, u32, u8)> {
    (2..=MAX_NODES_PER_AXIS).prop_flat_map(|nodes| {
        let pitch_um = MIN_PITCH_UM..=MAX_SPAN_UM / u32::from(nodes - 1);
        (pitch_um, Just(nodes)).prop_flat_map(|(pitch_um, nodes)| {
            let last_start_um = i32::MAX - (pitch_um * u32::from(nodes - 1)) as i32;
            let start_um =
                prop_oneof![-300_000..300_000, Just(i32::MIN), Just(last_start_um), i32::MIN..=last_start_um];
            (start_um, Just(pitch_um), Just(nodes))
        })
    })
}

fn lattice() -> impl Strategy<Value = Lattice> {
    (axis(), axis()).prop_map(|((x0_um, pitch_x_um, columns), (y0_um, pitch_y_um, rows))| Lattice {
        x0_um,
        y0_um,
        pitch_x_um,
        pitch_y_um,
        columns,
        rows,
    })
}

/// Any grid at all.
fn any_grid() -> impl Strategy<Value = HeightGrid<MAX_NODES>> {
    lattice().prop_flat_map(|lattice| {
        prop::collection::vec(-8191..=8191_i16, lattice.node_count())
            .prop_map(move |heights_um| HeightGrid::new(lattice, &heights_um).unwrap())
    })
}

/// A grid within the slopes for which the split's contract is stated, near the origin.
fn gentle_grid() -> impl Strategy<Value = HeightGrid<MAX_NODES>> {
    (lattice(), -30_000..30_000_i32, -30_000..30_000_i32).prop_flat_map(|(lattice, x0_um, y0_um)| {
        let lattice = Lattice { x0_um, y0_um, ..lattice };
        let reach_um = (lattice.pitch_x_um.min(lattice.pitch_y_um) / 20).min(4000) as i16;
        prop::collection::vec(-reach_um..=reach_um, lattice.node_count())
            .prop_map(move |heights_um| HeightGrid::new(lattice, &heights_um).unwrap())
    })
}

fn coordinate(start_um: i32, span_um: u32) -> impl Strategy<Value = i32> {
    let inside = i64::from(start_um)..=i64::from(start_um) + i64::from(span_um);
    prop_oneof![6 => inside.prop_map(|um| um as i32), 2 => any::<i32>(), 1 => Just(i32::MIN), 1 => Just(i32::MAX)]
}

fn spans_um(grid: &HeightGrid<MAX_NODES>) -> (u32, u32) {
    let lattice = grid.lattice();
    (lattice.pitch_x_um * u32::from(lattice.columns - 1), lattice.pitch_y_um * u32::from(lattice.rows - 1))
}

fn grid_and_place() -> impl Strategy<Value = (HeightGrid<MAX_NODES>, i32, i32)> {
    any_grid().prop_flat_map(|grid| {
        let (span_x_um, span_y_um) = spans_um(&grid);
        let (x, y) = (coordinate(grid.lattice().x0_um, span_x_um), coordinate(grid.lattice().y0_um, span_y_um));
        (Just(grid), x, y)
    })
}

/// A correction with shift and perhaps a valid fade.
fn correction(
    grid: impl Strategy<Value = HeightGrid<MAX_NODES>>,
    steepest_fade: u32,
) -> impl Strategy<Value = Correction<MAX_NODES>> {
    (grid, -8191..=8191_i32, any::<bool>(), -1000..5000_i32, 1..50_000_u32).prop_map(
        move |(grid, shift_um, fades, full_below_um, more_um)| {
            let (lowest_um, highest_um) = grid.shape_range_um();
            let shape_um = lowest_um.unsigned_abs().max(highest_um.unsigned_abs());
            let range_um = (shape_um * steepest_fade + more_um).max(MIN_PITCH_UM);
            let correction = Correction::new(grid).with_shift(shift_um).unwrap();
            if fades {
                correction.with_fade(Fade::new(full_below_um, full_below_um + range_um as i32).unwrap()).unwrap()
            } else {
                correction
            }
        },
    )
}

/// A move in and around a grid, now level, now rising.
fn motion(grid: &HeightGrid<MAX_NODES>) -> impl Strategy<Value = Move<2>> + use<> {
    let lattice = grid.lattice();
    let (span_x_um, span_y_um) = spans_um(grid);
    let along = |start_um: i32, span_um: u32| {
        let margin_um = (span_um / 4) as i32;
        start_um - margin_um..=start_um + span_um as i32 + margin_um
    };
    let place = (along(lattice.x0_um, span_x_um), along(lattice.y0_um, span_y_um), -1000..60_000_i32);
    (place.clone(), place, any::<bool>(), any::<[i32; 2]>(), any::<[i32; 2]>()).prop_map(
        |(start, end, level, extra_start, extra_end)| {
            let point = |(x_um, y_um, z_um)| Point { x_um, y_um, z_um };
            let (start, mut end) = (point(start), point(end));
            if level {
                end.z_um = start.z_um;
            }
            Move { start, end, extra_start, extra_end }
        },
    )
}

fn correction_and_motion() -> impl Strategy<Value = (Correction<MAX_NODES>, Move<2>)> {
    correction(gentle_grid(), 2).prop_flat_map(|correction| {
        let motion = motion(correction.grid());
        (Just(correction), motion)
    })
}

/// Exactly halfway between two integers counts for both.
fn rounded_between(start: i32, end: i32, fraction: f64) -> f64 {
    f64::from(start) + (f64::from(end) - f64::from(start)) * fraction
}

proptest! {
    #![proptest_config(ProptestConfig { cases: proptest_cases(), failure_persistence: None, ..ProptestConfig::default() })]

    /// Within 1 µm of exact rational arithmetic, the ends of the `i32` range included.
    #[test]
    fn bilinear_height_is_within_a_micrometre((grid, x_um, y_um) in grid_and_place()) {
        let (numerator, denominator) = exact_height_um(&grid, x_um, y_um);
        let off = (i128::from(grid.height_um(x_um, y_um)) * denominator - numerator).abs();
        // The worst of 200,000 measured beforehand was 0.661; 0.75 leaves room and stays below the promise.
        prop_assert!(off * 4 <= denominator * 3, "off by {} um", off as f64 / denominator as f64);
    }

    /// Correcting what the inverse returns gives the machine height back within 1 µm.
    #[test]
    fn correcting_the_inverse_returns((correction, x_um, y_um, machine_z_um) in
        (correction(any_grid(), 1), any::<i32>(), any::<i32>(), prop_oneof![-20_000..80_000_i32, any::<i32>()])
        .prop_filter("beyond the range nothing can come back", |(.., z)| z.unsigned_abs() < i32::MAX.unsigned_abs() - 40_000))
    {
        let logical_z_um = correction.logical_z_um(x_um, y_um, machine_z_um);
        let back_um = correction.machine_z_um(x_um, y_um, logical_z_um);
        prop_assert!(back_um.abs_diff(machine_z_um) <= 1, "{machine_z_um} -> {logical_z_um} -> {back_um}");
    }

    /// Machine height never falls where logical height rises.
    #[test]
    fn machine_height_increases(correction in correction(any_grid(), 1), x_um in any::<i32>(), y_um in any::<i32>(), z_um in -2000..60_000_i32) {
        prop_assert!(correction.machine_z_um(x_um, y_um, z_um + 1) >= correction.machine_z_um(x_um, y_um, z_um));
    }

    /// Every piece end on the line and on the corrected path, everything between within the tolerance, all ends exact.
    #[test]
    fn a_split_move_follows_the_corrected_path((correction, motion) in correction_and_motion(), tolerance_um in 2..40_u16) {
        let Move { start, end, .. } = motion;
        let (dx, dy) = (f64::from(end.x_um) - f64::from(start.x_um), f64::from(end.y_um) - f64::from(start.y_um));
        let dz = f64::from(end.z_um) - f64::from(start.z_um);
        let length_um = dx.hypot(dy);
        prop_assume!(length_um > 50.0);
        let fraction_at = |x: f64, y: f64| ((x - f64::from(start.x_um)) * dx + (y - f64::from(start.y_um)) * dy) / length_um.powi(2);
        // A micrometre sideways on a rising path is this much up or down.
        let rounding_um = 0.75 * dz.abs() / length_um;
        let pieces: Vec<_> = correction.split(&motion, tolerance_um).unwrap().collect();
        let mut here = Point { z_um: correction.machine_z_um(start.x_um, start.y_um, start.z_um), ..start };
        let mut fraction_here = 0.0;
        for piece in &pieces {
            let (x, y) = (f64::from(piece.end.x_um), f64::from(piece.end.y_um));
            let fraction = fraction_at(x, y);
            prop_assert!(fraction > fraction_here, "not onwards: {fraction_here} {fraction}");
            prop_assert!((rounded_between(start.x_um, end.x_um, fraction) - x).abs() <= 1.0);
            prop_assert!((rounded_between(start.y_um, end.y_um, fraction) - y).abs() <= 1.0);
            for (index, &extra) in piece.extra.iter().enumerate() {
                let there = rounded_between(motion.extra_start[index], motion.extra_end[index], fraction);
                let slack = 1.0 + (f64::from(motion.extra_end[index]) - f64::from(motion.extra_start[index])).abs() * 0.75 / length_um;
                prop_assert!((f64::from(extra) - there).abs() <= slack);
            }
            let on_path_um = machine_z_um(&correction, x, y, f64::from(start.z_um) + dz * fraction);
            prop_assert!((f64::from(piece.end.z_um) - on_path_um).abs() <= 1.25 + rounding_um, "end off by {}", f64::from(piece.end.z_um) - on_path_um);
            for part in 1..16 {
                let part = f64::from(part) / 16.0;
                let x = rounded_between(here.x_um, piece.end.x_um, part);
                let y = rounded_between(here.y_um, piece.end.y_um, part);
                let on_path_um = machine_z_um(&correction, x, y, f64::from(start.z_um) + dz * fraction_at(x, y));
                let off_um = (rounded_between(here.z_um, piece.end.z_um, part) - on_path_um).abs();
                prop_assert!(off_um <= f64::from(tolerance_um) + rounding_um, "off by {off_um} um");
            }
            (here, fraction_here) = (piece.end, fraction);
        }
        let last = pieces.last().unwrap();
        prop_assert_eq!(last.end, Point { z_um: correction.machine_z_um(end.x_um, end.y_um, end.z_um), ..end });
        prop_assert_eq!(last.extra, motion.extra_end);
    }

    /// Whatever the move, the split ends, and ends where it should.
    #[test]
    fn any_move_at_all_ends_exactly(correction in correction(any_grid(), 1), ends in any::<[i32; 6]>(), extra_end in any::<i32>()) {
        let [x0, y0, z0, x1, y1, z1] = ends;
        let (start, end) = (Point { x_um: x0, y_um: y0, z_um: z0 }, Point { x_um: x1, y_um: y1, z_um: z1 });
        let motion = Move { start, end, extra_start: [i32::MIN], extra_end: [extra_end] };
        let last = correction.split(&motion, 2).unwrap().last().unwrap();
        prop_assert_eq!(last.end, Point { z_um: correction.machine_z_um(x1, y1, z1), ..end });
        prop_assert_eq!(last.extra, [extra_end]);
    }

    /// Whatever the arc, it is refused or its chords end where it ends; nothing panics.
    #[test]
    fn any_arc_at_all_is_refused_or_ends_exactly(
        ends in any::<[i32; 6]>(), by in any::<[i32; 3]>(), small in any::<bool>(), clockwise in any::<bool>(), tolerance_um in any::<u16>(),
    ) {
        let scale = |um: i32| if small { um / 65_536 } else { um };
        let [x0, y0, z0, x1, y1, z1] = ends.map(scale);
        let (start, end) = (Point { x_um: x0, y_um: y0, z_um: z0 }, Point { x_um: x1, y_um: y1, z_um: z1 });
        let motion = Move { start, end, extra_start: [7], extra_end: [i32::MIN] };
        let turn = if clockwise { Turn::Clockwise } else { Turn::Anticlockwise };
        let circle = Move { end: start, ..motion };
        for arc in [
            Arc::with_radius(motion, Plane::Zx, turn, scale(by[0])),
            Arc::with_centre(motion, Plane::Xy, turn, [scale(by[1]), scale(by[2])]),
            Arc::with_centre(circle, Plane::Yz, turn, [scale(by[1]), scale(by[2])]),
        ].into_iter().flatten() {
            // A wide arc with a fine tolerance has many chords; the first and the last tell enough.
            if let Ok(mut chords) = arc.chords(tolerance_um.max(1000)) {
                prop_assert_eq!(chords.next().map(|chord| chord.start), Some(start));
                if let Some(last) = chords.last() {
                    prop_assert!(last.end == end || last.end == start);
                    prop_assert_eq!(last.extra_end, [i32::MIN]);
                }
            }
        }
    }

    /// A flat grid changes the datum and nothing else: one piece.
    #[test]
    fn a_flat_grid_gives_one_piece(lattice in lattice(), height_um in -8191..=8191_i32, ends in any::<[i32; 6]>()) {
        let grid = HeightGrid::<MAX_NODES>::from_fn(lattice, |_, _| height_um).unwrap();
        let correction = Correction::new(grid).with_fade(Fade::new(0, 5000).unwrap()).unwrap();
        let [x0, y0, z0, x1, y1, z1] = ends;
        let motion = Move::<0> { start: Point { x_um: x0, y_um: y0, z_um: z0 }, end: Point { x_um: x1, y_um: y1, z_um: z1 }, extra_start: [], extra_end: [] };
        prop_assert_eq!(correction.split(&motion, 2).unwrap().count(), 1);
    }

    /// Chord ends on the circle (start, end and every chord are rounded to whole micrometres) and in order, the last where the arc ends, the middle of each chord within tolerance.
    #[test]
    fn chords_follow_the_arc(
        centre in [-100_000..100_000_i32, -100_000..100_000_i32], radius in 20.0..200_000.0_f64,
        from in 0.0..std::f64::consts::TAU, sweep in 0.01..std::f64::consts::TAU, clockwise in any::<bool>(), tolerance_um in 1..50_u16, plane in 0..3,
    ) {
        let plane = [Plane::Xy, Plane::Zx, Plane::Yz][plane as usize];
        let turn = if clockwise { Turn::Clockwise } else { Turn::Anticlockwise };
        let at = |angle: f64| [(radius * angle.cos()).round() as i32 + centre[0], (radius * angle.sin()).round() as i32 + centre[1]];
        let (start, end) = (at(from), at(if clockwise { from - sweep } else { from + sweep }));
        let point = |[first, second]: [i32; 2], third| match plane {
            Plane::Xy => Point { x_um: first, y_um: second, z_um: third },
            Plane::Zx => Point { z_um: first, x_um: second, y_um: third },
            Plane::Yz => Point { y_um: first, z_um: second, x_um: third },
        };
        let flat = |p: Point| match plane {
            Plane::Xy => ([p.x_um, p.y_um], p.z_um),
            Plane::Zx => ([p.z_um, p.x_um], p.y_um),
            Plane::Yz => ([p.y_um, p.z_um], p.x_um),
        };
        let motion = Move { start: point(start, 0), end: point(end, 10_000), extra_start: [0], extra_end: [-1_000_000] };
        let arc = Arc::with_centre(motion, plane, turn, [centre[0] - start[0], centre[1] - start[1]]).unwrap();
        let chords: Vec<_> = arc.chords(tolerance_um).unwrap().collect();
        let mut here = motion.start;
        let mut travelled = 0.0;
        for chord in &chords {
            prop_assert_eq!(chord.start, here);
            here = chord.end;
            let (end, third) = flat(here);
            let spoke = [f64::from(end[0] - centre[0]), f64::from(end[1] - centre[1])];
            let off_um = spoke[0].hypot(spoke[1]) - radius; prop_assert!(off_um.abs() <= 2.0, "chord end off the circle by {off_um}");
            let (start, _) = flat(chord.start);
            let before = f64::from(start[1] - centre[1]).atan2(f64::from(start[0] - centre[0]));
            let turned = spoke[1].atan2(spoke[0]) - before;
            travelled += if clockwise { -turned } else { turned }.rem_euclid(std::f64::consts::TAU);
            prop_assert!((f64::from(third) / 10_000.0 - travelled / sweep).abs() <= 0.001 + 3.0 / (radius * sweep), "third axis out of step");
            let middle = [f64::from(start[0] + end[0]) / 2.0 - f64::from(centre[0]), f64::from(start[1] + end[1]) / 2.0 - f64::from(centre[1])];
            prop_assert!(radius - middle[0].hypot(middle[1]) <= f64::from(tolerance_um) + 2.0, "chord too long");
        }
        prop_assert_eq!(here, motion.end);
        prop_assert_eq!(chords.last().unwrap().extra_end, motion.extra_end);
    }
}

/// A 0.3 mm bow measured at 3×3: plain bilinear is 75 µm off (row I-5: 2·s/(n−1)² for a dish with s = 0.15 mm along
/// each side), refined to 9×9 within 5 µm, to 15×15 within 3 µm.
#[test]
fn a_bow_measured_at_nine_stations() {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 100_000, pitch_y_um: 100_000, columns: 3, rows: 3 };
    let bow_um = |x_um: f64, y_um: f64| {
        let (u, v) = (x_um / 100_000.0 - 1.0, y_um / 100_000.0 - 1.0);
        300.0 - 150.0 * (u * u + v * v)
    };
    let readings = HeightGrid::<9>::from_fn(lattice, |column, row| {
        let (x_um, y_um) = lattice.node_um(column, row);
        bow_um(x_um.into(), y_um.into()).round() as i32
    })
    .unwrap();
    let worst_um = |height_um: &dyn Fn(i32, i32) -> i32| {
        let along = || (0..=200_000).step_by(1250);
        along()
            .flat_map(|y_um| along().map(move |x_um| (x_um, y_um)))
            // Heights are whole micrometres, and so is what they are compared with.
            .map(|(x_um, y_um)| height_um(x_um, y_um).abs_diff(bow_um(x_um.into(), y_um.into()).round() as i32))
            .max()
    };
    let plain_um = worst_um(&|x_um, y_um| readings.height_um(x_um, y_um));
    assert_eq!(plain_um, Some(75));
    let nine = readings.refined::<81>(9, 9).unwrap();
    let nine_um = worst_um(&|x_um, y_um| nine.height_um(x_um, y_um));
    assert_eq!(nine_um, Some(5));
    let fifteen = readings.refined::<225>(15, 15).unwrap();
    let fifteen_um = worst_um(&|x_um, y_um| fifteen.height_um(x_um, y_um));
    assert!(fifteen_um <= Some(3), "{fifteen_um:?}");
}

/// Fewer pieces cost less: an 85 mm move over a smooth bed takes at most 8 at 2 µm, wherever it lies.
#[test]
fn a_move_over_a_smooth_bed_takes_few_pieces() {
    let stations =
        Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };
    let readings = HeightGrid::<9>::new(stations, &[-150, 10, -150, -5, 150, 20, -160, 0, -145]).unwrap();
    let correction = Correction::new(readings.refined::<81>(9, 9).unwrap());
    let mut counts = Vec::new();
    for (x_um, y_um) in (0..12).flat_map(|x| (0..10).map(move |y| (20_000 + x * 10_000, 20_000 + y * 11_000))) {
        let start = Point { x_um, y_um, z_um: 200 };
        let end = Point { x_um: x_um + 70_000, y_um: y_um + 48_000, z_um: 200 };
        let motion = Move::<0> { start, end, extra_start: [], extra_end: [] };
        counts.push(correction.split(&motion, 2).unwrap().count());
    }
    let mean = counts.iter().sum::<usize>() as f64 / counts.len() as f64;
    let most = counts.iter().max();
    println!("pieces: {mean:.1} on the mean, {most:?} at the most");
    assert!(most <= Some(&8), "{mean} {most:?}");
}

/// Every quadratic shape comes back from nine readings, to the rounding of readings and nodes.
#[test]
fn refining_reproduces_every_quadratic() {
    let lattice =
        Lattice { x0_um: -70_000, y0_um: 10_000, pitch_x_um: 70_000, pitch_y_um: 56_000, columns: 3, rows: 3 };
    for coefficients in [[120.0, 0.0, 0.0], [0.0, -90.0, 0.0], [0.0, 0.0, 150.0], [-75.0, 210.0, 33.0]] {
        let quadratic_um = |(x_um, y_um): (i32, i32)| {
            let (u, v) = (f64::from(x_um) / 70_000.0, f64::from(y_um - 66_000) / 56_000.0);
            coefficients[0] * u * u + coefficients[1] * v * v + coefficients[2] * u * v + 40.0 * u - 25.0 * v + 7.0
        };
        let readings =
            HeightGrid::<9>::from_fn(lattice, |c, r| quadratic_um(lattice.node_um(c, r)).round() as i32).unwrap();
        let fine = readings.refined::<225>(15, 13).unwrap();
        for row in 0..13 {
            for column in 0..15 {
                let place = fine.lattice().node_um(column, row);
                let found_um = f64::from(fine.nodes_um()[usize::from(row) * 15 + usize::from(column)]);
                assert!((found_um - quadratic_um(place)).abs() <= 1.5, "{coefficients:?} at {place:?}");
            }
        }
    }
}

/// The double-precision reference agrees with the exact one, so that the tests above measure what they say.
#[test]
fn the_references_agree() {
    let lattice = Lattice { x0_um: -5, y0_um: 7, pitch_x_um: 1234, pitch_y_um: 4321, columns: 3, rows: 4 };
    let grid =
        HeightGrid::<12>::from_fn(lattice, |column, row| i32::from(column) * 37 - i32::from(row * row) * 11).unwrap();
    for x_um in (-500..4000).step_by(113) {
        for y_um in (-500..15_000).step_by(517) {
            let (numerator, denominator) = exact_height_um(&grid, x_um, y_um);
            let exact_um = numerator as f64 / denominator as f64;
            assert!((height_um(&grid, x_um.into(), y_um.into()) - exact_um).abs() < 1e-9);
        }
    }
}
