//! `E` scaled by the core: sums without drift, and as much as the simulator lays.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use gapkeeper::{Correction, DEFAULT_TOLERANCE_UM, Fade, Flow, HeightGrid, Lattice, MAX_NODES, Move, Point};
use gapkeeper_host_tools::apply;
use gapkeeper_sim::bed::ModelledBed;
use gapkeeper_sim::demo;
use gapkeeper_sim::deposit::replay_with_deposit;
use gapkeeper_sim::replay::Settings;
use gapkeeper_tests::demo_job;
use gapkeeper_tests::exact_flow::ExactFlow;
use gapkeeper_tests::{height_um, proptest_cases};
use proptest::prelude::*;

fn bed() -> impl Strategy<Value = Correction<25>> {
    let heights_um = prop::collection::vec(-400..=400_i16, 25);
    (heights_um, 2..=5_u8, 2..=5_u8, 5000..60_000_u32, prop::option::of((-500..2000_i32, 900..9000_i32))).prop_map(
        |(heights_um, columns, rows, pitch_um, fade)| {
            let lattice =
                Lattice { x0_um: 10_000, y0_um: 5_000, pitch_x_um: pitch_um, pitch_y_um: 2 * pitch_um, columns, rows };
            let grid = HeightGrid::new(lattice, &heights_um[..lattice.node_count()]).unwrap();
            let correction = Correction::new(grid);
            match fade {
                Some((full_below_um, range_um)) => {
                    correction.with_fade(Fade::new(full_below_um, full_below_um + range_um).unwrap()).unwrap()
                }
                None => correction,
            }
        },
    )
}

/// One after the other, each from where the one before ended; `E` in nanometres, forwards and back.
fn ways() -> impl Strategy<Value = Vec<Move<1>>> {
    let place = (0..200_000_i32, 0..400_000_i32, prop_oneof![-600..12_000_i32, Just(1500)]);
    let stop = (place, prop_oneof![3 => -1_000_000..20_000_000_i32, 1 => 0..3_i32], 0..4_u8);
    prop::collection::vec(stop, 2..40).prop_map(|stops| {
        let mut at = Point::default();
        let ways = stops.into_iter().map(|((x_um, y_um, z_um), extruded_nm, kind)| {
            let start = at;
            at = match kind {
                0 => Point { x_um, y_um, z_um },
                1 => Point { z_um, ..start },
                _ => Point { x_um, y_um, ..start },
            };
            Move { start, end: at, extra_start: [-7], extra_end: [extruded_nm - 7] }
        });
        ways.collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: proptest_cases(), failure_persistence: None, ..ProptestConfig::default() })]

    /// Of many moves every piece is where the exact sum, rounded once, has it: it is never off by more than half a
    /// nanometre, however many there were. Positions, and whatever prints nothing, are as without scaling, to the bit.
    #[test]
    fn sums_are_exact_and_all_else_is_untouched(correction in bed(), ways in ways()) {
        let (mut flow, mut exact) = (Flow::new(), ExactFlow::default());
        for motion in &ways {
            let expected = exact.pieces(&correction, motion, 2);
            let mut plain = correction.split(motion, 2).unwrap();
            let mut split = correction.split(motion, 2).unwrap();
            let mut before = motion.extra_start[0];
            let prints = motion.extra_end > motion.extra_start
                && (motion.start.x_um, motion.start.y_um) != (motion.end.x_um, motion.end.y_um);
            for (end, change) in expected {
                let piece = split.next_scaled(&mut flow).unwrap();
                prop_assert_eq!((piece.end, piece.extra[0] - before), (end, change));
                before = piece.extra[0];
                let plain = plain.next().unwrap();
                prop_assert_eq!(plain.end, piece.end);
                prop_assert!(plain == piece || prints && correction.fade().is_some());
            }
            prop_assert_eq!(split.next_scaled(&mut flow), None);
        }
        prop_assert!(correction.fade().is_some() || flow == Flow::new());
    }

    /// The whole of a move against the integral in double precision: the factor is rounded to a 65536th, and its two
    /// places to half a micrometre.
    #[test]
    fn a_move_prints_the_integral_of_its_thickness(correction in bed(), ways in ways()) {
        let Some(fade) = correction.fade() else { return Ok(()) };
        let (from_um, range_um) = (f64::from(fade.full_below_um()), f64::from(fade.range_um()));
        let mean_um = f64::from(correction.grid().mean_um());
        for Move { start, end, .. } in &ways {
            if (start.x_um, start.y_um) == (end.x_um, end.y_um) {
                continue;
            }
            let motion = Move { start: *start, end: *end, extra_start: [0], extra_end: [1_000_000_000] };
            let (mut split, mut flow, mut found_nm) = (correction.split(&motion, 2).unwrap(), Flow::new(), 0);
            while let Some(piece) = split.next_scaled(&mut flow) {
                found_nm = piece.extra[0];
            }
            const STEPS: u32 = 4000;
            let factor = |step: u32| {
                let part = (f64::from(step) + 0.5) / f64::from(STEPS);
                let at = |from: i32, to: i32| f64::from(from) + (f64::from(to) - f64::from(from)) * part;
                let above_um = at(start.z_um, end.z_um) - from_um;
                let fades = above_um > 0.0 && above_um <= range_um;
                let shape_um = height_um(correction.grid(), at(start.x_um, end.x_um), at(start.y_um, end.y_um)) - mean_um;
                if fades { 1.0 - shape_um / range_um } else { 1.0 }
            };
            let wanted = (0..STEPS).map(factor).sum::<f64>() / f64::from(STEPS);
            let found = f64::from(found_nm) / 1e9;
            // The midpoint rule misses up to a step where the fade begins or ends in mid-move, and its thickness is off
            // by up to 0.9 there; level moves have no such step.
            let rounding = if start.z_um == end.z_um { 1e-4 } else { 2.5 / f64::from(STEPS) };
            prop_assert!((found - wanted).abs() < rounding, "{found} {wanted} {motion:?}");
        }
    }
}

/// A post in the fade, as the simulator lays it: the nozzle rises by so much less or more than the job asks for, and `E`
/// is changed by as much.
#[test]
fn as_much_is_printed_as_the_simulator_lays() {
    let mut scenario = demo::scenario().unwrap();
    let fade = Fade::new(400, 2400).unwrap();
    scenario.correction.fade = Some(gapkeeper_sim::scenario::FadeSettings(fade));
    // So fine that only whole micrometres are left of rounding.
    scenario.machine.steps_per_mm.z = gapkeeper_sim::scenario::Positive(100_000.0);
    let bed = ModelledBed::new(&scenario, scenario.warmth_measuring()).unwrap();
    let grid: HeightGrid<9> = bed.read_off(scenario.stations()).unwrap();
    let correction = Correction::new(grid.densest::<MAX_NODES>().unwrap()).with_fade(fade).unwrap();
    for (x_um, y_um) in [(20_000, 20_000), (115_000, 100_000), (180_000, 30_000)] {
        let (mut flow, mut job_nm, mut printed_nm) = (Flow::new(), 0, 0);
        let mut job = format!("G1 X{} Y{} Z0.2 F1200\nM83\n", x_um / 1000, y_um / 1000);
        // From the layer that begins where the fade does to the one that ends where it ends.
        for layer in 1..=12 {
            let z_um = 200 * layer;
            job += &format!("G1 Z{:.1}\nG1 X{} E0.3\nG1 X{}\n", f64::from(z_um) / 1e3, x_um / 1000 + 10, x_um / 1000);
            let at = |x_um| Point { x_um, y_um, z_um };
            let motion = Move { start: at(x_um), end: at(x_um + 10_000), extra_start: [0], extra_end: [300_000] };
            let mut split = correction.split(&motion, DEFAULT_TOLERANCE_UM).unwrap();
            let mut end_nm = 0;
            while let Some(piece) = split.next_scaled(&mut flow) {
                end_nm = piece.extra[0];
            }
            // The first layer rests on the bed.
            if layer > 1 {
                (job_nm, printed_nm) = (job_nm + 300_000, printed_nm + end_nm);
            }
        }
        let (_, [_, _, refined]) =
            replay_with_deposit("post", std::io::Cursor::new(&job), &Settings::new(&scenario)).unwrap();
        let laid = refined.above.lines.unwrap().mean;
        let factor = f64::from(printed_nm) / f64::from(job_nm);
        println!("at X {x_um} Y {y_um} um: E times {factor:.5}, laid {laid:.5} of what was asked for");
        assert!((factor - 1.0).abs() > 0.01, "{factor}: nothing is shown here");
        // Each end of a layer is rounded to a micrometre: a thousandth of the ten in the fade at the most.
        assert!((factor - laid).abs() < 0.001, "{factor} {laid}");
    }
}

/// A controller that scales `E` prints as much as it does of a job that a desktop has scaled beforehand.
#[test]
fn a_controller_and_a_corrected_job_print_the_same() {
    let grid: HeightGrid<9> = demo_job::bed();
    let correction =
        Correction::new(grid.densest::<MAX_NODES>().unwrap()).with_fade(Fade::new(400, 8000).unwrap()).unwrap();
    let extruded_nm = |scale_flow| {
        let mut sum_nm = 0;
        demo_job::for_each_line(&correction, DEFAULT_TOLERANCE_UM, scale_flow, |_, pieces| {
            sum_nm += pieces.iter().map(|&(_, extruded_nm)| i64::from(extruded_nm)).sum::<i64>();
        });
        sum_nm
    };
    let change_nm = extruded_nm(true) - extruded_nm(false);
    let settings = apply::Settings { scale_flow: true, ..apply::Settings::new(&correction) };
    let report = apply::apply("demo", demo::job(), std::io::sink(), &settings).unwrap();
    assert_eq!(change_nm, report.e_change_nm);
    assert!(change_nm.abs() > 10_000_000, "{change_nm}");
}
