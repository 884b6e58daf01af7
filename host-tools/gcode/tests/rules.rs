//! The rules of RS274/NGC, row by row of the project's list of published check values.
//!
//! Row names (G-1 and so on) stand for sections of T. R. Kramer, F. M. Proctor, E. Messina, *The NIST RS274NGC
//! Interpreter - Version 3*, NISTIR 6556, 2000. Rows on bytes and numbers alone are tested beside their code.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use gapkeeper_gcode::{
    Action, ArcMotion, ArcShape, GcodeError, Home, Interpreter, Plane, Position, Reader, Straight, Units,
};

/// Executes all lines, with a feed from the start; returns what each did.
fn run(job: &str) -> Result<(Interpreter, Vec<Action>), GcodeError> {
    let mut interpreter = Interpreter::new();
    execute("F1000", &mut interpreter)?;
    let actions = execute(job, &mut interpreter)?;
    Ok((interpreter, actions))
}

fn execute(job: &str, interpreter: &mut Interpreter) -> Result<Vec<Action>, GcodeError> {
    let mut reader = Reader::new("job", job.as_bytes());
    let mut actions = Vec::new();
    while let Some(line) = reader.next_line()? {
        actions.push(interpreter.execute(&line)?);
    }
    Ok(actions)
}

fn state(job: &str) -> Interpreter {
    run(job).unwrap().0
}

fn last(job: &str) -> Action {
    *run(job).unwrap().1.last().unwrap()
}

fn straight(job: &str) -> Straight {
    match last(job) {
        Action::Straight(straight) => straight,
        other => panic!("{other:?}"),
    }
}

fn arc(job: &str) -> ArcMotion {
    match last(job) {
        Action::Arc(arc) => arc,
        other => panic!("{other:?}"),
    }
}

/// The message alone.
fn refusal(job: &str) -> String {
    run(job).unwrap_err().kind().to_string()
}

fn at_mm(x: i64, y: i64, z: i64) -> Position {
    Position { x_nm: x * 1_000_000, y_nm: y * 1_000_000, z_nm: z * 1_000_000 }
}

/// Row G-4 (3.3.2.1).
#[test]
fn g4_numbers_of_codes_may_be_off_by_a_ten_thousandth() {
    assert!(straight("G1.000005 X1").end == at_mm(1, 0, 0));
    assert_eq!(last("M2.00005"), Action::End);
    let message = "no code: an M number, and ten times a G number, is within 0.0001 of a whole number";
    assert_eq!(refusal("G1.00005 X1"), message);
    assert_eq!(refusal("M3.5"), message);
    assert_eq!(refusal("G-1"), message);
}

/// Rows G-8 and G-9 (3.3.5, Table 4).
#[test]
fn g8_words_that_contradict_each_other() {
    for (line, message) in [
        ("G0 G1 X1", "G0 and G1 on one line: both are of the group \"motion\""),
        ("G17 G21 G18", "G17 and G18 on one line: both are of the group \"plane\""),
        ("G90 G91", "G90 and G91 on one line: both are of the group \"distance mode\""),
        ("G21 G20.00", "G21 and G20 on one line: both are of the group \"units\""),
        ("G4 P1 G92 X1", "G4 and G92 on one line: both are of the group \"non-modal\""),
        ("G59.3 G54", "G59.3 and G54 on one line: both are of the group \"coordinate system\""),
        ("M3 M05", "M3 and M5 on one line: both are of the group \"spindle turning\""),
        ("M104 S1 M140", "M104 and M140 on one line: both are of the group \"heaters, fan and motors\""),
        ("M0 M3 M6 M8 M48", "more than four M words on one line"),
        ("G1 X1 Y1 X1", "X stands twice on one line"),
        ("G28 X X", "X stands twice on one line"),
        ("G1 G92 X1", "G1 and G92 on one line: both use the axis words"),
        ("G28 G38.2 X1", "G28 and G38.2 on one line: both use the axis words"),
        ("G80 X1", "axis words, but no motion mode is in force"),
    ] {
        assert_eq!(refusal(line), message, "{line}");
    }
    // Four M words of four groups, and G words of many.
    run("G0 G17 G21 G40 G49 G54 G64 G90 G94 G98 X1 M0 M3 M6 M8").unwrap();
    assert_eq!(last("G80 G92 X1"), Action::SetPosition);
}

/// Row G-10 (Table 8).
#[test]
fn g10_the_order_on_a_line() {
    assert_eq!(straight("G1 X10 F100").feed_nm_min, Some(100_000_000));
    assert_eq!(straight("F100\nG1 X10 G91\nX5 G90").end, at_mm(5, 0, 0));
    assert_eq!(straight("G1 X10\nX5 G91").end, at_mm(15, 0, 0));
    assert_eq!(straight("G1 X1 G20").end, Position { x_nm: 25_400_000, ..Position::default() });
    assert_eq!(arc("G2 Z2 K1 G18").plane, Plane::Zx);
    let ends = run("G91 G1 X1 M2").unwrap();
    assert_eq!(straight("G91 G1 X1 M2").end, at_mm(1, 0, 0));
    assert!(ends.0.has_ended() && !ends.0.is_incremental());
}

/// Row G-12 (3.5.3.1).
#[test]
fn g12_arcs_by_radius() {
    let half = arc("G1 X10 Y20 Z3\nG3 X30 R-10 Z5 E2 F60");
    let expected = ArcMotion {
        start: at_mm(10, 20, 3),
        turns: 1,
        end: at_mm(30, 20, 5),
        plane: Plane::Xy,
        clockwise: false,
        shape: ArcShape::Radius { radius_nm: -10_000_000 },
        extruded_nm: 2_000_000,
        feed_nm_min: Some(60_000_000),
    };
    assert_eq!(half, expected);
    assert_eq!(refusal("G2 X0 R5"), "an arc given by its radius ends where it starts");
    assert_eq!(refusal("G2 Z1 R5"), "an arc without any axis word of its plane");
    assert_eq!(refusal("G18 G2 Y1 R5"), "an arc without any axis word of its plane");
    let short = "the arc's radius is less than half the way to its end, which is 20 mm off";
    assert_eq!(refusal("G2 X20 R9.9979"), short);
    assert!(run("G2 X20 R9.9981").is_ok());
    assert_eq!(refusal("G2 X20 R10 I10"), "an arc with a radius and with offsets of its centre");
}

/// Row G-13 (3.5.3.2).
#[test]
fn g13_arcs_by_centre() {
    let from_10_0 = "G1 X10 Y0\nG3 X0";
    assert!(run(&format!("{from_10_0} Y10.0019 I-10")).is_ok());
    assert_eq!(
        refusal(&format!("{from_10_0} Y10.0021 I-10")),
        "the arc starts 10 mm from its centre and ends 10.0021 mm from it, more than 0.002 mm apart"
    );
    // The limit is that of the file's units: 0.0002 inch, though this is 0.00508 mm.
    assert!(run(&format!("G20 {from_10_0} Y10.0002 I-10")).is_ok());
    assert_eq!(
        refusal(&format!("G20 {from_10_0} Y10.0003 I-10")),
        "the arc starts 254 mm from its centre and ends 254.00762 mm from it, more than 0.007188 mm apart"
    );
    // A full circle by its centre alone is common practice.
    assert!(arc("G2 I5 J5").start == arc("G2 I5 J5").end);
    assert_eq!(refusal("G2 Z5"), "an arc without any axis word of its plane");
    // Rounding to three decimals explains 2.83 of the last digit, to two ten times as much.
    assert!(run(&format!("{from_10_0} Y10.002 I-10")).is_ok());
    assert!(run(&format!("{from_10_0} Y10.003 I-10")).unwrap_err().to_string().contains("more than 0.00283 mm apart"));
    assert!(run(&format!("{from_10_0} Y10.02 I-10")).is_ok());
    assert!(run(&format!("{from_10_0} Y10.03 I-10")).is_err());
    assert_eq!(refusal("G2 X5 Y5"), "an arc with neither a radius nor an offset of its centre");
    assert_eq!(refusal("G2 X5 Y5 K1"), "K is not an offset in the arc's plane");
    assert_eq!(refusal("G1 X5 J1"), "J belongs to an arc, but the motion is straight");
    // Offsets count from the start under G90 too, and a full circle ends where it starts (row G-23, line n0320).
    let circle = arc("g0 x32.5 y0\ng2 x32.5 j2.5");
    assert_eq!(circle.start, circle.end);
    assert_eq!(circle.shape, ArcShape::Centre { first_nm: 0, second_nm: 2_500_000 });
    assert!(circle.clockwise);
}

/// Row G-13: the order of the plane's axes.
#[test]
fn g13_offsets_follow_the_plane() {
    let centre =
        |first: i64, second: i64| ArcShape::Centre { first_nm: first * 1_000_000, second_nm: second * 1_000_000 };
    assert_eq!(arc("G17 G2 X2 Y2 I0 J2").shape, centre(0, 2));
    assert_eq!(arc("G18 G2 X2 Z2 I2 K0").shape, centre(0, 2));
    assert_eq!(arc("G19 G2 Y2 Z2 J0 K2").shape, centre(0, 2));
}

/// Row G-14 (3.5.3.2, example).
#[test]
fn g14_a_helix() {
    let helix = arc("G0 X7 Y7 Z0\nG17 G2 x 10 y 16 i 3 j 4 z 9");
    assert_eq!((helix.start, helix.end), (at_mm(7, 7, 0), at_mm(10, 16, 9)));
    assert_eq!(helix.shape, ArcShape::Centre { first_nm: 3_000_000, second_nm: 4_000_000 });
}

/// Row G-15 (3.5.18).
#[test]
fn g15_set_position() {
    let once = state("G0 X4\nG92 x7");
    assert_eq!(once.offset_nm(), [-3_000_000, 0, 0, 0]);
    assert_eq!(once.position(), at_mm(4, 0, 0));
    let twice = state("G0 X4\nG92 x7\nG92 x9");
    assert_eq!(twice.offset_nm(), [-5_000_000, 0, 0, 0]);
    // A program's X9 is where the machine stands; X10 is one to the right of it.
    assert_eq!(straight("G0 X4\nG92 X9\nG0 X10").end, at_mm(5, 0, 0));
    assert_eq!(straight("G0 X4\nG92 X9\nG53 G0 X10").end, at_mm(10, 0, 0));
    assert_eq!(straight("G0 X4\nG92 X9\nG91 G0 X10").end, at_mm(14, 0, 0));
    assert_eq!(straight("G1 E5\nG92 E0\nG1 E2").extruded_nm, 2_000_000);
}

/// Row G-19 (3.6.1): G17, G90, G94, G54, G40 and G1, as far as they are followed; and nothing comes after.
#[test]
fn g19_the_end_ends_the_program_and_sets_modes_back() {
    for end in ["M2", "M30"] {
        let (interpreter, actions) = run(&format!("G91 G19 G93 G0 G20\n{end}")).unwrap();
        assert_eq!(actions.last(), Some(&Action::End));
        assert_eq!(interpreter.plane(), Plane::Xy);
        assert!(!interpreter.is_incremental());
        // Units are not in the list.
        assert_eq!(interpreter.units(), Units::Inch);
        let (after, actions) = run(&format!("G0 X1\nG10 L2 P2 X5\nG55\nG92 X7\n{end}\nG0 X5 F7\nM104 S9")).unwrap();
        assert_eq!((after.position(), after.offset_nm()), (at_mm(1, 0, 0), [0; 4]));
        assert_eq!((actions.last(), after.nozzle_temperature_c()), (Some(&Action::None), None));
    }
}

#[test]
fn e_follows_the_distance_mode_until_it_has_one_of_its_own() {
    assert_eq!(straight("G1 E2\nG1 E3").extruded_nm, 1_000_000);
    assert_eq!(straight("G91\nG1 E2\nG1 E3").extruded_nm, 3_000_000);
    assert_eq!(straight("M82\nG91\nG1 E2\nG1 E3").extruded_nm, 1_000_000);
    assert_eq!(straight("M83\nG90\nG1 E2\nG1 X1 E-3.00001").extruded_nm, -3_000_010);
    assert_eq!(straight("G1 E2\nM83 G1 X1 E3").extruded_nm, 3_000_000);
    assert_eq!(state("M83\nG1 E2\nG92 E0\nG1 E3").extruded_nm(), 5_000_000);
}

#[test]
fn homing_takes_the_named_axes_to_zero_and_drops_their_shift() {
    let job = "G0 X1 Y2 Z3\nG92 X10 Y10\n";
    let home = |words: &str| last(&format!("{job}{words}"));
    let start = at_mm(1, 2, 3);
    let all = Home { axes: [true; 3], start, end: Position::default() };
    assert_eq!(home("G28"), Action::Home(all));
    let two = Home { axes: [true, false, true], start, end: at_mm(0, 2, 0) };
    assert_eq!(home("G28 X Z0"), Action::Home(two));
    assert_eq!(straight(&format!("{job}G28 X\nG0 X5 Y5")).end, at_mm(5, -3, 3));
    assert!(!state(job).was_homed());
    assert!(state("G28 Y").was_homed());
}

#[test]
fn temperatures_are_whole_degrees() {
    let heated = state("M104 S215\nM140 S60.4\nM109 S219.5 ; wait\nM190");
    assert_eq!(heated.nozzle_temperature_c(), Some(220));
    assert_eq!(heated.bed_temperature_c(), Some(60));
    assert_eq!(state("M106 S255\nM3 S100").bed_temperature_c(), None);
    assert_eq!(refusal("M140 S40000"), "the number is out of range");
}

#[test]
fn unknown_words_are_counted_and_move_nothing() {
    let (interpreter, actions) = run("G1 X1\nG987 X Y5 Z X7\nM987 anything, [at] all\nG1 X2 M987 X3\nG0 U4").unwrap();
    assert_eq!(actions[1], Action::None);
    assert_eq!(actions[2], Action::None);
    assert_eq!(interpreter.position(), at_mm(2, 0, 0));
    let counts: Vec<_> = interpreter.unknown_words().iter().map(|(name, word)| (name.as_str(), word.count)).collect();
    assert_eq!(counts, [("G987", 1), ("M987", 2), ("U", 1)]);
    // With a motion word the axis words are the motion's.
    assert_eq!(straight("G987 G1 X3").end, at_mm(3, 0, 0));
    assert_eq!(refusal("G987 G1 X"), "X has no number");
    assert_eq!(last("G1 X5\nM84 X Y E"), Action::None);
}

#[test]
fn words_that_are_not_modelled_are_counted_and_own_their_axes() {
    let (interpreter, actions) =
        run("G1 X1\nG10 L20 P1 X5\nG30 Z5\nG43 H1\nG0 A90\nG92.1\nG55\nG40 G49 G54 G64 G38.2 Z-5").unwrap();
    assert_eq!(interpreter.position(), at_mm(1, 0, 0));
    assert_eq!(actions[1..4], [Action::None; 3]);
    let counts: Vec<_> =
        interpreter.unmodelled_words().iter().map(|(name, word)| (name.as_str(), word.first_line)).collect();
    assert_eq!(counts, [("A", 5), ("G10", 2), ("G30", 3), ("G38.2", 8), ("G43", 4), ("G54", 8), ("G55", 7)]);
    assert!(interpreter.unknown_words().is_empty());
    assert!(state("G987 A5").unmodelled_words().is_empty());
}

#[test]
fn feed_is_none_where_it_is_no_feed() {
    assert_eq!(straight("F0\nG0 X1").feed_nm_min, None);
    // An additive job has a feed from its controller.
    assert_eq!(straight("F0\nM82\nG1 X1").feed_nm_min, None);
    assert_eq!(straight("F0\nG1 E1").feed_nm_min, None);
    assert_eq!(refusal("F0\nG1 X1"), "a motion at a feed, but no feed has been set");
    assert_eq!(refusal("F0\nG2 X1 R1"), "a motion at a feed, but no feed has been set");
    let no_rate = "under G93 every motion at a feed needs an F above zero on its own line";
    assert_eq!(refusal("G93\nG1 X1 F2\nX2"), no_rate);
    assert_eq!(refusal("G93\nG1 X1 F0"), no_rate);
    assert_eq!(straight("G20 G1 X1 F2").feed_nm_min, Some(50_800_000));
    // Row G-16 (3.5.19): under G93 an F is no feed.
    assert_eq!(straight("F100\nG93\nG1 X1 F2").feed_nm_min, None);
    assert_eq!(straight("F100\nG93\nG1 X1 F2\nG94 X2").feed_nm_min, Some(100_000_000));
    assert_eq!(refusal("F-1"), "the number is out of range");
}

#[test]
fn motion_needs_a_mode_and_numbers_that_fit() {
    assert_eq!(refusal("X1"), "axis words, but no motion mode is in force");
    assert_eq!(refusal("G1 X1\nG80\nX2"), "axis words, but no motion mode is in force");
    assert_eq!(refusal("G4 X2"), "axis words beside the dwell G4");
    assert_eq!(last("G4 P2"), Action::Dwell);
    assert_eq!(refusal("G53 G2 X1 I1"), "G53 without a straight motion");
    assert_eq!(refusal("G1 X100000001"), "the number is out of range");
    assert_eq!(refusal("G91 G1 X99999999\nX99999999"), "the number is out of range");
    assert_eq!(refusal("G1 Y"), "Y has no number");
    assert_eq!(refusal("G X1"), "G has no number");
    assert_eq!(refusal("G4"), "a dwell needs P or S, how long it lasts");
    assert_eq!(last("G4 S2"), Action::Dwell);
    assert_eq!(refusal("T1.5"), "T needs a whole number");
    assert_eq!(refusal("T-1"), "T may not be negative");
    assert_eq!(refusal("M3 S-1"), "S may not be negative");
}

#[test]
fn a_bad_line_changes_nothing() {
    let mut reader = Reader::new("job", &b"G1 X1 F60\nG91 G20 F9 M104 S9 G2 X5 Y5\nX2\n"[..]);
    let mut interpreter = Interpreter::new();
    interpreter.execute(&reader.next_line().unwrap().unwrap()).unwrap();
    let error = interpreter.execute(&reader.next_line().unwrap().unwrap()).unwrap_err();
    assert!(error.is_bad_line());
    assert_eq!(interpreter.nozzle_temperature_c(), None);
    let expected = Straight {
        rapid: false,
        start: at_mm(1, 0, 0),
        end: at_mm(2, 0, 0),
        extruded_nm: 0,
        feed_nm_min: Some(60_000_000),
    };
    assert_eq!(interpreter.execute(&reader.next_line().unwrap().unwrap()).unwrap(), Action::Straight(expected));
}
