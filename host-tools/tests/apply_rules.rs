//! What `apply` may and may not write: nothing moves that the job does not move, and nothing of the job is lost.

#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use gapkeeper::{Correction, HeightGrid, Lattice, MAX_NODES};
use gapkeeper_host_tools::apply::{ApplyReport, Settings, apply};
use gapkeeper_host_tools::gcode::{Cause, Effect};

/// A ridge of 80 µm along X = 100, level along Y; its mean is 26.67 µm. Nothing fades.
fn correction() -> Correction<MAX_NODES> {
    let lattice = Lattice { x0_um: 0, y0_um: 0, pitch_x_um: 100_000, pitch_y_um: 200_000, columns: 3, rows: 2 };
    Correction::new(HeightGrid::new(lattice, &[0, 80, 0, 0, 80, 0]).unwrap())
}

fn with(job: &str, settings: &Settings<'_>) -> Result<(String, ApplyReport), String> {
    let mut output = Vec::new();
    let report = apply("job", job.as_bytes(), &mut output, settings).map_err(|error| error.to_string())?;
    let text = String::from_utf8(output).unwrap();
    Ok((text.replace("; corrected for the bed by gapgrid\n", ""), report))
}

fn applied(job: &str) -> String {
    with(job, &Settings::new(&correction())).unwrap().0
}

fn refusal(job: &str) -> String {
    with(job, &Settings::new(&correction())).unwrap_err()
}

/// The lines of the result, compared with those expected.
fn expect(job: &str, expected: &str) {
    assert_eq!(applied(job), expected, "of {job:?}");
}

fn stays(job: &str) {
    expect(job, job);
}

#[test]
fn nothing_is_split_or_added_while_an_axis_is_not_known() {
    // Without G28 the start may be anywhere: one line, to the corrected height.
    expect("G90\nG0 X100 Y100 Z5\n", "G90\nG0 X100 Y100 Z5.08\n");
    // Homing may end lifted, or at the top.
    stays("G28\nG0 X10 Y10\n");
    stays("G28\nG0 X10 Y10\nG0 X190\nG91\nG1 X5 E1 F900\nG1 Z5\n");
    expect("G28\nG0 X100 Y10\nG1 Z0.2 F900\n", "G28\nG0 X100 Y10\nG1 Z0.28 F900\n");
    expect("G28 Z\nG0 Y10 Z5\nG0 X100\n", "G28 Z\nG0 Y10 Z5\nG0 X100 Z5.08\n");
    // From there on everything is known, and split at the ridge.
    let known = "G28\nG0 X0 Y10 Z1\n";
    expect(&format!("{known}G1 X200 E2 F900\n"), &format!("{known}G1 X100 Z1.08 E1 F900\nG1 X200 Z1 E2\n"));
    let (_, report) = with("G28\nG0 X10 Y10\nG0 X20\n", &Settings::new(&correction())).unwrap();
    assert_eq!(report.unplaced.lines, 2);
    let longest = report.unplaced.longest.unwrap();
    assert_eq!((longest.first_line, longest.motions, longest.cause, longest.since_line), (2, 2, Cause::Homing, 1));
}

#[test]
fn what_may_have_moved_the_machine_is_followed_by_one_line() {
    let known = "G28\nG0 X0 Y10 Z1\n";
    for word in ["START_JOB BED=60", "T1", "M6", "M84", "G38.2 Z-5", "G30", "M987 X5", "T?"] {
        let job = format!("{known}{word}\nG1 X200 E2 F900\nG1 X200 Y10 Z1 E4\nG1 X0 E6\n");
        let text = applied(&job);
        let lines: Vec<_> = text.lines().collect();
        assert_eq!(lines[2..4], [word, "G1 X200 E2 F900"]);
        // Where the machine is for sure already needs no word.
        assert!(["G1 Y10 Z1 E4", "G1 Z1 E4"].contains(&lines[4]), "{text}");
        assert_eq!(lines.len(), 7, "{text}");
    }
    // Words that name no axis move none.
    let job = format!("{known}M987 0.2 mm layers\nM987.1 P \"x\"\nM0 Press to go on\nG1 X200 E2 F900\n");
    assert_eq!(applied(&job).lines().count(), 7);
}

#[test]
fn machine_coordinates_stay_as_they_are() {
    let known = "G28\nG0 X0 Y10 Z1\n";
    expect(
        &format!("{known}G53 G0 Z0\nG0 X200\nG0 X100 Y10 Z1\n"),
        &format!("{known}G53 G0 Z0\nG0 X200\nG0 X100 Z1.08\n"),
    );
    expect(&format!("{known}G91 G28 Z0\nG90 G53 X-17. Y0.\n"), &format!("{known}G91 G28 Z0\nG90 G53 X-17. Y0.\n"));
}

#[test]
fn offsets_are_those_of_the_standard_or_refused() {
    // The ridge lies at X = 100 of the machine, which G55 calls 90.
    expect("G10 L2 P2 X10 Y0 Z0\nG55\nG0 X90 Y0 Z1\n", "G10 L2 P2 X10 Y0 Z0\nG55\nG0 X90 Y0 Z1.08\n");
    expect("G0 X100 Y0 Z1\nG92 X0\nG0 X-100\n", "G0 X100 Y0 Z1.08\nG92 X0\nG0 X-100 Z1\n");
    expect("G0 X100 Y0 Z1\nG92 X0\nG92.1\nG0 X0\n", "G0 X100 Y0 Z1.08\nG92 X0\nG92.1\nG0 X0 Z1\n");
    // The machine stands 80 µm higher than the job thinks: the same zero needs another number.
    expect("G0 X100 Y0 Z1\nG92 Z0\nG0 X0\n", "G0 X100 Y0 Z1.08\nG92 Z0.08\nG0 X0 Z0\n");
    assert!(
        refusal("G0 X0 Y0 Z1\nG55\n").starts_with("job:2:1: G55 shifts the path by what only the controller knows")
    );
    assert!(refusal("G28\nG92 Z0\n").contains("G92 on an axis whose place is not known"));
    assert!(refusal("G0 X0 Y0 Z1\nG92 X5\nG28 X\n").contains("controllers differ"));
    let correction = correction();
    let origin = Settings { origin_nm: [Some(50_000_000), Some(0), Some(0)], ..Settings::new(&correction) };
    let (text, _) = with("G92 X0 Y0 Z0\nG1 X50 F900\nG1 X150\n", &origin).unwrap();
    assert_eq!(text, "G92 X0 Y0 Z0\nG1 X50 Z0.08 F900\nG1 X150 Z0\n");
    // Bare, it says nothing, and stays.
    stays("G0 X0 Y0 Z1\nG92\nG0 X100 Y0 Z1\n");
}

#[test]
fn words_that_may_move_or_shift_are_refused_unless_let_through() {
    let known = "G28\nG0 X0 Y10 Z1\n";
    for (line, word, column) in [
        ("G987 X5", "G987", 1),
        ("G5 X1 Y1 I1", "G5", 1),
        ("G08 P1", "G8", 1),
        ("G1 X1 F9 U5", "U", 10),
        ("G41 D1", "G41", 1),
        ("G10", "G10", 1),
        ("G10 L20 P1 X0", "G10", 1),
        ("G81 X1 Z0 R1 F9", "G81", 1),
    ] {
        let job = format!("{known}{line}\nG1 X200 F900\nG1 X200 Y10 Z1\n");
        let message = refusal(&job);
        assert!(message.starts_with(&format!("job:3:{column}: ")) && message.contains(word), "{line}: {message}");
        assert!(message.contains(&format!("--pass {word}")), "{message}");
        let pass = [word.to_owned()];
        let (text, report) = with(&job, &Settings { pass: &pass, ..Settings::new(&correction()) }).unwrap();
        let lines: Vec<_> = text.lines().collect();
        assert_eq!(lines[2..4], [line, "G1 X200 F900"], "{text}");
        let counts = report.unknown_words.get(word).or(report.unmodelled_words.get(word));
        assert!(line.starts_with("G81") || counts.is_some_and(|count| count.effect == Effect::MayShift), "{line}");
    }
}

#[test]
fn e_under_mixed_modes_is_refused_where_it_matters() {
    let known = "G28\nM82\nG0 X0 Y10 Z1\nG1 E5 F900\n";
    let end = format!("{known}G91\nG1 Z0.5 E-5\nG1 E-2\nG90\n");
    assert_eq!(applied(&end), end);
    let job = format!("{known}G91\nG1 X200 E2\n");
    let message = refusal(&job);
    assert!(message.starts_with("job:6:9: E under G91 after M82") && message.contains("--e-follows-g91"), "{message}");
    let answered = |follows| with(&job, &Settings { e_follows_g91: Some(follows), ..Settings::new(&correction()) });
    assert!(answered(true).unwrap().0.ends_with("G1 X100 Z0.08 E1\nG1 X100 Z-0.08 E1\n"));
    // As a place: from 5 back to 2.
    assert!(answered(false).unwrap().0.ends_with("G1 X100 Z0.08 E3.5\nG1 X100 Z-0.08 E2\n"));
    // With E at zero both readings come to the same place, and only pieces would not.
    assert!(refusal(&format!("{known}G92 E0\nG91\nG1 X200 E2\n")).contains("--e-follows-g91"));
    assert!(with(&format!("{known}G92 E0\nG91\nG1 X50 E2\nG90\nG1 X0 E3\n"), &Settings::new(&correction())).is_ok());
}

/// NISTIR 6556, 3.5.19: half a minute for all of it, a quarter for each half.
#[test]
fn under_g93_each_piece_has_its_own_feed() {
    let text = applied("G28\nG0 X0 Y10 Z1\nG93\nG1 X200 F2\n");
    let lines: Vec<_> = text.lines().skip(3).collect();
    assert_eq!(lines, ["G1 X100 Z1.08 F4", "G1 X200 Z1 F4"]);
}

#[test]
fn numbers_and_check_values_are_renewed() {
    let check = |line: &str| format!("{line}*{}\n", line.bytes().fold(0, |value, byte| value ^ byte));
    let job = [
        check("N1 G28"),
        check("N2 G0 X0 Y10 Z1"),
        check("N3 G1 X200 F900 (across)"),
        check("N4 M105"),
        check("N5 G1 X0").replace('\n', " ; back\n"),
        check("N6 M105"),
    ];
    let expected = [
        check("N1 G28"),
        check("N2 G0 X0 Y10 Z1"),
        check("N3 G1 X100 Z1.08 F900 (across)"),
        check("N4 G1 X200 Z1"),
        check("N5 M105"),
        check("N6 G1 X100 Z1.08").replace('\n', " ; back\n"),
        check("N7 G1 X0 Z1"),
        check("N8 M105"),
    ];
    expect(&job.concat(), &expected.concat());
    // Without check values a number is a name.
    expect("N7 G0 X0 Y10 Z1\nN9 G1 X200 F9\n", "N7 G0 X0 Y10 Z1\nN9 G1 X100 Z1.08 F9\nG1 X200 Z1\n");
}

#[test]
fn words_stay_on_the_line_where_they_belong() {
    let known = "G28\nG0 X0 Y10 Z1\n";
    // The light of a line, the turns of an arc, and a line that the operator may leave out.
    expect(&format!("{known}G1 X200 F900 S33\n"), &format!("{known}G1 X100 Z1.08 F900 S33\nG1 X200 Z1\n"));
    expect(&format!("{known}M3 S33 G1 X200 F9\n"), &format!("{known}M3 S33\nG1 X100 Z1.08 F9\nG1 X200 Z1\n"));
    let helix = applied(&format!("{known}G0 X20 Y50 Z1\nG2 I5 P2 Z3 F900\n"));
    assert!(!helix.contains('P') && helix.lines().last().unwrap().contains("Y50 Z3"), "{helix}");
    expect(&format!("{known}/G1 X200 F900\nG0 X100 Y10 Z1\n"), &format!("{known}/G1 X200 F900\nG0 X100 Z1.08\n"));
    assert!(refusal(&format!("{known}/G91\n")).contains("has it left out"));
    expect(&format!("{known}G1 X200 F9 M0 Press\n"), &format!("{known}G1 X100 Z1.08 F9\nG1 X200 Z1\nM0 Press\n"));
    expect(&format!("{known}#1=2 G1 X200 F9\n"), &format!("{known}G1 X100 Z1.08 F9\nG1 X200 Z1\n#1=2\n"));
}

#[test]
fn lines_that_are_no_motion_stay_byte_for_byte() {
    let comment = format!("; {}\n", "picture ".repeat(9000));
    for line in [
        "START_JOB BED=60 NOZZLE=210.5 NAME=\"a b\"\n",
        "M987.1 P \"x\"\n",
        "M987 0.2 mm layers\n",
        "M0 Press to go on\n",
        "M117 (hello; [world]\n",
        "T?0\n",
        "G92\n",
        "m104 s2 1 5\n",
        "_macro\r\n",
        "G4 P100\n",
        comment.as_str(),
    ] {
        stays(&format!("G28\n{line}G28\n"));
    }
}

#[test]
fn what_the_report_tells() {
    let job = "M140 S60\nM104 S210\nM987 S1\nM987 S1\nSTART_JOB\nM117 hello there\nG28\nG0 X0 Y10 Z1\n\
               G1 X100 Y10 Z0.2 E1 F900\nM140 S0\nG0 Z30\nM2\nG0 X5\n";
    let (text, report) = with(job, &Settings::new(&correction())).unwrap();
    assert_eq!((report.bed_temperature_c, report.nozzle_temperature_c), (Some(60), Some(210)));
    assert_eq!(report.reach.lowest, Some((280, 9)));
    assert_eq!(report.reach.highest, Some((30_080, 11)));
    assert_eq!((report.lines_after_end, report.bytes_read), (1, job.len() as u64));
    assert_eq!(report.bytes_written as usize, text.len() + "; corrected for the bed by gapgrid\n".len());
    let word = |name: &str| report.unknown_words[name];
    assert_eq!(
        (word("M987").count, word("M987").may_switch_on_line, word("M987").effect),
        (2, Some(3), Effect::Harmless)
    );
    assert_eq!((word("START_JOB").may_switch_on_line, word("START_JOB").effect), (Some(5), Effect::MayMove));
    assert_eq!((word("M117").may_switch_on_line, word("M117").first_line), (None, 6));
}

#[test]
fn bad_lines_are_passed_if_wanted_and_lose_the_position() {
    let job = "G28\nG0 X0 Y10 Z1\nG1 X5 Xa\n(open\nG987\nG1 X200 F9\nG0 X100 Y10 Z1\n";
    let correction = correction();
    let settings = Settings { keep_going: true, ..Settings::new(&correction) };
    let (text, report) = with(job, &settings).unwrap();
    assert_eq!(text, job.replace("G0 X100 Y10 Z1\n", "G0 X100 Y10 Z1.08\n"));
    assert_eq!(report.bad_lines, 3);
    assert_eq!(report.first_bad_line.as_deref(), Some("job:3:7: X stands twice on one line"));
    assert!(refusal(job).starts_with("job:3:7"));
    let lenient = Settings { lenient: true, ..Settings::new(&correction) };
    assert!(with("G0 G17 G40 G49 G80 G90\n", &lenient).is_ok());
}

#[test]
fn nothing_goes_below_the_lowest_height() {
    let low = correction().with_lowest_machine_z(-100);
    for job in ["G0 X0 Y0 Z-0.2\n", "G0 X0 Z-0.2\n", "G0 X0 Y0 Z1\nT1\nG0 Z-0.2\n"] {
        let message = with(job, &Settings::new(&low)).unwrap_err();
        assert!(message.contains("below the lowest allowed, -100 um"), "{message}");
    }
}
