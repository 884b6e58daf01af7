//! One correction, its inverse, one split move, one arc.
#![allow(missing_docs, reason = "the macros of the bench library write functions without docs")]

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use gapkeeper::{Arc, Correction, Fade, HeightGrid, Lattice, Move, Plane, Point, Turn};

/// A smooth bed, 0.3 mm high in the middle, read at 3 x 3 stations and refined.
fn correction(nodes: u8) -> Correction<225> {
    let stations =
        Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };
    let readings = HeightGrid::<9>::new(stations, &[-150, 10, -150, -5, 150, 20, -160, 0, -145]);
    let grid = readings.and_then(|readings| readings.refined(nodes, nodes)).expect("nine sound readings");
    Correction::new(grid).with_fade(Fade::new(400, 8000).expect("upwards")).expect("long enough")
}

fn core(criterion: &mut Criterion) {
    // Places spread over and around the grid, always the same.
    let places: Vec<(i32, i32)> = (0..1024_u32)
        .map(|index| index.wrapping_mul(2_654_435_769))
        .map(|bits| ((bits >> 14) as i32, (bits & 0x3_FFFF) as i32))
        .collect();
    let mut group = criterion.benchmark_group("1024 places");
    group.throughput(Throughput::Elements(1024));
    let correction9 = correction(9);
    for (name, z_um) in [("height, full", 200), ("height, fading", 3000), ("height, above the fade", 9000)] {
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                places
                    .iter()
                    .map(|&(x_um, y_um)| correction9.machine_z_um(x_um, y_um, black_box(z_um)))
                    .fold(0, i32::wrapping_add)
            });
        });
    }
    group.bench_function("inverse, fading", |bencher| {
        bencher.iter(|| {
            places
                .iter()
                .map(|&(x_um, y_um)| correction9.logical_z_um(x_um, y_um, black_box(3000)))
                .fold(0, i32::wrapping_add)
        });
    });
    group.finish();

    let mut group = criterion.benchmark_group("whole moves");
    let at = |x_um, y_um, z_um| Point { x_um, y_um, z_um };
    let level =
        Move { start: at(60_000, 70_000, 200), end: at(130_000, 118_000, 200), extra_start: [0], extra_end: [2827] };
    let rising = Move { end: at(130_000, 118_000, 4200), ..level };
    for (name, motion) in [("85 mm, level", &level), ("85 mm, rising through the fade", &rising)] {
        for nodes in [3, 9, 15] {
            let correction = correction(nodes);
            group.bench_function(format!("split, {name}, {nodes} x {nodes}"), |bencher| {
                bencher.iter(|| correction.split(black_box(motion), 2).map(Iterator::count));
            });
        }
    }
    let circle = Move { end: level.start, ..level };
    group.bench_function("arc, full circle of 10 mm", |bencher| {
        bencher.iter(|| {
            Arc::with_centre(black_box(circle), Plane::Xy, Turn::Clockwise, [10_000, 0])
                .and_then(|arc| arc.chords(5))
                .map(Iterator::count)
        });
    });
    group.finish();
}

criterion_group!(benches, core);
criterion_main!(benches);
