//! Reading, interpreting and replaying the demo job.
#![allow(missing_docs, reason = "the macros of the bench library write functions without docs")]

use std::hint::black_box;
use std::io::Read;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use gapkeeper_host_tools::gcode::{Interpreter, Reader};
use gapkeeper_sim::demo;
use gapkeeper_sim::replay::{Settings, replay};

fn job(criterion: &mut Criterion) {
    let mut text = Vec::new();
    demo::job().read_to_end(&mut text).expect("the built-in job unpacks");
    let mut group = criterion.benchmark_group("demo job");
    group.throughput(Throughput::Bytes(text.len() as u64)).sample_size(20);
    group.bench_function("read lines", |bencher| {
        bencher.iter(|| {
            let mut reader = Reader::new("demo", std::io::Cursor::new(black_box(text.as_slice())));
            let mut words = 0;
            while let Some(line) = reader.next_line().expect("the demo job is sound") {
                words += line.words().len();
            }
            words
        });
    });
    group.bench_function("read and interpret", |bencher| {
        bencher.iter(|| {
            let (mut reader, mut interpreter) =
                (Reader::new("demo", std::io::Cursor::new(black_box(text.as_slice()))), Interpreter::new());
            while let Some(line) = reader.next_line().expect("the demo job is sound") {
                interpreter.execute(&line).expect("the demo job is sound");
            }
            interpreter.position()
        });
    });
    let scenario = demo::scenario().expect("the demo scenario is sound");
    let settings = Settings::new(&scenario);
    group.bench_function("replay three ways, with gap", |bencher| {
        bencher.iter(|| {
            replay("demo", std::io::Cursor::new(black_box(text.as_slice())), &settings)
                .map(|outcome| outcome.counts.moves)
        });
    });
    group.finish();
}

criterion_group!(benches, job);
criterion_main!(benches);
