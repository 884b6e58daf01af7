//! The simulator's demo: its bed as heights at the stations, and its job as the pieces of every line.

use std::io::Read;

use gapkeeper::{Correction, Flow, HeightGrid, Move, Point};
use gapkeeper_host_tools::gcode::{Action, Interpreter, Reader, moves};
use gapkeeper_sim::{bed::ModelledBed, demo};

/// One piece: where it ends, and the change of `E` in nanometres.
pub type DemoPiece = (Point, i32);

/// The demo's bed, read off at the stations of its survey.
///
/// # Panics
/// If the built-in demo cannot be read.
#[allow(clippy::unwrap_used, reason = "the demo is built in")]
pub fn bed<const NODES: usize>() -> HeightGrid<NODES> {
    let scenario = demo::scenario().unwrap();
    let bed = ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    bed.read_off(scenario.stations()).unwrap()
}

/// Gives every line of the demo's job, and its pieces over a bed as the simulator makes them; returns the number of
/// lines. With `scale_flow`, `E` is scaled.
///
/// # Panics
/// If the built-in demo cannot be read or a move of it cannot be split.
#[allow(clippy::unwrap_used, reason = "the demo is built in")]
pub fn for_each_line<const NODES: usize>(
    correction: &Correction<NODES>,
    tolerance_um: u16,
    scale_flow: bool,
    mut each: impl FnMut(&[u8], &[DemoPiece]),
) -> u32 {
    let mut job = Vec::new();
    demo::job().read_to_end(&mut job).unwrap();
    let mut reader = Reader::new("demo", job.as_slice());
    let mut interpreter = Interpreter::new();
    let mut flow = scale_flow.then(Flow::new);
    let mut lines = 0;
    while let Some(line) = reader.next_line().unwrap() {
        let mut pieces = Vec::new();
        let mut drive = |motion: &Move<1>| {
            let mut before = motion.extra_start[0];
            let mut split = correction.split(motion, tolerance_um).unwrap();
            while let Some(piece) = match &mut flow {
                Some(flow) => split.next_scaled(flow),
                None => split.next(),
            } {
                pieces.push((piece.end, piece.extra[0] - before));
                before = piece.extra[0];
            }
        };
        match interpreter.execute(&line).unwrap() {
            Action::Straight(straight) => {
                drive(&moves::straight(straight.start, straight.end, straight.extruded_nm).unwrap());
            }
            Action::Arc(arc) => moves::chords(&arc, moves::ARC_TOLERANCE_UM).unwrap().for_each(|chord| drive(&chord)),
            _ => {}
        }
        lines += 1;
        each(line.raw(), &pieces);
    }
    lines
}
