//! How fast a job is read, corrected and replayed, beside the visitor of the crate `gcode` and a plain search for line
//! ends, on the same bytes in one run: `cargo bench -p gapkeeper-benches --bench throughput [-- FILE]`.
//!
//! Without a file: the demo job, twenty times.

use std::hint::black_box;
use std::io::{self, Read, Write};
use std::num::NonZeroUsize;
use std::time::{Duration, Instant};

use gapkeeper::{Correction, Fade, MAX_NODES};
use gapkeeper_host_tools::apply::{Settings, apply};
use gapkeeper_host_tools::gcode::{Interpreter, Reader};
use gapkeeper_sim::{bed::ModelledBed, demo, replay};
use gcode::core::{
    BlockVisitor, CommandVisitor, ControlFlow, HasDiagnostics, Noop, Number, ProgramVisitor, Span, Value,
};

/// The best of so many rounds counts: whatever else the machine does only slows down.
const ROUNDS: u32 = 7;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    // Cargo's own words begin with a dash.
    let job = match std::env::args().skip(1).find(|argument| !argument.starts_with('-')) {
        Some(path) => std::fs::read(path)?,
        None => {
            let mut job = Vec::new();
            demo::job().read_to_end(&mut job)?;
            job.repeat(20)
        }
    };
    let text = std::str::from_utf8(&job)?;
    let scenario = demo::scenario()?;
    let bed = ModelledBed::new(&scenario, scenario.warmth_measuring())?;
    let grid = bed.read_off::<MAX_NODES>(scenario.stations())?.densest::<MAX_NODES>()?;
    let correction = Correction::new(grid).with_fade(Fade::new(400, 8000)?)?;
    let settings = |scale_flow| Settings { scale_flow, ..Settings::new(&correction) };
    let sim = |cores| replay::Settings { cores: NonZeroUsize::new(cores), ..replay::Settings::new(&scenario) };
    let moves = |cores| {
        replay::replay("job", io::Cursor::new(black_box(job.as_slice())), &sim(cores))
            .map_or(0, |outcome| outcome.counts.moves)
    };
    let work: [(&str, &dyn Fn() -> u64); 8] = [
        ("search for line ends", &|| memchr::memchr_iter(b'\n', black_box(&job)).count() as u64),
        ("gcode 0.7, visitor", &|| sum(black_box(text))),
        ("read", &|| read(black_box(&job))),
        ("read and interpret", &|| interpret(black_box(&job))),
        ("gapgrid apply", &|| corrected(black_box(&job), &settings(false))),
        ("gapgrid apply --scale-flow", &|| corrected(black_box(&job), &settings(true))),
        ("gapsim replay, one core", &|| moves(1)),
        ("gapsim replay, all cores", &|| moves(0)),
    ];
    let mut best = [Duration::MAX; 8];
    for _ in 0..ROUNDS {
        for ((_, work), best) in work.iter().zip(&mut best) {
            let started = Instant::now();
            black_box(work());
            *best = started.elapsed().min(*best);
        }
    }
    let mut out = io::stdout().lock();
    let visitor = best[1];
    writeln!(out, "{} bytes, best of {ROUNDS}", job.len())?;
    for ((name, _), time) in work.iter().zip(best) {
        let rate = job.len() as f64 / time.as_secs_f64() / 1e6;
        writeln!(out, "{name:28} {rate:8.0} MB/s  {:6.1} times the visitor", ratio(visitor, time))?;
    }
    Ok(())
}

fn ratio(other: Duration, time: Duration) -> f64 {
    other.as_secs_f64() / time.as_secs_f64()
}

fn read(job: &[u8]) -> u64 {
    let (mut reader, mut words) = (Reader::new("job", job), 0);
    while let Ok(Some(line)) = reader.next_line() {
        words += line.words().len() as u64;
    }
    words
}

fn interpret(job: &[u8]) -> u64 {
    let (mut reader, mut interpreter, mut lines) = (Reader::new("job", job), Interpreter::new(), 0);
    while let Ok(Some(line)) = reader.next_line() {
        lines += u64::from(interpreter.execute(&line).is_ok());
    }
    lines
}

fn corrected(job: &[u8], settings: &Settings<'_>) -> u64 {
    apply("job", job, Sink::default(), settings).map_or(0, |report| report.pieces)
}

/// Takes in bytes as a file's buffer does.
#[derive(Default)]
struct Sink(Vec<u8>);

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.0.len() > 1 << 16 {
            self.0.clear();
        }
        self.0.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Adds up all numbers, the least that anyone wants of them.
#[derive(Default)]
struct Sum {
    sum: f64,
    diagnostics: Noop,
}

struct Part<'a>(&'a mut Sum);

fn sum(text: &str) -> u64 {
    let mut sum = Sum::default();
    gcode::core::parse(text, &mut sum);
    sum.sum as u64
}

impl HasDiagnostics for Sum {
    fn diagnostics(&mut self) -> &mut dyn gcode::core::Diagnostics {
        &mut self.diagnostics
    }
}

impl HasDiagnostics for Part<'_> {
    fn diagnostics(&mut self) -> &mut dyn gcode::core::Diagnostics {
        &mut self.0.diagnostics
    }
}

impl ProgramVisitor for Sum {
    fn start_block(&mut self) -> ControlFlow<impl BlockVisitor + '_> {
        ControlFlow::Continue(Part(self))
    }
}

impl BlockVisitor for Part<'_> {
    fn start_general_code(&mut self, _number: Number) -> ControlFlow<impl CommandVisitor + '_> {
        ControlFlow::Continue(Part(self.0))
    }

    fn start_miscellaneous_code(&mut self, _number: Number) -> ControlFlow<impl CommandVisitor + '_> {
        ControlFlow::Continue(Part(self.0))
    }
}

impl CommandVisitor for Part<'_> {
    fn argument(&mut self, _letter: char, value: Value<'_>, _span: Span) {
        if let Value::Literal(number) = value {
            self.0.sum += f64::from(number);
        }
    }
}
