//! The examples in C and C++ compile without a warning, link, run, and say what the same calls in Rust say.

mod compilers;

use std::fmt::Write;
use std::path::{Path, PathBuf};

use compilers::{CROSS_C, CROSS_CPP, HOST_C, HOST_CPP};
use gapkeeper::{
    Arc, Fade, Flow, HeightGrid, Keeper, KeeperSettings, Lattice, Move, Order, Piece, Plane, Point, Prompt, StoredGrid,
    Surface, SurveyEvent, SurveyPlan, SurveySettings, Turn,
};
use gapkeeper_c_api::{GAPKEEPER_GRIDS, GAPKEEPER_NODES, GAPKEEPER_STATIONS};

type TestKeeper = Keeper<GAPKEEPER_STATIONS, GAPKEEPER_NODES, GAPKEEPER_GRIDS>;

fn folder() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn example(name: &str) -> PathBuf {
    folder().join("examples").join(name)
}

/// What `split_move.c` should print.
fn split_move() -> String {
    let mut keeper = TestKeeper::without_memory(KeeperSettings::default()).expect("settings in order");
    keeper.homed();
    let lattice = Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 90_000, pitch_y_um: 80_000, columns: 3, rows: 3 };
    let grid = StoredGrid {
        grid: HeightGrid::new(lattice, &[0, 150, 0, 150, 300, 150, 0, 150, 0]).expect("a grid"),
        shift_um: 0,
        fade: Some(Fade::new(400, 8000).expect("a fade")),
        bed_temperature_c: 60,
        setup: 0,
        closure_um: 0,
        closure_accepted: false,
        surface: Surface::Refined,
        tie: None,
    };
    keeper.adopt(grid).expect("the grid comes into force");
    // What C prints of its memory; here the keeper just goes on.
    let mut printed = "new memory\nno grid\ngrid loaded\n".to_owned();
    let print = |printed: &mut String, piece: &Piece<1>| {
        let Point { x_um, y_um, z_um } = piece.end;
        writeln!(printed, "X {x_um} Y {y_um} Z {z_um} E {}", piece.extra[0]).expect("a text grows");
    };
    let line = |printed: &mut String, motion: &Move<1>| {
        for piece in keeper.line(motion).expect("the move can be split") {
            print(printed, &piece);
        }
    };
    let between = |start: [i32; 3], end: [i32; 3], extra_end| {
        let [start, end] = [start, end].map(|[x_um, y_um, z_um]| Point { x_um, y_um, z_um });
        Move { start, end, extra_start: [0], extra_end: [extra_end] }
    };
    printed.push_str("line\n");
    line(&mut printed, &between([20_000, 20_000, 200], [200_000, 180_000, 200], 8011));
    printed.push_str("arc\n");
    let motion = between([60_000, 60_000, 200], [160_000, 60_000, 600], 5000);
    let arc = Arc::with_centre(motion, Plane::Xy, Turn::Clockwise, [50_000, 0]).expect("an arc");
    for chord in arc.chords(50).expect("its chords") {
        line(&mut printed, &chord);
    }
    printed.push_str("scaled\n");
    let mut pieces = keeper.line(&between([20_000, 20_000, 4000], [200_000, 180_000, 200], 8011)).expect("a move");
    let mut flow = Flow::new();
    while let Some(piece) = pieces.next_scaled(&mut flow) {
        print(&mut printed, &piece);
    }
    printed + "done\n"
}

/// The bed of `survey.cpp`.
fn bed_um(x_um: i32, y_um: i32) -> i32 {
    let from_middle_mm = (y_um - 100_000) / 1000;
    (x_um - 110_000) / 500 + 200 - from_middle_mm * from_middle_mm / 32
}

/// What `survey.cpp` should print.
fn survey() -> String {
    let mut keeper = TestKeeper::without_memory(KeeperSettings::default()).expect("settings in order");
    keeper.homed();
    let settings = SurveySettings {
        bed_temperature_c: 60,
        nozzle_temperature_c: 150,
        soak_s: 30,
        detent_um: 1,
        coarse_um: 0,
        ..SurveySettings::default()
    };
    let lattice = Lattice { x0_um: 20_000, y0_um: 20_000, pitch_x_um: 60_000, pitch_y_um: 80_000, columns: 4, rows: 3 };
    let mut order = keeper.begin_survey(SurveyPlan::new(lattice).expect("a plan"), settings, 5000).expect("a survey");
    let mut printed = "grids loaded 0\n".to_owned();
    let prompt = |keeper: &TestKeeper| format!("{}\n--\n", keeper.status());
    for at_s in [0, 30] {
        printed += &prompt(&keeper);
        keeper.temperature(60, 150, at_s);
    }
    let (mut at, mut z_um) = ((0, 0), 5000);
    while order != Order::Done {
        let event = match order {
            Order::Lift { z_um: to } | Order::Approach { z_um: to } | Order::Step { z_um: to } => {
                z_um = to;
                SurveyEvent::Arrived
            }
            Order::Travel { x_um, y_um } => {
                at = (x_um, y_um);
                SurveyEvent::Arrived
            }
            Order::Wait => {
                printed += &prompt(&keeper);
                match keeper.survey_under_way().expect("under way").prompt() {
                    Prompt::SetGap { is_turned: false, .. } | Prompt::LookAgain { is_turned: false, .. } => {
                        SurveyEvent::Turned { detents: (bed_um(at.0, at.1) + 100 - z_um) as i16 }
                    }
                    _ => SurveyEvent::Pressed,
                }
            }
            other => panic!("{other:?}"),
        };
        order = keeper.survey(event).expect("the survey goes on");
    }
    printed += &format!("{}\n--\ndetents turned meanwhile 3\ndone\n--\ngrids loaded 1\n", keeper.status());
    let stored = keeper.bank().grid(0).expect("the grid is in the bank");
    for (index, &height_um) in stored.grid.nodes_um().iter().enumerate() {
        let (x_um, y_um) = lattice.node_um((index % 4) as u8, (index / 4) as u8);
        assert!((i32::from(height_um) - bed_um(x_um, y_um)).abs() <= 1, "{height_um} at {x_um}, {y_um}");
        writeln!(printed, "height_um {height_um}").expect("a text grows");
    }
    writeln!(printed, "surface {}", u8::from(stored.surface == Surface::Refined)).expect("a text grows");
    // After the restart nothing is unsaved.
    let mut status = keeper.status();
    status.unsaved = false;
    printed + &format!("{status}\n--\ndone\n--\n")
}

#[test]
fn split_move_in_c_is_split_move_in_rust() {
    let expected = split_move();
    assert!(expected.lines().count() > 40, "{expected}");
    assert!(expected.contains(" E 8011\narc\n") && !expected.contains(" E 8011\ndone\n"), "{expected}");
    for compiler in &HOST_C {
        assert_eq!(compiler.output_of(folder(), &example("split_move.c")).unwrap_or_default(), expected);
    }
}

#[test]
fn a_survey_in_cpp_is_a_survey_in_rust() {
    let expected = survey();
    assert!(expected.contains("Station 1 of 13") && expected.contains("NOT SAVED"), "{expected}");
    for compiler in &HOST_CPP {
        if let Some(output) = compiler.output_of(folder(), &example("survey.cpp")) {
            assert_eq!(output, expected);
        }
    }
}

#[test]
fn the_examples_compile_for_chips() {
    for compiler in &CROSS_C {
        compiler.compile(folder(), &example("split_move.c"));
    }
    for compiler in &CROSS_CPP {
        compiler.compile(folder(), &example("survey.cpp"));
    }
}
